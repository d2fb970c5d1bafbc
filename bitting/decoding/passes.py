"""Sums and maxima over all legal codes at once: the forward and backward passes on a compiled diagram.

Every array has the points of the grid (offset, tilt, wear scale, … of one key or of several) as its last axis; what a
pass does at one point knows nothing of the others. Likelihoods come scaled so that the best symbol of a step has 1 at
every point: then no sum overflows, and a sum that underflows can be recognised (`passes_in_logs` takes over).

Reference: L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77 (1989), section III, for chains; the layered
diagram takes the place of the transition matrix.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np

from bitting.decoding.compiled import Chain, Step
from bitting.decoding.density import Array


@cache
def keep_memory() -> None:
    """Let the C library keep the memory of a pass for the next one, once per process.

    A pass makes and drops many arrays of about a megabyte. The GNU C library hands each back to the kernel, and the page
    faults of getting them again take two thirds of the time (measured); but having freed one block of a size (up to
    32 MiB), it keeps blocks of that size from then on (mallopt(3), M_MMAP_THRESHOLD). Elsewhere this does nothing.
    """
    np.empty(31 << 20, dtype=np.uint8)


def entry_sums(
    chain: Chain, tables: Sequence[Array], follows: Sequence[Array], root: Array, parts: int = 0
) -> list[Array]:
    """Per step, the sum over the points of all codes through each entry (entries,), each point weighed by `root`.

    `tables[i]` is (symbols, points) for step i and `follows` comes from `backward`. With `parts`, points are as many
    keys' one after the other, and each key has sums of its own: (entries, parts).
    """
    found = []
    for entering, after in entry_pairs(chain, tables, follows, root):
        if parts:
            entries = entering.shape[0]
            both = entering.reshape(entries, parts, -1), after.reshape(entries, parts, -1)
            found.append(np.einsum("ekp,ekp->ek", *both))
        else:
            found.append(np.einsum("ep,ep->e", entering, after))
    return found


def entry_pairs(
    chain: Chain, tables: Sequence[Array], follows: Sequence[Array], root: Array
) -> Iterator[tuple[Array, Array]]:
    """Per step, what comes to each entry, weighed by `root`, and what follows it with its own likelihood: (entries, points).

    The product of both is the sum of all codes through the entry. The arrays are used again for the next step.
    """
    front = root[None, :]
    for step, table, after in zip(chain.steps, tables, follows, strict=True):
        entering = step.gather @ front
        yield entering, after
        entering *= table[step.entry_symbol]
        front = entering if step.single else step.merge @ entering


def backward(chain: Chain, tables: Sequence[Array]) -> tuple[list[Array], Array]:
    """Likelihood times all that can follow, per entry of each step (entries, points), and the root's total (points,)."""
    follows: list[Array] = [np.empty(0)] * len(chain.steps)
    back = np.ones((1, tables[0].shape[1]))
    for index in range(len(chain.steps) - 1, -1, -1):
        step = chain.steps[index]
        after = tables[index][step.entry_symbol]
        after *= back if step.single else back[step.entry_child]
        follows[index] = after
        back = step.scatter @ after
    return follows, back[0]


def best_logs(chain: Chain, logs: Sequence[Array], summed: Sequence[object] = ()) -> list[Array]:
    """log of the best completion of every node of every step and of the end: arrays (nodes, points).

    Steps for which `summed` is true add up what follows instead of taking the best; with such steps after it, one depth
    of another step may stand for several symbols (what the jaw reaches at it), which add up too: an upper bound of the best
    sum.
    """
    points = logs[0].shape[1]
    best: list[Array] = [np.empty(0)] * (len(chain.steps) + 1)
    best[-1] = np.zeros((1, points))
    for index in range(len(chain.steps) - 1, -1, -1):
        step = chain.steps[index]
        after = np.empty((step.entry_symbol.size + 1, points))
        np.take(logs[index], step.entry_symbol, axis=0, out=after[:-1])
        after[:-1] += best[index + 1] if step.single else best[index + 1][step.entry_child]
        after[-1] = -np.inf
        if summed and summed[index]:
            best[index] = np.logaddexp.reduce(after[step.ways], axis=1)
        elif any(summed):
            best[index] = _best_depths(step, after)
        else:
            best[index] = after[step.ways].max(axis=1)
    return best


def _best_depths(step: Step, after: Array) -> Array:
    """The best depths of each node (nodes, points), symbols of the same depths added up; `after` as in `best_logs`."""
    depths, group = np.unique(step.symbols, axis=0, return_inverse=True)
    if len(depths) == len(step.symbols):
        return np.asarray(after[step.ways].max(axis=1))
    of_entry = np.append(group.reshape(-1)[step.entry_symbol], -1)
    best = np.full((step.nodes, after.shape[1]), -np.inf)
    for one in range(len(depths)):
        alike = np.where((of_entry == one)[:, None], after, -np.inf)
        np.maximum(best, np.logaddexp.reduce(alike[step.ways], axis=1), out=best)
    return best


def passes_in_logs(chain: Chain, logs: Sequence[Array]) -> tuple[list[Array], Array]:
    """log of (forward times backward) per entry (entries, points), and log of the total (points,): slow, never underflows."""
    size = len(chain.steps)
    points = logs[0].shape[1]
    follows: list[Array] = [np.empty(0)] * size
    back = np.zeros((1, points))
    for index in range(size - 1, -1, -1):
        step = chain.steps[index]
        after = logs[index][step.entry_symbol] + back[step.entry_child]
        follows[index] = after
        back = np.logaddexp.reduceat(after[step.edge_entry], step.edge_starts, axis=0)
    total = back[0]
    front = np.zeros((1, points))
    joint = []
    for index, step in enumerate(chain.steps):
        source = np.repeat(np.arange(step.nodes), np.diff(np.append(step.edge_starts, step.edge_entry.size)))
        order = np.argsort(step.edge_entry, kind="stable")
        starts = np.searchsorted(step.edge_entry[order], np.arange(step.entry_child.size))
        entering = np.logaddexp.reduceat(front[source[order]], starts, axis=0)
        joint.append(entering + follows[index])
        front = np.logaddexp.reduceat(entering + logs[index][step.entry_symbol], step.entry_starts, axis=0)
    return joint, total
