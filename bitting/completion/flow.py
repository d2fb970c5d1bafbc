"""Links between candidates by maximum flow over the cover relation, and the rivals that prove them enough.

Every candidate is split into a place that a link leaves and a place that it enters. The source feeds each leaving place
once, the sink takes from each entering place once, and a link may pass through candidates that are tried on another
blank, by arcs without a bound: so the links are a largest matching in the whole order, found on its covers alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array


def link(covers: NDArray[np.int32], wanted: NDArray[np.bool_]) -> tuple[csr_array, NDArray[np.intp]]:
    """The flow that links the wanted candidates (see `links_of`), and the rivals.

    `covers` are pairs (lower, upper) with lower < upper; candidates that are not `wanted` are only passed through. Of
    the rivals, all wanted, no two can share a blank, and there are as many as the links leave chains. Nodes of the
    network: candidate v is left at v and entered at size + v; the source is 2·size, the sink 2·size + 1.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    size = len(wanted)
    source, sink = 2 * size, 2 * size + 1
    each = np.arange(size, dtype=np.int32)
    asked = each[wanted]
    tails = np.concatenate([np.full(len(asked), source, np.int32), asked + size, each + size, covers[:, 0]])
    heads = np.concatenate([asked, np.full(len(asked), sink, np.int32), each, covers[:, 1] + size])
    bound = np.ones(len(tails), np.int32)
    bound[2 * len(asked) :] = size
    capacity: csr_array = csr_array((bound, (tails, heads)), shape=(2 * size + 2, 2 * size + 2))
    flow = maximum_flow(capacity, source, sink, method="dinic").flow
    spare = csr_array(capacity - flow)
    spare.eliminate_zeros()
    reached = np.zeros(2 * size + 2, bool)
    reached[breadth_first_order(spare, source, directed=True, return_predecessors=False)] = True
    rivals = np.flatnonzero(reached[:size] & ~reached[size : 2 * size] & wanted)
    return csr_array(flow), rivals


def links_of(flow: csr_array) -> NDArray[np.int64]:
    """For each candidate the next one on its blank (-1: none).

    Candidates are in a linear order that the covers follow, so one pass from the first to the last takes the flow apart.
    """
    size = flow.shape[0] // 2 - 1
    table = flow.tocoo()
    tails, heads = table.coords
    keep = (table.data > 0) & (tails < size) & (heads < 2 * size)
    onward: list[list[tuple[int, int]]] = [[] for _ in range(size)]
    for tail, head, amount in zip(
        tails[keep].tolist(), (heads[keep] - size).tolist(), table.data[keep].tolist(), strict=True
    ):
        onward[tail].append((head, amount))
    source, sink = 2 * size, 2 * size + 1
    leaves, ends = np.zeros(size, bool), np.zeros(size, bool)
    positive = table.data > 0
    leaves[heads[positive & (tails == source)]] = True
    ends[tails[positive & (heads == sink)] - size] = True
    links = np.full(size, -1, np.int64)
    waiting: list[list[int]] = [[] for _ in range(size)]
    for place in range(size):
        here = waiting[place]
        if ends[place]:
            links[here.pop()] = place
        if leaves[place]:
            here.append(place)
        for head, amount in onward[place]:
            waiting[head] += here[-amount:]
            del here[-amount:]
    return links


def follow(links: NDArray[np.int64], wanted: NDArray[np.bool_]) -> list[list[int]]:
    """The chains that the links make of the wanted candidates."""
    following = links.tolist()
    entered = set(following)
    chains = []
    for start in np.flatnonzero(wanted).tolist():
        if start in entered:
            continue
        chain, at = [], start
        while at >= 0:
            chain.append(at)
            at = following[at]
        chains.append(chain)
    return chains
