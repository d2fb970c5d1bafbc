"""Readings in a workbook: the sheet that holds them as its reader sees it, and the columns added beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from bitting.batch.cells import code_cell, plain_text
from bitting.batch.readings import ReadRow
from bitting.batch.readings_layout import ReadingsLayout
from bitting.batch.sheets import clean
from bitting.errors import BittingError

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


def add_columns(page: Any, layout: ReadingsLayout, rows: Sequence[ReadRow]) -> None:
    """The five columns beside a sheet's table, bad verdicts coloured."""
    from openpyxl.styles import PatternFill
    from openpyxl.utils import get_column_letter

    right = page.max_column
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
