"""Codes that are read as they stand, and yet may be what a spreadsheet made of another one.

`2001-03-02` is a code of eight cuts and a date; a number of more than fifteen digits that ends in zeros may have lost its last
cuts. The verdict is that of the code as it is written, and the row gets a remark: neither is guessed silently. Dates with two
figures for the year are taken for codes in groups; spreadsheets seldom write them so.
"""

from __future__ import annotations

import re

from attrs import frozen

MOST_DIGITS = 15
"""Spreadsheets keep so many digits of a number."""
MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
DATE = re.compile(
    rf"(?P<y>\d{{4}})[-./](?P<m>\d\d?)[-./](?P<d>\d\d?)(?:[ T]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?"
    rf"|(?P<a>\d\d?)[-./](?P<b>\d\d?)[-./](?P<c>\d{{4}})"
    rf"|(?P<day>\d\d?)[-. ](?P<mon>{MONTHS})[a-z]*(?:[-. ](?P<yr>\d\d|\d{{4}}))?"
    rf"|(?P<mon2>{MONTHS})[a-z]*[-. ](?P<day2>\d\d?)",
    re.IGNORECASE,
)
_GROUPS = re.compile(r"[a-z\d]{1,4}[-./ ][a-z\d]{1,4}(?:[-./ ][a-z\d]{1,4})?", re.IGNORECASE)

_BETWEEN = re.compile(r"\s*[:;()]\s*|\s+/\s+")
"""What stands between the lists of a code, but not inside of a date."""


@frozen
class Typed:
    """A date's parts; `year` is 0 where there is none."""

    year: int
    month: int
    day: int

    def ways(self) -> str:
        """What may have been typed for a spreadsheet to make this date of it."""
        year, month, day = self.year % 100, self.month, self.day
        last = f"-{year}" if self.year else ""
        ways = [f"{day}-{month}{last}", f"{month}-{day}{last}"]
        if self.year and year <= 31:
            ways.append(f"{year}-{month}-{day}")
        return " or ".join(dict.fromkeys(ways))


def date_of(text: str) -> Typed | None:
    """A text as the date that a spreadsheet writes like this, None where it is none."""
    found = DATE.fullmatch(text)
    if found is None:
        return None
    parts = found.groupdict()
    if parts["y"]:
        year, month, day = int(parts["y"]), int(parts["m"]), int(parts["d"])
    elif parts["c"]:
        year, month, day = int(parts["c"]), int(parts["b"]), int(parts["a"])
        if month > 12:
            month, day = day, month
    else:
        month = MONTHS.split("|").index((parts["mon"] or parts["mon2"])[:3].lower()) + 1
        day, year = int(parts["day"] or parts["day2"]), int(parts["yr"] or 0)
    return Typed(year, month, day) if 1 <= month <= 12 and 1 <= day <= 31 else None


def in_groups(text: str) -> bool:
    """Whether texts of this shape may be dates, or have one in one of their lists."""
    return any(_GROUPS.fullmatch(cell) for cell in _BETWEEN.split(text.strip()))


def ambiguous(text: str) -> str:
    """What is to be said of a code that a spreadsheet may have made of another; "" for all others."""
    return next(filter(None, map(_ambiguous, _BETWEEN.split(text.strip()))), "")


def _ambiguous(bare: str) -> str:
    typed = date_of(bare) if in_groups(bare) else None
    if typed is not None:
        return f"advice: read as it stands, but it is a date too, and was then probably typed as {typed.ways()} [date]"
    digits = bare.replace(",", "")
    lost = len(digits) - MOST_DIGITS
    if lost > 0 and digits.isdigit() and digits.endswith("0" * lost):
        zeros = "zero at the end stands" if lost == 1 else f"{lost} zeros at the end stand"
        return (
            f"advice: read as it stands, but a spreadsheet keeps {MOST_DIGITS} digits of a number: perhaps the {zeros} for "
            "lost cuts [long-number]"
        )
    return ""
