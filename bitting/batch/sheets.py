"""Writing workbooks: columns added to a sheet as it is, or a sheet's values streamed into a new one."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from attrs import frozen

from bitting.batch.cells import plain_text
from bitting.batch.delimited import DelimitedJob, Figures
from bitting.batch.desk import Desk
from bitting.batch.encoding import carried_blocks
from bitting.batch.extent import MOST_COLUMNS
from bitting.batch.judge import Verdict
from bitting.batch.layout import OURS, Layout
from bitting.batch.records import read_records
from bitting.batch.rows import Row, safe
from bitting.errors import BittingError

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

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
