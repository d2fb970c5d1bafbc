"""What a cell of a workbook says when it should be a code: a text, or why it is none.

Numbers are read as they are shown: a whole number by its digits, with the zeros in front where its format says so. Dates,
times, truth values, errors and formulas without a stored result are no codes; what they probably were is said.

Cells that a reader of values gives as empty though they are not: errors, and formulas whose result isn't stored.

The sheet is gone through once more, for the columns of codes alone, in bounded memory.
"""

from __future__ import annotations

import datetime
import posixpath
import re
import zipfile
from collections.abc import Sequence
from typing import Any, BinaryIO
from xml.etree import ElementTree
from xml.sax.saxutils import unescape

from attrs import frozen

from bitting.batch.damage import date_note
from bitting.batch.dates import MOST_DIGITS, Typed

_OTHERWISE = re.compile(r'"[^"]*[1-9][^"]*"|\\[1-9]|%|[0#?],+(?:$|[.;])')
"""Formats that show other digits than the number's: some of their own, or those of a multiple."""


@frozen
class CodeCell:
    """A cell as a code's text; `fault` says why it is none, and is "" otherwise."""

    text: str
    fault: str = ""


def code_cell(value: Any, number_format: str = "") -> CodeCell:
    """A cell's value, as a reader of workbooks gives it, as the text of a code."""
    if value is None:
        return CodeCell("")
    if isinstance(value, str):
        return CodeCell(value)
    if isinstance(value, bool):
        return CodeCell("", f"the cell holds {'TRUE' if value else 'FALSE'}")
    if isinstance(value, (int, float)):
        return _number(value, number_format)
    if isinstance(value, (datetime.datetime, datetime.date)):
        return CodeCell("", date_note(Typed(value.year, value.month, value.day)).note)
    if isinstance(value, datetime.time):
        return CodeCell("", f"a time of day; it was probably typed as {value.hour}:{value.minute:02d}")
    return CodeCell("", f"the cell holds {value}, which is no code")


def _number(value: float, number_format: str) -> CodeCell:
    if value != int(value) if abs(value) < 1e300 else True:
        return CodeCell(repr(value))
    if abs(value) >= 10**MOST_DIGITS:
        return CodeCell("", f"a number of more than {MOST_DIGITS} digits: the spreadsheet has lost the last ones")
    text = str(int(value))
    if _OTHERWISE.search(number_format):
        return CodeCell("", f"the number {text} is shown as another one, in the format {number_format}")
    if value and not value % 10 and re.search("E[+-]", number_format, re.IGNORECASE):
        short = text.rstrip("0")
        return CodeCell("", f"a number in scientific form: {text}, or {short}E{len(text) - len(short)} was meant")
    shown = re.fullmatch(r'"?(0+)"?', number_format.split(";")[0])
    return CodeCell(text.rjust(len(shown[1]), "0") if shown else text)


def plain_text(value: Any) -> str:
    """Any cell as text, for headers and for tables without types."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 10**MOST_DIGITS:
        return str(int(value))
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return str(value)


NO_RESULT = "a formula whose result isn't stored, or is an error"
_BLOCK = 1 << 20


def unshown(source: BinaryIO, sheet: str, columns: Sequence[int]) -> dict[tuple[int, int], str]:
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
