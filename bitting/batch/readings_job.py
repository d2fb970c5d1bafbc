"""One run over a table of readings: from a file (or standard input) to an answer that is written whole or not at all.

Delimited files keep their own bytes, with five cells added to each record; of a workbook the sheet itself is added to, so
formatting and other sheets stay. The first row with readings pays for the diagram of its system; with `jobs` above 1 and
enough rows, that many processes share the work.
"""

from __future__ import annotations

import csv
import io
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, BinaryIO

from attrs import asdict, field, frozen

from bitting.batch.delimited import Progress, sample_rows
from bitting.batch.encoding import carried_blocks
from bitting.batch.form import Form, find_form
from bitting.batch.guard import check_workbook
from bitting.batch.job import OLD_WORKBOOK, ZIP, Order, open_source, open_target, rare_collection
from bitting.batch.readings import GOOD, TOGETHER, VERDICTS, Choices, ReadingsDesk, ReadRow
from bitting.batch.readings_layout import ReadingsLayout, find_readings
from bitting.batch.readings_sheet import add_columns, find_sheet
from bitting.batch.records import Records, read_records
from bitting.batch.sheets import save_book
from bitting.errors import BittingError
from bitting.files import may_write
from bitting.model import System

PART = 1000
"""Rows that are decoded before they are written."""
WORTH = 4 * TOGETHER
"""Rows from which on more than one process is worth its start."""
MOST_IN_SHEET = 50_000
"""Rows of a workbook up to which it can be added to in memory."""


@frozen
class ReadingsSummary:
    """The figures of one run. `output` is where the answer went ("-": standard output); `seconds` the time taken."""

    rows: int
    sure: int
    unsure: int
    no_fit: int
    unreadable: int
    empty: int
    output: str | None
    column: str
    seconds: float
    notes: tuple[str, ...] = ()

    @property
    def bad(self) -> int:
        """Rows that have readings and aren't sure."""
        return self.unsure + self.no_fit + self.unreadable

    def as_dict(self) -> dict[str, Any]:
        """The JSON of the command."""
        return {**asdict(self), "seconds": round(self.seconds, 3), "notes": list(self.notes)}


@frozen
class ReadingsOrder:
    """What is to be done: the files of `order`, the column of readings (None: one per cut) and what is said of the keys.

    `jobs` processes at most.
    """

    order: Order
    column: str | None
    choices: Choices = field(factory=Choices)
    jobs: int = 1


def run_readings(
    wanted: ReadingsOrder,
    load: Callable[[str], System],
    default: System | None,
    *,
    progress: Callable[[int], Progress] | None = None,
    rowwise: Callable[[int, str, tuple[str, ...]], None] | None = None,
) -> ReadingsSummary:
    """Decode every row of a table of readings and write the same rows with five columns added.

    `load` finds systems by name, `default` is the system of rows that name none. `rowwise` is told of each row: its line,
    its readings, its cells. Raises BittingError for a table that can't be read or written; rows never stop it.
    """
    begun = time.perf_counter()
    order = wanted.order
    inputs = [] if order.source == "-" else [order.source]
    if order.output is not None and order.output != "-":
        may_write(order.output, force=order.force, inputs=inputs)
    desk = ReadingsDesk(load, default, wanted.choices)
    with rare_collection(), open_source(order.source) as (source, size), open_target(order, inputs) as target:
        workbook = _is_workbook(source, order)
        desk.prepare()
        run = _Run(wanted, desk, progress(size) if progress else None, rowwise)
        with run.several():
            layout = run.workbook(source, target) if workbook else run.delimited(source, target)
    counts = {verdict.replace("-", "_"): desk.counts[verdict] for verdict in VERDICTS}
    return ReadingsSummary(
        rows=sum(counts.values()),
        **counts,
        output=order.output,
        column=layout.column,
        seconds=time.perf_counter() - begun,
        notes=tuple(run.notes),
    )


def _is_workbook(source: BinaryIO, order: Order) -> bool:
    """Whether the source is a workbook; raises BittingError where the output's name asks for the other kind."""
    workbook = source.read(8).startswith((ZIP, OLD_WORKBOOK))
    source.seek(0)
    named = str(order.output or "").lower()
    if not workbook and named.endswith((".xlsx", ".xlsm")):
        raise BittingError("readings from a text table are written as one", hint="name a .csv file with -o")
    if workbook and not named.endswith((".xlsx", ".xlsm")) and order.output is not None:
        raise BittingError("readings from a workbook are written as one", hint="name a .xlsx file with -o")
    return workbook


