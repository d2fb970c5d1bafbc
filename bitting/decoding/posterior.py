"""Everything the readings say of one key: evidence, the share of each depth at each cut, offset and wear.

The legal codes come as chains (compiled diagrams). Chains that see the same shared error form a *section* and are
weighed point by point of the grid; with a left-right difference and tracks that no rule couples there are two sections,
one per sign, joined by the grid's `link`. Only points that can matter are weighed: a point's total is at most its prior
times the product over cuts of the sum over depths, as if no rule bound the cuts; points are left out when all of these
bounds together are less than `NEGLIGIBLE` of the evidence that the best points are known to hold. Points that look
hopeless are thus never dropped on a guess: an offset of one increment imitates another code.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from attrs import frozen

from bitting.decoding.compiled import Chain, Step
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.passes import backward, forward, passes_in_logs
from bitting.decoding.reach import Reach
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
NEAR = 60.0
"""Points whose first bound is within exp(-60) of the best get a sharper one, where there are readings across."""
UNDERFLOW = 1e-250
"""A scaled sum below this may hide the answer: the pass is taken again with logarithms."""
CHUNK = 1 << 16
"""Numbers per array in a pass; longer grids go through it piece by piece."""

Index = npt.NDArray[np.intp]


@frozen(eq=False)
class Section:
    """Chains that share one set of points.

    `columns[sign]` gives, for lanes of that sign, the flat place of every kept point in a table's (scale, tilt, lattice)
    axes. `logs[c][i]` (symbols, points) are the log likelihoods of step i of chain c, `log_sums` (points,) that of all
    codes together; `posterior` (points,) is the share of the key's evidence at each point; `entries[c][i]` (entries,) are
    the posterior probabilities of the step's entries.
    """

    chains: tuple[Chain, ...]
    columns: Mapping[int, Index]
    log_prior: Array
    logs: tuple[tuple[Array, ...], ...]
    log_sums: Array
    posterior: Array
    entries: tuple[tuple[Array, ...], ...]


@frozen(eq=False)
class Shared:
    """What is known of a key's shared unknowns afterwards; `edge`: share of the answer at the ends of the lattices."""

    offset_mean: float
    offset_sd: float
    pair_mean: float
    tilt_mean: float
    tilt_sd: float
    scale_shares: Array
    edge: float


@frozen(eq=False)
class Posterior:
    """`log_evidence`: log density of the readings under uniformly drawn legal codes. `shares` per place: (depths,)."""

    grid: Grid
    sections: tuple[Section, ...]
    log_evidence: float
    log_count: float
    shares: Mapping[Place, Array]
    shared: Shared
    reach: Reach


def solve(sections: Sequence[Sequence[Chain]], tables: Tables, grid: Grid) -> Posterior:
    """The posterior of one key. `sections` from `sections_of`; raises nothing: every finite table has an answer."""
    log_count = sum(math.log(chain.count) for chains in sections for chain in chains)
    if len(sections) == 1:
        solved, log_evidence = _solve_one(sections[0], tables, grid)
        parts: tuple[Section, ...] = (solved,)
    else:
        parts, log_evidence = _solve_two(sections, tables, grid)
    shares: dict[Place, Array] = {}
    for part in parts:
        for chain, rows in zip(part.chains, part.entries, strict=True):
            for step, entry in zip(chain.steps, rows, strict=True):
                row = np.bincount(step.entry_symbol, entry, minlength=step.symbols.shape[0])
                for column, place in enumerate(step.places):
                    shares[place] = np.bincount(step.symbols[:, column], row)
    return Posterior(
        grid=grid,
        sections=parts,
        log_evidence=log_evidence - log_count,
        log_count=log_count,
        shares=shares,
        shared=_moments(parts, grid),
        reach=tables.reach,
    )


def sections_of(chains: Sequence[Chain], grid: Grid) -> list[list[Chain]]:
    """Two sections where every chain sees one sign of a left-right difference, otherwise one."""
    if grid.link is None:
        return [list(chains)]
    signs = [{grid.signs[lane] for lane in chain.lanes} for chain in chains]
    if all(len(sign) == 1 for sign in signs) and {s for sign in signs for s in sign} == {1, -1}:
        return [[c for c, sign in zip(chains, signs, strict=True) if sign == {want}] for want in (1, -1)]
    return [list(chains)]


