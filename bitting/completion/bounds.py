"""Past the exact size: how many blanks would be enough, by counting chains without laying any out.

Tracks that no rule couples have each their own codes, and the candidates are their product. The product of two chains of m
and n codes falls apart into min(m, n) chains again, so the chains of a product follow from the lengths of its parts' chains.
In practice this comes within a few per cent of the lower bound. A part too large for its fewest chains lies on the symmetric
chains of the box of all combinations of the depths that occur, as many as its middle level has codes (N. G. de Bruijn,
C. Tengbergen, D. Kruyswijk, Nieuw Archief voor Wiskunde 23, 1951): candidates of one chain can share a blank, whatever other
codes of it the rules take away.
"""

from __future__ import annotations

from bitting.completion.candidates import Choices
from bitting.completion.chains import TooManyCovers, lengths

Lengths = dict[int, int]
"""How many chains there are of each length."""


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
