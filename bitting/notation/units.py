"""Units of readings, and readings whose unit can't be meant.

A caliper switched to the other unit, or a point left out, makes every reading wrong by a factor of 25 and more; that is
told from a worn or foreign key by the readings as a whole. Single wrong readings are none of this module's business:
the measurement model expects them.
"""

from __future__ import annotations

from decimal import Decimal

from bitting.errors import NotationError
from bitting.model import MM_PER_INCH, Reading, Readings, System, Track

UNITS: dict[str, Decimal] = {
    "mm": Decimal(1),
    "in": Decimal(str(MM_PER_INCH)),
    "thou": Decimal(str(MM_PER_INCH)) / 1000,
}
"""Unit -> millimetres."""

ACROSS = "across"
MARGIN = 3
"""A reading is far outside when it lies more than so many increments beyond its depth table."""
ABSURD = 4
"""No key is so many times as large as the largest dimension of its system."""


def check_plausible(readings: Readings, *, named: bool) -> None:
    """Raise NotationError when the unit can't be meant; `named` says whether the text itself names it.

    That is when more than half of the readings are far outside the depth tables in their unit while at least half of
    them would be inside in another, or when four of five are larger than any key of the system could be.
    """
    system = readings.system
    values = [(cut.track, reading) for cut in readings.cuts for reading in cut.readings]
    if not values:
        return
    windows = _windows(system)
    share = {unit: _inside(values, windows, float(UNITS[unit] / UNITS[readings.unit])) for unit in UNITS}
    if share[readings.unit] >= 0.5:
        return
    best = max(share, key=lambda unit: share[unit])
    scale = UNITS[system.unit] / UNITS[readings.unit]
    table = ", ".join(_table(track, readings.unit, scale) for track in system.tracks)
    if share[best] >= 0.5:
        raise NotationError(
            f"these readings are far outside the depth table in {readings.unit} ({table}), but fit it in {best}",
            hint=f"write {best} instead of {readings.unit}" if named else f"write the unit behind a reading: … {best}",
            text=readings.text,
            span=values[0][1].span,
        )
    largest = max(system.blade.width or 0.0, *(max(track.depths) for track in system.tracks))
    absurd = [reading for _, reading in values if reading.value > ABSURD * largest]
    if 5 * len(absurd) >= 4 * len(values):
        raise NotationError(
            f"no key is as large as these readings in {readings.unit}; the depth table has {table}",
            hint="is a decimal point missing, or is this another system's key?",
            text=readings.text,
            span=absurd[0].span,
        )


def _inside(values: list[tuple[str, Reading]], windows: dict[str, tuple[float, float]], scale: float) -> float:
    """The share of the readings that would lie in their windows were they `scale` times as large."""
    inside = 0
    for track, reading in values:
        low, high = windows[track]
        inside += low <= reading.value * scale <= high
    return inside / len(values)


def _windows(system: System) -> dict[str, tuple[float, float]]:
    """Per track (and `across`): what a reading may be without being far outside, in the system's unit.

    Towards zero the window also ends at a quarter of the smallest dimension: three increments below a table that begins
    near zero would take in every reading made in inches.
    """
    out: dict[str, tuple[float, float]] = {}
    for track in system.tracks:
        margin = MARGIN * max((abs(b - a) for a, b in zip(track.depths, track.depths[1:], strict=False)), default=0.0)
        low, high = min(track.depths), max(track.depths)
        out[track.name] = max(low - margin, min(low, low / 4)), high + margin
    across = system.measuring.across
    if across:
        first, second = (out[name] for name in across.tracks)
        ends = sorted(across.scale * (a + b) + across.amount for a, b in zip(first, second, strict=True))
        out[ACROSS] = ends[0], ends[1]
    return out


def _table(track: Track, unit: str, scale: Decimal) -> str:
    """The depth table's ends in `unit`, as people are told of it."""
    places = {"mm": 2, "in": 4, "thou": 1}[unit]
    ends = (float(Decimal(repr(depth)) * scale) for depth in (track.depths[0], track.depths[-1]))
    return f"{track.name}: " + " to ".join(f"{end:.{places}f}" for end in ends)
