"""The words of a rule sentence, and what they name: cuts, depths, tracks, lengths, codes.

>>> scope, sentence = read_words("on left, first cut is one of 1 2")
>>> [word.folded for word in sentence]
['first', 'cut', 'is', 'one', 'of', '1', '2']
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from bitting.errors import Span
from bitting.rules.base import SentenceError

SINGULAR = {
    "cuts": "cut", "depths": "depth", "times": "time", "neighbours": "neighbour", "neighbors": "neighbour",
    "neighbor": "neighbour", "codes": "code", "changes": "change", "differs": "differ", "are": "is", "gets": "get",
    "stands": "stand", "adds": "add", "amounts": "amount", "edges": "edge", "uses": "use", "if": "when",
    "directions": "direction", "sums": "sum",
}  # fmt: skip
NUMBERS = dict(
    zip(
        ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"],
        range(13),
        strict=True,
    )
)


class Word(NamedTuple):
    """A word of a sentence: as written, as compared, and where it stands; `kind` is the grammar's terminal."""

    text: str
    folded: str
    kind: str
    span: Span


class CutAt(NamedTuple):
    """A cut as a sentence names it: counted from 1 from the bow or the tip; `track` is a name or None."""

    number: int
    from_tip: bool
    track: Word | None
    span: Span


class Labels(NamedTuple):
    """Depth labels as written; which places they are depends on the track."""

    words: tuple[Word, ...]


class Names(NamedTuple):
    """A track, a side, or a side and a track."""

    words: tuple[Word, ...]


class CodeText(NamedTuple):
    """A whole code as a sentence writes it; quotes are blanks, so that its characters keep their places."""

    text: str
    span: Span


class Length(NamedTuple):
    """A length with the unit that was written, if any."""

    value: float
    unit: str | None
    text: str


def fold(word: str) -> str:
    """A word as it is compared: case and number don't matter."""
    low = word.casefold()
    return SINGULAR.get(low, low)


def read_words(text: str) -> tuple[list[Word], list[Word]]:
    """Scope words and sentence words of a rule, with their spans. Raises `SentenceError` on what is no word at all."""
    from lark.exceptions import UnexpectedInput

    from bitting.grammars import parser
    from bitting.notation.normalise import normalise

    try:
        tree: Any = parser("rules").parse(normalise(text))
    except UnexpectedInput as fault:
        scope = re.match(r"\s*on\s+[^\W\d]\w*", text, re.IGNORECASE)
        if scope and "," not in text:
            raise SentenceError(
                f"a comma belongs behind {scope[0].strip()!r}",
                hint=f"for example: {scope[0].strip()}, adjacent cuts differ by at most 2",
                text=text,
                span=(scope.end(), scope.end() + 1),
            ) from None
        at = fault.pos_in_stream if isinstance(fault.pos_in_stream, int) else len(text)
        found = f"{text[at]!r}" if 0 <= at < len(text) else "the end"
        raise SentenceError(
            f"a rule is a sentence of words, and {found} doesn't belong here",
            hint="for example: adjacent cuts differ by at most 2",
            text=text,
            span=(max(at, 0), max(at, 0) + 1) if at < len(text) else (len(text), len(text)),
        ) from None
    scope, sentence = tree.children
    words = [_word(t) for t in sentence.children]
    if words[-1].kind == "WORD" and words[-1].text.endswith("."):  # the full stop of the sentence
        start, end = words[-1].span
        words[-1] = _word_of(words[-1].text[:-1], (start, end - 1))
    return [_word(t) for t in (scope.children[:-1] if scope else ())], words


def _word(token: Any) -> Word:
    """A word with its kind: QUOTED, NUMBER (a whole one), COMMA, SIGN or WORD."""
    return _word_of(str(token), (token.start_pos, token.end_pos))


def _word_of(text: str, span: Span) -> Word:
    number = text.isascii() and text.isdecimal()
    kind = "COMMA" if text == "," else "SIGN" if text in ":/=();-" else "NUMBER" if number else "WORD"
    if text[0] in "'\"":
        kind, text = "QUOTED", text[1:-1]
    return Word(text, fold(text), kind, span)
