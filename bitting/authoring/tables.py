"""The tables that authoring reads: a chart's cells, a column of codes, rows of readings.

A chart is small and may be typed anyhow, so its text is cut up by `chart.split_rows`; codes and readings stand in a list,
one a line, or in a column that is found as `batch` finds it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
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


def table_rows(name: str, sheet: str | None = None) -> tuple[dict[int, list[str]], dict[int, str]]:
    """The cells of a table by row, and the lines of its text where it is one (a workbook has none).

    Rows and lines have the numbers that a program for tables shows; blank lines and remarks are left out of the lines.
    """
    found = _workbook_or_text(name, sheet, alone=True)
    if not isinstance(found, tuple):
        return dict(enumerate(found, 1)), {}
    text, delimiter, first = found
    cells = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    lines = enumerate(text.splitlines(), first)
    return (
        {number: row for number, row in enumerate(cells, first) if row},
        {number: line for number, line in lines if line.strip() and not line.lstrip().startswith("#")},
    )


def codes_in(
    name: str, system: System, column: str | None = None, sheet: str | None = None
) -> tuple[list[tuple[int, Depths]], list[tuple[int, str]]]:
    """The whole codes of a list or table as (row, depths), and the rows that hold none as (row, why)."""
    rows, lines = table_rows(name, sheet)
    if column is None and _is_list(list(lines.values()), system):
        texts = lines
        if _is_header(texts[first := min(texts)]):
            del texts[first]
    else:
        texts = _column(rows, system, column)
    good: list[tuple[int, Depths]] = []
    bad: list[tuple[int, str]] = []
    for number, text in texts.items():
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


def _column(rows: Mapping[int, Sequence[str]], system: System, column: str | None) -> dict[int, str]:
    from bitting.batch.check_rows import RowChecker
    from bitting.batch.columns import Wanted, column_of

    cells = list(rows.values())
    layout = RowChecker(system, Wanted(column)).find(cells[:SAMPLE])
    body = cells[layout.first :]
    return dict(zip(list(rows)[layout.first :], layout.texts([column_of(body, p) for p in layout.places]), strict=True))


def keys_in(name: str, sheet: str | None = None) -> list[tuple[int, str, str]]:
    """(row, code, readings) of measured keys, the code "" where it isn't known.

    A table has columns `code` and `readings` (in any order, `code` may be missing); without a header, of two columns the
    one whose numbers have points is that of the readings. A list has the readings of one key a line.
    """
    table, lines = table_rows(name, sheet)
    rows = {n: row for n, row in table.items() if any(map(str.strip, row)) and not row[0].lstrip().startswith("#")}
    if not rows:
        raise BittingError("the table of readings is empty", hint="write the readings of one key a row")
    for first, row in rows.items():  # titles may stand above the header
        names = [re.sub(r"\W+", "", cell).casefold() for cell in row]
        places = [i for i, cell in enumerate(names) if cell in ("readings", "reading", "measured", "caliper")]
        if places:
            code = next((i for i, cell in enumerate(names) if cell in ("code", "bitting", "cuts")), None)
            keys = [(number, *_key(row, places[0], code)) for number, row in rows.items() if number > first]
            return [key for key in keys if key[2]]
        if any(map(_decimals, row)):
            break
    head = next(iter(rows.values()))
    if len(head) > 2 and not any(map(_decimals, head)):
        hint = "put all readings of a key in one cell, bow to tip, under `readings`, and its code under `code`"
        raise BittingError("no column of the table is called readings", hint=hint)
    if not all(len(row) == 2 and _decimals(row[0]) != _decimals(row[1]) for row in rows.values()):
        lists = lines or {number: " ".join(row).strip() for number, row in rows.items()}
        return [(number, "", line) for number, line in lists.items()]
    order = [(1, 0) if _decimals(row[1]) else (0, 1) for row in rows.values()]
    return [(number, *_key(row, *at)) for (number, row), at in zip(rows.items(), order, strict=True)]


def _key(row: Sequence[str], readings: int, code: int | None) -> tuple[str, str]:
    own, read = (row[at].strip() if at is not None and at < len(row) else "" for at in (code, readings))
    return own, read


def _decimals(text: str) -> bool:
    return re.search(r"\d[.,]\d|\.\d", text) is not None


def _workbook_or_text(name: str, sheet: str | None, *, alone: bool = False) -> tuple[str, str, int] | list[list[str]]:
    """(text, delimiter, number of its first line) of a text file, or the cells of a workbook's sheet; `alone`: the only one."""
    from bitting.files import open_input

    with open_input(name) as (file, size):
        if size > MOST_BYTES:
            raise BittingError(f"{name!r} has {size:,} bytes", hint=f"at most {MOST_BYTES:,} are read")
        head = file.read(4)
        file.seek(0)
        if head in _WORKBOOKS:
            return _sheet(file, sheet, alone)
        if head == b"PAR1":
            raise BittingError(f"{name!r} is a Parquet file", hint="save it as CSV or XLSX")
        if sheet is not None:
            raise BittingError(f"{name!r} is no workbook, so it has no sheet {sheet!r}", hint="leave out --sheet")
        return _text(file)


def _text(file: BinaryIO) -> tuple[str, str, int]:
    from bitting.batch.csv.dialect import carried_blocks, find_form

    form = find_form(file)
    file.seek(0)
    text = form.encoding.read("".join(carried_blocks(file, form.encoding)))
    return (text.split("\n", 1)[-1], form.delimiter, 2) if form.preface else (text, form.delimiter, 1)


def _sheet(file: BinaryIO, wanted: str | None, alone: bool) -> list[list[str]]:
    import python_calamine

    from bitting.batch.output import plain_text
    from bitting.batch.xlsx.guard import find_workbook

    find_workbook(file)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(file)
        names = book.sheet_names
        if wanted is not None and wanted not in names:
            raise BittingError(f"there is no sheet {wanted!r}", hint=f"the sheets are {', '.join(names)}")
        filled: dict[str, list[list[str]]] = {}
        for name in names if wanted is None else [wanted]:
            cells = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
            rows = [[plain_text(cell) for cell in row] for row in cells]
            if any(cell.strip() for row in rows for cell in row):
                filled[name] = rows
    except (python_calamine.CalamineError, OSError) as fault:
        raise BittingError(f"the workbook can't be read: {fault}", hint="save it again as XLSX or CSV") from None
    if not filled:
        raise BittingError("the workbook is empty", hint="name the sheet with --sheet")
    if alone and len(filled) > 1:
        raise BittingError(
            f"{len(filled)} sheets hold something: {', '.join(filled)}", hint="name the one with --sheet"
        )
    return next(iter(filled.values()))
