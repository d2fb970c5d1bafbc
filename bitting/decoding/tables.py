"""Likelihood tables: for every cut that was read, every depth and every point of the grid.

Witnesses of one lane are worked out together, for one key or for many keys that were read alike. A term's density is
needed at `centre - depth - shared error`; the wear scales share everything of it that doesn't depend on them.

A cut that was read more often than its subsets can be summed: the same integral, by quadrature on a fine grid.

With z = depth + shared error + the cut's own error - direction · wear, the readings of the cut give
h(z) = Π[(1 - p) N(reading - z; u) + p · wrong], and its likelihood is the mean of h over wear and own error. h less its
floor is smooth and ends within a few u of the readings; so it is smoothed with the own error on an even grid, then with
the exponential wear exactly per cell (cubic through four neighbours), and read off by a cubic spline. All of it is a
function of x = depth + shared error alone. Relative error about 1e-9 at the peak.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
from attrs import evolve

from bitting.arrays import Array, Indices
from bitting.decoding.across import PairTable, PairWitness, pair_logs
from bitting.decoding.grid import Grid
from bitting.decoding.jaw import Reach
from bitting.decoding.likelihood import Witness, densities, log_density
from bitting.decoding.model import MeasurementModel
from bitting.model import Place, System

CELLS = 24
"""Cells per standard deviation of the mean of all readings."""


def many_readings(
    witness: Witness, system: System, model: MeasurementModel, grid: Grid, along: Mapping[Place, float], dims: Array
) -> Array:
    """log likelihood (dims, scales, tilts, points) of one cut from any number of readings, at each of some dimensions."""
    track = system.lanes[witness.place.lane].track
    shift = along[witness.place] * grid.tilts[:, None] + grid.lattices[grid.signs[witness.place.lane]]
    x = track.deeper * (dims[:, None, None] + shift)
    logs = np.stack([_one_scale(witness, track.deeper, model, scale, x) for scale in grid.cut_scales], axis=1)
    return np.asarray(grid.mixed_logs(logs[None])[0])


def _one_scale(witness: Witness, turn: int, model: MeasurementModel, scale: float, x: Array) -> Array:
    from scipy.interpolate import CubicSpline

    values = turn * np.array(witness.values)
    sds = np.array(witness.sds)
    cell = 1 / math.sqrt((1 / sds**2).sum()) / CELLS
    ends = 9 * max(sds.max(), model.cut_sd) + 6 * model.cut_sd
    z = np.arange(values.min() - ends, values.max() + ends, cell)
    logs = np.zeros(z.size)
    floor = 0.0
    with np.errstate(divide="ignore"):
        for value, sd, wrong in zip(values, sds, witness.wrong, strict=True):
            normal = math.log1p(-model.outliers) - 0.5 * ((value - z) / sd) ** 2 - math.log(sd * math.sqrt(2 * math.pi))
            floor += math.log(model.outliers * wrong) if model.outliers * wrong > 0 else -math.inf
            logs += np.logaddexp(normal, np.log(model.outliers * wrong))
    top = max(logs.max(), floor)
    h = np.exp(logs - top) - math.exp(floor - top)
    h = _smooth(h, cell, model.cut_sd)
    # z = x + wear on the turned axis, so the likelihood at x is what lies above it, fading with the wear
    if scale > 0:
        h = _fade(h, cell, scale)
    inside = CubicSpline(z, h)(np.clip(x, z[0], z[-1]))
    below = inside * (np.exp(np.minimum((x - z[0]) / scale, 0.0)) if scale > 0 else (x >= z[0]))
    total = np.where(x > z[-1], 0.0, np.maximum(below, 0.0)) + math.exp(floor - top)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.maximum(total, 1e-300)) + top)


def _smooth(h: Array, cell: float, sd: float) -> Array:
    """h convolved with a normal density of standard deviation sd."""
    if sd == 0:
        return h
    from scipy.signal import fftconvolve

    half = math.ceil(9 * sd / cell)
    if half < 20:  # narrower than two cells: too narrow for the grid, so by its second moment alone
        return np.asarray(h + 0.5 * (sd / cell) ** 2 * np.gradient(np.gradient(h)))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * cell / sd) ** 2)
    return np.asarray(fftconvolve(h, kernel / kernel.sum(), mode="same"))


def _fade(h: Array, cell: float, scale: float) -> Array:
    """∫ h(x + w) exp(-w/scale)/scale dw at every point of the grid, each cell exactly for the cubic through its ends."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import lfilter

    spline = CubicSpline(np.arange(h.size) * cell, h)
    nodes, weights = np.polynomial.legendre.leggauss(6)
    t = (nodes + 1) / 2 * cell
    left = (np.arange(h.size - 1) * cell)[:, None]
    pieces = (spline(left + t) * np.exp(-t / scale) * weights).sum(1) * cell / 2 / scale
    keep = math.exp(-cell / scale)
    backwards = lfilter([1.0], [1.0, -keep], pieces[::-1])[::-1]
    return np.append(backwards, 0.0)


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
        self.pair_at: Callable[[PairWitness, Mapping[int, Indices], Indices], Array] = _no_pairs

    def pair_logs(self, places: tuple[Place, ...], columns: Mapping[int, Indices], rows: Indices) -> Iterator[Array]:
        """log likelihood of each pair of readings of two cuts at some pairs of `rows` (pairs, 2): (pairs, points)."""
        yield from (self.pair_at(pair, columns, rows) for pair in self.pairs.get(places, ()))


def _no_pairs(pair: PairWitness, columns: Mapping[int, Indices], rows: Indices) -> Array:
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
) -> tuple[Array, Array, Array, Indices]:
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


def summed(terms: Array, starts: Indices) -> Array:
    """Sums of runs along the first axis; runs of one length by a plain sum, which is many times quicker."""
    each, rest = divmod(terms.shape[0], starts.size)
    if rest == 0 and (np.diff(starts) == each).all():
        return np.asarray(terms.reshape(starts.size, each, *terms.shape[1:]).sum(axis=1))
    return np.asarray(np.add.reduceat(terms, starts, axis=0))


def _pair_at(
    pair: PairWitness,
    columns: Mapping[int, Indices],
    rows: Indices,
    system: System,
    model: MeasurementModel,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
) -> Array:
    """log likelihood of some pairs of rows at the given columns: (pairs, points)."""
    shifts = []
    row: Indices = np.zeros(0, dtype=np.intp)
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
