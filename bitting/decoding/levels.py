"""The most probable whole codes, level by level: all prefixes of a length at once, of one key or of several.

A prefix's weight at every point, times the best completion there, summed over the points, bounds what any of its codes
can have (as in `kbest.py`). A beam of the best prefixes of each level first finds as many codes as are wanted; the least
of them is a limit that every better code must pass, and the search for these drops all prefixes whose bound is below it:
so the list is complete and its order exact. The search takes a few array operations a level, where a queue takes some for
every prefix; it gives up (None) where a great many codes are as likely as each other.

Keys that share their chains stand side by side: the points of an array are those of the first key, then of the second, …
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
MOST = 512
"""Codes of a key, beyond those wanted, after which it is given up too."""
SMALL = 1_000_000
"""Prefixes times entries times points up to which one matrix product bounds them all, needed or not."""
SLACK = 1e-9
"""Relative difference of two probabilities that may be rounding."""

Symbols = npt.NDArray[np.int16]
Found = list[tuple[Symbols, float]]


@frozen(eq=False)
class Level:
    """One step: `table` (symbols, points) its likelihoods relative to the best symbol at each point.

    `after` (entries and an empty one, points) is that times the best completion and the weight of the point. `enter` is
    what a front (prefixes, points) goes through before the step (None: nothing).
    """

    step: Step
    table: Array
    after: Array
    enter: Callable[[Array], Array] | None = None


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
    owner: Ints
    nodes: Ints
    front: Array
    bounds: Array
    symbols: Symbols

    def part(self, rows: Ints) -> _Block:
        """Some of them."""
        return _Block(
            self.level, self.owner[rows], self.nodes[rows], self.front[rows], self.bounds[rows], self.symbols[rows]
        )


def best_by_level(levels: Sequence[Level], points: int, wanted: int, keys: int = 1) -> list[Found] | None:
    """Per key, symbols of each level and probability of the best codes, in order: all as good as the last one wanted.

    `points` are those of one key at the first level. Fewer codes than wanted: there are no more.
    """
    whose: Ints = np.arange(keys)
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


def _bounds(level: Level, front: Array, nodes: Ints, row: Ints, entry: Ints) -> Array:
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
