"""Readings: what a caliper said, cut by cut."""

from __future__ import annotations

from attrs import field, frozen

from bitting.errors import Span
from bitting.model.system import System


@frozen
class Reading:
    """One reading of one cut, in the system's unit.

    `own_sd` is the standard uncertainty that was written with it (half-width of its limits over the square root of 3),
    None where the measurement model's is meant; `digit` is the step of the digits given (0.01 for `7.42`). `share` is what
    one cut has of an instrument's error: ½ where two edges that are cut alike were read together.
    """

    value: float
    own_sd: float | None
    digit: float
    span: Span
    share: float = 1.0


@frozen
class ReadCut:
    """All readings of one cut of one track on one side: `side` is None where no side was named.

    `track` is the track's name, or "across" for readings over two opposite tracks; `cut` counts from 0 at the bow;
    `readings` holds the repeats and is empty for a cut that could not be measured; `place` is the distance along the
    blade measured for it, where one was given. `list_number` tells several lists of one key apart.
    """

    side: str | None
    track: str
    cut: int
    readings: tuple[Reading, ...]
    place: float | None = None
    list_number: int = 0


@frozen
class Readings:
    """What was measured on one key. `unit` is the unit of the text; the values are already in the system's unit."""

    system: System = field(repr=lambda system: system.name)
    text: str = field(repr=False)
    unit: str
    cuts: tuple[ReadCut, ...]
