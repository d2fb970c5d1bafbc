"""The fewest blanks that try every candidate: a minimum chain cover, with the proof that no fewer will do.

One blank tries a *chain*: codes each at least as deep everywhere as the one before. By Dilworth's theorem (R. P.
Dilworth, Annals of Mathematics 51, 1950) the fewest chains that hold all candidates are as many as the largest set of
codes no two of which can share a blank. `fewest_chains` finds both, so that the answer carries its own proof: as many
chains as there are codes in `rivals`.

How (D. R. Fulkerson, Proceedings of the AMS 7, 1956): cutting the chains into links turns the question into a largest
matching of "next on the same blank" pairs, found as a maximum flow over the cover relation (`bitting.completion.flow`).

Among the covers with that number, likelier codes are brought to the front:
1. The first blank carries the likeliest chain of all, if some minimal cover holds it; then the same is asked of the
   second blank and what is left, and so on until the answer is no (or `FRONT` blanks are settled, fewer where the
   cover relation is large).
2. The blanks come in the order of what they hold, likeliest first, and no code could be tried on an earlier blank.

>>> import numpy as np
>>> found = fewest_chains(np.array([[0, 0], [0, 1], [1, 0], [1, 1]]))
>>> found.chains, found.rivals
(((0, 1, 3), (2,)), (1, 2))
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.completion.flow import follow, link, links_of
from bitting.completion.order import Order, Rows, unpack

if TYPE_CHECKING:
    from scipy.sparse import csr_array

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

    `rivals` are rows of which no two can share a chain, so no cover has fewer chains than it has rows; the cover is
    proven minimal when they are as many as the chains.
    """

    chains: tuple[tuple[int, ...], ...]
    rivals: tuple[int, ...]

    @property
    def minimal(self) -> bool:
        """Whether the rivals prove that no fewer chains will do."""
        return len(self.chains) == len(self.rivals)


def fewest_chains(rows: Rows, weights: NDArray[np.float64] | None = None) -> Chains:
    """A minimum chain cover of the rows (shape (codes, cuts), no row twice), and as many rivals.

    `weights` (one per row, none negative; absent: all alike) say how likely each row is. Raises `TooManyCovers` when
    the cover relation is too large to hold.
    """
    order = Order(rows)
    if not order.size:
        return Chains((), ())
    heavy = np.ones(order.size) if weights is None else np.asarray(weights, np.float64)[order.given]
    covers = order.covers(MOST_COVERS)
    flow, rivals = link(covers, np.ones(order.size, bool))
    front, flow, wanted = _likeliest_first(covers, flow, heavy, len(rivals))
    chains = _fill(order, front + follow(links_of(flow), wanted), heavy)
    given = order.given.tolist()
    return Chains(
        tuple(tuple(given[i] for i in chain) for chain in chains), tuple(sorted(given[i] for i in rivals.tolist()))
    )


def fewest(rows: Rows) -> int:
    """How many chains it takes, without saying which."""
    order = Order(rows)
    if not order.size:
        return 0
    return len(link(order.covers(MOST_COVERS), np.ones(order.size, bool))[1])


def quick_chains(rows: Rows) -> list[list[int]]:
    """A minimum chain cover as it is found, with nothing brought to the front."""
    order = Order(rows)
    if not order.size:
        return []
    wanted = np.ones(order.size, bool)
    flow, _ = link(order.covers(MOST_COVERS), wanted)
    return [order.given[chain].tolist() for chain in follow(links_of(flow), wanted)]


def lengths(rows: Rows) -> dict[int, int]:
    """How many chains of each length a minimum cover has."""
    return dict(Counter(len(chain) for chain in quick_chains(rows)))


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
        rest_flow, rest_rivals = link(covers, rest)
        if len(front) + 1 + len(rest_rivals) > fewest:
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
