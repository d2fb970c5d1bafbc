"""Decoding by brute force, for tests: every legal code, every integral taken on its own, nothing shared with the package.

Legal codes are listed by asking each rule about each code. For one code the readings' density is integrated over wear
(and a cut's own error) by Gauss-Legendre panels per cut and side, then over offset, tilt, left-right difference and wear
scale on dense even grids. It is slow and plain on purpose.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from functools import cache, partial

import numpy as np
from attrs import evolve

from bitting.decoding import MeasurementModel
from bitting.model import Blade, Cutting, Measuring, ReadCut, Reading, Readings, System, Track
from bitting.rules import violations
from tests.make import read_rules

SCALES = ((0.25, 0.35), (1.0, 0.50), (2.0, 0.15))
CUT_SCALES = ((0.5, 0.25), (1.0, 0.50), (2.0, 0.25))
SHAPE = 3
TAIL = 5.0
LEAST_WRONG, OUTSIDE = 1e-6, 1e-4


def make_system(
    *,
    cuts: int = 4,
    depths: tuple[float, ...] = (8.6, 8.2, 7.8, 7.4),
    tracks: tuple[str, ...] = ("left",),
    sides: tuple[str, ...] = (),
    convenience: bool = False,
    must: tuple[str, ...] = (),
    milling: str = "external",
    measuring: Measuring | None = None,
    cutting: Cutting | None = None,
) -> System:
    """A small invented system with its rules bound."""
    made = tuple(
        Track(
            name=name,
            milling=milling,  # type: ignore[arg-type]
            measured="far-edge",
            spaces=tuple(20.0 - 2.3 * i for i in range(cuts)),
            labels=tuple(str(i + 1) for i in range(len(depths))),
            depths=depths,
        )
        for name in tracks
    )
    system = System(
        name="finch", about="invented", source="invented for the tests", unit="mm", stop="tip", sides=sides,
        convenience=convenience, blade=Blade(10.0, 2.6, 1.0), tracks=made, must=must, cutting=cutting or Cutting(),
        measuring=measuring or Measuring(),
    )  # fmt: skip
    return evolve(system, rules=read_rules(system, must, ()))


def make_readings(
    system: System, cuts: dict[tuple[str | None, str, int], list[float]], digit: float = 0.01
) -> Readings:
    """Readings from {(side, track, cut): values}."""
    rows = tuple(
        ReadCut(side, track, cut, tuple(Reading(v, None, digit, (0, 0)) for v in values))
        for (side, track, cut), values in cuts.items()
    )
    return Readings(system, "", system.unit, rows)


def legal_codes(system: System) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Every legal code, by trying them all."""
    rows = [itertools.product(range(len(lane.track.depths)), repeat=lane.track.cuts) for lane in system.lanes]
    for code in itertools.product(*rows):
        rules = [(rule, [code[lane] for lane in rule.lanes]) for rule in system.rules if rule.level == "must"]
        if not any(True for rule, rows in rules for _ in violations(rule, system, rows)):
            yield code


