"""Makes the torture folder: tables as they come through many hands, each with what must be said of it.

`python -m tests.torture.make FOLDER` writes the files; the tests write them to a temporary folder and hold `batch` to
`EXPECTED`. Every code, name and plate is invented.
"""

from __future__ import annotations

import datetime
import io
import sys
import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import openpyxl
import xlsxwriter

LEGAL = "left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 1"
ILLEGAL = "left: 2 1 3 3 3 4 1 / right: 1 1 2 3 4 2 1"
TOGETHER = "21333451123421"

Said = tuple[str, str]
"""A row's verdict, and what its findings must contain."""
CELLS: dict[str, tuple[str, Said]] = {
    "apostrophe": (f"'{TOGETHER}", ("legal", "an apostrophe in front")),
    "text-formula": (f'="{TOGETHER}"', ("legal", "a formula that holds only a text")),
    "float": (f"{TOGETHER}.0", ("legal", "a number with decimals")),
    "thousands-points": ("21.333.451.123.421", ("legal", "separators of thousands")),
    "thousands-apostrophes": ("21'333'451'123'421", ("legal", "separators of thousands")),
    "thousands-commas": ("21,333,451,123,421", ("legal", "")),
    "blanks-inside": ("2133 345  1123 421", ("legal", "")),
    "non-breaking-blanks": ("2133345\u00a01123421", ("legal", "")),
    "full-width": ("２１３３３４５　１１２３４２１", ("legal", "")),
    "typographic-dashes": ("2–1–3—3−3‑4-5/1-1-2-3-4-2-1", ("legal", "")),
    "scientific": ("2.13334511E+13", ("unreadable", "the last 5 are lost")),
    "exponent": ("1E5", ("illegal", "100000, or 1E5 was meant")),
    "date-iso": ("2001-03-02", ("illegal", "a date; it was probably typed as 2-3-1")),
    "date-slashes": ("3/2/2001", ("illegal", "a date; it was probably typed as")),
    "date-month": ("02-Mar", ("unreadable", "a date; it was probably typed as 2-3 or 3-2")),
    "error": ("#N/A", ("unreadable", "the cell holds the spreadsheet's error #N/A")),
    "error-ref": ("#REF!", ("unreadable", "the cell holds the spreadsheet's error #REF!")),
    "superscript": ("2²33345 1123421", ("unreadable", "")),
    "formula-like": ("=1+1", ("unreadable", "")),
    "half": ("2133345", ("illegal", "cut-count")),
    "blank": ("   ", ("empty", "")),
}
"""Cells of a text table, with what must be said of them (system: plover)."""


def text_table(folder: Path) -> Path:
    """All of CELLS in one file."""
    path = folder / "cells.csv"
    rows = "".join('"{}","{}"\r\n'.format(name, cell.replace('"', '""')) for name, (cell, _) in CELLS.items())
    path.write_bytes(b"\xef\xbb\xbf" + f"name,code\r\n{rows}".encode())
    return path


VALUES: dict[str, tuple[Any, str, Said]] = {
    "text": (LEGAL, "General", ("legal", "")),
    "illegal": (ILLEGAL, "General", ("illegal", "adjacent-difference")),
    "number": (int(TOGETHER), "General", ("legal", "")),
    "number-float": (float(TOGETHER), "0.00", ("legal", "")),
    "fraction": (2133.5, "General", ("unreadable", "")),
    "many-digits": (2133345112342112345, "General", ("unreadable", "more than 15 digits")),
    "date": (datetime.datetime(2001, 3, 2), "yyyy-mm-dd", ("unreadable", "a date; it was probably typed as")),
    "time": (datetime.time(2, 13), "hh:mm", ("unreadable", "a time of day")),
    "truth": (True, "General", ("unreadable", "the cell holds TRUE")),
    "formula": ("=A1", "General", ("unreadable", "a formula whose result isn't stored")),
    "nothing": (None, "General", ("empty", "")),
    "line-break": ("2133345\n1123421", "General", ("legal", "")),
}
"""Cells of a workbook: value, number format, what must be said of it."""


def workbook(folder: Path) -> Path:
    """All of VALUES in one sheet with a title, hidden rows, merged cells, formats; and another sheet."""
    path = folder / "cells.xlsx"
    book = openpyxl.Workbook()
    page = book.active
    page.title = "fleet"
    page["A1"] = "An invented fleet"
    page["A1"].font = openpyxl.styles.Font(bold=True, size=20)
    page.merge_cells("A1:C1")
    page.append([])
    page.append(["name", "key code", "remark"])
    for number, (name, (value, shown, _)) in enumerate(VALUES.items(), 4):
        page.cell(number, 1, name)
        page.cell(number, 2, value).number_format = shown
    page.column_dimensions["B"].width = 41.5
    page.row_dimensions[5].hidden = True
    page["C4"] = "=1+2"
    last = page.max_row + 1
    page.cell(last, 2, LEGAL)
    page.cell(last + 1, 1, "under merged")
    page.merge_cells(start_row=last, end_row=last + 1, start_column=2, end_column=2)
    other = book.create_sheet("prices")
    other["A1"], other["A2"] = 3, "=A1*2"
    book.save(path)
    return path


def foreign(folder: Path) -> Path:
    """The same kind of table from another writer, with an error cell and a stored formula result."""
    path = folder / "foreign.xlsx"
    with xlsxwriter.Workbook(path) as book:
        page = book.add_worksheet("codes")
        page.write_row(0, 0, ["code", "n"])
        page.write_string(1, 0, LEGAL)
        page.write_formula(2, 0, '="x"', None, LEGAL)
        page.write_formula(3, 0, "=1/0", None, "#DIV/0!")
        page.write_number(4, 0, 213)
    return path


