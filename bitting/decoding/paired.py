"""Readings across beside single ones, at very many points: one likelihood of two cuts as a short sum of products.

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
from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.across import PairWitness, density_two
from bitting.decoding.compiled import Ints
from bitting.decoding.density import Array, density
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.grid import Grid
from bitting.decoding.reach import Reach
from bitting.decoding.witness import Term, Witness, subset_terms
from bitting.model import Place, System

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

    def at(self, columns: Mapping[int, Ints], rows: Ints) -> Array:
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

    def _errors(self, one: int, columns: Ints) -> tuple[Ints, Array]:
        """Wear scale and shared error of one of the cuts at some columns."""
        lattice = self._grid.lattices[self._signs[one]]
        row, at = np.divmod(columns, lattice.size)
        scale, tilt = np.divmod(row, self._grid.tilts.size)
        return scale, lattice[at] + self._along[one] * self._grid.tilts[tilt]

    def _factor(self, one: int, rows: Ints, columns: Ints) -> list[Array]:
        """F (of the first cut) or G at some columns, for each of some rows: (columns, terms of the sum), single precision."""
        scale, error = self._errors(one, columns)
        parts = []
        for number in np.unique(scale):  # columns ascend, and so do their scales
            here = error[scale == number]
            x = self._turn * np.add.outer(self._dims[one][rows], here)
            build = self._factors[number]
            parts.append(build.first(x) if one == 0 else build.second(x))
        return list(np.concatenate(parts, axis=1, dtype=np.float32))

    def _sums(self, columns: Mapping[int, Ints], rows: Ints) -> Array:
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


def _by_depth(table: Array, starts: Ints) -> Array:
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
