"""How far a sheet reaches: the rectangle of its cells, which readers set aside whole, and what is merged or linked, of which
a writer makes every cell.

Cells as spreadsheets write them (`<c r="B7" s="1">`) are found by their pattern, block by block. Where one tag of a cell is
written in another way, the sheet is read again by an XML parser, tag by tag: slower, and nothing escapes it.
"""

from __future__ import annotations

import re
from typing import BinaryIO
from xml.parsers import expat

from attrs import define

from bitting.errors import BittingError

MOST_CELLS = 60_000_000
"""Cells in the rectangle that a sheet covers; readers set them all aside."""
MOST_COVERED = 1_000_000
"""Cells that all the merged and linked ranges of a sheet cover together."""
MOST_COLUMNS, MOST_ROWS = 16_384, 1_048_576
_CELL = re.compile(rb"<c[\s/>]")
_COLUMN = re.compile(rb'<c r="([A-Z]+)\d')
_ROW = re.compile(rb'<c r="[A-Z]+(\d+)"')
_RANGE = re.compile(rb"<(?:mergeCell|hyperlink)\s([^>]*)>")
_REF = re.compile(rb"""(?:^|\s)ref="([A-Z]+)(\d+)(?::([A-Z]+)(\d+))?"[\s/]""")
_PREFIXED = re.compile(rb"<\w+:(?:c|mergeCell|hyperlink)[\s/>]")
_WHERE = re.compile(r"([A-Z]+)(\d+)")


def refused(why: str) -> BittingError:
    """The error for a workbook that no honest program writes."""
    return BittingError(
        f"this workbook is refused: {why}", hint="copy the table of codes to a new workbook, or save it as CSV"
    )


@define(eq=False)
class Extent:
    """How far one part of a workbook reaches, so far."""

    name: str
    sheet: bool = True
    rows: int = 0
    columns: int = 0
    covered: int = 0

    def add(self, text: bytes) -> bool:
        """Some whole tags of the sheet; False where they aren't written as usual (then `read` all of it)."""
        columns = _COLUMN.findall(text)
        if len(columns) != len(_CELL.findall(text)):
            return False
        if (b":c" in text or b":merge" in text or b":hyper" in text) and _PREFIXED.search(text):
            return False
        numbers = _ROW.findall(text)
        if len(numbers) != len(columns):
            return False
        if columns:
            self._reach(max(int(number[:12]) for number in set(numbers)), max(map(column_number, set(columns))))
        for tag in _RANGE.findall(text):
            where = _REF.search(tag + b" ")
            if where is None:
                return False
            self._cover(where[1], int(where[2][:12]), where[3] or where[1], int((where[4] or where[2])[:12]))
        return True

    def read(self, stream: BinaryIO) -> None:
        """All of the sheet, from its beginning. Raises BittingError, ValueError for what is no XML."""
        self.rows = self.columns = self.covered = 0
        row = column = 0

        def start(tag: str, attributes: dict[str, str]) -> None:
            nonlocal row, column
            tag = tag.rpartition(":")[2]
            if tag == "row":
                row, column = int(attributes.get("r", row + 1)), 0
            elif tag == "c":
                where = _WHERE.match(attributes.get("r", "").upper())
                row = int(where[2][:12]) if where else row
                column = column_number(where[1].encode()) if where else column + 1
                self._reach(row, column)
            elif tag in ("mergeCell", "hyperlink"):
                ends = _WHERE.findall(attributes.get("ref", "").upper()) or [("A", "1")]
                (a, b), (c, d) = ends[0], ends[-1]
                self._cover(a.encode(), int(b[:12]), c.encode(), int(d[:12]))

        parser = expat.ParserCreate()
        parser.StartElementHandler = start
        try:
            parser.ParseFile(stream)
        except expat.ExpatError as fault:
            raise ValueError(f"{self.name}: {fault}") from None

    def _reach(self, row: int, column: int) -> None:
        if row <= self.rows and column <= self.columns:
            return
        self.rows, self.columns = max(row, self.rows), max(column, self.columns)
        if self.rows > MOST_ROWS or self.columns > MOST_COLUMNS:
            raise refused(
                f"{self.name} has a cell in row {self.rows:,}, column {self.columns:,}, where no workbook has any"
            )
        if self.rows * self.columns > MOST_CELLS:
            raise refused(
                f"{self.name} covers {self.rows:,} rows by {self.columns:,} columns, more than {MOST_CELLS:,} cells"
            )

    def _cover(self, left: bytes, top: int, right: bytes, bottom: int) -> None:
        self.covered += (abs(bottom - top) + 1) * (abs(column_number(right) - column_number(left)) + 1)
        if self.covered > MOST_COVERED:
            raise refused(f"{self.name} merges or links more than {MOST_COVERED:,} cells")


def column_number(letters: bytes) -> int:
    """`A` is 1, `AA` 27; absurdly long ones are absurdly large."""
    number = 0
    for letter in letters[:8]:
        number = number * 26 + letter - 64
    return number
