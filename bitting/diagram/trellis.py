"""A diagram of legal codes turned into index arrays, so that a pass over it is a handful of array operations.

Edges of a layer that enter the same node by the same label are one *arc*: a sum over paths first adds up the nodes
behind each arc (a product with a 0/1 matrix) and then multiplies by the label's likelihood, once per arc instead of
once per edge. In most diagrams a node remembers the depth that led to it, so there are as many arcs as nodes.

A *label* is what a layer decides: one depth of one cut, or the depths of several cuts that are decided together.

**Forward and backward passes** sum over all legal codes at once. Every array has the points of the grid (offset, tilt,
wear scale, … of one key or of several) as its last axis; what a pass does at one point knows nothing of the others.
Likelihoods come scaled so that the best label of a layer has 1 at every point: then no sum overflows.

Reference: L. R. Rabiner, A tutorial on hidden Markov models, Proc. IEEE 77 (1989), section III, for chains; the layered
diagram takes the place of the transition matrix.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache, cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from attrs import field, frozen

from bitting.arrays import Array, Indices
from bitting.diagram.space import Diagram
from bitting.errors import BittingError
from bitting.model import Place

SPARSE_FROM = 600
"""Arcs times nodes from which a sparse matrix product is quicker than a dense one (measured)."""


@frozen(eq=False)
class TrellisLayer:
    """One layer: `places` it decides, `labels[k]` the depth of each of them for label k, and its edges.

    `rows[k]` is the row of each place's likelihood table: the depth, or one of the dimensions the jaw reaches at it.

    `children[node, label]` is the node of the next layer or -1. Arc a enters node `arc_child[a]` of the next layer
    by `arc_label[a]`, arcs sorted by node. `gather` is the 0/1 matrix (arcs, nodes), `scatter` its transpose,
    `merge` that of (next nodes, arcs).
    `ways[node]` lists the arcs that a node leads to, padded with the number of arcs.
    """

    places: tuple[Place, ...]
    labels: Indices
    rows: Indices
    children: Indices
    nodes: int
    next_nodes: int
    arc_child: Indices
    arc_label: Indices
    single: bool
    gather: Any = field(repr=False)
    scatter: Any = field(repr=False)
    merge: Any = field(repr=False)
    ways: Indices = field(repr=False)

    @cached_property
    def depths(self) -> Indices:
        """A number per label, the same for labels of the same depths."""
        column = self.labels[:, 0] if self.labels.shape[1] == 1 else self.labels
        return np.unique(column, axis=0, return_inverse=True)[1].reshape(-1)


@frozen(eq=False)
class Trellis:
    """All layers of one diagram, with the number of codes it holds (exact)."""

    lanes: tuple[int, ...]
    layers: tuple[TrellisLayer, ...]
    count: int


def compile_layer(
    places: Sequence[Place], labels: Indices, children: Indices, next_nodes: int, rows: Indices | None = None
) -> TrellisLayer:
    """Index arrays of one layer. `children` (nodes, labels), -1 where nothing legal follows; `rows`: the labels.

    (Long: a plain list of what a layer holds.)
    """
    children = np.asarray(children, dtype=np.intp)
    nodes, size = children.shape
    source, label = np.nonzero(children >= 0)
    key = children[source, label] * size + label
    arcs, edge_arc = np.unique(key, return_inverse=True)
    arc_child, arc_label = np.divmod(arcs, size)
    edge_starts = np.searchsorted(source, np.arange(nodes))
    gather: Any
    merge: Any
    if arcs.size * nodes > SPARSE_FROM:
        from scipy.sparse import csr_array

        gather = csr_array((np.ones(source.size), (edge_arc, source)), shape=(arcs.size, nodes))
        scatter = gather.T.tocsr()
        merge = csr_array((np.ones(arcs.size), (arc_child, np.arange(arcs.size))), (next_nodes, arcs.size))
    else:
        gather = np.zeros((arcs.size, nodes))
        gather[edge_arc, source] = 1.0
        scatter = np.ascontiguousarray(gather.T)
        merge = np.zeros((next_nodes, arcs.size))
        merge[arc_child, np.arange(arcs.size)] = 1.0
    return TrellisLayer(
        places=tuple(places),
        labels=np.asarray(labels, dtype=np.intp),
        rows=np.asarray(labels if rows is None else rows, dtype=np.intp),
        children=children,
        nodes=nodes,
        next_nodes=next_nodes,
        arc_child=arc_child,
        arc_label=arc_label,
        single=arcs.size == next_nodes,
        gather=gather,
        scatter=scatter,
        merge=merge,
        ways=_ways(source, edge_arc, edge_starts, arcs.size),
    )


def _ways(source: Indices, edge_arc: Indices, edge_starts: Indices, arcs: int) -> Indices:
    """The arcs of each node's edges, (nodes, most edges of a node)."""
    column = np.arange(source.size) - edge_starts[source]
    ways = np.full((edge_starts.size, int(column.max()) + 1), arcs, dtype=np.intp)
    ways[source, column] = edge_arc
    return ways


