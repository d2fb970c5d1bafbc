r"""How a delimited file is written: its encoding, what separates its columns, whether it begins with a `sep=` line.

**The encoding**, and how cells are carried through unchanged. The bytes of a file are worked on as they are: every
encoding here writes the delimiter, the quote and the line end as ASCII does, so a block is handled as *carried text*, one
character per byte, and only a cell that is looked into is decoded. UTF-16 and UTF-32 are first brought to UTF-8 and back
at the end. What isn't touched comes out byte for byte, even bytes that are no character at all.

Known: UTF-8 with or without a byte order mark, UTF-16 and UTF-32 (by their mark, UTF-16 also by its pattern), and
Windows-1252 for whatever is not UTF-8.

>>> encoding = find_encoding(b"code\n2133\n", valid_utf8=True)
>>> encoding.name
'utf-8'
>>> encoding.read(encoding.carry("depth ½"))
'depth ½'
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from itertools import chain, islice
from typing import BinaryIO

from attrs import frozen

from bitting.batch.csv.records import LONGEST
from bitting.errors import BittingError

BLOCK = 1 << 22
"""Bytes read at once: the rows of a block are answered together, and more of them at once are answered sooner."""
_MARKS = (
    (codecs.BOM_UTF8, "utf-8", ""),
    (codecs.BOM_UTF32_LE, "utf-8", "utf-32-le"),  # before UTF-16, whose mark it starts with
    (codecs.BOM_UTF32_BE, "utf-8", "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-8", "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-8", "utf-16-be"),
)


@frozen
class Encoding:
    """How a file's characters are written.

    `inner` is how carried text is encoded (utf-8 or cp1252); `wide` is the file's own encoding where that is not `inner`
    (utf-16-le …), else ""; `mark` is the byte order mark that the file starts with.
    """

    inner: str
    wide: str = ""
    mark: bytes = b""

    @property
    def name(self) -> str:
        """The name that people know it by."""
        return (self.wide or self.inner) + (" with byte order mark" if self.mark else "")

    def read(self, carried: str) -> str:
        """The text of a carried cell; a byte that is no character becomes one that no code has."""
        if carried.isascii():
            return carried
        data = carried.encode("latin-1")
        try:
            return data.decode(self.inner)
        except UnicodeDecodeError:
            return data.decode("cp1252", "replace")

    def carry(self, text: str) -> str:
        """Our own text as carried text; a character that the encoding lacks is written as its number (`\\u2026`)."""
        return text if text.isascii() else text.encode(self.inner, "backslashreplace").decode("latin-1")

    def to_bytes(self, carried: str) -> bytes:
        """Carried text as bytes of the file."""
        data = carried.encode("latin-1")
        return data.decode("utf-8", "surrogatepass").encode(self.wide, "surrogatepass") if self.wide else data


def find_encoding(head: bytes, *, valid_utf8: bool) -> Encoding:
    """The encoding of a file that starts with `head`, given whether the whole of it is valid UTF-8."""
    for mark, inner, wide in _MARKS:
        if head.startswith(mark):
            return Encoding(inner, wide, mark)
    sample = head[: len(head) & ~1]
    if len(sample) >= 4:
        low, high = sample[1::2].count(0), sample[0::2].count(0)
        half = len(sample) // 2
        if low > 0.6 * half and high < 0.05 * half:
            return Encoding("utf-8", "utf-16-le")
        if high > 0.6 * half and low < 0.05 * half:
            return Encoding("utf-8", "utf-16-be")
    return Encoding("utf-8" if valid_utf8 else "cp1252")


def scan(file: BinaryIO, delimiters: str) -> tuple[bytes, bool, str, int]:
    """Read a file through once: its first bytes, whether all of it is valid UTF-8, which delimiters it contains, and how
    many lines it has at most."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    valid, head, missing = True, b"", set(delimiters)
    ends = {b"\n": 0, b"\r": 0}
    for block in chain(iter(lambda: file.read(BLOCK), b""), [b""]):
        head = head or block
        for end in ends:
            ends[end] += block.count(end)
        missing -= {d for d in missing if d.encode() in block}
        try:
            if valid:
                decoder.decode(block, final=not block)
        except UnicodeDecodeError:
            valid = False
    return head, valid, "".join(d for d in delimiters if d not in missing), max(ends.values()) + 1


def carried_blocks(file: BinaryIO, encoding: Encoding, size: int = BLOCK) -> Iterator[str]:
    """The file after its byte order mark, as carried text, block by block.

    Raises BittingError where a UTF-16 or UTF-32 file ends in the middle of a character, or holds something else.
    """
    file.seek(len(encoding.mark))
    decoder = codecs.getincrementaldecoder(encoding.wide)("surrogatepass") if encoding.wide else None
    while True:
        block = file.read(size)
        if decoder is None:
            if not block:
                return
            yield block.decode("latin-1")
            continue
        try:
            text = decoder.decode(block, final=not block)
        except UnicodeDecodeError as fault:
            raise BittingError(
                f"the file starts as {encoding.wide} text, but isn't so throughout ({fault.reason})",
                hint="save it again as CSV in UTF-8",
            ) from None
        if text:
            yield text.encode("utf-8", "surrogatepass").decode("latin-1")
        if not block:
            return


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
    csv.field_size_limit(LONGEST)  # a quote that is never closed must not make its delimiter look impossible
    for delimiter in DELIMITERS:
        if delimiter == "|" and delimiter not in text.split("\n", 1)[0]:
            continue  # it joins repeated readings
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
