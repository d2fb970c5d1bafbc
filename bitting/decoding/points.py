"""Which points of the grid can matter: an upper bound of each one's total, and how many must be weighed.

A point's total is at most its prior times the product over cuts of the sum over depths, as if no rule bound the cuts;
points are left out when all of these bounds together are less than `NEGLIGIBLE` of the evidence that the best points are
known to hold. Points that look hopeless are thus never dropped on a guess: an offset of one increment imitates another
code.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from bitting.decoding.compiled import Chain
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.reach import Reach
from bitting.decoding.sums import Index, Sums
from bitting.decoding.tables import Tables, log_sum
from bitting.model import Place

NEGLIGIBLE = 1e-11
"""Share of the evidence that points left out of the grid may hold together."""
SPREAD_NEGLIGIBLE = 1e-5
"""The same where tilt or left-right difference spread the grid over several dimensions."""
THIN, SPREAD_THIN = 1e-11, 1e-5
"""Probability that points left out after weighing may hold together, in shares and in the search for the best codes."""
FEW_POINTS = 640
"""Points that are all weighed: finding those that can be left out would take as long."""
MANY_POINTS, SIGHT = 20_000, 40.0
"""Where there are more points than that, those whose limit is e^-40 of the greatest are first taken as one."""
PILOTS = 200
"""Points that are weighed first, to know how much evidence there is."""
LONG = 2_000_000
"""Entries times points from which half of the points are weighed first, to see whether fewer are enough."""


@frozen(eq=False)
class Points:
    """The points that a section may be weighed at, numbered through: (scale, tilt, lattice) or (scale, tilt, a, b).

    `limit` bounds each point's total with its prior. `sign` is the sign of the one lattice they lie on, with `log_prior` of
    each point; None: pairs of two lattices' points, with `log_prior` that of (scale, tilt).
    """

    grid: Grid
    limit: Array
    log_prior: Array
    sign: int | None = None

    def columns(self, where: Index) -> dict[int, Index]:
        """Per sign, the places of some points in a table's (scale, tilt, lattice) axes."""
        if self.sign is not None:
            return {self.sign: where}
        row, first, second = self._apart(where)
        size = self.grid.lattices[1].size
        out = {1: row * size + first, -1: row * size + second}
        if 0 in self.grid.lattices:
            out[0] = row * (2 * size - 1) + first + second
        return out

    def prior(self, where: Index) -> Array:
        """log prior of some points."""
        if self.sign is not None:
            return np.asarray(self.log_prior[where])
        row, first, second = self._apart(where)
        assert self.grid.link is not None  # pairs of points come from a paired grid
        with np.errstate(divide="ignore"):
            return np.asarray(self.log_prior[row] + np.log(self.grid.link[first, second]))

    def _apart(self, where: Index) -> tuple[Index, Index, Index]:
        size = self.grid.lattices[1].size
        row, pair = np.divmod(where, size * size)
        first, second = np.divmod(pair, size)
        return row, first, second

    def totals(self, where: Index, sums: Sums) -> Array:
        """log of the sum over all codes at some points, with their prior."""
        return sums.totals(self.columns(where)) + self.prior(where)


@frozen(eq=False)
class Look:
    """Points in the order of their limits, the greatest first, and what the evidence is known to be at least.

    `left[n]` bounds the total of all points but the first n, as a share of `top`; `pilots` are the points that were weighed
    to know so much, `totals` their totals with the prior.
    """

    order: Index
    left: Array
    top: float
    known: float
    pilots: Index
    totals: Array

    def needed(self, known: float, share: float) -> int:
        """How many points must be weighed for the others to hold less than `share` of the evidence `known` at least."""
        most = math.exp(min(known + math.log(share) - self.top, 0.0))
        return int(self.left.size - np.searchsorted(self.left[::-1], most, side="right"))


def first_look(points: Points, sums: Sums) -> Look:
    """What some points, the more the greater their limits, tell of the evidence."""
    limit = points.limit
    top = float(limit.max())
    for sight in (SIGHT, math.inf) if limit.size > MANY_POINTS else (math.inf,):
        near = np.flatnonzero(limit > top - sight)
        order = near[np.argsort(-limit[near])]
        steps = np.geomspace(1, order.size, PILOTS).astype(np.intp) - 1
        pilots = order[np.unique(steps)] if order.size > PILOTS else order
        totals = points.totals(pilots, sums)
        known = log_sum(totals)
        beyond = (limit.size - order.size) * math.exp(-sight)
        left = np.append(np.cumsum(np.exp(limit[order[::-1]] - top))[::-1], 0.0) + beyond
        if not np.isfinite(known):
            known = top - 700.0
        look = Look(order, left, top, known, pilots, totals)
        if beyond == 0 or beyond < 0.1 * _negligible(points.grid) * math.exp(min(known - top, 0.0)):
            break
    return look


