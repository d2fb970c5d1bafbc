"""Workbooks: read with python-calamine, the same workbook out with four columns added.

Up to `KEPT` rows of XLSX the workbook itself is opened and added to, so formatting, widths, formulas, other sheets and
comments stay; bad cells are coloured and get their findings as a comment, and a sheet of figures is added. What openpyxl
can't carry over (charts, pictures, pivot tables) is named in the notes. Past that size a streaming writer takes over, and
says what it gives up: everything but the values of the one sheet. So it does for ODS and XLS, which are read, but written
as XLSX or CSV.
"""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, BinaryIO

from attrs import define, field

from bitting.batch.cell_rows import Hearing, ReadCell, judged_rows, value_only
from bitting.batch.check_rows import Desk, Row
from bitting.batch.columns import Layout, Wanted, find_layout
from bitting.batch.csv.rewrite import SAMPLE, Figures, Progress, Rowwise
from bitting.batch.judge import Judge
from bitting.batch.xlsx.guard import find_workbook
from bitting.batch.xlsx.read import NO_RESULT, CodeCell, code_cell, plain_text, unshown
from bitting.batch.xlsx.write import (
    Sheet,
    add_columns,
    add_figures,
    has_formulas,
    put_back,
    save_book,
    spooled,
    write_streamed,
)
from bitting.errors import BittingError

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

KEPT = 50_000
"""Rows up to which the workbook itself is added to: above, openpyxl needs gigabytes and minutes."""
KEPT_BYTES = 100_000_000
"""Bytes of all sheets together, unpacked, up to which it is: the others are opened too, and take ten times as much."""

LOST = {
    "xl/charts/": "charts",
    "xl/media/": "pictures",
    "xl/pivotTables/": "pivot tables",
    "xl/ctrlProps/": "form controls",
    "xl/slicers/": "slicers",
}


