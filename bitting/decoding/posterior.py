"""Everything the readings say of one key: evidence, the share of each depth at each cut, offset and wear.

The legal codes come as trellises (compiled diagrams). Trellises that see the same shared error form a *section* and are
weighed point by point of the grid; with a left-right difference and tracks that no rule couples there are two sections,
one per sign, joined by the grid's `link`. Which points are weighed is decided in `points.py`, their sums are taken in
`sums.py`.

What is known of a key's shared unknowns once its points are weighed: offset, left-right difference, tilt, wear.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, field, frozen

from bitting.arrays import Array, Indices
from bitting.decoding.grid import Grid
from bitting.decoding.jaw import Reach
from bitting.decoding.tables import Tables, log_sum
from bitting.decoding.weigh import (
    FAINT,
    LOST,
    ROUNDS,
    Columns,
    Points,
    Sums,
    bounds_of,
    enough,
    first_look,
    linked,
    lost_share,
    narrowed,
    pair_limit,
    pair_points,
    shares,
    thin,
)
from bitting.diagram.trellis import Trellis
from bitting.model import Place


@frozen(eq=False)
class Section:
    """Trellises that share one set of points.

    `columns[sign]` gives, for lanes of that sign, the flat place of every kept point in a table's (scale, tilt, lattice)
    axes. `logs[c][i]` (labels, points) are the log likelihoods of layer i of trellis c, `log_sums` (points,) that of all
    codes together; `posterior` (points,) is the share of the key's evidence at each point; `arcs[c][i]` (arcs,) are
    the posterior probabilities of the layer's arcs. Where the trellises were narrowed, `whole` has them as they were.
    """

    trellises: tuple[Trellis, ...]
    columns: Mapping[int, Indices]
    log_prior: Array
    logs: tuple[tuple[Array, ...], ...]
    log_sums: Array
    posterior: Array
    arcs: tuple[tuple[Array, ...], ...]
    whole: Sums | None = None


@frozen(eq=False)
class Shared:
    """What is known of a key's shared unknowns afterwards."""

    offset_mean: float
    offset_sd: float
    pair_mean: float
    tilt_mean: float
    tilt_sd: float
    scale_shares: Array