def _solve_one(chains: Sequence[Chain], tables: Tables, grid: Grid) -> tuple[Section, float]:
    bounds = _bounds(tables, grid, chains)
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    if grid.link is None:
        assert grid.log_offset is not None  # a grid has either
        prior = base + grid.log_offset
        limit = np.asarray(prior + bounds[0])
        points = {0: np.arange(limit.size).reshape(limit.shape)}
    else:
        prior, limit, points = _pair_columns(grid, bounds, base)
    if tables.sums is not None:
        limit = _sum_limit(limit, prior, points, tables, grid, chains)
    limit, prior = np.asarray(limit).reshape(-1), np.asarray(prior).reshape(-1)
    flat = {sign: place.reshape(-1) for sign, place in points.items()}

    def total_at(where: Index) -> Array:
        sums = _totals(chains, tables, {sign: place[where] for sign, place in flat.items()}, grid)
        return np.asarray(sums + prior[where])

    where, total = _enough(limit, total_at, grid)
    log_evidence = log_sum(total)
    keep = _thin(np.exp(total - log_evidence), grid)
    where, total = where[keep], total[keep]
    columns = {sign: place[where] for sign, place in flat.items()}
    return _section(chains, tables, columns, prior[where], total - prior[where], log_evidence, grid), log_evidence


def _enough(limit: Array, total_at: Callable[[Index], Array], grid: Grid) -> tuple[Index, Array]:
    """Points of the grid and their totals, so many that the others are negligible: `limit` bounds each one's total."""
    negligible = math.log(SPREAD_NEGLIGIBLE if grid.spread else NEGLIGIBLE)
    if limit.size <= FEW_POINTS:
        where = np.arange(limit.size)
        return where, np.asarray(total_at(where))
    order = np.argsort(-limit) if grid.link is not None else np.argpartition(-limit, 64)[:64]
    first = order[np.unique(np.geomspace(1, order.size, 200).astype(np.intp)) - 1] if order.size > 64 else order
    known = log_sum(total_at(first))  # at least so much evidence there is
    if not np.isfinite(known):
        known = limit.max() - 700.0
    for margin in (0.0, 3.0, 6.0, 9.0, math.log(limit.size)):
        where = np.flatnonzero(limit > known + negligible - margin)
        rest = limit[limit <= known + negligible - margin]
        if log_sum(rest) <= known + negligible:
            break
    return where, np.asarray(total_at(where))


def _pair_columns(grid: Grid, bounds: Mapping[int, Array], base: Array) -> tuple[Array, Array, dict[int, Index]]:
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


def _sum_limit(
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
    sharp = other.reshape(-1)[near] + _pair_bounds(
        tables, grid, columns, row.reshape(-1)[near], total.reshape(-1)[near]
    )
    flat = limit.reshape(-1).copy()
    flat[near] = np.minimum(flat[near], sharp)
    return flat.reshape(limit.shape)


def _pair_bounds(tables: Tables, grid: Grid, columns: Mapping[int, Index], row: Index, total: Index) -> Array:
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


def _solve_two(sections: Sequence[Sequence[Chain]], tables: Tables, grid: Grid) -> tuple[tuple[Section, ...], float]:
    """Both signs of a left-right difference, joined by the link matrix: exact over every pair of lattice points."""
    assert grid.link is not None  # called for paired grids only
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    bounds = [_bounds(tables, grid, chains)[sign] for sign, chains in zip((1, -1), sections, strict=True)]
    links = (grid.link, grid.link.T)
    full: list[Array] = []
    for side, (sign, chains) in enumerate(zip((1, -1), sections, strict=True)):
        towards = linked(bounds[1 - side] if side == 0 else full[0], links[side]) + base
        limit = (bounds[side] + towards).reshape(-1)
        flat = towards.reshape(-1)

        def total_at(where: Index, chains: Any = chains, sign: int = sign, flat: Array = flat) -> Array:
            return _totals(chains, tables, {sign: where}, grid) + flat[where]

        where, total = _enough(limit, total_at, grid)
        table = np.full(limit.size, -np.inf)
        table[where] = total - flat[where]
        full.append(table.reshape(bounds[side].shape))
    log_evidence = log_sum(full[1] + linked(full[0], links[1]) + base)
    out = []
    for side, (sign, chains) in enumerate(zip((1, -1), sections, strict=True)):
        prior = (linked(full[1 - side], links[side]) + base).reshape(-1)
        sums = full[side].reshape(-1)
        where = _thin(np.exp(sums + prior - log_evidence), grid)
        out.append(_section(chains, tables, {sign: where}, prior[where], sums[where], log_evidence, grid))
    return tuple(out), log_evidence


def linked(logs: Array, link: Array) -> Array:
    """log Σ_b link[a, b] exp(logs[…, b]) along the last axis, scaled per row."""
    top = logs.max(axis=-1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(logs - top) @ link.T) + top)


