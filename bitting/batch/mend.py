"""What spreadsheets do to codes, and how far that can be undone.

A program for tables takes a code for a number, a date or a formula and writes it its own way. Where only one code can have
been meant, the cell is read as that code and the answer says so; otherwise the row stays bad and the answer says what
it probably was. Nothing is guessed silently.

| the cell | the code | certain |
| --- | --- | --- |
| `'2133` | an apostrophe marks text | yes |
| `="2133"` | a formula that only holds a text | yes |
| `2133.0`, `2133,00` | a number with decimals that are nothing | yes, up to fifteen digits |
| `2.133.144`, `2'133'144`, `2 133 144` | separators of thousands | yes, when the cuts are then as many as the key has |
| `213.000` | separators of thousands, or decimals that are nothing | no |
| `213` for `0213` | leading zeros were lost | no: a cut may as well be missing |
| `2.13314E+13` | digits were lost | no |
| `1E5` | an exponent was read, or written | no |
| `2001-03-02`, `3/2/2001`, `02-Mar` | a date was made of `2-1-3` or the like | no |
| `#N/A`, `#REF!` | an error of the spreadsheet | no |
"""

from __future__ import annotations

import re

from attrs import frozen

from bitting.batch.doubt import MONTHS, MOST_DIGITS, Typed, date_of
from bitting.batch.judge import Judge, Verdict


@frozen
class Mended:
    """What a cell was read as, or probably was; `note` says what happened to it. `text` is "" where nothing is known.
    `leavings`: what stands there is no code that somebody wrote, with a slip or without."""

    text: str
    certain: bool
    note: str
    leavings: bool = True


_BEGIN = re.compile(rf"[#='’\d]|{MONTHS}", re.IGNORECASE)
_ERROR = re.compile(r"#(?:N/A|REF!|VALUE!|DIV/0!|NAME\?|NUM!|NULL!|SPILL!|CALC!|GETTING_DATA)", re.IGNORECASE)
_TEXT_FORMULA = re.compile(r'="([^"]*)"')
_DECIMALS = re.compile(r"(\d+)[.,]0+")
_EXPONENT = re.compile(r"(\d)(?:[.,](\d+))?[eE]([+-]?\d+)")
_THOUSANDS = re.compile(r"[1-9]\d{0,2}(?P<by>[.,'’])\d{3}(?:(?P=by)\d{3})*")


def mend(text: str, judge: Judge) -> Mended | None:
    """What a cell that is no code of the system was, None where nothing is known of it."""
    bare = text.strip().replace("\u00a0", " ")
    if not _BEGIN.match(bare):
        return None
    if _ERROR.fullmatch(bare):
        return Mended("", False, f"the cell holds the spreadsheet's error {bare}")
    if found := _TEXT_FORMULA.fullmatch(bare):
        return _read(found[1], "a formula that holds only a text", judge, text_kept=True)
    if bare.startswith(("'", "’")):
        return _read(bare[1:], "an apostrophe in front, which marks text", judge, text_kept=True)
    decimals, thousands = _DECIMALS.fullmatch(bare), _THOUSANDS.fullmatch(bare)
    if decimals and thousands:
        whole = bare.replace(thousands["by"], "")
        return Mended("", False, f"{whole} with separators of thousands, or {decimals[1]} with decimals")
    if decimals:
        return _number(decimals[1], "a number with decimals", judge)
    if thousands and thousands["by"] != ",":
        return _number(bare.replace(thousands["by"], ""), "a number with separators of thousands", judge)
    if found := _EXPONENT.fullmatch(bare):
        return _exponent(found, judge)
    if typed := date_of(bare):
        return date_note(typed)
    return lost_zeros(bare.replace(",", "") if thousands else bare, judge)


def _read(text: str, note: str, judge: Judge, *, text_kept: bool = False) -> Mended:
    """A cell that is certainly this text. What was a number is a code only with all cuts; a text is what it is."""
    verdict = judge.answer(text).verdict
    if fits(text, judge) or (text_kept and verdict == Verdict.ILLEGAL):
        return Mended(text, True, f"read as {text}: {note}")
    zeros = None if text_kept else lost_zeros(text, judge)
    return Mended("", False, f"{note}: it was {text}" + (f"; {zeros.note}" if zeros else ""))


def _number(text: str, note: str, judge: Judge) -> Mended:
    """The digits of a number; too many of them are not all there any more."""
    if len(text) > MOST_DIGITS:
        return Mended("", False, f"{note}, of more than {MOST_DIGITS} digits: the spreadsheet has lost the last ones")
    return _read(text, note, judge)


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
    return Mended(
        whole, False, f"probably {whole}: a number loses the zeros in front; or a cut is missing", leavings=False
    )


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


def date_note(typed: Typed) -> Mended:
    """What a date may have been typed as; which number was which isn't known."""
    return Mended("", False, f"a date; it was probably typed as {typed.ways()}")
