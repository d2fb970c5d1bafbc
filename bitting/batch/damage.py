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
from collections.abc import Sequence

from attrs import frozen

from bitting.batch.dates import MONTHS, MOST_DIGITS, Typed, date_of
from bitting.batch.judge import Answer, Judge, Verdict
from bitting.model import Track


@frozen
class Damaged:
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


@frozen
class _Place:
    """One cell's place in a code: how its text is judged, and the track it stands for (the first one of several).
    `before` and `after` make a whole code of it."""

    judge: Judge
    track: Track
    cuts: int
    before: str = ""
    after: str = ""

    def answer(self, text: str) -> Answer:
        """What is said of a text in this place."""
        return self.judge.answer(f"{self.before}{text}{self.after}")

    def fits(self, text: str) -> bool:
        """Whether a text has as many cuts as belong here, of depths that the system has."""
        return self.answer(text).canonical is not None


def read_damaged(text: str, judge: Judge, *, columns: bool = False) -> Damaged | None:
    """What a cell that is no code of the system was, None where nothing is known of it; with `columns` a text
    put together from a cell per lane (`bitting.batch.columns.Layout.texts`)."""
    lanes = judge.system.lanes
    if columns:
        return _read_columns(text, judge)
    return _read_one(text, _Place(judge, lanes[0].track, sum(lane.track.cuts for lane in lanes)))


def _read_columns(text: str, judge: Judge) -> Damaged | None:
    """Each cell by itself: the others are taken for right meanwhile."""
    lanes = judge.system.lanes
    names = "|".join(re.escape(track.name) for track in judge.system.tracks)
    found = list(re.finditer(rf"\b(?:{names}): (.*?)(?= / (?:{names}): |\)(?:; |$)|$)", text, re.DOTALL))
    if len(found) != len(lanes):
        return None
    stand_in = [" ".join([lane.track.labels[0]] * lane.track.cuts) for lane in lanes]
    notes, cells, certain, leavings = [], [cell[1] for cell in found], True, False
    for number, (lane, cell) in enumerate(zip(lanes, found, strict=True)):
        around = _put(text, found, [*stand_in[:number], "\0", *stand_in[number + 1 :]]).split("\0")
        one = _read_one(cell[1], _Place(judge, lane.track, lane.track.cuts, *around))
        if one is None:
            continue
        notes.append(f"{lane.label}: {one.note}")
        certain, leavings = certain and one.certain, leavings or (one.leavings and not one.certain)
        cells[number] = one.text if one.certain else cell[1]
    if not notes:
        return None
    return Damaged(_put(text, found, cells) if certain else "", certain, "; ".join(notes), leavings)


def _put(text: str, found: Sequence[re.Match[str]], cells: Sequence[str]) -> str:
    """A text with other cells."""
    parts, at = [], 0
    for place, cell in zip(found, cells, strict=True):
        parts += [text[at : place.start(1)], cell]
        at = place.end(1)
    return "".join([*parts, text[at:]])


def _read_one(text: str, asked: _Place) -> Damaged | None:
    bare = text.strip().replace("\u00a0", " ")
    if not _BEGIN.match(bare):
        return None
    if _ERROR.fullmatch(bare):
        return Damaged("", False, f"the cell holds the spreadsheet's error {bare}")
    if found := _TEXT_FORMULA.fullmatch(bare):
        return _read(found[1], "a formula that holds only a text", asked, text_kept=True)
    if bare.startswith(("'", "’")):
        return _read(bare[1:], "an apostrophe in front, which marks text", asked, text_kept=True)
    decimals, thousands = _DECIMALS.fullmatch(bare), _THOUSANDS.fullmatch(bare)
    if decimals and thousands:
        whole = bare.replace(thousands["by"], "")
        return Damaged("", False, f"{whole} with separators of thousands, or {decimals[1]} with decimals")
    if decimals:
        return _number(decimals[1], "a number with decimals", asked)
    if thousands and thousands["by"] != ",":
        return _number(bare.replace(thousands["by"], ""), "a number with separators of thousands", asked)
    if found := _EXPONENT.fullmatch(bare):
        return _exponent(found, asked)
    if typed := date_of(bare):
        return date_note(typed)
    return _lost_zeros(bare.replace(",", "") if thousands else bare, asked)


def _read(text: str, note: str, asked: _Place, *, text_kept: bool = False) -> Damaged:
    """A cell that is certainly this text. What was a number is a code only with all cuts; a text is what it is."""
    verdict = asked.answer(text).verdict
    if asked.fits(text) or (text_kept and verdict == Verdict.ILLEGAL):
        return Damaged(text, True, f"read as {text}: {note}")
    zeros = None if text_kept else _lost_zeros(text, asked)
    return Damaged("", False, f"{note}: it was {text}" + (f"; {zeros.note}" if zeros else ""))


def _number(text: str, note: str, asked: _Place) -> Damaged:
    """The digits of a number; too many of them are not all there any more."""
    if len(text) > MOST_DIGITS:
        return Damaged("", False, f"{note}, of more than {MOST_DIGITS} digits: the spreadsheet has lost the last ones")
    return _read(text, note, asked)


def _lost_zeros(text: str, asked: _Place) -> Damaged | None:
    """A number that would be a code with zeros in front."""
    if not (text.isascii() and text.isdigit()) or len(text) >= asked.cuts:
        return None
    if "0" not in asked.track.labels or not asked.track.run_together:
        return None
    whole = text.rjust(asked.cuts, "0")
    if not asked.fits(whole):
        return None
    return Damaged(
        whole, False, f"probably {whole}: a number loses the zeros in front; or a cut is missing", leavings=False
    )


def _exponent(found: re.Match[str], asked: _Place) -> Damaged:
    """A number in scientific form: its lost digits are known only where they are written."""
    digits, power = found[1] + (found[2] or ""), int(found[3])
    lost = power + 1 - len(digits)
    if 0 <= power <= 40 and lost >= 0:
        whole = digits + "0" * lost
        if found[2] and lost:
            return Damaged("", False, f"a number in scientific form: of {power + 1} digits the last {lost} are lost")
        if asked.fits(whole):
            return Damaged(whole, False, f"probably {whole}, taken for a number in scientific form")
        return Damaged("", False, f"a number in scientific form: {whole}, or {found[0]} was meant")
    return Damaged("", False, "a number in scientific form")


def date_note(typed: Typed) -> Damaged:
    """What a date may have been typed as; which number was which isn't known."""
    return Damaged("", False, f"a date; it was probably typed as {typed.ways()}")
