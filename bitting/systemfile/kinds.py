"""What one value of a system file may be: small readers, each of which says what it allows.

A reader takes what TOML gave and returns the value the program works with, or raises `Wrong` with the sentence that
says what is allowed. It knows nothing of tables or files: the caller adds the place and what was found.

>>> number("a length", above=0)(7)
7.0
>>> number("a length", above=0)(True)
Traceback (most recent call last):
    ...
bitting.systemfile.kinds.Wrong: a length greater than 0
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Any

Read = Callable[[Any], Any]
"""From a TOML value to the value worked with; raises `Wrong`."""

RESERVED = ("across", "both", "bow", "from", "in", "mm", "thou", "tip")
"""Words of the notation, which can't name a side or a track."""

_WORD = re.compile("[A-Za-z0-9_À-ÖØ-öø-ɏͰ-ͳͶͷͻ-ͽͿΆΈ-ΊΌΎ-ΡΣ-ϵϷ-ҁҊ-ԯḀ-ỿ]+")
"""What the notation reads as one word (`WORD` in `grammars/common.lark`): a name or label must be one."""

MOST_CUTS = 1000
MOST_TEXT = 2000


class Wrong(ValueError):
    """The value is not allowed; the text says what is. `item` is the place of the culprit where the value is a list."""

    def __init__(self, allowed: str, item: int | None = None) -> None:
        super().__init__(allowed)
        self.item = item


def describe(value: Any, most: int = 40) -> str:
    """A TOML value as it is told to the person who wrote it: short, on one line, with its type where that is the fault.

    >>> describe(True), describe("a\\nb"), describe([1, 2]), describe({"a": 1})
    ('the truth value true', '"a\\\\nb"', 'a list of 2', 'a table')
    """
    if isinstance(value, bool):
        return f"the truth value {str(value).lower()}"
    if isinstance(value, str):
        inner = value if len(value) <= most else value[: most - 1] + "…"
        return '"' + inner.encode("unicode_escape").decode("ascii") + '"' if not inner.isprintable() else f'"{inner}"'
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a very large whole number"
    if isinstance(value, int | float):
        return str(value)
    if isinstance(value, list):
        return f"a list of {len(value)}" if value else "an empty list"
    return "a table" if isinstance(value, dict) else "a date or time"


def one_of(*options: str) -> Read:
    """One of these words, exactly."""
    allowed = " | ".join(f'"{option}"' for option in options)

    def read(value: Any) -> str:
        if not isinstance(value, str) or value not in options:
            raise Wrong(allowed)
        return value

    return read


def number(
    what: str,
    *,
    above: float | None = None,
    least: float | None = None,
    below: float = math.inf,
    most: float = math.inf,
) -> Read:
    """A finite number, whole or not, within limits; a truth value is none."""
    limits = [
        f"{word} {limit:g}"
        for word, limit in (("greater than", above), ("at least", least), ("less than", below), ("at most", most))
        if limit is not None and limit != math.inf
    ]
    allowed = what + (" " + " and ".join(limits) if limits else "")

    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Wrong(allowed)
        if isinstance(value, int) and abs(value) >= 10**15:
            raise Wrong(allowed)
        result = float(value)
        if not math.isfinite(result) or (above is not None and not result > above):
            raise Wrong(allowed)
        if (least is not None and result < least) or result >= below or result > most:
            raise Wrong(allowed)
        return result

    return read


def whole(what: str, least: int, most: int) -> Read:
    """A whole number within limits, written as one: `7`, not `7.0`."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise Wrong(f"{what} from {least} to {most}")
        return value

    return read


def truth(value: Any) -> bool:
    """`true` or `false`."""
    if not isinstance(value, bool):
        raise Wrong("true | false")
    return value


def text(value: Any) -> str:
    """Some text on one line."""
    if not isinstance(value, str) or not value.strip() or len(value) > MOST_TEXT or not value.isprintable():
        raise Wrong(f"some text on one line, at most {MOST_TEXT} characters")
    return value


def sentences(value: Any) -> tuple[str, ...]:
    """A list of texts: the rules."""
    if not isinstance(value, list):
        raise Wrong('a list of sentences, such as ["adjacent cuts differ by at most 2"]')
    for i, item in enumerate(value):
        if not isinstance(item, str):
            raise Wrong('a sentence, such as "adjacent cuts differ by at most 2"', i)
    return tuple(value)


def is_word(name: str) -> bool:
    """Whether the notation can read it as one word that starts with a letter."""
    return len(name) <= 40 and _WORD.fullmatch(name) is not None and name[0].isalpha()


def word(value: Any) -> str:
    """A name for a side or a track."""
    if not isinstance(value, str) or not is_word(value):
        raise Wrong("one word of letters, digits and _, that starts with a letter")
    if value.casefold() in RESERVED:
        raise Wrong(f"a word that the notation does not use itself; {', '.join(RESERVED)} can't be names")
    return value


def words(value: Any) -> tuple[str, ...]:
    """A list of names, each different from the others whatever its capitals."""
    if not isinstance(value, list) or not value:
        raise Wrong('a list of names, such as ["top", "bottom"]')
    for i, item in enumerate(value):
        try:
            name = word(item)
        except Wrong as wrong:
            raise Wrong(str(wrong), i) from None
        if name.casefold() in {other.casefold() for other in value[:i]}:
            raise Wrong("names that differ by more than capitals", i)
    return tuple(value)


def system_name(value: Any) -> str:
    """A name that a command line can take without quotes, and that is no path."""
    if not isinstance(value, str) or not is_word(value.replace("-", "_")):
        raise Wrong("one word of letters, digits, - and _, that starts with a letter")
    return value


def is_label(label: str) -> bool:
    """Whether the notation can read it as a depth; the word `from` would be taken for its own."""
    return len(label) <= 20 and _WORD.fullmatch(label) is not None and label.casefold() != "from"


def names(values: Sequence[str]) -> str:
    """Names in a row, as they are told to people.

    >>> names(["left", "right"])
    'left, right'
    """
    return ", ".join(values)
