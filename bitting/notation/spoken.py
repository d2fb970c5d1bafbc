"""Codes and readings as people say, type and paste them: `left 2133244 right 1124421`, `L 2133 / R 1124`, `top: 2331`.

Which word names a track is known only with the system, so this stands beside the grammar, not in it: the text is cut up
at the words that name a side or a track, and what stands between them is read by the grammar like any list. It is asked
only where the notation alone gives no whole code, so nothing that the notation reads is ever read otherwise.

A word before cuts is a name when it begins one (`l`, `Left`, `lh`, `left side`), and no depth label could be meant by it;
before `:` or `=` it is one always, as in the notation. `l2133` is a name and its cuts. Between two tracks may stand `/`,
`,`, `;`, `and`, a new line, or nothing. A side may stand before a track, or for it where each side has one. `double 3` is
3 3; `two` and `bravo` are 2 and B, where no depths of the system could make up the word. `tip to bow` and `(from tip)` are `from
tip`; it may stand behind the cuts of a key of one list, or of every list. `right same as left` is the first of two lists again.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from functools import partial
from typing import NamedTuple, get_args

from lark import Token

from bitting.errors import NotationError, Span
from bitting.model.system import RESERVED, WORD, System
from bitting.notation.aloud import HANDS, HEARD, TIMES
from bitting.notation.structure import Row, SideItem, SideRows, carry_out, names_of, places_of
from bitting.notation.tree import Kind, ParseTree, blank_comments, branch, branches, normalise, parse_tree

ACROSS = "across"
LONGEST = 2000
"""Characters of the longest text that is looked at; the longest keys need a few hundred."""
BARRED = frozenset(RESERVED) - {ACROSS}
"""Words that name nothing."""
FILLING = ("side", "track")
"""What may stand behind a name: `left side`."""
BETWEEN = (",", ";", "/", "and", "&", ".", "+")
"""What may stand before the name of the next track."""
JOINS = ("and", "&")
"""What may stand between two lists without names."""


COURSE = re.compile(r"(?i)\b(?:from[\s-]+(?:the[\s-]+)?)?(tip|bow)[\s-]+to[\s-]+(?:the[\s-]+)?(?!\1)(?:tip|bow)\b")
"""A list's direction in full: `tip to bow`."""
SAME = re.compile(r"(?i)\b(?:the[\s-]+)?same(?:[\s-]+as[\s-]+(?:the[\s-]+)?[^\W\d_]+)?\b")
"""Of two lists the second: `right same as left`."""
BRACKETED = re.compile(r"(?i)\((\s*from\s+(?:the\s+)?(?:tip|bow)\s*)\)")
"""`(from tip)`: not a side's brackets."""


class Piece(NamedTuple):
    """A word or a sign of the text."""

    text: str
    start: int
    end: int

    @property
    def word(self) -> bool:
        """Whether it is made of letters and digits."""
        return re.fullmatch(WORD, self.text) is not None


class Head(NamedTuple):
    """The names before a list: of a side, of a track, and from which end it is counted; `sure` where no cut could be meant."""

    side: Token | None
    track: Token | None
    end: str
    sure: bool
    start: int


class Part(NamedTuple):
    """A head and the pieces of its list."""

    head: Head | None
    pieces: list[Piece]


class Said(NamedTuple):
    """What was understood: the lists of each side (asking for them raises what is wrong with them), and whether the
    names can be nothing but names."""

    sides: Callable[[], tuple[SideRows, ...]]
    sure: bool


def said(text: str, system: System, kind: Kind = "code", *, labels_first: bool = True) -> Said | None:
    """The lists of a text as it is said; None where it holds no such way to say something.

    `labels_first` False takes for a name even what could be a depth: to find out whether a text may mean two things.
    Raises NotationError where it is said in such a way but can't be understood.
    """
    if len(text) > LONGEST:
        return None
    return _Hearing(text, system, kind, labels_first).said()


