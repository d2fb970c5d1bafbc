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

import re
import unicodedata
from collections.abc import Callable, Sequence
from functools import cached_property

Span = tuple[int, int]
"""Half-open range of character positions in the text as the user gave it."""


class BittingError(ValueError):
    """The question could not be answered: bad text, bad file, bad option.

    `message` says what is wrong and names the offending value; `hint` says what to do ("" where nothing helps); `text`
    and `span` give the place, and are None where the fault is not in a text. `mending`, where there is one, works out what
    the whole text certainly means, written so that it is read (None: that can't be told).
    """

    def __init__(
        self,
        message: str,
        *,
        hint: str = "",
        text: str | None = None,
        span: Span | None = None,
        mending: Callable[[], str | None] | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        self.text = text
        self.span = span
        self.mending = mending

    @cached_property
    def meant(self) -> str | None:
        """What `mending` finds, looked for once: None where there is nothing to find."""
        return self.mending() if self.mending else None

    def explain(self) -> str:
        """The message, the text with a caret under the place, and the hint, each on lines of its own."""
        parts = [shown(self.message)]
        if self.text is not None and self.span is not None:
            parts.append(point_at(self.text, [self.span]))
        if self.hint:
            parts.append(shown(self.hint))
        return "\n".join(parts)


class NotationError(BittingError):
    """A code or readings text that can't be parsed, or names a side or track that the system doesn't have.

    `ambiguous` is true where it could be read, but in two ways, or could be with other depths.
    """

    def __init__(
        self,
        message: str,
        *,
        hint: str = "",
        text: str | None = None,
        span: Span | None = None,
        ambiguous: bool = False,
    ) -> None:
        super().__init__(message, hint=hint, text=text, span=span)
        self.ambiguous = ambiguous


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


_COMMANDING = (
    r"[\x00-\x09\x0b-\x1f\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u08e2\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    r"\ud800-\udfff\ufeff\ufff9-\ufffb\U000110bd\U000110cd\U00013430-\U0001345f\U0001bca0-\U0001bca3\U0001d173-\U0001d17a"
    r"\U000e0000-\U000e007f]"
)
"""What a terminal obeys or hides instead of showing it: control characters but the line feed (C0, DEL, C1), format
characters (directions, joiners, tags), separators of lines and paragraphs, halves of surrogate pairs (Unicode categories
Cc, Cf, Zl, Zp and Cs). None of them counts as printable."""


def shown(text: str, *, lines: bool = True) -> str:
    r"""The text with every character that a terminal would obey written out; everything shown goes through here.

    A code, a file's name, a column's header come from outside, and may carry commands that clear the screen, set its
    title or turn the line around. Line feeds stay, unless `lines` is false. Doing it twice changes nothing.

    >>> print(shown("2 1\x1b[2J 3\u202e"))
    2 1\x1b[2J 3\u202e
    """
    if text.isprintable():
        return text
    text = re.sub(_COMMANDING, lambda found: found[0].encode("unicode_escape", "surrogatepass").decode("ascii"), text)
    return text if lines else text.replace("\n", "\\n")


_WINDOW = 100
"""Characters of a line that are shown on either side of a mark."""


def point_at(text: str, spans: Sequence[Span], indent: str = "    ") -> str:
    """The lines of `text` that the spans touch, each followed by a line of carets under the spans.

    Wide characters get two carets, so that the marks stay under them in a terminal; tabs count as one blank, and what a
    terminal would obey is written out (`shown`). Of a very long line only the surroundings of the marks are shown.
    """
    out: list[str] = []
    start = 0
    for line in text.split("\n"):
        end = start + len(line)
        marks = [(max(a, start), min(max(b, a + 1), end + 1)) for a, b in spans if a <= end and max(b, a + 1) > start]
        if marks:
            first = max(start, min(a for a, _ in marks) - _WINDOW)
            last = min(end, first + 3 * _WINDOW)
            excerpt = shown(text[first:last].replace("\t", " ").replace("\r", " "))
            before = "…" if first > start else ""
            out.append(f"{indent}{before}{excerpt}{'…' if last < end else ''}")
            under = " " * len(before)
            for position in range(first, last + 1):
                hit = any(a <= position < b for a, b in marks)
                width = _columns(text[position]) if position < end else 1
                under += ("^" if hit else " ") * width
            out.append(indent + under.rstrip())
        start = end + 1
    return "\n".join(out)


def _columns(character: str) -> int:
    if character in "\t\r":
        return 1
    if not character.isprintable() and re.match(_COMMANDING, character):
        return len(shown(character))
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def did_you_mean(word: str, known: Sequence[str], shown: Callable[[str], str] = repr) -> str:
    """`did you mean 'door'? ` in front of a hint, nothing where no known word is close."""
    near = nearest(word, known)
    return f"did you mean {shown(near)}? " if near else ""


def nearest(word: str, known: Sequence[str]) -> str | None:
    """The known word most like `word`, or None when nothing is close."""
    import difflib  # 5 ms that only a wrong word should cost

    folded = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.5)
    return folded[found[0]] if found else None
