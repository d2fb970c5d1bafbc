"""One run of `batch`: from a file (or standard input) to an answer that is written whole or not at all.

One run over a table of readings: from a file (or standard input) to an answer that is written whole or not at all.

Delimited files keep their own bytes, with five cells added to each record; of a workbook the sheet itself is added to, so
formatting and other sheets stay. The first row with readings pays for the diagram of its system; with `jobs` above 1 and
enough rows, that many processes share the work.
"""

from __future__ import annotations

import codecs
import csv
import gc
import io
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Literal, cast

from attrs import asdict, field, frozen

from bitting.batch.check_rows import Desk
from bitting.batch.columns import ReadingsLayout, Wanted, find_readings
from bitting.batch.csv.dialect import Encoding, Form, carried_blocks, find_form
from bitting.batch.csv.records import Records, read_records
from bitting.batch.csv.rewrite import DelimitedJob, Figures, Progress, Rowwise, headerless_note, sample_rows
from bitting.batch.decode_rows import GOOD, TOGETHER, VERDICTS, Choices, ReadingsDesk, ReadRow
from bitting.batch.parquet import PARQUET, ParquetJob, library, write_parquet
from bitting.batch.summary import Summary, summarise
from bitting.batch.xlsx.guard import check_workbook
from bitting.batch.xlsx.workbook import WorkbookJob
from bitting.batch.xlsx.write import add_readings_columns as add_columns
from bitting.batch.xlsx.write import find_sheet, save_book, write_delimited
from bitting.errors import BittingError
from bitting.files import may_write, whole_file
from bitting.model import System

ZIP, OLD_WORKBOOK = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
OWN = Form(Encoding("utf-8", mark=codecs.BOM_UTF8), ",")
"""How the values of a workbook are written as CSV."""
SPOOL = 64 << 20
"""So many bytes of a pipe are kept in memory; more go to a nameless file that only this process can read."""


@frozen
class Order:
    """What is to be done. `source` and `output` are paths, or "-" for the standard streams; `output` None: no table."""

    source: str
    output: str | None
    wanted: Wanted = field(factory=Wanted)
    sheet: str | None = None
    delimiter: str | None = None
    only: Literal["all", "bad"] = "all"
    force: bool = False
    suggestions: int | None = None


def run_batch(
    order: Order,
    load: Callable[[str], System],
    default: System | None,
    *,
    progress: Callable[[int], Progress] | None = None,
    rowwise: Rowwise | None = None,
) -> Summary:
    """Go through a table of codes and write the same rows with four columns added.

    `load` finds systems by name; `default` is the system of rows that name none. `progress` gets the size of the input
    in bytes and gives what is to be told of each part; `rowwise` is told of each row. Raises BittingError for a file
    that can't be read or written; rows never stop it.
    """
    begun = time.perf_counter()
    inputs = [order.source] if order.source != "-" else []
    if order.output is not None and order.output != "-":
        may_write(order.output, force=order.force, inputs=inputs)
    desk = Desk(load, default, order.suggestions)
    with (
        rare_collection(),
        open_source(order.source) as (source, size),
        open_target(order, inputs) as target,
        ExitStack() as tables,
    ):
        job = _job(order, source, target, desk, progress and progress(size), rowwise, tables)
        figures = _answer(job, _kind(order.output), target)
    layout = figures.layout
    return summarise(
        desk,
        rows=figures.rows,
        output=order.output,
        column=layout.column,
        header=None if layout.header is None else layout.header + 1,
        encoding=_written(job),
        delimiter=job.form.delimiter if isinstance(job, DelimitedJob) else None,
        blank_lines=figures.blank,
        seconds=time.perf_counter() - begun,
        notes=(*headerless_note(layout), *figures.notes, *unlooked_note(desk)),
    )


def _job(
    order: Order,
    source: BinaryIO,
    target: BinaryIO,
    desk: Desk,
    progress: Progress | None,
    rowwise: Rowwise | None,
    tables: ExitStack,
) -> DelimitedJob | WorkbookJob | ParquetJob:
    """What handles this kind of file; an answer that is written in another kind goes to a spool (in `tables`) first."""
    start = source.read(8)
    source.seek(0)
    kind, only_bad = _kind(order.output), order.only == "bad"

    def spooled(*kinds: str) -> BinaryIO:
        if kind not in kinds:
            return target
        return cast(BinaryIO, tables.enter_context(tempfile.SpooledTemporaryFile(SPOOL, "w+b")))

    if kind == "parquet":
        library()  # says now where there is none
    if start.startswith(PARQUET):
        return ParquetJob(source, target, desk, order.wanted, kind or "parquet", only_bad, progress, rowwise)
    if start.startswith((ZIP, OLD_WORKBOOK)):
        macros = str(order.output).lower().endswith(".xlsm")
        written = "csv" if kind == "parquet" else kind or "xlsx"
        table = spooled("parquet")
        return WorkbookJob(source, table, desk, order.wanted, order.sheet, written, macros, only_bad, progress, rowwise)
    table = spooled("xlsx", "parquet")
    return DelimitedJob(source, table, desk, order.wanted, only_bad, order.delimiter, progress, rowwise)


