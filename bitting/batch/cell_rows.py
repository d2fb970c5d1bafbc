"""Rows of cells that have values, not only text (workbooks, Parquet): each judged by what its cells say as a code."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import frozen

from bitting.batch.check_rows import Desk, Row, safe
from bitting.batch.columns import Layout, code_texts
from bitting.batch.csv.rewrite import BAD, Figures, Progress, Rowwise
from bitting.batch.many import CHUNK
from bitting.batch.xlsx.read import CodeCell, code_cell, plain_text

ReadCell = Callable[[int, int, Any], CodeCell]
"""(row, column, value), counted from 0 -> what the cell says as a code."""
NOT_CODE = "\0"
"""Stands for a cell that is no text; nothing that is typed equals it."""


@frozen
class Hearing:
    """Who is told what while rows are judged. `size` is that of the input in bytes."""

    figures: Figures
    size: int
    progress: Progress | None = None
    rowwise: Rowwise | None = None
    only_bad: bool = False


def value_only(row: int, column: int, value: Any) -> CodeCell:
    """A code's cell where nothing but its value is known."""
    del row, column
    return code_cell(value)


def judged_rows(
    desk: Desk,
    layout: Layout,
    body: Sequence[Sequence[Any]],
    read: ReadCell,
    hearing: Hearing,
    covered: Mapping[int, int] | None = None,
) -> Iterator[Row]:
    """The four cells of every row of a table's body; `covered` are rows under merged cells, and where their value is."""
    desk.expect(len(body), columns=bool(layout.lanes))
    covered = covered or {}
    for start in range(0, len(body), CHUNK):
        chunk = body[start : start + CHUNK]
        first = layout.first + start
        columns, faults = _texts(layout, chunk, first, read)
        texts = code_texts(layout, desk.default, columns)
        systems = None
        if layout.system is not None:
            systems = [plain_text(values[layout.system]) for values in chunk]
        judged = desk.judge(texts, np.arange(first + 1, first + 1 + len(texts)), systems)
        hearing.figures.rows += len(chunk)
        if hearing.progress is not None:
            hearing.progress(hearing.size * len(chunk) // max(len(body), 1))
        for place, text in enumerate(texts):
            number = first + place
            row = judged.row(place)
            if number in faults:
                row = Row(row.verdict, "", safe(faults[number]))
            elif row.verdict == "empty" and number in covered:
                row = Row("empty", "", f"part of merged cells; their value stands in row {covered[number] + 1}")
            if hearing.rowwise is not None and (not hearing.only_bad or judged.verdict[place] in BAD):
                values = chunk[place]
                shown = [plain_text(values[column]) for column in layout.codes if column < len(values)]
                hearing.rowwise(number + 1, ", ".join(shown) if number in faults else text, row.cells)
            yield row


def _texts(
    layout: Layout, chunk: Sequence[Sequence[Any]], first: int, read: ReadCell
) -> tuple[list[list[str]], dict[int, str]]:
    """The cells of each column of codes as text, and why a row's are none."""
    columns: list[list[str]] = []
    faults: dict[int, str] = {}
    for lane, place in enumerate(layout.codes):
        column = []
        for number, values in enumerate(chunk, first):
            cell = read(number, place, values[place] if place < len(values) else None)
            if cell.fault:
                fault = f"{layout.lanes[lane]}: {cell.fault}" if layout.lanes else cell.fault
                faults[number] = f"{faults[number]}; {fault}" if number in faults else fault
            column.append(NOT_CODE if cell.fault else cell.text)
        columns.append(column)
    return columns, faults
