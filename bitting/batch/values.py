"""Tables whose cells have values, not only text (workbooks, Parquet), and answers written in another kind of file.

A row is answered by what its cells say as text. An answer that isn't written as its source was is a stream of lines, and
every kind of file takes the same: CSV, a new workbook, or columns of text in Parquet.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import BinaryIO

import numpy as np
from attrs import evolve

from bitting.batch.job import Run
from bitting.batch.output import CellText, Row, plain_text

Value = object
"""What a cell holds, as the library that read it gives it."""
Line = tuple[Sequence[Value], str]
"""The cells of one row of the answer, ours last, and its verdict ("" for what is no row of the table)."""
ReadCell = Callable[[int, int, Value], CellText]
"""(row, column, value), counted from 0 -> what the cell says as text."""
NOT_TEXT = "\0"
"""Stands for a cell that is no text; nothing that is typed equals it."""


def answered(
    run: Run, body: Sequence[Sequence[Value]], read: ReadCell, covered: Mapping[int, int] | None = None
) -> list[Row]:
    """What is said of every row of a table's body; `covered` are rows under merged cells, and where their value is."""
    layout, worker, covered = run.layout, run.worker, covered or {}
    out: list[Row] = []
    edges = [*range(0, len(body), worker.chunk), len(body)]
    for start, stop in pairwise(edges):
        part, first = body[start:stop], layout.first + start
        columns, faults = _texts(run, part, first, read)
        texts = layout.texts(columns)
        systems = None
        if layout.system is not None:
            systems = [plain_text(values[layout.system]) if layout.system < len(values) else "" for values in part]
        chunk = worker.classify(texts, np.arange(first + 1, first + 1 + len(part)), systems)
        for place, text in enumerate(texts):
            number, row = first + place, chunk.row(place)
            if number in faults:
                row = Row(row.verdict, findings=faults[number])
            elif row.verdict == "empty" and number in covered:
                row = evolve(row, findings=f"part of merged cells; their value stands in row {covered[number] + 1}")
            if run.rowwise is not None and run.shown(chunk, place):
                shown = [plain_text(part[place][c]) for c in layout.places if c < len(part[place])]
                run.tell(number + 1, ", ".join(shown) if number in faults else text, row)
            out.append(row)
        run.step(run.size * len(part) // len(body))
    run.figures.rows += len(body)
    run.figures.notes += run.worker.notes()
    return out


def _texts(
    run: Run, part: Sequence[Sequence[Value]], first: int, read: ReadCell
) -> tuple[list[list[str]], dict[int, str]]:
    """The cells of each column as text, and why a row's are none."""
    columns: list[list[str]] = []
    faults: dict[int, str] = {}
    for place, called in zip(run.layout.places, run.layout.called, strict=True):
        column = []
        for number, values in enumerate(part, first):
            cell = read(number, place, values[place] if place < len(values) else None)
            if cell.fault:
                fault = f"{called}: {cell.fault}" if run.layout.lists else cell.fault
                faults[number] = f"{faults[number]}; {fault}" if number in faults else fault
            column.append(NOT_TEXT if cell.fault else cell.text)
        columns.append(column)
    return columns, faults


def lines_of(run: Run, rows: Sequence[Sequence[Value]], answers: Sequence[Row]) -> Iterator[Line]:
    """The rows of an answer as lines: what stands above the body, and the body with its answers."""
    width, layout, columns = max(map(len, rows), default=0), run.layout, run.worker.columns
    for number, values in enumerate(rows[: layout.first]):
        line = [*values, *[""] * (width - len(values))]
        yield (line + list(run.names) if number == layout.header else line), ""
    for values, row in zip(rows[layout.first :], answers, strict=True):
        if not run.only_bad or row.verdict in columns.fills:
            yield [*values, *[""] * (width - len(values)), *columns.cells(row)], row.verdict


def write_lines(run: Run, kind: str, name: str, lines: Iterable[Line], target: BinaryIO) -> None:
    """Write an answer as CSV, as a new workbook, or as Parquet; `name` is the sheet's."""
    if kind == "csv":
        wrapped = io.TextIOWrapper(target, encoding="utf-8-sig", newline="", write_through=True)
        csv.writer(wrapped).writerows([plain_text(value) for value in values] for values, _ in lines)
        wrapped.detach()
    elif kind == "xlsx":
        from bitting.batch.xlsx.write import write_book

        write_book(run, name[:31], lines, target)
    else:
        from bitting.batch.parquet import write_texts

        write_texts(run, ([plain_text(value) for value in values] for values, _ in lines), target)
