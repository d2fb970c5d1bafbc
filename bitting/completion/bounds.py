"""Past the exact size: few blanks, laid out or only counted, without the proof that no fewer would do.

Tracks that no rule couples have each their own codes, and the candidates are their product. Each part is laid out in
its fewest chains, and the product of two chains of m and n codes falls apart into min(m, n) chains again: go up the
second chain as far as the k-th chain lets, then up the first. In practice this comes within a few per cent of the lower
bound. A part too large for that lies on the symmetric chains of its box of depths.

>>> import numpy as np
>>> [chain.tolist() for chain in hooks(np.array([[0], [1]]), np.array([[0], [1], [2]]))]
[[[0, 0], [0, 1], [0, 2], [1, 2]], [[1, 0], [1, 1]]]

**Symmetric chains** hold more candidates than can be matched exactly. The box of all combinations of the depths that
occur falls apart into symmetric chains, as many as its middle level has codes (N. G. de Bruijn, C. Tengbergen, D.
Kruyswijk, Nieuw Archief voor Wiskunde 23, 1951). The chain of a code is found by brackets (C. Greene, D. J. Kleitman,
Journal of Combinatorial Theory A 20, 1976): write every cut as its depth's number of closing brackets followed by as many
opening ones as there are depths left below; pair them as brackets are paired; going up the chain closes the leftmost
opening bracket that has no partner. So the codes of one chain have the same paired closing brackets, and that is the
chain's name. Candidates of one chain can share a blank, whatever other codes of it the rules take away: the number of
chains met is an upper bound for the blanks.

>>> import numpy as np
>>> symmetric_chains(np.array([[0, 0], [0, 1], [1, 0], [1, 1]]))
((0, 2, 3), (1,))
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from bitting.completion.candidates import Choices
from bitting.completion.chains import Rows, TooManyCovers, lengths, quick_chains

Lengths = dict[int, int]
"""How many chains there are of each length."""


def symmetric_chains(rows: Rows) -> tuple[tuple[int, ...], ...]:
    """The rows (no row twice) grouped into chains, shallowest first; the largest chains first."""
    if not len(rows):
        return ()
    names = _names(rows)
    _, chain = np.unique(names, axis=0, return_inverse=True)
    order = np.lexsort((rows.sum(axis=1, dtype=np.int64), chain.ravel()))
    starts = np.flatnonzero(np.diff(chain.ravel()[order], prepend=-1))
    groups = [tuple(group.tolist()) for group in np.split(order, starts[1:])]
    return tuple(sorted(groups, key=len, reverse=True))


def _names(rows: Rows) -> NDArray[np.int64]:
    """The paired closing brackets of every cut, which are the same along a symmetric chain."""
    names = np.zeros(rows.shape, np.int64)
    opened = np.zeros(len(rows), np.int64)
    for column in range(rows.shape[1]):
        depths, place = np.unique(rows[:, column], return_inverse=True)
        names[:, column] = np.minimum(place, opened)
        opened += len(depths) - 1 - place - names[:, column]
    return names


def product(a: Lengths, b: Lengths) -> Lengths:
    """The chains of a product of two sets that are laid out in chains, by length.

    A chain of m times a chain of n falls apart into symmetric chains of m + n - 1, m + n - 3, … |m - n| + 1.
    """
    out: Lengths = {}
    for m, many in a.items():
        for n, much in b.items():
            for length in range(abs(m - n) + 1, m + n, 2):
                out[length] = out.get(length, 0) + many * much
    return out


def at_most(asked: Choices, exact_up_to: int) -> int:
    """An upper bound for the blanks of any number of candidates, from chain lengths alone.

    A part that is too large is taken on the chains of its box, or as chains of one code if they are fewer than those.
    """
    together: Lengths = {1: 1}
    for part in asked.parts:
        own = Choices((part,))
        try:
            if own.count > exact_up_to:
                raise TooManyCovers
            together = product(together, lengths(own.first(own.count)))
        except TooManyCovers:
            box: Lengths = {1: 1}
            for depths in own.depths.values():
                box = product(box, {len(depths): 1})
            together = product(together, box if sum(box.values()) < own.count else {1: own.count})
    return min(asked.count, sum(together.values()))


def lay_out(asked: Choices, every: NDArray[np.int8], exact_up_to: int) -> tuple[tuple[int, ...], ...]:
    """Chains that hold every candidate, as rows of `every`: the fewer of the two ways, the longest chains first."""
    chains = symmetric_chains(every)
    try:
        others = _of_parts(asked, every, exact_up_to)
    except TooManyCovers:
        return chains
    return others if len(others) < len(chains) else chains


def _of_parts(asked: Choices, every: NDArray[np.int8], exact_up_to: int) -> tuple[tuple[int, ...], ...]:
    """The candidates on products of the parts' fewest chains."""
    together: list[Rows] = [np.empty((1, 0), np.int8)]
    columns: list[int] = []
    for part in asked.parts:
        own = Choices((part,))
        if own.count > exact_up_to:
            raise TooManyCovers
        rows = own.first(own.count)
        chains = [rows[chain] for chain in quick_chains(rows)]
        together = [chain for a in together for b in chains for chain in hooks(a, b)]
        columns += [asked.places.index(place) for place in own.places]
    stacked = np.concatenate(together)[:, np.argsort(columns)]
    numbers = np.empty(len(stacked), np.int64)
    numbers[np.lexsort(stacked.T[::-1])] = np.lexsort(every.T[::-1])
    ends = np.cumsum([len(chain) for chain in together])[:-1]
    return tuple(sorted((tuple(chain.tolist()) for chain in np.split(numbers, ends)), key=len, reverse=True))


def hooks(a: Rows, b: Rows) -> Iterator[Rows]:
    """The product of two chains (codes, cuts) in min(len(a), len(b)) chains, the cuts of `a` before those of `b`."""
    for k in range(min(len(a), len(b))):
        first = np.concatenate([np.full(len(b) - k, k), np.arange(k + 1, len(a))])
        second = np.concatenate([np.arange(len(b) - k), np.full(len(a) - k - 1, len(b) - k - 1)])
        yield np.concatenate([a[first], b[second]], axis=1)
