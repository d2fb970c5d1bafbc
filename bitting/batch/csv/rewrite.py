"""CSV and its relatives: the same records out, byte for byte, with four cells added to each.

The file is read twice at most: once to learn its encoding, and once to answer; a third time where a row is wider than the
header, so that the added columns stand under their names in every row. Blank lines are kept and are no rows, as for
Python's csv module and everything built on it (in a file of a single column a blank line is an empty cell).

Records that wait to be written until the suggestions of their wrong rows are there, and what stands between them.

Looking for the nearest legal codes of many rows together is several times faster than chunk by chunk, and the output must keep
its order: so some ten thousand wrong rows wait, and everything around them as plain text.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain
from typing import BinaryIO

import numpy as np
from attrs import define, field, frozen

from bitting.batch.check_rows import Desk, Judgement, Row
from bitting.batch.columns import OURS, Layout, Wanted, code_texts, find_layout
from bitting.batch.csv.dialect import Form, carried_blocks, find_form
from bitting.batch.csv.records import Records, read_records
from bitting.batch.judge import Judge, Verdict
from bitting.batch.many import CHUNK

TOGETHER = 10_000
"""So many rows wait together for their suggestions: looked for all at once they take a third of the time."""
AT_ONCE = 512
"""So many pieces of text are joined at once: larger ones are slower to make."""
CHUNKS = 16
"""So many chunks of rows are held at most while they wait."""


@frozen(eq=False)
class _Waiting:
    """A row that waits for its suggestion: what comes before the added cells, its place in its chunk, its line end."""

    before: str
    judgement: Judgement
    place: int
    end: str


def _text(records: Records, tails: Sequence[str], start: int, stop: int) -> str:
    """Some records with their tails, as text."""
    raws, ends = records.raws[start:stop], records.ends[start:stop]
    if not raws:
        return ""
    if ends.count(ends[0]) == len(ends):
        return ends[0].join(map(str.__add__, raws, tails[start:stop])) + ends[0]
    return "".join(chain.from_iterable(zip(raws, tails[start:stop], ends, strict=True)))


@define(eq=False)
class Held:
    """What waits, in order."""

    _pieces: list[str | _Waiting] = field(init=False, factory=list)
    _judgements: list[Judgement] = field(init=False, factory=list)
    _rows: int = field(init=False, default=0)

    def add(
        self,
        records: Records,
        tails: Sequence[str],
        pads: Sequence[str] | None,
        judgement: Judgement,
        waiting: Mapping[int, int],
    ) -> None:
        """Some records with their tails; `waiting` are those without, and their places in the judgement."""
        start = 0
        for at in sorted(waiting):
            self._pieces.append(_text(records, tails, start, at))
            raw = records.raws[at] + (pads[at] if pads is not None else "")
            self._pieces.append(_Waiting(raw, judgement, waiting[at], records.ends[at]))
            start = at + 1
        self._pieces.append(_text(records, tails, start, len(records)))
        self._judgements.append(judgement)
        self._rows += len(waiting)

    @property
    def full(self) -> bool:
        """Whether enough waits."""
        return self._rows >= TOGETHER or len(self._judgements) >= CHUNKS or not self._rows

    def release(self, desk: Desk, tail: Callable[[Row], str]) -> Iterator[str]:
        """All of it as text, with suggestions; `tail` writes the cells of a row. Nothing is held any more."""
        desk.settle(self._judgements)
        pieces = self._pieces
        self._pieces, self._judgements, self._rows = [], [], 0
        for start in range(0, len(pieces), AT_ONCE):
            yield "".join(
                [
                    piece
                    if isinstance(piece, str)
                    else piece.before + tail(piece.judgement.said[piece.place]) + piece.end
                    for piece in pieces[start : start + AT_ONCE]
                ]
            )


SAMPLE = 400
BAD = (Verdict.ILLEGAL, Verdict.UNREADABLE)
Progress = Callable[[int], None]
"""Told how many bytes (or rows) have been dealt with since the last time."""
Rowwise = Callable[[int, str, tuple[str, str, str, str]], None]
"""Told of each row: its line, its code, its four cells."""


@define
class Figures:
    """What happened, for the summary."""

    layout: Layout
    rows: int = 0
    blank: int = 0
    wide: int = 0
    """Rows with more cells than the header."""
    notes: list[str] = field(factory=list)


class _Wider(Exception):
    """A row is wider than the columns reckoned with."""


def sample_rows(file: BinaryIO, form: Form) -> list[list[str]]:
    """The first records, decoded."""
    rows: list[list[str]] = []
    for records in _records(file, form):
        for number in range(min(len(records), SAMPLE - len(rows))):
            rows.append(list(map(form.encoding.read, records.cells(number))))  # noqa: PERF401 - stops in the middle
        if len(rows) >= SAMPLE:
            break
    return rows[form.preface :]


def _records(file: BinaryIO, form: Form, progress: Progress | None = None) -> Iterator[Records]:
    blocks = carried_blocks(file, form.encoding)
    if progress is not None:
        blocks = _counted(blocks, progress)
    return read_records(blocks, form.delimiter)


def _counted(blocks: Iterator[str], progress: Progress) -> Iterator[str]:
    for block in blocks:
        yield block
        progress(len(block))


@define(eq=False)
class DelimitedJob:
    """One run over a delimited file: `source` is read (and must be seekable), `target` is written (and so must it)."""

    source: BinaryIO
    target: BinaryIO
    desk: Desk
    wanted: Wanted
    only_bad: bool = False
    delimiter: str | None = None
    progress: Progress | None = None
    rowwise: Rowwise | None = None
    form: Form = field(init=False)
    layout: Layout = field(init=False)
    figures: Figures = field(init=False)
    _width: int = field(init=False, default=0)
    _plain: bool = field(init=False, default=False)
    _held: Held = field(init=False, factory=Held)

    def run(self) -> Figures:
        """Write the answer; BittingError for a file that is no table."""
        self.form = find_form(self.source, self.delimiter)
        sample = sample_rows(self.source, self.form)
        judge = self.desk.judge_of("") if self.desk.default is not None else None
        self.layout = find_layout(sample, self.wanted, judge if isinstance(judge, Judge) else None)
        self._width = max(map(len, sample[self.layout.header or 0 :]))
        if self.rowwise is not None:
            self._width = self._widest()
        try:
            self._write()
        except _Wider:
            self._width = self._widest()
            self.desk.reset()
            self.target.seek(0)
            self.target.truncate()
            self._write()
        return self.figures

    def _widest(self) -> int:
        return max(max(records.widths()) for records in _records(self.source, self.form))

    def _write(self) -> None:
        form, layout = self.form, self.layout
        self.figures = Figures(layout)
        self._plain = self._canonical_is_plain()
        self._held = Held()
        self.desk.expect(form.lines, columns=bool(layout.lanes))
        self.target.write(form.encoding.mark)
        top = form.preface + layout.first
        written = 0
        for records in _records(self.source, form, self.progress):
            if written < top:
                head = records.part(0, top - written)
                self._write_top(head, top - 1 - written if layout.header is not None else None)
                written += len(head)
                records = records.part(len(head))
            for start in range(0, len(records), CHUNK):
                self._write_rows(records.part(start, start + CHUNK), written + start - form.preface)
            written += len(records)
        self._release()
        if self.figures.wide:
            rows = "1 row has" if self.figures.wide == 1 else f"{self.figures.wide:,} rows have"
            self.figures.notes.append(
                f"{rows} more cells than the header: {self.form.delimiter!r} may stand in a cell that lacks its quotes"
            )

    def _write_top(self, top: Records, header: int | None) -> None:
        """What stands above the header, as it is, and the header (record number `header`) with our names."""
        ours = self.layout.ours()
        texts = []
        for number, (raw, end) in enumerate(zip(top.raws, top.ends, strict=True)):
            tail = ""
            if number == header:
                pad = self.form.delimiter * (self._width - len(top.cells(number)))
                tail = pad + "".join(self.form.delimiter + name for name in ours)
                if ours != OURS:
                    self.figures.notes.append(
                        f"the table has columns of these names already; ours are {', '.join(ours)}"
                    )
            texts.append(raw + tail + end)
        self._put("".join(texts))

    def _write_rows(self, records: Records, before: int) -> None:
        """Some records with their answers; so many stand `before` them."""
        if not len(records):
            return
        keep = self._rows_of(records)
        texts, judgement = self._judge(records, before, keep)
        self.figures.rows += len(texts)
        pads = self._pads(records)
        shown: list[tuple[int, int]] = []
        if self.only_bad or self.rowwise is not None:
            numbers = keep if keep is not None else range(len(records))
            shown = [(p, n) for p, n in enumerate(numbers) if not self.only_bad or judgement.verdict[p] in BAD]
        if self.rowwise is not None:
            for place, number in shown:
                self.rowwise(records.line(number), texts[place], judgement.row(place).cells)
        places: Sequence[int] = keep if keep is not None else range(len(records))
        waiting = {places[number]: number for opened in judgement.opened for number in opened.numbers}
        tails = self._tails(judgement)
        if keep is not None:
            whole = [""] * len(records)
            for place, record in enumerate(keep):
                whole[record] = tails[place]
            tails = whole
        if pads is not None:
            tails = [pad + tail if tail else tail for pad, tail in zip(pads, tails, strict=True)]
        if self.only_bad:
            self._put("".join(records.raws[n] + tails[n] + records.ends[n] for _, n in shown))
            return
        self._held.add(records, tails, pads, judgement, waiting)
        if self._held.full:
            self._release()

    def _release(self) -> None:
        """Write what was held, once its suggestions are there."""
        for text in self._held.release(self.desk, self._tail):
            self._put(text)

    def _judge(self, records: Records, before: int, keep: list[int] | None) -> tuple[Sequence[str], Judgement]:
        """The codes of some records (those to `keep`, None: all) and what is said of them."""
        read = self.form.encoding.read
        columns: list[Sequence[str]] = [
            self._decoded(records.column(place)) if lazy is None else lazy
            for place in self.layout.codes
            for lazy in (records.lazy(place),)
        ]
        texts = code_texts(self.layout, self.desk.default, columns)
        rows = np.arange(before + 1, before + 1 + len(records))
        systems = None
        if self.layout.system is not None:
            systems = [read(cell) for cell in records.column(self.layout.system)]
        if keep is not None:
            texts, rows = [texts[number] for number in keep], rows[keep]
            systems = systems and [systems[number] for number in keep]
        if self.only_bad or self.rowwise is not None:
            return texts, self.desk.judge(texts, rows, systems)
        return texts, self.desk.hear(texts, rows, systems)

    def _put(self, carried: str) -> None:
        self.target.write(self.form.encoding.to_bytes(carried))

    def _decoded(self, cells: list[str]) -> list[str]:
        if "".join(cells).isascii():
            return cells
        read = self.form.encoding.read
        return [read(cell) for cell in cells]

    def _rows_of(self, records: Records) -> list[int] | None:
        """The records that are rows, None when all are: blank lines of a table of several columns are not."""
        if self._width == 1 or "" not in records.raws:
            return None
        keep = [number for number, raw in enumerate(records.raws) if raw]
        self.figures.blank += len(records) - len(keep)
        return keep

    def _pads(self, records: Records) -> list[str] | None:
        """What brings each record to the full width; None when all are so wide."""
        widths = records.widths()
        widest = max(widths)
        if widest > self._width:
            raise _Wider
        if self.layout.header is not None and widest > (named := len(self.layout.names)):
            self.figures.wide += sum(width > named for width in widths)
        if widest == self._width == min(widths):
            return None
        delimiter, width = self.form.delimiter, self._width
        return [delimiter * (width - one) for one in widths]

    def _canonical_is_plain(self) -> bool:
        """Whether no canonical form of the one system needs quotes."""
        default = self.desk.default
        if default is None or self.layout.system is not None:
            return False
        words = [*default.sides, *(track.name for track in default.tracks)]
        words += [label for track in default.tracks for label in track.labels]
        return self.form.delimiter not in ":;/()=[]? " and all(word.isascii() for word in words)

    def _tails(self, judgement: Judgement) -> list[str]:
        """The added cells of each row, with a delimiter in front of each."""
        d = self.form.delimiter
        legal = f"{d}{Verdict.LEGAL.word}{d}"
        tails = judgement.write(legal, d + d)
        others = set(np.flatnonzero(judgement.verdict != Verdict.LEGAL).tolist()) | judgement.said.keys()
        if not self._plain:
            others = set(range(len(tails)))
        for opened in judgement.opened:
            others.difference_update(opened.numbers)
        for number in others:
            tails[number] = self._tail(judgement.row(number))
        return [tail or legal + d + d for tail in tails]

    def _tail(self, row: Row) -> str:
        """The added cells of one row, with a delimiter in front of each."""
        d, cell = self.form.delimiter, self._cell
        form = row.canonical if self._plain else cell(row.canonical)
        return f"{d}{row.verdict}{d}{form}{d}{cell(row.findings)}{d}{cell(row.suggestion)}"

    def _cell(self, text: str) -> str:
        """One of our cells as carried text: one line, never a formula, quoted where it must be."""
        if not text:
            return ""
        if text[0] in "=+-@\t\r":
            text = "'" + text
        if not text.isascii():
            text = self.form.encoding.carry(text)
        if '"' in text:
            return '"' + text.replace('"', '""') + '"'
        if self.form.delimiter in text or "\n" in text or "\r" in text or text[0].isspace() or text[-1].isspace():
            return f'"{text}"'
        return text


def headerless_note(layout: Layout) -> Sequence[str]:
    """What to say of a table without a header."""
    if layout.header is not None:
        return ()
    return ("the table has no header row, so the added columns have no names",)
