"""Readings across two opposite tracks: one number for the sum of two cuts, with the wear of both and one noise.

The stated combination is undone first, so that a reading is `first + second + noise` (dimension, shared error, wear and
own error of both). Alone it sees the sum of two wears, whose density beside normal noise is closed (a gamma density of
shape 2 folded with a normal one). Beside readings of the single tracks it shares their wear: the wear of one cut is then
integrated numerically (Gauss-Legendre panels, relative error about 1e-9) and that of the other in closed form.

The likelihood is one of pairs of depths, so both cuts are decided in one step of the diagram (`compiled.couple`).

Readings across beside single ones, at very many points: one likelihood of two cuts as a short sum of products.

Where tilt and left-right difference are integrated too, what a `PairWitness` says is wanted for every pair of reached
dimensions at tens of thousands of pairs of shared errors. Wall positions z = dimension + shared error + wear (on an axis
turned so that wear adds) carry all of it: a single reading sees z of its cut, a reading across the sum of both. With
p the density of wear and own error, the part in which the first cut's single reading is good is

    ∫ p(z - x₀) N(c₀ - z) H(c - z - x₁) dz  =  δ Σ_j p_δ(z_j - x₀) N(c₀ - z_j) H(c - z_j - x₁),

H what the second cut leaves of the reading across. The sum over an even grid is as good as the integral once p is replaced
by p_δ, p without the frequencies past π/δ: the other factors have none there. So the likelihood is `F(x₀) · G(x₁)`, a
product of some twenty columns each, plus a term of the sum x₀ + x₁ alone; F and G are worked out once per lattice point.
Relative error about 1e-6 of the best pair, which is enough where 1e-4 is asked; elsewhere `across.pair_logs` is exact.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
from attrs import evolve, frozen
from scipy.special import erfcx, ndtr

from bitting.arrays import Array, Indices
from bitting.decoding.grid import Grid
from bitting.decoding.jaw import Reach
from bitting.decoding.likelihood import (
    ACROSS,
    MOST_TERMS,
    Read,
    Term,
    Witness,
    density,
    outlier_range,
    reading_uncertainty,
    subset_terms,
)
from bitting.decoding.model import MeasurementModel
from bitting.errors import BittingError
from bitting.model import Place, Readings, System

NODES, REACH = 40, 8.0
"""Points per panel, and its reach in standard deviations of what it integrates: relative error about 1e-9."""
SPREAD_NODES, SPREAD_REACH = 14, 5.0
"""The same where tilt or left-right difference are integrated too, and 1e-4 is asked of the whole."""


@frozen(kw_only=True)
class PairWitness(Read):
    """All readings of two opposite cuts on one side that include some across them.

    What it has of a `Read` are the readings across, as sums of both cuts; `first` and `second` are the witnesses of the
    single cuts on the same side, where they were read too. Terms here are without the cuts' own errors.
    """

    places: tuple[Place, Place]
    first: Witness | None
    second: Witness | None

    @property
    def log_most(self) -> float:
        """log of a bound of what the readings across can add to those of the single cuts: every term at its peak."""
        peaks = [math.exp(term.log_weight) / (term.sd * math.sqrt(2 * math.pi)) for term in self.terms]
        return math.log(sum(peaks) + math.exp(self.log_floor))


def pairs_of(
    readings: Readings, system: System, model: MeasurementModel, witnesses: Sequence[Witness]
) -> tuple[tuple[PairWitness, ...], tuple[Witness, ...]]:
    """The readings across, with the single readings that share a cut and side with them; and the witnesses left over."""
    across = system.measuring.across
    given = [cut for cut in readings.cuts if cut.track == ACROSS and cut.readings]
    if not given or across is None:
        return (), tuple(witnesses)
    lanes = {(lane.side, lane.track.name): number for number, lane in enumerate(system.lanes)}
    plain = evolve(model, cut_sd=0.0)
    left = list(witnesses)
    out = []
    for cut in given:
        side = cut.side if system.sided else None
        places = [Place(lanes[side, name], cut.cut) for name in across.tracks]
        tracks = [system.lanes[place.lane].track for place in places]
        if tracks[0].deeper != tracks[1].deeper:
            raise BittingError("a reading across two tracks that are measured in opposite senses can't be used")
        if len(cut.readings) > MOST_TERMS:
            raise BittingError(
                f"{len(cut.readings)} readings across cut {cut.cut + 1}", hint=f"at most {MOST_TERMS} are taken"
            )
        lows, highs = zip(*(outlier_range(track) for track in tracks), strict=True)
        values = [(reading.value - across.amount) / across.scale for reading in cut.readings]
        sds = [reading_uncertainty(reading, model) for reading in cut.readings]
        wrong = tuple(1 / (sum(highs) - sum(lows)) if sum(lows) <= v <= sum(highs) else 0.0 for v in values)
        singles: list[Witness | None] = []
        for place in places:
            same = [w for w in left if w.place == place and w.side == (cut.side or None) and w.summed]
            singles.append(same[0] if same else None)
            left = [w for w in left if not same or w is not same[0]]
        floor = sum(math.log(model.outliers * w) if model.outliers * w > 0 else -math.inf for w in wrong)
        terms = subset_terms(values, sds, wrong, plain)
        pair = PairWitness(
            places=(places[0], places[1]), side=cut.side or None, terms=terms, log_floor=floor, values=tuple(values),
            sds=tuple(sds), wrong=wrong, first=singles[0], second=singles[1],
        )  # fmt: skip
        out.append(pair)
    return tuple(out), tuple(left)


def density_two(y: Array, sd: Array | float, scale: float) -> Array:
    """Density of N(0, sd²) noise plus two independent exponential wears of mean `scale` each.

    With z = y/sd - sd/scale it is sd/scale² · exp(-y²/2sd²) · [φ(z) + z Φ(z)] / (√2π φ(z)).
    """
    if scale == 0:
        return density(y, sd, 0.0)
    z = y / sd - sd / scale
    low = np.minimum(z, 0.0)
    near = np.exp(-0.5 * (y / sd) ** 2) / math.sqrt(2 * math.pi)
    near = near * (1.0 + low * math.sqrt(math.pi / 2) * erfcx(-low / math.sqrt(2)))
    high = np.maximum(z, 0.0)
    tilt = np.exp(np.minimum(0.5 * (sd / scale) ** 2 - y / scale, 0.0))
    far = tilt * (high * ndtr(high) + np.exp(-0.5 * high * high) / math.sqrt(2 * math.pi))
    return np.asarray(sd / scale**2 * np.where(z < 0, near, far))


def pair_logs(
    pair: PairWitness,
    system: System,
    model: MeasurementModel,
    dims: tuple[Array, Array],
    shift: tuple[Array, Array],
    scale: Array,
    *,
    spread: bool = False,
) -> Array:
    """log likelihood (first rows, second rows, points) of a pair at the dimensions `dims` of its rows.

    `shift` and `scale` (points,) are the shared error of each cut and the wear scale at each point.
    """
    turn = system.lanes[pair.places[0].lane].track.deeper
    x = [rows[:, None] + error for rows, error in zip(dims, shift, strict=True)]
    out = np.empty((dims[0].size, dims[1].size, scale.size))
    rule = (SPREAD_NODES, SPREAD_REACH) if spread else (NODES, REACH)
    piece = max(1, 200_000 // (out.shape[0] * out.shape[1]))
    for value in np.unique(scale):
        at = np.flatnonzero(scale == value)
        for start in range(0, at.size, piece):
            some = at[start : start + piece]
            total = _likelihood(pair, model, (x[0][:, some], x[1][:, some]), float(value), turn, rule)
            out[:, :, some] = np.log(np.maximum(total, 1e-300))
    return out


def _likelihood(
    pair: PairWitness, model: MeasurementModel, x: tuple[Array, Array], scale: float, turn: int, rule: tuple[int, float]
) -> Array:
    """(first depths, second depths, points): over who is wrong among the readings across and the single ones."""
    own = model.cut_sd
    singles = [_single(w, model) for w in (pair.first, pair.second)]
    alone = []
    for (terms, floor), place in zip(singles, x, strict=True):
        value = np.full(place.shape, floor)
        for term in terms:
            y = turn * (term.centre - place)
            value = value + math.exp(term.log_weight) * density(y, math.hypot(term.sd, own), scale)
        alone.append(value)
    total = math.exp(pair.log_floor) * alone[0][:, None] * alone[1][None]
    for across in pair.terms:
        weight = math.exp(across.log_weight)
        y = turn * (across.centre - x[0][:, None] - x[1][None])
        (terms_0, floor_0), (terms_1, floor_1) = singles
        both = floor_0 * floor_1 * density_two(y, math.hypot(across.sd, math.sqrt(2) * own), scale)
        for term in terms_0:
            y_0 = turn * (term.centre - x[0])[:, None]
            size = math.exp(term.log_weight)
            both = both + size * floor_1 * _shared(y_0, term.sd, y, across.sd, own, scale, None, rule)
            for other in terms_1:
                y_1 = turn * (other.centre - x[1])[None]
                size_1 = size * math.exp(other.log_weight)
                both = both + size_1 * _shared(y_0, term.sd, y, across.sd, own, scale, (y_1, other.sd), rule)
        for other in terms_1:
            y_1 = turn * (other.centre - x[1])[None]
            size = math.exp(other.log_weight)
            both = both + size * floor_0 * _shared(y_1, other.sd, y, across.sd, own, scale, None, rule)
        total = total + weight * both
    return np.asarray(total)


def _single(one: Witness | None, model: MeasurementModel) -> tuple[tuple[Term, ...], float]:
    """Terms of the single readings of a cut, without its own error, and their floor; (none, 1) where it wasn't read."""
    if one is None:
        return (), 1.0
    return subset_terms(one.values, one.sds, one.wrong, evolve(model, cut_sd=0.0)), math.exp(one.log_floor)


