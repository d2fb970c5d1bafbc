"""Writing workbooks: columns added to a sheet as it is, or a sheet's values streamed into a new one.

Readings in a workbook: the sheet that holds them as its reader sees it, and the columns added beside it.

The results of formulas, kept in a workbook that is written again.

A workbook stores each formula with the result it had when it was saved. openpyxl writes formulas alone; until a spreadsheet
opens the answer and calculates, a preview or a script would then see empty cells. Nothing that formulas read has changed, so
what they came to is put back: texts, numbers, dates and truth values (of an error nothing is known but that it is one).
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from attrs import frozen

from bitting.batch.check_rows import Desk, Row, safe
from bitting.batch.columns import OURS, Layout
from bitting.batch.csv.dialect import carried_blocks
from bitting.batch.csv.records import read_records
from bitting.batch.csv.rewrite import DelimitedJob, Figures
from bitting.batch.judge import Verdict
from bitting.batch.xlsx.guard import MOST_COLUMNS
from bitting.batch.xlsx.read import plain_text
from bitting.errors import BittingError

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet
import datetime
import re
import zipfile
from collections.abc import Callable
from xml.sax.saxutils import escape

from bitting.batch.columns import ReadingsLayout
from bitting.batch.decode_rows import ReadRow
from bitting.batch.xlsx.guard import column_number
from bitting.batch.xlsx.read import code_cell

SPOOL = 64 << 20
"""So many bytes of a workbook are kept in memory on the way; more go to a nameless file."""


@frozen
class Sheet:
    """The values of one sheet, from its first row and column on; `merged` are (top, left, bottom, right) from 0."""

    name: str
    rows: list[list[Any]]
    merged: tuple[tuple[int, int, int, int], ...] = ()


def colours() -> dict[str, Any]:
    """The fill of cells by the verdict of their row; none where all is well."""
    from openpyxl.styles import PatternFill

    return {
        "illegal": PatternFill("solid", fgColor="FFF4C7C3"),
        "unreadable": PatternFill("solid", fgColor="FFFFF2CC"),
    }


def add_columns(page: Worksheet, layout: Layout, rows: Sequence[Row]) -> None:
    """The four columns beside a sheet's table, bad cells coloured and commented."""
    from copy import copy

    from openpyxl.cell import MergedCell
    from openpyxl.comments import Comment

    right = last_column(page)
    if layout.header is not None:
        like = page.cell(layout.header + 1, layout.codes[0] + 1)
        for place, name in enumerate(layout.ours(), right + 1):
            cell = page.cell(layout.header + 1, place, name)
            for style in ("font", "fill", "border", "alignment"):
                setattr(cell, style, copy(getattr(like, style)))
    fills = colours()
    for number, row in enumerate(rows, layout.first + 1):
        for place, text in enumerate(row.cells, right + 1):
            if text:
                page.cell(number, place, clean(text))
        fill = fills.get(row.verdict)
        if fill is None:
            continue
        page.cell(number, right + 1).fill = fill
        for column in layout.codes:
            code = page.cell(number, column + 1)
            if isinstance(code, MergedCell):
                continue
            code.fill = fill
            if code.comment is None:
                code.comment = Comment(clean(row.findings), "bitting")
    from openpyxl.utils import get_column_letter

    _end_groups(page, right)
    widths = [len(max((row.cells[place] for row in rows), key=len, default="")) for place in range(len(OURS))]
    for place, width in enumerate(widths, right + 1):
        page.column_dimensions[get_column_letter(place)].width = min(max(width, 10), 60) + 2


def _end_groups(page: Worksheet, last: int) -> None:
    """Widths that are said for many columns at once, beyond the last: our columns get their own, and no column has two."""
    from copy import copy

    from openpyxl.utils import get_column_letter

    free = last + len(OURS) + 1
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


def last_column(page: Worksheet) -> int:
    """The last column that holds anything; formatting of empty cells doesn't count. BittingError where none is left to add."""
    filled = (cell.column for cell in page._cells.values() if cell.value is not None or cell.comment is not None)
    merged = (merged.max_col for merged in page.merged_cells.ranges)
    last = max((*filled, *merged), default=1)
    if last + len(OURS) > MOST_COLUMNS:
        raise BittingError(
            f"the sheet has {last:,} columns, and no room for {len(OURS)} more", hint="write the answer as CSV, with -o"
        )
    return int(last)


