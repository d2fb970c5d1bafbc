"""Everything the readings say of one key: evidence, the share of each depth at each cut, offset and wear.

The legal codes come as chains (compiled diagrams). Chains that see the same shared error form a *section* and are
weighed point by point of the grid; with a left-right difference and tracks that no rule couples there are two sections,
one per sign, joined by the grid's `link`. A section keeps only points that can matter: a point is left out when the
product of each cut's best likelihood there, times its prior and the number of codes, is so small that all points left
out together are less than `NEGLIGIBLE` of the evidence. That is a bound, not a guess, and it is checked afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from attrs import frozen

from bitting.decode.compiled import Chain, Step
from bitting.decode.density import Array
from bitting.decode.grid import Grid
from bitting.decode.passes import backward, forward, passes_in_logs
from bitting.decode.tables import Tables, log_sum
from bitting.model import Place

NEGLIGIBLE = 1e-13
"""Share of the evidence that points left out of the grid may hold together."""

Index = npt.NDArray[np.intp]


@frozen(eq=False)
class Section:
    """Chains that share one set of points.

    `columns[sign]` gives, for lanes of that sign, the flat place of every kept point in a table's (scale, tilt, lattice)
    axes. `logs[c][i]` (symbols, points) are the log likelihoods of step i of chain c, `log_sums` (points,) that of all
    codes together; `posterior` (points,) is the share of the key's evidence at each point; `shares[c][i]` (symbols,) are
    the posterior probabilities of the symbols.
    """

    chains: tuple[Chain, ...]
    columns: Mapping[int, Index]
    log_prior: Array
    logs: tuple[tuple[Array, ...], ...]
    log_sums: Array
    posterior: Array
    shares: tuple[tuple[Array, ...], ...]


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


def solve(sections: Sequence[Sequence[Chain]], tables: Tables, grid: Grid) -> Posterior:
    """The posterior of one key. `sections` from `sections_of`; raises nothing: every finite table has an answer."""
    log_count = sum(math.log(chain.count) for chains in sections for chain in chains)
    if len(sections) == 1:
        solved, log_evidence = _solve_one(sections[0], tables, grid, log_count)
        parts: tuple[Section, ...] = (solved,)
    else:
        parts, log_evidence = _solve_two(sections, tables, grid)
    shares: dict[Place, Array] = {}
    for part in parts:
        for chain, rows in zip(part.chains, part.shares, strict=True):
            for step, row in zip(chain.steps, rows, strict=True):
                for column, place in enumerate(step.places):
                    shares[place] = np.bincount(step.symbols[:, column], row)
    return Posterior(
        grid=grid,
        sections=parts,
        log_evidence=log_evidence - log_count,
        log_count=log_count,
        shares=shares,
        shared=_moments(parts, grid),
    )


def sections_of(chains: Sequence[Chain], grid: Grid) -> list[list[Chain]]:
    """Two sections where every chain sees one sign of a left-right difference, otherwise one."""
    if grid.link is None:
        return [list(chains)]
    signs = [{grid.signs[lane] for lane in chain.lanes} for chain in chains]
    if all(len(sign) == 1 for sign in signs) and {s for sign in signs for s in sign} == {1, -1}:
        return [[c for c, sign in zip(chains, signs, strict=True) if sign == {want}] for want in (1, -1)]
    return [list(chains)]


def _solve_one(chains: Sequence[Chain], tables: Tables, grid: Grid, log_count: float) -> tuple[Section, float]:
    bounds = _bounds(tables, grid)
    shape = (*grid.shape, 1)
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    if grid.link is None:
        assert grid.log_offset is not None  # a grid has either
        prior = np.broadcast_to(base + grid.log_offset, (*grid.shape, grid.log_offset.size))
        limit = prior + bounds.get(0, np.zeros(shape))
        points = {0: np.arange(limit.size).reshape(limit.shape)}
    else:
        prior, limit, points = _pair_columns(grid, bounds, base)
    slack = 30.0 - math.log(NEGLIGIBLE)
    while True:
        keep = limit > limit.max() - slack
        part = _weigh(chains, tables, {s: p[keep] for s, p in points.items()}, prior[keep], grid)
        log_evidence = log_sum(part[0])
        rest = log_sum(limit[~keep])
        if rest + log_count <= log_evidence + math.log(NEGLIGIBLE) or keep.all():
            break
        slack += 40.0
    total, logs, entries = part
    posterior = np.exp(total - log_evidence)
    return (
        Section(
            chains=tuple(chains),
            columns={s: p[keep] for s, p in points.items()},
            log_prior=prior[keep],
            logs=logs,
            log_sums=total - prior[keep],
            posterior=posterior,
            shares=_symbol_shares(chains, entries, posterior),
        ),
        log_evidence,
    )


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


def _solve_two(sections: Sequence[Sequence[Chain]], tables: Tables, grid: Grid) -> tuple[tuple[Section, ...], float]:
    """Both signs of a left-right difference, joined by the link matrix: exact over every pair of lattice points."""
    assert grid.link is not None  # called for paired grids only
    shape = (*grid.shape, grid.lattices[1].size)
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    bounds = _bounds(tables, grid)
    limits = [
        bounds.get(sign, np.zeros(shape)) + sum(math.log(chain.count) for chain in chains)
        for sign, chains in zip((1, -1), sections, strict=True)
    ]
    links = (grid.link, grid.link.T)
    slack = 30.0 - math.log(NEGLIGIBLE)
    while True:
        full, keeps, parts = [], [], []
        for side, (sign, chains) in enumerate(zip((1, -1), sections, strict=True)):
            limit = limits[side] + linked(limits[1 - side], links[side]) + base
            keep = limit > limit.max() - slack
            where = np.flatnonzero(keep)
            part = _weigh(chains, tables, {sign: where}, np.zeros(where.size), grid)
            table = np.full(limit.size, -np.inf)
            table[where] = part[0]
            full.append(table.reshape(limit.shape))
            keeps.append(where)
            parts.append((part, limit, keep))
        towards = [linked(full[1 - side], links[side]) + base for side in (0, 1)]
        log_evidence = log_sum(full[0] + towards[0])
        rest = max(log_sum(limit[~keep]) for _, limit, keep in parts)
        if rest <= log_evidence + math.log(NEGLIGIBLE) or all(keep.all() for _, _, keep in parts):
            break
        slack += 40.0
    out = []
    for side, (sign, chains) in enumerate(zip((1, -1), sections, strict=True)):
        (total, logs, entries), _, _ = parts[side]
        prior = towards[side].reshape(-1)[keeps[side]]
        posterior = np.exp(total + prior - log_evidence)
        out.append(
            Section(
                chains=tuple(chains),
                columns={sign: keeps[side]},
                log_prior=prior,
                logs=logs,
                log_sums=total,
                posterior=posterior,
                shares=_symbol_shares(chains, entries, posterior),
            )
        )
    return tuple(out), log_evidence


def linked(logs: Array, link: Array) -> Array:
    """log Σ_b link[a, b] exp(logs[…, b]) along the last axis, scaled per row."""
    top = logs.max(axis=-1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(logs - top) @ link.T) + top)


def _bounds(tables: Tables, grid: Grid) -> dict[int, Array]:
    """Per sign, the sum over its places of each one's best log likelihood: (scales, tilts, lattice points)."""
    bounds: dict[int, Array] = {}
    for place, table in tables.items():
        sign = grid.signs[place.lane]
        best = table.max(axis=0)
        bounds[sign] = bounds[sign] + best if sign in bounds else best
    return bounds


