"""Slips of whole lists, undone for a block of writings at once; the slips are those of `bitting.repair.written`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any, cast

import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.model import System
from bitting.repair.signs import Signs, SignTable
from bitting.repair.slips import DOUBLED, DROPPED, MOST
from bitting.repair.written import ListSlip, Stream, list_slips

LIST = 7
"""The kind of such a slip beside those of `bitting.repair.paths`; its number stands for the column."""
Rows = tuple[Signs, ...]
"""Per lane, signs (cuts, writings)."""
Flags = NDArray[np.bool_]


@define(eq=False)
class Lists:
    """The slips of whole lists that writings with one row per lane may have behind them."""

    system: System
    streams: tuple[Stream, ...]
    table: SignTable
    slips: list[ListSlip] = field(init=False)
    shares: NDArray[np.float64] = field(init=False)
    """The probability of each."""

    def __attrs_post_init__(self) -> None:
        self.slips = list(list_slips(self.streams, self.system))
        self.shares = np.array([slip.probability for slip in self.slips])

    def bound(self, likeliest: float, lengths: Sequence[int]) -> float:
        """What explanations by a slip of whole lists and another slip can add to the probability of any one code.

        `lengths` are those of the rows. Where they come to one cut more or less than the key has, the other slip may be
        at any cut, and two slips of lists explain nothing.
        """
        known: list[float] = self.shares.tolist()
        cuts = [lane.track.cuts for lane in self.system.lanes]
        if sum(lengths) != sum(cuts):
            return sum(known) * max(*lengths, *cuts) * max(DROPPED, DOUBLED)
        return sum(known) * likeliest + sum(a * b for a, b in combinations(known, 2))

    def once(self, rows: Rows) -> Iterator[tuple[int, Flags, Rows]]:
        """The writings before each slip: its number, which of them it changes, the rows.

        Slips after which two more would be needed are left out.
        """
        for number, last in enumerate(self.slips):
            before = self._undone(last, rows)
            if self.missing(before) < MOST:
                yield number, _differ(before, rows), before

    def missing(self, rows: Rows) -> int:
        """How many cuts too many or too few there are."""
        return sum(abs(len(row) - lane.track.cuts) for row, lane in zip(rows, self.system.lanes, strict=True))

    def twice(self, rows: Rows) -> Iterator[tuple[float, tuple[int, int], Rows, Rows]]:
        """The writings before two slips: their probability, their numbers (the one that happened last first), the rows
        before the last and before both."""
        for number, last in enumerate(self.slips):
            middle = self._undone(last, rows)
            for other, first in enumerate(self.slips[number + 1 :], number + 1):
                before = self._undone(first, middle)
                if not self.missing(before):
                    yield last.probability * first.probability, (number, other), middle, before

    @staticmethod
    def changed(rows: Rows, middle: Rows, before: Rows, which: NDArray[np.intp]) -> Flags:
        """Where both of two slips changed something, and not back, for some of the writings."""
        one, two, three = (tuple(row[:, which] for row in each) for each in (rows, middle, before))
        return _differ(one, two) & _differ(two, three) & _differ(one, three)

    def twice_from(self, rows: Rows, codes: Rows) -> NDArray[np.float64]:
        """The probability of each writing from the code beside it by two slips; `codes` are depths per lane."""
        total = np.zeros(rows[0].shape[1])
        for number, last in enumerate(self.slips):
            middle = self._undone(last, rows)
            for first in self.slips[number + 1 :]:
                moved = middle if first.sign is not None else cast(Rows, first.undo(cast(Any, middle)))
                if self.missing(moved):
                    continue
                heads = tuple(row[:1] for row in moved)  # mostly enough to tell them apart
                if first.sign is not None:
                    heads = self._undone(first, heads)
                same = np.flatnonzero(self._equal(heads, codes))
                if not len(same):
                    continue
                before = self._undone(first, tuple(row[:, same] for row in middle))
                good = self._equal(before, tuple(row[:, same] for row in codes))
                if good.any():
                    some = np.flatnonzero(good)
                    same, before = same[some], tuple(row[:, some] for row in before)
                    one, two = (tuple(row[:, same] for row in each) for each in (rows, middle))
                    real = self.changed(one, two, before, np.arange(len(some)))
                    total[same[real]] += last.probability * first.probability
        return total

    def _equal(self, rows: Rows, codes: Rows) -> Flags:
        """Which rows of signs are those codes, as far as they go."""
        found = np.ones(rows[0].shape[1], bool)
        for lane, row, code in zip(self.system.lanes, rows, codes, strict=True):
            found &= (self.table.depth[lane.track.name][row] == code[: len(row)]).all(axis=0)
        return found

    def _undone(self, slip: ListSlip, rows: Rows) -> Rows:
        if slip.sign is None:
            return cast(Rows, slip.undo(cast(Any, rows)))  # moves rows about, whatever they are made of
        names = [lane.track.name for lane in self.system.lanes]
        return tuple(self.table.before[name][slip.sign][row] for name, row in zip(names, rows, strict=True))


def _differ(one: Rows, other: Rows) -> Flags:
    """Which writings differ in any row."""
    found = np.zeros(one[0].shape[1], bool)
    for a, b in zip(one, other, strict=True):
        if a is b:
            continue
        if len(a) != len(b):
            return np.ones(one[0].shape[1], bool)
        found |= (a != b).any(axis=0)
    return found
