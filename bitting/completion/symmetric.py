"""Chains for more candidates than can be matched exactly: each goes to its symmetric chain of the box of depths.

The box of all combinations of the depths that occur falls apart into symmetric chains, as many as its middle level has
codes (N. G. de Bruijn, C. Tengbergen, D. Kruyswijk, Nieuw Archief voor Wiskunde 23, 1951). The chain of a code is found
by brackets (C. Greene, D. J. Kleitman, Journal of Combinatorial Theory A 20, 1976): write every cut as its depth's
number of closing brackets followed by as many opening ones as there are depths left below; pair them as brackets are
paired; going up the chain closes the leftmost opening bracket that has no partner. So the codes of one chain have the
same paired closing brackets, and that is the chain's name. Candidates of one chain can share a blank, whatever other
codes of it the rules take away: the number of chains met is an upper bound for the blanks.

>>> import numpy as np
>>> symmetric_chains(np.array([[0, 0], [0, 1], [1, 0], [1, 1]]))
((0, 2, 3), (1,))
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bitting.completion.order import Rows

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


def middle_level(sizes: list[int]) -> int:
    """How many codes the middle level of a box has, given the number of depths of every cut: its chains' number."""
    lengths: Lengths = {1: 1}
    for size in sizes:
        lengths = product(lengths, {size: 1})
    return sum(lengths.values())
