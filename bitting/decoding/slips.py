"""Slips of the pen: a reading written down with two digits exchanged, a digit lost or too many, or the point moved.

>>> slip_of_pen("75.7", 7.57, 0.06, 2), slip_of_pen("7.75", 7.57, 0.06, 2), slip_of_pen("7.6", 7.16, 0.06, 2)
(True, True, True)
>>> slip_of_pen("7.10", 7.57, 0.06, 2)
False
"""

from __future__ import annotations

from collections.abc import Iterator


def slip_of_pen(text: str, aim: float, near: float, decimals: int) -> bool:
    """Whether the digits of a reading, with one slip undone, lie within `near` of `aim`.

    `decimals` is how many the readings of the key are written with.
    """
    return any(abs(other - aim) <= near for other in _undone(text, decimals))


def exchanged(text: str) -> Iterator[float]:
    """The numbers that `text` becomes when two neighbouring digits are exchanged."""
    digits, own = text.replace(".", ""), len(text.partition(".")[2])
    for i in range(len(digits) - 1):
        yield int(digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :]) / 10.0**own


def _undone(text: str, decimals: int) -> Iterator[float]:
    """The numbers that one slip may have made of `text`."""
    digits, own = text.replace(".", ""), len(text.partition(".")[2])

    def number(row: str, places: int) -> float:
        return float(int(row or "0") / 10.0**places)

    yield from exchanged(text)
    for places in range(len(digits) + 1):
        if places != own:
            yield number(digits, places)
    if own < decimals:  # a digit was lost
        for i in range(len(digits) + 1):
            for lost in "0123456789":
                yield number(digits[:i] + lost + digits[i:], own + 1)
    elif own > decimals or len(digits) - own > 1:  # there is one too many
        for i in range(len(digits)):
            yield number(digits[:i] + digits[i + 1 :], decimals)
