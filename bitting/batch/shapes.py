"""Codes read by shape: the grammar parses one text of each shape, and the others follow it.

A spreadsheet's codes are mostly written alike. The *shape* of a text is the text with every digit, and every letter that
is a depth, replaced by one mark. The grammar parses the first text of a shape and says where each cut stands; that is
its `Template`. Any other text of the same shape has its cuts at the same places, because

- the grammar's words are runs of letters and digits, so replacing one of them by another keeps every word's extent;
- a word is a name by what stands beside it, never by what it is made of, and words that are names (or remarks) must
  be equal to the template's character for character, only cuts may differ;
- no keyword of the notation contains a digit, and a depth letter changes only inside cuts.

Codes as people say them are read so where depths are digits and names have none, so that no digit can be a name or make
one; where they were taken for names and cuts only because every depth is the system's, texts with any other go to the
grammar. So does every text with a word that counts (`double 3`).

A text that can't be read is followed only by texts that differ in words made of nothing but digits, and only where
it has no range, bracket or remark. What has open cuts, ranges or brackets, is not ASCII, holds a line break, is longer than
`LONGEST`, or has a shape after the first `MOST_SHAPES`, is left to the grammar one by one (`Shape.SINGLE`). A property
test holds this module to the grammar on random texts and random systems.

Texts of one length are compared as rows of a byte matrix, so a text costs tens of nanoseconds and no Python object.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import IntEnum
from typing import cast

import attrs
import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Bytes, Indices
from bitting.batch.csv.records import ColumnView
from bitting.errors import NotationError
from bitting.model import Code, Cut, CutList, System
from bitting.notation import parse_code
from bitting.notation.aloud import TIMES
from bitting.notation.hints import strange_words
from bitting.notation.tree import normalise


def single_labels(labels: Sequence[str]) -> Bytes:
    table = np.full(256, len(labels), np.uint8)
    for place, label in enumerate(labels):
        if len(label) == 1 and label.isascii():
            table[ord(label)] = place
    return table


def long_labels(words: Bytes, labels: Sequence[str]) -> Bytes:
    """Places of words of several characters in the depth table."""
    width = words.shape[1]
    keys = np.ascontiguousarray(words).view(f"S{width}").ravel()
    found = np.full(len(keys), len(labels), np.uint8)
    for place, label in enumerate(labels):
        if len(label) == width and label.isascii():
            found[keys == label.encode()] = place
    return found


_WORD = re.compile(r"[A-Za-z0-9_]+")
_NAMED = re.compile(r"[A-Za-z]+[0-9]+")
"""What is no depth, but would be a name and a cut if its digits were one: `l2`."""


def loose_digits(text: str, system: System) -> NDArray[np.bool_]:
    """The digits of an unreadable text that can't be why it is unreadable: words of digits that name nothing."""
    loose = np.zeros(len(text), bool)
    if any(mark in text for mark in "[]#.=?") or any(name.isdigit() for name in _names(system)):
        return loose
    for word in _WORD.finditer(text):
        after = text[word.end() :].lstrip().lower()
        if word[0].isdigit() and not after.startswith((":", "(", "=", "from")):
            loose[word.start() : word.end()] = True
    return loose


def _names(system: System) -> list[str]:
    return [*system.sides, *(track.name for track in system.tracks)]


def cut_spans(code: Code, text: str) -> list[tuple[int, int]] | None:
    """Where the cuts stand, when each is one plain word or one character of one; None where any is anything else."""
    spans = []
    for row in code.written:
        for cut in row.cuts:
            start, end = cut.span
            label = code.system.track(row.track or code.system.tracks[0].name).labels
            other_case = cut.depth is not None and label[cut.depth] != cut.text
            if other_case or text[start:end] != cut.text or not _WORD.fullmatch(cut.text) or len(cut.depths) > 1:
                return None
            spans.append((start, end))
    return None if any(mark in text for mark in "[?.") else spans


def lane_spans(code: Code) -> list[tuple[int, int]] | None:
    """The span of each cut of each lane; None where the sides of a convenience key were written each for itself."""
    spans: list[tuple[int, int]] = []
    for lane in code.system.lanes:
        ways = {tuple(cut.span for cut in row.cuts) for row in code.lists(lane)}
        if len(ways) != 1:
            return None
        spans.extend(ways.pop())
    return spans


LONGEST = 400
MOST_SHAPES = 4096
HOT = 3
"""So many shapes of a length are tried by comparing whole columns; the rest by sorting what is left."""


class Shape(IntEnum):
    """What is known of a text from its shape."""

    EXACT = 0
    """Every cut that the key needs is there and exact; whether its depths exist is seen in the depths."""
    INCOMPLETE = 1
    """Readable, but cuts are missing or too many, so it is illegal whatever they are."""
    UNREADABLE = 2
    EMPTY = 3
    SINGLE = 4
    """To be read by the grammar."""