@define(eq=False)
class WorkbookJob:
    """One run over a workbook. `kind` is how the answer is written: "xlsx" or "csv"."""

    source: BinaryIO
    target: BinaryIO
    desk: Desk
    wanted: Wanted
    sheet_name: str | None = None
    kind: str = "xlsx"
    macros: bool = False
    only_bad: bool = False
    progress: Progress | None = None
    rowwise: Rowwise | None = None
    figures: Figures = field(init=False)
    layout: Layout = field(init=False)
    _size: int = field(init=False, default=0)

    def run(self) -> Figures:
        """Write the answer; BittingError for a workbook that can't be read."""
        found = find_workbook(self.source)
        self._size = self.source.seek(0, 2)
        self.source.seek(0)
        judge = self.desk.judge_of("") if self.desk.default is not None else None
        sheet, self.layout = self._find_sheet(judge if isinstance(judge, Judge) else None)
        body = sheet.rows[self.layout.first :]
        self.figures = Figures(self.layout)
        self.figures.notes.append(f"sheet {sheet.name!r}")
        small = found == "xlsx" and self._sheet_bytes() <= KEPT_BYTES
        if small and len(body) <= KEPT:
            book = self._open()
            rows = self._judged(sheet, body, _reader(book[sheet.name], self.source, self.layout.codes))
            if self.kind == "xlsx" and not self.only_bad:
                self._add(book, sheet, rows)
                return self.figures
        else:
            rows = self._judged(sheet, body, self._by_value(found, sheet.name))
        if self.kind == "xlsx":
            why = "only bad rows" if self.only_bad else f"a workbook of another kind ({found.upper()})"
            if found == "xlsx" and len(body) > KEPT:
                why = f"more than {KEPT:,} rows"
            elif found == "xlsx" and not small:
                why = f"its sheets hold more than {KEPT_BYTES:,} bytes"
            self.figures.notes.append(
                f"{why}: only the values of this sheet are written, not formatting, formulas, comments and other sheets"
            )
        write_streamed(self.target, self.kind, sheet, self.layout, rows, only_bad=self.only_bad, desk=self.desk)
        return self.figures

    def _find_sheet(self, judge: Judge | None) -> tuple[Sheet, Layout]:
        """The sheet that was named, or the first in which a column of codes is found."""
        import python_calamine

        try:
            book = python_calamine.CalamineWorkbook.from_filelike(self.source)
        except (python_calamine.CalamineError, OSError, ValueError) as fault:
            raise BittingError(f"the workbook can't be read: {fault}", hint="save it again as XLSX or CSV") from None
        names = book.sheet_names
        if self.sheet_name is not None:
            if self.sheet_name not in names:
                raise BittingError(f"there is no sheet {self.sheet_name!r}", hint=f"the sheets are {', '.join(names)}")
            names = [self.sheet_name]
        faults = []
        for name in names:
            try:
                read = book.get_sheet_by_name(name)
                merged = tuple((*a, *b) for a, b in (read.merged_cell_ranges or ()))
                sheet = Sheet(name, read.to_python(skip_empty_area=False), merged)
            except (python_calamine.CalamineError, OSError, ValueError) as fault:
                raise BittingError(f"sheet {name!r} can't be read: {fault}", hint="save it again as XLSX") from None
            try:
                sample = [[plain_text(value) for value in row] for row in sheet.rows[:SAMPLE]]
                return sheet, find_layout(sample, self.wanted, judge)
            except BittingError as fault:
                faults.append((name, fault))
        name, worst = next(((n, f) for n, f in faults if "empty" not in f.message), faults[0])
        where = f"sheet {name!r}: " if len(book.sheet_names) > 1 else ""
        raise BittingError(where + worst.message, hint=worst.hint)

    def _judged(self, sheet: Sheet, body: Sequence[Sequence[Any]], read: ReadCell) -> list[Row]:
        """The four cells of every row of the body."""
        hearing = Hearing(self.figures, self._size, self.progress, self.rowwise, self.only_bad)
        return list(judged_rows(self.desk, self.layout, body, read, hearing, _covered(sheet, self.layout)))

    def _by_value(self, found: str, sheet: str) -> ReadCell:
        """Reads a code's cell by its value, where the workbook itself isn't opened."""
        note = "numbers are read without their formats"
        if found != "xlsx":
            self.figures.notes.append(f"error cells and formulas without a result look empty, and {note}")
            return value_only
        self.figures.notes.append(note)
        faults = unshown(self.source, sheet, self.layout.codes)

        def read(row: int, column: int, value: Any) -> CodeCell:
            return CodeCell("", faults.get((row, column), "")) if value in (None, "") else code_cell(value)

        return read

    def _sheet_bytes(self) -> int:
        """What all sheets unpack to."""
        with zipfile.ZipFile(self.source) as archive:
            return sum(part.file_size for part in archive.infolist() if part.filename.startswith("xl/worksheets/"))

    def _open(self) -> Any:
        """The workbook itself, to add to."""
        import openpyxl

        self.source.seek(0)
        with zipfile.ZipFile(self.source) as archive:
            lost = {what for name in archive.namelist() for part, what in LOST.items() if name.startswith(part)}
        if lost and self.kind == "xlsx":
            self.figures.notes.append(f"this workbook has {', '.join(sorted(lost))}, which the answer may not keep")
        self.source.seek(0)
        try:
            with warnings.catch_warnings(record=True) as said:
                warnings.simplefilter("always")
                book = openpyxl.load_workbook(self.source, keep_vba=self.macros, rich_text=True)
        except MemoryError:
            raise BittingError("the workbook is too large to be added to", hint="write the answer as CSV") from None
        except Exception as fault:  # openpyxl raises whatever its parsers raise
            why = str(fault.__context__ or fault).splitlines() or [type(fault).__name__]
            raise BittingError(f"the workbook can't be opened: {why[0]}", hint="save it again as XLSX or CSV") from None
        left_out = {
            str(one.message).partition(" and will be removed")[0] for one in said if "removed" in str(one.message)
        }
        if left_out and self.kind == "xlsx":
            self.figures.notes.append(f"what the answer doesn't keep: {'; '.join(sorted(left_out))}")
        return book

    def _add(self, book: Any, sheet: Sheet, rows: Sequence[Row]) -> None:
        """Add the columns to the workbook itself."""
        page = book[sheet.name]
        add_columns(page, self.layout, rows)
        hidden = sum(1 for number in range(len(rows)) if page.row_dimensions[self.layout.first + number + 1].hidden)
        if hidden:
            rows_were = "1 hidden row was" if hidden == 1 else f"{hidden:,} hidden rows were"
            self.figures.notes.append(f"{rows_were} checked too")
        add_figures(book, self.desk, self.figures)
        if not has_formulas(book):
            save_book(book, self.target)
            return
        names = [one.title for one in book.worksheets]
        with spooled() as written:
            book.save(written)
            put_back(self.source, written, self.target, names, book.epoch)


def _reader(page: Worksheet, source: BinaryIO, columns: Sequence[int]) -> ReadCell:
    """Reads a code's cell with what its value alone doesn't say: how a number is shown, errors, formulas."""
    faults: dict[tuple[int, int], str] | None = None

    def read(row: int, column: int, value: Any) -> CodeCell:
        nonlocal faults
        cell = page.cell(row + 1, column + 1)
        if value in (None, "") and cell.data_type == "f":
            if faults is None:
                faults = unshown(source, page.title, columns)
            return CodeCell("", faults.get((row, column), NO_RESULT))
        if value in (None, "") and cell.data_type == "e":
            return CodeCell("", f"the cell holds the spreadsheet's error {cell.value}")
        return code_cell(value, cell.number_format if isinstance(value, (int, float)) else "")

    return read


def _covered(sheet: Sheet, layout: Layout) -> dict[int, int]:
    """Rows whose code's cell lies under merged cells, with the row that holds their value."""
    covered = {}
    for top, left, bottom, right in sheet.merged:
        if any(left <= place <= right for place in layout.codes):
            covered.update(dict.fromkeys(range(top + 1, bottom + 1), top))
    return covered
