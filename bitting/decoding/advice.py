"""Which readings look wrong, and which cut is worth another reading: what would it decide, and how near is "sure" then?

For every cut in doubt a new reading's outcomes are gone through on a grid. After each, the best code is another or the same,
with some probability; averaged over the outcomes, weighed by how likely they are, that gives the risk of a wrong code that is
left (the expected value of information) and the chance that the answer is then sure, by which cuts are put in order. A new
reading shares the wear and the cut's own error with the old ones, so a cut that was read often brings less.

Estimates for advice, while the posterior itself leaves nothing out: the shared error and the key's wear are taken with the
shares they have over all codes, whatever the code; of the codes, the best `COMPARED` are told apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from bitting.arrays import Array
from bitting.decoding.kbest import Ranked
from bitting.decoding.likelihood import COARSE, CutLikelihood, cut_likelihood
from bitting.decoding.posterior import Posterior
from bitting.decoding.result import Deciding, Next
from bitting.decoding.solver import Solver
from bitting.decoding.tables import log_likelihoods
from bitting.model import Place, Reading, System

COMPARED = 24
LOOKED_AT = 6
"""Cuts most in doubt, for which a new reading is gone through."""
MOST = 4
"""Cuts named at most."""
RARE = 0.02
"""Probability of a range of outcomes below which it isn't told."""
LIKELY = 1e-4
"""Probability from which a depth is one that a cut may have."""
FAR = 3.0
"""Standard deviations past which a reading is asked whether it is wrong."""


@frozen(eq=False)
class Errors:
    """The shared error at one cut: `values` and their `weights` (summing to 1)."""

    values: Array
    weights: Array


def errors_at(place: Place, posterior: Posterior, along: Mapping[Place, float], width: float) -> Errors:
    """The shared error at a cut, in bins of some width."""
    grid, sign = posterior.grid, posterior.grid.signs[place.lane]
    section = next(section for section in posterior.sections if sign in section.columns)
    row, at = np.divmod(section.columns[sign], grid.lattices[sign].size)
    error = grid.lattices[sign][at] + along[place] * grid.tilts[row % grid.tilts.size]
    bins, where = np.unique(np.round(error / width), return_inverse=True)
    weights = np.bincount(where, section.posterior)
    kept = weights > 1e-4 * weights.max()
    return Errors(bins[kept] * width, weights[kept] / weights[kept].sum())


def _logs(several: Sequence[CutLikelihood], dims: Array, errors: Errors, turn: int, known: _Known) -> Array:
    """log likelihood of each at every dimension and error, (likelihoods, dims, errors), the key's wear averaged."""
    x = np.broadcast_to(turn * (dims[:, None] + errors.values), (len(several), dims.size, errors.values.size))
    return log_likelihoods(several, x, turn, known.solver.model, fine=COARSE, mean=known.wear)[:, :, 0]


@frozen(eq=False)
class _Known:
    """What advice on all cuts has in common; `wear` are the shares of the key's mean wears."""

    solver: Solver
    posterior: Posterior
    wear: Array
    limit: float

    @property
    def system(self) -> System:
        """The system of the key."""
        return self.solver.system


def measure_next(
    cuts: Sequence[CutLikelihood], posterior: Posterior, ranked: Sequence[Ranked], solver: Solver, limit: float
) -> tuple[Next, ...]:
    """The cuts whose new reading brings the answer nearest to sure, the best first; `limit` is the one for sure."""
    known = _Known(solver, posterior, posterior.shared.scale_shares, limit)
    read: dict[Place, CutLikelihood] = {}
    for one in cuts:
        read.setdefault(one.place, one)
    best = ranked[0].depths
    right = {place: float(shares[best[place.lane][place.cut]]) for place, shares in posterior.shares.items()}
    doubt = sorted(right, key=lambda place: (right[place], place.lane, place.cut))[:LOOKED_AT]
    found = [_one_cut(place, read.get(place), ranked, known) for place in doubt if right[place] < 1 - LIKELY]
    scored = sorted((one for one in found if one is not None), key=lambda pair: -pair[0])
    return tuple(following for _, following in scored[:MOST])


def _one_cut(
    place: Place, old: CutLikelihood | None, ranked: Sequence[Ranked], known: _Known
) -> tuple[float, Next] | None:
    """How much one more reading of a cut would bring, the risk that it leaves, and the readings that would decide it."""
    lane, model = known.system.lanes[place.lane], known.solver.model
    shares = known.posterior.shares[place]
    top = np.zeros(shares.size)
    for code in ranked:
        depth = code.depths[place.lane][place.cut]
        top[depth] = max(top[depth], code.probability)
    likely = np.flatnonzero(shares > LIKELY)
    if likely.size < 2:
        return None
    errors = errors_at(place, known.posterior, known.solver.along, model.reading_sd / 2)
    dims = np.array([known.solver.reach.dims[place][known.solver.reach.starts[place][d]] for d in likely])
    outcomes, new = _outcomes(place, old, dims, errors, known)
    step = outcomes[1] - outcomes[0]
    joint = top[likely] * new  # (outcomes, depths)
    every = new @ shares[likely]
    best = joint.argmax(axis=1)
    right, chance = float(joint.max(axis=1).sum() * step), float(every.sum() * step)
    sure = float(every[joint.max(axis=1) >= known.limit * np.maximum(every, 1e-300)].sum() * step)
    right += max(1.0 - chance, 0.0) * ranked[0].probability
    deciding = _intervals(outcomes, likely[best], every * step, shares, lane.track.labels)
    return sure + right, Next(lane.track.name, place.cut + 1, lane.side, min(max(1 - right, 0.0), 1.0), deciding)


