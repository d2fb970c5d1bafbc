"""Parquet: the same columns out, with four columns of text added. polars reads and writes it, or else pyarrow.

Neither belongs to what this project needs; where both are missing, the error says so. A table is held in memory, and
`MOST_CELLS` bounds it. Columns keep their types; a code's column of numbers is read as that of a workbook is.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from importlib.util import find_spec
from typing import Any, BinaryIO, Protocol

from attrs import define, evolve, field

from bitting.batch.cell_rows import Hearing, judged_rows, value_only
from bitting.batch.check_rows import Desk
from bitting.batch.columns import Layout, Wanted, find_layout
from bitting.batch.csv.dialect import Form, carried_blocks
from bitting.batch.csv.records import read_records
from bitting.batch.csv.rewrite import SAMPLE, Figures, Progress, Rowwise
from bitting.batch.judge import Judge
from bitting.batch.xlsx.guard import MOST_CELLS
from bitting.batch.xlsx.read import plain_text
from bitting.batch.xlsx.write import Sheet, write_streamed
from bitting.errors import BittingError

PARQUET = b"PAR1"
"""What every such file begins with."""

PLAIN = (str, int, float, datetime.date, datetime.time, type(None))
"""Values that a cell of a workbook can hold; others are written as text."""


class Table(Protocol):
    """A table by columns, whichever library holds it."""

    names: list[str]
    rows: int

    def values(self, name: str, rows: int | None = None) -> list[Any]:
        """A column's values, or the first of them."""

    def write(self, file: BinaryIO, added: dict[str, list[str | None]], keep: Sequence[bool] | None) -> None:
        """Write the table with columns of text added; `keep`: only these rows."""


class _Polars:
    def __init__(self, frame: Any) -> None:
        self.frame = frame
        self.names: list[str] = frame.columns
        self.rows: int = frame.height

    @classmethod
    def read(cls, file: BinaryIO) -> _Polars:
        import polars

        _bounded(polars.scan_parquet(file).select(polars.len()).collect().item(), len(polars.read_parquet_schema(file)))
        file.seek(0)
        return cls(polars.read_parquet(file))

    @classmethod
    def of(cls, columns: dict[str, list[str | None]]) -> _Polars:
        import polars

        return cls(polars.DataFrame(columns, schema=dict.fromkeys(columns, polars.String)))

    def values(self, name: str, rows: int | None = None) -> list[Any]:
        column = self.frame[name]
        listed: list[Any] = (column if rows is None else column.head(rows)).to_list()
        return listed

    def write(self, file: BinaryIO, added: dict[str, list[str | None]], keep: Sequence[bool] | None) -> None:
        import polars

        frame = self.frame.with_columns([polars.Series(name, cells, polars.String) for name, cells in added.items()])
        (frame if keep is None else frame.filter(polars.Series(keep, dtype=polars.Boolean))).write_parquet(file)


class _Arrow:
    def __init__(self, table: Any) -> None:
        self.table = table
        self.names: list[str] = table.column_names
        self.rows: int = table.num_rows

    @classmethod
    def read(cls, file: BinaryIO) -> _Arrow:
        from pyarrow import parquet

        opened = parquet.ParquetFile(file)
        _bounded(opened.metadata.num_rows, opened.metadata.num_columns)
        return cls(opened.read())

    @classmethod
    def of(cls, columns: dict[str, list[str | None]]) -> _Arrow:
        import pyarrow

        return cls(pyarrow.table({name: pyarrow.array(cells, pyarrow.string()) for name, cells in columns.items()}))

    def values(self, name: str, rows: int | None = None) -> list[Any]:
        listed: list[Any] = self.table.column(name).slice(0, rows).to_pylist()
        return listed

    def write(self, file: BinaryIO, added: dict[str, list[str | None]], keep: Sequence[bool] | None) -> None:
        import pyarrow
        from pyarrow import parquet

        table = self.table
        for name, cells in added.items():
            table = table.append_column(name, pyarrow.array(cells, pyarrow.string()))
        parquet.write_table(table if keep is None else table.filter(pyarrow.array(keep)), file)


def _bounded(rows: int, columns: int) -> None:
    if rows * columns > MOST_CELLS:
        raise BittingError(
            f"the table covers {rows:,} rows by {columns:,} columns, more than {MOST_CELLS:,} cells",
            hint="keep the column of codes and a few others, or save it as CSV",
        )


