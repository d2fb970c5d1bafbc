"""Writing workbooks: columns added to a sheet as it is, or an answer's lines streamed into a new one.

A workbook stores each formula with the result it had when it was saved. openpyxl writes formulas alone; until a spreadsheet
opens the answer and calculates, a preview or a script would then see empty cells. Nothing that formulas read has changed, so
what they came to is put back: texts, numbers, dates and truth values (of an error nothing is known but that it is one).
"""

from __future__ import annotations

import datetime
import re
import shutil
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from copy import copy
from typing import TYPE_CHECKING, BinaryIO
from xml.sax.saxutils import escape

from bitting.batch.job import Run
from bitting.batch.output import Columns, Row
from bitting.batch.values import Line, Value
from bitting.batch.xlsx.guard import MOST_COLUMNS, column_number
from bitting.errors import BittingError
from bitting.files import no_formula, scratch

if TYPE_CHECKING:
    from openpyxl.styles import PatternFill
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet


def _fills(columns: Columns) -> dict[str, PatternFill]:
    """The fill of cells by the verdict of their row; none where all is well."""
    from openpyxl.styles import PatternFill

    return {verdict: PatternFill("solid", fgColor=colour) for verdict, colour in columns.fills.items()}


def add_columns(run: Run, page: Worksheet, rows: Sequence[Row]) -> None:
    """Our columns beside a sheet's table; bad cells are coloured, and the first of each row gets the findings as a comment."""
    from openpyxl.cell import MergedCell
    from openpyxl.comments import Comment
    from openpyxl.utils import get_column_letter

    layout, columns = run.layout, run.worker.columns
    right = _last_column(page, len(columns.names))
    if layout.header is not None:
        like = page.cell(layout.header + 1, layout.places[0] + 1)
        for place, name in enumerate(run.names, right + 1):
            cell = page.cell(layout.header + 1, place, name)
            for style in ("font", "fill", "border", "alignment"):
                setattr(cell, style, copy(getattr(like, style)))
    fills, widths = _fills(columns), [10] * len(columns.names)
    for number, row in enumerate(rows, layout.first + 1):
        cells = columns.cells(row)
        widths = [max(pair) for pair in zip(widths, map(len, cells), strict=True)]
        for place, text in enumerate(cells, right + 1):
            if text:
                page.cell(number, place, _clean(text)).data_type = "s"
        fill = fills.get(row.verdict)
        if fill is None:
            continue
        page.cell(number, right + 1).fill = fill
        for place in layout.places:
            bad = page.cell(number, place + 1)
            if not isinstance(bad, MergedCell):
                bad.fill = fill
                if place == layout.places[0] and bad.comment is None and row.findings:
                    bad.comment = Comment(_clean(no_formula(row.findings)), "bitting")
    _end_groups(page, right, len(columns.names))
    for place, width in enumerate(widths, right + 1):
        page.column_dimensions[get_column_letter(place)].width = min(width, 60) + 2


def _end_groups(page: Worksheet, last: int, added: int) -> None:
    """Widths that are said for many columns at once, beyond the last: our columns get their own, and no column has two."""
    from openpyxl.utils import get_column_letter

    free = last + added + 1
    for group in list(page.column_dimensions.values()):
        start, end = group.min or 0, group.max or 0
        if end <= last:
            continue
        if end >= free and free not in (dimension.min for dimension in page.column_dimensions.values()):
            rest = copy(group)
            rest.index, rest.min, rest.max = get_column_letter(max(start, free)), max(start, free), end
            page.column_dimensions[rest.index] = rest
        if start > last:
            if start < free:
                del page.column_dimensions[group.index]
        else:
            group.max = last


def _last_column(page: Worksheet, added: int) -> int:
    """The last column that holds anything; formatting of empty cells doesn't count. BittingError where none is left to add."""
    filled = (cell.column for cell in page._cells.values() if cell.value is not None or cell.comment is not None)
    merged = (merged.max_col for merged in page.merged_cells.ranges)
    last = max((*filled, *merged), default=1)
    if last + added > MOST_COLUMNS:
        raise BittingError(
            f"the sheet has {last:,} columns, and no room for {added} more", hint="write the answer as CSV, with -o"
        )
    return int(last)


def add_figures(run: Run, book: Workbook) -> None:
    """A sheet with the counts, the findings by rule and the notes."""
    called = "codes checked" if run.job.readings is None else "keys decoded"
    name, number = called, 1
    while name in book.sheetnames:
        number += 1
        name = f"{called} {number}"
    page = book.create_sheet(name)
    for line in _figures(run):
        page.append(line)
    page.column_dimensions["A"].width = 24


