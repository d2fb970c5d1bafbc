"""The most probable whole codes, level by level: all prefixes of a length at once.

A prefix's weight at every point, times the best completion there, summed over the points, bounds what any of its codes
can have (as in `kbest.py`). A beam of the best prefixes of each level first finds as many codes as are wanted; the least
of them is a limit that every better code must pass, and the search for these drops all prefixes whose bound is below it:
so the list is complete and its order exact. The search takes a few array operations a level, where a queue takes some for
every prefix; it gives up (None) where a great many codes are as likely as each other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
from attrs import frozen

from bitting.decoding.compiled import Ints, Step
from bitting.decoding.density import Array

BLOCK = 256
"""Prefixes that are taken on together."""
BUDGET = 40_000_000
"""Prefixes times points after which the search is given up."""
SMALL = 1_000_000
"""Prefixes times entries times points up to which one matrix product bounds them all, needed or not."""
SLACK = 1e-9
"""Relative difference of two probabilities that may be rounding."""

Found = list[tuple[npt.NDArray[np.int16], float]]


@frozen(eq=False)
class Level:
    """One step: `table` (symbols, points) its likelihoods relative to the best symbol at each point.

    `after` (entries, points) is that times the best completion and the weight of the point. `enter` is what a front
    (prefixes, points) goes through before the step (None: nothing).
    """

    step: Step
    table: Array
    after: Array
    enter: Callable[[Array], Array] | None = None


def best_completions(step: Step, table: Array, best: Array) -> tuple[Array, Array]:
    """(entries, points) of an entry's likelihood times the best completion behind it, and the best of each node."""
    after = table[step.entry_symbol]
    after *= best if step.single else best[step.entry_child]
    return after, np.maximum.reduceat(after[step.edge_entry], step.edge_starts, axis=0)


@frozen(eq=False)
class _Block:
    """Prefixes of one length: their nodes, likelihoods (prefixes, points), bounds and symbols (prefixes, levels)."""

    level: int
    nodes: Ints
    front: Array
    bounds: Array
    symbols: npt.NDArray[np.int16]

    def part(self, rows: Ints) -> _Block:
        """Some of them."""
        return _Block(self.level, self.nodes[rows], self.front[rows], self.bounds[rows], self.symbols[rows])


def best_by_level(levels: Sequence[Level], points: int, wanted: int) -> Found | None:
    """Symbols of each level and probability of the best codes, in order: all that are as good as the last one wanted.

    `points` are those of the first level. Fewer codes than wanted: there are no more.
    """
    symbols = np.zeros((1, len(levels)), dtype=np.int16)
    root = _Block(0, np.zeros(1, dtype=np.intp), np.ones((1, points)), np.ones(1), symbols)
    beam = root
    for level in levels:
        beam = _onwards(level, beam, 0.0, wanted)
    limit = float(np.sort(beam.bounds)[-wanted]) * (1 - SLACK) if beam.bounds.size >= wanted else 0.0
    found: Found = []
    spent = 0
    stack = [root]
    while stack:
        block = stack.pop()
        if block.level == len(levels):
            found += zip(block.symbols, block.bounds.tolist(), strict=True)
            if len(found) > 2 * wanted + BLOCK:  # the best of them raise the limit
                found = _best(found, wanted)
                limit = max(limit, found[-1][1] * (1 - SLACK))
            if len(found) > 2 * wanted + BLOCK:
                return None
            continue
        following = _onwards(levels[block.level], block, limit)
        spent += following.front.size
        if spent > BUDGET:
            return None
        rows = np.arange(following.nodes.size)
        stack += [following.part(rows[start : start + BLOCK]) for start in range(0, rows.size, BLOCK)]
    return _best(found, wanted)


def _best(found: Found, wanted: int) -> Found:
    """Those that are as good as the last one wanted, in order."""
    found = sorted(found, key=lambda one: -one[1])
    if len(found) <= wanted:
        return found
    limit = found[wanted - 1][1] * (1 - SLACK)
    return [one for one in found if one[1] >= limit]


def _onwards(level: Level, block: _Block, limit: float, most: int | None = None) -> _Block:
    """All ways on from some prefixes whose bound is at least `limit`; of these the best `most`."""
    step = level.step
    front = block.front if level.enter is None else level.enter(block.front)
    ways = step.ways[block.nodes]
    row, way = np.nonzero(ways < step.entry_child.size)
    entry = ways[row, way]
    bounds = _bounds(level, front, block.nodes, row, entry)
    keep = np.flatnonzero(bounds >= limit)
    if most is not None and keep.size > most:
        keep = keep[np.argpartition(-bounds[keep], most - 1)[:most]]
    row, entry = row[keep], entry[keep]
    symbol = step.entry_symbol[entry]
    after = front[row]
    after *= level.table[symbol]
    symbols = block.symbols[row]
    symbols[:, block.level] = symbol
    return _Block(block.level + 1, step.entry_child[entry], after, bounds[keep], symbols)


def _bounds(level: Level, front: Array, nodes: Ints, row: Ints, entry: Ints) -> Array:
    """What each way on (prefix, entry) can have at most."""
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
