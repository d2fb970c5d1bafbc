"""The most probable whole codes, in exact order.

Best-first search over the steps of all chains in turn. A prefix carries its weight at every point of the grid; its bound
is that weight times the best completion at each point (one max pass), summed over the points. No completion can weigh
more than the sum of the points' best, so when a whole code is taken from the queue nothing left in it can beat it: the
order is exact and complete. Listing the best codes of each point and scoring them again would not be.

The weight of a point is kept relative to the best completion there, so that nothing underflows: taking an edge
multiplies by a ratio of at most 1. Equal probabilities go to the shallower code, first cut first in the order of the
lanes; bounds that agree to `TIE` count as equal.

The most probable whole codes, level by level: all prefixes of a length at once, of one key or of several.

A prefix's weight at every point, times the best completion there, summed over the points, bounds what any of its codes
can have (as in `kbest.py`). A beam of the best prefixes of each level first finds as many codes as are wanted; the least
of them is a limit that every better code must pass, and the search for these drops all prefixes whose bound is below it:
so the list is complete and its order exact. The search takes a few array operations a level, where a queue takes some for
every prefix; it gives up (None) where a great many codes are as likely as each other.

Keys that share their chains stand side by side: the points of an array are those of the first key, then of the second, …

The steps of a posterior's diagrams made ready for a search of the best codes: with the best completion of everything.

All of it is relative to the best symbol of each step at each point, so nothing needs a logarithm; where even the best
code is so unlike these that it underflows, there is nothing to be had here and `kbest.py` takes its queue.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Collection, Iterator, Sequence
from itertools import islice, pairwise

import numpy as np
import numpy.typing as npt
from attrs import evolve, frozen

from bitting.arrays import Array, Indices
from bitting.decoding.grid import Grid
from bitting.decoding.posterior import Posterior, Section
from bitting.decoding.weigh import UNDERFLOW, linked, scaled
from bitting.diagram.trellis import Chain, Level, Step, best_logs, restrict
from bitting.model import Depths, Place, System

BLOCK = 256
"""Prefixes that are taken on together."""
BUDGET = 40_000_000
"""Prefixes times points after which the search is given up."""
MOST = 512
"""Codes of a key, beyond those wanted, after which it is given up too."""
SMALL = 1_000_000
"""Prefixes times entries times points up to which one matrix product bounds them all, needed or not."""
SLACK = 1e-9
"""Relative difference of two probabilities that may be rounding."""

Symbols = npt.NDArray[np.int16]
Found = list[tuple[Symbols, float]]


def best_completions(step: Step, table: Array, best: Array) -> tuple[Array, Array]:
    """(entries and an empty one, points) of likelihood times the best completion behind, and the best of each node."""
    after = np.empty((step.entry_symbol.size + 1, table.shape[1]))
    np.take(table, step.entry_symbol, axis=0, out=after[:-1])
    after[:-1] *= best if step.single else best.take(step.entry_child, axis=0)
    after[-1] = 0.0
    return after, after.take(step.ways, axis=0).max(axis=1)  # padded: np.maximum.reduceat takes ten times as long


@frozen(eq=False)
class _Block:
    """Prefixes of one length: whose key, their nodes, likelihoods (prefixes, points of a key), bounds, symbols so far."""

    level: int
    owner: Indices
    nodes: Indices
    front: Array
    bounds: Array
    symbols: Symbols

    def part(self, rows: Indices) -> _Block:
        """Some of them."""
        return _Block(
            self.level, self.owner[rows], self.nodes[rows], self.front[rows], self.bounds[rows], self.symbols[rows]
        )


def best_by_level(levels: Sequence[Level], points: int, wanted: int, keys: int = 1) -> list[Found] | None:
    """Per key, symbols of each level and probability of the best codes, in order: all as good as the last one wanted.

    `points` are those of one key at the first level. Fewer codes than wanted: there are no more.
    """
    whose: Indices = np.arange(keys)
    symbols = np.zeros((keys, len(levels)), dtype=np.int16)
    root = _Block(0, whose, np.zeros_like(whose), np.ones((keys, points)), np.ones(keys), symbols)
    beam = root
    for level in levels:
        beam = _onwards(level, beam, np.zeros(keys), wanted)
    limit = np.zeros(keys)
    for key in np.flatnonzero(np.bincount(beam.owner, minlength=keys) >= wanted):
        limit[key] = beam.bounds[beam.owner == key].min() * (1 - SLACK)
    found: list[Found] = [[] for _ in range(keys)]
    spent = 0
    stack = [root]
    while stack:
        block = stack.pop()
        if block.level == len(levels):
            for key, row, probability in zip(block.owner.tolist(), block.symbols, block.bounds.tolist(), strict=True):
                found[key].append((row, probability))
            continue
        following = _onwards(levels[block.level], block, limit)
        spent += following.front.size
        if spent > BUDGET * keys or max(map(len, found)) > wanted + MOST:
            return None
        rows = np.arange(following.nodes.size)
        stack += [following.part(rows[start : start + BLOCK]) for start in range(0, rows.size, BLOCK)]
    return [_best(one, wanted) for one in found]


def _best(found: Found, wanted: int) -> Found:
    """Those that are as good as the last one wanted, in order."""
    found = sorted(found, key=lambda one: -one[1])
    if len(found) <= wanted:
        return found
    limit = found[wanted - 1][1] * (1 - SLACK)
    return [one for one in found if one[1] >= limit]


def _onwards(level: Level, block: _Block, limit: Array, most: int | None = None) -> _Block:
    """All ways on from some prefixes whose bound is at least their key's `limit`; of these the best `most` of each key."""
    step, keys = level.step, limit.size
    front = block.front if level.enter is None else level.enter(block.front)
    ways = step.ways[block.nodes]
    row, way = (ways < step.entry_child.size).nonzero()
    entry = ways[row, way]
    owner = block.owner[row]
    if keys == 1:
        bounds = _bounds(level, front, block.nodes, row, entry)
    else:
        after = level.after.reshape(-1, keys, front.shape[1])[entry, owner]
        bounds = np.einsum("rp,rp->r", front[row], after)
    keep = (bounds >= limit[owner]).nonzero()[0]
    if most is not None and keep.size > most:
        keep = keep[np.lexsort((-bounds[keep], owner[keep]))]
        first = np.searchsorted(owner[keep], np.arange(keys))
        keep = keep[np.arange(keep.size) - first[owner[keep]] < most]
    row, entry, owner = row[keep], entry[keep], owner[keep]
    symbol = step.entry_symbol[entry]
    after = front[row]
    after *= level.table[symbol] if keys == 1 else level.table.reshape(-1, keys, front.shape[1])[symbol, owner]
    symbols = block.symbols[row]
    symbols[:, block.level] = symbol
    return _Block(block.level + 1, owner, step.entry_child[entry], after, bounds[keep], symbols)


