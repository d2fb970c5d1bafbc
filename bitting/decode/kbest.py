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
from collections.abc import Iterator
from itertools import islice

import numpy as np
from attrs import evolve, frozen

from bitting.decode.compiled import Step, restrict
from bitting.decode.density import Array
from bitting.decode.grid import Grid
from bitting.decode.passes import best_logs
from bitting.decode.posterior import Index, Posterior, linked
from bitting.model import Depths, System

TIE = 1e-10
"""Relative difference of two probabilities below which they count as equal."""
LEAST = 1e-7
"""Codes are first looked for where every entry of the diagram on their way has this posterior probability."""


@frozen(eq=False)
class _Stage:
    """One step on the way to a whole code: its log likelihoods and the best completion before and after it."""

    step: Step
    logs: Array
    best: Array
    after: Array
    crossing: bool


@frozen(eq=False)
class Ranked:
    """A whole code (places per lane) and its probability."""

    depths: Depths
    probability: float


def best_codes(posterior: Posterior, system: System, wanted: int) -> list[Ranked]:
    """The `wanted` most probable codes (fewer where there are fewer), most probable first."""
    for least in (LEAST, LEAST**2, 0.0):
        found = list(islice(codes_in_order(posterior, system, least), wanted))
        if len(found) == wanted and found[-1].probability >= least:
            break
    return _settle_ties(found)


def codes_in_order(posterior: Posterior, system: System, least: float = 0.0) -> Iterator[Ranked]:
    """Every legal code of at least the probability `least`, most probable first (less probable ones may be missing)."""
    stages, front, join = _stages(posterior, least)
    lanes = system.lanes
    begins = np.cumsum([0] + [lane.track.cuts for lane in lanes])
    total = int(begins[-1])
    slots = [[int(begins[place.lane]) + place.cut for place in stage.step.places] for stage in stages]
    count = 0
    heap: list[tuple[int, bytes, int, float, int, int, Array]] = [(0, bytes(total), 0, 1.0, 0, 0, front)]
    while heap:
        _, code, _, bound, level, node, weight = heapq.heappop(heap)
        if level == len(stages):
            depths = tuple(tuple(code[begins[i] : begins[i + 1]]) for i in range(len(lanes)))
            yield Ranked(depths, bound)
            continue
        stage = stages[level]
        children = stage.step.children[node]
        symbols = np.flatnonzero(children >= 0)
        ratio = stage.logs[symbols] + stage.after[children[symbols]] - stage.best[node]
        weights = np.exp(np.minimum(ratio, 0.0)) * weight
        if stage.crossing and join is not None:
            weights = join.cross(weights)
        bounds = weights.sum(axis=1)
        for row, symbol in enumerate(symbols):
            if bounds[row] <= 0.0:
                continue
            changed = bytearray(code)
            for slot, depth in zip(slots[level], stage.step.symbols[symbol], strict=True):
                changed[slot] = depth
            count += 1
            key = -round(math.log(bounds[row]) / TIE)
            entry = (key, bytes(changed), count, float(bounds[row]), level + 1, int(children[symbol]), weights[row])
            heapq.heappush(heap, entry)


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
        with np.errstate(divide="ignore"):
            logs[:, self.columns] = np.log(weights) - self.ahead
        over = linked(logs.reshape(weights.shape[0], rows, link.shape[0]), link.T)
        return np.asarray(np.exp(over.reshape(weights.shape[0], -1)[:, self.after] + self.best))


def _stages(posterior: Posterior, least: float) -> tuple[list[_Stage], Array, _Join | None]:
    """All steps in turn, the root's weights, and the join of two sections."""
    log_evidence = posterior.log_evidence + posterior.log_count
    stages: list[_Stage] = []
    roots: list[Array] = []
    for section in posterior.sections:
        root = np.zeros(section.posterior.size)
        for whole, rows, entries in zip(section.chains, section.logs, section.entries, strict=True):
            chain = restrict(whole, entries, least) if least else whole
            best = best_logs(chain, rows)
            root = root + best[0][0]
            stages += [
                _Stage(step, rows[i], best[i], best[i + 1], crossing=False) for i, step in enumerate(chain.steps)
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
