"""Codes: what was written, and what one system understands by it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from attrs import field, frozen

from bitting.errors import Span
from bitting.model.system import Depths, Lane, System, Track


@frozen
class Cut:
    """One cut as it was written: the depths it may be, as places (one: an exact cut; none: no depth of the table)."""

    depths: tuple[int, ...]
    text: str
    span: Span

    @property
    def depth(self) -> int | None:
        """The depth's place when the cut is exact."""
        return self.depths[0] if len(self.depths) == 1 else None


@frozen
class CutList:
    """One list of cuts, bow to tip, as it was written for a lane.

    `side` is the side it was written for, or None where none was named; `track` is None for a list that could not be
    given to a track because the number of cuts or of lists fits none.
    """

    side: str | None
    track: str | None
    cuts: tuple[Cut, ...]
    span: Span


@frozen
class Code:
    """A code as written and as understood by one system; its length and depths are still to be checked.

    `written` is every list in the order of the text; a convenience code written for both sides has both.
    """

    system: System = field(repr=lambda system: system.name)
    text: str = field(repr=False)
    written: tuple[CutList, ...] = field(repr=False)
    said: Literal["", "surely", "if whole"] = field(default="", repr=False, eq=False)
    """Whether it was written as people say it (`bitting.notation.spoken`), not in the notation's own words: with names
    beyond doubt, or taken so because it makes a whole code of depths that the system has."""

    def lists(self, lane: Lane) -> tuple[CutList, ...]:
        """Everything written for a lane: none, one, or one per side of a convenience key."""
        return tuple(w for w in self.written if w.track == lane.track.name and lane.side in (None, w.side))

    @property
    def lanes(self) -> tuple[tuple[Cut, ...] | None, ...]:
        """The cuts of each lane of the system, None where nothing was written for it.

        Of a convenience code written for several sides it is what they say together: a cut that one side leaves open is
        known from the other; where they contradict each other, the first side's stands.
        """
        found = (self.lists(lane) for lane in self.system.lanes)
        return tuple(_together(lists) if lists else None for lists in found)

    @property
    def well_formed(self) -> bool:
        """Whether every list that the key needs is there, as long as its track, of depths that the system has."""
        return self.complete and all(cut.depths for row in self.written for cut in row.cuts)

    @property
    def complete(self) -> bool:
        """Whether every list that the key needs is there, as long as its track, whatever its depths."""
        sides = self.system.sides if self.system.sided else {w.side for w in self.written}
        wanted = {(side, track.name): track.cuts for side in sides for track in self.system.tracks}
        given = {(w.side, w.track): len(w.cuts) for w in self.written}
        return bool(wanted) and given == wanted and len(given) == len(self.written)

    @property
    def depths(self) -> Depths | None:
        """The places of all depths, when the code is well formed, exact, and the same on every side that must agree."""
        if not self.well_formed:
            return None
        lanes: list[tuple[int, ...]] = []
        for lane in self.system.lanes:
            keys = {tuple(cut.depth for cut in w.cuts) for w in self.lists(lane)}
            exact = tuple(d for d in keys.pop() if d is not None)
            if keys or len(exact) != lane.track.cuts:
                return None
            lanes.append(exact)
        return tuple(lanes)

    @property
    def canonical(self) -> str | None:
        """The canonical text, or None when the number of cuts or a depth is wrong."""
        if not self.well_formed:
            return None
        sides = self._sides()
        if len(set(sides.values())) == 1 and not self.system.sided:
            return next(iter(sides.values()))
        return "; ".join(f"{side}({sides[side]})" for side in self.system.sides if side in sides)

    def _sides(self) -> dict[str | None, str]:
        """The tracks of each side as they are written between its brackets."""
        return {w.side: self._tracks(w.side) for w in self.written}

    def _tracks(self, side: str | None) -> str:
        tracks = self.system.tracks
        parts = []
        for track in tracks:
            cuts = next(w.cuts for w in self.written if w.track == track.name and w.side == side)
            row = " ".join(write_cut(cut.depths, track) for cut in cuts)
            parts.append(f"{track.name}: {row}" if len(tracks) > 1 else row)
        return " / ".join(parts)

    @property
    def plain(self) -> str:
        """The code as people write it: names instead of brackets, `top: 2 3 / bottom: 4 5`; `parse_code` reads it.

        What was written where there is no canonical text.
        """
        system = self.system
        sides = self._sides() if self.well_formed else {}
        if not sides or (len(set(sides.values())) == 1 and not system.sided):
            return str(self)
        parts = []
        for side in system.sides:
            for written in (w for w in self.written if w.side == side):
                track = next(t for t in system.tracks if t.name == written.track)
                row = " ".join(write_cut(cut.depths, track) for cut in written.cuts)
                parts.append(f"{side} {track.name}: {row}" if len(system.tracks) > 1 else f"{side}: {row}")
        return " / ".join(parts)

    def __str__(self) -> str:
        return self.canonical or self.text


def _together(lists: tuple[CutList, ...]) -> tuple[Cut, ...]:
    """The cuts of the first list, each narrowed by what the others say of it."""
    first, *others = lists
    cuts = list(first.cuts)
    for other in others:
        for i, (cut, said) in enumerate(zip(cuts, other.cuts, strict=False)):
            both = tuple(depth for depth in cut.depths if depth in said.depths)
            if both and both != cut.depths:
                cuts[i] = Cut(both, said.text, said.span)
    return tuple(cuts)


def write_cut(depths: tuple[int, ...], track: Track) -> str:
    """One cut in canonical form: `3`, `?` when it may be any depth, otherwise `[1 3]`."""
    if len(depths) == 1:
        return track.labels[depths[0]]
    if len(depths) == len(track.labels):
        return "?"
    return f"[{' '.join(track.labels[d] for d in depths)}]"


def code_of(system: System, depths: Iterable[Iterable[int]]) -> Code:
    """The code with the given depths (places, one list per lane), as if its canonical form had been typed.

    Of a system with tracks left and right, `[[1, 0, 2], [0, 0, 1]]` is `left: 2 1 3 / right: 1 1 2`.
    """
    lists = []
    for lane, row in zip(system.lanes, depths, strict=True):
        cuts = tuple(Cut((d,), lane.track.labels[d], (0, 0)) for d in row)
        lists.append(CutList(lane.side, lane.track.name, cuts, (0, 0)))
    return Code(system, "", tuple(lists))
