"""The most probable whole codes, in exact order.

Best-first search over the steps of all chains in turn. A prefix carries its weight at every point of the grid; its bound
is that weight times the best completion at each point (one max pass), summed over the points. No completion can weigh
more than the sum of the points' best, so when a whole code is taken from the queue nothing left in it can beat it: the
order is exact and complete. Listing the best codes of each point and scoring them again would not be.

The weight of a point is kept relative to the best completion there, so that nothing underflows: taking an edge
multiplies by a ratio of at most 1. Equal probabilities go to the shallower code, first cut first in the order of the
lanes; bounds that agree to `TIE` count as equal.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Collection, Iterator, Sequence
from itertools import islice, pairwise

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.compiled import Step
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.levels import Found, Level, best_by_level
from bitting.decoding.lookahead import LEAST, chains_of, levels_of
from bitting.decoding.passes import best_logs
from bitting.decoding.points import linked
from bitting.decoding.posterior import Posterior
from bitting.decoding.sums import Index
from bitting.model import Depths, Place, System

TIE = 1e-10
"""Relative difference of two probabilities below which they count as equal."""


@frozen(eq=False)
class _Stage:
    """One step on the way to a whole code: its log likelihoods and the best completion before and after it."""

    step: Step
    logs: Array
    best: Array
    after: Array
    crossing: bool
    ignored: bool


@frozen(eq=False)
class Ranked:
    """A whole code (places per lane) and its probability."""

    depths: Depths
    probability: float


def best_codes(
    posterior: Posterior, system: System, wanted: int, ignored: Collection[Place] = frozenset()
) -> list[Ranked]:
    """The `wanted` most probable codes (fewer where there are fewer), most probable first.

    Codes that differ only in the `ignored` cuts count as one, with the sum of their probabilities; such cuts are 0 in
    `depths`.
    """
    found: list[Ranked] = []
    for least in (0.0,) if ignored else (LEAST, LEAST**2, 0.0):
        quick = None if ignored else _by_level(posterior, system, wanted, least)
        found = list(islice(codes_in_order(posterior, system, least, ignored), wanted)) if quick is None else quick
        if len(found) == wanted and found[-1].probability >= least:
            break
    return _settle_ties(found)


def _by_level(posterior: Posterior, system: System, wanted: int, least: float) -> list[Ranked] | None:
    """The best codes level by level; None where that isn't possible or not worth it."""
    if least not in posterior.levels:
        posterior.levels[least] = levels_of(posterior, least)
    levels = posterior.levels[least]
    found = None if levels is None else best_by_level(levels, posterior.sections[0].posterior.size, wanted)
    return None if levels is None or found is None else ranked(levels, found[0], system, wanted)


def ranked(levels: Sequence[Level], found: Found, system: System, wanted: int) -> list[Ranked]:
    """Codes found level by level, in order."""
    begins = np.cumsum([0] + [lane.track.cuts for lane in system.lanes])
    slots = [begins[place.lane] + place.cut for level in levels for place in level.step.places]
    rows = np.zeros((len(found), begins[-1]), dtype=np.intp)
    symbols = np.array([row for row, _ in found])
    depths = [level.step.symbols[symbols[:, number]] for number, level in enumerate(levels)]
    rows[:, slots] = np.concatenate(depths, axis=1)
    parts = list(pairwise(begins.tolist()))
    out = [
        Ranked(tuple(tuple(row[first:last]) for first, last in parts), probability)
        for row, (_, probability) in zip(rows.tolist(), found, strict=True)
    ]
    return _settle_ties(out)[:wanted]


def codes_in_order(
    posterior: Posterior, system: System, least: float = 0.0, ignored: Collection[Place] = frozenset()
) -> Iterator[Ranked]:
    """Every legal code of at least the probability `least`, most probable first (less probable ones may be missing)."""
    stages, front, join = _stages(posterior, least, ignored)
    lanes = system.lanes
    begins = np.cumsum([0] + [lane.track.cuts for lane in lanes])
    slots = [[int(begins[place.lane]) + place.cut for place in stage.step.places] for stage in stages]
    count = 0
    root: Index = np.zeros(1, dtype=np.intp)
    heap: list[tuple[int, bytes, int, float, int, Index, Array]] = [
        (0, bytes(int(begins[-1])), 0, 1.0, 0, root, front[None, :])
    ]
    while heap:
        _, code, _, bound, level, nodes, weight = heapq.heappop(heap)
        if level == len(stages):
            depths = tuple(tuple(code[begins[i] : begins[i + 1]]) for i in range(len(lanes)))
            yield Ranked(depths, bound)
            continue
        stage = stages[level]
        for symbol, following, weights, bound in _ways_on(stage, nodes, weight, join, ignoring=bool(ignored)):
            if bound <= 0.0:
                continue
            after = weights
            changed = bytearray(code)
            if symbol is not None:
                for slot, depth in zip(slots[level], stage.step.symbols[symbol].tolist(), strict=True):
                    changed[slot] = depth
            count += 1
            key = -round(math.log(bound) / TIE)
            heapq.heappush(heap, (key, bytes(changed), count, bound, level + 1, following, after))