def _bounds(tables: Tables, grid: Grid, chains: Sequence[Chain]) -> dict[int, Array]:
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


def _totals(chains: Sequence[Chain], tables: Tables, columns: Mapping[int, Index], grid: Grid) -> Array:
    """log of the sum over all codes of the chains at the given points, a piece of them at a time."""
    points = next(iter(columns.values())).size
    out = np.zeros(points)
    for chain in chains:
        piece = max(64, CHUNK // max(step.entry_child.size for step in chain.steps))
        for start in range(0, points, piece):
            part = {sign: where[start : start + piece] for sign, where in columns.items()}
            size = min(piece, points - start)
            logs = [step_logs(step, tables, part, grid, size) for step in chain.steps]
            out[start : start + piece] += _chain_total(chain, logs)
    return out


def _chain_total(chain: Chain, logs: Sequence[Array]) -> Array:
    tops, scaled = _scaled(logs)
    _, total = backward(chain, scaled)
    if total.size and total.min() < UNDERFLOW:
        return passes_in_logs(chain, logs)[1]
    return np.asarray(np.log(total) + tops)


def _scaled(logs: Sequence[Array]) -> tuple[Array, list[Array]]:
    """The tables with 1 for the best symbol of each step at every point, and the log of what was taken out."""
    tops = [table.max(axis=0) for table in logs]
    return np.add.reduce(tops), [np.exp(table - top) for table, top in zip(logs, tops, strict=True)]


def _thin(posterior: Array, grid: Grid) -> Index:
    """Places of the points that hold all of the probability but for `THIN` (or `SPREAD_THIN`), ascending."""
    order = np.argsort(posterior)
    dropped = np.searchsorted(np.cumsum(posterior[order]), SPREAD_THIN if grid.spread else THIN)
    return np.sort(order[dropped:])


def _section(
    chains: Sequence[Chain],
    tables: Tables,
    columns: Mapping[int, Index],
    log_prior: Array,
    log_sums: Array,
    log_evidence: float,
    grid: Grid,
) -> Section:
    """The section at its kept points, with the posterior share of every symbol."""
    posterior = np.exp(log_prior + log_sums - log_evidence)
    weight = posterior / posterior.sum()
    logs, shares = [], []
    for chain in chains:
        rows = tuple(step_logs(step, tables, columns, grid, weight.size) for step in chain.steps)
        logs.append(rows)
        piece = max(64, CHUNK // max(step.entry_child.size for step in chain.steps))
        found = [np.zeros(step.entry_child.size) for step in chain.steps]
        for start in range(0, weight.size, piece):
            part = slice(start, start + piece)
            for share, more in zip(found, _chain_shares(chain, [r[:, part] for r in rows], weight[part]), strict=True):
                share += more
        shares.append(tuple(found))
    return Section(
        chains=tuple(chains), columns=columns, log_prior=log_prior, logs=tuple(logs), log_sums=log_sums,
        posterior=posterior, entries=tuple(shares),
    )  # fmt: skip


def step_logs(step: Step, tables: Tables, columns: Mapping[int, Index], grid: Grid, points: int) -> Array:
    """The log likelihood of each symbol of a step at the given points: (symbols, points); 0 where nothing was read."""
    out = np.zeros((step.symbols.shape[0], points))
    for column, place in enumerate(step.places):
        table = tables.get(place)
        if table is not None:
            rows = table.reshape(table.shape[0], -1)[:, columns[grid.signs[place.lane]]]
            out += rows[step.rows[:, column]]
    for pair in tables.pairs.get(step.places, ()) or tables.pairs.get(step.places[::-1], ()):
        found = tables.pair_at(pair, columns)
        if pair.places != step.places:  # the step decides the second cut first
            found = found.swapaxes(0, 1)
        out += found[step.rows[:, 0], step.rows[:, 1]]
    return out


def _chain_shares(chain: Chain, logs: Sequence[Array], weight: Array) -> list[Array]:
    """Per step, the share of each entry (entries,): its part of the sum over codes at every point, weighed by point."""
    _, scaled = _scaled(logs)
    follows, total = backward(chain, scaled)
    if total.min() < UNDERFLOW:
        joint, log_total = passes_in_logs(chain, logs)
        return [np.exp(entry - log_total) @ weight for entry in joint]
    ratio = weight / total
    reached = forward(chain, scaled)
    return [np.einsum("ep,ep,p->e", front, after, ratio) for front, after in zip(reached, follows, strict=True)]


def _moments(parts: Sequence[Section], grid: Grid) -> Shared:
    """Means and standard deviations of the shared unknowns, and how much of the answer lies at the lattice's ends."""
    size = {sign: lattice.size for sign, lattice in grid.lattices.items()}
    values: dict[int, tuple[Array, Array]] = {}
    edge = 0.0
    for part in parts:
        for sign, columns in part.columns.items():
            where = columns % size[sign]
            values[sign] = (grid.lattices[sign][where], part.posterior)
            edge += float(part.posterior[(where == 0) | (where == size[sign] - 1)].sum())
    part = parts[0]
    sign = next(iter(part.columns))
    row = part.columns[sign] // size[sign]
    scale_shares = np.bincount(row // grid.tilts.size, part.posterior, minlength=len(grid.scales))
    tilt = grid.tilts[row % grid.tilts.size]
    tilt_mean = float(tilt @ part.posterior)
    tilt_sd = math.sqrt(max(float((tilt - tilt_mean) ** 2 @ part.posterior), 0.0))
    if grid.link is None:
        points, weight = values[0]
        offset, offset_sd = _mean_sd(points, weight)
        offset_sd = math.hypot(grid.offset_share * offset_sd, grid.offset_rest)
        return Shared(grid.offset_share * offset, offset_sd, 0.0, tilt_mean, tilt_sd, scale_shares, edge)
    if len(parts) == 1:
        (first, weight), (second, _) = values[1], values[-1]
        offset, offset_sd = _mean_sd((first + second) / 2, weight)
        return Shared(offset, offset_sd, float((first - second) @ weight) / 2, tilt_mean, tilt_sd, scale_shares, edge)
    (plus, plus_sd), (minus, minus_sd) = _mean_sd(*values[1]), _mean_sd(*values[-1])
    offset_sd = math.sqrt(max(plus_sd**2 + minus_sd**2 + 2 * _covariance(parts, grid, plus, minus), 0.0)) / 2
    return Shared((plus + minus) / 2, offset_sd, (plus - minus) / 2, tilt_mean, tilt_sd, scale_shares, edge)


def _mean_sd(points: Array, weight: Array) -> tuple[float, float]:
    total = weight.sum()
    mean = float(points @ weight / total)
    return mean, math.sqrt(max(float((points - mean) ** 2 @ weight / total), 0.0))


def _covariance(parts: Sequence[Section], grid: Grid, first: float, second: float) -> float:
    """Posterior covariance of the two signs' shared errors."""
    assert grid.link is not None  # called for paired grids only
    shape = (math.prod(grid.shape), grid.lattices[1].size)
    weights = []
    for part, sign in zip(parts, (1, -1), strict=True):
        logs = np.full(shape, -np.inf)
        logs.reshape(-1)[part.columns[sign]] = part.log_sums
        weights.append(np.exp(logs - logs.max()))
    row = np.exp((grid.log_scale[:, None] + grid.log_tilt).reshape(-1))[:, None]
    both = row * weights[0] * (weights[1] @ grid.link.T)
    cross = row * weights[0] * (grid.lattices[1] - first) * ((weights[1] * (grid.lattices[-1] - second)) @ grid.link.T)
    return float(cross.sum() / both.sum())
