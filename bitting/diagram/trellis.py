"""A diagram of legal codes turned into index arrays, so that a pass over it is a handful of array operations.

Edges of a layer that enter the same node by the same symbol are one *entry*: a sum over paths first adds up the nodes
behind each entry (a product with a 0/1 matrix) and then multiplies by the symbol's likelihood, once per entry instead of
once per edge. In most diagrams a node remembers the depth that led to it, so there are as many entries as nodes.

A *symbol* is what a layer decides: one depth of one cut, or the depths of several cuts that are decided together.

Sums and maxima over all legal codes at once: the forward and backward passes on a compiled diagram.

Every array has the points of the grid (offset, tilt, wear scale, … of one key or of several) as its last axis; what a
pass does at one point knows nothing of the others. Likelihoods come scaled so that the best symbol of a step has 1 at
every point: then no sum overflows.

Reference: L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77 (1989), section III, for chains; the layered
diagram takes the place of the transition matrix.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from attrs import field, frozen

from bitting.arrays import Array, Indices
from bitting.errors import BittingError
from bitting.model import Place

SPARSE_FROM = 600
"""Entries times nodes from which a sparse matrix product is quicker than a dense one (measured)."""


@frozen(eq=False)
class Step:
    """One layer: `places` it decides, `symbols[k]` the depth of each of them for symbol k, and its edges.

    `rows[k]` is the row of each place's likelihood table: the depth, or one of the dimensions the jaw reaches at it.

    `children[node, symbol]` is the node of the next layer or -1. Entry e enters node `entry_child[e]` of the next layer
    by `entry_symbol[e]`, entries sorted by node; `entry_starts` marks where each node's entries begin. `gather` is the
    0/1 matrix (entries, nodes), `scatter` its transpose, `merge` that of (next nodes, entries). Edges sorted by source:
    `edge_entry`, `edge_starts`.
    `ways[node]` lists the entries that a node leads to, padded with the number of entries.
    """

    places: tuple[Place, ...]
    symbols: Indices
    rows: Indices
    children: Indices
    nodes: int
    next_nodes: int
    entry_child: Indices
    entry_symbol: Indices
    entry_starts: Indices
    single: bool
    gather: Any = field(repr=False)
    scatter: Any = field(repr=False)
    merge: Any = field(repr=False)
    edge_entry: Indices = field(repr=False)
    edge_starts: Indices = field(repr=False)
    ways: Indices = field(repr=False)

    def symbol_of(self, rows: Sequence[int]) -> int | None:
        """The first symbol with these rows, one for each place; None where there is none."""
        alike = self.rows[:, 0] == rows[0]
        for column, row in enumerate(rows[1:], 1):
            alike &= self.rows[:, column] == row
        at = int(alike.argmax())
        return at if alike[at] else None


@frozen(eq=False)
class Chain:
    """All layers of one diagram, with the number of codes it holds (exact)."""

    lanes: tuple[int, ...]
    steps: tuple[Step, ...]
    count: int


def compile_step(
    places: Sequence[Place], symbols: Indices, children: Indices, next_nodes: int, rows: Indices | None = None
) -> Step:
    """Index arrays of one layer. `children` (nodes, symbols), -1 where nothing legal follows; `rows`: the symbols.

    (Long: a plain list of what a step holds.)
    """
    children = np.asarray(children, dtype=np.intp)
    nodes, size = children.shape
    source, symbol = np.nonzero(children >= 0)
    key = children[source, symbol] * size + symbol
    entries, edge_entry = np.unique(key, return_inverse=True)
    entry_child, entry_symbol = np.divmod(entries, size)
    edge_starts = np.searchsorted(source, np.arange(nodes))
    gather: Any
    merge: Any
    if entries.size * nodes > SPARSE_FROM:
        from scipy.sparse import csr_array

        gather = csr_array((np.ones(source.size), (edge_entry, source)), shape=(entries.size, nodes))
        scatter = gather.T.tocsr()
        merge = csr_array((np.ones(entries.size), (entry_child, np.arange(entries.size))), (next_nodes, entries.size))
    else:
        gather = np.zeros((entries.size, nodes))
        gather[edge_entry, source] = 1.0
        scatter = np.ascontiguousarray(gather.T)
        merge = np.zeros((next_nodes, entries.size))
        merge[entry_child, np.arange(entries.size)] = 1.0
    return Step(
        places=tuple(places),
        symbols=np.asarray(symbols, dtype=np.intp),
        rows=np.asarray(symbols if rows is None else rows, dtype=np.intp),
        children=children,
        nodes=nodes,
        next_nodes=next_nodes,
        entry_child=entry_child,
        entry_symbol=entry_symbol,
        entry_starts=np.searchsorted(entry_child, np.arange(next_nodes)),
        single=entries.size == next_nodes,
        gather=gather,
        scatter=scatter,
        merge=merge,
        edge_entry=edge_entry,
        edge_starts=edge_starts,
        ways=_ways(source, edge_entry, edge_starts, entries.size),
    )


def _ways(source: Indices, edge_entry: Indices, edge_starts: Indices, entries: int) -> Indices:
    """The entries of each node's edges, (nodes, most edges of a node)."""
    column = np.arange(source.size) - edge_starts[source]
    ways = np.full((edge_starts.size, int(column.max()) + 1), entries, dtype=np.intp)
    ways[source, column] = edge_entry
    return ways