def compile_diagram(diagram: Diagram) -> Trellis:
    layers = []
    following = [*(layer.children.shape[0] for layer in diagram.layers[1:]), 1]
    for layer, nodes in zip(diagram.layers, following, strict=True):
        children = layer.children.astype(np.intp)
        labels = np.arange(children.shape[1], dtype=np.intp)[:, None]
        layers.append(compile_layer((layer.place,), labels, children, nodes))
    return Trellis(lanes=tuple(diagram.lanes), layers=tuple(layers), count=int(diagram.count))


def restrict(trellis: Trellis, kept: Sequence[npt.NDArray[np.bool_]]) -> tuple[Trellis, tuple[Indices, ...]]:
    """The trellis with only the `kept` arcs of each layer, and per layer the numbers its labels had.

    Nodes that nothing reaches any more, or from which nothing goes on, are taken out, with the arcs that lead there,
    and labels that lead nowhere. Some code must be left.
    """
    children = []
    alive = np.ones(1, dtype=bool)
    for layer, keep in zip(trellis.layers, kept, strict=True):
        table = np.full((layer.next_nodes, layer.labels.shape[0]), False)
        table[layer.arc_child[keep], layer.arc_label[keep]] = True
        left = layer.children.copy()
        label = np.broadcast_to(np.arange(left.shape[1]), left.shape)
        left[~(alive[:, None] & (left >= 0) & table[left, label])] = -1
        children.append(left)
        alive = np.bincount(left[left >= 0], minlength=layer.next_nodes) > 0
    layers: list[TrellisLayer] = []
    numbers: list[Indices] = []
    number = np.zeros(1, dtype=np.intp)
    for layer, old in zip(reversed(trellis.layers), reversed(children), strict=True):
        left = np.where(old >= 0, number[old], -1)
        going, used = (left >= 0).any(axis=1), np.flatnonzero((left >= 0).any(axis=0))
        layers.append(
            compile_layer(
                layer.places, layer.labels[used], left[going][:, used], int(number.max()) + 1, layer.rows[used]
            )
        )
        numbers.append(used)
        number = np.where(going, np.cumsum(going) - 1, -1)
    return Trellis(trellis.lanes, tuple(reversed(layers)), trellis.count), tuple(reversed(numbers))


def couple(trellises: Sequence[Trellis], pairs: Sequence[tuple[Place, Place]]) -> tuple[Trellis, ...]:
    """The same codes, with both cuts of each pair decided in one layer, so that what was read of both can be weighed.

    Trellises that a pair joins become one: their product, walked in step. Labels of a joint layer run over the depths of
    the first and the second cut.
    """
    found = list(trellises)
    for lanes in dict.fromkeys((first.lane, second.lane) for first, second in pairs):
        wanted = {first: second for first, second in pairs if (first.lane, second.lane) == lanes}
        one = next(trellis for trellis in found if lanes[0] in trellis.lanes)
        other = next(trellis for trellis in found if lanes[1] in trellis.lanes)
        rest = [trellis for trellis in found if trellis is not one and trellis is not other]
        joined = _merged(one, wanted) if one is other else _product(one, other, wanted)
        found = [*rest, joined]
    return tuple(found)


def _joint(left: Indices, right: Indices) -> Indices:
    """(first labels · second labels, both places' depths or rows)."""
    return np.concatenate([np.repeat(left, len(right), axis=0), np.tile(right, (len(left), 1))], axis=1)


