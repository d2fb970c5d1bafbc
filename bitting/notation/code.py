"""Code text to `Code`: what one system understands by it.

`parse_code` raises only when the text can't be parsed or a name can't be resolved. A depth that the system doesn't have
becomes a cut without depths, a list that can't be given to a track a list without track, and a list of the wrong
length stays as long as it is: `bitting.check` makes findings of them.

A list that can't be given to a track is read by the depth table of the first track.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from typing import NamedTuple

from attrs import evolve

from bitting.errors import NotationError, Span
from bitting.model import Code, Cut, CutList, System, Track
from bitting.model.expect import expect
from bitting.notation.structure import Row, SideRows, assign, lane_by_lane, names_of, places_of, sides_of
from bitting.notation.tree import ParseTree, parse_tree


class Item(NamedTuple):
    """One item of a list: the rule that read it (exact, open, one_of, range), its words, its place in the text."""

    kind: str
    words: tuple[str, ...]
    start: int
    end: int


def parse_code(text: str, system: System, lock: str | None = None) -> Code:
    """The code that `text` is in `system`, legal or not.

    With `lock`, lists may hold that lock's cuts alone: the others are left open. Raises NotationError when the text
    can't be parsed, names a side or track that the system doesn't have, names one twice, runs cuts together in a track
    whose depths have more than one character, or may mean two things; BittingError for a lock that the system hasn't.
    """
    expect(System, system)
    try:
        return understood(text, system, lock)
    except NotationError as found:
        from bitting.notation.mend import mended  # only a fault needs the slips

        found.mending = partial(mended, text, system, lock)
        raise


def understood(text: str, system: System, lock: str | None = None) -> Code:
    """What `parse_code` answers, without looking for what was meant where it raises."""
    code: Code | None = None
    fault: NotationError | None = None
    try:
        code = _read(text, system, sides_of(parse_tree(text, "code", system), system, text))
    except NotationError as found:
        fault = found
    if code is None or not code.well_formed:
        code = _as_said(text, system, code, fault)
    if lock is not None and not code.well_formed:
        from bitting.notation.lock import of_lock

        return of_lock(code, lock) or code
    return code


def _read(text: str, system: System, sides: Iterable[SideRows]) -> Code:
    reader = _Reader(text, system)
    written: list[CutList] = []
    for side in sides:
        written += reader.lists(side)
    return Code(system, text, tuple(written))


def _as_said(text: str, system: System, strict: Code | None, fault: NotationError | None) -> Code:
    """The code as people say it, where the notation alone (`strict`, or its fault) makes no whole code of the text.

    What the notation reads stands, unless another reading is whole, or names its tracks beyond doubt while the notation
    finds cuts that are no depths, or too many. Depths of the system are never taken for names: where that would make a
    whole code of them, the text may mean two things.
    """
    from bitting.notation.spoken import Said, said  # only a text that isn't in the notation's own words needs it

    understood: Said | None = None
    spoken: Code | None = None
    unread = strict is None or not strict.complete
    try:
        understood = said(text, system)
        spoken = _read(text, system, understood.sides()) if understood else None
    except NotationError as found:
        if unread and (found.ambiguous or (understood is not None and understood.sure)):
            raise
    surely = unread and understood is not None and understood.sure
    if spoken is not None and (surely or spoken.well_formed):
        return strict if strict == spoken else evolve(spoken, said="surely" if surely else "if whole")
    if strict is None:
        fault = fault or NotationError("this can't be read", text=text)
        fault.ambiguous |= spoken is not None
        raise fault
    _refuse_two_meanings(text, system, strict)
    return strict


def _refuse_two_meanings(text: str, system: System, strict: Code) -> None:
    """Raise where depths of the system, taken for names, would make a whole code: `L 213 / R 112` where L is a depth."""
    from bitting.notation.spoken import said

    if not all(cut.depths for row in strict.written for cut in row.cuts):
        return
    try:
        other = said(text, system, labels_first=False)
        code = _read(text, system, other.sides()) if other else None
    except NotationError:
        return
    if code is None or not code.well_formed:
        return
    cuts = " / ".join(" ".join(cut.text for cut in row.cuts) for row in strict.written)
    number = sum(len(row.cuts) for row in strict.written)
    raise NotationError(
        f"this may mean two things: {code.plain}, or the {number} cuts {cuts}",
        hint=f"write {code.plain!r} if names are meant; as cuts they are {number}, and {system.name} has "
        f"{sum(lane.track.cuts for lane in system.lanes)}",
        text=text,
        span=(0, len(text)),
        ambiguous=True,
    )


class _Reader:
    """Reads lists of one text for one system; holds the depth tables as dictionaries."""

    def __init__(self, text: str, system: System) -> None:
        self.text = text
        self.system = system
        self.places = {track.name: places_of(track) for track in system.tracks}

    def lists(self, side: SideRows) -> Iterable[CutList]:
        """The lists of cuts of one side of the text."""
        names = names_of(side.rows, self.system, self.text)
        if side.side is None and self.system.sided:
            return self._unwrapped(side.rows, names)
        out = []
        for given in assign(side.rows, self.system.tracks, names, self.split):
            cuts = given.parts
            if cuts is None:
                cuts = self.cuts(given.row.items, given.track or self.system.tracks[0])
            out.append(self._list(side.side, given.track, cuts, given.row))
        return out

    def _unwrapped(self, rows: Sequence[Row], names: Sequence[str | None]) -> Iterable[CutList]:
        """Lists without side wrappers where the sides differ: taken lane by lane when their number or length fits."""
        first = self.system.tracks[0]
        lanes = () if any(names) else self.system.lanes
        found = lane_by_lane(rows, lanes, self.split, lambda row, track: self.cuts(row.items, track))
        if found is None:
            return [self._list(None, None, self.cuts(row.items, first), row) for row in rows]
        return [self._list(lane.side, lane.track, cuts, row) for lane, row, cuts in found]

    def _list(self, side: str | None, track: Track | None, cuts: tuple[Cut, ...], row: Row) -> CutList:
        ordered = cuts[::-1] if row.end == "tip" else cuts
        span = (cuts[0].span[0], cuts[-1].span[1]) if cuts else row.span
        return CutList(side, track.name if track else None, ordered, span)

    def split(self, row: Row, tracks: Sequence[Track]) -> Sequence[tuple[Cut, ...]] | None:
        """The list's cuts shared among the tracks in order, None when it isn't as long as all of them together."""
        items = [_item(node) for node in reversed(row.items)]
        shares = []
        for track in tracks:
            mine: list[Item] = []
            missing = track.cuts
            while missing:
                if not items:
                    return None
                item = items.pop()
                if item.kind == "exact" and track.run_together:
                    head, tail = _halve(item, missing)
                    if tail is not None:
                        items.append(tail)
                    mine.append(head)
                    missing -= len(head.words[0])
                else:
                    mine.append(item)
                    missing -= 1
            shares.append(mine)
        if items:
            return None
        return [self._cuts(mine, track) for mine, track in zip(shares, tracks, strict=True)]

    def cuts(self, nodes: Sequence[ParseTree], track: Track) -> tuple[Cut, ...]:
        return self._cuts([_item(node) for node in nodes], track)

    def _cuts(self, items: Sequence[Item], track: Track) -> tuple[Cut, ...]:
        places = self.places[track.name]
        if not track.run_together:
            self._apart(items)
        out: list[Cut] = []
        for item in items:
            words, start, end = item.words, item.start, item.end
            if item.kind == "exact" and track.run_together:
                for at, label in enumerate(words[0], start):
                    out.append(Cut((places[label],) if label in places else (), label, (at, at + 1)))
                continue
            if item.kind == "open":
                depths: tuple[int, ...] = tuple(range(len(track.labels)))
            elif item.kind == "one_of" and track.run_together:
                depths = _known("".join(words), places)
            else:
                depths = _known(words, places)
            if item.kind == "range" and depths:
                low, high = sorted(places[word] for word in words)
                depths = tuple(range(low, high + 1))
            out.append(Cut(depths, self.text[start:end], (start, end)))
        return tuple(out)

    def _apart(self, items: Sequence[Item]) -> None:
        """Raise where two cuts touch although depths have more than one character."""
        for before, item in zip(items, items[1:], strict=False):
            if before.end == item.start:
                span: Span = (before.start, item.end)
                raise NotationError(
                    f"'{self.text[slice(*span)]}' runs cuts together",
                    hint="separate the cuts with blanks: this system has depths of more than one character",
                    text=self.text,
                    span=span,
                )


def _item(node: ParseTree) -> Item:
    return Item(str(node.data), tuple(map(str, node.children)), node.meta.start_pos, node.meta.end_pos)


def _halve(item: Item, size: int) -> tuple[Item, Item | None]:
    """A word's first `size` characters and the rest of it."""
    word = item.words[0]
    if len(word) <= size:
        return item, None
    middle = item.start + size
    return Item("exact", (word[:size],), item.start, middle), Item("exact", (word[size:],), middle, item.end)


def _known(labels: Iterable[str], places: dict[str, int]) -> tuple[int, ...]:
    """The places of the labels, shallowest first and each once; none when any of them is no depth."""
    found = {places.get(label, -1) for label in labels}
    return () if -1 in found else tuple(sorted(found))
