"""Likelihood tables: for every cut that was read, every depth (or dimension that the jaw reaches) and every point of the grid.

Likelihoods of one lane are worked out together: those components whose noise is the same are read off one table of densities.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
from attrs import evolve

from bitting.arrays import Array, Indices
from bitting.decoding.across import PairLikelihood, PairTable
from bitting.decoding.grid import Grid
from bitting.decoding.jaw import Reach
from bitting.decoding.likelihood import COARSE, FINE, CutLikelihood, density_table
from bitting.decoding.model import MeasurementModel
from bitting.model import Place, System

AT_ONCE = 2_000_000
"""Places at which densities are read off at a time."""
HOPELESS_LOG = -1e3
"""Stands for the likelihood where none is worked out."""


class Tables(dict[Place, Array]):
    """log likelihood of each place read: (reached dimensions, wear scales, tilts, lattice points of the lane's sign).

    `pairs` are the readings of two cuts at once, which no table of one place holds, and `pair_at` works out what one of
    them says at some points; `pair_bounds` is what they can say at most, of all depths together at every point.
    """

    def __init__(self, reach: Reach) -> None:
        super().__init__()
        self.reach = reach
        self.pairs: dict[tuple[Place, ...], list[PairLikelihood]] = {}
        self.pair_bounds: dict[tuple[Place, ...], Array] = {}
        self.pair_at: Callable[[PairLikelihood, Mapping[int, Indices], Indices], Array] = _no_pairs

    def pair_logs(self, places: tuple[Place, ...], columns: Mapping[int, Indices], rows: Indices) -> Iterator[Array]:
        """log likelihood of each pair of readings of two cuts at some pairs of `rows` (pairs, 2): (pairs, points)."""
        yield from (self.pair_at(pair, columns, rows) for pair in self.pairs.get(places, ()))


def _no_pairs(pair: PairLikelihood, columns: Mapping[int, Indices], rows: Indices) -> Array:
    raise RuntimeError(f"{rows.shape[0]} of a pair at {pair.places}, {len(columns)} columns, in tables without pairs")


def cut_tables(
    cuts: Sequence[CutLikelihood],
    system: System,
    model: MeasurementModel,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
    pairs: Sequence[PairLikelihood] = (),
) -> Tables:
    """The tables of one key; sides of a convenience key multiply."""
    tables = Tables(reach)
    for pair in pairs:
        tables.pairs.setdefault(pair.places, []).append(pair)
    if pairs:
        ready = {id(pair): PairTable(pair, system, model, grid, along, reach) for pair in pairs}
        tables.pair_at = lambda pair, columns, rows: ready[id(pair)].at(columns, rows)
        for places, several in tables.pairs.items():
            tables.pair_bounds[places] = np.add.reduce([ready[id(pair)].log_bound() for pair in several])
    for lane in sorted({cut.place.lane for cut in cuts}):
        group = [cut for cut in cuts if cut.place.lane == lane]
        for cut, logs in zip(group, _lane_logs(group, system, model, grid, along, reach), strict=True):
            seen = tables.get(cut.place)
            tables[cut.place] = logs if seen is None else seen + logs
    return tables


def _lane_logs(
    cuts: Sequence[CutLikelihood],
    system: System,
    model: MeasurementModel,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
) -> Iterator[Array]:
    """log likelihoods (reached dimensions, scales, tilts, points) of each of some cuts that are all of one lane."""
    lane = cuts[0].place.lane
    lattice = grid.lattices[grid.signs[lane]]
    places = np.array([along[cut.place] for cut in cuts])
    shift = places[:, None, None] * grid.tilts[:, None] + lattice  # (cuts, tilts, points)
    dims = [reach.dims[cut.place] for cut in cuts]
    most = max(map(len, dims))
    rows = np.array([np.append(d, np.full(most - d.size, d[-1])) for d in dims])
    turn, fine = system.lanes[lane].track.deeper, COARSE if grid.spread else FINE
    where = grid.worked.get(grid.signs[lane])
    if where is None:
        where = np.arange(grid.tilts.size * lattice.size)
    flat = shift.reshape(len(cuts), -1)[:, where]
    logs = log_likelihoods(cuts, turn * (rows[:, :, None] + flat[:, None]), turn, model, fine=fine)
    for row, d in zip(logs, dims, strict=True):
        out = np.full((d.size, len(grid.scales), shift[0].size), HOPELESS_LOG)
        out[:, :, where] = row[: d.size]
        yield out.reshape(d.size, len(grid.scales), grid.tilts.size, lattice.size)


def log_likelihoods(
    cuts: Sequence[CutLikelihood],
    x: Array,
    turn: int,
    model: MeasurementModel,
    *,
    fine: int,
    most: bool = False,
    mean: Array | None = None,
) -> Array:
    """log likelihood of each cut at `depth + shared error`, turned so that wear adds: x (cuts, rows, …) -> (cuts, rows, K, …).

    `most`: the greatest of all wear scales instead, (cuts, rows, 1, …); `mean`: their mean with these weights.
    """
    owner = np.repeat(np.arange(len(cuts)), [len(cut.components) for cut in cuts])
    weights, centres, sds = (np.array([part[i] for cut in cuts for part in cut.components]) for i in range(3))
    floors = np.array([cut.log_floor for cut in cuts])
    top = np.maximum(np.maximum.reduceat(weights, np.searchsorted(owner, np.arange(len(cuts)))), floors)
    relative = np.exp(weights - top[owner])
    total: Array | None = None
    alike = sds.round(9)
    for sd in np.unique(alike):
        at = np.flatnonzero(alike == sd)
        table = density_table(float(sd), model, fine=fine)
        table = table.most if most else table if mean is None else table.mean(mean)
        for some in np.array_split(at, 1 + at.size * x[0].size // AT_ONCE):
            centre = centres[some].reshape(-1, *(1,) * (x.ndim - 1))
            found = table(turn * centre - x[owner[some]])  # (K, components, rows, …)
            if total is None:
                total = np.zeros((found.shape[0], *x.shape))
            for row, own, weight in zip(range(some.size), owner[some].tolist(), relative[some].tolist(), strict=True):
                part = found[:, row]
                part *= weight
                total[:, own] += part
    assert total is not None  # every cut has readings
    total += np.exp(floors - top).reshape(-1, *(1,) * (x.ndim - 1))
    np.log(total, out=total)
    total += top.reshape(-1, *(1,) * (x.ndim - 1))
    return np.moveaxis(total, 0, 2)


def log_sum(logs: Array) -> float:
    """log Σ exp, of everything in the array; -inf where there is nothing."""
    top = logs.max(initial=-math.inf)
    if not np.isfinite(top):
        return float(top)
    return float(top + math.log(np.exp(logs - top).sum()))


FEW_POINTS = 1500
"""Points that are all worked out and weighed: finding those that can be left out would take as long."""
HOPELESS, SPREAD_HOPELESS = 60.0, 40.0
"""Points whose bound is e^-60 of the greatest are left out; the second where several errors are shared."""


def crop(
    grid: Grid,
    cuts: Sequence[CutLikelihood],
    system: System,
    model: MeasurementModel,
    along: Mapping[Place, float],
    reach: Reach,
    *,
    whole: bool,
) -> Grid:
    """The grid without lattice points at which no code is likely; what is left says which (tilt, point) are to be worked out.

    `cuts` are all single readings; each cut is taken as if no rule bound it, and with the wear that suits it best. `whole`:
    lattices without gaps.
    """
    if grid.points <= FEW_POINTS or (grid.link is not None and 0 in grid.lattices):
        return grid
    bounds = {sign: np.zeros((grid.tilts.size, lattice.size)) for sign, lattice in grid.lattices.items()}
    for lane in sorted({cut.place.lane for cut in cuts}):
        group = [cut for cut in cuts if cut.place.lane == lane]
        bounds[grid.signs[lane]] += _lattice_bound(group, system, model, grid, along, reach)
    if grid.link is None:
        assert grid.log_offset is not None  # grids of two lattices have `link` instead
        limits = {0: grid.log_offset + bounds[0]}
    else:
        with np.errstate(divide="ignore"):
            link = np.log(grid.link)
        first = [(link + row).max(axis=1) for row in bounds[-1]]
        second = [(link.T + row).max(axis=1) for row in bounds[1]]
        limits = {1: bounds[1] + np.array(first), -1: bounds[-1] + np.array(second)}
    least = SPREAD_HOPELESS if grid.spread else HOPELESS
    likely = {sign: limit + grid.log_tilt[:, None] for sign, limit in limits.items()}
    kept = {sign: limit > limit.max() - least for sign, limit in likely.items()}
    columns = {sign: np.flatnonzero(flags.any(axis=0)) for sign, flags in kept.items()}
    if whole:
        columns = {sign: np.arange(at[0], at[-1] + 1) for sign, at in columns.items()}
    flags = {sign: np.flatnonzero(kept[sign][:, at]) for sign, at in columns.items()}
    return evolve(grid.cropped(columns), worked=flags)


def _lattice_bound(
    cuts: Sequence[CutLikelihood],
    system: System,
    model: MeasurementModel,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
) -> Array:
    """A bound of what the cuts of one lane say at each tilt and point of its lattice, whatever the wear: (tilts, points)."""
    lane = cuts[0].place.lane
    lattice, turn = grid.lattices[grid.signs[lane]], system.lanes[lane].track.deeper
    if lattice.size < 2:
        return np.zeros((grid.tilts.size, lattice.size))
    step = float(lattice[1] - lattice[0])
    more = math.ceil(0.5 * float(grid.tilts.max()) / step) + 2
    longer = lattice[0] + step * np.arange(-more, lattice.size + more)
    dims = [reach.dims[cut.place] for cut in cuts]
    most = max(map(len, dims))
    rows = np.array([np.append(d, np.full(most - d.size, d[-1])) for d in dims])
    logs = log_likelihoods(cuts, turn * (rows[:, :, None] + longer), turn, model, fine=COARSE, most=True)[:, :, 0]
    sums = np.logaddexp.reduce(logs, axis=1)
    sums[:, 1:-1] = np.maximum(np.maximum(sums[:, :-2], sums[:, 2:]), sums[:, 1:-1])  # for what lies between the points
    total = np.zeros((grid.tilts.size, lattice.size))
    for cut, row in zip(cuts, sums, strict=True):
        shifts = np.rint(along[cut.place] * grid.tilts / step).astype(np.intp) + more
        total += row[shifts[:, None] + np.arange(lattice.size)]
    return total
