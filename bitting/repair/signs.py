"""Signs as numbers: every label of a system and every foreign sign met, with what each may have been, as tables.

A *sign* is what stands for one cut in the writing. Tables are per track: the depth that a sign is, how likely it is
written for each depth by a slip, and what it was before a slip of whole lists. The numbers of signs don't depend on
the track, so that exchanged lists can be compared.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.model import System, Track
from bitting.repair import slips

Signs = NDArray[np.uint8]
MOST = 250
"""So many signs fit; the first is "", what can't have been written."""


@define(eq=False)
class SignTable:
    """The signs of one system, in the order in which they were met. `grow` makes room for more."""

    system: System
    texts: list[str] = field(init=False, factory=lambda: [""])
    number: dict[str, int] = field(init=False, factory=lambda: {"": 0})
    known: set[str] = field(init=False, factory=set)
    """Signs that may be written; others are only what these were before slips of whole lists."""
    depth: dict[str, Signs] = field(init=False, factory=dict)
    """By track: the depth that each sign is; as many as there are depths where it is none."""
    misread: dict[str, NDArray[np.float64]] = field(init=False, factory=dict)
    """By track, (signs, depths): how likely the sign is written for the depth by a slip."""
    before: dict[str, tuple[Signs, Signs, Signs]] = field(init=False, factory=dict)
    """By track: the sign that it stands in for, and the sign one lower and one higher."""

    def __attrs_post_init__(self) -> None:
        self.grow(label for track in self.system.tracks for label in track.labels)

    def grow(self, signs: Iterable[str]) -> bool:
        """Know these signs too; False where there are too many of them."""
        new = set(signs) - self.known
        if not new:
            return True
        reached, every = set(new), set(new)
        for _ in range(slips.MOST):
            reached = {was for text in reached for track in self.system.tracks for was in _before(track, text)} - every
            every |= reached
        more = [text for text in sorted(every) if text not in self.number]
        if len(self.texts) + len(more) > MOST:
            return False
        for text in more:
            self.number[text] = len(self.texts)
            self.texts.append(text)
        self.known |= new
        for track in self.system.tracks:
            self._tabulate(track)
        return True

    @property
    def shares(self) -> NDArray[np.float64]:
        """`misread` of every lane, one below the other, (lanes times signs, depths)."""
        tables = [self.misread[lane.track.name] for lane in self.system.lanes]
        widest = max(table.shape[1] for table in tables)
        return np.concatenate([np.pad(table, ((0, 0), (0, widest - table.shape[1]))) for table in tables])

    @property
    def likeliest(self) -> float:
        """The most that any slip of one cut has, of those that leave a list as long as it is."""
        return max(slips.SWAPPED, *(float(table.max()) for table in self.misread.values()))

    def _tabulate(self, track: Track) -> None:
        places = {label: place for place, label in enumerate(track.labels)}
        self.depth[track.name] = np.array([places.get(text, len(places)) for text in self.texts], np.uint8)
        self.misread[track.name] = np.array([slips.misreadings(track, text) for text in self.texts])
        was = [[self.number.get(text, 0) for text in _before(track, text)] for text in self.texts]
        stand_in, lower, higher = np.array(was, np.uint8).T
        self.before[track.name] = (stand_in, lower, higher)


def _before(track: Track, text: str) -> tuple[str, str, str]:
    """What a sign was before it was replaced by one that looks like it, or renumbered up or down."""
    return slips.stand_in(track, text), slips.renumber(track, text, -1), slips.renumber(track, text, 1)
