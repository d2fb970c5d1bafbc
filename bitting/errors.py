"""Errors that a user can cause, with the place in the text and what to do about it.

Every one derives from `BittingError`, a `ValueError`. It carries the four things a person needs to mend a slip: what is
wrong (`message`), what to do (`hint`), the text it was found in (`text`) and where in it (`span`).

>>> fault = BittingError("'x' is no depth", hint="depths are 1 to 5", text="2 1 x 3", span=(4, 5))
>>> print(fault.explain())
'x' is no depth
    2 1 x 3
        ^
depths are 1 to 5
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

Span = tuple[int, int]
"""Half-open range of character positions in the text as the user gave it."""


class BittingError(ValueError):
    """The question could not be answered: bad text, bad file, bad option.

    `message` says what is wrong and names the offending value; `hint` says what to do ("" where nothing helps); `text`
    and `span` give the place, and are None where the fault is not in a text.
    """

    def __init__(self, message: str, *, hint: str = "", text: str | None = None, span: Span | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        self.text = text
        self.span = span

    def explain(self) -> str:
        """The message, the text with a caret under the place, and the hint, each on lines of its own."""
        parts = [self.message]
        if self.text is not None and self.span is not None:
            parts.append(point_at(self.text, [self.span]))
        if self.hint:
            parts.append(self.hint)
        return "\n".join(parts)


class NotationError(BittingError):
    """A code or readings text that can't be parsed, or names a side or track that the system doesn't have."""


class SystemFileError(BittingError):
    """A system file that can't be used; `faults` lists every fault found, one line each."""

    def __init__(self, message: str, *, faults: Sequence[str] = (), hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.faults = tuple(faults)


class TooLargeError(BittingError):
    """A code space whose diagram would pass the node budget; `rule` is the sentence that blows it up."""

    def __init__(self, message: str, *, rule: str, hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.rule = rule


_WINDOW = 100
"""Characters of a line that are shown on either side of a mark."""


def point_at(text: str, spans: Sequence[Span], indent: str = "    ") -> str:
    """The lines of `text` that the spans touch, each followed by a line of carets under the spans.

    Wide characters get two carets, so that the marks stay under them in a terminal; tabs count as one blank. Of a very
    long line only the surroundings of the marks are shown.
    """
    out: list[str] = []
    start = 0
    for line in text.split("\n"):
        end = start + len(line)
        marks = [(max(a, start), min(max(b, a + 1), end + 1)) for a, b in spans if a <= end and max(b, a + 1) > start]
        if marks:
            first = max(start, min(a for a, _ in marks) - _WINDOW)
            last = min(end, first + 3 * _WINDOW)
            shown = text[first:last].replace("\t", " ").replace("\r", " ")
            before = "…" if first > start else ""
            out.append(f"{indent}{before}{shown}{'…' if last < end else ''}")
            under = " " * len(before)
            for position in range(first, last + 1):
                hit = any(a <= position < b for a, b in marks)
                width = _columns(text[position]) if position < end else 1
                under += ("^" if hit else " ") * width
            out.append(indent + under.rstrip())
        start = end + 1
    return "\n".join(out)


def _columns(character: str) -> int:
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def nearest(word: str, known: Sequence[str]) -> str | None:
    """The known word most like `word`, or None when nothing is close."""
    import difflib  # 5 ms that only a wrong word should cost

    folded = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.5)
    return folded[found[0]] if found else None