def compile_diagram(diagram: Any) -> Chain:
    """The chain of a `bitting.diagram.Diagram`."""
    steps = []
    layers = diagram.layers
    for index, layer in enumerate(layers):
        children = np.asarray(layer.children)
        following = layers[index + 1].children.shape[0] if index + 1 < len(layers) else 1
        symbols = np.arange(children.shape[1], dtype=np.intp)[:, None]
        steps.append(compile_step((layer.place,), symbols, children, following))
    return Chain(lanes=tuple(diagram.lanes), steps=tuple(steps), count=int(diagram.count))


def restrict(chain: Chain, kept: Sequence[npt.NDArray[np.bool_]]) -> tuple[Chain, tuple[Indices, ...]]:
    """The chain with only the `kept` entries of each step, and per step the numbers its symbols had.

    Nodes that nothing reaches any more, or from which nothing goes on, are taken out, with the entries that lead there,
    and symbols that lead nowhere. Some code must be left.
    """
    children = []
    alive = np.ones(1, dtype=bool)
    for step, keep in zip(chain.steps, kept, strict=True):
        table = np.full((step.next_nodes, step.symbols.shape[0]), False)
        table[step.entry_child[keep], step.entry_symbol[keep]] = True
        left = step.children.copy()
        symbol = np.broadcast_to(np.arange(left.shape[1]), left.shape)
        left[~(alive[:, None] & (left >= 0) & table[left, symbol])] = -1
        children.append(left)
        alive = np.bincount(left[left >= 0], minlength=step.next_nodes) > 0
    steps: list[Step] = []
    numbers: list[Indices] = []
    number = np.zeros(1, dtype=np.intp)
    for step, old in zip(reversed(chain.steps), reversed(children), strict=True):
        left = np.where(old >= 0, number[old], -1)
        going, used = (left >= 0).any(axis=1), np.flatnonzero((left >= 0).any(axis=0))
        steps.append(
            compile_step(step.places, step.symbols[used], left[going][:, used], int(number.max()) + 1, step.rows[used])
        )
        numbers.append(used)
        number = np.where(going, np.cumsum(going) - 1, -1)
    return Chain(chain.lanes, tuple(reversed(steps)), chain.count), tuple(reversed(numbers))