def _merged(trellis: Trellis, wanted: Mapping[Place, Place]) -> Trellis:
    """Layers of one trellis, those of a pair (which follow each other) as one."""
    partner = {**wanted, **{second: first for first, second in wanted.items()}}
    layers: list[TrellisLayer] = []
    rest = list(trellis.layers)
    while rest:
        layer = rest.pop(0)
        place = layer.places[0]
        if len(layer.places) > 1 or place not in partner:
            layers.append(layer)
            continue
        following = rest.pop(0)
        if following.places != (partner[place],):
            raise BittingError(
                "readings across two tracks need a system whose opposite cuts are decided together",
                hint="give readings of the single tracks instead",
            )
        size = following.children.shape[1]
        children = np.where(layer.children[:, :, None] >= 0, following.children[layer.children], -1)
        children = children.reshape(layer.nodes, layer.children.shape[1] * size)
        labels, rows = _joint(layer.labels, following.labels), _joint(layer.rows, following.rows)
        places = (*layer.places, *following.places)
        layers.append(compile_layer(places, labels, children, following.next_nodes, rows))
    return Trellis(trellis.lanes, tuple(layers), trellis.count)


def _product(one: Trellis, other: Trellis, wanted: Mapping[Place, Place]) -> Trellis:
    """Two trellises walked in step: a node is a node of each."""
    back = {second: first for first, second in wanted.items()}
    left, right = list(one.layers), list(other.layers)
    states = np.zeros((1, 2), dtype=np.intp)
    layers: list[TrellisLayer] = []
    while left or right:
        if left and left[0].places[0] not in wanted:
            layer = left.pop(0)
            children = _moved(layer.children[states[:, 0]], np.broadcast_to(states[:, 1:], (len(states), 1)))
            places, labels, rows = layer.places, layer.labels, layer.rows
        elif right and right[0].places[0] not in back:
            layer = right.pop(0)
            children = _moved(np.broadcast_to(states[:, :1], (len(states), 1)), layer.children[states[:, 1]])
            places, labels, rows = layer.places, layer.labels, layer.rows
        else:
            first, second = left.pop(0), right.pop(0)
            children = _moved(first.children[states[:, 0]], second.children[states[:, 1]])
            places = (*first.places, *second.places)
            labels, rows = _joint(first.labels, second.labels), _joint(first.rows, second.rows)
        legal = (children >= 0).all(axis=-1)
        following, number = np.unique(children[legal], axis=0, return_inverse=True)
        table = np.full(legal.shape, -1, dtype=np.intp)
        table[legal] = number.reshape(-1)
        layers.append(compile_layer(places, labels, table, len(following), rows))
        states = following
    return Trellis((*one.lanes, *other.lanes), tuple(layers), one.count * other.count)


def _moved(first: Indices, second: Indices) -> Indices:
    """(nodes, first labels · second labels, 2): the pair of nodes that each pair of labels leads to."""
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


def arc_sums(trellis: Trellis, tables: Sequence[Array], follows: Sequence[Array], root: Array) -> list[Array]:
    """Per layer, the sum over the points of all codes through each arc (arcs,), each point weighed by `root`.

    `tables[i]` is (labels, points) for layer i and `follows` comes from `backward`.
    """
    pairs = arc_pairs(trellis, tables, follows, root)
    return [np.einsum("ep,ep->e", entering, after) for entering, after in pairs]


def arc_pairs(
    trellis: Trellis, tables: Sequence[Array], follows: Sequence[Array], root: Array
) -> Iterator[tuple[Array, Array]]:
    """Per layer, what comes to each arc, weighed by `root`, and what follows it with its own likelihood: (arcs, points).

    The product of both is the sum of all codes through the arc. The arrays are used again for the next layer.
    """
    front = root[None, :]
    for layer, table, after in zip(trellis.layers, tables, follows, strict=True):
        entering = layer.gather @ front
        yield entering, after
        entering *= table[layer.arc_label]
        front = entering if layer.single else layer.merge @ entering


def backward(trellis: Trellis, tables: Sequence[Array]) -> tuple[list[Array], Array]:
    """Likelihood times all that can follow, per arc of each layer (arcs, points), and the root's total (points,)."""
    follows: list[Array] = [np.empty(0)] * len(trellis.layers)
    back = np.ones((1, tables[0].shape[1]))
    for index in range(len(trellis.layers) - 1, -1, -1):
        layer = trellis.layers[index]
        after = tables[index][layer.arc_label]
        after *= back if layer.single else back[layer.arc_child]
        follows[index] = after
        back = layer.scatter @ after
    return follows, back[0]
