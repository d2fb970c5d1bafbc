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
from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.across import PairWitness, density_two, log_peak
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
FADED = 25.0
"""Mean wears after which a wear's density has faded, exp(-25)."""


@frozen(eq=False)
class PairTable:
    """One pair's likelihood on a grid.

    `first` (rows, points of the lattice its first cut sees, columns) and `second` are the factors F and G; `sums` (rows,
    rows, scales · tilts, sums of two lattice points) is the term of the sum; all are densities.
    """

    pair: PairWitness
    first: Array
    second: Array
    sums: Array
    grid: Grid
    signs: tuple[int, int]

    def at(self, columns: Mapping[int, Ints], rows: Ints) -> Array:
        """log likelihood of some pairs of rows (pairs, 2): (pairs, points)."""
        one, two = columns[self.signs[0]], columns[self.signs[1]]
        row, at = np.divmod(one, self.grid.lattices[self.signs[0]].size)
        place = row * self.sums.shape[-1] + at + two % self.grid.lattices[self.signs[1]].size
        sums = self.sums.reshape(*self.sums.shape[:2], -1)
        firsts = {r: self.first[r].take(one, axis=0) for r in set(rows[:, 0].tolist())}
        seconds = {r: self.second[r].take(two, axis=0) for r in set(rows[:, 1].tolist())}
        out = np.empty((rows.shape[0], one.size))
        for number, (r, s) in enumerate(rows.tolist()):
            np.einsum("pc,pc->p", firsts[r], seconds[s], out=out[number])
            out[number] += sums[r, s].take(place)
        return np.asarray(np.log(np.maximum(out, 1e-300, out=out), out=out))

    def log_bound(self, starts: tuple[Ints, Ints]) -> Array:
        """log of a bound of the sum over pairs of depths, whatever the jaw reaches at them.

        (scales · tilts, first lattice, second lattice); where both cuts see the same lattice, (scales · tilts, lattice).
        """
        rows = math.prod(self.grid.shape)
        best = [
            _by_depth(np.abs(factor), start).reshape(rows, -1, factor.shape[2])
            for factor, start in zip((self.first, self.second), starts, strict=True)
        ]
        blocks = [np.split(part, starts[1][1:], axis=1) for part in np.split(self.sums, starts[0][1:], axis=0)]
        most = np.asarray(sum(block.max(axis=(0, 1)) for part in blocks for block in part))
        if self.signs[0] == self.signs[1]:
            size = best[0].shape[1]
            total = (best[0] * best[1]).sum(axis=2) + most[:, 2 * np.arange(size)]
        else:
            index = np.add.outer(np.arange(best[0].shape[1]), np.arange(best[1].shape[1]))
            total = best[0] @ best[1].swapaxes(1, 2) + most[:, index]
        return np.asarray(np.log(np.maximum(total, 1e-300)))


def _by_depth(table: Array, starts: Ints) -> Array:
    """The sum over depths of the greatest of each depth's rows (the first axis)."""
    return np.asarray(sum(part.max(axis=0) for part in np.split(table, starts[1:])))


def pair_table(
    pair: PairWitness, system: System, model: MeasurementModel, grid: Grid, along: Mapping[Place, float], reach: Reach
) -> PairTable:
    """The factors of one pair for every point of the grid's lattices."""
    turn = system.lanes[pair.places[0].lane].track.deeper
    signs = (grid.signs[pair.places[0].lane], grid.signs[pair.places[1].lane])
    shape = grid.shape
    x = []
    for place, sign in zip(pair.places, signs, strict=True):
        error = along[place] * grid.tilts[:, None] + grid.lattices[sign]
        x.append(turn * (error + reach.dims[place][:, None, None]))  # (rows, tilts, lattice)
    low, high = min(float(one.min()) for one in x), max(float(one.max()) for one in x)
    builders = [_Factors(pair, model, turn, scale, low, high) for scale in grid.scales]
    first = np.stack([build.first(x[0]) for build in builders], axis=1)
    second = np.stack([build.second(x[1]) for build in builders], axis=1)
    ends = [grid.lattices[signs[0]], grid.lattices[signs[1]]]
    sums = np.linspace(ends[0][0] + ends[1][0], ends[0][-1] + ends[1][-1], ends[0].size + ends[1].size - 1)
    tilt = (along[pair.places[0]] + along[pair.places[1]]) * grid.tilts[:, None] + sums
    dims = np.add.outer(reach.dims[pair.places[0]], reach.dims[pair.places[1]])
    total = turn * (dims[:, :, None, None] + tilt)
    term = np.stack([build.of_sum(total) for build in builders], axis=2)
    size = math.prod(shape)
    return PairTable(
        pair, first.reshape(first.shape[0], -1, first.shape[-1]), second.reshape(second.shape[0], -1, second.shape[-1]),
        term.reshape(*dims.shape, size, sums.size), grid, signs,
    )  # fmt: skip


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
        y = self.turn * across.centre - z - x[..., None]
        grid = np.arange(y.min() - sd / FINE, y.max() + 2 * sd / FINE, sd / FINE)
        return _Table(grid[0], sd / FINE, density(grid, sd, self.scale))(y)

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
            y = self.turn * across.centre - total
            grid = np.arange(y.min() - sd / FINE, y.max() + 2 * sd / FINE, sd / FINE)
            table = _Table(grid[0], sd / FINE, density_two(grid, sd, self.scale))
            out += math.exp(across.log_weight) * floor * table(y)
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


def other_bounds(pairs: Sequence[PairWitness]) -> float:
    """log of a bound of all pairs of the same cuts but the first."""
    parts = [one for pair in pairs[1:] for one in (pair, pair.first, pair.second) if one is not None]
    return sum(log_peak(one) for one in parts)
