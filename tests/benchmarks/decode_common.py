"""What the decoding studies share: invented systems, keys drawn from a model, and Bayes by brute force.

Brute force lists all ways to cut one track, legal or not, as two halves: the likelihood of every code at every point of a
dense grid of offset and wear scale is the product of its halves', so one matrix product per key gives every code's
posterior exactly. It shares no code with the package: densities are scipy's.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from attrs import evolve, frozen
from scipy.stats import gamma, norm

from bitting.decoding import MeasurementModel
from bitting.decoding.grid import lane_signs
from bitting.diagram import code_space
from bitting.model import Blade, Depths, Measuring, ReadCut, Reading, Readings, System, Track
from tests.make import read_rules

SCALES = ((0.25, 0.35), (1.0, 0.50), (2.0, 0.15))
CUT_SCALES = ((0.5, 0.25), (1.0, 0.50), (2.0, 0.25))
SHAPE = 3
TAIL = 5.0
DIGIT = 0.01
USUAL = (
    "adjacent cuts differ by at most 2",
    "no more than 2 equal cuts in a row",
    "at least 3 different depths",
    "first cut is one of 1 2 3",
    "last cut is one of 1 2",
)
"""Rules as systems have them."""


def make_system(cuts: int, depths: int, step: float, must: tuple[str, ...] = (), tracks: int = 1) -> System:
    """An invented system: `tracks` tracks of `cuts` cuts, depths `step` apart, 2.3 mm between cuts."""
    made = tuple(
        Track(
            name=name,
            milling="external",
            measured="far-edge",
            spaces=tuple(22.0 - 2.3 * i for i in range(cuts)),
            labels=tuple(str(d + 1) for d in range(depths)),
            depths=tuple(round(8.6 - step * d, 4) for d in range(depths)),
        )
        for name in ("left", "right")[:tracks]
    )
    bare = System(
        "study", "invented", "invented for a study", "mm", "tip", (), False, Blade(10.0, 2.6, 1.0), made, must,
        measuring=Measuring(),
    )  # fmt: skip
    return evolve(bare, rules=read_rules(bare, must, ()))


@frozen
class Drawn:
    """A key: its code, the readings [lane][cut][repeat] and the wear scale that was drawn for it."""

    depths: Depths
    values: tuple[tuple[tuple[float, ...], ...], ...]
    scale: float


class Maker:
    """Draws keys of a system from a model, with whatever the study bends."""

    def __init__(self, system: System, model: MeasurementModel, seed: int) -> None:
        self.system, self.model = system, model
        self.random = np.random.default_rng(seed)
        self.digit = DIGIT if system.unit == "mm" else DIGIT / 20
        self._signs = lane_signs(system)
        self._codes = code_space(system).sample(10**9, seed)

    def shared(self) -> np.ndarray:
        """(offset, tilt, left-right) of one key."""
        model = self.model
        wide = TAIL if self.random.random() < model.offset_tail else 1.0
        return self.random.standard_normal(3) * [wide * model.offset_sd, model.tilt_sd, model.left_right_sd]

    def scale(self) -> float:
        """The mean wear of one key."""
        factors = [factor for factor, _ in SCALES]
        return float(self.model.wear * self.random.choice(factors, p=[p for _, p in SCALES]))

    def wear(self, depths: np.ndarray, scale: float) -> np.ndarray:
        """The wear of every cut of a lane."""
        times = self.random.choice([t for t, _ in CUT_SCALES], depths.size, p=[p for _, p in CUT_SCALES])
        return np.asarray(self.random.gamma(SHAPE, size=depths.size) * scale * times / SHAPE)

    def outlier(self, track: Track, true: np.ndarray, cut: int) -> float:  # noqa: ARG002 - studies bend it
        """A reading that is simply wrong; `true` is what the lane's cuts read without noise."""
        low, high = sorted((2 * track.depths[0] - track.depths[1], 2 * track.depths[-1] - track.depths[-2]))
        return float(self.random.uniform(low, high))

    def rounded(self, value: float) -> float:
        """What the caliper shows."""
        return round(value / self.digit) * self.digit

    def extra(self, track: Track, row: np.ndarray) -> np.ndarray:  # noqa: ARG002 - studies bend it
        """An error of each cut that the model doesn't know."""
        return np.zeros(row.size)

    def key(self, repeats: int = 1) -> Drawn:
        """One key, each cut read `repeats` times."""
        model = self.model
        depths = next(self._codes)
        offset, tilt, pair = self.shared()
        scale = self.scale()
        values = []
        for number, (lane, row) in enumerate(zip(self.system.lanes, depths, strict=True)):
            track = lane.track
            places = np.array(row)
            along = np.linspace(-0.5, 0.5, track.cuts)
            true = np.array(track.depths)[places] + offset + tilt * along + self._signs[number] * pair
            true = true + track.deeper * self.wear(places, scale) + self.extra(track, places)
            true = true + self.random.standard_normal(track.cuts) * model.cut_sd
            lane_values = []
            for cut in range(track.cuts):
                one = []
                if self.random.random() < model.cut_wrong:
                    true[cut] = self.outlier(track, true, cut)
                for _ in range(repeats):
                    if self.random.random() < model.outliers:
                        value = self.outlier(track, true, cut)
                    else:
                        value = true[cut] + self.random.standard_normal() * model.reading_sd
                    one.append(self.rounded(value))
                lane_values.append(tuple(one))
            values.append(tuple(lane_values))
        return Drawn(depths, tuple(values), scale)