def _shared(
    y_0: Array,
    sd_0: float,
    y: Array,
    sd: float,
    own: float,
    scale: float,
    other: tuple[Array, float] | None,
    rule: tuple[int, float],
) -> Array:
    """∫ p(v) N(y_0; v, sd_0²) H(y - v) dv, with p the density of own error plus wear of the first cut.

    H is what the second cut leaves of the reading across: its own error and wear, seen by the reading across alone, or by
    that and its single readings (`other`: their centre and sd).
    """
    total = np.zeros(np.broadcast_shapes(y_0.shape, y.shape))
    for v, weight in _nodes(y_0, sd_0, own, scale, rule):
        z = y - v
        if other is None:
            second = density(z, math.hypot(sd, own), scale)
        else:
            y_1, sd_1 = other
            narrow = 1 / (1 / sd_1**2 + 1 / sd**2)
            middle = narrow * (y_1 / sd_1**2 + z / sd**2)
            second = density(y_1 - z, math.hypot(sd_1, sd), 0.0) * density(middle, math.sqrt(narrow + own**2), scale)
        total = total + weight * second
    return total


def _nodes(y_0: Array, sd_0: float, own: float, scale: float, rule: tuple[int, float]) -> Sequence[tuple[Array, Array]]:
    """Places v and weights p(v) N(y_0; v, sd_0²) dv of the outer integral, each of the shape of y_0."""
    if own == 0 and scale == 0:
        return [(np.zeros_like(y_0), density(y_0, sd_0, 0.0))]
    nodes, weights = np.polynomial.legendre.leggauss(rule[0])
    width = rule[1]
    reach = width * sd_0
    top = np.maximum(y_0, 0.0) + reach + (width * own if scale == 0 else 0.0)
    if own == 0:
        panels = [(np.maximum(y_0 - reach, 0.0), top)]
    else:  # p(v) bends at the scale of the own error around 0 and fades smoothly after it
        knee = np.full_like(y_0, width * own)
        panels = [
            (np.maximum(np.minimum(y_0 - reach, 0.0), -width * own), knee),
            (np.maximum(knee, y_0 - reach), np.maximum(knee, top)),
        ]
    out = []
    for left, right in panels:
        half = (right - left) / 2
        for node, weight in zip(nodes, weights, strict=True):
            v = left + half * (node + 1)
            prior = density(v, own, scale) if own else np.exp(-v / scale) / scale
            out.append((v, weight * half * prior * density(y_0 - v, sd_0, 0.0)))
    return out