def _negligible(grid: Grid) -> float:
    return SPREAD_NEGLIGIBLE if grid.spread else NEGLIGIBLE


def enough(points: Points, sums: Sums, look: Look | None = None) -> tuple[Index, Array]:
    """Points so many that the others are negligible, ascending, and their totals with the prior."""
    if look is None and points.limit.size <= FEW_POINTS:
        where: Index = np.arange(points.limit.size)
        return where, points.totals(where, sums)
    look = first_look(points, sums) if look is None else look
    share = _negligible(points.grid)
    needed = max(look.needed(look.known, share), 1)
    first = np.sort(look.order[: needed // 2 + 1 if needed * sums.size > LONG else needed])
    found = points.totals(first, sums)
    known = max(look.known, log_sum(found))  # the more is known, the fewer points are needed
    rest = np.sort(look.order[first.size : look.needed(known, share)])
    where = np.concatenate([first, rest])
    total = np.concatenate([found, points.totals(rest, sums)]) if rest.size else found
    order = np.argsort(where)
    return where[order], total[order]


def pair_points(grid: Grid, bounds: Mapping[int, Array], base: Array) -> Points:
    """Every (scale, tilt, a, b): its bound from those of the lattices and from the prior."""
    assert grid.link is not None  # called for paired grids only
    with np.errstate(divide="ignore"):
        limit = base.reshape(*grid.shape, 1, 1) + np.log(grid.link)
    if 1 in bounds:
        limit += bounds[1][..., :, None]
    if -1 in bounds:
        limit += bounds[-1][..., None, :]
    if 0 in bounds:
        size = grid.lattices[1].size
        limit += bounds[0][..., np.add.outer(np.arange(size), np.arange(size))]
    return Points(grid, limit.reshape(-1), base.reshape(-1))


def pair_limit(tables: Tables, grid: Grid) -> Array | float:
    """The bound that readings of two cuts at once add to each point, in the order of the points."""
    out: Array | float = 0.0
    for places, bound in tables.pair_bounds.items():
        if grid.link is not None:
            size = np.arange(grid.link.shape[0])
            at = {1: size[:, None], -1: size, 0: np.add.outer(size, size)}
            one, two = (at[grid.signs[place.lane]] for place in places)
            if bound.ndim == 3:
                bound = bound[..., np.broadcast_to(one, grid.link.shape)]
            elif one.shape != (size.size, 1) or two.shape != (size.size,):
                bound = bound[..., one, two]
        out = out + bound.reshape(-1)
    return out


def bounds_of(tables: Tables, grid: Grid, chains: Sequence[Chain]) -> dict[int, Array]:
    """Per sign, a bound of the log sum over codes at every (scale, tilt, lattice point): cuts as if no rule bound them."""
    shape = {sign: (*grid.shape, lattice.size) for sign, lattice in grid.lattices.items()}
    bounds = {sign: np.zeros(size) for sign, size in shape.items()}
    for chain in chains:
        for step in chain.steps:
            for column, place in enumerate(step.places):
                bound = bounds[grid.signs[place.lane]]
                read = [table[place] for table in (tables, tables.bounding) if place in table]
                if step.places in tables.pair_bounds or step.places[::-1] in tables.pair_bounds:
                    bound += tables[place].max(axis=0) if place in tables else 0.0
                elif read:
                    table = _by_depth(read[0] if len(read) == 1 else read[0] + read[1], tables.reach, place)
                    top = table.max(axis=0)
                    bound += top + np.log(np.exp(table - top).sum(axis=0))
                else:
                    bound += math.log(step.symbols[:, column].max() + 1)
            if not tables.pair_bounds:
                for pair in tables.pairs.get(step.places, []) + tables.pairs.get(step.places[::-1], []):
                    bounds[grid.signs[step.places[0].lane]] += pair.log_most
    return bounds


def _by_depth(table: Array, reach: Reach, place: Place) -> Array:
    """The most that each depth can have, whatever the neighbours make of what the jaw reaches."""
    starts = reach.starts[place]
    return table if starts.size == table.shape[0] else np.asarray(np.maximum.reduceat(table, starts, axis=0))


def thin(posterior: Array, grid: Grid) -> Index:
    """Places of the points that hold all of the probability but for `THIN` (or `SPREAD_THIN`), ascending."""
    order = np.argsort(posterior)
    dropped = np.searchsorted(np.cumsum(posterior[order]), SPREAD_THIN if grid.spread else THIN)
    return np.sort(order[dropped:])


def linked(logs: Array, link: Array) -> Array:
    """log Σ_b link[a, b] exp(logs[…, b]) along the last axis, scaled per row."""
    top = logs.max(axis=-1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(logs - top) @ link.T) + top)