class _Hearing:
    """One text, in pieces."""

    def __init__(self, text: str, system: System, kind: Kind, labels_first: bool) -> None:
        self.text, self.system, self.kind, self.labels_first = text, system, kind, labels_first
        self.tracks = [track.name for track in system.tracks] + [ACROSS] * (kind == "readings")
        self.labels = [(places_of(track), track.run_together) for track in system.tracks]
        self.doubled: dict[int, int] = {}
        self.spoken = False
        """Whether something was understood that is no name: a depth as it is read aloud, `and`, `from tip` behind the cuts."""
        self.plain = blank_comments(normalise(text))
        if not any(self._is_cuts(word) for word in ("tip", "to", "bow")):
            self.plain = COURSE.sub(lambda course: f"from {course[1]}".ljust(len(course[0])), self.plain)
            self.plain = BRACKETED.sub(r" \1 ", self.plain)
        self.same = kind == "code" and len(system.lanes) == 2 and not any(map(self._is_cuts, ("same", "the", "as")))
        if self.same:
            self.plain = SAME.sub(lambda said: "same".ljust(len(said[0])), self.plain)
        if kind == "code":
            self.plain = re.sub(r"(?i)x-ray|[^\W\d_]+", self._heard, self.plain)
        glued = kind == "code" and not any(sign.isdigit() for name in self._names_of() for sign in name)
        words = rf"[^\W\d_]+\d+(?=[^\W\d_]+\d)|{WORD}" if glued else WORD  # t213b112: two words
        self.pieces = [Piece(m[0], *m.span()) for m in re.finditer(rf"{words}|\S", self.plain)]

    def _heard(self, word: re.Match[str]) -> str:
        """A word read aloud as the depth it means, as long as it was; any other as it is."""
        said = word[0].casefold()
        label = HEARD.get(said.replace("-", ""), "")
        depths = [one for one in (label, label.casefold()) if any(one in known for known, _ in self.labels)]
        names = any(name.casefold().startswith(said) for name in self._names_of())
        if not depths or names or self._is_cuts(word[0]):
            return word[0]
        self.spoken = True
        return depths[0].ljust(len(word[0]))

    def _names_of(self) -> list[str]:
        return [*self.tracks, *self.system.sides]

    def said(self) -> Said | None:
        if any(piece.text == "(" for piece in self.pieces):
            return self._wrapped()
        self._put_before()
        end = self._turned()
        parts = _once(self._parts(0, len(self.pieces) - len(end)))
        if parts is None or not (self.spoken or self.doubled or any(part.head for part in parts)):
            return None
        if end and len(parts) == 1 and parts[0].head is None:
            head = Head(None, None, end[-1].text.casefold(), True, parts[0].pieces[0].start)
            parts = [Part(head, parts[0].pieces)]
        heads = [part.head for part in parts if part.head]
        if self.same and len(parts) == 2 and [piece.text for piece in parts[1].pieces] == ["same"] and parts[1].head:
            parts[1] = Part(parts[1].head, parts[0].pieces)
            if parts[0].head and not parts[1].head.end:
                parts[1] = Part(parts[1].head._replace(end=parts[0].head.end), parts[0].pieces)
        return Said(partial(self._sides, parts), self._sure(heads))

    def _put_before(self) -> None:
        """`from tip` behind the cuts of each of several lists, put before them."""
        cuts = [self._is_cuts(piece.text) or piece.text[0].isdigit() for piece in self.pieces]
        ends = [at for at in range(len(self.pieces)) if self._from(at)]
        if len(ends) != len(self.system.lanes) or not all(at and cuts[at - 1] for at in ends):
            return
        start = 0
        ordered: list[Piece] = []
        for at in ends:
            stop = at + 2 + (self._text(at + 1) == "the")
            first = cuts.index(True, start)
            ordered += [*self.pieces[start:first], *self.pieces[at:stop], *self.pieces[first:at]]
            start = stop
        self.pieces = [*ordered, *self.pieces[start:]]

    def _turned(self) -> list[Piece]:
        """`from the tip` behind the cuts: where a key has several lists it may be said of all or of the last, and is refused."""
        for count, before in ((2, "from"), (3, "the")):
            at = len(self.pieces) - count
            if at > 0 and self._from(at) and self._text(len(self.pieces) - 2) == before:
                if len(self.system.lanes) > 1 and self._from(at) == "tip":
                    raise NotationError(
                        "which lists run from the tip?",
                        hint=self._each(),
                        text=self.text,
                        span=(self.pieces[at].start, self.pieces[-1].end),
                        ambiguous=True,
                    )
                while at > 1 and self._text(at - 1) in BETWEEN:
                    at -= 1
                self.spoken = True
                return self.pieces[at:]
        return []

    def _sure(self, heads: Sequence[Head]) -> bool:
        if not heads:
            return bool(self.doubled) or all(self._is_cuts(piece.text) for piece in self.pieces if piece.word)
        named = [(head.side and head.side.casefold(), head.track and head.track.casefold()) for head in heads]
        return all(head.sure for head in heads) or len(set(named)) == len(named) > 1

    # ---- sides in brackets ------------------------------------------------------------------------------------------

    def _wrapped(self) -> Said | None:
        """`top(left 213 right 112); bottom = top`: the notation's sides, their tracks as they are said."""
        sides: list[tuple[Piece, list[Part], Piece]] = []
        heads: list[Head] = []
        at = 0
        while at < len(self.pieces):
            if self.pieces[at].text == ";":
                at += 1
                continue
            name, sign = self.pieces[at], self._text(at + 1)
            if not name.word or sign not in ("(", "="):
                return None
            if sign == "=":
                if not self._text(at + 2):
                    return None
                source = self.pieces[at + 2]
                sides.append((name, [], source))
                at += 3
                continue
            end = next((i for i in range(at, len(self.pieces)) if self.pieces[i].text == ")"), None)
            if end is None:
                return None
            behind = len(self.pieces) - end
            parts = _once(self._parts(at + 2, end), name.text)
            end = len(self.pieces) - behind
            if parts is None or any(part.head and part.head.side for part in parts):
                return None
            heads += [part.head for part in parts if part.head]
            sides.append((name, parts, self.pieces[end]))
            at = end + 1
        return Said(partial(self._of_wrapped, sides), self._sure(heads)) if heads or self.doubled else None

    def _of_wrapped(self, sides: Sequence[tuple[Piece, list[Part], Piece]]) -> tuple[SideRows, ...]:
        items = []
        for name, parts, last in sides:
            rows = tuple(self._row(part) for part in parts)
            items.append(SideItem(_token(name), rows, None if rows else _token(last), (name.start, last.end)))
        return carry_out(items, self.system, self.text)

    # ---- heads and lists --------------------------------------------------------------------------------------------

    def _parts(self, at: int, end: int) -> list[Part] | None:
        """The lists of some of the pieces, each with its names; None where a bracket or ';' stands in the way."""
        parts = [Part(None, [])]
        inside = False
        behind = len(self.pieces) - end  # a name that its cuts touch makes two pieces of one
        while at < len(self.pieces) - behind:
            piece = self.pieces[at]
            head, after = (None, at) if inside else self._head(at)
            if head:
                if parts[-1].head and not parts[-1].pieces and self._text(at - 1) == "=":
                    return None  # bottom = top
                while parts[-1].pieces and parts[-1].pieces[-1].text.casefold() in BETWEEN:
                    parts[-1].pieces.pop()
                parts.append(Part(head, []))
                at = after
                continue
            if piece.text in ("(", ")", "=", ":"):
                return None
            inside = (inside or piece.text == "[") and piece.text != "]"
            joins = piece.text.casefold() in JOINS and not self._is_cuts(piece.text)
            self.spoken |= joins
            if (joins or piece.text in ("/", ";")) and not inside:
                if piece.text == ";" and self._head(at + 1)[0] is None:
                    return None
                parts.append(Part(None, []))
            elif times := self._times(at):
                label = self.pieces[at + 1]
                self.doubled[label.start] = times
                parts[-1].pieces.append(label)
                at += 1
            else:
                parts[-1].pieces.append(piece)
            at += 1
        found = [part for part in parts if part.head or part.pieces]
        return found or None

    def _head(self, at: int) -> tuple[Head | None, int]:
        """The names that stand here, and where their list begins; None where a cut does."""
        start = at
        side, track, after = self._names(at)
        if side is None and track is None and not self._from(at):
            return None, at
        at = after + (self._text(after) in (":", "=") and bool(self._from(after + 1)))
        tip = self._from(at)
        if tip:
            at += 3 if self._text(at + 1) == "the" else 2
        colon = self._text(at) in (":", "=")
        names = [name for name in (side, track) if name]
        sure = colon or bool(tip) or any(len(name) > 1 for name in names)
        if colon or (self._text(at) == "-" and at + 1 < len(self.pieces)):
            at += 1
        first = self.pieces[start].start
        return Head(side, track, tip, sure, first), at

    def _names(self, at: int) -> tuple[Token | None, Token | None, int]:
        """A side, a track, or a side and a track (a colon may stand between them), and what follows them."""
        if self._text(at) == "both" and self.system.sides and not self._is_cuts(self.pieces[at].text):
            token, after = _token(self.pieces[at]), at + 1 + (self._text(at + 1) == "sides")
            inner = self._name(after + (self._text(after) == ":"), self.tracks)
            return token, *(inner[::2] if inner else (None, after))
        found = self._name(at, self.tracks + list(self.system.sides))
        if found is None:
            return None, None, at
        token, exact, after = found
        side, track = self._which(token, exact)
        if side is None:
            return None, track, after
        behind = after + 1 if self._text(after) == ":" else after
        inner = self._name(behind, self.tracks) if len(self.pieces) > behind else None
        if inner is not None and inner[0].start_pos != token.start_pos:
            return side, inner[0], inner[2]
        return side, None, after

    def _which(self, token: Token, exact: str) -> tuple[Token | None, Token | None]:
        """Whether a name is a side's or a track's."""
        folded = exact.casefold()
        tracks = [name for name in self.tracks if name.casefold().startswith(folded)]
        sides = [name for name in self.system.sides if name.casefold().startswith(folded)]
        if tracks and sides and folded not in (name.casefold() for name in (*tracks, *sides)):
            raise NotationError(
                f"'{token}' may be the track {tracks[0]} or the side {sides[0]}",
                hint="write more of the name",
                text=self.text,
                span=(token.start_pos or 0, token.end_pos or 0),
                ambiguous=True,
            )
        is_side = bool(sides) and not any(name.casefold() == folded for name in tracks)
        return (token, None) if is_side else (None, token)

    def _name(self, at: int, known: Sequence[str]) -> tuple[Token, str, int] | None:
        """The name that stands here, as written and as meant, and where the next piece is."""
        if at >= len(self.pieces) or not self.pieces[at].word:
            return None
        piece = self.pieces[at]
        word = piece.text.casefold()
        after = at + 1
        while self._text(after) in FILLING and not self._is_cuts(self.pieces[after].text):
            after += 1
        marked = self._text(after) in (":", "=") or bool(self._from(after) and self._colon_follows(after))
        exact = [name.casefold() for name in known]
        if word not in exact and HANDS.get(word) in exact:
            word = HANDS[word]
        begins = word not in BARRED and any(name.casefold().startswith(word) for name in known)
        if begins and (marked or not (self.labels_first and self._is_cuts(piece.text))):
            return _token(piece, word if word in HANDS.values() else piece.text), word, after
        if marked and word not in BARRED and after == at + 1 and not self._is_cuts(piece.text):
            return _token(piece), word, after  # an unknown name: whoever resolves it says so
        return self._glued(at, known)

    def _glued(self, at: int, known: Sequence[str]) -> tuple[Token, str, int] | None:
        """`l2133`, `left2133`: a name whose cuts touch it; its piece becomes two."""
        piece = self.pieces[at]
        if self.labels_first and self._is_cuts(piece.text):
            return None
        places = []
        for place in range(1, len(piece.text)):
            name, rest = piece.text[:place].casefold(), piece.text[place:]
            begins = name in HANDS or (name not in BARRED and any(n.casefold().startswith(name) for n in known))
            barred = self.labels_first and self._is_cuts(name)
            if name.isalpha() and begins and not barred and (rest.isdecimal() or self._is_cuts(rest)):
                places.append(place)
        if len(places) != 1:
            return None
        middle = piece.start + places[0]
        name = piece.text[: places[0]]
        self.pieces[at : at + 1] = [Piece(name, piece.start, middle), Piece(piece.text[places[0] :], middle, piece.end)]
        meant = HANDS.get(name.casefold(), name)
        return _token(self.pieces[at], meant), meant, at + 1

    def _from(self, at: int) -> str:
        """`bow` or `tip` where `from bow` or `from the tip` stands here, else nothing."""
        if self._text(at) != "from" or (self._is_cuts(self.pieces[at].text) and not self._colon_follows(at)):
            return ""
        end = self._text(at + 2) if self._text(at + 1) == "the" else self._text(at + 1)
        return end if end in ("bow", "tip") else ""

    def _colon_follows(self, at: int) -> bool:
        return self._text(at + (3 if self._text(at + 1) == "the" else 2)) in (":", "=")

    def _times(self, at: int) -> int:
        """How many times the depth behind this word is meant; 0 where it is no such word."""
        times = TIMES.get(self._text(at), 0)
        if not times or self.kind != "code" or self._is_cuts(self.pieces[at].text) or at + 1 >= len(self.pieces):
            return 0
        label = self.pieces[at + 1].text
        if any(label in labels for labels, _ in self.labels):
            return times
        if self._is_cuts(label):
            once = " ".join([label[0]] * times + list(label[1:]))
            every = " ".join(character for character in label for _ in range(times))
            raise NotationError(
                f"'{self.pieces[at].text} {label}' may mean {once} or {every}",
                hint="write the cuts one by one",
                text=self.text,
                span=(self.pieces[at].start, self.pieces[at + 1].end),
                ambiguous=True,
            )
        return 0

    def _is_cuts(self, word: str) -> bool:
        """Whether the depth labels of any track, in whatever case they may be written, make up the word."""
        return any(
            word in labels or (run_together and all(character in labels for character in word))
            for labels, run_together in self.labels
        )

    def _text(self, at: int) -> str:
        return self.pieces[at].text.casefold() if at < len(self.pieces) else ""

    # ---- rows -------------------------------------------------------------------------------------------------------

    def _each(self) -> str:
        return "say it of each list: " + " / ".join(f"{name} from tip: …" for name in self.system.lane_names)

    def _write(self, head: Head | None) -> str:
        """How a list is written that has no cuts yet."""
        if head is not None and head.end == "tip" and not (head.track or head.side) and self.system.lane_names:
            return self._each()
        return "write its cuts from the bow to the tip, or ? for each you don't know"

    def _row(self, part: Part) -> Row:
        """A list, read by the grammar: all of the text but its own pieces is blanked, so that every place stays true."""
        head = part.head
        name = head and (head.track or head.side)
        if not part.pieces:
            where = (head.start, name.end_pos or 0) if head and name else (0, len(self.text))
            raise NotationError(
                f"nothing stands behind '{name}'" if name else "there are no cuts here",
                hint=self._write(head),
                text=self.text,
                span=where,
            )
        canvas = [" "] * len(self.text)
        for piece in part.pieces:
            canvas[piece.start : piece.end] = self.plain[piece.start : piece.end]
        try:
            tree = parse_tree("".join(canvas), self.kind, self.system)
        except NotationError as fault:
            raise NotationError(fault.message, hint=fault.hint, text=self.text, span=fault.span) from None
        row = branch(branch(branch(tree, 0), 0), -1)
        items = [node for node in branches(row) for _ in range(self._repeats(node))]
        span: Span = (row.meta.start_pos, row.meta.end_pos)
        start = head.start if head else span[0]
        return Row(head.track if head else None, head.end if head else "", items, span, (start, span[1]))

    def _repeats(self, node: ParseTree) -> int:
        return self.doubled.get(node.meta.start_pos, 1)

    def _sides(self, parts: Sequence[Part]) -> tuple[SideRows, ...]:
        """The lists side by side, where sides are named: a track without one belongs to the side named last."""
        if not any(part.head and part.head.side for part in parts):
            rows = tuple(self._row(part) for part in parts)
            return (SideRows(None, rows, (rows[0].whole[0], rows[-1].whole[1])),)
        items: list[tuple[Token, list[Row]]] = []
        across = self.system.measuring.across
        between: list[Row] = []
        for part in parts:
            row = self._row(part)
            if (
                across
                and across.sides
                and part.head
                and not part.head.side
                and row.name
                and row.name.casefold() == ACROSS
            ):
                between.append(row)
                continue
            if part.head and part.head.side:
                word = part.head.side
                if not items or part.head.track is None or word.casefold() != items[-1][0].casefold():
                    items.append((word, []))
            if not items:
                raise NotationError(
                    "which side is this list of?",
                    hint="write the side before it, as before the others",
                    text=self.text,
                    span=row.whole,
                )
            items[-1][1].append(row)
        sides = [SideItem(word, tuple(rows), None, (rows[0].whole[0], rows[-1].whole[1])) for word, rows in items]
        whole = [SideRows(None, tuple(between), (between[0].whole[0], between[-1].whole[1]))] if between else []
        return (*carry_out(sides, self.system, self.text), *whole)


