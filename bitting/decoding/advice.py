"""Which cut is worth another reading, and what reading would decide it.

The loss is a wrong whole code. For every cut in doubt a new reading's outcomes are gone through on a grid: after each,
the best code would be another or the same, and the average of its probability over the outcomes, weighed by how likely
they are, is what the reading is expected to bring (the expected value of information). A new reading shares the wear and
the cut's own error with the old ones, as in the model; so a cut that was read often brings less.

The codes compared are the most probable ones (up to `COMPARED`), and grid points that hold less than `SMALL` of the
probability together are left out: an estimate for advice, while the posterior itself leaves nothing out.

How likely is each single reading to be simply wrong?

A reading is wrong on its own account, so the joint density with reading j wrong is `outliers · wrong_j` times the density
of the cut's other readings; divided by the density of all of them it is the probability wanted. It is averaged over the
shared errors and wear scales that the best code leaves possible, and taken given that code.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import evolve, frozen

from bitting.arrays import Array, Indices
from bitting.decoding.kbest import Ranked
from bitting.decoding.likelihood import Witness, density, outlier_range, subset_terms, witness
from bitting.decoding.model import MeasurementModel
from bitting.decoding.posterior import Posterior, Section
from bitting.decoding.result import Deciding, Next
from bitting.decoding.tables import summed
from bitting.decoding.weigh import linked
from bitting.model import Place, System

COMPARED = 24
SMALL = 1e-3
DOUBT = 0.9995
MOST_READ = 5
"""Readings of a cut after which another is not advised: its own error and wear would be the same."""
WORTH = 1e-4
"""Least expected gain in the probability of the best code that is worth a reading."""
SHARE_OF_BEST = 0.1
"""Least gain that is worth naming beside the best one's."""
RARE = 0.02
"""Probability of a range of outcomes below which it isn't told."""
MOST = 4
"""Cuts named at most."""


def measure_next(
    witnesses: Sequence[Witness],
    posterior: Posterior,
    ranked: Sequence[Ranked],
    system: System,
    model: MeasurementModel,
    along: Mapping[Place, float],
) -> tuple[Next, ...]:
    """The cuts whose new reading is expected to lower the risk of a wrong code most, the best first."""
    read: dict[Place, list[Witness]] = {}
    for one in witnesses:
        read.setdefault(one.place, []).append(one)
    views = views_of(posterior, ranked)
    reached = [posterior.reach.dimensions(code.depths) for code in ranked]
    known = _Known(ranked, reached, system, model, along)
    out = []
    for place, shares in posterior.shares.items():
        old = read.get(place, [])
        if shares.max() > DOUBT or any(len(w.values) > MOST_READ for w in old):
            continue
        view = views[posterior.grid.signs[place.lane]]
        found = _one_cut(place, old[0] if old else None, shares, view, known)
        if found is not None:
            out.append(found)
    now = 1 - ranked[0].probability
    out = sorted((one for one in out if now - one.risk >= WORTH), key=lambda one: one.risk)
    return tuple(one for one in out[:MOST] if now - one.risk >= SHARE_OF_BEST * (now - out[0].risk))


@frozen(eq=False)
class View:
    """Kept points of the lanes of one sign: the shared error at mid-blade, tilt, wear scale, and each code's weight."""

    shift: Array
    tilt: Array
    scale: Array
    weights: Array