def _zipped(path: Path, parts: dict[str, bytes]) -> Path:
    """A workbook made by openpyxl with some parts replaced."""
    book = openpyxl.Workbook()
    book.active["A1"] = "code"
    book.active["A2"] = LEGAL
    plain = io.BytesIO()
    book.save(plain)
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, parts.get(name, old.read(name)))
        for name in parts.keys() - set(old.namelist()):
            new.writestr(name, parts[name])
    return path


_SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData></worksheet>'
SHEET = "xl/worksheets/sheet1.xml"


def bomb(folder: Path) -> Path:
    """A few hundred kilobytes that unpack to as many megabytes."""
    return _zipped(folder / "bomb.xlsx", {SHEET: _SHEET % (b" " * 300_000_000)})


def entities(folder: Path) -> Path:
    """Entities that expand without end."""
    head = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>'
    return _zipped(folder / "entities.xlsx", {SHEET: head + _SHEET % b"<row><c><v>&b;</v></c></row>"})


def far_cell(folder: Path) -> Path:
    """Two cells, one of them in the last row and column that there is."""
    rows = b'<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    return _zipped(folder / "far.xlsx", {SHEET: _SHEET % rows})


_FAR = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'


def far_cells(folder: Path, way: str) -> Path:
    """The same, written in a way that no spreadsheet uses and every XML parser reads."""
    name, sheet = SHEET, _SHEET % (b'<row r="1"><c r="A1"><v>1</v></c></row>' + _FAR)
    if way == "single quotes":
        sheet = sheet.replace(b'"', b"'")
    elif way == "prefixes":
        sheet = sheet.replace(b"<", b"<x:").replace(b"<x:/", b"</x:").replace(b"xmlns=", b"xmlns:x=")
    elif way == "blanks":
        sheet = sheet.replace(b'<c r="X', b"<c" + b" " * 5000 + b'r="X')
    elif way == "other row":
        sheet = sheet.replace(b'<row r="1048576">', b'<row r="2">')
    elif way == "two bytes":
        sheet = sheet.decode().encode("utf-16-le")
    elif way == "elsewhere":
        name = "xl/strange.part"
    return _zipped(folder / "far.xlsx", {name: sheet})


def covered(folder: Path, end: bytes, code: bytes = b"1") -> Path:
    """A code with some XML behind it, such as a few bytes of which a writer makes seventeen milliards of cells."""
    cell = b'<c r="A%d" t="inlineStr"><is><t>%s</t></is></c>'
    sheet = _SHEET % (b'<row r="1">%s</row><row r="2">%s</row>' % (cell % (1, b"code"), cell % (2, code)))
    return _zipped(folder / "covered.xlsx", {SHEET: sheet.replace(b"</worksheet>", end + b"</worksheet>")})


def rows_behind(folder: Path, rows: bytes) -> Path:
    """A legal code, and these rows from the third on."""
    path = covered(folder, b"", LEGAL.encode())
    with zipfile.ZipFile(path) as archive:
        sheet = archive.read(SHEET).replace(b"</sheetData>", rows + b"</sheetData>")
    return _zipped(folder / "rows.xlsx", {SHEET: sheet})


def too_wide(folder: Path) -> Path:
    """A cell in a column that no workbook has."""
    return _zipped(folder / "wide.xlsx", {SHEET: _SHEET % b'<row r="1"><c r="ZZZZ1"><v>1</v></c></row>'})


def truncated(folder: Path) -> Path:
    """The first half of a workbook."""
    whole = workbook(folder).read_bytes()
    path = folder / "half.xlsx"
    path.write_bytes(whole[: len(whole) // 2])
    return path


def no_workbook(folder: Path) -> Path:
    """A ZIP archive of something else."""
    path = folder / "other.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("readme.txt", "nothing")
    return path


def old_workbook(folder: Path) -> Path:
    """The first bytes of a workbook of the old kind, and nothing of use behind them."""
    path = folder / "old.xls"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600)
    return path


REFUSED: dict[str, tuple[Callable[[Path], Path], str]] = {
    "bomb": (bomb, "times its size"),
    "entities": (entities, "declares XML entities"),
    "far cell": (far_cell, "covers 1,048,576 rows by 16,384 columns"),
    **{
        f"far cell, {way}": (partial(far_cells, way=way), "covers 1,048,576 rows by 16,384 columns")
        for way in ("single quotes", "prefixes", "blanks", "other row", "two bytes", "elsewhere")
    },
    "merged": (
        partial(covered, end=b'<mergeCells><mergeCell ref="A5:XFD1048576"/></mergeCells>'),
        "merges or links more than 1,000,000 cells",
    ),
    "linked": (
        partial(covered, end=b'<hyperlinks><hyperlink tooltip="a > b" ref="A1:XFD9999" location="A1"/></hyperlinks>'),
        "merges or links more than 1,000,000 cells",
    ),
    "too wide": (too_wide, "where no workbook has any"),
    "truncated": (truncated, "the workbook is damaged"),
    "no workbook": (no_workbook, "this is a ZIP archive, but no workbook"),
    "old workbook": (old_workbook, "the workbook is damaged"),
}
"""Workbooks that are refused, with what must be said."""


def main() -> None:
    """Write every file of the folder."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for make in (text_table, workbook, foreign, *(make for make, _ in REFUSED.values())):
        print(make(folder).name)


if __name__ == "__main__":
    main()
