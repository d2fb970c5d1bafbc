"""Sums over all codes of some trellises at points of the grid, each point by itself.

Which points of the grid can matter: an upper bound of each one's total, and how many must be weighed.

A point's total is at most its prior times the product over cuts of the sum over depths, as if no rule bound the cuts;
points are left out when all of these bounds together are less than `NEGLIGIBLE` of the evidence that the best points are
known to hold. Points that look hopeless are thus never dropped on a guess: an offset of one increment imitates another
code.

A large diagram narrowed to what can matter for one key, so that tens of thousands of points are weighed in it quickly.

Of the thousands of ways through a diagram of two coupled tracks the readings leave a few hundred. The whole diagram is
passed at some pilot points; an arc stays whose part of the evidence is at least `FAINT` of the best point's at any of
them. What that loses is then found out at points drawn evenly from the posterior, where the whole diagram is passed
again: if it is more than `LOST` of the evidence, these points become pilots too and a tenth as much is taken to matter;
after `ROUNDS` such rounds the whole diagram is used. Only grids of several dimensions, of which 1e-4 is asked, are narrowed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from bitting.arrays import Array, Indices
from bitting.decoding.grid import Grid
from bitting.decoding.jaw import Reach
from bitting.decoding.tables import FEW_POINTS, Tables, log_sum
from bitting.diagram.trellis import Trellis, TrellisLayer, arc_pairs, arc_sums, backward, restrict
from bitting.model import Place

UNDERFLOW = 1e-300
"""A scaled sum below this may hide the answer: the pass is taken again with logarithms."""
CHUNK = 1 << 16
"""Numbers per array in a pass; longer grids go through it piece by piece."""
LEAST = 128
"""Points per piece at least."""
TABLED = 4_000_000
"""Likelihoods that are looked up at a time."""

Columns = Mapping[int, Indices]
"""Per sign, the flat place of each point in a table's (scale, tilt, lattice) axes."""