@define(eq=False)
class Template:
    """One shape. `starts` and `widths` say where each cut stands (in the order of the system's lanes, bow to tip);
    `exact` are the marked places that are no cut and must equal `text` (`same`). `code` is what the grammar made of
    `text`, and `made` the cuts already made of other texts: (list, cut, depth as written) -> Cut."""

    number: int
    text: str
    kind: Shape
    exact: Indices
    same: Bytes
    starts: tuple[int, ...] = ()
    widths: tuple[int, ...] = ()
    code: Code | None = field(default=None, repr=False)
    made: dict[tuple[int, int, str], Cut] = field(factory=dict, repr=False)

    def shifted(self, by: int) -> str:
        """A text of this shape that differs from `text` in every digit that may differ (for `by` from 1 to 9)."""
        fixed = set(self.exact.tolist())
        return "".join(
            str((int(sign) + by) % 10) if sign.isdigit() and place not in fixed else sign
            for place, sign in enumerate(self.text)
        )

    def code_of(self, text: str) -> Code:
        """The code of another text of this shape (EXACT or INCOMPLETE), equal to what the grammar makes of it."""
        code = cast(Code, self.code)
        if not text.isascii():  # a cut may stand there in signs that the depth table doesn't have
            return parse_code(text, code.system)
        lists = []
        for number, row in enumerate(code.written):
            cuts = []
            for place, cut in enumerate(row.cuts):
                label = text[slice(*cut.span)]
                key = (number, place, label)
                if key not in self.made:
                    track = code.system.track(row.track) if row.track else code.system.tracks[0]
                    depths = (track.labels.index(label),) if label in track.labels else ()
                    self.made[key] = Cut(depths, label, cut.span)
                cuts.append(self.made[key])
            lists.append(CutList(row.side, row.track, tuple(cuts), row.span))
        return attrs.evolve(code, text=text, written=tuple(lists))


@frozen(eq=False)
class Read:
    """Texts as read: a `Shape` each, and the depths (cuts, texts) of the exact ones as places in the depth tables; a
    depth that the table doesn't have is as large as the table is long. `which` is each text's place in the reader's
    `templates`."""

    shapes: Bytes
    depths: Bytes
    which: NDArray[np.int32]