def library() -> type[_Polars] | type[_Arrow]:
    """What handles Parquet here; BittingError where nothing does."""
    if find_spec("polars"):
        return _Polars
    if find_spec("pyarrow"):
        return _Arrow
    raise BittingError(
        "Parquet files need polars or pyarrow, and neither is installed", hint="install polars, or use CSV or XLSX"
    )


@define(eq=False)
class ParquetJob:
    """One run over a Parquet file. `kind` is how the answer is written: "parquet", "xlsx" or "csv"."""

    source: BinaryIO
    target: BinaryIO
    desk: Desk
    wanted: Wanted
    kind: str = "parquet"
    only_bad: bool = False
    progress: Progress | None = None
    rowwise: Rowwise | None = None
    figures: Figures = field(init=False)
    layout: Layout = field(init=False)

    def run(self) -> Figures:
        """Write the answer; BittingError for a file that can't be read."""
        size = self.source.seek(0, 2)
        self.source.seek(0)
        table = self._read()
        judge = self.desk.judge_of("") if self.desk.default is not None else None
        sample = [
            table.names,
            *zip(*([plain_text(v) for v in table.values(n, SAMPLE)] for n in table.names), strict=True),
        ]
        found = find_layout([list(row) for row in sample], self.wanted, judge if isinstance(judge, Judge) else None)
        self.layout = evolve(found, header=0, names=tuple(table.names))
        self.figures = Figures(self.layout)
        needed = list(range(len(table.names)))
        if self.kind == "parquet":
            needed = [*self.layout.codes, *([] if self.layout.system is None else [self.layout.system])]
        body = [list(row) for row in zip(*(table.values(table.names[place]) for place in needed), strict=True)]
        hearing = Hearing(self.figures, size, self.progress, self.rowwise, self.only_bad)
        narrow = evolve(
            self.layout,
            codes=tuple(map(needed.index, self.layout.codes)),
            system=None if self.layout.system is None else needed.index(self.layout.system),
        )
        rows = list(judged_rows(self.desk, narrow, body, value_only, hearing))
        if self.kind != "parquet":
            plain = [[value if isinstance(value, PLAIN) else str(value) for value in row] for row in body]
            sheet = Sheet("codes", [list(table.names), *plain])
            write_streamed(self.target, self.kind, sheet, self.layout, rows, only_bad=self.only_bad, desk=self.desk)
            return self.figures
        cells = zip(*(row.cells for row in rows), strict=True) if rows else ((), (), (), ())
        added: dict[str, list[str | None]] = {
            name: [cell or None for cell in column] for name, column in zip(self.layout.ours(), cells, strict=True)
        }
        keep = [row.verdict in ("illegal", "unreadable") for row in rows] if self.only_bad else None
        table.write(self.target, added, keep)
        return self.figures

    def _read(self) -> Table:
        try:
            return library().read(self.source)
        except (BittingError, KeyboardInterrupt, SystemExit):
            raise
        except BaseException as fault:  # both libraries raise kinds of their own; polars panics outside of Exception
            first = str(fault).strip().splitlines() or [type(fault).__name__]
            raise BittingError(f"the Parquet file can't be read: {first[0]}", hint="write it again") from None


def write_parquet(answer: BinaryIO, form: Form, header: int | None, target: BinaryIO) -> None:
    """A delimited answer as Parquet, every column text; what stands above the header is left out."""
    answer.seek(0)
    rows: list[list[str]] = []
    for records in read_records(carried_blocks(answer, form.encoding), form.delimiter):
        rows.extend(list(map(form.encoding.read, records.cells(n))) for n in range(len(records)))
    first = form.preface + (0 if header is None else header)
    names = rows[first] if header is not None else []
    body = [row for row in rows[first + (header is not None) :] if row not in ([], [""])]
    width = max(map(len, [names, *body]))
    columns: dict[str, list[str | None]] = {}
    for place in range(width):
        called = (names[place] if place < len(names) else "") or f"column {place + 1}"
        number, name = 1, called
        while name in columns:
            number += 1
            name = f"{called}_{number}"
        columns[name] = [row[place] or None if place < len(row) else None for row in body]
    library().of(columns).write(target, {}, None)
