"""The fewest blanks that try every candidate: a minimum chain cover, with the proof that no fewer will do.

One blank tries a *chain*: codes each at least as deep everywhere as the one before. By Dilworth's theorem (R. P.
Dilworth, Annals of Mathematics 51, 1950) the fewest chains that hold all candidates are as many as the largest set of
codes no two of which can share a blank. `fewest_chains` finds both, so that the answer carries its own proof: as many
chains as there are codes in `antichain`.

How (D. R. Fulkerson, Proceedings of the AMS 7, 1956): cutting the chains into links turns the question into a largest
matching of "next on the same blank" pairs, found as a maximum flow over the cover relation.

Among the covers with that number, likelier codes are brought to the front:
1. The first blank carries the likeliest chain of all, if some minimal cover holds it; then the same is asked of the
   second blank and what is left, and so on until the answer is no (or `FRONT` blanks are settled, fewer where the
   cover relation is large).
2. The blanks come in the order of what they hold, likeliest first, and no code could be tried on an earlier blank.

>>> import numpy as np
>>> found = fewest_chains(np.array([[0, 0], [0, 1], [1, 0], [1, 1]]))
>>> found.chains, found.antichain
(((0, 1, 3), (2,)), (1, 2))

**The links** and the antichain that proves them enough (`link`). Every candidate is split into a place that a link leaves
and a place that it enters. The source feeds each leaving place once, the sink takes from each entering place once, and a
link may pass through candidates that are tried on another blank, by arcs without a bound: so the links are a largest
matching in the whole order, found on its covers alone.

**The order** "at least as deep everywhere", and its cover relation (`Order`, `covers_of`): a blank can be recut only
deeper, so it can go from code a to code b when b is at least as deep at every cut. Code b *covers* a when that holds and
no third candidate lies between them. The candidates need not fill a box: a rule can take away every code between two
others, so a cover can change several cuts at once and by several depths, and has to be found among the candidates
themselves.

How: the candidates stand in order of the sum of their depths, so whatever is above a code stands after it. For every
cut and depth one row of bits says which candidates are at least that deep there; the AND of a code's rows is the set of
all codes above it. The first of them covers it; take away everything above that one, and the first of the rest is the
next cover, and so on until nothing is left. Memory: n²/8 bytes (50 MB at 20,000 candidates).

>>> Order(np.array([[0, 0], [0, 1], [1, 0], [1, 1]])).covers().tolist()
[[0, 1], [0, 2], [1, 3], [2, 3]]
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array


def link(covers: NDArray[np.int32], wanted: NDArray[np.bool_]) -> tuple[csr_array, NDArray[np.intp]]:
    """The flow that links the wanted candidates (see `links_of`), and the antichain.

    `covers` are pairs (lower, upper) with lower < upper; candidates that are not `wanted` are only passed through. Of
    the antichain, all wanted, no two can share a blank, and there are as many as the links leave chains. Nodes of the
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
    antichain = np.flatnonzero(reached[:size] & ~reached[size : 2 * size] & wanted)
    return csr_array(flow), antichain


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


Rows = NDArray[np.integer]
"""Candidates: one row per code, one column per cut, each a depth's place (deeper is larger)."""

WORD = 64
BLOCK_BYTES = 32 << 20


