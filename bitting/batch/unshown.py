"""Cells that a reader of values gives as empty though they are not: errors, and formulas whose result isn't stored.

The sheet is gone through once more, for the columns of codes alone, in bounded memory.
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Sequence
from typing import BinaryIO
from xml.etree import ElementTree
from xml.sax.saxutils import unescape

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