class ShapeReader:
    """Reads texts for one system; keeps the shapes it has met."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
        labels = {label for track in self.tracks for label in track.labels}
        marked = {c for c in map(chr, range(128)) if c.isdigit()}
        marked |= {label for label in labels if len(label) == 1 and label.isascii() and label.isalpha()}
        self._mark = np.arange(256, dtype=np.uint8)
        self._mark[[ord(c) for c in sorted(marked)]] = ord("0")
        self._single = [single_labels(track.labels) for track in self.tracks]
        self._templates: dict[bytes, list[Template]] = {}
        self._hot: dict[int, list[tuple[bytes, Template]]] = {}
        self.templates: list[Template] = []

    def read(self, texts: Sequence[str]) -> Read:
        """Read some texts (some ten thousand at a time are read fastest)."""
        count = len(texts)
        shapes = np.full(count, Shape.SINGLE, np.uint8)
        read = Read(shapes, np.zeros((len(self.tracks), count), np.uint8), np.zeros(count, np.int32))
        data, starts, stops = _laid_out(texts)
        lengths = stops - starts
        for length in np.flatnonzero(np.bincount(lengths)[: LONGEST + 1]) if count else ():
            rows = np.flatnonzero(lengths == length)
            if length == 0:
                shapes[[row for row in rows.tolist() if not texts[row]]] = Shape.EMPTY
                continue
            if len(rows) == count and len(data) == count * (length + 1):
                matrix = data.reshape(count, length + 1)[:, :length]
            else:
                matrix = np.lib.stride_tricks.sliding_window_view(data, int(length))[starts[rows]]
            self._read_length(rows, matrix, read)
        return read

    def _read_length(self, rows: Indices, matrix: Bytes, read: Read) -> None:
        """Texts of one length: first the shapes met most, then whatever else there is, sorted."""
        length = matrix.shape[1]
        keys = self._mark[matrix].view(f"S{length}").ravel()
        for key, template in self._hot.get(length, ()):
            hit = _fits(template, keys == key, matrix)
            if hit.all():
                self._apply(template, rows, matrix, read)
                return
            if hit.any():
                self._apply(template, rows[hit], matrix[hit], read)
                rows, matrix, keys = rows[~hit], matrix[~hit], keys[~hit]
        if len(keys) > 2 and (keys == keys[0]).all():
            self._read_shape(keys[0], rows, matrix, read)
            return
        order = np.argsort(keys, kind="stable")
        edges = np.flatnonzero(keys[order][1:] != keys[order][:-1]) + 1
        for group in np.split(order, edges):
            if len(group):
                self._read_shape(keys[group[0]], rows[group], matrix[group], read)

    def _read_shape(self, key: bytes, rows: Indices, matrix: Bytes, read: Read) -> None:
        """Texts of one shape; several templates where words that are no cuts differ in marked characters."""
        known = self._templates.setdefault(key, [])
        for template in list(known):
            hit = _fits(template, np.ones(len(rows), bool), matrix)
            self._apply(template, rows[hit], matrix[hit], read)
            rows, matrix = rows[~hit], matrix[~hit]
        while len(rows) and len(self.templates) < MOST_SHAPES and len(known) < 8:
            template = self._learn(matrix[0].tobytes().decode("ascii"))
            self.templates.append(template)
            known.append(template)
            hot = self._hot.setdefault(matrix.shape[1], [])
            if len(hot) < HOT and len(rows) > 2:
                hot.append((key, template))
            hit = _fits(template, np.ones(len(rows), bool), matrix)
            self._apply(template, rows[hit], matrix[hit], read)
            rows, matrix = rows[~hit], matrix[~hit]

    def _apply(self, template: Template, rows: Indices, matrix: Bytes, read: Read) -> None:
        read.shapes[rows] = template.kind
        read.which[rows] = template.number
        if template.kind != Shape.EXACT or not len(rows):
            return
        depths = read.depths
        every = len(rows) == depths.shape[1]
        doubted = template.code is not None and template.code.said == "if whole"
        for cut, (start, width) in enumerate(zip(template.starts, template.widths, strict=True)):
            if width == 1:
                found = self._single[cut][matrix[:, start]]
            else:
                found = long_labels(matrix[:, start : start + width], self.tracks[cut].labels)
            if every:
                depths[cut] = found
            else:
                depths[cut, rows] = found
            if doubted:
                read.shapes[rows[found >= len(self.tracks[cut].labels)]] = Shape.SINGLE

    def _said_by_shape(self, text: str) -> bool:
        """Whether a text as people say it is made out by its shape: no digit is a name, or part of one, in this system,
        nor could a number before `from` be the name of a track."""
        words = [label for track in self.system.tracks for label in track.labels]
        letters = any(not label.isdecimal() for label in words)
        digits = any(sign.isdigit() for name in _names(self.system) for sign in name)
        return not (letters or digits or "from" in text.casefold())

    def _learn(self, text: str) -> Template:
        """The template of a text that nothing known fits."""
        number = len(self.templates)
        marked = self._mark[np.frombuffer(text.encode("ascii"), np.uint8)] == ord("0")
        if not text.strip():
            return _template(number, text, Shape.EMPTY, marked)
        if any(word in text.casefold() for word in TIMES):
            return _template(number, text, Shape.SINGLE, marked)
        try:
            code = parse_code(text, self.system)
        except NotationError as fault:
            kind = Shape.SINGLE if fault.ambiguous else Shape.UNREADABLE
            return _template(number, text, kind, marked & ~loose_digits(text, self.system))
        spans = cut_spans(code, text)
        named = any(_NAMED.fullmatch(cut.text) for row in code.written for cut in row.cuts if not cut.depths)
        if spans is None or named or (code.said and not self._said_by_shape(text)):
            return _template(number, text, Shape.SINGLE, marked)
        free = np.zeros(len(text), bool)
        for start, end in spans:
            free[start:end] = True
        if not code.complete:
            letters = any(character.isalpha() for start, end in spans for character in text[start:end])
            # Another text may mean a name by a letter, or be words and no code.
            if letters or strange_words(text, self.system):
                return _template(number, text, Shape.SINGLE, marked)
            return attrs.evolve(_template(number, text, Shape.INCOMPLETE, marked & ~free), code=code)
        lanes = lane_spans(code)
        if lanes is None:
            return _template(number, text, Shape.SINGLE, marked)
        made = _template(number, text, Shape.EXACT, marked & ~free)
        return attrs.evolve(made, starts=tuple(a for a, _ in lanes), widths=tuple(b - a for a, b in lanes), code=code)


def _template(number: int, text: str, kind: Shape, exact: NDArray[np.bool_]) -> Template:
    places = np.flatnonzero(exact)
    return Template(number, text, kind, places, np.frombuffer(text.encode("ascii"), np.uint8)[places])


def _fits(template: Template, hit: NDArray[np.bool_], matrix: Bytes) -> NDArray[np.bool_]:
    """Which rows of the template's shape also agree where they must."""
    if len(template.exact):
        hit = hit & (matrix[:, template.exact] == template.same).all(axis=1)
    return hit


def _laid_out(texts: Sequence[str]) -> tuple[Bytes, Indices, Indices]:
    """All texts as bytes, and where each begins and ends among them; without what must be read by itself."""
    if isinstance(texts, ColumnView):
        return np.frombuffer(texts.text.encode("ascii"), np.uint8), texts.starts, texts.stops
    plain = list(texts)
    joined = "\n".join(plain)
    if not joined.isascii() or joined.count("\n") != len(plain) - 1 or "\0" in joined:
        plain = [_plain(text) for text in texts]
        joined = "\n".join(plain)
    data = np.frombuffer(joined.encode("ascii") + b"\n", np.uint8)
    stops = np.flatnonzero(data == 10)
    return data, np.concatenate(([0], stops[:-1] + 1)), stops


def _plain(text: str) -> str:
    """The text as ASCII by the notation's own table; "" (never read as empty) for what must be read by itself."""
    plain = text if text.isascii() else normalise(text)
    return plain if plain.isascii() and "\n" not in plain and "\0" not in plain else ""
