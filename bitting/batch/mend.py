"""What spreadsheets do to codes, and how far that can be undone.

A program for tables takes a code for a number, a date or a formula and writes it its own way. Where only one code can have
been meant, the cell is read as that code and the answer says so; otherwise the row stays bad and the answer says what
it probably was. Nothing is guessed silently.

| the cell | the code | certain |
| --- | --- | --- |
| `'2133` | an apostrophe marks text | yes |
| `="2133"` | a formula that only holds a text | yes |
| `2133.0`, `2133,00` | a number with decimals that are nothing | yes |
| `2.133.144`, `2'133'144`, `2 133 144` | separators of thousands | yes, when the cuts are then as many as the key has |
| `213` for `0213` | leading zeros were lost | no: a cut may as well be missing |
| `2.13314E+13` | digits were lost | no |
| `1E5` | an exponent was read, or written | no |
| `2001-03-02`, `3/2/2001`, `02-Mar` | a date was made of `2-1-3` or the like | no |
| `#N/A`, `#REF!` | an error of the spreadsheet | no |
"""

from __future__ import annotations

import re

from attrs import frozen

from bitting.batch.judge import Judge


@frozen
class Mended:
    """What a cell was read as, or probably was; `note` says what happened to it. `text` is "" where nothing is known."""

    text: str
    certain: bool
    note: str


_MONTH = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_DATE = re.compile(
    rf"(?P<y>\d{{4}})[-./](?P<m>\d\d?)[-./](?P<d>\d\d?)(?:[ T]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?"
    rf"|(?P<a>\d\d?)[-./](?P<b>\d\d?)[-./](?P<c>\d{{4}})"
    rf"|(?P<day>\d\d?)[-. ](?P<mon>{_MONTH})[a-z]*(?:[-. ](?P<yr>\d\d|\d{{4}}))?"
    rf"|(?P<mon2>{_MONTH})[a-z]*[-. ](?P<day2>\d\d?)",
    re.IGNORECASE,
)
_BEGIN = re.compile(rf"[#='’\d]|{_MONTH}", re.IGNORECASE)
_ERROR = re.compile(r"#(?:N/A|REF!|VALUE!|DIV/0!|NAME\?|NUM!|NULL!|SPILL!|CALC!|GETTING_DATA)", re.IGNORECASE)
_TEXT_FORMULA = re.compile(r'="([^"]*)"')
_DECIMALS = re.compile(r"(\d+)[.,]0+")
_EXPONENT = re.compile(r"(\d)(?:[.,](\d+))?[eE]([+-]?\d+)")
_THOUSANDS = re.compile(r"\d{1,3}(?P<by>[.'’])\d{3}(?:(?P=by)\d{3})*")


def mend(text: str, judge: Judge) -> Mended | None:
    """What a cell that is no code of the system was, None where nothing is known of it."""
    bare = text.strip().replace("\u00a0", " ")
    if not _BEGIN.match(bare):
        return None
    if _ERROR.fullmatch(bare):
        return Mended("", False, f"the cell holds the spreadsheet's error {bare}")
    for pattern, note in ((_TEXT_FORMULA, "a formula that holds only a text"), (_DECIMALS, "a number with decimals")):
        found = pattern.fullmatch(bare)
        if found:
            return _read(found[1], note, judge)
    if bare.startswith(("'", "’")):
        return _read(bare[1:], "an apostrophe in front, which marks text", judge)
    if found := _THOUSANDS.fullmatch(bare):
        return _read(bare.replace(found["by"], ""), "a number with separators of thousands", judge)
    if found := _EXPONENT.fullmatch(bare):
        return _exponent(found, judge)
    if found := _DATE.fullmatch(bare):
        return _date(found)
    return lost_zeros(bare, judge)


def _read(text: str, note: str, judge: Judge) -> Mended:
    """A cell that is certainly this text; a code only when the text is one."""
    if fits(text, judge):
        return Mended(text, True, f"read as {text}: {note}")
    zeros = lost_zeros(text, judge)
    return Mended("", False, f"{note}: it was {text}" + (f"; {zeros.note}" if zeros else ""))


def fits(text: str, judge: Judge) -> bool:
    """Whether a text is a code with as many cuts as the key has, of depths that the system has."""
    return judge.answer(text).canonical is not None


def lost_zeros(text: str, judge: Judge) -> Mended | None:
    """A number that would be a code with zeros in front."""
    lanes = judge.system.lanes
    cuts = sum(lane.track.cuts for lane in lanes)
    if not (text.isascii() and text.isdigit()) or len(text) >= cuts:
        return None
    if "0" not in lanes[0].track.labels or not all(lane.track.run_together for lane in lanes):
        return None
    whole = text.rjust(cuts, "0")
    if not fits(whole, judge):
        return None
    return Mended(whole, False, f"probably {whole}: a number loses the zeros in front; or a cut is missing")


def _exponent(found: re.Match[str], judge: Judge) -> Mended:
    """A number in scientific form: its lost digits are known only where they are written."""
    digits, power = found[1] + (found[2] or ""), int(found[3])
    lost = power + 1 - len(digits)
    if 0 <= power <= 40 and lost >= 0:
        whole = digits + "0" * lost
        if found[2] and lost:
            return Mended("", False, f"a number in scientific form: of {power + 1} digits the last {lost} are lost")
        if fits(whole, judge):
            return Mended(whole, False, f"probably {whole}, taken for a number in scientific form")
        return Mended("", False, f"a number in scientific form: {whole}, or {found[0]} was meant")
    return Mended("", False, "a number in scientific form")


def _date(found: re.Match[str]) -> Mended | None:
    """What was typed before the spreadsheet made a date of it; which number was which isn't known."""
    parts = found.groupdict()
    if parts["y"]:
        year, month, day = int(parts["y"]), int(parts["m"]), int(parts["d"])
    elif parts["c"]:
        year, month, day = int(parts["c"]), int(parts["b"]), int(parts["a"])
        if month > 12:
            month, day = day, month
    else:
        month = _MONTH.split("|").index((parts["mon"] or parts["mon2"])[:3].lower()) + 1
        day, year = int(parts["day"] or parts["day2"]), int(parts["yr"] or 0)
    if not (1 <= month <= 12 and 1 <= day <= 31):
        return None
    return date_note(year, month, day)


def date_note(year: int, month: int, day: int) -> Mended:
    """What a date may have been typed as."""
    last = f"-{year % 100}" if year else ""
    ways = [f"{day}-{month}{last}", f"{month}-{day}{last}"]
    if year and day <= 31 and year % 100 <= 31:
        ways.append(f"{year % 100}-{month}-{day}")
    unique = list(dict.fromkeys(ways))
    return Mended("", False, f"a date; it was probably typed as {' or '.join(unique)}")
