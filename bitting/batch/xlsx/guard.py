"""Is this really a workbook, and can it be opened within bounded memory? Answered before any library opens it.

A workbook is a ZIP archive of XML files. A few kilobytes can unpack to gigabytes, an XML entity can expand without end, and one
cell far away makes a reader set aside the whole rectangle before it. The archive is streamed through once, nothing of it
is kept, and what no honest workbook does is refused.

How far a sheet reaches: the rectangle of its cells, which readers set aside whole, and what is merged or linked, of which
a writer makes every cell.
"""

from __future__ import annotations

import lzma
import re
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO
from xml.etree.ElementTree import ParseError, iterparse
from xml.parsers import expat

from bitting.errors import BittingError

MOST_CELLS = 60_000_000
"""Cells in the rectangle that a sheet covers; readers set them all aside."""
MOST_EMPTY, FOR_EACH = 500_000, 20
"""Cells in that rectangle that may be empty: so many, and so many more for each that is there."""
MOST_STYLES = 200_000
"""Tags in the table of styles: spreadsheets keep some 65,000 styles of cells at most."""
MOST_COVERED = 1_000_000
"""Cells that all the merged and linked ranges of a sheet cover together."""
MOST_COLUMNS, MOST_ROWS = 16_384, 1_048_576
_WHERE = re.compile(r"([A-Z]+)(\d+)")


def refused(why: str) -> BittingError:
    """The error for a workbook that no honest program writes."""
    return BittingError(
        f"this workbook is refused: {why}", hint="copy the table of codes to a new workbook, or save it as CSV"
    )


def damaged(fault: BaseException) -> BittingError:
    """The error for a workbook that something inside can't be read of."""
    why = str(fault.__context__ or fault).splitlines() or [type(fault).__name__]
    return BittingError(f"the workbook is damaged: {why[0]}", hint="open it in a spreadsheet and save it again")


@contextmanager
def readable() -> Iterator[None]:
    """Whatever a library raises over a workbook that it can't read becomes one plain error."""
    try:
        yield
    except (BittingError, KeyboardInterrupt, SystemExit):
        raise
    except MemoryError:
        raise BittingError("the workbook is too large to be opened", hint="write the answer as CSV") from None
    except BaseException as fault:  # parsers raise whatever they meet; calamine panics outside of Exception
        raise damaged(fault) from None