class Order:
    """The candidates, sorted by the sum of their depths, with the bits that answer "which are at least this deep".

    `rows` must not hold a row twice. `rows[i]` is candidate i of this order and row `given[i]` of the input.
    """

    def __init__(self, rows: Rows) -> None:
        rows = np.asarray(rows)
        sums = rows.sum(axis=1, dtype=np.int64)
        self.given = np.lexsort((*rows.T[::-1], sums)) if rows.shape[1] else np.arange(len(rows))
        self.rows = rows[self.given]
        self.sums = sums[self.given]
        self.size = len(rows)
        self.words = -(-self.size // WORD)
        moving = [j for j in range(rows.shape[1]) if self.size and self.rows[:, j].min() != self.rows[:, j].max()]
        self._columns = moving
        self._deeper = [self._bits(self.rows[:, j]) for j in moving]
        self._shallower = [self._bits(-self.rows[:, j].astype(np.int64)) for j in moving]

    def _bits(self, column: Rows) -> tuple[NDArray[np.intp], NDArray[np.uint64]]:
        """For each candidate a row number, and under that row the candidates whose value is at least as large."""
        values, which = np.unique(column, return_inverse=True)
        return which, np.stack([pack(column >= value, self.words) for value in values])

    def above(self, start: int, stop: int) -> NDArray[np.uint64]:
        """Bits of the candidates at least as deep everywhere as each of `start` to `stop`, itself among them."""
        return self._meet(self._deeper, np.arange(start, stop))

    def beside_all(self, candidates: list[int]) -> NDArray[np.uint64]:
        """Bits of the candidates that can share a blank with each of these, themselves among them when they can."""
        each = np.array(candidates)
        either = self._meet(self._deeper, each) | self._meet(self._shallower, each)
        out: NDArray[np.uint64] = np.bitwise_and.reduce(either, axis=0)
        return out

    def _meet(
        self, tables: list[tuple[NDArray[np.intp], NDArray[np.uint64]]], which: NDArray[np.intp]
    ) -> NDArray[np.uint64]:
        if not tables:
            return np.broadcast_to(pack(np.ones(self.size, bool), self.words), (len(which), self.words)).copy()
        (first, bits), *others = tables
        out: NDArray[np.uint64] = bits[first[which]]
        for index, bits in others:
            out &= bits[index[which]]
        return out

    def covers(self, most: int | None = None) -> NDArray[np.int32]:
        """Every pair (lower, upper) where upper covers lower, sorted, as an array of shape (pairs, 2).

        `most` is the number of pairs to give up at, with `TooManyCovers`: two large groups of codes, each of one
        comparable with each of the other and none between, have as many covers as pairs.
        """
        everything = np.empty((self.size, self.words), np.uint64)
        step = max(1, BLOCK_BYTES // max(1, self.words * 8))
        for start in range(0, self.size, step):
            everything[start : start + step] = self.above(start, min(self.size, start + step))
        found: list[NDArray[np.int32]] = []
        total = 0
        for start in range(0, self.size, step):
            pairs = self._covers_of(start, min(self.size, start + step), everything)
            found.append(pairs)
            total += len(pairs)
            if most is not None and total > most:
                raise TooManyCovers(total)
        out = np.concatenate(found) if found else np.empty((0, 2), np.int32)
        return out[np.lexsort((out[:, 1], out[:, 0]))]

    def _covers_of(self, start: int, stop: int, everything: NDArray[np.uint64]) -> NDArray[np.int32]:
        """The pairs whose lower code is one of `start` to `stop`."""
        skip = start // WORD  # what is above a code stands after it
        open_ = everything[start:stop, skip:].copy()
        lower = np.arange(start, stop)
        open_[lower - start, lower // WORD - skip] &= ~(np.uint64(1) << (lower % WORD).astype(np.uint64))
        found = []
        while True:
            some = open_ != 0
            left = some.any(axis=1)
            if not left.all():
                open_, lower, some = open_[left], lower[left], some[left]
            if not len(lower):
                break
            word = some.argmax(axis=1)
            upper = (word + skip) * WORD + first_bit(open_[np.arange(len(word)), word])
            found.append(np.stack([lower, upper], axis=1).astype(np.int32))
            open_ &= ~everything[upper, skip:]
        return np.concatenate(found) if found else np.empty((0, 2), np.int32)


class TooManyCovers(Exception):
    """The cover relation is larger than the caller was ready to hold; never seen by a user."""


def pack(flags: NDArray[np.bool_], words: int) -> NDArray[np.uint64]:
    """Flags as bits, the first in the lowest bit of the first word, padded to whole words."""
    packed = np.zeros(words * (WORD // 8), np.uint8)
    some = np.packbits(flags, bitorder="little")
    packed[: len(some)] = some
    return packed.view("<u8").astype(np.uint64, copy=False)


def unpack(bits: NDArray[np.uint64], size: int) -> NDArray[np.bool_]:
    flags = np.unpackbits(bits.astype("<u8", copy=False).view(np.uint8), count=size, bitorder="little")
    return flags.astype(np.bool_)


def first_bit(words: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Place of the lowest set bit of each word; none may be 0."""
    lowest = words & (~words + np.uint64(1))
    return (np.frexp(lowest.astype(np.float64))[1] - 1).astype(np.int64)


MOST_COVERS = 3_000_000
"""Pairs in the cover relation that the flow still takes within 1 GiB."""

FRONT = 20
"""Blanks for which the likeliest chain is asked for."""

FRONT_WORK = 4_000_000
"""Covers gone through for that; fewer blanks are asked about when one pass costs more."""

AT_ONCE = 1500
"""Codes considered together when a blank is filled up."""


@frozen
class Chains:
    """A chain cover of rows 0 to n-1, each row in exactly one chain, shallowest first.

    `antichain` are rows of which no two can share a chain, so no cover has fewer chains than it has rows; the cover is
    proven minimal when they are as many as the chains.
    """

    chains: tuple[tuple[int, ...], ...]
    antichain: tuple[int, ...]


def fewest_chains(rows: Rows, weights: NDArray[np.float64] | None = None) -> Chains:
    """A minimum chain cover of the rows (shape (codes, cuts), no row twice), and as large an antichain.

    `weights` (one per row, none negative; absent: all alike) say how likely each row is. Raises `TooManyCovers` when
    the cover relation is too large to hold.
    """
    order = Order(rows)
    if not order.size:
        return Chains((), ())
    heavy = np.ones(order.size) if weights is None else np.asarray(weights, np.float64)[order.given]
    covers = order.covers(MOST_COVERS)
    flow, antichain = link(covers, np.ones(order.size, bool))
    front, flow, wanted = _likeliest_first(covers, flow, heavy, len(antichain))
    chains = _fill(order, front + follow(links_of(flow), wanted), heavy)
    given = order.given.tolist()
    return Chains(
        tuple(tuple(given[i] for i in chain) for chain in chains), tuple(sorted(given[i] for i in antichain.tolist()))
    )


def fewest(rows: Rows) -> int:
    """How many chains it takes, without saying which."""
    order = Order(rows)
    if not order.size:
        return 0
    return len(link(order.covers(MOST_COVERS), np.ones(order.size, bool))[1])


def lengths(rows: Rows) -> dict[int, int]:
    """How many chains of each length a minimum cover has."""
    order = Order(rows)
    if not order.size:
        return {}
    wanted = np.ones(order.size, bool)
    flow, _ = link(order.covers(MOST_COVERS), wanted)
    return dict(Counter(len(chain) for chain in follow(links_of(flow), wanted)))


def _likeliest_first(
    covers: NDArray[np.int32], flow: csr_array, heavy: NDArray[np.float64], fewest: int
) -> tuple[list[list[int]], csr_array, NDArray[np.bool_]]:
    """Heaviest chains that some minimal cover holds, one after the other; the flow of the rest, and what the rest is."""
    wanted = np.ones(len(heavy), bool)
    front: list[list[int]] = []
    pairs = covers.tolist()
    for _ in range(min(FRONT, fewest - 1, FRONT_WORK // max(1, len(covers)))):
        chain = _heaviest(pairs, np.where(wanted, heavy, 0.0), wanted)
        rest = wanted.copy()
        rest[chain] = False
        rest_flow, rest_antichain = link(covers, rest)
        if len(front) + 1 + len(rest_antichain) > fewest:
            break
        front.append(chain)
        flow, wanted = rest_flow, rest
    return front, flow, wanted


def _heaviest(covers: list[list[int]], heavy: NDArray[np.float64], wanted: NDArray[np.bool_]) -> list[int]:
    """The heaviest chain of wanted candidates."""
    best = heavy.tolist()
    own = heavy.tolist()
    came = [-1] * len(best)
    for lower, upper in covers:  # sorted by the lower one, so its own best is final
        if best[lower] + own[upper] > best[upper]:
            best[upper] = best[lower] + own[upper]
            came[upper] = lower
    at = int(np.argmax(best))
    chain = []
    while at >= 0:
        if wanted[at]:
            chain.append(at)
        at = came[at]
    return chain[::-1]


def _fill(order: Order, chains: list[list[int]], heavy: NDArray[np.float64]) -> list[list[int]]:
    """The same number of chains, heaviest first, each filled with all it can take from the later ones.

    Taking rows out of a chain leaves a chain, and never an empty one while the number is minimal. Filling can make a
    chain heavier than the one before it; then they are sorted and filled again. Sorting and filling both lower the
    number of blanks that the work is expected to take, so this ends.
    """
    while True:
        chains = sorted(chains, key=lambda chain: -float(heavy[chain].sum()))
        taken = _fill_once(order, chains, heavy)
        weights = [float(heavy[chain].sum()) for chain in chains]
        if not taken or all(a >= b for a, b in zip(weights, weights[1:], strict=False)):
            return chains


def _fill_once(order: Order, chains: list[list[int]], heavy: NDArray[np.float64]) -> bool:
    """Fill each chain in turn, in place, with the heaviest that leaves it a chain; whether any took something."""
    owner = np.empty(order.size, np.int64)
    for number, chain in enumerate(chains):
        owner[chain] = number
    any_taken = False
    for number in range(len(chains)):
        chain = sorted(np.flatnonzero(owner == number).tolist())
        while True:
            fits = np.flatnonzero(unpack(order.beside_all(chain), order.size) & (owner > number))
            if not len(fits):
                break
            if len(fits) > AT_ONCE:
                fits = np.sort(fits[np.argsort(-heavy[fits], kind="stable")[:AT_ONCE]])
            taken = fits[_heaviest_of(order.rows[fits], heavy[fits])]
            owner[taken] = number
            chain = sorted([*chain, *taken.tolist()])
            any_taken = True
        chains[number] = chain
    return any_taken


def _heaviest_of(rows: Rows, heavy: NDArray[np.float64]) -> list[int]:
    """The heaviest chain of a few rows, which stand in the order of their sums; it holds at least one."""
    best = heavy.copy()
    came = np.full(len(rows), -1)
    for upper in range(1, len(rows)):
        below = np.flatnonzero((rows[:upper] <= rows[upper]).all(axis=1))
        if len(below):
            lower = below[np.argmax(best[below])]
            best[upper] += best[lower]
            came[upper] = lower
    at = int(np.argmax(best))
    chain = []
    while at >= 0:
        chain.append(at)
        at = int(came[at])
    return chain[::-1]