def _written(job: DelimitedJob | WorkbookJob | ParquetJob) -> str:
    """How the input is written, for people."""
    if isinstance(job, DelimitedJob):
        return job.form.encoding.name
    return "Parquet" if isinstance(job, ParquetJob) else "workbook"


def _answer(job: DelimitedJob | WorkbookJob | ParquetJob, kind: str | None, target: BinaryIO) -> Figures:
    """Run, and write an answer that went to a spool in the kind that was asked for."""
    figures = job.run()
    if isinstance(job, DelimitedJob) and kind == "xlsx":
        write_delimited(job, target)
    elif kind == "parquet" and not isinstance(job, ParquetJob):
        form = job.form if isinstance(job, DelimitedJob) else OWN
        write_parquet(job.target, form, job.layout.header, target)
    return figures


@contextmanager
def rare_collection() -> Iterator[None]:
    """Look for unreachable cycles seldom: a run makes many small values and next to no cycles (a sixth of the time)."""
    before = gc.get_threshold()
    gc.set_threshold(1_000_000, 20, 20)
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _kind(output: str | None) -> str | None:
    """How the answer is to be written, by the name of its file; None where that doesn't say."""
    suffix = Path(output or "").suffix.lower()
    if suffix in (".xlsx", ".xlsm"):
        return "xlsx"
    if suffix in (".csv", ".tsv", ".txt"):
        return "csv"
    if suffix == ".parquet":
        return "parquet"
    if suffix in (".xls", ".ods", ".json", ".html", ".pdf"):
        raise BittingError(f"{suffix} can't be written", hint="name a .csv, .xlsx or .parquet file with -o")
    return None


def unlooked_note(desk: Desk) -> tuple[str, ...]:
    """What to say where the nearest legal code was not looked for for every wrong one."""
    if not desk.unlooked:
        return ()
    if not desk.suggestions:
        return (f"no legal codes were looked for; {desk.unlooked:,} illegal rows have no suggestion",)
    return (
        f"codes that can only be looked at one by one: {desk.suggestions:,} different ones were; for {desk.unlooked:,} "
        "illegal rows no legal code was looked for (--suggestions all looks for all of them)",
    )


@contextmanager
def open_source(name: str) -> Iterator[tuple[BinaryIO, int]]:
    """The input as a file that can be read again, and its size in bytes."""
    if name == "-":
        with tempfile.SpooledTemporaryFile(max_size=SPOOL, mode="w+b") as spool:
            shutil.copyfileobj(sys.stdin.buffer, spool)
            size = spool.tell()
            spool.seek(0)
            yield cast(BinaryIO, spool), size
        return
    path = Path(name)
    if path.is_dir():
        raise BittingError(f"{name!r} is a folder", hint="name a table in it")
    try:
        file = path.open("rb")
    except FileNotFoundError:
        raise BittingError(f"there is no file {name!r}", hint="check the path; `-` reads standard input") from None
    except OSError as fault:
        raise BittingError(f"can't read {name!r}: {fault.strerror or fault}") from None
    with file:
        if not file.seekable():
            with tempfile.SpooledTemporaryFile(max_size=SPOOL, mode="w+b") as spool:
                shutil.copyfileobj(file, spool)
                size = spool.tell()
                spool.seek(0)
                yield cast(BinaryIO, spool), size
            return
        yield file, os.fstat(file.fileno()).st_size


@contextmanager
def open_target(order: Order, inputs: list[str]) -> Iterator[BinaryIO]:
    """Where the answer is written; it reaches the disk, or standard output, only when the whole of it is there."""
    if order.output is None:
        with open(os.devnull, "w+b") as nowhere:
            yield nowhere
    elif order.output == "-":
        with tempfile.SpooledTemporaryFile(max_size=SPOOL, mode="w+b") as spool:
            yield cast(BinaryIO, spool)
            spool.seek(0)
            shutil.copyfileobj(spool, sys.stdout.buffer)
            sys.stdout.buffer.flush()
    else:
        with whole_file(order.output, force=order.force, inputs=inputs) as file:
            yield file


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