class _Run:
    """One run on its way."""

    def __init__(
        self,
        wanted: ReadingsOrder,
        desk: ReadingsDesk,
        progress: Progress | None,
        rowwise: Callable[[int, str, tuple[str, ...]], None] | None,
    ) -> None:
        self.wanted, self.desk, self.progress, self.rowwise = wanted, desk, progress, rowwise
        self.notes: list[str] = []
        self.pool: ProcessPoolExecutor | None = None

    @contextmanager
    def several(self) -> Iterator[None]:
        """Processes that are ended with the run; they are started when there are rows enough."""
        try:
            yield
        finally:
            if self.pool is not None:
                self.pool.shutdown(cancel_futures=True)

    def decode(self, texts: Sequence[str], systems: Sequence[str] | None) -> list[ReadRow]:
        """The rows of some texts, counted."""
        jobs = self.wanted.jobs
        if jobs > 1 and len(texts) >= WORTH and systems is None and self.desk.default is not None:
            if self.pool is None:
                initial = (self.desk.default, self.wanted.choices)
                self.pool = ProcessPoolExecutor(jobs, initializer=_start, initargs=initial)
            parts = [texts[start : start + TOGETHER] for start in range(0, len(texts), TOGETHER)]
            rows = [row for part in self.pool.map(_part, parts) for row in part]
        else:
            rows = self.desk.decode(texts, systems)
        self.desk.count(rows)
        return rows

    def layout(self, sample: Sequence[Sequence[str]]) -> ReadingsLayout:
        """Where the readings stand."""
        system_column = self.wanted.order.wanted.system_column
        layout = find_readings(sample, self.wanted.column, system_column, self.desk.default)
        if layout.ours()[0] != "verdict":
            self.notes.append(f"the table has columns of these names already; ours are {', '.join(layout.ours())}")
        return layout

    def kept(self, row: ReadRow) -> bool:
        """Whether the row is written."""
        return self.wanted.order.only == "all" or row.verdict not in GOOD

    def delimited(self, source: BinaryIO, target: BinaryIO) -> ReadingsLayout:
        """A delimited file: its own bytes, with cells added."""
        form = find_form(source, self.wanted.order.delimiter)
        layout = self.layout(sample_rows(source, form))
        width = max(
            max(records.widths()) for records in read_records(carried_blocks(source, form.encoding), form.delimiter)
        )
        target.write(form.encoding.mark)
        top = form.preface + layout.first
        seen = 0
        for records in read_records(carried_blocks(source, form.encoding), form.delimiter):
            head = records.part(0, max(0, top - seen))
            for number in range(len(head)):
                ours = layout.ours() if seen + number == top - 1 else ()
                _put(target, form, head, number, width if ours else 0, ours)
            seen += len(head)
            body = records.part(len(head))
            for start in range(0, len(body), PART):
                self._records(body.part(start, start + PART), form, layout, width, target)
        return layout

    def _records(self, records: Records, form: Form, layout: ReadingsLayout, width: int, target: BinaryIO) -> None:
        read = form.encoding.read
        columns = [[read(cell) for cell in records.column(place)] for place in layout.columns]
        texts = layout.texts(columns)
        systems = None if layout.system is None else [read(cell) for cell in records.column(layout.system)]
        keep = [n for n in range(len(records)) if records.raws[n] or width == 1]  # others are blank lines, no rows
        answers = self.decode([texts[n] for n in keep], systems and [systems[n] for n in keep])
        rows = dict(zip(keep, answers, strict=True))
        for number in range(len(records)):
            row = rows.get(number)
            if row is None:
                if self.wanted.order.only == "all":
                    _put(target, form, records, number, 0, ())
            elif self.kept(row):
                _put(target, form, records, number, width, row.cells)
                if self.rowwise is not None:
                    self.rowwise(records.line(number), texts[number], row.cells)
        if self.progress is not None:
            self.progress(sum(map(len, records.raws)) + len(records))

    def workbook(self, source: BinaryIO, target: BinaryIO) -> ReadingsLayout:
        """A workbook: columns added to the sheet itself."""
        import openpyxl

        check_workbook(source)
        source.seek(0)
        try:
            book = openpyxl.load_workbook(source, rich_text=True)
            source.seek(0)
            results = openpyxl.load_workbook(source, data_only=True)
        except Exception as fault:  # openpyxl raises whatever its parsers raise
            raise BittingError(f"the workbook can't be opened: {fault}", hint="save it again as XLSX or CSV") from None
        name, layout, cells = find_sheet(results, self.wanted.order.sheet, self.layout)
        page = book[name]
        self.notes.append(f"sheet {name!r}")
        body = cells[layout.first :]
        if len(body) > MOST_IN_SHEET:
            raise BittingError(
                f"the sheet has {len(body):,} rows, and up to {MOST_IN_SHEET:,} can be added to", hint="save it as CSV"
            )
        columns = [[row[place] if place < len(row) else "" for row in body] for place in layout.columns]
        texts = layout.texts(columns)
        systems = None if layout.system is None else [row[layout.system] for row in body]
        rows = []
        for start in range(0, len(texts), PART):
            part = slice(start, start + PART)
            rows += self.decode(texts[part], systems and systems[part])
        add_columns(page, layout, rows)
        if self.rowwise is not None:
            for number, (text, row) in enumerate(zip(texts, rows, strict=True), layout.first + 1):
                if self.kept(row):
                    self.rowwise(number, text, row.cells)
        if self.wanted.order.only != "all":
            bad = [number for number, row in enumerate(rows, layout.first + 1) if not self.kept(row)]
            self.notes.append("formulas and merged cells are not moved along where rows are left out")
            for number in reversed(bad):
                page.delete_rows(number)
        save_book(book, target)
        return layout


def _put(target: BinaryIO, form: Form, records: Records, number: int, width: int, cells: Sequence[str]) -> None:
    """One record as it was, brought to `width`, with our cells behind it."""
    tail = ""
    if cells:
        pad = form.delimiter * max(0, width - max(len(records.cells(number)), 1))
        tail = pad + "".join(form.delimiter + _cell(cell, form) for cell in cells)
    target.write(form.encoding.to_bytes(records.raws[number] + tail + records.ends[number]))


def _cell(text: str, form: Form) -> str:
    """One of our cells as carried text, quoted where it must be."""
    out = io.StringIO()
    csv.writer(out, delimiter=form.delimiter, lineterminator="").writerow([text])
    return form.encoding.carry(out.getvalue()) if text else ""


_desk: ReadingsDesk | None = None
"""The desk of a process that works for a run."""


def _start(system: System, choices: Choices) -> None:
    global _desk  # one per process: it is what a process is started for

    def none(name: str) -> System:
        raise BittingError(f"no system {name!r} here")

    _desk = ReadingsDesk(none, system, choices)


def _part(texts: Sequence[str]) -> list[ReadRow]:
    if _desk is None:
        raise RuntimeError("a process of a run was not started by it")
    return _desk.decode(texts)
