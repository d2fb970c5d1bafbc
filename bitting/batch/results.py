"""The results of formulas, kept in a workbook that is written again.

A workbook stores each formula with the result it had when it was saved. openpyxl writes formulas alone; until a spreadsheet
opens the answer and calculates, a preview or a script would then see empty cells. Nothing that formulas read has changed, so
what they came to is put back: texts, numbers, dates and truth values (of an error nothing is known but that it is one).
"""

from __future__ import annotations

import datetime
import re
import shutil
import zipfile
from collections.abc import Sequence
from typing import Any, BinaryIO
from xml.sax.saxutils import escape

from bitting.batch.extent import column_number

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