def _weigh(
    chains: Sequence[Chain], tables: Tables, columns: Mapping[int, Index], log_prior: Array, grid: Grid
) -> tuple[Array, tuple[tuple[Array, ...], ...], list[list[tuple[Step, Array]]]]:
    """log of prior times the sum over codes at every point; the step tables; per entry its share of each point's sum."""
    total = log_prior.copy()
    logs, entries = [], []
    for chain in chains:
        rows = tuple(step_logs(step, tables, columns, grid, log_prior.size) for step in chain.steps)
        sums, shares = _chain_sums(chain, rows)
        total += sums
        logs.append(rows)
        entries.append(list(zip(chain.steps, shares, strict=True)))
    return total, tuple(logs), entries


def step_logs(step: Step, tables: Tables, columns: Mapping[int, Index], grid: Grid, points: int) -> Array:
    """The log likelihood of each symbol of a step at the given points: (symbols, points); 0 where nothing was read."""
    out = np.zeros((step.symbols.shape[0], points))
    for column, place in enumerate(step.places):
        table = tables.get(place)
        if table is not None:
            rows = table.reshape(table.shape[0], -1)[:, columns[grid.signs[place.lane]]]
            out += rows[step.symbols[:, column]]
    return out


def _chain_sums(chain: Chain, logs: Sequence[Array]) -> tuple[Array, list[Array]]:
    """log of the sum over the chain's codes at every point, and each entry's share of it (entries, points) per step."""
    tops = [table.max(axis=0) for table in logs]
    scaled = [np.exp(table - top) for table, top in zip(logs, tops, strict=True)]
    follows, total = backward(chain, scaled)
    top = np.add.reduce(tops)
    if total.min() < 1e-250:  # a sum that underflowed can hide the answer: take the slow way, which can't
        joint, log_total = passes_in_logs(chain, logs)
        return log_total, [np.exp(entry - log_total) for entry in joint]
    reached = forward(chain, scaled)
    inverse = 1.0 / total
    shares = []
    for entering, after in zip(reached, follows, strict=True):
        entering *= after
        entering *= inverse
        shares.append(entering)
    return np.log(total) + top, shares


def _symbol_shares(
    chains: Sequence[Chain], entries: list[list[tuple[Step, Array]]], posterior: Array
) -> tuple[tuple[Array, ...], ...]:
    out = []
    weight = posterior / posterior.sum()
    for _, steps in zip(chains, entries, strict=True):
        rows = []
        for step, share in steps:
            rows.append(np.bincount(step.entry_symbol, share @ weight, minlength=step.symbols.shape[0]))
        out.append(tuple(rows))
    return tuple(out)


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