@frozen(eq=False)
class Sums:
    """The trellises of a section with their tables."""

    trellises: tuple[Trellis, ...]
    tables: Tables
    grid: Grid

    def totals(self, columns: Columns) -> Array:
        """log of the sum over all codes at the given points."""
        out = np.zeros(next(iter(columns.values())).size)
        for trellis in self.trellises:
            labels = sum(layer.labels.shape[0] for layer in trellis.layers)
            for part in _runs(out.size, max(LEAST, TABLED // labels)):
                logs = self.logs(trellis, {sign: where[part] for sign, where in columns.items()})
                for some in _pieces(trellis, out[part].size):
                    out[part][some] += _total(trellis, [rows[:, some] for rows in logs])
        return out

    @property
    def size(self) -> int:
        """Arcs of all layers: what one point costs."""
        return sum(layer.arc_child.size for trellis in self.trellises for layer in trellis.layers)

    def logs(self, trellis: Trellis, columns: Columns) -> list[Array]:
        """log likelihoods of a trellis's layers at the given points: (labels, points) each."""
        return [layer_logs(layer, self.tables, columns, self.grid) for layer in trellis.layers]


def shares(trellis: Trellis, logs: Sequence[Array], weight: Array) -> tuple[Array, ...]:
    """Per layer, the share of each arc in the whole, points weighed by `weight`; `logs` from `Sums.logs`."""
    found = tuple(np.zeros(layer.arc_child.size) for layer in trellis.layers)
    for some in _pieces(trellis, weight.size):
        for share, more in zip(found, _shares(trellis, [rows[:, some] for rows in logs], weight[some]), strict=True):
            share += more
    return found


def greatest_shares(trellis: Trellis, logs: Sequence[Array], weight: Array) -> list[Array]:
    """Per layer, the greatest of each arc's shares at the points, each point's times its `weight`.

    Points where sums underflow are passed over.
    """
    found = [np.zeros(layer.arc_child.size) for layer in trellis.layers]
    for some in _pieces(trellis, weight.size):
        _, ratios = scaled([rows[:, some] for rows in logs])
        follows, total = backward(trellis, ratios)
        root = np.where(total < UNDERFLOW, 0.0, weight[some] / np.maximum(total, UNDERFLOW))
        for most, (entering, after) in zip(found, arc_pairs(trellis, ratios, follows, root), strict=True):
            np.maximum(most, (entering * after).max(axis=1), out=most)
    return found


def _pieces(trellis: Trellis, points: int) -> list[slice]:
    """Runs of points that a pass takes at a time."""
    return _runs(points, max(LEAST, CHUNK // max(layer.arc_child.size for layer in trellis.layers)))


def _runs(points: int, length: int) -> list[slice]:
    return [slice(start, min(start + length, points)) for start in range(0, points, length)]


def layer_logs(layer: TrellisLayer, tables: Tables, columns: Columns, grid: Grid) -> Array:
    """The log likelihood of each label of a layer at the given points: (labels, points); 0 where nothing was read."""
    out: Array | None = None
    for column, place in enumerate(layer.places):
        table = tables.get(place)
        if table is not None:
            rows = table.reshape(table.shape[0], -1).take(columns[grid.signs[place.lane]], axis=1)
            rows = rows[layer.rows[:, column]]
            out = rows if out is None else out + rows
    for turned, places in enumerate((layer.places, layer.places[::-1]) if len(layer.places) == 2 else ()):
        for found in tables.pair_logs(places, columns, layer.rows[:, ::-1] if turned else layer.rows):
            out = found if out is None else out + found
    return np.zeros((layer.labels.shape[0], next(iter(columns.values())).size)) if out is None else out


def scaled(logs: Sequence[Array]) -> tuple[Array, list[Array]]:
    """The tables with 1 for the best label of each layer at every point, and the log of what was taken out."""
    tops = [table.max(axis=0) for table in logs]
    return np.add.reduce(tops), [np.exp(table - top) for table, top in zip(logs, tops, strict=True)]


def _total(trellis: Trellis, logs: Sequence[Array]) -> Array:
    tops, ratios = scaled(logs)
    return np.asarray(np.log(np.maximum(backward(trellis, ratios)[1], UNDERFLOW)) + tops)


def _shares(trellis: Trellis, logs: Sequence[Array], weight: Array) -> list[Array]:
    """Per layer, the share of each arc (arcs,): its part of the sum over codes at every point, weighed by point."""
    _, ratios = scaled(logs)
    follows, total = backward(trellis, ratios)
    return arc_sums(trellis, ratios, follows, weight / np.maximum(total, UNDERFLOW))


NEGLIGIBLE = 1e-11
"""Share of the evidence that points left out of the grid may hold together."""
SPREAD_NEGLIGIBLE = 2e-6
"""The same where tilt or left-right difference spread the grid over several dimensions."""
THIN, SPREAD_THIN = 1e-11, 2e-6
"""Probability that points left out after weighing may hold together, in shares and in the search for the best codes."""
MOST_KEPT = 12_000
"""Points that are kept at most (a key whose readings fit takes some thousand)."""
MANY_POINTS, SIGHT = 20_000, 40.0
"""Where there are more points than that, those whose limit is e^-40 of the greatest are first taken as one."""
PILOTS = 200
"""Points that are weighed first, to know how much evidence there is."""
MOST_WORK, AT_LEAST = 30_000_000, 2_000
"""Arcs times points that are weighed at most (and so many points at least): readings that fit nothing say nothing of where
the shared errors lie, and the likeliest points must do."""


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

    def columns(self, where: Indices) -> dict[int, Indices]:
        """Per sign, the places of some points in a table's (scale, tilt, lattice) axes."""
        if self.sign is not None:
            return {self.sign: where}
        row, first, second = self._apart(where)
        sizes = [self.grid.lattices[sign].size for sign in (1, -1)]
        out = {1: row * sizes[0] + first, -1: row * sizes[1] + second}
        if 0 in self.grid.lattices:  # then both have as many points
            out[0] = row * (2 * sizes[0] - 1) + first + second
        return out

    def prior(self, where: Indices) -> Array:
        """log prior of some points."""
        if self.sign is not None:
            return np.asarray(self.log_prior[where])
        row, first, second = self._apart(where)
        assert self.grid.link is not None  # pairs of points come from a paired grid
        with np.errstate(divide="ignore"):
            return np.asarray(self.log_prior[row] + np.log(self.grid.link[first, second]))

    def _apart(self, where: Indices) -> tuple[Indices, Indices, Indices]:
        sizes = [self.grid.lattices[sign].size for sign in (1, -1)]
        row, pair = np.divmod(where, sizes[0] * sizes[1])
        first, second = np.divmod(pair, sizes[1])
        return row, first, second

    def totals(self, where: Indices, sums: Sums) -> Array:
        """log of the sum over all codes at some points, with their prior."""
        return sums.totals(self.columns(where)) + self.prior(where)


@frozen(eq=False)
class Look:
    """Points in the order of their limits, the greatest first, and what the evidence is known to be at least.

    `left[n]` bounds the total of all points but the first n, as a share of `top`; `pilots` are the points that were weighed
    to know so much, `totals` their totals with the prior.
    """

    order: Indices
    left: Array
    top: float
    known: float
    pilots: Indices
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


def enough(points: Points, sums: Sums, look: Look | None = None) -> tuple[Indices, Array]:
    """Points so many that the others are negligible, ascending, and their totals with the prior."""
    if look is None and points.limit.size <= FEW_POINTS:
        where: Indices = np.arange(points.limit.size)
        return where, points.totals(where, sums)
    look = first_look(points, sums) if look is None else look
    needed = look.needed(look.known, _negligible(points.grid))
    where = np.sort(look.order[: min(max(needed, 1), max(AT_LEAST, MOST_WORK // sums.size))])
    return where, points.totals(where, sums)


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
            one, two = np.arange(grid.link.shape[0])[:, None], np.arange(grid.link.shape[1])
            at = {1: one, -1: two, 0: one + two}
            first, second = (at[grid.signs[place.lane]] for place in places)
            if bound.ndim == 3:
                bound = bound[..., np.broadcast_to(first, grid.link.shape)]
            elif (grid.signs[places[0].lane], grid.signs[places[1].lane]) != (1, -1):
                bound = bound[..., first, second]
        out = out + bound.reshape(-1)
    return out


def bounds_of(tables: Tables, grid: Grid, trellises: Sequence[Trellis]) -> dict[int, Array]:
    """Per sign, a bound of the log sum over codes at every (scale, tilt, lattice point): cuts as if no rule bound them."""
    shape = {sign: (*grid.shape, lattice.size) for sign, lattice in grid.lattices.items()}
    bounds = {sign: np.zeros(size) for sign, size in shape.items()}
    for trellis in trellises:
        for layer in trellis.layers:
            for column, place in enumerate(layer.places):
                bound = bounds[grid.signs[place.lane]]
                if layer.places in tables.pair_bounds or layer.places[::-1] in tables.pair_bounds:
                    bound += tables[place].max(axis=0) if place in tables else 0.0
                elif place in tables:
                    table = _by_depth(tables[place], tables.reach, place)
                    top = table.max(axis=0)
                    bound += top + np.log(np.exp(table - top).sum(axis=0))
                else:
                    bound += math.log(layer.labels[:, column].max() + 1)
    return bounds


def _by_depth(table: Array, reach: Reach, place: Place) -> Array:
    """The most that each depth can have, whatever the neighbours make of what the jaw reaches."""
    starts = reach.starts[place]
    return table if starts.size == table.shape[0] else np.asarray(np.maximum.reduceat(table, starts, axis=0))


def thin(posterior: Array, grid: Grid) -> Indices:
    """Places of the points that hold all of the probability but for `THIN` (or `SPREAD_THIN`), ascending."""
    order = np.argsort(posterior)
    dropped = np.searchsorted(np.cumsum(posterior[order]), SPREAD_THIN if grid.spread else THIN)
    return np.sort(order[max(int(dropped), order.size - MOST_KEPT) :])


def linked(logs: Array, link: Array) -> Array:
    """log Σ_b link[a, b] exp(logs[…, b]) along the last axis, scaled per row."""
    top = logs.max(axis=-1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(logs - top) @ link.T) + top)


FAINT = 1e-9
"""Part of the evidence at one point, in that of the best point, below which an arc is left out."""
LOST = 1e-6
"""Share of the evidence that narrowing may lose."""
CHECKED = 48
"""Points at which that is found out."""
ROUNDS = 3


def narrowed(sums: Sums, points: Points, pilots: Indices, totals: Array, faint: float = FAINT) -> Sums:
    """The sums over the codes that pass only arcs which matter at some of the pilot points.

    `totals` are the log totals of the pilots with their prior.
    """
    weight = np.exp(totals - totals.max())
    used = np.flatnonzero(weight >= faint)
    columns = points.columns(pilots[used])
    trellises = []
    for trellis in sums.trellises:
        shares = greatest_shares(trellis, sums.logs(trellis, columns), weight[used])
        trellises.append(restrict(trellis, [share >= min(faint, float(share.max())) for share in shares])[0])
    return Sums(tuple(trellises), sums.tables, sums.grid)


def lost_share(whole: Sums, points: Points, where: Indices, total: Array) -> tuple[Indices, Array, float]:
    """Points drawn evenly from the posterior, their totals in the whole diagram, and the mean share that was lost there."""
    share = np.cumsum(np.exp(total - total.max()))
    at = np.searchsorted(share, (np.arange(CHECKED) + 0.5) / CHECKED * share[-1])
    checked = where[at]
    found = points.totals(checked, whole)
    return checked, found, float(-np.expm1(total[at] - found).mean())
