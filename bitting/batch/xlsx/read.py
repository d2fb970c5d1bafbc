"""What a cell of a workbook says when it should be a code or a reading: a text, or why it is none.

Numbers are read as they are shown: a whole number by its digits, with the zeros in front where its format says so. Dates,
times, truth values, errors and formulas without a stored result are no codes; what they probably were is said.

A reader of values gives some cells as empty though they are not: errors, and formulas whose result isn't stored. For these the
sheet is gone through once more, the columns of codes alone, in bounded memory (`formula_errors`).
"""

from __future__ import annotations

import datetime
import posixpath
import re
import zipfile
from collections.abc import Sequence
from typing import BinaryIO
from xml.etree import ElementTree
from xml.sax.saxutils import unescape

from bitting.batch.damage import date_note
from bitting.batch.dates import MOST_DIGITS, Typed
from bitting.batch.output import CellText, plain_text

_OTHERWISE = re.compile(r'"[^"]*[1-9][^"]*"|\\[1-9]|%|[0#?],+(?:$|[.;])')
"""Formats that show other digits than the number's: some of their own, or those of a multiple."""


def code_cell(value: object, number_format: str = "") -> CellText:
    """A cell's value, as a reader of workbooks gives it, as the text of a code."""
    if value is None:
        return CellText("")
    if isinstance(value, str):
        return CellText(value)
    if isinstance(value, bool):
        return CellText("", f"the cell holds {'TRUE' if value else 'FALSE'}")
    if isinstance(value, (int, float)):
        return _number(value, number_format)
    if isinstance(value, (datetime.datetime, datetime.date)):
        return CellText("", date_note(Typed(value.year, value.month, value.day)).note)
    if isinstance(value, datetime.time):
        return CellText("", f"a time of day; it was probably typed as {value.hour}:{value.minute:02d}")
    return CellText("", f"the cell holds {value}, which is no code")


def _number(value: float, number_format: str) -> CellText:
    if value != int(value) if abs(value) < 1e300 else True:
        return CellText(repr(value))
    if abs(value) >= 10**MOST_DIGITS:
        return CellText("", f"a number of more than {MOST_DIGITS} digits: the spreadsheet has lost the last ones")
    text = str(int(value))
    if _OTHERWISE.search(number_format):
        return CellText("", f"the number {text} is shown as another one, in the format {number_format}")
    if value and not value % 10 and re.search("E[+-]", number_format, re.IGNORECASE):
        short = text.rstrip("0")
        return CellText("", f"a number in scientific form: {text}, or {short}E{len(text) - len(short)} was meant")
    shown = re.fullmatch(r'"?(0+)"?', number_format.split(";")[0])
    return CellText(text.rjust(len(shown[1]), "0") if shown else text)


def reading_cell(value: object, number_format: str = "") -> CellText:
    """A cell's value as the text of a reading: numbers with the decimals that their format shows."""
    if value is None or isinstance(value, str):
        return CellText(value or "")
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        behind = number_format.split(";")[0].partition(".")[2]
        decimals = len(behind) - len(behind.lstrip("0"))
        return CellText(f"{value:.{decimals}f}" if decimals and round(value, decimals) == value else plain_text(value))
    return code_cell(value)


NO_RESULT = "a formula whose result isn't stored, or is an error"
_BLOCK = 1 << 20


def formula_errors(source: BinaryIO, sheet: str, columns: Sequence[int]) -> dict[tuple[int, int], str]:
    """What is to be said of such cells, by (row, column), both counted from 0; "" for formulas that come to an empty text.

    Empty for a sheet that isn't found, or isn't written as spreadsheets do.
    """
    from openpyxl.utils import get_column_letter

    letters = {get_column_letter(column + 1).encode(): column for column in columns}
    pattern = re.compile(
        rb'<c r="(' + b"|".join(letters) + rb')(\d+)"((?:[^>]*[^/>])?)>(.*?)</c>', re.DOTALL
    )  # fmt: skip
    found: dict[tuple[int, int], str] = {}
    with zipfile.ZipFile(source) as archive:
        part = _part_of(archive, sheet)
        if part not in archive.namelist():
            return found
        tail = b""
        with archive.open(part) as stream:
            while block := stream.read(_BLOCK):
                text = tail + block
                cut = max(text.rfind(b"</c>") + 4, 0) if b"</c>" in text else 0
                head, tail = text[:cut], text[cut:]
                if b't="e"' not in head and b"<f" not in head:
                    continue
                for column, row, attributes, content in pattern.findall(head):
                    said = _said(attributes, content)
                    if said is not None:
                        found[int(row) - 1, letters[column]] = said
    return found


def _said(attributes: bytes, content: bytes) -> str | None:
    """What is to be said of a cell, nothing of a formula that comes to an empty text; None where its value is there."""
    value = re.search(rb"<v[^>]*>([^<]+)</v>", content)
    if b't="e"' in attributes:
        error = unescape(value[1].decode("utf-8", "replace")) if value else "#N/A"
        return f"the cell holds the spreadsheet's error {error}"
    if b"<f" not in content or value is not None:
        return None
    return "" if b't="str"' in attributes else NO_RESULT


def _part_of(archive: zipfile.ZipFile, sheet: str) -> str:
    """The part that holds a sheet, "" where there is none."""
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    wanted = [one for one in book.iter() if one.tag.endswith("}sheet") and one.get("name") == sheet]
    if not wanted or "xl/_rels/workbook.xml.rels" not in archive.namelist():
        return ""
    key = next((value for name, value in wanted[0].items() if name.endswith("}id")), "")
    for relation in ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels")):
        if relation.get("Id") == key:
            return posixpath.normpath(posixpath.join("/xl", relation.get("Target", ""))).lstrip("/")
    return ""
