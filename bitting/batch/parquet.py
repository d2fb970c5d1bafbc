"""Parquet by pyarrow (`pip install bitting[parquet]`): the same columns out, with columns of text added.

A table is held in memory, and `MOST_CELLS` bounds it. Columns keep their types; a code's column of numbers is read as that of a
workbook is.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from itertools import zip_longest
from typing import TYPE_CHECKING, BinaryIO

from attrs import evolve

from bitting.batch.csv.rewrite import SAMPLE
from bitting.batch.job import Run
from bitting.batch.output import plain_text
from bitting.batch.values import Value, answered, lines_of, write_lines
from bitting.batch.xlsx.guard import MOST_CELLS
from bitting.errors import BittingError

if TYPE_CHECKING:
    import pyarrow

PARQUET = b"PAR1"
"""What every such file begins with."""
PLAIN = (str, int, float, datetime.date, datetime.time, type(None))
"""Values that a cell of a workbook can hold; others are written as text."""


def check_library() -> None:
    """Raise BittingError where nothing handles Parquet here."""
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError:
        raise BittingError(
            "Parquet files need pyarrow, which is not installed",
            hint="pip install bitting[parquet], or use CSV or XLSX",
        ) from None


def _read(source: BinaryIO) -> pyarrow.Table:
    check_library()
    from pyarrow import parquet

    try:
        opened = parquet.ParquetFile(source)
        rows, columns = opened.metadata.num_rows, opened.metadata.num_columns
        if rows * columns > MOST_CELLS:
            raise BittingError(
                f"the table covers {rows:,} rows by {columns:,} columns, more than {MOST_CELLS:,} cells",
                hint="keep the column of codes and a few others, or save it as CSV",
            )
        return opened.read()
    except BittingError:
        raise
    except Exception as fault:  # the library raises kinds of its own
        first = str(fault).strip().splitlines() or [type(fault).__name__]
        raise BittingError(f"the Parquet file can't be read: {first[0]}", hint="write it again") from None


def answer_parquet(run: Run, kind: str, target: BinaryIO) -> None:
    """Answer a Parquet file, written as `kind`; BittingError for a file that can't be read."""
    table = _read(run.source)
    run.figures.encoding = "Parquet"
    names: list[str] = table.column_names
    head = [[plain_text(v) for v in column.slice(0, SAMPLE).to_pylist()] for column in table.columns]
    layout = run.worker.find([names, *map(list, zip(*head, strict=True))])
    run.begin(evolve(layout, header=0, names=tuple(names)), table.num_rows)
    empty = [None] * table.num_rows
    needed = {*run.layout.places, run.layout.system} if kind == "parquet" else range(len(names))
    columns = [column.to_pylist() if place in needed else empty for place, column in enumerate(table.columns)]
    body: list[tuple[Value, ...]] = list(zip(*columns, strict=True))
    answers = answered(run, body, lambda _row, _column, value: run.worker.cell(value, ""))
    if kind != "parquet":
        plain = [[value if isinstance(value, PLAIN) else str(value) for value in row] for row in body]
        write_lines(run, kind, "answer", lines_of(run, [names, *plain], answers), target)
        return
    import pyarrow
    from pyarrow import parquet

    cells = [[cell or None for cell in run.worker.columns.cells(row)] for row in answers]
    for place, name in enumerate(run.names):
        table = table.append_column(name, pyarrow.array([row[place] for row in cells], pyarrow.string()))
    if run.only_bad:
        table = table.filter(
            pyarrow.array([row.verdict in run.worker.columns.fills for row in answers], pyarrow.bool_())
        )
    parquet.write_table(table, target)


def write_texts(run: Run, lines: Iterable[list[str]], target: BinaryIO) -> None:
    """An answer as columns of text; what stands above the header is left out, and so are blank lines."""
    import pyarrow
    from pyarrow import parquet

    rows = list(lines)
    header, first = run.layout.header, run.layout.first
    names = rows[header] if header is not None else []
    body = [row for row in rows[first:] if row not in ([], [""])]
    columns: dict[str, pyarrow.Array] = {}
    padded = zip_longest(names, *body, fillvalue="")
    for place, (named, *column) in enumerate(padded, 1):
        called, number = named or f"column {place}", 1
        name = called
        while name in columns:
            number += 1
            name = f"{called}_{number}"
        columns[name] = pyarrow.array([cell or None for cell in column], pyarrow.string())
    parquet.write_table(pyarrow.table(columns), target)
