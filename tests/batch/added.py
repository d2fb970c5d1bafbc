"""The added columns of an answer by their names, as the one table of columns has them: a new column breaks no test here."""

from __future__ import annotations

import csv
import io

from bitting.batch.output import CODES, READINGS, Columns, Row

HEADER = ",".join(CODES.names)
"""The added header cells of a table of codes."""


def tail(columns: Columns = CODES, **cells: str) -> str:
    """The added cells of one row as CSV, given by name; the others as they are where nothing else is known of the row."""
    others = dict(zip(columns.names, columns.cells(Row(cells["verdict"], cells.get("canonical", ""))), strict=True))
    return ",".join((others | cells).values())


def added(data: bytes, encoding: str = "utf-8", delimiter: str = ",", columns: Columns = CODES) -> list[dict[str, str]]:
    """The added cells of every record (the header's too) by name."""
    rows = csv.reader(io.StringIO(data.decode(encoding), newline=""), delimiter=delimiter)
    return [dict(zip(columns.names, row[-len(columns.names) :], strict=False)) for row in rows]


__all__ = ["CODES", "HEADER", "READINGS", "added", "tail"]
