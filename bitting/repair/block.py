"""The nearest legal code of many wrong codes at once: the same as `bitting.repair.nearest` says of each of them.

A `Block` answers for writings of one shape, whatever their signs: as many rows as the key has lanes, and all rows of a lane
equally long (a cut may be too many or missing). How is in `bitting.repair.rounds`; here the slips get their words.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.diagram import CodeSpace
from bitting.model import System
from bitting.repair import slips
from bitting.repair.lists import LIST, Lists
from bitting.repair.paths import BITS, DOUBLED, DROPPED, EXTRA, EXTRA_AFTER, MISREAD, SWAPPED, Layer, layers_of
from bitting.repair.rounds import Found, Round
from bitting.repair.signs import Signs, SignTable
from bitting.repair.words import Told, misread, say, swapped
from bitting.repair.written import STAND_IN, Stream

Key = tuple[tuple[Stream, ...], tuple[int, ...]]
"""What writings have in common that are looked at together: the streams and their lengths."""


@define(eq=False)
class Block:
    """What answers for the writings of one system that share their `streams`, one per lane, and how long these are."""

    space: CodeSpace
    table: SignTable
    streams: tuple[Stream, ...]
    lengths: tuple[int, ...]
    bounded: bool = True
    """Whether bounds may settle anything; without, everything is listed in full (to test the bounds)."""
    system: System = field(init=False)
    starts: list[int] = field(init=False)
    cuts: tuple[int, ...] = field(init=False)
    layers: list[tuple[Layer, ...]] = field(init=False)
    lists: Lists = field(init=False)
    _said: dict[int, str | None] = field(init=False, factory=dict)

    def __attrs_post_init__(self) -> None:
        self.system = self.space.system
        self.starts = [0, *accumulate(lane.track.cuts for lane in self.system.lanes)]
        self.cuts = tuple(lane.track.cuts for lane in self.system.lanes)
        self.layers = [layers_of(diagram, self.starts) for diagram in self.space.diagrams]
        self.lists = Lists(self.system, self.streams, self.table)

    @property
    def key(self) -> Key:
        """The streams and their lengths."""
        return self.streams, self.lengths

    def nearest(self, signs: Signs) -> Found:
        """The nearest legal codes of some wrong ones; `signs` is (signs, writings), numbers of the sign table."""
        return Round(self, signs).found()

    def changes(self, signs: Signs, found: Found) -> list[str | None]:
        """The likeliest slips of each writing in words, None where a `Found` doesn't know them."""
        words = [self._words(signs, found, number) for number in range(slips.MOST)]
        both = found.told >> BITS > 0
        return [
            (one and two and f"{one} and {two}") if more else one
            for one, two, more in zip(*words, both.tolist(), strict=True)
        ]

    def _words(self, signs: Signs, found: Found, number: int) -> list[str | None]:
        """One slip of each writing in words (of several the one of the earlier cut first)."""
        told = np.where(found.within, found.told, 0)
        one, two = told & ((1 << BITS) - 1), told >> BITS
        listed = one >> 16 == LIST
        turned = (two > 0) & ~listed & (one & 0xFF00 > two & 0xFF00)
        slip = np.where(turned, (two, one)[number], (one, two)[number])
        column = np.where(slip >> 16 == LIST, 0, slip >> 8 & 255)
        kind, place = slip >> 16, np.arange(len(told))
        sign = np.where(listed, one & 255, signs[np.minimum(column, len(signs) - 1), place])
        slip = np.where(kind == LIST, slip & ~255, np.where((two > 0) & (kind >= DROPPED), 0, slip))
        if self.lengths != self.cuts:
            sign = np.where(kind == DROPPED, self._run(found.depths.T, column, self.cuts), sign)
            sign = np.where(kind == DOUBLED, self._run(signs, self.row_of(column), self.lengths), sign)
        keys = (slip << 8) + sign
        known = self._said
        return [known[key] if key in known else known.setdefault(key, self._say(key)) for key in keys.tolist()]

    def _say(self, key: int) -> str | None:
        kind, number, depth, sign = key >> 24, key >> 16 & 255, key >> 8 & 255, key & 255
        if kind == LIST:
            slip = self.lists.slips[number]
            return None if slip.sign == STAND_IN else slip.words(())
        if not kind:
            return None
        lane = self._lane(number)
        stream, cut = self.streams[lane], number - self.starts[lane]
        label = self.system.lanes[lane].track.labels[depth]
        if kind == SWAPPED:
            return swapped(stream, cut)
        if kind == MISREAD:
            return misread(stream, cut, self.table.texts[sign], label)
        if kind in (EXTRA, EXTRA_AFTER):
            return say(stream, [Told(lane, "extra after" if kind == EXTRA_AFTER else "extra before", cut, ())])
        word, number = ("dropped", sign) if kind == DROPPED else ("doubled", sign - 1)
        return say(stream, [Told(lane, word, at, (label,)) for at in range(cut, cut + number)])

    def _lane(self, column: int) -> int:
        return max(lane for lane, start in enumerate(self.starts[:-1]) if start <= column)

    def row_of(self, column: NDArray[np.int64]) -> NDArray[np.int64]:
        """The row of signs that stands where a column of the code does."""
        lane = np.searchsorted(self.starts, column, "right") - 1
        moved = np.array([0, *accumulate(self.lengths)])[lane] - np.array(self.starts)[lane]
        rows: NDArray[np.int64] = column + moved
        return rows

    @staticmethod
    def _run(rows: Signs, first: NDArray[np.int64], lengths: Sequence[int]) -> NDArray[np.int64]:
        """How many equal ones stand in a row of a lane, from the first of them on; `rows` is (rows, writings)."""
        stops = np.array(list(accumulate(lengths)))
        stop = stops[np.minimum(np.searchsorted(stops, first, "right"), len(stops) - 1)]
        place, number = np.arange(rows.shape[1]), np.ones(rows.shape[1], np.int64)
        first = np.minimum(first, len(rows) - 1)
        going = np.ones(rows.shape[1], bool)
        for by in range(1, max(lengths)):
            going &= (first + by < stop) & (rows[np.minimum(first + by, len(rows) - 1), place] == rows[first, place])
            number += going
        return number