def _bounds(level: Level, front: Array, nodes: Indices, row: Indices, entry: Indices) -> Array:
    """What each way on (prefix, entry) of one key can have at most."""
    if front.size * level.after.shape[0] <= SMALL:
        return np.asarray((front @ level.after.T)[row, entry])
    out = np.empty(row.size)
    own = nodes[row]
    for node in np.unique(own):
        at = np.flatnonzero(own == node)
        prefixes, first = np.unique(row[at], return_inverse=True)
        entries, second = np.unique(entry[at], return_inverse=True)
        out[at] = (front[prefixes] @ level.after[entries].T)[first, second]
    return out


LEAST = 1e-7
"""Codes are first looked for where every entry of the diagram on their way has this posterior probability."""

FAINTEST = LEAST
"""Codes less probable than that may pass entries that were left out when a diagram was narrowed."""
FAINT, FORGOTTEN, APART = 1e-290, -50.0, 300.0
"""Where the points that suit one section leave so little of another, relative to its best, that it underflows, and these
points weigh more than e^-50, or what the best ones of both would have together is e^300 of the evidence (readings of which
some are far outside everything), the look ahead can't be had so."""
WORTH_RESTRICTING = 100_000
"""Nodes times points from which leaving out the hopeless ones is quicker than a pass over all of them."""