def _once(parts: Sequence[Part] | None, side: str = "") -> list[Part] | None:
    """The lists (of a side) where a name may be said again: `left: left 213`, of a column called left and its cell."""
    kept: list[Part] = []
    for part in parts or ():
        first, again = kept[-1].head if kept and not kept[-1].pieces else None, part.head
        if (
            first
            and again
            and not first.end
            and _begins(again.side, first.side or side)
            and _begins(again.track, first.track)
        ):
            kept[-1] = Part(first._replace(end=again.end), part.pieces)
        else:
            kept.append(part)
    return kept or None


def _begins(short: str | None, name: str | None) -> bool:
    """Whether a name, if there is one, is another or begins it."""
    return not short or (name or "").casefold().startswith(short.casefold())


def _token(piece: Piece, text: str | None = None) -> Token:
    return Token("NAME", piece.text if text is None else text, piece.start, end_pos=piece.end)


def lists_of(lines: Iterable[tuple[int, str]], system: System) -> Iterator[tuple[int, str]]:
    """The codes and readings of some numbered lines, one a line, each with the number of its first; lines that follow one
    another, of a kind, and each name other tracks are one text."""
    waiting: list[str] = []
    named: set[tuple[str | None, str | None]] = set()
    first, kind = 0, ""
    for number, line in lines:
        its, own = _named(line, system)
        if waiting and not (own and named and its == kind and not own & named):
            yield first, "\n".join(waiting)
            waiting, named = [], set()
        first = first if waiting else number
        kind = its
        waiting.append(line)
        named |= own
    if waiting:
        yield first, "\n".join(waiting)


def _named(line: str, system: System) -> tuple[str, set[tuple[str | None, str | None]]]:
    """Whether a line holds a code or can only be readings, and (side, track) of every list that it names."""
    for kind in get_args(Kind):
        with suppress(NotationError):
            understood = said(line, system, kind)
            named = {
                (side.side, name)
                for side in (understood.sides() if understood else ())
                for name in names_of(side.rows, system, line, (ACROSS,) * (kind == "readings"))
                if name or side.side
            }
            if named:
                return kind, named
    return "", set()