def add_figures(book: Any, desk: Desk, figures: Figures) -> None:
    """A sheet with the counts, the findings by rule and the notes."""
    name, number = "codes checked", 1
    while name in book.sheetnames:
        number += 1
        name = f"codes checked {number}"
    page = book.create_sheet(name)
    for line in figure_rows(desk, figures):
        page.append(line)
    page.column_dimensions["A"].width = 24


def figure_rows(desk: Desk, figures: Figures) -> Iterator[list[Any]]:
    """What the sheet of figures says."""
    yield ["rows", figures.rows]
    for verdict in Verdict:
        yield [verdict.word, desk.counts[verdict.word]]
    yield ["duplicates", sum(seen.repeated()[0] for seen in desk.seen.values())]
    yield []
    yield ["finding", "rows"]
    for rule, number in desk.rules.most_common():
        yield [rule, number]
    for note in figures.notes:
        yield ["note", clean(safe(note))]


@contextmanager
def spooled() -> Iterator[BinaryIO]:
    """Where a workbook is put together: a disk that fills up under openpyxl would leave its archive open."""
    with tempfile.SpooledTemporaryFile(SPOOL) as file:
        yield cast(BinaryIO, file)


def save_book(book: Any, target: BinaryIO) -> None:
    """Write a workbook."""
    with spooled() as written:
        book.save(written)
        written.seek(0)
        shutil.copyfileobj(written, target)


def clean(text: Any) -> Any:
    """A text without the characters that XML can't hold, each replaced by U+FFFD."""
    if isinstance(text, str):
        from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

        return ILLEGAL_CHARACTERS_RE.sub("\ufffd", text)[:32_767]
    return text


def write_streamed(
    target: BinaryIO,
    kind: str,
    sheet: Sheet,
    layout: Layout,
    rows: Sequence[Row],
    *,
    only_bad: bool,
    desk: Desk | None = None,
) -> None:
    """The values of a sheet and the four columns, row by row, as XLSX or CSV."""
    width = max(map(len, sheet.rows), default=0)
    lines = table_rows(sheet, layout, rows, width, only_bad=only_bad)
    if kind == "csv":
        import csv
        import io

        wrapped = io.TextIOWrapper(target, encoding="utf-8-sig", newline="", write_through=True)
        writer = csv.writer(wrapped)
        writer.writerows([plain_text(value) for value in line] for line, _ in lines)
        wrapped.detach()
        return
    _write_book(target, sheet.name[:31], lines, width, desk, Figures(layout, len(rows)))


def _write_book(
    target: BinaryIO,
    name: str,
    lines: Iterator[tuple[list[Any], str]],
    width: int,
    desk: Desk | None,
    figures: Figures,
) -> None:
    """Lines with their verdicts, streamed into a new workbook; the verdict's cell is at `width`."""
    import openpyxl
    from openpyxl.cell import WriteOnlyCell

    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet(name)
    fills = colours()
    for line, verdict in lines:
        out: list[Any] = [clean(value) for value in line]
        for place, value in enumerate(out):
            if isinstance(value, str) and value.startswith(("=", "#")):
                out[place] = WriteOnlyCell(page, value)
                out[place].data_type = "s"
        if verdict in fills:
            out[width] = WriteOnlyCell(page, verdict)
            out[width].fill = fills[verdict]
        page.append(out)
    if desk is not None:
        add_figures(book, desk, figures)
    save_book(book, target)


def write_delimited(job: DelimitedJob, target: BinaryIO) -> None:
    """A delimited answer (in `job.target`) as a workbook: every cell as text, bad verdicts coloured."""
    import openpyxl
    from openpyxl.cell import WriteOnlyCell

    job.target.seek(0)
    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet("codes")
    fills = colours()
    blocks = carried_blocks(job.target, job.form.encoding)
    for records in read_records(blocks, job.form.delimiter):
        for number in range(len(records)):
            line: list[Any] = [clean(job.form.encoding.read(cell)) for cell in records.cells(number)]
            for place, value in enumerate(line):
                if value.startswith(("=", "#")) or (place == len(line) - 4 and value in fills):
                    line[place] = WriteOnlyCell(page, value)
                    line[place].data_type = "s"
                    if value in fills:
                        line[place].fill = fills[value]
            page.append(line)
    add_figures(book, job.desk, job.figures)
    save_book(book, target)


