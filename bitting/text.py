"""Words that every part says the same way: a share in per cent, a number of things, the name of a cut, things in a row.

It stands below all that speaks: rules and lint write their own messages, a table its cells, a report its lines.

>>> percent(0.9996), percent(1.0), percent(0.0004), percent(0.0)
('99.9 %', '100 %', '<0.1 %', '0.0 %')
>>> plural(1, "cut"), plural(1200, "cut"), plural(2, "key", "keys of one code")
('1 cut', '1,200 cuts', '2 keys of one code')
>>> cut_name("top", "left", 3), cut_name(None, None, 3)
('top left 3', '3')
>>> listed(["1", "2", "3"]), listed(["1"]), in_runs([1, 2, 3, 5])
('1, 2 and 3', '1', [(1, 3), (5, 5)])
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from math import floor

DIGITS = {"mm": 3, "in": 4, "thou": 1}
"""Decimals of a length, one more than a caliper shows; the last digit that means anything."""


def percent(share: float) -> str:
    """A share or probability, rounded down: nothing uncertain reads as 100 %, nothing possible as 0.0 %."""
    if 0 < share < 0.001:
        return "<0.1 %"
    return f"{floor(share * 1000) / 10:.1f} %" if share < 1 else "100 %"


def plural(number: int, one: str, many: str | None = None) -> str:
    """`1 cut`, `3 cuts`; `many` where an s at the end is not enough."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def cut_name(side: str | None, track: str | None, cut: int | str) -> str:
    """`top left 3`; None leaves the side or the track out."""
    return " ".join(filter(None, (side, track, str(cut))))


def listed(items: Sequence[object]) -> str:
    """`a, b and c`."""
    *most, last = map(str, items)
    return f"{', '.join(most)} and {last}" if most else last


def fewer_decimals(cuts: Sequence[str]) -> str:
    """What is said of cuts with a reading of fewer decimals than the others have."""
    are = f"{listed(cuts)} {'are' if len(cuts) > 1 else 'is'}"
    return f"{are} written with fewer decimals, and taken to be read no finer: write the zeros that the caliper showed (7.40)"


def in_runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """The first and the last of each run of whole numbers that follow one another."""
    groups = groupby(enumerate(sorted(numbers)), lambda pair: pair[1] - pair[0])
    runs = ([number for _, number in group] for _, group in groups)
    return [(run[0], run[-1]) for run in runs]