class Brute:
    """The exact posterior of one small key: `codes`, `probabilities` and `log_evidence`.

    `scales`: what the key's mean wear may be, in terms of the model's, with probabilities.
    """

    def __init__(
        self,
        readings: Readings,
        system: System,
        model: MeasurementModel,
        *,
        points: int = 801,
        shared: int = 1,
        reach: float = 8.0,
        scales: tuple[tuple[float, float], ...] = SCALES,
    ) -> None:
        self.system, self.model = system, model
        self.codes = list(legal_codes(system))
        self.offsets, offset_weights = _offsets(model, points, reach)
        tilts, tilt_weights = _even(model.tilt_sd, shared, 6.0)
        pairs, pair_weights = _even(model.left_right_sd, shared, 6.0)
        total = np.zeros(len(self.codes))
        self.offset_moments = np.zeros(3)
        for factor, scale_weight in scales if model.wear else ((1.0, 1.0),):
            for tilt, tilt_weight in zip(tilts, tilt_weights, strict=True):
                for pair, pair_weight in zip(pairs, pair_weights, strict=True):
                    rows = self._cut_rows(readings, model.wear * factor, tilt, pair)
                    for index, code in enumerate(self.codes):
                        likelihood = offset_weights * scale_weight * tilt_weight * pair_weight
                        for (lane, _), at in rows.items():
                            likelihood = likelihood * at(code[lane])
                        total[index] += likelihood.sum()
                        self.offset_moments += [(likelihood * self.offsets**k).sum() for k in (0, 1, 2)]
        self.probabilities = total / total.sum()
        self.log_evidence = math.log(total.sum() / len(self.codes))

    def _cut_rows(
        self, readings: Readings, scale: float, tilt: float, pair: float
    ) -> dict[tuple[int, int], Callable[[tuple[int, ...]], np.ndarray]]:
        """Per cut that was read, its density at every offset for the depths of its lane."""
        parts: dict[tuple[int, int], list[tuple[ReadCut, float]]] = {}
        names = [(lane.side, lane.track.name) for lane in self.system.lanes]
        for cut in readings.cuts:
            if not cut.readings:
                continue
            lane = names.index((cut.side if self.system.sided else None, cut.track))
            track = self.system.lanes[lane].track
            place = (track.spaces[cut.cut] - track.spaces[0]) / (track.spaces[-1] - track.spaces[0]) - 0.5
            sign = 0 if len(self.system.tracks) < 2 else (1 if track is self.system.tracks[0] else -1)
            parts.setdefault((lane, cut.cut), []).append((cut, tilt * place + sign * pair))
        known: dict[tuple[int, int, float], np.ndarray] = {}
        v, weight = _cut_errors(self.model, scale)

        def at(lane: int, cut: int, row: tuple[int, ...]) -> np.ndarray:
            track = self.system.lanes[lane].track
            deeper = 1.0 if track.depths[-1] > track.depths[0] else -1.0
            seen = track.depths[row[cut]] - deeper * jaw_stands_off(self.system, track, row, cut)
            if (lane, cut, seen) not in known:
                known[lane, cut, seen] = np.ones(self.offsets.size)
                for side in sorted({one.side or "" for one, _ in parts[lane, cut]}):  # sides wear each for themselves
                    lists = [
                        self._one_cut(one, track, seen, shift, v)
                        for one, shift in parts[lane, cut]
                        if (one.side or "") == side
                    ]
                    known[lane, cut, seen] *= np.prod(lists, axis=0) @ weight
            return known[lane, cut, seen]

        return {key: partial(at, *key) for key in parts}

    def _one_cut(self, cut: ReadCut, track: Track, depth: float, shift: float, v: np.ndarray) -> np.ndarray:
        """The density of one list's readings of one cut on one side, at every offset and for every wear with own error."""
        deeper = 1.0 if track.depths[-1] > track.depths[0] else -1.0
        middle = depth + self.offsets[:, None] + shift + deeper * v
        return _list_density(cut, middle, _ends(track), self.model)

    def marginal(self, lane: int, cut: int, depth: int) -> float:
        """The probability of one depth at one cut."""
        return float(sum(p for c, p in zip(self.codes, self.probabilities, strict=True) if c[lane][cut] == depth))

    def ranked(self) -> list[tuple[tuple[tuple[int, ...], ...], float]]:
        """Codes with their probabilities, most probable first, the shallower first where they are equal."""
        rows = [(c, float(p)) for c, p in zip(self.codes, self.probabilities, strict=True)]
        return sorted(rows, key=lambda row: (-round(math.log(max(row[1], 1e-300)), 9), row[0]))


def jaw_stands_off(system: System, track: Track, row: tuple[int, ...], cut: int) -> float:
    """How far the jaw stays above the bottom of a cut: the wall is sampled under it, twice as finely each time."""
    if not system.measuring.jaw:
        return 0.0
    return _sampled(system.measuring.jaw / 2, system.cutting, track, row, cut)


@cache
def _sampled(half: float, cutting: Cutting, track: Track, row: tuple[int, ...], cut: int) -> float:
    sign = 1.0 if track.spaces[-1] > track.spaces[0] else -1.0
    xs = [sign * space for space in track.spaces]
    ws = [abs(track.depths[d] - track.depths[0]) for d in row]

    def wall(x: np.ndarray) -> np.ndarray:
        """Travel of the wall at x: all that the cutter reached; the tests' blanks have metal everywhere beside the bow."""
        reached = [np.full(x.shape, -1.4)]  # 10.0 wide, 8.6 left at the shallowest depth
        for i, (centre, w) in enumerate(zip(xs, ws, strict=True)):
            away = np.abs(x - centre)
            if cutting.shape == "vee":
                flank = np.tan(np.radians((cutting.angle or 90.0) / 2))
                reached.append(w - np.maximum(away - (cutting.root or 0.0) / 2, 0.0) / flank)
                continue
            r = (cutting.cutter or 0.0) / 2
            reached.append(np.where(away <= r, w - r + np.sqrt(np.maximum(r * r - away**2, 0.0)), -np.inf))
            if i + 1 < len(xs):  # from cut to cut at the shallower of both depths
                level = min(w, ws[i + 1])
                reached.append(np.where((x >= centre) & (x <= xs[i + 1]), level, -np.inf))
        if cutting.shape != "vee":  # run out at the tip
            reached.append(np.where(x >= xs[-1], ws[-1], -np.inf))
        return np.max(reached, axis=0)

    low, high = xs[cut] - half, xs[cut] + half
    for _ in range(4):
        x = np.linspace(low, high, 401)
        worst = int(np.argmin(wall(x)))
        low, high = x[max(worst - 1, 0)], x[min(worst + 1, 400)]
    return round(ws[cut] - float(wall(x)[worst]), 9)