def _ways_on(
    stage: _Stage, nodes: Index, weight: Array, join: _Join | None, *, ignoring: bool
) -> Iterator[tuple[int | None, Index, Array, float]]:
    """Ways on from a prefix that stands in some nodes with weights (nodes, points).

    For each its symbol, the nodes it leads to, their weights and the sum of these. A prefix stands in one node, unless
    cuts before were ignored.
    """
    if ignoring:
        for symbol, into, weights in _opened(stage, nodes, weight):
            after = join.cross(weights) if stage.crossing and join is not None else weights
            yield symbol, into, after, float(after.sum())
        return
    children = stage.step.children[nodes[0]]
    symbols = np.flatnonzero(children >= 0)
    into = children[symbols]
    ratio = stage.logs[symbols]
    ratio += stage.after[into]
    ratio -= stage.best[nodes[0]]
    weights = np.exp(np.minimum(ratio, 0.0, out=ratio), out=ratio)
    weights *= weight
    if stage.crossing and join is not None:
        weights = join.cross(weights)
    for row, (symbol, bound) in enumerate(zip(symbols.tolist(), weights.sum(axis=1).tolist(), strict=True)):
        yield symbol, into[row : row + 1], weights[row : row + 1], bound


def _opened(stage: _Stage, nodes: Index, weight: Array) -> Iterator[tuple[int | None, Index, Array]]:
    """The same where cuts are ignored; an ignored step has one way on: all depths together."""
    children = stage.step.children[nodes]
    at, symbols = np.nonzero(children >= 0)
    into = children[at, symbols]
    ratio = stage.logs[symbols] + stage.after[into] - stage.best[nodes[at]]
    weights = np.exp(np.minimum(ratio, 0.0)) * weight[at]
    one_way: list[tuple[int | None, Index]] = [(None, np.arange(into.size))]
    alike: dict[tuple[int, ...], list[int]] = {}  # the same depths, whatever the jaw reaches at them
    for row, symbol in enumerate(symbols):
        alike.setdefault(tuple(stage.step.symbols[symbol].tolist()), []).append(row)
    by_depths: list[tuple[int | None, Index]] = [(int(symbols[r[0]]), np.array(r)) for r in alike.values()]
    for together, rows in one_way if stage.ignored else by_depths:
        following, place = np.unique(into[rows], return_inverse=True)
        total = np.zeros((following.size, weights.shape[1]))
        np.add.at(total, place, weights[rows])
        yield together, following, total


def _settle_ties(found: list[Ranked]) -> list[Ranked]:
    """Runs of equal probabilities in the order of their depths."""
    out: list[Ranked] = []
    run: list[Ranked] = []
    for ranked in found:
        if run and ranked.probability < run[0].probability * (1 - TIE):
            out += sorted(run, key=lambda r: r.depths)
            run = []
        run.append(ranked)
    return out + sorted(run, key=lambda r: r.depths)


@frozen(eq=False)
class _Join:
    """How a finished first section's weights become weights of the second section's points.

    `columns` are the first section's points, `ahead` the log of what the second adds to each of them at best; `after`
    the second's points and `best` its best completion there.
    """

    columns: Index
    ahead: Array
    after: Index
    best: Array
    grid: Grid

    def cross(self, weights: Array) -> Array:
        """Weights (codes, points of the first section) to weights (codes, points of the second)."""
        link = self.grid.link
        assert link is not None  # only paired grids are joined
        rows = math.prod(self.grid.shape)
        logs = np.full((weights.shape[0], rows * link.shape[0]), -np.inf)
        ahead = np.where(np.isfinite(self.ahead), self.ahead, 0.0)  # where nothing follows, the weight is 0
        known = np.log(weights, out=np.full(weights.shape, -np.inf), where=weights > 0)
        logs[:, self.columns] = known - ahead
        over = linked(logs.reshape(weights.shape[0], rows, link.shape[0]), link.T)
        return np.asarray(np.exp(over.reshape(weights.shape[0], -1)[:, self.after] + self.best))


def _stages(posterior: Posterior, least: float, ignored: Collection[Place]) -> tuple[list[_Stage], Array, _Join | None]:
    """All steps in turn, the root's weights, and the join of two sections."""
    log_evidence = posterior.log_evidence + posterior.log_count
    stages: list[_Stage] = []
    roots: list[Array] = []
    for section in posterior.sections:
        root = np.zeros(section.posterior.size)
        for chain, rows in chains_of(section, least):
            opened = [ignored and set(step.places) <= set(ignored) for step in chain.steps]
            best = best_logs(chain, rows, opened if ignored else ())
            root = root + best[0][0]
            stages += [
                _Stage(step, rows[i], best[i], best[i + 1], crossing=False, ignored=bool(opened[i]))
                for i, step in enumerate(chain.steps)
            ]
        if len(posterior.sections) == 2 and not roots:
            stages[-1] = evolve(stages[-1], crossing=True)
        roots.append(root)
    first = posterior.sections[0]
    if len(roots) == 1:
        return stages, np.exp(first.log_prior + roots[0] - log_evidence), None
    grid = posterior.grid
    assert grid.link is not None  # two sections come from a paired grid
    columns, after = first.columns[1], posterior.sections[1].columns[-1]
    second = np.full(math.prod(grid.shape) * grid.link.shape[1], -np.inf)
    second[after] = roots[1]
    table = second.reshape(-1, grid.link.shape[1])
    ahead = linked(table, grid.link) + (grid.log_scale[:, None] + grid.log_tilt).reshape(-1, 1) - log_evidence
    # crossing takes off `ahead` but for the prior of the row and the evidence, which stay
    plain = linked(table, grid.link).reshape(-1)[columns]
    return stages, np.exp(ahead.reshape(-1)[columns] + roots[0]), _Join(columns, plain, after, roots[1], grid)
