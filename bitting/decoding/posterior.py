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
from attrs import evolve, field, frozen

from bitting.decoding.compiled import Chain
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.levels import Level
from bitting.decoding.moments import Section, Shared, moments
from bitting.decoding.narrow import FAINT, LOST, ROUNDS, lost_share, narrowed, worth_narrowing
from bitting.decoding.points import Points, bounds_of, enough, first_look, linked, pair_limit, pair_points, thin
from bitting.decoding.reach import Reach
from bitting.decoding.sums import Columns, Index, Sums, shares
from bitting.decoding.tables import Tables, log_sum
from bitting.model import Place


@frozen(eq=False)
class Posterior:
    """`log_evidence`: log density of the readings under uniformly drawn legal codes. `shares` per place: (depths,).

    `levels` keeps what a search for the best codes was made ready with, for the next one (`kbest.py`).
    """

    grid: Grid
    sections: tuple[Section, ...]
    log_evidence: float
    log_count: float
    shares: Mapping[Place, Array]
    shared: Shared
    reach: Reach
    levels: dict[float, list[Level] | None] = field(factory=dict, repr=False)


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
                    size = tables.reach.starts[place].size
                    found[place] = np.bincount(step.symbols[:, column], row, minlength=size)
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
    if grid.link is None:
        prior = grid.log_prior()
        points = Points(grid, prior + bounds[0].reshape(-1), prior, sign=0)
    else:
        points = pair_points(grid, bounds, grid.log_scale[:, None] + grid.log_tilt)
    if tables.pair_bounds:
        points = evolve(points, limit=points.limit + pair_limit(tables, grid))
    whole = Sums(tuple(chains), tables, grid)
    if not worth_narrowing(points, whole):
        return _kept(points, whole, whole, *enough(points, whole))
    look = first_look(points, whole)
    pilots, totals = look.pilots, look.totals
    for number in range(ROUNDS):
        sums = narrowed(whole, points, pilots, totals, FAINT / 10**number)
        where, total = enough(points, sums, look)
        checked, found, lost = lost_share(whole, points, where, total)
        if lost <= LOST:
            break
        pilots, totals = np.concatenate([pilots, checked]), np.concatenate([totals, found])
    else:
        sums = whole
        where, total = enough(points, whole, look)
    return _kept(points, whole, sums, where, total)


def _kept(points: Points, whole: Sums, sums: Sums, where: Index, total: Array) -> tuple[Section, float]:
    """The section of the points that hold nearly all of the probability, and the log evidence."""
    log_evidence = log_sum(total)
    keep = thin(np.exp(total - log_evidence), points.grid)
    where, total = where[keep], total[keep]
    prior = points.prior(where)
    return _section(sums, points.columns(where), prior, total - prior, log_evidence, whole), log_evidence


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
        points = Points(grid, bounds[side].reshape(-1) + towards, towards, sign)
        sums.append(Sums(tuple(chains), tables, grid))
        where, total = enough(points, sums[-1])
        table = np.full(towards.size, -np.inf)
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


def _section(
    sums: Sums, columns: Columns, log_prior: Array, log_sums: Array, log_evidence: float, whole: Sums | None = None
) -> Section:
    """The section at its kept points, with the posterior share of every symbol."""
    posterior = np.exp(log_prior + log_sums - log_evidence)
    weight = posterior / posterior.sum()
    logs = tuple(tuple(sums.logs(chain, columns)) for chain in sums.chains)
    entries = tuple(shares(chain, rows, weight) for chain, rows in zip(sums.chains, logs, strict=True))
    return Section(
        chains=sums.chains, columns=columns, log_prior=log_prior, logs=logs, log_sums=log_sums, posterior=posterior,
        entries=entries, whole=None if whole is sums else whole,
    )  # fmt: skip
