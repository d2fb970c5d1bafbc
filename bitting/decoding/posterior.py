"""Everything the readings say of one key: evidence, the share of each depth at each cut, offset and wear.

The legal codes come as chains (compiled diagrams). Chains that see the same shared error form a *section* and are
weighed point by point of the grid; with a left-right difference and tracks that no rule couples there are two sections,
one per sign, joined by the grid's `link`. Which points are weighed is decided in `points.py`, their sums are taken in
`sums.py`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from bitting.decoding.compiled import Chain
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.moments import Section, Shared, moments
from bitting.decoding.points import bounds_of, enough, linked, pair_columns, pair_limit, thin
from bitting.decoding.reach import Reach
from bitting.decoding.sums import Columns, Sums, shares
from bitting.decoding.tables import Tables, log_sum
from bitting.model import Place


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
    found: dict[Place, Array] = {}
    for part in parts:
        for chain, rows in zip(part.chains, part.entries, strict=True):
            for step, entry in zip(chain.steps, rows, strict=True):
                row = np.bincount(step.entry_symbol, entry, minlength=step.symbols.shape[0])
                for column, place in enumerate(step.places):
                    found[place] = np.bincount(step.symbols[:, column], row)
    return Posterior(
        grid=grid,
        sections=parts,
        log_evidence=log_evidence - log_count,
        log_count=log_count,
        shares=found,
        shared=moments(parts, grid),
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
    bounds = bounds_of(tables, grid, chains)
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    if grid.link is None:
        assert grid.log_offset is not None  # a grid has either
        prior = base + grid.log_offset
        limit = np.asarray(prior + bounds[0])
        points = {0: np.arange(limit.size).reshape(limit.shape)}
    else:
        prior, limit, points = pair_columns(grid, bounds, base)
    if tables.paired:
        limit = limit + pair_limit(tables, grid, points)
    limit, prior = np.asarray(limit).reshape(-1), np.asarray(prior).reshape(-1)
    flat = {sign: place.reshape(-1) for sign, place in points.items()}
    sums = Sums(tuple(chains), tables, grid)
    where, total = enough(limit, prior, flat, sums)
    log_evidence = log_sum(total)
    keep = thin(np.exp(total - log_evidence), grid)
    where, total = where[keep], total[keep]
    columns = {sign: place[where] for sign, place in flat.items()}
    return _section(sums, columns, prior[where], total - prior[where], log_evidence), log_evidence


def _solve_two(sections: Sequence[Sequence[Chain]], tables: Tables, grid: Grid) -> tuple[tuple[Section, ...], float]:
    """Both signs of a left-right difference, joined by the link matrix: exact over every pair of lattice points."""
    assert grid.link is not None  # called for paired grids only
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    bounds = [bounds_of(tables, grid, chains)[sign] for sign, chains in zip((1, -1), sections, strict=True)]
    links = (grid.link, grid.link.T)
    full: list[Array] = []
    sums: list[Sums] = []
    for side, (sign, chains) in enumerate(zip((1, -1), sections, strict=True)):
        towards = (linked(bounds[1 - side] if side == 0 else full[0], links[side]) + base).reshape(-1)
        limit = bounds[side].reshape(-1) + towards
        every = {sign: np.arange(limit.size)}
        sums.append(Sums(tuple(chains), tables, grid))
        where, total = enough(limit, towards, every, sums[-1])
        table = np.full(limit.size, -np.inf)
        table[where] = total - towards[where]
        full.append(table.reshape(bounds[side].shape))
    log_evidence = log_sum(full[1] + linked(full[0], links[1]) + base)
    out = []
    for side, sign in enumerate((1, -1)):
        prior = (linked(full[1 - side], links[side]) + base).reshape(-1)
        totals = full[side].reshape(-1)
        where = thin(np.exp(totals + prior - log_evidence), grid)
        out.append(_section(sums[side], {sign: where}, prior[where], totals[where], log_evidence))
    return tuple(out), log_evidence


def _section(sums: Sums, columns: Columns, log_prior: Array, log_sums: Array, log_evidence: float) -> Section:
    """The section at its kept points, with the posterior share of every symbol."""
    posterior = np.exp(log_prior + log_sums - log_evidence)
    weight = posterior / posterior.sum()
    logs = tuple(tuple(sums.logs(chain, columns)) for chain in sums.chains)
    entries = tuple(shares(chain, rows, weight) for chain, rows in zip(sums.chains, logs, strict=True))
    return Section(
        chains=sums.chains, columns=columns, log_prior=log_prior, logs=logs, log_sums=log_sums, posterior=posterior,
        entries=entries,
    )  # fmt: skip
