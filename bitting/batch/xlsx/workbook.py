"""Workbooks: read with python-calamine, the same workbook out with columns added.

Up to `KEPT` rows of XLSX the workbook itself is opened and added to, so formatting, widths, formulas, other sheets and
comments stay; bad cells are coloured and get their findings as a comment, and a sheet of figures is added. What openpyxl
can't carry over (charts, pictures, pivot tables) is named in the notes. Past that size a streaming writer takes over, and
says what it gives up: everything but the values of the one sheet. So it does for ODS and XLS, which are read, but written
as another kind.
"""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Sequence
from typing import TYPE_CHECKING, BinaryIO

from attrs import frozen

from bitting.batch.columns import Layout
from bitting.batch.csv.rewrite import SAMPLE
from bitting.batch.job import Run
from bitting.batch.output import CellText, Row, plain_text
from bitting.batch.values import ReadCell, Value, answered, lines_of, write_lines
from bitting.batch.xlsx.guard import find_workbook, readable, refused
from bitting.batch.xlsx.read import NO_RESULT, formula_errors
from bitting.batch.xlsx.write import add_columns, add_figures, has_formulas, put_back, save_book
from bitting.errors import BittingError
from bitting.files import scratch
from bitting.text import plural

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook
    from openpyxl.worksheet.worksheet import Worksheet
    from python_calamine import CalamineSheet

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


@frozen
class _Sheet:
    """One sheet: its values from its first row and column on, and where its texts stand. `merged` are (top, left, bottom,
    right) from 0."""

    name: str
    rows: Sequence[Sequence[Value]]
    layout: Layout
    merged: tuple[tuple[int, int, int, int], ...] = ()
    others: tuple[str, ...] = ()
    """Sheets that hold something, and no codes (or readings) of the system."""

    def covered(self) -> dict[int, int]:
        """Rows whose text lies under merged cells, with the row that holds their value."""
        covered = {}
        for top, left, bottom, right in self.merged:
            if any(left <= place <= right for place in self.layout.places):
                covered.update(dict.fromkeys(range(top + 1, bottom + 1), top))
        return covered


def answer_workbook(run: Run, kind: str, target: BinaryIO) -> None:
    """Answer a workbook, written as `kind`; BittingError for one that can't be read."""
    found = find_workbook(run.source)
    sheet = _find_sheet(run)
    run.begin(sheet.layout, len(sheet.rows))
    run.figures.encoding = "workbook"
    rest = f"; none were found on {', '.join(map(repr, sheet.others))}" if sheet.others else ""
    run.figures.notes.append(f"the {_what(run)} are on sheet {sheet.name!r}{rest}")
    body = sheet.rows[sheet.layout.first :]
    small = found == "xlsx" and _sheet_bytes(run.source) <= KEPT_BYTES
    if small and len(body) <= KEPT:
        with readable():
            book = _open(run, kind)
            page = book[sheet.name]
        rows = answered(run, body, _by_cell(run, page), sheet.covered())
        if kind == "xlsx" and not run.only_bad:
            _add(run, book, page, rows, target)
            return
    else:
        rows = answered(run, body, _by_value(run, found, sheet.name), sheet.covered())
    if kind == "xlsx":
        why = "only bad rows" if run.only_bad else f"a workbook of another kind ({found.upper()})"
        if found == "xlsx" and len(body) > KEPT:
            why = f"more than {KEPT:,} rows"
        elif found == "xlsx" and not small:
            why = f"its sheets hold more than {KEPT_BYTES:,} bytes"
        run.figures.notes.append(
            f"{why}: only the values of this sheet are written, not formatting, formulas, comments and other sheets"
        )
    write_lines(run, kind, sheet.name, lines_of(run, sheet.rows, rows), target)


def _what(run: Run) -> str:
    return "codes" if run.job.readings is None else "readings"


