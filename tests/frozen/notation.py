"""FROZEN: how codes were read before they were read as people say them; an oracle of tests, never changed.

A text that this makes a whole code of must be the same code for ever after. Copied from the package as it was, with its
two grammars beside it; only the explanation of faults is left out: what can't be parsed raises without a reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar, cast

from lark import Lark, Token, Tree, UnexpectedInput

from bitting.errors import NotationError, Span, nearest
from bitting.model import Code, Cut, CutList, System, Track

ParseTree = Tree[Token]

DASHES = "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\u2043\ufe58\ufe63\uff0d"
"""Hyphen, non-breaking hyphen, figure dash, en, em, bar, minus, bullet, small em dash, small and full-width hyphen."""

BLANKS = (
    "\t\u00a0\u1680"
    "\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"  # en and em quads to the hair space
    "\u200b\u200c\u200d\u2060\ufeff"  # of no width: space, non-joiner, joiner, word joiner, byte order mark
    "\u202f\u205f\u3000"  # narrow no-break, medium mathematical, ideographic
)
"""Everything that looks like a blank, or like nothing."""

LINE_ENDS = "\r\x0b\x0c\x85\u2028\u2029"
"""Line ends other than `\\n`; a line end is a blank that also ends a comment."""

FULL_WIDTH = "".join(map(chr, range(0xFF01, 0xFF5F)))
"""The full-width forms of `!` to `~`."""

TABLE: dict[int, str] = (
    {0xFF01 + i: chr(0x21 + i) for i in range(len(FULL_WIDTH))}
    | dict.fromkeys(map(ord, DASHES), "-")
    | dict.fromkeys(map(ord, BLANKS), " ")
    | dict.fromkeys(map(ord, LINE_ENDS), "\n")
)
"""Code point -> the character it is read as."""


def normalise(text: str) -> str:
    """The text with every character of the table replaced; it has the same length."""
    return text.translate(TABLE)


def branch(node: ParseTree, place: int) -> ParseTree:
    return cast(ParseTree, node.children[place])


def branches(node: ParseTree) -> list[ParseTree]:
    return cast("list[ParseTree]", node.children)


def leaf(node: ParseTree, place: int) -> Token:
    return cast(Token, node.children[place])


@cache
def parser() -> Lark:
    return Lark.open(
        str(Path(__file__).parent / "code.lark"),
        parser="lalr",
        lexer="contextual",
        start="text",
        propagate_positions=True,
        maybe_placeholders=True,
    )


def parse_tree(text: str) -> ParseTree:
    try:
        return parser().parse(normalise(text))
    except UnexpectedInput:
        raise NotationError("can't be parsed", text=text, span=(0, len(text))) from None


KEYWORDS = frozenset({"from", "bow", "tip", "both", "mm", "in", "thou"})
"""Words that can't be names of sides or tracks."""

T = TypeVar("T")


class Row(NamedTuple):
    """One list as it stands in the text: its name (unresolved), whether it is read from the tip, its items, its place."""

    name: Token | None
    from_tip: bool
    items: Sequence[ParseTree]
    span: Span
    whole: Span


class SideRows(NamedTuple):
    """The lists of one side in the order of the text; `side` is None where the text has no side wrappers."""

    side: str | None
    rows: tuple[Row, ...]
    span: Span


class Assigned(NamedTuple, Generic[T]):
    """A list given to a track (None: it fits none); `parts` are its items, or its share of a list that was split."""

    track: Track | None
    row: Row
    parts: T | None


def span_of(node: ParseTree | Token) -> Span:
    """The characters of a node."""
    if isinstance(node, Token):
        return node.start_pos or 0, node.end_pos or 0
    return node.meta.start_pos, node.meta.end_pos


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
        near = nearest(str(word), known)
        names = ", ".join(known)
        hint = f"did you mean {near}? " if near and len(known) > 1 else ""
        hint += f"the {kind}s are {names}" if len(known) > 1 else f"the only {kind} is {names}"
    raise NotationError(f"there is no {kind} '{word}'", hint=hint, text=text, span=span_of(word))