def couple(chains: Sequence[Chain], pairs: Sequence[tuple[Place, Place]]) -> tuple[Chain, ...]:
    """The same codes, with both cuts of each pair decided in one step, so that what was read of both can be weighed.

    Chains that a pair joins become one (their product, in step). Symbols of a joint step run over (first, second) depths.
    """
    found = list(chains)
    for lanes in dict.fromkeys((first.lane, second.lane) for first, second in pairs):
        wanted = {first: second for first, second in pairs if (first.lane, second.lane) == lanes}
        one = next(chain for chain in found if lanes[0] in chain.lanes)
        other = next(chain for chain in found if lanes[1] in chain.lanes)
        rest = [chain for chain in found if chain is not one and chain is not other]
        joined = _merged(one, wanted) if one is other else _product(one, other, wanted)
        found = [*rest, joined]
    return tuple(found)


def _joint(left: Indices, right: Indices) -> Indices:
    """(first symbols · second symbols, both places' depths or rows)."""
    return np.concatenate([np.repeat(left, len(right), axis=0), np.tile(right, (len(left), 1))], axis=1)


def _merged(chain: Chain, wanted: Mapping[Place, Place]) -> Chain:
    """Steps of one chain, those of a pair (which follow each other) as one."""
    partner = {**wanted, **{second: first for first, second in wanted.items()}}
    steps: list[Step] = []
    rest = list(chain.steps)
    while rest:
        step = rest.pop(0)
        place = step.places[0]
        if len(step.places) > 1 or place not in partner:
            steps.append(step)
            continue
        following = rest.pop(0)
        if following.places != (partner[place],):
            raise BittingError(
                "readings across two tracks need a system whose opposite cuts are decided together",
                hint="give readings of the single tracks instead",
            )
        size = following.children.shape[1]
        children = np.where(step.children[:, :, None] >= 0, following.children[step.children], -1)
        children = children.reshape(step.nodes, step.children.shape[1] * size)
        symbols, rows = _joint(step.symbols, following.symbols), _joint(step.rows, following.rows)
        places = (*step.places, *following.places)
        steps.append(compile_step(places, symbols, children, following.next_nodes, rows))
    return Chain(chain.lanes, tuple(steps), chain.count)


def _product(one: Chain, other: Chain, wanted: Mapping[Place, Place]) -> Chain:
    """Two chains walked in step: a node is a node of each."""
    back = {second: first for first, second in wanted.items()}
    left, right = list(one.steps), list(other.steps)
    states = np.zeros((1, 2), dtype=np.intp)
    steps: list[Step] = []
    while left or right:
        if left and left[0].places[0] not in wanted:
            step = left.pop(0)
            children = _moved(step.children[states[:, 0]], np.broadcast_to(states[:, 1:], (len(states), 1)))
            places, symbols, rows = step.places, step.symbols, step.rows
        elif right and right[0].places[0] not in back:
            step = right.pop(0)
            children = _moved(np.broadcast_to(states[:, :1], (len(states), 1)), step.children[states[:, 1]])
            places, symbols, rows = step.places, step.symbols, step.rows
        else:
            first, second = left.pop(0), right.pop(0)
            children = _moved(first.children[states[:, 0]], second.children[states[:, 1]])
            places = (*first.places, *second.places)
            symbols, rows = _joint(first.symbols, second.symbols), _joint(first.rows, second.rows)
        legal = (children >= 0).all(axis=-1)
        following, number = np.unique(children[legal], axis=0, return_inverse=True)
        table = np.full(legal.shape, -1, dtype=np.intp)
        table[legal] = number.reshape(-1)
        steps.append(compile_step(places, symbols, table, len(following), rows))
        states = following
    return Chain((*one.lanes, *other.lanes), tuple(steps), one.count * other.count)


def _moved(first: Indices, second: Indices) -> Indices:
    """(nodes, first symbols · second symbols, 2): the pair of nodes that each pair of symbols leads to."""
    size = (first.shape[0], first.shape[1], second.shape[1])
    pair = np.stack([np.broadcast_to(first[:, :, None], size), np.broadcast_to(second[:, None, :], size)], axis=-1)
    return pair.reshape(size[0], size[1] * size[2], 2)


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
