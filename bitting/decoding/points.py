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
from bitting.decoding.reach import Reach
from bitting.decoding.sums import Columns, Index, Sums
from bitting.decoding.tables import Tables, log_sum
from bitting.model import Place

NEGLIGIBLE = 1e-11
"""Share of the evidence that points left out of the grid may hold together."""
SPREAD_NEGLIGIBLE = 1e-6
"""The same where tilt or left-right difference spread the grid over several dimensions."""
THIN, SPREAD_THIN = 1e-11, 1e-6
"""Probability that points left out after weighing may hold together, in shares and in the search for the best codes."""
FEW_POINTS = 640
"""Points that are all weighed: finding those that can be left out would take as long."""
FIRST = 12
"""Points whose totals are taken first, with the whole diagram, where it is large."""
NEAR = 60.0
"""Points whose first bound is within exp(-60) of the best get a sharper one, where there are readings across."""


def enough(limit: Array, log_prior: Array, flat: Columns, sums: Sums) -> tuple[Index, Array, Sums]:
    """Points of the grid so many that the others are negligible, their totals with the prior, and the sums to use there.

    `limit` bounds each point's total with its `log_prior`; `flat` are the points' columns.
    """
    grid = sums.grid
    negligible = math.log(SPREAD_NEGLIGIBLE if grid.spread else NEGLIGIBLE)

    def at(where: Index) -> Array:
        return np.asarray(sums.totals({sign: place[where] for sign, place in flat.items()}) + log_prior[where])

    few = limit.size <= FEW_POINTS
    if few and not sums.large:
        where = np.arange(limit.size)
        return where, at(where), sums
    known = -math.inf
    candidates = np.arange(limit.size)
    if sums.large:
        known = log_sum(at(np.argsort(-limit)[:FIRST]))
        if np.isfinite(known):
            candidates = _all_but(limit, candidates, known, negligible)
            columns = {sign: place[candidates] for sign, place in flat.items()}
            sums = sums.trimmed(columns, log_prior[candidates], known)
    if few:
        return candidates, at(candidates), sums
    some = limit[candidates]
    order = candidates[
        np.argsort(-some) if grid.link is not None else np.argpartition(-some, min(64, some.size - 1))[:64]
    ]
    first = order[np.unique(np.geomspace(1, order.size, 200).astype(np.intp)) - 1] if order.size > 64 else order
    known = max(known, log_sum(at(first)))  # at least so much evidence there is
    if not np.isfinite(known):
        known = limit.max() - 700.0
    where = _all_but(limit, candidates, known, negligible)
    return where, at(where), sums


def _all_but(limit: Array, candidates: Index, known: float, negligible: float) -> Index:
    """Those of the candidates without which the bounds of all the others come to a negligible share of the evidence."""
    bounds = limit[candidates]
    for margin in (0.0, 3.0, 6.0, 9.0, math.log(limit.size)):
        kept = bounds > known + negligible - margin
        if log_sum(bounds[~kept]) <= known + negligible:
            break
    return np.asarray(candidates[kept])


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


def sum_limit(
    limit: Array, prior: Array, points: Mapping[int, Index], tables: Tables, grid: Grid, chains: Sequence[Chain]
) -> Array:
    """The bound of each point sharpened by what readings across say of the sum of both cuts.

    Two bounds hold for each point: that of the single readings with the readings across at their best, and the other way
    round; so does their geometric mean, which follows both.
    """
    other = prior.copy()
    bounds = {sign: np.zeros((*grid.shape, lattice.size)) for sign, lattice in grid.lattices.items()}
    in_pairs = {place for places in tables.pairs for place in places}
    for chain in chains:
        for step in chain.steps:
            for column, place in enumerate(step.places):
                size = int(step.symbols[:, column].max()) + 1
                if place in in_pairs:
                    bounds[grid.signs[place.lane]] += tables[place].max(axis=0) if place in tables else 0.0
                elif place in tables:
                    bounds[grid.signs[place.lane]] += np.logaddexp.reduce(
                        _by_depth(tables[place], tables.reach, place), axis=0
                    )
                else:
                    bounds[grid.signs[place.lane]] += math.log(size)
    for sign, bound in bounds.items():
        other = other + bound.reshape(-1)[points[sign]]
    assert tables.sums is not None  # called where there are readings across
    if grid.link is None:
        sums = other + tables.sums
        return np.asarray(np.minimum(np.minimum(limit, sums), (limit + sums) / 2))
    size = grid.lattices[1].size
    row, first = np.divmod(points[1], size)
    total = points[-1] % size + first
    sums = other + tables.sums.reshape(math.prod(grid.shape), -1)[row, total]
    limit = np.minimum(np.minimum(limit, sums), (limit + sums) / 2)
    near = np.flatnonzero(limit.reshape(-1) > limit.max() - NEAR)
    columns = {sign: where.reshape(-1)[near] for sign, where in points.items()}
    sharp = other.reshape(-1)[near] + _pairbounds(tables, grid, columns, row.reshape(-1)[near], total.reshape(-1)[near])
    flat = limit.reshape(-1).copy()
    flat[near] = np.minimum(flat[near], sharp)
    return flat.reshape(limit.shape)


def _pairbounds(tables: Tables, grid: Grid, columns: Mapping[int, Index], row: Index, total: Index) -> Array:
    """log of the sum over pairs of depths of the lesser of two bounds, for all readings across, at the given columns."""
    out = np.zeros(row.size)
    for places, pairs in tables.pairs.items():
        if len(pairs) > 1:  # tables of single readings hold both sides: no bound of one side's readings
            return np.full(row.size, np.inf)
        for pair, sum_table in zip(pairs, tables.sum_tables[places], strict=True):
            first, second = (
                tables.bounding[place].reshape(tables.bounding[place].shape[0], -1)[:, columns[grid.signs[place.lane]]]
                if place in tables.bounding
                else np.zeros((sum_table.shape[axis], row.size))
                for axis, place in enumerate(places)
            )
            both = sum_table.reshape(*sum_table.shape[:2], math.prod(grid.shape), -1)
            best = np.zeros(row.size)
            for i in range(both.shape[0]):
                for j in range(both.shape[1]):
                    best += np.exp(np.minimum(pair.log_most + first[i] + second[j], both[i, j][row, total]))
            out += np.log(np.maximum(best, 1e-290))
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
                if read:
                    table = _by_depth(read[0] if len(read) == 1 else read[0] + read[1], tables.reach, place)
                    top = table.max(axis=0)
                    bound += top + np.log(np.exp(table - top).sum(axis=0))
                else:
                    bound += math.log(step.symbols[:, column].max() + 1)
            for pair in tables.pairs.get(step.places, ()) or tables.pairs.get(step.places[::-1], ()):
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
