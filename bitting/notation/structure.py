"""Sides and tracks: which list of a text belongs to which track of a system, for codes and readings alike.

`sides_of` turns a parse tree into the lists of each side, with names resolved, `both(…)` and `bottom = top` carried out.
`assign` gives the lists of one side to its tracks: a named list to its track, unnamed ones to the remaining tracks in
order, and one unnamed list that is as long as all the remaining tracks together is split among them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Generic, NamedTuple, TypeVar

from lark import Token

from bitting.errors import NotationError, Span, did_you_mean
from bitting.model import Lane, System, Track
from bitting.notation.tree import ParseTree, branch, branches, leaf

T = TypeVar("T")


class Row(NamedTuple):
    """One list as it stands in the text: its name (unresolved), from which end it is said to be counted, its items, its place."""

    name: Token | None
    end: str
    items: Sequence[ParseTree]
    span: Span
    whole: Span


class SideRows(NamedTuple):
    """The lists of one side in the order of the text; `side` is None where the text has no side wrappers."""

    side: str | None
    rows: tuple[Row, ...]
    span: Span


class SideItem(NamedTuple):
    """A side of the text: its name, and its lists or the side that it copies."""

    name: Token
    rows: tuple[Row, ...]
    source: Token | None
    span: Span


class Assigned(NamedTuple, Generic[T]):
    """A list given to a track (None: it fits none); `parts` are its items, or its share of a list that was split."""

    track: Track | None
    row: Row
    parts: T | None


def span_of(node: ParseTree | Token) -> Span:
    if isinstance(node, Token):
        return node.start_pos or 0, node.end_pos or 0
    return node.meta.start_pos, node.meta.end_pos


def places_of(track: Track) -> dict[str, int]:
    """What may be written for a depth -> its place; a label in the other case too, where no two differ by case only."""
    places = {label: place for place, label in enumerate(track.labels)}
    if len({label.casefold() for label in places}) == len(places):
        for label, place in list(places.items()):
            places.setdefault(label.upper(), place)
            places.setdefault(label.lower(), place)
    return places


def find_name(word: Token, known: Sequence[str], text: str, kind: str, *, hint: str = "") -> str:
    """The one known name that begins with `word`, in whatever case.

    `kind` is "track" or "side", for the message. Raises NotationError for an unknown name (with the nearest known one)
    and for a start that several names share (with all of them).
    """
    folded = word.casefold()
    exact = [name for name in known if name.casefold() == folded]
    found = exact or [name for name in known if name.casefold().startswith(folded)]
    if len(found) == 1:
        return found[0]
    if found:
        raise NotationError(
            f"'{word}' may be {' or '.join(found)}", hint="write more of the name", text=text, span=span_of(word)
        )
    if not hint:
        several = f"{did_you_mean(str(word), known, str)}the {kind}s are {', '.join(known)}"
        hint = several if len(known) > 1 else f"the only {kind} is {known[0]}"
    raise NotationError(f"there is no {kind} '{word}'", hint=hint, text=text, span=span_of(word))


def find_track(word: Token, system: System, text: str, extra: Sequence[str] = ()) -> str:
    """The track (or name of `extra`) that `word` begins."""
    names = [track.name for track in system.tracks] + list(extra)
    folded = word.casefold()
    hint = ""
    if folded in ("from", "bow", "tip"):
        hint = f"'{word}' can't be a name; write from bow: or from tip: where the cuts are counted from there"
    elif any(side.casefold() == folded for side in system.sides):
        hint = f"{word} is a side: write {of_side(word, system)}"
    elif system.sided and len(system.tracks) == 1:
        hint = f"a code of {system.name} is written {system.form}"
    return find_name(word, names, text, "track", hint=hint)


def of_side(side: str, system: System) -> str:
    """How one side is written: `top: …`, or `top left: … / top right: …`."""
    if len(system.tracks) == 1:
        return f"{side}: …"
    return " / ".join(f"{side} {track.name}: …" for track in system.tracks)


def find_side(word: Token, system: System, text: str) -> str:
    folded = word.casefold()
    is_track = any(track.name.casefold() == folded for track in system.tracks)
    if not system.sides:
        hint = f"{word} is a track: write {word}: …" if is_track else "leave out the name and its round brackets"
        raise NotationError(
            f"there is no side '{word}': the system {system.name} has no sides",
            hint=hint,
            text=text,
            span=span_of(word),
        )
    return find_name(word, system.sides, text, "side", hint=f"{word} is a track: write {word}: …" if is_track else "")


def sides_of(tree: ParseTree, system: System, text: str) -> tuple[SideRows, ...]:
    """The lists of each side in the order of the text; one entry without a side where there are no wrappers.

    Raises NotationError for an unknown side, a side given twice, and a side that copies one without cuts.
    """
    top = branch(tree, 0)
    if top.data == "tracks":
        return (SideRows(None, _rows(top), span_of(top)),)
    items = []
    for item in branches(top):
        if item.data == "side":
            items.append(SideItem(leaf(item, 0), _rows(branch(item, 1)), None, span_of(item)))
        else:
            items.append(SideItem(leaf(item, 0), (), leaf(item, 1), span_of(item)))
    return carry_out(items, system, text)


def carry_out(items: Sequence[SideItem], system: System, text: str) -> tuple[SideRows, ...]:
    """The lists of each side, `both(…)` and `bottom = top` carried out. Raises as `sides_of` does."""
    order: dict[str, SideRows | tuple[Token, str, Span]] = {}
    for word, rows, source, span in items:
        if source is None and word.casefold() == "both":
            if not system.sides:
                find_side(word, system, text)
            names: Sequence[str] = system.sides
        else:
            names = [find_side(word, system, text)]
        for name in names:
            if name in order:
                raise NotationError(
                    f"the side {name} is given twice", hint="write each side once", text=text, span=span_of(word)
                )
            if source is None:
                order[name] = SideRows(name, rows, span)
            else:
                order[name] = source, find_side(source, system, text), span
    return tuple(_follow(name, order, text) for name in order)


def _follow(name: str, order: dict[str, SideRows | tuple[Token, str, Span]], text: str) -> SideRows:
    """The lists of a side, through `bottom = top` where it copies another."""
    entry = order[name]
    if isinstance(entry, SideRows):
        return entry
    first_word, _, span = entry
    seen = {name}
    while not isinstance(entry, SideRows):
        word, source, _ = entry
        if source in seen or source not in order:
            raise NotationError(
                f"the side {source} has no cuts of its own to take over",
                hint=f"write the cuts of {source} out",
                text=text,
                span=span_of(word if source not in order else first_word),
            )
        seen.add(source)
        entry = order[source]
    return SideRows(name, entry.rows, span)


def _rows(tracks: ParseTree) -> tuple[Row, ...]:
    rows = []
    for track in branches(tracks):
        row = branch(track, -1)
        named = len(track.children) == 3  # a name and an end, each None where it isn't written
        end = str(leaf(track, 1) or "").casefold() if named else ""
        rows.append(Row(leaf(track, 0) if named else None, end, branches(row), span_of(row), span_of(track)))
    return tuple(rows)


def assign(
    rows: Sequence[Row],
    tracks: Sequence[Track],
    names: Sequence[str | None],
    split: Callable[[Row, Sequence[Track]], Sequence[T] | None],
) -> list[Assigned[T]]:
    """Give the lists of one side to its tracks; `names[i]` is the resolved name of list i.

    `split` shares one list among several tracks, or answers None when it isn't as long as all of them together. Names
    that are no track (`across`) are left out of the answer.
    """
    by_name = {track.name: track for track in tracks}
    taken = set(names)
    free = [track for track in tracks if track.name not in taken]
    unnamed = [row for row, name in zip(rows, names, strict=True) if name is None]
    shares = split(unnamed[0], free) if len(unnamed) == 1 and len(free) > 1 else None
    any_named = len(unnamed) < len(rows)
    queue = free if any_named or len(unnamed) >= len(free) else []
    waiting = iter(queue)
    out: list[Assigned[T]] = []
    for row, name in zip(rows, names, strict=True):
        if name is None and shares is not None:
            out += [Assigned(track, row, share) for track, share in zip(free, shares, strict=True)]
        elif name is None:
            out.append(Assigned(next(waiting, None), row, None))
        elif name in by_name:
            out.append(Assigned(by_name[name], row, None))
    return out


def lane_by_lane(
    rows: Sequence[Row],
    lanes: Sequence[Lane],
    split: Callable[[Row, Sequence[Track]], Sequence[T] | None],
    whole: Callable[[Row, Track], T],
) -> list[tuple[Lane, Row, T]] | None:
    """Lists without side wrappers where the sides differ, given to the lanes; None where number and length don't fit.

    One list is `split` among them, as by `assign`; as many lists as lanes are taken `whole`.
    """
    tracks, shares = [lane.track for lane in lanes], None
    if len(rows) == 1:
        shares, rows = split(rows[0], tracks), [rows[0]] * len(lanes)
    elif len(rows) == len(lanes):
        shares = [whole(row, track) for row, track in zip(rows, tracks, strict=True)]
    return None if shares is None else list(zip(lanes, rows, shares, strict=True))


def names_of(rows: Sequence[Row], system: System, text: str, extra: Sequence[str] = ()) -> list[str | None]:
    """The resolved name of each list of one side; a track named twice is an error, as is an end said of one unnamed list only."""
    names: list[str | None] = []
    for row in rows:
        name = None if row.name is None else find_track(row.name, system, text, extra)
        if row.name is not None and name in names:
            raise NotationError(
                f"{name} is given twice",
                hint=f"write each track once: {system.form}"
                + (f"; one side alone is {of_side(system.sides[0], system)}" if system.sides else ""),
                text=text,
                span=span_of(row.name),
            )
        names.append(name)
    if any(row.end == "tip" and row.name is None for row in rows) and not all(row.end for row in rows):
        ends = [row.end or "bow" for row in rows]
        that, every = (
            " / ".join(f"{name} from {end}: …" for name, end in zip(system.lane_names, said, strict=False))
            for said in (ends, ["tip"] * len(rows))
        )
        raise NotationError(
            "one list is counted from the tip; of the other it isn't said",
            hint=f"say it of each list: {that} if that one alone is, {every} if all are",
            text=text,
            span=rows[0].whole,
        )
    return names