WINDOW = 5.5
"""Reach of the sum in standard deviations of a single reading."""
STEP = 0.6
"""Its spacing in widths of the narrowest product, which has exp(-π²/2/STEP²), 1e-6, of itself past the frequency π/δ."""
FINE = 300
"""Points per spacing of the tables that densities are read from."""
ERROR = 1e-5
"""Share of the greatest likelihood that sums may be wrong by, as far as bounds go."""
FADED = 25.0
"""Mean wears after which a wear's density has faded, exp(-25)."""


class PairTable:
    """One pair's likelihood on a grid: the factors F and G of a point and the term of the sum, worked out where asked for."""

    def __init__(
        self,
        pair: PairWitness,
        system: System,
        model: MeasurementModel,
        grid: Grid,
        along: Mapping[Place, float],
        reach: Reach,
    ) -> None:
        self._grid = grid
        self._turn = system.lanes[pair.places[0].lane].track.deeper
        self._signs = [grid.signs[place.lane] for place in pair.places]
        self._along = [along[place] for place in pair.places]
        self._dims = [reach.dims[place] for place in pair.places]
        self._starts = [reach.starts[place] for place in pair.places]
        ends = [
            self._turn * np.add.outer(dims, lattice)
            for dims, (lattice, _) in zip(self._dims, (self._widened(0), self._widened(1)), strict=True)
        ]
        low, high = min(float(one.min()) for one in ends), max(float(one.max()) for one in ends)
        self._factors = [_Factors(pair, model, self._turn, scale, low, high) for scale in grid.scales]
        self._bend = 2 / min(term.sd for term in pair.terms) ** 2
        self._bend += sum(1 / min(w.sds) ** 2 * len(w.sds) for w in (pair.first, pair.second) if w is not None)

    def _widened(self, one: int) -> tuple[Array, float]:
        """The lattice of one cut, so much longer that tilts lead to places on it, and its spacing."""
        lattice = self._grid.lattices[self._signs[one]]
        spacing = float(lattice[1] - lattice[0]) if lattice.size > 1 else 1.0
        more = math.ceil(float(np.abs(self._along[one] * self._grid.tilts).max()) / spacing) + 1
        return lattice[0] + spacing * np.arange(-more, lattice.size + more), spacing

    def log_bound(self) -> Array:
        """log of a bound of the sum over pairs of depths, whatever the jaw reaches at them.

        (scales, tilts, first lattice, second lattice); where both cuts see the same lattice, (scales, tilts, lattice). The
        sum depends on the shared errors of both cuts alone, so it is worked out for these once and read off for every tilt,
        linear between the points of the lattice; its logarithm bends less than those of the readings' normal densities
        together (`_bend`), which is allowed for.
        """
        (first, step), (second, other) = self._widened(0), self._widened(1)
        sums = self._dims[0][:, None] + self._dims[1]
        own, where = np.unique(sums.round(9), return_inverse=True)
        total = np.add.outer(first, second).round(9)
        errors, at = np.unique(total, return_inverse=True)
        tables = []
        for build in self._factors:
            left = _by_depth(np.abs(build.first(self._turn * np.add.outer(self._dims[0], first))), self._starts[0])
            right = _by_depth(np.abs(build.second(self._turn * np.add.outer(self._dims[1], second))), self._starts[1])
            term = build.of_sum(self._turn * np.add.outer(own, errors))[where.reshape(sums.shape)]
            most = np.maximum.reduceat(np.maximum.reduceat(term, self._starts[0]), self._starts[1], axis=1).sum(
                axis=(0, 1)
            )
            table = left @ right.T + most[at.reshape(total.shape)]
            tables.append(np.log(np.maximum(table + ERROR * table.max(), 1e-300)))  # no likelihood is taken for less
        table = np.stack(tables)
        table += (step**2 + other**2) / 8 * self._bend
        return np.stack([self._tilted(table, tilt, step, other) for tilt in self._grid.tilts], axis=1)

    def _tilted(self, table: Array, tilt: float, step: float, other: float) -> Array:
        """The part of a table (scales, errors of the first cut, of the second) that one tilt leads to."""
        for axis, spacing in ((1, step), (2, other)):
            size = self._grid.lattices[self._signs[axis - 1]].size
            more = (table.shape[axis] - size) // 2
            begin, rest = divmod(self._along[axis - 1] * tilt / spacing + more, 1.0)
            low = np.moveaxis(table, axis, 0)[int(begin) : int(begin) + size]
            high = np.moveaxis(table, axis, 0)[int(begin) + 1 : int(begin) + 1 + size]
            table = np.moveaxis((1 - rest) * low + rest * high, 0, axis)
        return np.diagonal(table, axis1=1, axis2=2) if self._signs[0] == self._signs[1] else table

    def at(self, columns: Mapping[int, Indices], rows: Indices) -> Array:
        """log likelihood of some pairs of rows (pairs, 2): (pairs, points)."""
        used = [np.unique(rows[:, one], return_inverse=True) for one in (0, 1)]
        places = [np.unique(columns[sign], return_inverse=True) for sign in self._signs]
        first, second = (
            self._factor(one, own, at) for one, ((own, _), (at, _)) in enumerate(zip(used, places, strict=True))
        )
        total = np.empty((rows.shape[0], places[0][1].size), dtype=np.float32)
        left = [table.take(places[0][1], axis=0) for table in first]
        right = [table.take(places[1][1], axis=0) for table in second]
        for number, (r, s) in enumerate(zip(used[0][1].tolist(), used[1][1].tolist(), strict=True)):
            np.einsum("pc,pc->p", left[r], right[s], out=total[number])
        out = total + self._sums(columns, rows)
        return np.asarray(np.log(np.maximum(out, 1e-300, out=out), out=out))

    def _errors(self, one: int, columns: Indices) -> tuple[Indices, Array]:
        """Wear scale and shared error of one of the cuts at some columns."""
        lattice = self._grid.lattices[self._signs[one]]
        row, at = np.divmod(columns, lattice.size)
        scale, tilt = np.divmod(row, self._grid.tilts.size)
        return scale, lattice[at] + self._along[one] * self._grid.tilts[tilt]

    def _factor(self, one: int, rows: Indices, columns: Indices) -> list[Array]:
        """F (of the first cut) or G at some columns, for each of some rows: (columns, terms of the sum), single precision."""
        scale, error = self._errors(one, columns)
        parts = []
        for number in np.unique(scale):  # columns ascend, and so do their scales
            here = error[scale == number]
            x = self._turn * np.add.outer(self._dims[one][rows], here)
            build = self._factors[number]
            parts.append(build.first(x) if one == 0 else build.second(x))
        return list(np.concatenate(parts, axis=1, dtype=np.float32))

    def _sums(self, columns: Mapping[int, Indices], rows: Indices) -> Array:
        """The term of the sum of both cuts, (pairs, points): worked out once for points of the same sum."""
        lattices = [self._grid.lattices[sign] for sign in self._signs]
        row, first = np.divmod(columns[self._signs[0]], lattices[0].size)
        second = columns[self._signs[1]] % lattices[1].size
        width = lattices[0].size + lattices[1].size
        which = row * width + first + second
        if lattices[0].size != lattices[1].size:  # not of the same spacing: every point by itself
            which = np.arange(row.size)
        seen = np.zeros(int(which.max()) + 1, dtype=np.intp)
        seen[which] = 1
        place = np.cumsum(seen) - 1
        example = np.empty(int(place[-1]) + 1, dtype=np.intp)
        example[place[which]] = np.arange(which.size)
        scale, tilt = np.divmod(row[example], self._grid.tilts.size)
        error = lattices[0][first[example]] + lattices[1][second[example]] + sum(self._along) * self._grid.tilts[tilt]
        dims = self._dims[0][rows[:, 0]] + self._dims[1][rows[:, 1]]
        sums, where = np.unique(dims.round(9), return_inverse=True)
        table = np.empty((sums.size, example.size))
        for number in np.unique(scale):
            at = np.flatnonzero(scale == number)
            table[:, at] = self._factors[number].of_sum(self._turn * np.add.outer(sums, error[at]))
        return table[:, place[which]][where]