def _outcomes(
    place: Place, old: CutLikelihood | None, dims: Array, errors: Errors, known: _Known
) -> tuple[Array, Array]:
    """What a new reading may be, and the density of each given each dimension and the old readings: (outcomes, dims)."""
    track, model = known.system.lanes[place.lane].track, known.solver.model
    mean = float(errors.values @ errors.weights)
    margin = 5 * model.reading_sd + 4 * model.wear
    outcomes = np.arange(dims.min() + mean - margin, dims.max() + mean + margin, model.reading_sd)
    lists = [] if old is None else lists_of(old)
    several = [
        cut_likelihood((place,), None, [*lists, (Reading(float(y), None, 0.0, (0, 0)),)], track.ends, model)
        for y in outcomes
    ]
    joint = _logs(several, dims, errors, track.deeper, known)
    before = np.zeros((1, *joint.shape[1:])) if old is None else _logs([old], dims, errors, track.deeper, known)
    return outcomes, np.exp(np.minimum(joint - before, 700.0)) @ errors.weights


def lists_of(one: CutLikelihood) -> list[tuple[Reading, ...]]:
    """The readings of a cut again, list by list."""
    return [
        tuple(
            Reading(value, sd, 0.0, (0, 0))
            for value, sd, of in zip(one.values, one.sds, one.lists, strict=True)
            if of == number
        )
        for number in sorted(set(one.lists))
    ]


def _intervals(
    outcomes: Array, depth: Array, total: Array, shares: Array, labels: Sequence[str]
) -> tuple[Deciding, ...]:
    """Ranges of the new reading that decide for one depth; ranges that hardly ever happen are given to a neighbour.

    None where the depths come out of order (some of the readings would be taken to be wrong, and decide nothing), or where
    the cut may well have a depth (`shares`) that no reading decides for, as another cut would have to be otherwise as well.
    """
    starts = np.concatenate([[0], np.flatnonzero(np.diff(depth)) + 1])
    happens = np.add.reduceat(total, starts) / max(total.sum(), 1e-300)
    runs: list[tuple[int, int]] = []  # (first outcome, depth), neighbours of the same depth as one
    for start, share in zip(starts.tolist(), happens, strict=True):
        if share >= RARE and (not runs or runs[-1][1] != depth[start]):
            runs.append((start, int(depth[start])))
    order = [d for _, d in runs]
    if (
        order not in (sorted(set(order)), sorted(set(order), reverse=True))
        or max(np.delete(shares, order), default=0) > RARE
    ):
        return ()
    middles = [float((outcomes[start - 1] + outcomes[start]) / 2) for start, _ in runs[1:]]
    lows: list[float | None] = [None, *middles]
    highs: list[float | None] = [*middles, None]
    return tuple(Deciding(labels[d], low, high) for (_, d), low, high in zip(runs, lows, highs, strict=False))


def wrong_shares(
    cuts: Sequence[CutLikelihood], posterior: Posterior, best: Ranked, solver: Solver
) -> list[tuple[float, ...]]:
    """Per likelihood, the probability of each of its readings to be no reading of its cut, given the best code.

    A reading is wrong on its own account, or with all readings of the cut in its list.
    """
    known = _Known(solver, posterior, posterior.shared.scale_shares, 1.0)
    reached, means = solver.reach.dimensions(best.depths), posterior.errors(solver.along)
    out = []
    for one in cuts:
        track, model = solver.system.lanes[one.place.lane].track, solver.model
        aim = reached[one.place]
        middle = aim + means[one.place] + track.deeper * model.wear / 2
        far = [
            abs(v - middle) > FAR * math.hypot(sd, model.cut_sd, model.wear)
            for v, sd in zip(one.values, one.sds, strict=True)
        ]
        out.append(_wrong(one, aim, known) if any(far) else (0.0,) * len(one.values))
    return out


def _wrong(one: CutLikelihood, aim: float, known: _Known) -> tuple[float, ...]:
    """The same of one cut."""
    track, model = known.system.lanes[one.place.lane].track, known.solver.model
    errors = errors_at(one.place, known.posterior, known.solver.along, model.reading_sd / 4)
    ends = track.ends
    lists = lists_of(one)
    without: list[CutLikelihood | None] = []
    factors: list[float] = []

    def left(kept: list[tuple[Reading, ...]], factor: float) -> None:
        kept = [readings for readings in kept if readings]
        without.append(cut_likelihood((one.place,), None, kept, ends, model) if kept else None)
        factors.append(factor)

    where = [(number, at) for number, readings in enumerate(lists) for at in range(len(readings))]
    for (number, at), density in zip(where, one.wrong, strict=True):
        kept = [tuple(r for j, r in enumerate(row) if (i, j) != (number, at)) for i, row in enumerate(lists)]
        left(kept, math.log(model.wrong * density))
    for number in range(len(lists)):
        alone = cut_likelihood((one.place,), None, [lists[number]], ends, model)
        plain = [weight - math.log1p(-model.cut_wrong) for weight, _, _ in alone.components]
        together = [w + math.log((model.cut_wrong or 1e-300) / (ends[1] - ends[0])) for w in plain]
        left([row for i, row in enumerate(lists) if i != number], float(np.logaddexp.reduce(together)))
    every = [one, *(cut for cut in without if cut is not None)]
    dims = np.array([aim])
    logs = _logs(every, dims, errors, track.deeper, known)[:, 0]
    whole, rest = logs[0], iter(logs[1:])
    shares = []
    for cut, factor in zip(without, factors, strict=True):
        own = next(rest) if cut is not None else np.zeros(whole.shape)
        shares.append(float(np.exp(np.minimum(own + factor - whole, 0.0)) @ errors.weights))
    by_list = shares[len(where) :]
    return tuple(min(shares[k] + by_list[number], 1.0) for k, (number, _) in enumerate(where))