def _figures(run: Run) -> Iterator[Sequence[str | int]]:
    """What the sheet of figures says."""
    summary = run.worker.summary(run.figures)
    yield ["rows", summary.rows]
    yield from summary.counts.items()
    yield from summary.more.items()
    if summary.broken:
        yield []
        yield ["finding", "rows"]
        yield from summary.broken.items()
    yield from (("note", _clean(no_formula(note))) for note in summary.notes)


def save_book(book: Workbook, target: BinaryIO) -> None:
    """Write a workbook: put together on the side, as a disk that fills up under openpyxl would leave its archive open."""
    with scratch() as written:
        book.save(written)
        written.seek(0)
        shutil.copyfileobj(written, target)


def _clean(text: str) -> str:
    """A text without the characters that XML can't hold, each replaced by U+FFFD; no longer than a cell may be."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    return ILLEGAL_CHARACTERS_RE.sub("\ufffd", text)[:32_767]


def write_book(run: Run, name: str, lines: Iterable[Line], target: BinaryIO) -> None:
    """An answer streamed into a new workbook, bad verdicts coloured; no text becomes a formula."""
    import openpyxl
    from openpyxl.cell import WriteOnlyCell

    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet(name)
    fills, count = _fills(run.worker.columns), len(run.worker.columns.names)
    for values, verdict in lines:
        out = [(_clean(value) or None) if isinstance(value, str) else value for value in values]  # None: no cell at all
        for place, value in enumerate(out):
            if isinstance(value, str) and value.startswith(("=", "#")):
                out[place] = cell = WriteOnlyCell(page, value)
                cell.data_type = "s"
        if verdict in fills:
            out[-count] = cell = WriteOnlyCell(page, verdict)
            cell.fill = fills[verdict]
        page.append(out)
    add_figures(run, book)
    save_book(book, target)


_FORMULA = re.compile(rb'<c r="([A-Z]+)(\d+)"((?: s="\d+")?)>(<f[ >][^<]*</f>|<f [^<>]*/>)<v\s*(?:/>|></v>)</c>')


def has_formulas(book: Workbook) -> bool:
    """Whether any cell of a workbook opened with openpyxl holds a formula."""
    return any(cell.data_type == "f" for page in book.worksheets for cell in page._cells.values())


def put_back(
    source: BinaryIO, written: BinaryIO, target: BinaryIO, names: Sequence[str], epoch: datetime.datetime
) -> None:
    """Copy a workbook as openpyxl has `written` it to `target`, with the results that `source` has; `names` are its sheets,
    and its days are counted from `epoch`."""
    import python_calamine

    source.seek(0)
    values = python_calamine.CalamineWorkbook.from_filelike(source)
    parts = {f"xl/worksheets/sheet{number}.xml": name for number, name in enumerate(names, 1)}
    known = set(values.sheet_names)
    with zipfile.ZipFile(written) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            name = parts.get(part.filename)
            if name not in known:
                with old.open(part) as one, new.open(part.filename, "w", force_zip64=True) as other:
                    shutil.copyfileobj(one, other)
                continue
            text = old.read(part)
            if b"<f" in text:
                rows = values.get_sheet_by_name(name).to_python(skip_empty_area=False)
                text = _FORMULA.sub(lambda cell, rows=rows: _with_result(cell, rows, epoch), text)  # type: ignore[misc]
            new.writestr(part.filename, text)


def _with_result(cell: re.Match[bytes], rows: Sequence[Sequence[Value]], epoch: datetime.datetime) -> bytes:
    """A formula's cell with its result; as it is where none is known."""
    row, column = int(cell[2]) - 1, column_number(cell[1]) - 1
    value = rows[row][column] if row < len(rows) and column < len(rows[row]) else ""
    kind = b' t="str"' if isinstance(value, str) else b' t="b"' if isinstance(value, bool) else b""
    text = _stored(value, epoch)
    if not text:
        return cell[0]
    return b'<c r="%s%s"%s%s>%s<v>%s</v></c>' % (cell[1], cell[2], cell[3], kind, cell[4], text.encode())


def _stored(value: Value, epoch: datetime.datetime) -> str:
    """A value as a workbook stores it; "" where that isn't known."""
    from openpyxl.utils.datetime import to_excel

    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, str):
        return escape(value)
    if isinstance(value, (datetime.date, datetime.time, datetime.timedelta)):
        return repr(to_excel(value, epoch))  # type: ignore[no-untyped-call]
    return ""
