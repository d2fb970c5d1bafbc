"""What the readings of one cut say: a short mixture of densities of noise plus wear, and a term for readings that are wrong.

Readings of a cut on one side share its wear and its own error. Each of them may be simply wrong, and all readings of the cut
in one list may be wrong together (the cut was measured in a wrong place, or a burr was). Over the subsets of readings that are
right, the product of their normal densities is again a normal density around their weighted mean, times a constant that says
how well they agree; so the likelihood of `depth + shared error = x` is

    floor + Σ_subsets weight · f(±(centre - x); sd),   sd² = 1/Σ(1/u²) + cut_sd²,

with f the density of noise plus wear. Components don't depend on the depth or the shared error and are worked out once per
cut. The floor is never 0, so no reading makes a key impossible.

f has no simple form (wear is a mixture of gamma densities), but its Fourier transform has: f is worked out on an even grid by
one transform per key's mean wear, and read off between its points (relative error z²/8n² at z standard deviations of the noise,
n points per standard deviation).

>>> from bitting.decoding.model import MeasurementModel
>>> table = density_table(0.03, MeasurementModel(0.03, 0.05, 0.0, 0.01))   # no wear: the normal density
>>> round(float(table(np.array([0.03]))[0, 0]) * 0.03, 5)
0.24197
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from heapq import nlargest

import numpy as np
from attrs import frozen

from bitting.arrays import Array
from bitting.decoding.model import CUT_WEAR, OUTSIDE, WEAR_SHAPE, MeasurementModel, wear_scales
from bitting.errors import BittingError
from bitting.model import Place, Reading, Readings, System

ACROSS = "across"
HEAVIEST = 64
"""Subsets of a cut's readings that are kept: all of six readings. What the others hold moves no
probability by 1e-6, and the log of the evidence by less than 1e-4."""
FINE, COARSE = 1000, 200
"""Points of a density's table per standard deviation of the noise: for 1e-6 and, where several errors are shared, 1e-4."""
NOISE, FADED = 9.0, 45.0
"""How far a table reaches: standard deviations of noise, and scales of the longest wear."""
LONGEST = 1 << 20
"""Points of a table at most; a longer one is coarser."""

Component = tuple[float, float, float]
"""(log weight, centre, standard deviation without the cut's own error) of one subset of readings."""


@frozen(kw_only=True)
class CutLikelihood:
    """The readings of one cut on one side (or across two cuts): `components`, plus exp(`log_floor`).

    `values` and `sds` are the readings, `wrong` the density that each has if it is wrong, `lists` the list that each is of,
    `digits` the step of its digits. `places`: the cut, or both.
    """

    places: tuple[Place, ...]
    side: str | None
    components: tuple[Component, ...]
    log_floor: float
    values: tuple[float, ...]
    sds: tuple[float, ...]
    wrong: tuple[float, ...]
    lists: tuple[int, ...]
    digits: tuple[float, ...] = ()

    @property
    def place(self) -> Place:
        """The one cut."""
        return self.places[0]

    @property
    def information(self) -> float:
        """1/variance of what all its readings together say, wear and own error apart."""
        return 1.0 / min(sd for _, _, sd in self.components) ** 2

    @property
    def mean(self) -> float:
        """The mean of its readings, weighted by what each is worth."""
        weights = [1 / sd**2 for sd in self.sds]
        return sum(w * v for w, v in zip(weights, self.values, strict=True)) / sum(weights)


def wrong_density(value: float, low: float, high: float) -> float:
    """The density of a wrong reading: even over its range, and as good as none outside."""
    return (1.0 if low <= value <= high else OUTSIDE) / (high - low)


def likelihoods_of(readings: Readings, system: System, model: MeasurementModel) -> tuple[CutLikelihood, ...]:
    """One likelihood per cut and side that was read, in the order of lanes and cuts; `across` readings are not among them.

    Two entries of the readings for the same cut and side are of two lists.
    """
    lanes = {(lane.side, lane.track.name): index for index, lane in enumerate(system.lanes)}
    found: dict[tuple[int, int, str], list[tuple[Reading, ...]]] = {}
    for cut in readings.cuts:
        if cut.track == ACROSS or not cut.readings:
            continue
        lane = lanes.get((cut.side if system.sided else None, cut.track))
        if lane is None or not 0 <= cut.cut < system.lanes[lane].track.cuts:
            raise BittingError(
                f"a reading of cut {cut.cut + 1} of {cut.track!r} has no place on a key of {system.name!r}",
                hint="name the side and track of each list of readings, with one value per cut",
            )
        found.setdefault((lane, cut.cut, cut.side or ""), []).append(cut.readings)
    return tuple(
        cut_likelihood((Place(lane, place),), side or None, lists, system.lanes[lane].track.ends, model)
        for (lane, place, side), lists in sorted(found.items())
    )


def cut_likelihood(
    places: tuple[Place, ...],
    side: str | None,
    lists: Sequence[Sequence[Reading]],
    ends: tuple[float, float],
    model: MeasurementModel,
) -> CutLikelihood:
    """The likelihood of the readings of one cut, list by list; `ends` is where a wrong one lies."""
    parts: list[Component] = [(0.0, 0.0, math.inf)]  # nothing read yet: the floor is the last
    for readings in lists:
        values = [(r.value, model.uncertainty(r)) for r in readings]
        own = _one_list(values, ends, model)
        parts = _kept([_product(one, two) for one in parts for two in own])
    floors = [weight for weight, _, sd in parts if sd == math.inf]
    return CutLikelihood(
        places=places,
        side=side,
        components=tuple(part for part in parts if part[2] < math.inf),
        log_floor=floors[0],
        values=tuple(r.value for one in lists for r in one),
        sds=tuple(model.uncertainty(r) for one in lists for r in one),
        wrong=tuple(wrong_density(r.value, *ends) for one in lists for r in one),
        lists=tuple(number for number, one in enumerate(lists) for _ in one),
        digits=tuple(r.digit for one in lists for r in one),
    )


