"""What a cell of a workbook says when it should be a code: a text, or why it is none.

Numbers are read as they are shown: a whole number by its digits, with the zeros in front where its format says so. Dates,
times, truth values, errors and formulas without a stored result are no codes; what they probably were is said.
"""

from __future__ import annotations

import datetime
import re
from typing import Any

from attrs import frozen

from bitting.batch.doubt import MOST_DIGITS, Typed
from bitting.batch.mend import date_note

_OTHERWISE = re.compile(r'"[^"]*[1-9][^"]*"|\\[1-9]|%|[0#?],+(?:$|[.;])')
"""Formats that show other digits than the number's: some of their own, or those of a multiple."""


@frozen
class CodeCell:
    """A cell as a code's text; `fault` says why it is none, and is "" otherwise."""

    text: str
    fault: str = ""


def code_cell(value: Any, number_format: str = "") -> CodeCell:
    """A cell's value, as a reader of workbooks gives it, as the text of a code."""
    if value is None:
        return CodeCell("")
    if isinstance(value, str):
        return CodeCell(value)
    if isinstance(value, bool):
        return CodeCell("", f"the cell holds {'TRUE' if value else 'FALSE'}")
    if isinstance(value, (int, float)):
        return _number(value, number_format)
    if isinstance(value, (datetime.datetime, datetime.date)):
        return CodeCell("", date_note(Typed(value.year, value.month, value.day)).note)
    if isinstance(value, datetime.time):
        return CodeCell("", f"a time of day; it was probably typed as {value.hour}:{value.minute:02d}")
    return CodeCell("", f"the cell holds {value}, which is no code")


def _number(value: float, number_format: str) -> CodeCell:
    if value != int(value) if abs(value) < 1e300 else True:
        return CodeCell(repr(value))
    if abs(value) >= 10**MOST_DIGITS:
        return CodeCell("", f"a number of more than {MOST_DIGITS} digits: the spreadsheet has lost the last ones")
    text = str(int(value))
    if _OTHERWISE.search(number_format):
        return CodeCell("", f"the number {text} is shown as another one, in the format {number_format}")
    if value and not value % 10 and re.search("E[+-]", number_format, re.IGNORECASE):
        short = text.rstrip("0")
        return CodeCell("", f"a number in scientific form: {text}, or {short}E{len(text) - len(short)} was meant")
    shown = re.fullmatch(r'"?(0+)"?', number_format.split(";")[0])
    return CodeCell(text.rjust(len(shown[1]), "0") if shown else text)


def plain_text(value: Any) -> str:
    """Any cell as text, for headers and for tables without types."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 10**MOST_DIGITS:
        return str(int(value))
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return str(value)