def _by_depth(table: Array, starts: Indices) -> Array:
    """The sum over depths of the greatest of each depth's rows (the first axis)."""
    return np.asarray(sum(part.max(axis=0) for part in np.split(table, starts[1:])))


class _Factors:
    """F, G and the term of the sum of one pair at one wear scale, on the turned axis, for x from `low` to `high`."""

    def __init__(
        self, pair: PairWitness, model: MeasurementModel, turn: int, scale: float, low: float, high: float
    ) -> None:
        self.turn, self.scale, self.own, self.pair = turn, scale, model.cut_sd, pair
        plain = evolve(model, cut_sd=0.0)
        self.singles = [_terms(one, plain) for one in (pair.first, pair.second)]
        self.across = pair.terms
        sds = [term.sd for terms, _ in self.singles for term in terms]
        narrow = min([*sds, *(term.sd for term in self.across)])
        width = 1 / math.sqrt(2 / narrow**2)  # of a single reading's density times one of a reading across
        self.delta = STEP * width
        ends = [self.turn * term.centre for terms, _ in self.singles for term in terms]
        span = max(max(ends) - low, high - min(ends)) + 2 * WINDOW * max(sds) if sds else 0.0
        self.reads = _band_limited(self.own, scale, self.delta, math.ceil(span)) if sds else None

    def _nodes(self, term: Term) -> Array:
        half = math.ceil(WINDOW * term.sd / self.delta)
        return self.turn * term.centre + np.arange(-half, half + 1) * self.delta

    def _seen(self, x: Array, term: Term, z: Array) -> Array:
        """δ p_δ(z - x) N(c - z) for every x, (…, nodes)."""
        assert self.reads is not None  # there are single readings where this is asked
        weight = self.delta * math.exp(term.log_weight) * density(self.turn * term.centre - z, term.sd, 0.0)
        return np.asarray(self.reads(z - x[..., None]) * weight)

    def _left(self, x: Array, across: Term, z: Array) -> Array:
        """H(c - z - x): what a cut that no good single reading sees leaves of the reading across."""
        sd = math.hypot(across.sd, self.own)
        return density(self.turn * across.centre - z - x[..., None], sd, self.scale)

    def _alone(self, x: Array, number: int) -> Array:
        terms, floor = self.singles[number]
        out = np.full(x.shape, floor)
        for term in terms:
            sd = math.hypot(term.sd, self.own)
            out = out + math.exp(term.log_weight) * density(self.turn * term.centre - x, sd, self.scale)
        return out

    def first(self, x: Array) -> Array:
        """F: (…, columns)."""
        parts = [math.exp(self.pair.log_floor) * self._alone(x, 0)[..., None]]
        for across in self.across:
            weight = math.exp(across.log_weight)
            parts += [weight * self._seen(x, term, self._nodes(term)) for term in self.singles[0][0]]
            floor = self.singles[0][1]
            parts += [weight * floor * self._left(x, across, self._nodes(term)) for term in self.singles[1][0]]
        return np.concatenate(parts, axis=-1)

    def second(self, x: Array) -> Array:
        """G: (…, columns), in the same order."""
        parts = [self._alone(x, 1)[..., None]]
        others, floor = self.singles[1]
        for across in self.across:
            for term in self.singles[0][0]:
                z = self._nodes(term)
                part = floor * self._left(x, across, z)
                for other in others:
                    far = self._nodes(other)
                    both = density(self.turn * across.centre - np.add.outer(far, z), across.sd, 0.0)
                    part = part + self._seen(x, other, far) @ both
                parts.append(part)
            parts += [self._seen(x, other, self._nodes(other)) for other in others]
        return np.concatenate(parts, axis=-1)

    def of_sum(self, total: Array) -> Array:
        """The part in which no single reading is good but some reading across is, at sums of both dimensions."""
        floor = self.singles[0][1] * self.singles[1][1]
        out = np.zeros(total.shape)
        for across in self.across if floor else ():
            sd = math.hypot(across.sd, math.sqrt(2) * self.own)
            out += math.exp(across.log_weight) * floor * density_two(self.turn * across.centre - total, sd, self.scale)
        return out