def levels_of(posterior: Posterior, least: float) -> list[Level] | None:
    """All steps in turn, with the weight of each point in what can follow; None where that underflows somewhere."""
    parts = [_levels(section, least) for section in posterior.sections]
    log_evidence = posterior.log_evidence + posterior.log_count
    first = posterior.sections[0]
    if any(part is None for part in parts):
        return None
    (levels, tops, _), *others = [part for part in parts if part is not None]
    if not others:
        return weighed(levels, np.exp(first.log_prior + tops - log_evidence))
    ((second, second_tops, second_best),) = others
    grid, after = posterior.grid, posterior.sections[1]
    assert grid.link is not None  # two sections come from a paired grid
    shape = (math.prod(grid.shape), grid.link.shape[0])
    rows = (grid.log_scale[:, None] + grid.log_tilt).reshape(-1)
    one, two = first.columns[1], after.columns[-1]
    most = (float(tops.max()), float(second_tops.max()))
    table = np.zeros(shape)
    table.reshape(-1)[two] = np.exp(second_tops - most[1]) * second_best
    follows = (table @ grid.link.T).reshape(-1)[one]
    weight = tops + rows[one // shape[1]] + np.log(np.maximum(follows, FAINT)) + most[1] - log_evidence
    second_weight = second_tops + rows[two // shape[1]] + most[0] - log_evidence
    if weight[follows <= FAINT].max(initial=-math.inf) > FORGOTTEN or second_weight.max() > APART:
        return None
    levels, second = weighed(levels, np.exp(weight)), weighed(second, np.exp(second_weight))
    second[0] = evolve(second[0], enter=_Crossing(one, np.exp(tops - most[0]), two, grid.link, shape))
    return levels + second


def _levels(section: Section, least: float) -> tuple[list[Level], Array, Array] | None:
    """A section's steps in turn, the log of what each point's best symbols have, and the best code's part of that."""
    tops = np.zeros(section.posterior.size)
    ratios: list[list[Array]] = []
    chains = []
    for chain, rows in chains_of(section, least):
        top, ratio = scaled(rows)
        tops += top
        chains.append(chain)
        ratios.append(ratio)
    found = completed(chains, ratios)
    return None if found is None else (found[0], tops, found[1])


def completed(chains: Sequence[Chain], ratios: Sequence[Sequence[Array]]) -> tuple[list[Level], Array] | None:
    """The steps of some chains in turn, from their likelihoods beside the best symbols', and the best code's part (points,).

    None where that underflows somewhere.
    """
    later = np.ones(ratios[0][0].shape[1])  # what the chains to come have at best
    levels: list[Level] = []
    for chain, tables in zip(reversed(chains), reversed(ratios), strict=True):
        best = np.ones((1, later.size))
        own = []
        for step, table in zip(reversed(chain.steps), reversed(tables), strict=True):
            after, best = best_completions(step, table, best)
            own.append(Level(step, table, after))
        if best.min() < UNDERFLOW:
            return None
        levels = (weighed(own[::-1], later) if levels else own[::-1]) + levels
        later = later * best[0]
    return levels, later


def weighed(levels: list[Level], weight: Array) -> list[Level]:
    """The steps with another weight of the points in what can follow."""
    for level in levels:
        np.multiply(level.after, weight, out=level.after)
    return levels


@frozen(eq=False)
class _Crossing:
    """Fronts of the first section (codes, points `one` with their `weight`) become fronts at the points `two` of the second."""

    one: Indices
    weight: Array
    two: Indices
    link: Array
    shape: tuple[int, int]

    def __call__(self, front: Array) -> Array:
        table = np.zeros((front.shape[0], math.prod(self.shape)))
        table[:, self.one] = front * self.weight
        return np.asarray((table.reshape(-1, self.shape[1]) @ self.link).reshape(front.shape[0], -1)[:, self.two])


def chains_of(section: Section, least: float) -> Iterator[tuple[Chain, Sequence[Array]]]:
    """The section's chains with their log likelihoods; with `least`, as far as codes go that have this probability."""
    if section.whole is not None and least < FAINTEST:
        for chain in section.whole.chains:
            yield chain, section.whole.logs(chain, section.columns)
        return
    for chain, rows, entries in zip(section.chains, section.logs, section.entries, strict=True):
        large = sum(step.nodes for step in chain.steps) * section.posterior.size > WORTH_RESTRICTING
        if not least or not large:
            yield chain, rows
            continue
        left, symbols = restrict(chain, [held >= least for held in entries])
        yield left, [table[kept] for table, kept in zip(rows, symbols, strict=True)]


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
    root: Indices = np.zeros(1, dtype=np.intp)
    heap: list[tuple[int, bytes, int, float, int, Indices, Array]] = [
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
    stage: _Stage, nodes: Indices, weight: Array, join: _Join | None, *, ignoring: bool
) -> Iterator[tuple[int | None, Indices, Array, float]]:
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


def _opened(stage: _Stage, nodes: Indices, weight: Array) -> Iterator[tuple[int | None, Indices, Array]]:
    """The same where cuts are ignored; an ignored step has one way on: all depths together."""
    children = stage.step.children[nodes]
    at, symbols = np.nonzero(children >= 0)
    into = children[at, symbols]
    ratio = stage.logs[symbols] + stage.after[into] - stage.best[nodes[at]]
    weights = np.exp(np.minimum(ratio, 0.0)) * weight[at]
    one_way: list[tuple[int | None, Indices]] = [(None, np.arange(into.size))]
    alike: dict[tuple[int, ...], list[int]] = {}  # the same depths, whatever the jaw reaches at them
    for row, symbol in enumerate(symbols):
        alike.setdefault(tuple(stage.step.symbols[symbol].tolist()), []).append(row)
    by_depths: list[tuple[int | None, Indices]] = [(int(symbols[r[0]]), np.array(r)) for r in alike.values()]
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

    columns: Indices
    ahead: Array
    after: Indices
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