def _one_list(
    values: Sequence[tuple[float, float]], ends: tuple[float, float], model: MeasurementModel
) -> list[Component]:
    """The components of the readings (value, standard deviation) of a cut in one list, and as the last one their floor."""
    right, wrong = math.log1p(-model.wrong), math.log(model.wrong)
    parts: list[Component] = [(0.0, 0.0, math.inf)]
    for value, sd in values:
        chance = wrong + math.log(wrong_density(value, *ends))
        good = [_product(part, (right, value, sd)) for part in parts]
        parts = _kept(good + [(weight + chance, centre, own) for weight, centre, own in parts])
    *parts, (floor, _, _) = parts
    if model.cut_wrong == 0:
        return [*parts, (floor, 0.0, math.inf)]
    together = [weight + math.log(model.cut_wrong * wrong_density(centre, *ends)) for weight, centre, _ in parts]
    kept = math.log1p(-model.cut_wrong)
    floor = _log_sum([floor, *together])
    return [*((weight + kept, centre, sd) for weight, centre, sd in parts), (floor, 0.0, math.inf)]


def _product(one: Component, two: Component) -> Component:
    """The product of two normal densities of the same unknown, as one; a standard deviation of inf stands for a constant."""
    (weight, centre, sd), (more, value, own) = one, two
    if sd == math.inf or own == math.inf:
        return (weight + more, value, own) if sd == math.inf else (weight + more, centre, sd)
    spread = sd * sd + own * own
    apart = -0.5 * (centre - value) ** 2 / spread - 0.5 * math.log(2 * math.pi * spread)
    mean = (centre * own * own + value * sd * sd) / spread
    return weight + more + apart, mean, sd * own / math.sqrt(spread)


def _kept(parts: list[Component]) -> list[Component]:
    """The heaviest components, and all constants as one, which stands last."""
    constants = [weight for weight, _, sd in parts if sd == math.inf]
    rest = nlargest(HEAVIEST, (part for part in parts if part[2] < math.inf))
    return [*rest, *([(_log_sum(constants), 0.0, math.inf)] if constants else [])]


def _log_sum(logs: Sequence[float]) -> float:
    top = max(logs)
    return top + math.log(sum(math.exp(one - top) for one in logs)) if len(logs) > 1 else top


@frozen(eq=False)
class DensityTable:
    """Densities of noise plus the wear of one cut (or of two) at even points, a row per mean wear of a key, 0 outside."""

    start: float
    step: float
    values: Array
    slopes: Array

    def __call__(self, y: Array) -> Array:
        """The density at y on the axis on which wear is positive: (wear scales, *y.shape)."""
        at = (y - self.start) * (1 / self.step)
        np.clip(at, 0.0, self.values.shape[1] - 1.5, out=at)
        low = at.astype(np.intp)
        at -= low
        out = np.empty((self.values.shape[0], *y.shape))
        for values, slopes, row in zip(self.values, self.slopes, out, strict=True):
            np.multiply(slopes.take(low), at, out=row)
            row += values.take(low)
        return out

    @property
    def most(self) -> DensityTable:
        """The greatest of all rows, as one."""
        return _table(self.start, self.step, self.values.max(axis=0, keepdims=True))

    def mean(self, weights: Array) -> DensityTable:
        """The mean of all rows with these weights, as one."""
        return _table(self.start, self.step, weights[None] @ self.values)


def density_table(sd: float, model: MeasurementModel, *, cuts: int = 1, fine: int = FINE) -> DensityTable:
    """The table for noise of standard deviation `sd` and the wear of one cut, or of two together, with their own errors."""
    spread = math.sqrt(sd**2 + cuts * model.cut_sd**2)
    return _density_table(round(spread, 12), tuple(scale for scale, _ in wear_scales(model)), cuts, fine)


def wear_transform(omega: Array, scale: float) -> Array:
    """The Fourier transform E[exp(-iωw)] of the wear w of one cut of a key of mean wear `scale`."""
    return np.asarray(
        sum(share * (1 + 1j * omega * (scale * times / WEAR_SHAPE)) ** -WEAR_SHAPE for times, share in CUT_WEAR)
    )


@lru_cache(maxsize=128)
def _density_table(sd: float, scales: tuple[float, ...], cuts: int, fine: int) -> DensityTable:
    longest = max(scales) * CUT_WEAR[-1][0] / WEAR_SHAPE * FADED
    period = 2 * NOISE * sd + longest
    count = 1 << math.ceil(math.log2(period / sd * fine))
    count = min(count, LONGEST)
    step = max(sd / fine, period / count)
    omega = 2 * np.pi * np.fft.rfftfreq(count, step)
    noise = np.exp(-0.5 * (sd * omega) ** 2)
    inside = noise > 0
    before = math.ceil(NOISE * sd / step)
    kept = math.ceil(period / step)
    rows = np.empty((len(scales), kept))
    for row, scale in zip(rows, scales, strict=True):
        spectrum = noise.astype(complex)
        if scale:
            spectrum[inside] *= wear_transform(omega[inside], scale) ** cuts
        row[:] = np.roll(np.fft.irfft(spectrum, count), before)[:kept] / step
    np.maximum(rows, 0.0, out=rows)
    rows[:, [0, -1]] = 0.0
    return _table(-before * step, step, rows)


def _table(start: float, step: float, rows: Array) -> DensityTable:
    return DensityTable(start, step, rows, np.diff(rows, axis=1, append=0.0))
