"""CSV and its relatives: the same records out, byte for byte, with cells added to each.

The file is read twice at most: once to learn its encoding, and once to answer; a third time where a row is wider than the
header, so that the added columns stand under their names in every row. Blank lines are kept and are no rows, as for
Python's csv module and everything built on it (in a file of a single column a blank line is an empty cell).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain
from typing import BinaryIO

import numpy as np
from attrs import define, field

from bitting.batch.csv.dialect import Form, carried_blocks, find_form
from bitting.batch.csv.records import Records, read_records
from bitting.batch.job import Run
from bitting.batch.output import Chunk, Row
from bitting.text import plural

SAMPLE = 400
"""So many rows are looked at to find the columns."""
_HOLE = "\1"


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


def _records(file: BinaryIO, form: Form) -> Iterator[Records]:
    return read_records(carried_blocks(file, form.encoding), form.delimiter)


def answered_lines(answer: BinaryIO, form: Form) -> Iterator[list[str]]:
    """The rows of a delimited answer as texts, without the line that names its delimiter."""
    top = form.preface
    for records in _records(answer, form):
        for number in range(min(top, len(records)), len(records)):
            yield list(map(form.encoding.read, records.cells(number)))
        top = max(top - len(records), 0)


def rewrite(run: Run, target: BinaryIO) -> Form:
    """Write a delimited file with its answer to `target` (which must be seekable); BittingError for a file that is no table."""
    form = find_form(run.source, run.job.delimiter)
    run.figures.encoding, run.figures.delimiter = form.encoding.name, form.delimiter
    sample = sample_rows(run.source, form)
    run.find(sample, form.lines)
    width = max(map(len, sample[run.layout.header or 0 :]))
    if run.rowwise is not None or run.layout.measured:  # what was told, or took its time, is not done again
        width = _widest(run, form)
    try:
        _Rewriter(run, target, form, width).write()
    except _Wider:
        run.worker.reset()
        run.figures.rows = run.figures.blank = run.figures.wide = 0
        target.seek(0)
        target.truncate()
        _Rewriter(run, target, form, _widest(run, form)).write()
    return form


def _widest(run: Run, form: Form) -> int:
    return max(max(records.widths()) for records in _records(run.source, form))


@define(eq=False)
class _Rewriter:
    """Writes one delimited answer of a given number of columns."""

    run: Run
    target: BinaryIO
    form: Form
    width: int
    _plain: bool = field(init=False)

    def __attrs_post_init__(self) -> None:
        self._plain = self._canonical_is_plain() and not any(c.each for c in self.run.worker.columns.columns)

    def write(self) -> None:
        """Write it all; raises _Wider where a row has more columns."""
        form, figures = self.form, self.run.figures
        self.target.write(form.encoding.mark)
        top = form.preface + self.run.layout.first
        written, chunk = 0, self.run.worker.chunk
        for records in _records(self.run.source, form):
            if written < top:
                head = records.part(0, top - written)
                self._write_top(head, top - 1 - written if self.run.layout.header is not None else None)
                written += len(head)
                records = records.part(len(head))
            for start in range(0, len(records), chunk):
                self._write_rows(records.part(start, start + chunk), written + start - form.preface)
            written += len(records)
        if figures.wide:
            rows = plural(figures.wide, "row has", "rows have")
            figures.notes.append(
                f"{rows} more cells than the header: {form.delimiter!r} may stand in a cell that lacks its quotes"
            )

    def _write_top(self, top: Records, header: int | None) -> None:
        """What stands above the header, as it is, and the header (record number `header`) with our names."""
        texts = []
        for number, (raw, end) in enumerate(zip(top.raws, top.ends, strict=True)):
            tail = ""
            if number == header:
                pad = self.form.delimiter * (self.width - len(top.cells(number)))
                tail = pad + "".join(self.form.delimiter + name for name in self.run.names)
            texts.append(raw + tail + end)
        self._put("".join(texts))

    def _write_rows(self, records: Records, before: int) -> None:
        """Some records with their answers; so many stand `before` them."""
        if not len(records):
            return
        run = self.run
        keep = self._rows_of(records)
        places: Sequence[int] = keep if keep is not None else range(len(records))
        texts, chunk = self._answer(records, before, keep)
        run.figures.rows += len(texts)
        pads = self._pads(records)
        shown = [(p, n) for p, n in enumerate(places) if run.shown(chunk, p)] if run.only_bad or run.rowwise else []
        for place, number in shown if run.rowwise else ():
            run.tell(records.line(number), texts[place], chunk.row(place))
        tails = self._tails(chunk)
        if keep is not None:
            whole = [""] * len(records)
            for place, record in enumerate(keep):
                whole[record] = tails[place]
            tails = whole
        if pads is not None:
            tails = [pad + tail if tail else tail for pad, tail in zip(pads, tails, strict=True)]
        run.step(sum(map(len, records.raws)) + len(records))
        if run.only_bad:
            self._put("".join(records.raws[n] + tails[n] + records.ends[n] for _, n in shown))
        elif records.ends.count(records.ends[0]) == len(records):
            self._put(records.ends[0].join(map(str.__add__, records.raws, tails)) + records.ends[0])
        else:
            self._put("".join(chain.from_iterable(zip(records.raws, tails, records.ends, strict=True))))

    def _answer(self, records: Records, before: int, keep: list[int] | None) -> tuple[Sequence[str], Chunk]:
        """The texts of some records (those to `keep`, None: all) and what is said of them."""
        read, layout = self.form.encoding.read, self.run.layout
        columns: list[Sequence[str]] = [
            self._decoded(records.column(place)) if view is None else view
            for place in layout.places
            for view in (records.view(place),)
        ]
        texts = layout.texts(columns)
        rows = np.arange(before + 1, before + 1 + len(records))
        systems = None
        if layout.system is not None:
            systems = [read(cell) for cell in records.column(layout.system)]
        if keep is not None:
            texts, rows = [texts[number] for number in keep], rows[keep]
            systems = systems and [systems[number] for number in keep]
        return texts, self.run.worker.classify(texts, rows, systems)

    def _put(self, carried: str) -> None:
        self.target.write(self.form.encoding.to_bytes(carried))

    def _decoded(self, cells: list[str]) -> list[str]:
        return cells if "".join(cells).isascii() else list(map(self.form.encoding.read, cells))

    def _rows_of(self, records: Records) -> list[int] | None:
        """The records that are rows, None when all are: blank lines of a table of several columns are not."""
        if self.width == 1 or "" not in records.raws:
            return None
        keep = [number for number, raw in enumerate(records.raws) if raw]
        self.run.figures.blank += len(records) - len(keep)
        return keep

    def _pads(self, records: Records) -> list[str] | None:
        """What brings each record to the full width; None when all are so wide."""
        widths = records.widths()
        widest = max(widths)
        if widest > self.width:
            raise _Wider
        if self.run.layout.header is not None and widest > (named := len(self.run.layout.names)):
            self.run.figures.wide += sum(width > named for width in widths)
        if widest == self.width == min(widths):
            return None
        return [self.form.delimiter * (self.width - one) for one in widths]

    def _canonical_is_plain(self) -> bool:
        """Whether no canonical form of the one system needs quotes."""
        system = self.run.worker.default
        if system is None or self.run.layout.system is not None:
            return False
        words = [*system.sides, *(track.name for track in system.tracks)]
        words += [label for track in system.tracks for label in track.labels]
        return self.form.delimiter not in ":;/()=[]? " and all(word.isascii() for word in words)

    def _tails(self, chunk: Chunk) -> list[str]:
        """The added cells of each row, with a delimiter in front of each."""
        if not self._plain:
            return [self._tail(chunk.row(number)) for number in range(len(chunk.verdict))]
        first = Row(chunk.columns.verdicts[0], _HOLE)
        before, after = "".join(self.form.delimiter + cell for cell in chunk.columns.cells(first)).split(_HOLE)
        tails = [f"{before}{form}{after}" for form in chunk.canonical]
        others = set(np.flatnonzero(chunk.verdict).tolist()) | chunk.said.keys()
        for number in others:
            tails[number] = self._tail(chunk.row(number))
        return tails

    def _tail(self, row: Row) -> str:
        """The added cells of one row, with a delimiter in front of each."""
        return "".join([self.form.delimiter + self._cell(cell) for cell in self.run.worker.columns.cells(row)])

    def _cell(self, text: str) -> str:
        """One of our cells as carried text: quoted where it must be."""
        if not text:
            return ""
        if not text.isascii():
            text = self.form.encoding.carry(text)
        if '"' in text:
            return '"' + text.replace('"', '""') + '"'
        if self.form.delimiter in text or "\n" in text or "\r" in text or text[0].isspace() or text[-1].isspace():
            return f'"{text}"'
        return text
