"""The tables that authoring reads: a chart's cells, a column of codes, rows of readings.

A chart is small and may be typed anyhow, so its text is cut up by `chart.split_rows`; codes and readings stand in a list,
one a line, or in a column that is found as `batch` finds it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from contextlib import suppress
from typing import BinaryIO

from bitting.authoring.chart import split_rows
from bitting.errors import BittingError, NotationError
from bitting.model import Depths, System

SAMPLE = 400
MOST_BYTES = 100_000_000
"""What is learned from is read into memory whole."""
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def chart_rows(name: str, sheet: str | None = None) -> list[list[str]]:
    """The cells of a chart: a workbook's first sheet that holds anything (or the named one), or typed text."""
    found = _workbook_or_text(name, sheet)
    return split_rows(found[0]) if isinstance(found, tuple) else found


def table_rows(name: str, sheet: str | None = None) -> tuple[list[list[str]], list[str]]:
    """The cells of a table, and the lines of its text where it is one (a workbook has none)."""
    found = _workbook_or_text(name, sheet)
    if not isinstance(found, tuple):
        return found, []
    text, delimiter = found
    cells = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True))
    return [row for row in cells if row], [line for line in text.splitlines() if line.strip()]


def codes_in(
    name: str, system: System, column: str | None = None, sheet: str | None = None
) -> tuple[list[tuple[int, Depths]], list[tuple[int, str]]]:
    """The whole codes of a list or table as (row, depths), and the rows that hold none as (row, why).

    Rows are those of the table's body, counted from 1; in a list they are its lines without blank ones and remarks.
    """
    rows, lines = table_rows(name, sheet)
    lines = [line for line in lines if not line.lstrip().startswith("#")]
    if column is None and _is_list(lines, system):
        texts = lines[1:] if lines and _is_header(lines[0]) else lines
    else:
        texts = _column(rows, system, column)
    good: list[tuple[int, Depths]] = []
    bad: list[tuple[int, str]] = []
    for number, text in enumerate(texts, start=1):
        if not text.strip():
            continue
        try:
            good.append((number, _depths(text, system)))
        except BittingError as fault:
            bad.append((number, fault.message))
    return good, bad


def _depths(text: str, system: System) -> Depths:
    from bitting.notation import parse_code

    code = parse_code(text, system)
    if code.depths is None:
        if not code.well_formed:
            raise NotationError("not a whole code: a wrong number of cuts, or a depth that the chart doesn't have")
        raise NotationError("cuts are open, or the sides differ")
    return code.depths


def _is_list(lines: Sequence[str], system: System) -> bool:
    """Whether most of the lines are codes as they stand."""
    good, sample = 0, lines[:SAMPLE]
    for line in sample:
        with suppress(BittingError):
            _depths(line, system)
            good += 1
    return good * 2 > len(sample)


def _is_header(line: str) -> bool:
    """Whether the first line of a list names what stands below it, as a table of one column does."""
    from bitting.batch.columns import NAMES

    return re.sub(r"[\W_]+", "", line).casefold() in NAMES


def _column(rows: Sequence[Sequence[str]], system: System, column: str | None) -> list[str]:
    from bitting.batch.check_rows import RowChecker
    from bitting.batch.columns import Wanted, column_of

    layout = RowChecker(system, Wanted(column)).find(rows[:SAMPLE])
    return column_of(rows[layout.first :], layout.places[0])


def keys_in(name: str, sheet: str | None = None) -> list[tuple[str, str]]:
    """(code, readings) of measured keys, the code "" where it isn't known.

    A table has columns `code` and `readings` (in any order, `code` may be missing); without a header, of two columns the
    one whose numbers have points is that of the readings. A list has the readings of one key a line.
    """
    rows, lines = table_rows(name, sheet)
    rows = [row for row in rows if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")]
    if not rows:
        raise BittingError("the table of readings is empty", hint="write the readings of one key a row")
    names = [re.sub(r"\W+", "", cell).casefold() for cell in rows[0]]
    places = [i for i, cell in enumerate(names) if cell in ("readings", "reading", "measured", "caliper")]
    if places:
        code = next((i for i, cell in enumerate(names) if cell in ("code", "bitting", "cuts")), None)
        return [_key(row, places[0], code) for row in rows[1:] if places[0] < len(row) and row[places[0]].strip()]
    if len(names) > 2 and not any(map(_decimals, rows[0])):
        hint = "put all readings of a key in one cell, bow to tip, under `readings`, and its code under `code`"
        raise BittingError("no column of the table is called readings", hint=hint)
    if lines and not all(len(row) == 2 and _decimals(row[0]) != _decimals(row[1]) for row in rows):
        return [("", line) for line in lines if not line.lstrip().startswith("#")]
    return [_key(row, 1 if _decimals(row[1]) else 0, 0 if _decimals(row[1]) else 1) for row in rows]


def _key(row: Sequence[str], readings: int, code: int | None) -> tuple[str, str]:
    return (row[code].strip() if code is not None and code < len(row) else "", row[readings].strip())


def _decimals(text: str) -> bool:
    return re.search(r"\d[.,]\d|\.\d", text) is not None


def _workbook_or_text(name: str, sheet: str | None) -> tuple[str, str] | list[list[str]]:
    """(text, delimiter) of a text file, or the cells of a workbook's sheet."""
    from bitting.files import open_input

    with open_input(name) as (file, size):
        if size > MOST_BYTES:
            raise BittingError(f"{name!r} has {size:,} bytes", hint=f"at most {MOST_BYTES:,} are read")
        head = file.read(4)
        file.seek(0)
        if head in _WORKBOOKS:
            return _sheet(file, sheet)
        if sheet is not None:
            raise BittingError(f"{name!r} is no workbook, so it has no sheet {sheet!r}", hint="leave out --sheet")
        return _text(file)


def _text(file: BinaryIO) -> tuple[str, str]:
    from bitting.batch.csv.dialect import carried_blocks, find_form

    form = find_form(file)
    file.seek(0)
    text = form.encoding.read("".join(carried_blocks(file, form.encoding)))
    return text.split("\n", 1)[-1] if form.preface else text, form.delimiter


def _sheet(file: BinaryIO, wanted: str | None) -> list[list[str]]:
    import python_calamine

    from bitting.batch.output import plain_text
    from bitting.batch.xlsx.guard import find_workbook

    find_workbook(file)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(file)
        names = book.sheet_names
        if wanted is not None and wanted not in names:
            raise BittingError(f"there is no sheet {wanted!r}", hint=f"the sheets are {', '.join(names)}")
        for name in names if wanted is None else [wanted]:
            cells = book.get_sheet_by_name(name).to_python(skip_empty_area=True)
            rows = [[plain_text(cell) for cell in row] for row in cells]
            if any(cell.strip() for row in rows for cell in row):
                return rows
    except (python_calamine.CalamineError, OSError) as fault:
        raise BittingError(f"the workbook can't be read: {fault}", hint="save it again as XLSX or CSV") from None
    raise BittingError("the workbook is empty", hint="name the sheet with --sheet")
