"""What is known of a key's shared unknowns once its points are weighed: offset, left-right difference, tilt, wear."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from bitting.decoding.compiled import Chain
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.sums import Index, Sums


@frozen(eq=False)
class Section:
    """Chains that share one set of points.

    `columns[sign]` gives, for lanes of that sign, the flat place of every kept point in a table's (scale, tilt, lattice)
    axes. `logs[c][i]` (symbols, points) are the log likelihoods of step i of chain c, `log_sums` (points,) that of all
    codes together; `posterior` (points,) is the share of the key's evidence at each point; `entries[c][i]` (entries,) are
    the posterior probabilities of the step's entries. Where the chains were narrowed, `whole` has them as they were.
    """

    chains: tuple[Chain, ...]
    columns: Mapping[int, Index]
    log_prior: Array
    logs: tuple[tuple[Array, ...], ...]
    log_sums: Array
    posterior: Array
    entries: tuple[tuple[Array, ...], ...]
    whole: Sums | None = None


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


def moments(parts: Sequence[Section], grid: Grid) -> Shared:
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
