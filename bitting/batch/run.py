"""One run of `batch`: from a file (or standard input) to an answer that is written whole or not at all.

Codes and readings go the same way: a table of any kind is read, its columns are found, its rows are answered by a
`RowWorker`, and the answer is written as the source was (a CSV file byte for byte, a workbook with its formats, Parquet with
its types) or as the kind that the output's name asks for.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from bitting.batch.check_rows import RowChecker
from bitting.batch.csv.rewrite import answered_lines, rewrite
from bitting.batch.job import Job, Progress, Rowwise, Run
from bitting.batch.parquet import PARQUET, answer_parquet, check_library
from bitting.batch.summary import Figures, Summary
from bitting.batch.values import Line, write_lines
from bitting.batch.xlsx.workbook import answer_workbook
from bitting.errors import BittingError
from bitting.files import may_write, one_run, open_input, scratch, whole_output
from bitting.model import System

ZIP, OLD_WORKBOOK = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"


def run_batch(
    job: Job,
    default: System | None,
    *,
    progress: Callable[[int], Progress] | None = None,
    rowwise: Rowwise | None = None,
) -> Summary:
    """Go through a table and write the same rows with columns added; a `CodeSummary`, or a `ReadingsSummary`.

    `default` is the system of rows that name none. `progress` gets the size of the input in bytes and gives what is to be told of
    each part; `rowwise` is told of each row. Raises BittingError for a file that can't be read or written; rows never stop it.
    """
    with one_run(), _rare_collection(), open_input(job.source) as (source, size):
        if job.output not in (None, "-"):
            may_write(str(job.output), force=job.force)
        kind = _kind(job.output)
        folders = job.folders if job.source == "-" else (os.path.dirname(os.path.abspath(job.source)), *job.folders)
        figures = Figures(job.output)
        if job.readings is None:
            checker = RowChecker(default, job.wanted, job.suggestions, folders)
            run = Run(job, checker, source, size, figures, progress and progress(size), rowwise)
            with whole_output(job.output, force=job.force) as target:
                _answer(run, kind, target)
            return checker.summary(figures)
        from bitting.batch.decode_rows import RowDecoder

        decoder = RowDecoder(default, job.wanted, job.readings, job.processes, folders)
        run = Run(job, decoder, source, size, figures, progress and progress(size), rowwise)
        with decoder.working(), whole_output(job.output, force=job.force) as target:
            _answer(run, kind, target)
        return decoder.summary(figures)


def _answer(run: Run, kind: str | None, target: BinaryIO) -> None:
    """Answer by what the source is; `kind` is how the answer is written, None as the source was."""
    start = run.source.read(8)
    run.source.seek(0)
    if run.job.output == "-" and start.startswith((PARQUET, ZIP, OLD_WORKBOOK)) and sys.stdout.isatty():
        raise BittingError("a workbook can't be shown on a terminal", hint="name a file with -o")
    if kind == "parquet":
        check_library()  # says now where there is none
    book = start.startswith((ZIP, OLD_WORKBOOK))
    if run.job.sheet and not book:
        raise BittingError("only a workbook has sheets, and the file is none", hint="leave --sheet out")
    if run.job.delimiter and (book or start.startswith(PARQUET)):
        raise BittingError("nothing separates the columns of such a file", hint="leave --delimiter out: it is for CSV")
    if start.startswith(PARQUET):
        answer_parquet(run, kind or "parquet", target)
    elif book:
        answer_workbook(run, kind or "xlsx", target)
    elif kind in (None, "csv"):
        rewrite(run, target)
        run.figures.notes += run.worker.notes()
    else:
        with scratch() as answer:
            form = rewrite(run, answer)
            run.figures.notes += run.worker.notes()
            count = len(run.worker.columns.columns)
            lines: Iterator[Line] = (
                (line, line[-count] if len(line) > count and line[-count] in run.worker.columns.verdicts else "")
                for line in answered_lines(answer, form)
            )
            write_lines(run, str(kind), "codes" if run.job.readings is None else "readings", lines, target)


@contextmanager
def _rare_collection() -> Iterator[None]:
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