def _even(sd: float, points: int, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Even points and normal weights."""
    if sd == 0:
        return np.zeros(1), np.ones(1)
    x = np.linspace(-reach * sd, reach * sd, points)
    return x, np.exp(-0.5 * (x / sd) ** 2) / (sd * math.sqrt(2 * math.pi)) * (x[1] - x[0])


def _offsets(model: MeasurementModel, points: int, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """The offset on a dense grid, out to where its wide part has faded, with weights."""
    sd = model.offset_sd
    if sd == 0 or model.offset_tail == 0:
        return _even(sd, points, reach)
    x = np.linspace(-5.0 * TAIL * sd, 5.0 * TAIL * sd, points)
    weights = np.zeros(x.size)
    for share, spread in ((1 - model.offset_tail, sd), (model.offset_tail, TAIL * sd)):
        weights += share * np.exp(-0.5 * (x / spread) ** 2) / (spread * math.sqrt(2 * math.pi)) * (x[1] - x[0])
    return x, weights


def _list_density(cut: ReadCut, middle: np.ndarray, ends: tuple[float, float], model: MeasurementModel) -> np.ndarray:
    """The density of one list's readings of a cut whose wall is at `middle`: each by itself, or all wrong together.

    Where they are wrong together they lie around a place that may be anywhere; its density is taken where the mean of
    those that are right lies.
    """
    density = np.ones_like(middle)
    wrong = max(model.outliers, LEAST_WRONG)
    known = []
    for reading in cut.readings:
        own = model.reading_sd if reading.own_sd is None else reading.own_sd
        u = math.sqrt(own**2 + reading.digit**2 / 12)
        anywhere = (1.0 if ends[0] <= reading.value <= ends[1] else OUTSIDE) / (ends[1] - ends[0])
        normal = np.exp(-0.5 * ((reading.value - middle) / u) ** 2) / (u * math.sqrt(2 * math.pi))
        density = density * ((1 - wrong) * normal + wrong * anywhere)
        known.append((reading.value, u, anywhere))
    return np.asarray((1 - model.cut_wrong) * density + model.cut_wrong * _together(tuple(known), ends, wrong))


@cache
def _together(known: tuple[tuple[float, float, float], ...], ends: tuple[float, float], wrong: float) -> float:
    """The density of readings (value, standard deviation, density where wrong) around a place that may be anywhere."""
    total = 0.0
    for good in itertools.product((True, False), repeat=len(known)):
        chance = math.prod(1 - wrong if g else wrong * w for g, (_, _, w) in zip(good, known, strict=True))
        right = [(v, u) for g, (v, u, _) in zip(good, known, strict=True) if g]
        if right:
            z = np.linspace(min(v for v, _ in right) - 1.0, max(v for v, _ in right) + 1.0, 20001)
            spread = np.prod(
                [np.exp(-0.5 * ((v - z) / u) ** 2) / (u * math.sqrt(2 * math.pi)) for v, u in right], axis=0
            )
            mean = sum(v / u**2 for v, u in right) / sum(1 / u**2 for _, u in right)
            chance *= spread.sum() * (z[1] - z[0])
            chance *= (1.0 if ends[0] <= mean <= ends[1] else OUTSIDE) / (ends[1] - ends[0])
        total += chance
    return total


def _wear_nodes(scale: float, deepest: float) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre panels over a mixture of gamma densities of wear, out to where it has faded or to `deepest`."""
    if scale == 0:
        return np.zeros(1), np.ones(1)
    nodes, weights = np.polynomial.legendre.leggauss(8)
    last = min(max(24 * scale, 0.3), 60 * scale, deepest) + min(0.04, 2 * scale)
    panel = min(0.5 * scale, 0.05)  # narrow beside any noise too
    near = np.arange(0, min(6 * scale, last), panel)
    edges = np.append(near, np.arange(near[-1] + panel, last, min(0.04, 2 * scale)))
    left, width = edges[:-1, None], np.diff(edges)[:, None]
    w = (left + (nodes + 1) / 2 * width).ravel()
    density = np.zeros(w.size)
    for times, share in CUT_SCALES:
        mean = scale * times / SHAPE
        density += share * w ** (SHAPE - 1) * np.exp(-w / mean) / (math.factorial(SHAPE - 1) * mean**SHAPE)
    shares = (weights * width / 2).ravel() * density
    return np.append(w, 1e3), np.append(shares, max(1 - shares.sum(), 0.0))  # more wear than any reading tells apart


def brute_across(
    readings: Readings, system: System, model: MeasurementModel, *, points: int = 121, shared: int = 1
) -> tuple[list[tuple[tuple[int, ...], ...]], np.ndarray, float]:
    """Codes, probabilities and log evidence of a key of two tracks with readings across them as well.

    No tilt. For every cut both wears and both own errors are gone through on dense grids.
    """
    across = system.measuring.across
    if across is None:
        raise ValueError("the system doesn't say what a reading across is")
    first, second = (system.track(name) for name in across.tracks)
    codes = list(legal_codes(system))
    offsets, offset_weights = _offsets(model, points, 8.0)
    pairs, pair_weights = _even(model.left_right_sd, shared, 6.0)
    errors = np.stack([np.add.outer(offsets, sign * pairs).ravel() for sign in (1, -1)])
    weights = np.multiply.outer(offset_weights, pair_weights).ravel()
    groups: dict[tuple[str | None, int], dict[str, ReadCut]] = {}
    for cut in readings.cuts:
        groups.setdefault((cut.side, cut.cut), {})[cut.track] = cut
    total = np.zeros(len(codes))
    for factor, scale_weight in SCALES if model.wear else ((1.0, 1.0),):
        errors_of_cut = _cut_errors(model, model.wear * factor)
        tables: dict[object, np.ndarray] = {}
        for index, code in enumerate(codes):
            likelihood = weights * scale_weight
            for key, group in groups.items():
                seen = [
                    track.depths[row[key[1]]]
                    - (1.0 if track.depths[-1] > track.depths[0] else -1.0) * jaw_stands_off(system, track, row, key[1])
                    for track, row in zip((first, second), code, strict=True)
                ]
                if (key, *seen) not in tables:
                    tables[key, *seen] = _both_cuts(group, (first, second), seen, errors, errors_of_cut, system, model)
                likelihood = likelihood * tables[key, *seen]
            total[index] += likelihood.sum()
    return codes, total / total.sum(), math.log(total.sum() / len(codes))


def _both_cuts(
    group: dict[str, ReadCut],
    tracks: tuple[Track, Track],
    seen: list[float],
    errors: np.ndarray,
    errors_of_cut: tuple[np.ndarray, np.ndarray],
    system: System,
    model: MeasurementModel,
) -> np.ndarray:
    """The density of all readings of two opposite cuts, at each pair of shared errors."""
    across = system.measuring.across
    if across is None:
        raise ValueError("the system doesn't say what a reading across is")
    first, second = tracks
    deeper = 1.0 if first.depths[-1] > first.depths[0] else -1.0
    v, weight = errors_of_cut
    ends = sorted(across.scale * sum(end) + across.amount for end in zip(_ends(first), _ends(second), strict=True))
    out = np.empty(errors.shape[1])
    for g, (error_1, error_2) in enumerate(errors.T):
        one = seen[0] + error_1 + deeper * v
        two = seen[1] + error_2 + deeper * v
        left = _all(group.get(first.name), one, first, model) * weight
        right = _all(group.get(second.name), two, second, model) * weight
        sums = across.scale * (one[:, None] + two[None, :]) + across.amount
        out[g] = left @ _all(group.get("across"), sums, None, model, (ends[0], ends[1])) @ right
    return out


def _ends(track: Track) -> tuple[float, float]:
    ends = sorted((2 * track.depths[0] - track.depths[1], 2 * track.depths[-1] - track.depths[-2]))
    return ends[0], ends[1]


def _cut_errors(model: MeasurementModel, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Wear plus own error of one cut (towards deeper), on a dense grid, with weights."""
    if model.cut_sd == 0:
        return _wear_nodes(scale, 4.0)
    step = model.cut_sd / 3
    v = np.arange(-8 * model.cut_sd, 2.2, step)
    wear, wear_weights = _wear_nodes(scale, 4.0)
    density = np.exp(-0.5 * ((v[:, None] - wear) / model.cut_sd) ** 2) / (model.cut_sd * math.sqrt(2 * math.pi))
    weight = density @ wear_weights * step
    return np.append(v, 1e3), np.append(weight, 1 - weight.sum())


def _all(
    cut: ReadCut | None,
    middle: np.ndarray,
    track: Track | None,
    model: MeasurementModel,
    ends: tuple[float, float] | None = None,
) -> np.ndarray:
    """The density of all readings of one cut, or across two, around `middle`."""
    if cut is None:
        return np.ones_like(middle)
    return _list_density(cut, middle, ends if ends is not None else _ends(track), model)  # type: ignore[arg-type]
