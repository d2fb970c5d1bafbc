"""Slips of the pen: a reading written down with two digits exchanged, a digit lost or doubled, or the point moved.

>>> slip_of_pen(75.7, 7.55, 0.1), slip_of_pen(7.75, 7.55, 0.1), slip_of_pen(7.1, 7.55, 0.1)
(True, True, False)
"""

from __future__ import annotations

from collections.abc import Iterator


def slip_of_pen(value: float, aim: float, near: float) -> bool:
    """Whether the digits of a reading, with one slip undone, lie within `near` of `aim`."""
    return any(abs(other - aim) <= near for other in undone(f"{value:.4f}".rstrip("0").rstrip(".")))


def undone(text: str) -> Iterator[float]:
    """The numbers that one slip may have made of `text`."""
    digits = text.replace(".", "")
    point = text.index(".") if "." in text else len(text)
    spread = {digits}
    spread |= {digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :] for i in range(len(digits) - 1)}
    doubled = {digits[:i] + digits[i:i + 1] + digits[i:] for i in range(len(digits))}
    fewer = {digits[:i] + digits[i + 1 :] for i in range(len(digits) - 1) if digits[i] == digits[i + 1]}
    for row in spread:
        if row:
            yield from (float(f"{row[:at] or 0}.{row[at:]}") for at in range(len(row) + 1) if row == digits or at == point)
    for row in doubled | fewer:
        if row:
            yield float(f"{row[:point] or 0}.{row[point:]}")
