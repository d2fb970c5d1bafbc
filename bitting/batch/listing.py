"""What no single row can say: that a table's codes were listed another way than they are read.

Of the illegal rows with whole codes it is counted how many would be legal had the list been taken from the tip, one track from
the tip, or two tracks (or sides) exchanged; of all rows, how many lack the same track. A note is made where it is most of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import accumulate, chain, combinations

import numpy as np
from attrs import define, field

from bitting.arrays import Bytes, Indices
from bitting.diagram.walk import Legality
from bitting.model import System

FEW = 3
"""Fewer rows say nothing of the table."""
SAMPLE = 50_000
"""So many illegal rows are looked at."""


def other_ways(system: System) -> dict[str, Indices]:
    """Other ways of listing whole codes, in words, with the cut (lane after lane) that stands in each cut's place."""
    starts = [0, *accumulate(lane.track.cuts for lane in system.lanes)]
    lanes = [list(range(start, stop)) for start, stop in zip(starts, starts[1:], strict=False)]
    ways = {"read from the tip": [lane[::-1] for lane in lanes]}
    if len(lanes) > 1:
        for number, lane in enumerate(system.lanes):
            ways[f"with {lane.label} read from the tip"] = [*lanes[:number], lanes[number][::-1], *lanes[number + 1 :]]
    for a, b in combinations(range(len(lanes)), 2):
        one, other = system.lanes[a], system.lanes[b]
        if one.track.labels == other.track.labels and one.track.cuts == other.track.cuts:
            rows = list(lanes)
            rows[a], rows[b] = lanes[b], lanes[a]
            ways[f"with {one.label} and {other.label} exchanged"] = rows
    return {words: np.array(list(chain(*rows)), np.intp) for words, rows in ways.items()}


@define(eq=False)
class Listing:
    """The rows of one system, counted by how else they may have been listed."""

    system: System
    legality: Legality | None
    wrong: int = field(init=False, default=0)
    fits: Counter[str] = field(init=False, factory=Counter)
    lacking: Counter[str] = field(init=False, factory=Counter)
    """Rows that lack all cuts of a track, by what is said of them."""
    rows: int = field(init=False, default=0)
    """Rows that hold a code of any kind."""
    _ways: dict[str, Indices] = field(init=False)

    def __attrs_post_init__(self) -> None:
        self._ways = other_ways(self.system)

    def add(self, illegal: Bytes, rows: int, lacking: Mapping[str, int]) -> None:
        """Count a chunk: the depths (cuts, codes) of its whole illegal codes, its rows, and those that lack a track."""
        self.rows += rows
        self.lacking.update(lacking)
        if self.legality is None or not illegal.shape[1] or self.wrong >= SAMPLE:
            return
        self.wrong += illegal.shape[1]
        for words, order in self._ways.items():
            self.fits[words] += int(np.count_nonzero(self.legality.legal(illegal[order])))

    def notes(self) -> Iterator[str]:
        """What is to be said of the table."""
        for words, number in self.fits.most_common(1):
            if number >= FEW and 2 * number > self.wrong:
                yield f"{number:,} of {self.wrong:,} illegal rows with whole codes would be legal {words}: was the list taken so?"
        for words, number in self.lacking.items():
            if number >= FEW and number == self.rows:
                yield f"{words} in all {number:,} rows"