def _terms(one: Witness | None, model: MeasurementModel) -> tuple[tuple[Term, ...], float]:
    """Terms of a cut's single readings without its own error, and their floor; (none, 1) where it wasn't read."""
    if one is None:
        return (), 1.0
    return subset_terms(one.values, one.sds, one.wrong, model), math.exp(one.log_floor)


@frozen(eq=False)
class _Table:
    """A function from its values at even points, linear between them; 0 outside."""

    start: float
    step: float
    values: Array

    def __call__(self, x: Array) -> Array:
        at = (x - self.start) / self.step
        np.clip(at, 0.0, self.values.size - 1.001, out=at)
        low = at.astype(np.intp)
        at -= low
        left = self.values[low]
        return np.asarray(left + at * (self.values[1:][low] - left))


@lru_cache(maxsize=32)
def _band_limited(own: float, scale: float, delta: float, span: int) -> _Table:
    """p_δ: the density of own error plus wear without frequencies past π/δ, from -span to span."""
    period = 2 * span + FADED * (scale + own)
    count = 1 << math.ceil(math.log2(period / delta * FINE))
    step = delta / FINE
    omega = 2 * np.pi * np.arange(count // 2 + 1) / (count * step)
    inside = omega <= np.pi / delta
    spectrum = np.where(inside, np.exp(-0.5 * (own * omega) ** 2) / (1 + 1j * omega * scale), 0.0)
    values = np.fft.irfft(spectrum, count) / step
    half = math.ceil(span / step)
    return _Table(-half * step, step, np.concatenate([values[-half:], values[: half + 2]]))
