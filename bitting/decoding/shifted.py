"""Readings moved by a known amount before they are decoded, and answers moved back.

What is known of the shared error beforehand (a caliper's zero, a blade that is narrower than the system says) is taken
off the readings of each track; the decoder then sees readings whose shared error is centred on 0. The range in which
simply wrong readings lie moves along with them. In the answer readings, thresholds and the offset are given as they were
read, so that a locksmith finds the caliper's figures again.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve

from bitting.decoding.result import CutResult, Deciding, Decoded, Next, Offset
from bitting.decoding.witness import ACROSS
from bitting.model import Readings


def shift_readings(readings: Readings, amounts: Mapping[str, float]) -> Readings:
    """The readings less `amounts` (track, or `across`, to length in the system's unit)."""
    if not any(amounts.values()):
        return readings
    cuts = []
    for cut in readings.cuts:
        less = amounts.get(cut.track, 0.0)
        moved = tuple(evolve(reading, value=reading.value - less) for reading in cut.readings)
        cuts.append(evolve(cut, readings=moved))
    return evolve(readings, cuts=tuple(cuts))


def shift_back(result: Decoded, amounts: Mapping[str, float], offset_mean: float) -> Decoded:
    """The answer in terms of what was read; `offset_mean` is the part of the amounts that is offset."""
    if not any(amounts.values()):
        return result
    return evolve(
        result,
        offset=Offset(result.offset.mean + offset_mean, result.offset.sd),
        cuts=tuple(_cut(cut, amounts.get(cut.track, 0.0)) for cut in result.cuts),
        measure_next=tuple(_next(following, amounts.get(following.track, 0.0)) for following in result.measure_next),
    )


def _cut(cut: CutResult, amount: float) -> CutResult:
    reading = None if cut.reading is None else cut.reading + amount
    return evolve(cut, reading=reading, values=tuple(value + amount for value in cut.values))


def _next(following: Next, amount: float) -> Next:
    def back(limit: float | None) -> float | None:
        return None if limit is None else limit + amount

    return evolve(following, deciding=tuple(Deciding(d.depth, back(d.low), back(d.high)) for d in following.deciding))


def offset_amounts(readings: Readings, mean: float) -> dict[str, float]:
    """What an offset of `mean` adds to a reading of each track, and to one across two of them."""
    system = readings.system
    amounts = {track.name: mean for track in system.tracks}
    if system.measuring.across is not None:
        amounts[ACROSS] = 2 * mean * system.measuring.across.scale
    return amounts
