"""How a delimited file is written: its encoding, what separates its columns, whether it begins with a `sep=` line."""

from __future__ import annotations

import csv
import io
from itertools import islice
from typing import BinaryIO

from attrs import frozen

from bitting.batch.encoding import Encoding, carried_blocks, find_encoding, scan
from bitting.errors import BittingError

DELIMITERS = ",;\t|"


@frozen
class Form:
    """How a delimited file is written."""

    encoding: Encoding
    delimiter: str
    preface: int = 0
    """1 where the first line says `sep=…`, which is no row."""
    lines: int = 0
    """How many lines there are, at most."""


def find_form(file: BinaryIO, delimiter: str | None = None) -> Form:
    """How the file is written. `delimiter` is one that the user named."""
    head, valid, present, lines = scan(file, DELIMITERS)
    if not head.strip(b"\xef\xbb\xbf\xff\xfe\0\r\n\t "):
        raise BittingError("the file is empty", hint="it needs a header row and a column of codes")
    encoding = find_encoding(head, valid_utf8=valid)
    text = next(carried_blocks(file, encoding, 1 << 18), "")
    first = text.split("\n", 1)[0].rstrip("\r")
    preface = 0
    if len(first) == 5 and first.lower().startswith("sep="):
        preface, delimiter = 1, delimiter or first[4]
        text = text.split("\n", 1)[1] if "\n" in text else ""
    if delimiter is None:
        delimiter = _find_delimiter(text, present)
    return Form(encoding, delimiter, preface, lines)


def _find_delimiter(text: str, present: str) -> str:
    """The character that cuts the first lines most evenly; one that the file lacks where it has a single column."""
    best, found = (False, 0.0, 0), ""
    for delimiter in DELIMITERS:
        try:
            rows = list(islice(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), 200))
        except csv.Error:
            continue
        widths = [len(row) for row in (rows[:-1] if len(rows) > 1 else rows) if row]
        if not widths or max(widths) < 2:
            continue
        usual = max(set(widths), key=lambda width: (widths.count(width), width))
        even = widths.count(usual) / len(widths)
        cut = sum(width > 1 for width in widths) / len(widths)
        score = (usual > 1 and even >= 0.5, even if usual > 1 and even >= 0.5 else cut, usual)
        if cut >= 0.5 and score > best:
            best, found = score, delimiter
    if found:
        return found
    for delimiter in DELIMITERS:
        if delimiter not in present:
            return delimiter
    raise BittingError(
        "it isn't certain how the columns are separated", hint="say it with --delimiter, for example --delimiter ';'"
    )