def moments(parts: Sequence[Section], grid: Grid) -> Shared:
    """Means and standard deviations of the shared unknowns."""
    size = {sign: lattice.size for sign, lattice in grid.lattices.items()}
    values: dict[int, tuple[Array, Array]] = {}
    for part in parts:
        for sign, columns in part.columns.items():
            where = columns % size[sign]
            values[sign] = (grid.lattices[sign][where], part.posterior)
    part = parts[0]
    sign = next(iter(part.columns))
    row = part.columns[sign] // size[sign]
    scale_shares = np.bincount(row // grid.tilts.size, part.posterior, minlength=len(grid.scales))
    tilt = grid.tilts[row % grid.tilts.size]
    tilt_mean = float(tilt @ part.posterior)
    tilt_sd = math.sqrt(max(float((tilt - tilt_mean) ** 2 @ part.posterior), 0.0))
    if grid.link is None:
        points, weight = values[0]
        rest = 0.0
        if grid.offset_mean is not None and grid.offset_variance is not None:
            where = part.columns[0] % size[0]
            points, rest = grid.offset_mean[where], float(grid.offset_variance[where] @ weight / weight.sum())
        offset, offset_sd = _mean_sd(points, weight)
        return Shared(offset, math.hypot(offset_sd, math.sqrt(rest)), 0.0, tilt_mean, tilt_sd, scale_shares)
    if len(parts) == 1:
        (first, weight), (second, _) = values[1], values[-1]
        offset, offset_sd = _mean_sd((first + second) / 2, weight)
        return Shared(offset, offset_sd, float((first - second) @ weight) / 2, tilt_mean, tilt_sd, scale_shares)
    (plus, plus_sd), (minus, minus_sd) = _mean_sd(*values[1]), _mean_sd(*values[-1])
    offset_sd = math.sqrt(max(plus_sd**2 + minus_sd**2 + 2 * _covariance(parts, grid, plus, minus), 0.0)) / 2
    return Shared((plus + minus) / 2, offset_sd, (plus - minus) / 2, tilt_mean, tilt_sd, scale_shares)


def _mean_sd(points: Array, weight: Array) -> tuple[float, float]:
    total = weight.sum()
    mean = float(points @ weight / total)
    return mean, math.sqrt(max(float((points - mean) ** 2 @ weight / total), 0.0))


def _covariance(parts: Sequence[Section], grid: Grid, first: float, second: float) -> float:
    """Posterior covariance of the two signs' shared errors."""
    assert grid.link is not None  # called for paired grids only
    weights = []
    for part, sign in zip(parts, (1, -1), strict=True):
        logs = np.full((math.prod(grid.shape), grid.lattices[sign].size), -np.inf)
        logs.reshape(-1)[part.columns[sign]] = part.log_sums
        weights.append(np.exp(logs - logs.max()))
    row = np.exp((grid.log_scale[:, None] + grid.log_tilt).reshape(-1))[:, None]
    both = row * weights[0] * (weights[1] @ grid.link.T)
    cross = row * weights[0] * (grid.lattices[1] - first) * ((weights[1] * (grid.lattices[-1] - second)) @ grid.link.T)
    return float(cross.sum() / both.sum())


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
    levels: dict[bool, Any] = field(factory=dict, repr=False)

    def errors(self, along: Mapping[Place, float]) -> dict[Place, float]:
        """The mean of the shared error at each cut."""
        shared, signs = self.shared, self.grid.signs
        return {
            place: shared.offset_mean + signs[place.lane] * shared.pair_mean + shared.tilt_mean * at
            for place, at in along.items()
        }


def solve(sections: Sequence[Sequence[Trellis]], tables: Tables, grid: Grid) -> Posterior:
    """The posterior of one key. `sections` from `sections_of`; raises nothing: every finite table has an answer."""
    log_count = sum(math.log(trellis.count) for trellises in sections for trellis in trellises)
    if len(sections) == 1:
        solved, log_evidence = _solve_one(sections[0], tables, grid)
        parts: tuple[Section, ...] = (solved,)
    else:
        parts, log_evidence = _solve_two(sections, tables, grid)
    found: dict[Place, Array] = {}
    for part in parts:
        for trellis, rows in zip(part.trellises, part.arcs, strict=True):
            for layer, arc in zip(trellis.layers, rows, strict=True):
                row = np.bincount(layer.arc_label, arc, minlength=layer.labels.shape[0])
                for column, place in enumerate(layer.places):
                    size = tables.reach.starts[place].size
                    found[place] = np.bincount(layer.labels[:, column], row, minlength=size)
    return Posterior(
        grid=grid,
        sections=parts,
        log_evidence=log_evidence - log_count,
        log_count=log_count,
        shares=found,
        shared=moments(parts, grid),
        reach=tables.reach,
    )


def sections_of(trellises: Sequence[Trellis], grid: Grid) -> list[list[Trellis]]:
    """Two sections where every trellis sees one sign of a left-right difference, otherwise one."""
    if grid.link is None:
        return [list(trellises)]
    signs = [{grid.signs[lane] for lane in trellis.lanes} for trellis in trellises]
    if all(len(sign) == 1 for sign in signs) and {s for sign in signs for s in sign} == {1, -1}:
        return [[c for c, sign in zip(trellises, signs, strict=True) if sign == {want}] for want in (1, -1)]
    return [list(trellises)]


def _solve_one(trellises: Sequence[Trellis], tables: Tables, grid: Grid) -> tuple[Section, float]:
    bounds = bounds_of(tables, grid, trellises)
    if grid.link is None:
        prior = grid.log_prior()
        points = Points(grid, prior + bounds[0].reshape(-1), prior, sign=0)
    else:
        points = pair_points(grid, bounds, grid.log_scale[:, None] + grid.log_tilt)
    if tables.pair_bounds:
        points = evolve(points, limit=points.limit + pair_limit(tables, grid))
    whole = Sums(tuple(trellises), tables, grid)
    if not grid.spread:
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


def _kept(points: Points, whole: Sums, sums: Sums, where: Indices, total: Array) -> tuple[Section, float]:
    """The section of the points that hold nearly all of the probability, and the log evidence."""
    log_evidence = log_sum(total)
    keep = thin(np.exp(total - log_evidence), points.grid)
    where, total = where[keep], total[keep]
    prior = points.prior(where)
    return _section(sums, points.columns(where), prior, total - prior, log_evidence, whole), log_evidence


def _solve_two(sections: Sequence[Sequence[Trellis]], tables: Tables, grid: Grid) -> tuple[tuple[Section, ...], float]:
    """Both signs of a left-right difference, joined by the link matrix: exact over every pair of lattice points."""
    assert grid.link is not None  # called for paired grids only
    base = (grid.log_scale[:, None] + grid.log_tilt[None, :])[:, :, None]
    bounds = [bounds_of(tables, grid, trellises)[sign] for sign, trellises in zip((1, -1), sections, strict=True)]
    links = (grid.link, grid.link.T)
    full: list[Array] = []
    sums: list[Sums] = []
    for side, (sign, trellises) in enumerate(zip((1, -1), sections, strict=True)):
        towards = (linked(bounds[1 - side] if side == 0 else full[0], links[side]) + base).reshape(-1)
        points = Points(grid, bounds[side].reshape(-1) + towards, towards, sign)
        sums.append(Sums(tuple(trellises), tables, grid))
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
    """The section at its kept points, with the posterior share of every label."""
    posterior = np.exp(log_prior + log_sums - log_evidence)
    weight = posterior / posterior.sum()
    logs = tuple(tuple(sums.logs(trellis, columns)) for trellis in sums.trellises)
    arcs = tuple(shares(trellis, rows, weight) for trellis, rows in zip(sums.trellises, logs, strict=True))
    return Section(
        trellises=sums.trellises, columns=columns, log_prior=log_prior, logs=logs, log_sums=log_sums, posterior=posterior,
        arcs=arcs, whole=None if whole is sums else whole,
    )  # fmt: skip