def find_track(word: Token, system: System, text: str, extra: Sequence[str] = ()) -> str:
    """The track (or name of `extra`) that `word` begins."""
    names = [track.name for track in system.tracks] + list(extra)
    folded = word.casefold()
    hint = ""
    if folded in KEYWORDS:
        hint = f"'{word}' can't be a name; write from bow: or from tip: where the cuts are counted from there"
    elif any(side.casefold() == folded for side in system.sides):
        hint = f"{word} is a side: write {word}(…)"
    return find_name(word, names, text, "track", hint=hint)


def find_side(word: Token, system: System, text: str) -> str:
    """The side that `word` begins."""
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
    order: dict[str, SideRows | tuple[Token, str, Span]] = {}
    for item in branches(top):
        word = leaf(item, 0)
        if item.data == "side" and word.casefold() == "both":
            if not system.sides:
                find_side(word, system, text)
            names: Sequence[str] = system.sides
        else:
            names = [find_side(word, system, text)]
        for name in names:
            if name in order:
                raise NotationError(
                    f"the side {name} is given twice",
                    hint="write each side once; both(…) stands for every side",
                    text=text,
                    span=span_of(word),
                )
            if item.data == "side":
                order[name] = SideRows(name, _rows(branch(item, 1)), span_of(item))
            else:
                source = leaf(item, 1)
                order[name] = source, find_side(source, system, text), span_of(item)
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
                hint=f"write {source}(…) with its cuts",
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
        from_tip = named and leaf(track, 1) is not None and leaf(track, 1).casefold() == "tip"
        rows.append(Row(leaf(track, 0) if named else None, from_tip, branches(row), span_of(row), span_of(track)))
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


def names_of(rows: Sequence[Row], system: System, text: str, extra: Sequence[str] = ()) -> list[str | None]:
    """The resolved name of each list of one side; a track named twice is an error."""
    names: list[str | None] = []
    for row in rows:
        name = None if row.name is None else find_track(row.name, system, text, extra)
        if row.name is not None and name in names:
            raise NotationError(
                f"{name} is given twice",
                hint="write each track once on a side"
                + ("; sides are written top(…); bottom(…)" if system.sides else ""),
                text=text,
                span=span_of(row.name),
            )
        names.append(name)
    return names


class Item(NamedTuple):
    """One item of a list: the rule that read it (exact, open, one_of, range), its words, its place in the text."""

    kind: str
    words: tuple[str, ...]
    start: int
    end: int


def parse_code(text: str, system: System) -> Code:
    """The code that `text` is in `system`, legal or not.

    Raises NotationError when the text can't be parsed, names a side or track that the system doesn't have, names one
    twice, or runs cuts together in a track whose depths have more than one character.
    """
    reader = _Reader(text, system)
    written: list[CutList] = []
    for side in sides_of(parse_tree(text), system, text):
        written += reader.lists(side)
    return Code(system, text, tuple(written))


class _Reader:
    """Reads lists of one text for one system; holds the depth tables as dictionaries."""

    def __init__(self, text: str, system: System) -> None:
        self.text = text
        self.system = system
        self.places = {
            track.name: {label: place for place, label in enumerate(track.labels)} for track in system.tracks
        }

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
        lanes = self.system.lanes
        tracks = [lane.track for lane in lanes]
        shares: Sequence[tuple[Cut, ...]] | None = None
        if not any(names):
            if len(rows) == 1:
                shares = self.split(rows[0], tracks)
            elif len(rows) == len(lanes):
                shares = [self.cuts(row.items, track) for row, track in zip(rows, tracks, strict=True)]
        if shares is None:
            first = self.system.tracks[0]
            return [self._list(None, None, self.cuts(row.items, first), row) for row in rows]
        origin = rows if len(rows) == len(lanes) else [rows[0]] * len(lanes)
        return [
            self._list(lane.side, lane.track, cuts, row) for lane, cuts, row in zip(lanes, shares, origin, strict=True)
        ]

    def _list(self, side: str | None, track: Track | None, cuts: tuple[Cut, ...], row: Row) -> CutList:
        ordered = cuts[::-1] if row.from_tip else cuts
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
        """The cuts of a list, in the order of the text."""
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
                depths: tuple[int, ...] = tuple(range(len(places)))
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