def readings_of(system: System, key: Drawn, digit: float = DIGIT) -> Readings:
    """The key's readings as the decoder takes them."""
    cuts = []
    for lane, rows in zip(system.lanes, key.values, strict=True):
        for cut, row in enumerate(rows):
            several = tuple(Reading(value, None, digit, (0, 0)) for value in row)
            cuts.append(ReadCut(lane.side, lane.track.name, cut, several))
    return Readings(system, "", system.unit, tuple(cuts))


def nearest(system: System, key: Drawn) -> Depths:
    """Each cut by itself: the depth nearest to the mean of its readings."""
    return tuple(
        tuple(int(np.argmin(np.abs(np.array(lane.track.depths) - np.mean(row)))) for row in rows)
        for lane, rows in zip(system.lanes, key.values, strict=True)
    )


class BruteForce:
    """Bayes over every code of a one-track system, one reading a cut, no tilt; `scales` as (factor, probability)."""

    def __init__(
        self,
        system: System,
        model: MeasurementModel,
        scales: tuple[tuple[float, float], ...] = SCALES,
        points: int = 141,
    ) -> None:
        self.track = system.tracks[0]
        self.model, self.scales = model, scales
        self.size, self.cuts = len(self.track.depths), self.track.cuts
        self.offsets = np.linspace(-15.0, 15.0, 2 * points) * model.offset_sd
        prior = (1 - model.offset_tail) * norm.pdf(self.offsets, 0, model.offset_sd)
        prior += model.offset_tail * norm.pdf(self.offsets, 0, TAIL * model.offset_sd)
        self.weights = np.concatenate([p * prior / prior.sum() for _, p in scales])
        space = code_space(system)
        every = itertools.product(range(self.size), repeat=self.cuts)
        self.legal = np.array([space.contains((code,)) for code in every])

    def best(self, key: Drawn) -> tuple[tuple[int, ...], float]:
        """The most probable legal code and its probability."""
        half = self.cuts // 2
        first, second = self._half(key, range(half)), self._half(key, range(half, self.cuts))
        joint = ((first * self.weights) @ second.T).ravel() * self.legal
        index = int(joint.argmax())
        code = np.unravel_index(index, (self.size,) * self.cuts)
        return tuple(int(d) for d in code), float(joint[index] / joint.sum())

    def _half(self, key: Drawn, cuts: range) -> np.ndarray:
        table = np.ones((1, self.weights.size))
        for cut in cuts:
            table = (table[:, None, :] * self._cut(key.values[0][cut][0])[None]).reshape(-1, self.weights.size)
        return table

    def _cut(self, value: float) -> np.ndarray:
        """Likelihood of one reading for every depth at every grid point: (depths, points)."""
        model, depths = self.model, np.array(self.track.depths)
        low, high = sorted((2 * depths[0] - depths[1], 2 * depths[-1] - depths[-2]))
        anywhere = (1.0 if low <= value <= high else 1e-4) / (high - low)
        u = math.hypot(model.reading_sd, DIGIT / math.sqrt(12), model.cut_sd)
        y = self.track.deeper * (value - depths[:, None] - self.offsets)
        rows = [self._worn(y, factor * model.wear, u) for factor, _ in self.scales]
        wrong = 1 - (1 - model.outliers) * (1 - model.cut_wrong)
        return np.concatenate([(1 - wrong) * row + wrong * anywhere for row in rows], axis=1)

    def _worn(self, y: np.ndarray, mean: float, u: float) -> np.ndarray:
        """The density of noise plus wear, the integral over wear by an even sum over quantiles of its gamma densities."""
        if mean == 0:
            return np.asarray(norm.pdf(y, 0, u))
        shares = (np.arange(200) + 0.5) / 200
        total = np.zeros(y.shape)
        for times, share in CUT_SCALES:
            wear = gamma.ppf(shares, SHAPE, scale=mean * times / SHAPE)
            total += share * norm.pdf(y[..., None], wear, u).mean(axis=-1)
        return total