class Extent:
    """How far one sheet reaches, so far. Raises BittingError past the bounds, ValueError for what is no XML."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.rows = self.columns = self.covered = self.cells = 0
        self._row = self._column = 0
        self._parser = expat.ParserCreate()
        self._parser.StartElementHandler = self._start

    def add(self, text: bytes, *, final: bool = False) -> None:
        """More of the sheet."""
        try:
            self._parser.Parse(text, final)
        except expat.ExpatError as fault:
            raise ValueError(f"{self.name}: {fault}") from None

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = tag.rpartition(":")[2]
        if tag == "row":
            self._row, self._column = int(attributes.get("r", self._row + 1)), 0
        elif tag == "c":
            where = _WHERE.match(attributes.get("r", "").upper())
            self._row = int(where[2][:12]) if where else self._row
            self._column = column_number(where[1].encode()) if where else self._column + 1
            self.cells += 1
            self._reach(self._row, self._column)
        elif tag in ("mergeCell", "hyperlink"):
            ends = _WHERE.findall(attributes.get("ref", "").upper()) or [("A", "1")]
            (a, b), (c, d) = ends[0], ends[-1]
            self._cover(a.encode(), int(b[:12]), c.encode(), int(d[:12]))

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

    def check_filled(self) -> None:
        """Raise BittingError where next to none of the cells that the sheet covers is there."""
        if self.rows * self.columns > MOST_EMPTY + FOR_EACH * self.cells:
            raise refused(
                f"{self.name} covers {self.rows:,} rows by {self.columns:,} columns, and has {self.cells:,} cells in them"
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


MOST_BYTES = 2_000_000_000
"""All parts together, unpacked."""
MOST_RATIO, RATIO_FROM = 400, 64_000_000
"""A part may unpack to so many times its size, where it unpacks to more than that many bytes."""
MOST_TAG = 8 << 20
"""Bytes without the beginning of a tag."""
_BLOCK = 1 << 20
_SHEET = re.compile(rb"<(?:\w+:)?worksheet[\s>]")


def find_workbook(file: BinaryIO) -> str:
    """Which kind of workbook this is (xlsx, ods, xls).

    Raises BittingError where it is none, is damaged, or would not fit the bounds. An XLS sheet has 65,536 rows of 256
    columns at most, so its own size bounds it.
    """
    file.seek(0)
    if file.read(4) == b"\xd0\xcf\x11\xe0":
        file.seek(0)
        return "xls"
    try:
        with zipfile.ZipFile(file) as archive:
            return _check_archive(archive)
    except (zipfile.BadZipFile, EOFError, NotImplementedError, OSError, ValueError, ParseError, KeyError) as fault:
        if isinstance(fault, BittingError):
            raise
        raise damaged(fault) from None
    except (zlib.error, lzma.LZMAError) as fault:
        raise damaged(fault) from None
    finally:
        file.seek(0)


def _check_archive(archive: zipfile.ZipFile) -> str:
    parts = archive.infolist()
    if sum(part.file_size for part in parts) > MOST_BYTES:
        raise refused(f"it unpacks to more than {MOST_BYTES:,} bytes")
    for part in parts:
        if part.file_size > RATIO_FROM and part.file_size > MOST_RATIO * max(part.compress_size, 1):
            raise refused(f"{part.filename} unpacks to {part.file_size // max(part.compress_size, 1)} times its size")
        if part.flag_bits & 1:
            raise BittingError("the workbook is encrypted", hint="save it without a password")
    names = archive.namelist()
    kind = "xlsx" if "xl/workbook.xml" in names else "ods" if {"mimetype", "content.xml"} <= set(names) else ""
    if not kind or (kind == "ods" and b"spreadsheet" not in archive.read("mimetype")[:200]):
        raise BittingError("this is a ZIP archive, but no workbook", hint="save it as XLSX or CSV")
    for part in parts:
        _check_part(archive, part)
    if kind == "ods":
        with archive.open("content.xml") as stream:
            _check_repeats(stream)  # type: ignore[arg-type]
    return kind


def _check_repeats(stream: BinaryIO) -> None:
    """An ODS file says a cell once and how often it is repeated: count what it comes to, but for empty ends."""
    table = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
    rows = wide = width = filled = 0
    for event, element in iterparse(stream, ("start", "end")):
        name = element.tag.removeprefix(table)
        if event == "start":
            if name == "table":
                rows = wide = filled = 0
            elif name == "table-row":
                width = filled = 0
        elif name in ("table-cell", "covered-table-cell"):
            width += int(element.get(f"{table}number-columns-repeated", "1"))
            if len(element) or len(element.attrib) > 1:
                filled = width
            element.clear()
        elif name == "table-row":
            rows += int(element.get(f"{table}number-rows-repeated", "1"))
            wide = max(wide, filled)
            if filled and rows * wide > MOST_CELLS:
                raise refused(f"a sheet covers {rows:,} rows by {wide:,} columns, more than {MOST_CELLS:,} cells")
            element.clear()


def _check_part(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    """Go through one part: no entities, and what a sheet covers stays within the bounds, wherever the sheet is kept."""
    name, tail, extent, styles = part.filename, b"", None, 0
    with archive.open(part) as stream:
        start = stream.read(4096).replace(b"\0", b"")
        if not start.lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n").startswith(b"<"):
            return  # no XML
    if _SHEET.search(start):
        extent = Extent(name)
    with archive.open(part) as stream:
        while block := stream.read(_BLOCK):
            text = tail + block.replace(b"\0", b"")  # in UTF-16, as ASCII
            if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
                raise refused(f"{name} declares XML entities")
            if name.endswith("styles.xml"):
                styles += text.count(b"<")
                if styles > MOST_STYLES:
                    raise refused(f"{name} has more than {MOST_STYLES:,} tags of styles")
            tail = text[max(text.rfind(b"<"), 0) :]
            if len(tail) > MOST_TAG:
                raise refused(f"{name} has a cell of more than {MOST_TAG:,} bytes")
            if extent is not None:
                extent.add(block)
    if extent is not None:
        extent.add(b"", final=True)
        extent.check_filled()
