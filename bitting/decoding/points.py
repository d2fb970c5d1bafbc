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

from bitting.decoding.compiled import Chain
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.paired import other_bounds
from bitting.decoding.reach import Reach
from bitting.decoding.sums import Columns, Index, Sums
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


def enough(limit: Array, log_prior: Array, flat: Columns, sums: Sums) -> tuple[Index, Array]:
    """Points of the grid so many that the others are negligible, and their totals with the prior.

    `limit` bounds each point's total with its `log_prior`; `flat` are the points' columns.
    """
    grid = sums.grid

    def at(where: Index) -> Array:
        return np.asarray(sums.totals({sign: place[where] for sign, place in flat.items()}) + log_prior[where])

    if limit.size <= FEW_POINTS:
        where = np.arange(limit.size)
        return where, at(where)
    order = np.argsort(-limit) if grid.link is not None else np.argpartition(-limit, 64)[:64]
    first = order[np.unique(np.geomspace(1, order.size, 200).astype(np.intp)) - 1] if order.size > 64 else order
    known = log_sum(at(first))  # at least so much evidence there is
    if not np.isfinite(known):
        known = limit.max() - 700.0
    negligible = known + math.log(SPREAD_NEGLIGIBLE if grid.spread else NEGLIGIBLE)
    rising = np.sort(limit)
    top = rising[-1]
    left_out = int(np.searchsorted(np.cumsum(np.exp(rising - top)), math.exp(min(negligible - top, 0.0))))
    where = np.flatnonzero(limit >= rising[min(left_out, limit.size - 1)])
    return where, at(where)


def pair_columns(grid: Grid, bounds: Mapping[int, Array], base: Array) -> tuple[Array, Array, dict[int, Index]]:
    """Prior, upper bound and table columns of every (scale, tilt, a, b) that carries any prior at all."""
    assert grid.link is not None  # called for paired grids only
    first, second = np.nonzero(grid.link > 1e-300)
    pair = np.log(grid.link[first, second])
    size = grid.lattices[1].size
    rows = np.arange(math.prod(grid.shape)).reshape(*grid.shape, 1)
    prior = base + pair
    limit = prior.copy()
    points = {1: rows * size + first, -1: rows * size + second}
    if 0 in grid.lattices:
        points[0] = rows * (2 * size - 1) + first + second
    for sign, bound in bounds.items():
        limit += bound.reshape(-1)[points[sign]]
    return prior, limit, points


def pair_limit(tables: Tables, grid: Grid, points: Mapping[int, Index]) -> Array | float:
    """The bound that readings of two cuts at once add to each point."""
    out: Array | float = 0.0
    starts = tables.reach.starts
    for places, found in tables.paired.items():
        bound = found[0].log_bound((starts[places[0]], starts[places[1]])) + other_bounds(tables.pairs[places])
        one, two = found[0].signs
        if one == two:
            out = out + bound.reshape(-1)[points[one]]
        else:
            row, first = np.divmod(points[one], grid.lattices[one].size)
            out = out + bound[row, first, points[two] % grid.lattices[two].size]
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
                if step.places in tables.paired or step.places[::-1] in tables.paired:
                    bound += tables[place].max(axis=0) if place in tables else 0.0
                elif read:
                    table = _by_depth(read[0] if len(read) == 1 else read[0] + read[1], tables.reach, place)
                    top = table.max(axis=0)
                    bound += top + np.log(np.exp(table - top).sum(axis=0))
                else:
                    bound += math.log(step.symbols[:, column].max() + 1)
            if not tables.paired:
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
