"""Readings across two opposite tracks: one number for the sum of two cuts, with the wear of both and one noise.

The stated combination is undone first, so that a reading is `first + second + noise` (dimension, shared error, wear and own
error of both). Beside readings of the single tracks it shares their wear and own error. The likelihood is one of pairs of
depths, so both cuts are decided in one layer of the diagram (`trellis.couple`).

It is wanted for every pair of reached dimensions at up to tens of thousands of pairs of shared errors. Wall positions
z = dimension + shared error + wear (on an axis turned so that wear adds) carry all of it: a single reading sees z of its
cut, a reading across the sum of both. With p the density of wear and own error, the part in which the first cut's single
reading is good is

    ∫ p(z - x₀) N(c₀ - z) H(c - z - x₁) dz  =  δ Σ_j p_δ(z_j - x₀) N(c₀ - z_j) H(c - z_j - x₁),

H what the second cut leaves of the reading across. The sum over an even grid is as good as the integral once p is replaced
by p_δ, p without the frequencies past π/δ: the other factors have none there. So the likelihood is `F(x₀) · G(x₁)`, a
product of some twenty columns each, plus a term of the sum x₀ + x₁ alone; F and G are worked out once per lattice point.
Relative error about 1e-6 of the best pair where several errors are shared and 1e-4 is asked, 1e-9 elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
from attrs import evolve, frozen

from bitting.arrays import Array, Indices
from bitting.decoding.grid import Grid
from bitting.decoding.jaw import Reach
from bitting.decoding.likelihood import (
    ACROSS,
    COARSE,
    Component,
    CutLikelihood,
    cut_likelihood,
    density_table,
    wear_transform,
)
from bitting.decoding.likelihood import FINE as FINEST
from bitting.decoding.model import MeasurementModel
from bitting.errors import BittingError
from bitting.model import Place, Reading, Readings, System


@frozen(kw_only=True)
class PairLikelihood(CutLikelihood):
    """All readings of two opposite cuts on one side that include some across them.

    What it has of a `CutLikelihood` are the readings across, as sums of both cuts; `first` and `second` are those of the
    single cuts on the same side, where they were read too.
    """

    first: CutLikelihood | None
    second: CutLikelihood | None

    @property
    def singles(self) -> tuple[CutLikelihood, ...]:
        """Those of the single cuts that were read."""
        return tuple(one for one in (self.first, self.second) if one is not None)


def pairs_of(
    readings: Readings, system: System, model: MeasurementModel, cuts: Sequence[CutLikelihood]
) -> tuple[tuple[PairLikelihood, ...], tuple[CutLikelihood, ...]]:
    """The readings across, with the single readings that share a cut and side with them; and the likelihoods left over."""
    across = system.measuring.across
    given: dict[tuple[str | None, int], list[tuple[Reading, ...]]] = {}
    for cut in readings.cuts:
        if cut.track == ACROSS and cut.readings and across is not None:
            given.setdefault((cut.side, cut.cut), []).append(cut.readings)
    if not given or across is None:
        return (), tuple(cuts)
    lanes = {(lane.side, lane.track.name): number for number, lane in enumerate(system.lanes)}
    left = list(cuts)
    out = []
    for (named, number), lists in given.items():
        faces = across.of(named)
        first, second = (lanes[side if system.sided else None, track] for side, track in faces)
        places = (Place(first, number), Place(second, number))
        tracks = [system.lanes[place.lane].track for place in places]
        if tracks[0].deeper != tracks[1].deeper:
            raise BittingError("a reading across two tracks that are measured in opposite senses can't be used")
        lows, highs = zip(*(track.ends for track in tracks), strict=True)
        sums = [
            tuple(evolve(reading, value=(reading.value - across.amount) / across.scale) for reading in one)
            for one in lists
        ]
        singles: list[CutLikelihood | None] = []
        for place, (face, _) in zip(places, faces, strict=True):
            same = [w for w in left if w.place == place and w.side == (face or None)]
            singles.append(same[0] if same else None)
            left = [w for w in left if not same or w is not same[0]]
        plain = cut_likelihood(places, named or None, sums, (sum(lows), sum(highs)), model)
        out.append(
            PairLikelihood(
                places=places, side=plain.side, components=plain.components, log_floor=plain.log_floor,
                values=plain.values, sds=plain.sds, wrong=plain.wrong, lists=plain.lists,
                first=singles[0], second=singles[1],
            )
        )  # fmt: skip
    return tuple(out), tuple(left)


WINDOW, NARROW_WINDOW = 6.5, 5.5
"""Reach of the sum in standard deviations of a single reading; the second where several errors are shared."""
STEP, WIDE_STEP = 0.48, 0.6
"""Its spacing in widths of the narrowest product, which has exp(-π²/2/STEP²), 1e-9 (1e-6), of itself past the frequency π/δ."""
FINE = 300
"""Points per spacing of the tables that densities are read from, where several errors are shared; four times that elsewhere."""
ERROR = 1e-5
"""Share of the greatest likelihood that sums may be wrong by, as far as bounds go."""
FADED = 45.0
"""Scales of the longest wear after which its density has faded."""
HELD = 20_000_000
"""Numbers that are worked out at a time."""


class PairTable:
    """One pair's likelihood on a grid: the factors F and G of a point and the term of the sum, worked out where asked for."""

    def __init__(
        self,
        pair: PairLikelihood,
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
        self._factors = [
            _Factors(pair, model, self._turn, number, scale, low, high, exact=not grid.spread)
            for number, scale in enumerate(grid.scales)
        ]
        self._number = np.float32 if grid.spread else np.float64
        self._bend = 2 * pair.information + sum(1 / min(one.sds) ** 2 * len(one.sds) for one in pair.singles)

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
        total = np.empty((rows.shape[0], places[0][1].size), dtype=self._number)
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
        """F (of the first cut) or G at some columns, for each of some rows: (columns, terms of the sum)."""
        scale, error = self._errors(one, columns)
        parts = []
        for number in np.unique(scale):  # columns ascend, and so do their scales
            here = error[scale == number]
            x = self._turn * np.add.outer(self._dims[one][rows], here)
            build = self._factors[number]
            parts.append(build.first(x) if one == 0 else build.second(x))
        return list(np.concatenate(parts, axis=1, dtype=self._number))

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
        self,
        pair: PairLikelihood,
        model: MeasurementModel,
        turn: int,
        number: int,
        scale: float,
        low: float,
        high: float,
        *,
        exact: bool,
    ) -> None:
        self.turn, self.number, self.model, self.pair = turn, number, model, pair
        self.window, self.fine = (WINDOW, FINEST) if exact else (NARROW_WINDOW, COARSE)
        self.singles = [_parts(one) for one in (pair.first, pair.second)]
        self.across = pair.components
        sds = [sd for parts, _ in self.singles for _, _, sd in parts]
        narrow = min([*sds, *(sd for _, _, sd in self.across)])
        self.delta = (STEP if exact else WIDE_STEP) * narrow / math.sqrt(2)  # of one reading's density times one across
        ends = [self.turn * centre for parts, _ in self.singles for _, centre, _ in parts]
        span = max(max(ends) - low, high - min(ends)) + 2 * self.window * max(sds) if sds else 0.0
        fine = 4 * FINE if exact else FINE
        self.reads = _band_limited(model.cut_sd, scale, self.delta, math.ceil(span), fine) if sds else None

    def _noise(self, y: Array, sd: float, cuts: int = 1) -> Array:
        """The density of noise, wear and own error of one cut or two at this wear scale."""
        table = density_table(sd, self.model, cuts=cuts, fine=self.fine)
        row = slice(self.number, self.number + 1)
        return np.asarray(evolve(table, values=table.values[row], slopes=table.slopes[row])(y)[0])

    def _nodes(self, part: Component) -> Array:
        half = math.ceil(self.window * part[2] / self.delta)
        return self.turn * part[1] + np.arange(-half, half + 1) * self.delta

    def _seen(self, x: Array, part: Component, z: Array) -> Array:
        """δ p_δ(z - x) N(c - z) for every x, (…, nodes)."""
        assert self.reads is not None  # there are single readings where this is asked
        weight = self.delta * math.exp(part[0]) * _normal(self.turn * part[1] - z, part[2])
        return np.asarray(self.reads(z - x[..., None]) * weight)

    def _left(self, x: Array, across: Component, z: Array) -> Array:
        """H(c - z - x): what a cut that no good single reading sees leaves of the reading across."""
        return self._noise(self.turn * across[1] - z - x[..., None], across[2])

    def _alone(self, x: Array, number: int) -> Array:
        parts, floor = self.singles[number]
        out = np.full(x.shape, floor)
        for weight, centre, sd in parts:
            out += math.exp(weight) * self._noise(self.turn * centre - x, sd)
        return out

    def first(self, x: Array) -> Array:
        """F: (…, columns)."""
        columns = [math.exp(self.pair.log_floor) * self._alone(x, 0)[..., None]]
        for across in self.across:
            weight = math.exp(across[0])
            columns += [weight * self._seen(x, part, self._nodes(part)) for part in self.singles[0][0]]
            floor = self.singles[0][1]
            columns += [weight * floor * self._left(x, across, self._nodes(part)) for part in self.singles[1][0]]
        return np.concatenate(columns, axis=-1)

    def second(self, x: Array) -> Array:
        """G: (…, columns), in the same order."""
        columns = [self._alone(x, 1)[..., None]]
        others, floor = self.singles[1]
        for across in self.across:
            for part in self.singles[0][0]:
                z = self._nodes(part)
                column = floor * self._left(x, across, z)
                for other in others:
                    far = self._nodes(other)
                    both = _normal(self.turn * across[1] - np.add.outer(far, z), across[2])
                    column = column + self._seen(x, other, far) @ both
                columns.append(column)
            columns += [self._seen(x, other, self._nodes(other)) for other in others]
        return np.concatenate(columns, axis=-1)

    def of_sum(self, total: Array) -> Array:
        """The part in which no single reading is good but some reading across is, at sums of both dimensions."""
        floor = self.singles[0][1] * self.singles[1][1]
        out = np.zeros(total.shape)
        for weight, centre, sd in self.across:
            out += math.exp(weight) * floor * self._noise(self.turn * centre - total, sd, 2)
        return out


def _normal(y: Array, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * (y / sd) ** 2) / (sd * math.sqrt(2 * math.pi)))


def _parts(one: CutLikelihood | None) -> tuple[tuple[Component, ...], float]:
    """Components of a cut's single readings, and their floor; (none, 1) where it wasn't read."""
    return ((), 1.0) if one is None else (one.components, math.exp(one.log_floor))


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
def _band_limited(own: float, scale: float, delta: float, span: int, fine: int) -> _Table:
    """p_δ: the density of own error plus wear without frequencies past π/δ, from -span to span."""
    period = 2 * span + FADED * (scale + own)
    count = 1 << math.ceil(math.log2(period / delta * fine))
    step = delta / fine
    omega = 2 * np.pi * np.arange(count // 2 + 1) / (count * step)
    inside = omega <= np.pi / delta
    spectrum = np.zeros(omega.size, dtype=complex)
    kept = omega[inside]
    spectrum[inside] = np.exp(-0.5 * (own * kept) ** 2) * wear_transform(kept, scale)
    values = np.fft.irfft(spectrum, count) / step
    half = math.ceil(span / step)
    return _Table(-half * step, step, np.concatenate([values[-half:], values[: half + 2]]))
