"""One run of `batch`: from a file (or standard input) to an answer that is written whole or not at all."""

from __future__ import annotations

import codecs
import gc
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import BinaryIO, Literal, cast

from attrs import field, frozen

from bitting.batch.columnar import PARQUET, ParquetJob, library, write_parquet
from bitting.batch.delimited import DelimitedJob, Figures, Progress, Rowwise, headerless_note
from bitting.batch.desk import Desk
from bitting.batch.encoding import Encoding
from bitting.batch.form import Form
from bitting.batch.layout import Wanted
from bitting.batch.sheets import write_delimited
from bitting.batch.summary import Summary, summarise
from bitting.batch.workbook import WorkbookJob
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
