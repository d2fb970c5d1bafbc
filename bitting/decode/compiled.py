"""A diagram of legal codes turned into index arrays, so that a pass over it is a handful of array operations.

Edges of a layer that enter the same node by the same symbol are one *entry*: a sum over paths first adds up the nodes
behind each entry (a product with a 0/1 matrix) and then multiplies by the symbol's likelihood, once per entry instead of
once per edge. In most diagrams a node remembers the depth that led to it, so there are as many entries as nodes.

A *symbol* is what a layer decides: one depth of one cut, or the depths of several cuts that are decided together.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from attrs import field, frozen

from bitting.model import Place

Ints = npt.NDArray[np.intp]

SPARSE_FROM = 600
"""Entries times nodes from which a sparse matrix product is quicker than a dense one (measured)."""


@frozen(eq=False)
class Step:
    """One layer: `places` it decides, `symbols[k]` the depth of each of them for symbol k, and its edges.

    `children[node, symbol]` is the node of the next layer or -1. Entry e enters node `entry_child[e]` of the next layer
    by `entry_symbol[e]`, entries sorted by node; `entry_starts` marks where each node's entries begin. `gather` is the
    0/1 matrix (entries, nodes), `scatter` its transpose. Edges sorted by source: `edge_entry`, `edge_starts`.
    """

    places: tuple[Place, ...]
    symbols: Ints
    children: Ints
    nodes: int
    next_nodes: int
    entry_child: Ints
    entry_symbol: Ints
    entry_starts: Ints
    single: bool
    gather: Any = field(repr=False)
    scatter: Any = field(repr=False)
    edge_entry: Ints = field(repr=False)
    edge_starts: Ints = field(repr=False)


@frozen(eq=False)
class Chain:
    """All layers of one diagram, with the number of codes it holds (exact)."""

    lanes: tuple[int, ...]
    steps: tuple[Step, ...]
    count: int


def compile_step(places: Sequence[Place], symbols: Ints, children: Ints, next_nodes: int) -> Step:
    """Index arrays of one layer. `children` (nodes, symbols), -1 where nothing legal follows."""
    children = np.asarray(children, dtype=np.intp)
    nodes, size = children.shape
    source, symbol = np.nonzero(children >= 0)
    key = children[source, symbol] * size + symbol
    entries, edge_entry = np.unique(key, return_inverse=True)
    entry_child, entry_symbol = np.divmod(entries, size)
    edge_starts = np.searchsorted(source, np.arange(nodes))
    gather: Any
    if entries.size * nodes > SPARSE_FROM:
        from scipy.sparse import csr_array

        gather = csr_array((np.ones(source.size), (edge_entry, source)), shape=(entries.size, nodes))
        scatter = gather.T.tocsr()
    else:
        gather = np.zeros((entries.size, nodes))
        gather[edge_entry, source] = 1.0
        scatter = np.ascontiguousarray(gather.T)
    return Step(
        places=tuple(places),
        symbols=np.asarray(symbols, dtype=np.intp),
        children=children,
        nodes=nodes,
        next_nodes=next_nodes,
        entry_child=entry_child,
        entry_symbol=entry_symbol,
        entry_starts=np.searchsorted(entry_child, np.arange(next_nodes)),
        single=entries.size == next_nodes,
        gather=gather,
        scatter=scatter,
        edge_entry=edge_entry,
        edge_starts=edge_starts,
    )


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


def restrict(chain: Chain, entries: Sequence[npt.NDArray[np.float64]], least: float) -> Chain:
    """The chain without edges into entries that hold less than `least` of the probability.

    Every code of at least that probability stays, since all that it passes through holds at least as much; nodes that
    nothing reaches, or from which nothing goes on, are taken out.
    """
    children = []
    alive = np.ones(1, dtype=bool)
    for step, entry in zip(chain.steps, entries, strict=True):
        table = np.full((step.next_nodes, step.symbols.shape[0]), False)
        table[step.entry_child, step.entry_symbol] = entry >= least
        kept = step.children.copy()
        symbol = np.broadcast_to(np.arange(kept.shape[1]), kept.shape)
        kept[~(alive[:, None] & (kept >= 0) & table[kept, symbol])] = -1
        children.append(kept)
        alive = np.bincount(kept[kept >= 0], minlength=step.next_nodes) > 0
    steps: list[Step] = []
    number = np.zeros(1, dtype=np.intp)
    for step, kept in zip(reversed(chain.steps), reversed(children), strict=True):
        kept = np.where(kept >= 0, number[kept], -1)
        going = (kept >= 0).any(axis=1)
        steps.append(compile_step(step.places, step.symbols, kept[going], int(number.max()) + 1))
        number = np.where(going, np.cumsum(going) - 1, -1)
    return Chain(chain.lanes, tuple(reversed(steps)), chain.count)