def _find_sheet(run: Run) -> _Sheet:
    """The sheet that was named, or the only one that holds codes (or readings)."""
    import python_calamine

    with readable():
        book = python_calamine.CalamineWorkbook.from_filelike(run.source)
    names, wanted = list(book.sheet_names), run.job.sheet
    if not names:
        raise refused("it has no sheets")
    if wanted is not None and wanted not in names:
        raise BittingError(f"there is no sheet {wanted!r}", hint=f"the sheets are {', '.join(names)}")
    faults: dict[str, BittingError] = {}
    found: dict[str, tuple[CalamineSheet, Layout, bool]] = {}
    for name in names if wanted is None else [wanted]:
        with readable():
            read = book.get_sheet_by_name(name)
            values = read.to_python(False, SAMPLE)
        sample = [[plain_text(value) for value in row] for row in values]
        try:
            layout = run.worker.find(sample)
            found[name] = read, layout, run.worker.holds(sample, layout)
        except BittingError as fault:
            faults[name] = fault
    sure = {name: one for name, one in found.items() if one[2]} or found
    if len(sure) > 1:
        which = ", ".join(map(repr, sure))
        raise BittingError(
            f"{len(sure)} sheets hold {_what(run)}: {which}",
            hint=f"do one at a time: --sheet {next(iter(sure))!r}",
        )
    if not sure:
        name, worst = next(((n, f) for n, f in faults.items() if "empty" not in f.message), next(iter(faults.items())))
        where = f"sheet {name!r}: " if len(names) > 1 else ""
        raise BittingError(where + worst.message, hint=worst.hint)
    ((name, (read, layout, _)),) = sure.items()
    merged = tuple((*a, *b) for a, b in (read.merged_cell_ranges or ()))
    others = tuple(n for n in names if n != name and (n in found or (n in faults and "empty" not in faults[n].message)))
    return _Sheet(name, read.to_python(False), layout, merged, others)


def _sheet_bytes(source: BinaryIO) -> int:
    """What all sheets unpack to."""
    with zipfile.ZipFile(source) as archive:
        return sum(part.file_size for part in archive.infolist() if part.filename.startswith("xl/worksheets/"))


def _by_value(run: Run, found: str, sheet: str) -> ReadCell:
    """Reads a cell by its value, where the workbook itself isn't opened."""
    note = "numbers are read without their formats"
    faults: dict[tuple[int, int], str] = {}
    if found != "xlsx":
        note = f"error cells and formulas without a result look empty, and {note}"
    else:
        with readable():
            faults = formula_errors(run.source, sheet, run.layout.places)
    run.figures.notes.append(note)

    def read(row: int, column: int, value: Value) -> CellText:
        if value in (None, ""):
            return CellText("", faults.get((row, column), ""))
        return run.worker.cell(value, "")

    return read


def _by_cell(run: Run, page: Worksheet) -> ReadCell:
    """Reads a cell with what its value alone doesn't say: how a number is shown, errors, formulas."""
    faults: dict[tuple[int, int], str] | None = None

    def read(row: int, column: int, value: Value) -> CellText:
        nonlocal faults
        cell = page.cell(row + 1, column + 1)
        if value in (None, "") and cell.data_type == "f":
            if faults is None:
                with readable():
                    faults = formula_errors(run.source, page.title, run.layout.places)
            return CellText("", faults.get((row, column), NO_RESULT))
        if value in (None, "") and cell.data_type == "e":
            return CellText("", f"the cell holds the spreadsheet's error {cell.value}")
        return run.worker.cell(value, cell.number_format if isinstance(value, (int, float)) else "")

    return read


def _open(run: Run, kind: str) -> Workbook:
    """The workbook itself, to add to; what the answer won't keep goes to the notes."""
    import openpyxl

    notes = []
    run.source.seek(0)
    with zipfile.ZipFile(run.source) as archive:
        lost = {what for name in archive.namelist() for part, what in LOST.items() if name.startswith(part)}
    if lost:
        notes.append(f"this workbook has {', '.join(sorted(lost))}, which the answer may not keep")
    run.source.seek(0)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        macros = str(run.job.output).lower().endswith(".xlsm")
        book = openpyxl.load_workbook(run.source, keep_vba=macros, rich_text=True)
    removed = {str(one.message).partition(" and will be removed")[0] for one in said if "removed" in str(one.message)}
    if removed:
        notes.append(f"what the answer doesn't keep: {'; '.join(sorted(removed))}")
    if kind == "xlsx":
        run.figures.notes += notes
    return book


def _add(run: Run, book: Workbook, page: Worksheet, rows: Sequence[Row], target: BinaryIO) -> None:
    """Add the columns to the workbook itself."""
    add_columns(run, page, rows)
    ours = range(run.layout.first + 1, run.layout.first + len(rows) + 1)
    hidden = sum(1 for number, row in page.row_dimensions.items() if number in ours and row.hidden)
    if hidden:
        rows_were = plural(hidden, "hidden row was", "hidden rows were")
        run.figures.notes.append(f"{rows_were} checked too")
    add_figures(run, book)
    if not has_formulas(book):
        save_book(book, target)
        return
    names = [one.title for one in book.worksheets]
    with scratch() as written:
        book.save(written)
        put_back(run.source, written, target, names, book.epoch)
