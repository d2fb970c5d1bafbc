"""Likelihood tables: for every cut that was read, every depth and every point of the grid.

Witnesses of one lane are worked out together, for one key or for many keys that were read alike. A term's density is
needed at `centre - depth - shared error`; the wear scales share everything of it that doesn't depend on them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt
from attrs import evolve

from bitting.decoding.across import PairWitness, pair_logs
from bitting.decoding.density import Array, densities, log_density
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.grid import Grid
from bitting.decoding.many import many_readings
from bitting.decoding.paired import PairTable
from bitting.decoding.reach import Reach
from bitting.decoding.witness import Witness
from bitting.model import Place, System

Index = npt.NDArray[np.intp]


class Tables(dict[Place, Array]):
    """log likelihood of each place read: (reached dimensions, wear scales, tilts, lattice points of the lane's sign).

    `pairs` are the readings of two cuts at once, which no table of one place holds, and `pair_at` works out what one of
    them says at some points. What they can say at most: `pair_bounds`, of all depths together at every point, where the grid
    has several dimensions, otherwise `bounding`, the tables of the single readings among them.
    """

    def __init__(self, reach: Reach) -> None:
        super().__init__()
        self.reach = reach
        self.pairs: dict[tuple[Place, ...], list[PairWitness]] = {}
        self.bounding: dict[Place, Array] = {}
        self.pair_bounds: dict[tuple[Place, ...], Array] = {}
        self.pair_at: Callable[[PairWitness, Mapping[int, Index], Index], Array] = _no_pairs

    def pair_logs(self, places: tuple[Place, ...], columns: Mapping[int, Index], rows: Index) -> Iterator[Array]:
        """log likelihood of each pair of readings of two cuts at some pairs of `rows` (pairs, 2): (pairs, points)."""
        yield from (self.pair_at(pair, columns, rows) for pair in self.pairs.get(places, ()))


def _no_pairs(pair: PairWitness, columns: Mapping[int, Index], rows: Index) -> Array:
    raise RuntimeError(f"{rows.shape[0]} of a pair at {pair.places}, {len(columns)} columns, in tables without pairs")


def cut_tables(
    witnesses: Sequence[Witness],
    system: System,
    model: MeasurementModel,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
    pairs: Sequence[PairWitness] = (),
) -> Tables:
    """The tables of one key; sides of a convenience key multiply."""
    tables = Tables(reach)
    for pair in pairs:
        tables.pairs.setdefault(pair.places, []).append(pair)
    if pairs:
        inside = [one for pair in pairs for one in (pair.first, pair.second) if one is not None]
        exact = not grid.spread or model.outliers == 0  # without wrong readings the least likely pairs matter too
        tables.pair_at = lambda pair, columns, rows: _pair_at(pair, columns, rows, system, model, grid, along, reach)
        if grid.spread:
            ready = {id(pair): PairTable(pair, system, model, grid, along, reach) for pair in pairs}
            for places, several in tables.pairs.items():
                tables.pair_bounds[places] = np.add.reduce([ready[id(pair)].log_bound() for pair in several])
            if not exact:
                tables.pair_at = lambda pair, columns, rows: ready[id(pair)].at(columns, rows)
        else:
            same = evolve(
                grid, cut_wear=(1.0,)
            )  # tables of pairs keep the key's own wear, and so must what bounds them
            tables.bounding = dict(cut_tables(inside, system, model, same, along, reach))
    lanes = sorted({witness.place.lane for witness in witnesses})
    for lane in lanes:
        group = [witness for witness in witnesses if witness.place.lane == lane]
        plain = [witness for witness in group if witness.summed]
        parts = list(zip(plain, lane_logs(plain, system, grid, along, reach), strict=True)) if plain else []
        parts += [
            (witness, many_readings(witness, system, model, grid, along, reach.dims[witness.place]))
            for witness in group
            if not witness.summed
        ]
        for witness, logs in parts:
            seen = tables.get(witness.place)
            tables[witness.place] = logs if seen is None else seen + logs
    return tables


def lane_logs(
    witnesses: Sequence[Witness], system: System, grid: Grid, along: Mapping[Place, float], reach: Reach
) -> list[Array]:
    """log likelihoods (reached dimensions, scales, tilts, points) of each of some witnesses that are all of one lane.

    Where every witness has a floor (its readings may all be wrong) sums are taken as they are, scaled per witness;
    otherwise terms can vanish, and logarithms are added instead.
    """
    dims = [reach.dims[w.place] for w in witnesses]
    if have_floors(witnesses):
        out, size = lane_sums(witnesses, system, grid, along, reach)
        np.log(out, out=out)
        out += size[:, None, None, None, None]
        return [one[: d.size] for one, d in zip(out, dims, strict=True)]
    y, sds, weights, starts = _terms(witnesses, system, grid, along, reach)
    floors = np.array([w.log_floor for w in witnesses])
    out = np.empty((len(witnesses), y.shape[1], len(grid.cut_scales), *y.shape[2:]))
    for k, scale in enumerate(grid.cut_scales):
        logs = weights[:, None, None, None] + log_density(y, sds, scale)
        out[:, :, k] = np.logaddexp(np.logaddexp.reduceat(logs, starts, axis=0), floors[:, None, None, None])
    out = grid.mixed_logs(out)
    return [one[: d.size] for one, d in zip(out, dims, strict=True)]


def have_floors(witnesses: Sequence[Witness]) -> bool:
    """Whether the readings of each may all be wrong."""
    return all(w.log_floor > -math.inf for w in witnesses)


def lane_sums(
    witnesses: Sequence[Witness], system: System, grid: Grid, along: Mapping[Place, float], reach: Reach
) -> tuple[Array, Array]:
    """Likelihoods (witnesses, most rows of any, scales, tilts, points) of witnesses of one lane that all have floors.

    Each witness's are divided by a number whose log is given too. Rows past a witness's own repeat its last.
    """
    y, sds, weights, starts = _terms(witnesses, system, grid, along, reach)
    floors = np.array([w.log_floor for w in witnesses])
    out = np.empty((len(witnesses), y.shape[1], len(grid.cut_scales), *y.shape[2:]))
    size = np.maximum(np.maximum.reduceat(weights, starts), floors)
    relative = np.exp(weights - np.repeat(size, np.diff(np.append(starts, weights.size))))[:, None, None, None]
    least = np.exp(floors - size)[:, None, None, None]
    for k, total in enumerate(densities(y, sds, grid.cut_scales)):
        total *= relative
        np.add(summed(total, starts) if starts.size < weights.size else total, least, out=out[:, :, k])
    return grid.mixed(out), size


def _terms(
    witnesses: Sequence[Witness], system: System, grid: Grid, along: Mapping[Place, float], reach: Reach
) -> tuple[Array, Array, Array, Index]:
    """Of every term of some witnesses of one lane: how far wear and noise must reach (terms, rows, tilts, points), its
    standard deviation and log weight; and where each witness's terms begin."""
    lane = witnesses[0].place.lane
    owner = np.repeat(np.arange(len(witnesses)), [len(w.terms) for w in witnesses])
    centres = np.array([term.centre for w in witnesses for term in w.terms])
    sds = np.array([term.sd for w in witnesses for term in w.terms])[:, None, None, None]
    weights = np.array([term.log_weight for w in witnesses for term in w.terms])
    shift = _shared_error(grid, grid.signs[lane], np.array([along[w.place] for w in witnesses]))[owner]
    dims = {w.place: reach.dims[w.place] for w in witnesses}
    most = max(map(len, dims.values()))
    padded = {place: np.append(d, np.full(most - d.size, d[-1])) for place, d in dims.items()}
    rows = np.array([padded[w.place] for w in witnesses])[owner]
    y = system.lanes[lane].track.deeper * ((centres[:, None] - rows)[:, :, None, None] - shift[:, None])
    return y, sds, weights, np.searchsorted(owner, np.arange(len(witnesses)))


def summed(terms: Array, starts: Index) -> Array:
    """Sums of runs along the first axis; runs of one length by a plain sum, which is many times quicker."""
    each, rest = divmod(terms.shape[0], starts.size)
    if rest == 0 and (np.diff(starts) == each).all():
        return np.asarray(terms.reshape(starts.size, each, *terms.shape[1:]).sum(axis=1))
    return np.asarray(np.add.reduceat(terms, starts, axis=0))


def _pair_at(
    pair: PairWitness,
    columns: Mapping[int, Index],
    rows: Index,
    system: System,
    model: MeasurementModel,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
) -> Array:
    """log likelihood of some pairs of rows at the given columns: (pairs, points)."""
    shifts = []
    row: Index = np.zeros(0, dtype=np.intp)
    for place in pair.places:
        sign = grid.signs[place.lane]
        row, at = np.divmod(columns[sign], grid.lattices[sign].size)
        shifts.append(grid.lattices[sign][at] + along[place] * grid.tilts[row % grid.tilts.size])
    scale = np.array(grid.scales)[row // grid.tilts.size]
    used = [np.unique(rows[:, one], return_inverse=True) for one in (0, 1)]
    first, second = (reach.dims[place][own] for place, (own, _) in zip(pair.places, used, strict=True))
    table = pair_logs(pair, system, model, (first, second), (shifts[0], shifts[1]), scale, spread=grid.spread)
    return np.asarray(table[used[0][1], used[1][1]])


def _shared_error(grid: Grid, sign: int, along: Array) -> Array:
    """offset ± left-right + tilt · place, (places, tilts, points)."""
    return np.asarray(along[:, None, None] * grid.tilts[None, :, None] + grid.lattices[sign][None, None, :])


def log_sum(logs: Array) -> float:
    """log Σ exp, of everything in the array; -inf where there is nothing."""
    top = logs.max(initial=-math.inf)
    if not np.isfinite(top):
        return float(top)
    return float(top + math.log(np.exp(logs - top).sum()))
