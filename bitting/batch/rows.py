"""What is said of one row: its four cells, and what they are made of."""

from __future__ import annotations

from attrs import frozen

from bitting.batch.judge import Answer, Verdict
from bitting.batch.suggest import Suggestion

FORMULA = frozenset("=+-@\t\r")


def safe(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula: what would begin like one gets an apostrophe in front."""
    return "'" + cell if cell and cell[0] in FORMULA else cell


@frozen
class Row:
    """The four added cells of one row."""

    verdict: str
    canonical: str = ""
    findings: str = ""
    suggestion: str = ""

    @property
    def cells(self) -> tuple[str, str, str, str]:
        """The cells in the order of the columns."""
        return self.verdict, self.canonical, self.findings, self.suggestion


@frozen
class Heard:
    """A text that something is to be said about: the text it was read as, the answer, what a spreadsheet did to it."""

    text: str
    answer: Answer
    note: str = ""
    mended: bool = False
    probably: str = ""
    """The legal code that it probably was before."""
    leavings: bool = False
    """Whether what stands there is only what was left of the code."""
    doubt: str = ""

    @property
    def opened(self) -> bool:
        """Whether the nearest legal code is to be looked for."""
        return self.answer.verdict == Verdict.ILLEGAL and not self.leavings

    def row(self, suggested: Suggestion | None = None) -> Row:
        """The cells."""
        answer, note, words = self.answer, self.note, self.answer.message
        suggestion, change = suggested or (self.probably, "")
        if self.doubt:
            words = f"{self.doubt}; {words}" if words else self.doubt
        if note and not self.mended:  # what the spreadsheet did says more than what the leavings of it lack
            words = " ".join([note, *(f"[{rule}]" for rule in answer.rules)])
        elif note:
            words = f"{note}; {words}" if words else note
        if change:
            words = f"{words}; likeliest slip: {change}" if words else f"likeliest slip: {change}"
        return Row(answer.verdict.word, safe(answer.canonical or ""), safe(words), safe(suggestion))