def views_of(posterior: Posterior, ranked: Sequence[Ranked]) -> dict[int, View]:
    """Per sign, the points that hold nearly all of the probability, with the weight of each code there."""
    grid = posterior.grid
    views = {}
    for section, weights in zip(posterior.sections, weights_of(posterior, ranked), strict=True):
        order = np.argsort(weights.sum(axis=0))
        low = np.searchsorted(np.cumsum(weights.sum(axis=0)[order]), SMALL * weights.sum())
        keep = order[low:]
        for sign, columns in section.columns.items():
            size = grid.lattices[sign].size
            row, at = np.divmod(columns[keep], size)
            views[sign] = View(
                grid.lattices[sign][at],
                grid.tilts[row % grid.tilts.size],
                np.array(grid.scales)[row // grid.tilts.size],
                weights[:, keep],
            )
    return views


def weights_of(posterior: Posterior, ranked: Sequence[Ranked]) -> list[Array]:
    """Each code's posterior weight at every kept point of each section: (codes, points)."""
    rows = [posterior.reach.rows(code.depths) for code in ranked]
    logs = [np.stack([_code_logs(section, row) for row in rows]) for section in posterior.sections]
    return _joined(posterior, logs)


def _code_logs(section: Section, rows_of: Mapping[Place, int]) -> Array:
    """log likelihood of one code, given by the row of each of its cuts, at every point of a section."""
    total = np.zeros(section.posterior.size)
    for chain, rows in zip(section.chains, section.logs, strict=True):
        for step, table in zip(chain.steps, rows, strict=True):
            symbol = step.symbol_of([rows_of[place] for place in step.places])
            if symbol is None:  # a code that narrowing left out
                return _whole_logs(section, rows_of)
            total += table[symbol]
    return total


def _whole_logs(section: Section, rows_of: Mapping[Place, int]) -> Array:
    """The same from the whole diagram."""
    whole = section.whole
    assert whole is not None  # only narrowed chains miss codes
    logs = tuple(tuple(whole.logs(chain, section.columns)) for chain in whole.chains)
    return _code_logs(evolve(section, chains=whole.chains, logs=logs, whole=None), rows_of)


def _joined(posterior: Posterior, logs: Sequence[Array]) -> list[Array]:
    """Each code's posterior weight at every point of each section: (codes, points)."""
    evidence = posterior.log_evidence + posterior.log_count
    if len(logs) == 1:
        return [np.exp(logs[0] + posterior.sections[0].log_prior - evidence)]
    grid = posterior.grid
    assert grid.link is not None  # two sections come from a paired grid
    base = (grid.log_scale[:, None] + grid.log_tilt).reshape(-1, 1)
    full = []
    for section, sign, own in zip(posterior.sections, (1, -1), logs, strict=True):
        table = np.full((own.shape[0], base.size * grid.link.shape[0]), -np.inf)
        table[:, section.columns[sign]] = own
        full.append(table.reshape(own.shape[0], base.size, -1))
    out = []
    for side, sign in enumerate((1, -1)):
        link = grid.link if side == 0 else grid.link.T
        both = full[side] + linked(full[1 - side], link) + base - evidence
        out.append(np.exp(both.reshape(both.shape[0], -1)[:, posterior.sections[side].columns[sign]]))
    return out


@frozen(eq=False)
class _Known:
    """What all cuts' advice has in common: codes compared, what the jaw reaches in each, and the model's figures."""

    ranked: Sequence[Ranked]
    reached: Sequence[Mapping[Place, float]]
    system: System
    model: MeasurementModel
    along: Mapping[Place, float]


def _one_cut(place: Place, old: Witness | None, shares: Array, view: View, known: _Known) -> Next | None:
    """The expected risk after one more reading of a cut, and the readings that would decide it."""
    lane = known.system.lanes[place.lane]
    depths = np.array([code.depths[place.lane][place.cut] for code in known.ranked])
    likely = sorted({int(d) for d in depths} & set(np.flatnonzero(shares > 1e-3).tolist()))
    if not likely:
        return None
    view = binned(view, known.along[place], known.model.reading_sd / 4)
    outcomes = _outcomes(place, likely, view, known)
    step = known.model.reading_sd / 2
    chance = np.zeros((len(known.ranked), outcomes.size))
    dims = np.array([row[place] for row in known.reached])
    for dim in np.unique(dims[np.isin(depths, likely)]):
        codes = np.flatnonzero((dims == dim) & np.isin(depths, likely))
        new = _new_reading(outcomes, old, place, dim + view.shift, view.scale, known)
        chance[codes] = view.weights[codes] @ new.T
    best = chance.argmax(axis=0)
    right = float(chance.max(axis=0).sum() * step)
    seen = float(chance.sum() * step)
    # outcomes off the grid tell nothing
    right += max(float(view.weights.sum()) - seen, 0.0) * known.ranked[0].probability
    deciding = _intervals(outcomes, depths[best], chance.sum(axis=0) * step, lane.track.labels)
    return Next(lane.track.name, place.cut + 1, lane.side, max(1 - right, 0.0), deciding)


def _outcomes(place: Place, likely: Sequence[int], view: View, known: _Known) -> Array:
    """What a new reading of a cut may be, half its standard uncertainty apart."""
    track, model = known.system.lanes[place.lane].track, known.model
    nominal = np.array(track.depths)[likely]
    mean = float(view.shift @ view.weights.sum(axis=0) / view.weights.sum())
    margin = 5 * model.reading_sd + 4 * model.offset_sd
    low = nominal.min() + mean - margin - (4 * model.wear if track.deeper < 0 else 0)
    high = nominal.max() + mean + margin + (4 * model.wear if track.deeper > 0 else 0)
    return np.arange(low, high, model.reading_sd / 2)


def _new_reading(outcomes: Array, old: Witness | None, place: Place, x: Array, scale: Array, known: _Known) -> Array:
    """The density of a new reading of a cut, given its old ones, at depth + shared error x: (outcomes, points).

    The new reading joins every subset of the old ones that are not wrong, or none of them, or is wrong itself.
    """
    track, model = known.system.lanes[place.lane].track, known.model
    low, high = outlier_range(track)
    good, sd = 1 - model.outliers, model.reading_sd
    wrong = np.where((outcomes >= low) & (outcomes <= high), model.outliers / (high - low), 0.0)
    values, sds, chances = (old.values, old.sds, old.wrong) if old is not None else ((), (), ())
    terms = subset_terms(values, sds, chances, evolve(model, cut_sd=0.0)) if values else ()
    floor = math.exp(old.log_floor) if old is not None else 1.0
    total = np.full((outcomes.size, x.size), 0.0)
    before = np.full(x.size, floor)
    for value in np.unique(scale):
        at: Indices = np.flatnonzero(scale == value)
        here = x[at]

        def seen(centre: Array | float, sd: float, here: Array = here, value: float = float(value)) -> Array:
            return density(track.deeper * (centre - here), math.hypot(sd, model.cut_sd), value)

        if floor:
            total[:, at] += good * floor * seen(outcomes[:, None], sd)
        for term in terms:
            weight = math.exp(term.log_weight)
            before[at] += weight * seen(term.centre, term.sd)
            narrow = 1 / (1 / term.sd**2 + 1 / sd**2)
            centre = narrow * (term.centre / term.sd**2 + outcomes / sd**2)
            agree = density(outcomes - term.centre, math.hypot(term.sd, sd), 0.0)
            total[:, at] += (good * weight * agree)[:, None] * seen(centre[:, None], math.sqrt(narrow))
    return np.asarray(total / np.maximum(before, 1e-300) + wrong[:, None])


def binned(view: View, place: float, width: float) -> View:
    """Points whose shared error at the cut is nearly the same, as one."""
    error = view.shift + view.tilt * place
    key = np.round(error / width) + 1e6 * np.unique(view.scale, return_inverse=True)[1]
    _, first, where = np.unique(key, return_index=True, return_inverse=True)
    weights = np.stack([np.bincount(where, row) for row in view.weights])
    total = np.bincount(where, view.weights.sum(axis=0))
    middle = np.bincount(where, view.weights.sum(axis=0) * error) / np.maximum(total, 1e-300)
    return View(middle, np.zeros(first.size), view.scale[first], weights)


def densities(witnesses: Sequence[Witness], x: Array, scale: Array, turn: int) -> Array:
    """Likelihood of each witness at depth + shared error x with its wear scale: (witnesses, points)."""
    owner = np.repeat(np.arange(len(witnesses)), [len(w.terms) for w in witnesses])
    starts = np.searchsorted(owner, np.arange(len(witnesses)))
    centre = np.array([t.centre for w in witnesses for t in w.terms])[:, None]
    sd = np.array([t.sd for w in witnesses for t in w.terms])[:, None]
    weight = np.exp([t.log_weight for w in witnesses for t in w.terms])[:, None]
    out = np.empty((len(witnesses), x.size))
    for value in np.unique(scale):
        at: Indices = np.flatnonzero(scale == value)
        out[:, at] = summed(weight * density(turn * (centre - x[at]), sd, float(value)), starts)
    return np.asarray(out + np.exp([w.log_floor for w in witnesses])[:, None])


def _intervals(outcomes: Array, depth: Indices, total: Array, labels: Sequence[str]) -> tuple[Deciding, ...]:
    """Ranges of the new reading that decide for one depth; ranges that hardly ever happen are given to a neighbour."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(depth)) + 1])
    shares = np.add.reduceat(total, starts) / max(total.sum(), 1e-300)
    runs: list[tuple[int, int]] = []  # (first outcome, depth), neighbours of the same depth as one
    for start, share in zip(starts.tolist(), shares, strict=True):
        if share >= RARE and (not runs or runs[-1][1] != depth[start]):
            runs.append((start, int(depth[start])))
    middles = [float((outcomes[start - 1] + outcomes[start]) / 2) for start, _ in runs[1:]]
    lows: list[float | None] = [None, *middles]
    highs: list[float | None] = [*middles, None]
    return tuple(Deciding(labels[d], low, high) for (_, d), low, high in zip(runs, lows, highs, strict=False))


def wrong_shares(
    witnesses: Sequence[Witness],
    posterior: Posterior,
    best: Ranked,
    system: System,
    model: MeasurementModel,
    along: Mapping[Place, float],
) -> list[tuple[float, ...]]:
    """Per witness, the probability of each of its readings to be wrong, given the best code."""
    if model.outliers == 0:
        return [(0.0,) * len(one.values) for one in witnesses]
    views = views_of(posterior, [best])
    reached = posterior.reach.dimensions(best.depths)
    out = []
    for one in witnesses:
        track = system.lanes[one.place.lane].track
        view = binned(views[posterior.grid.signs[one.place.lane]], along[one.place], min(one.sds) / 4)
        x = reached[one.place] + view.shift
        weight = view.weights[0] / view.weights[0].sum()
        if not one.summed:
            out.append((0.0,) * len(one.values))
            continue
        whole = np.maximum(densities([one], x, view.scale, track.deeper)[0], 1e-300)
        shares = []
        for j, wrong in enumerate(one.wrong):
            values, sds = list(one.values), list(one.sds)
            del values[j], sds[j]
            rest = np.ones(x.size)
            if values:
                others = witness(one.place, one.side, values, sds, track, model)
                rest = densities([others], x, view.scale, track.deeper)[0]
            shares.append(min(float(model.outliers * wrong * (rest / whole) @ weight), 1.0))
        out.append(tuple(shares))
    return out