def table_rows(
    sheet: Sheet, layout: Layout, rows: Sequence[Row], width: int, *, only_bad: bool
) -> Iterator[tuple[list[Any], str]]:
    """The rows of the answer, each with its verdict ("" for what is no row of the table)."""
    for number, values in enumerate(sheet.rows[: layout.first]):
        line = [*values, *[""] * (width - len(values))]
        yield (line + list(layout.ours()) if number == layout.header else line), ""
    for values, row in zip(sheet.rows[layout.first :], rows, strict=True):
        if not only_bad or row.verdict in ("illegal", "unreadable"):
            yield [*values, *[""] * (width - len(values)), *row.cells], row.verdict


FILLS = {"unsure": "FFFFF2CC", "no-fit": "FFF4C7C3", "unreadable": "FFF4C7C3"}


def find_sheet(
    results: Any, named: str | None, find: Callable[[Sequence[Sequence[str]]], ReadingsLayout]
) -> tuple[str, ReadingsLayout, list[list[str]]]:
    """The sheet that was named, or the first in which `find` sees columns of readings, with its cells as shown.

    `results` is the workbook with the results of its formulas.
    """
    names = [page.title for page in results.worksheets]
    if named is not None and named not in names:
        raise BittingError(f"there is no sheet {named!r}", hint=f"the sheets are {', '.join(names)}")
    faults = []
    for name in [named] if named is not None else names:
        cells = [[_shown(cell) for cell in row] for row in results[name].iter_rows()]
        try:
            return name, find(cells), cells
        except BittingError as fault:
            faults.append(fault)
    raise next((fault for fault in faults if "empty" not in fault.message), faults[0])


def _shown(cell: Any) -> str:
    """A cell as its reader sees it: numbers with the decimals that its format shows."""
    value = cell.value
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        behind = str(cell.number_format).split(";")[0].partition(".")[2]
        decimals = len(behind) - len(behind.lstrip("0"))
        return f"{value:.{decimals}f}" if decimals and round(value, decimals) == value else plain_text(value)
    if value is None or isinstance(value, str):
        return str(value or "")
    return code_cell(value).fault or plain_text(value)


def add_readings_columns(page: Any, layout: ReadingsLayout, rows: Sequence[ReadRow]) -> None:
    """The five columns beside a sheet's table, bad verdicts coloured."""
    from openpyxl.styles import PatternFill
    from openpyxl.utils import get_column_letter

    right = last_column(page)
    for place, name in enumerate(layout.ours(), right + 1):
        page.cell(layout.first, place, name)
    fills = {verdict: PatternFill("solid", fgColor=colour) for verdict, colour in FILLS.items()}
    for number, row in enumerate(rows, layout.first + 1):
        for place, text in enumerate(row.cells, right + 1):
            if text:
                page.cell(number, place, clean(text)).data_type = "s"
        if row.verdict in fills:
            page.cell(number, right + 1).fill = fills[row.verdict]
    for place in range(right + 1, right + 6):
        widest = max((len(row.cells[place - right - 1]) for row in rows), default=0)
        page.column_dimensions[get_column_letter(place)].width = min(max(widest, 10), 60) + 2


_FORMULA = re.compile(rb'<c r="([A-Z]+)(\d+)"((?: s="\d+")?)>(<f[ >][^<]*</f>|<f [^<>]*/>)<v\s*(?:/>|></v>)</c>')


def has_formulas(book: Any) -> bool:
    """Whether any cell of a workbook opened with openpyxl holds a formula."""
    return any(cell.data_type == "f" for page in book.worksheets for cell in page._cells.values())


def put_back(source: BinaryIO, written: BinaryIO, target: BinaryIO, names: Sequence[str], epoch: Any) -> None:
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


def _with_result(cell: re.Match[bytes], rows: Sequence[Sequence[Any]], epoch: Any) -> bytes:
    """A formula's cell with its result; as it is where none is known."""
    row, column = int(cell[2]) - 1, column_number(cell[1]) - 1
    value = rows[row][column] if row < len(rows) and column < len(rows[row]) else ""
    kind = b' t="str"' if isinstance(value, str) else b' t="b"' if isinstance(value, bool) else b""
    text = _stored(value, epoch)
    if not text:
        return cell[0]
    return b'<c r="%s%s"%s%s>%s<v>%s</v></c>' % (cell[1], cell[2], cell[3], kind, cell[4], text.encode())


def _stored(value: Any, epoch: Any) -> str:
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
