"""Go and no-go of every cut before anything is measured: what the caliper may show.

They are the limits of `inspect` for a key read a given number of times, cut by cut: between the two values of `go` the mean
reading passes; past the first value of `no_go` the cut is surely too shallow (recut), past the second surely too deep
(scrap). In between it is too close to tell. Jaw, caliper, hand and guard are allowed for as `inspect` does.

>>> from bitting.model import Blade, Measuring, System, Track, code_of
>>> left = Track("left", "external", "far-edge", (5.0, 2.5), ("1", "2"), (8.6, 8.1))
>>> figures = Measuring(tolerance=0.05, reading_sd=0.01)
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(), (left,), measuring=figures)
>>> cut = limits(code_of(system, [[0, 1]]), system).cuts[1]
>>> [round(value, 3) for value in (*cut.go, *cut.no_go)]
[8.067, 8.133, 8.167, 8.033]
"""

from __future__ import annotations

from attrs import evolve, frozen

from bitting.machine.inspect.decision import Guard
from bitting.machine.inspect.inspection import inspect
from bitting.machine.inspect.uncertainty import Gauge
from bitting.model import Code, ReadCut, Reading, Readings, System
from bitting.model.value import Answer, Value

DIGIT_MM = 0.01
"""The step that the readings are taken to be given in."""


@frozen
class CutLimits(Value):
    """Limits of one cut in the system's unit; cuts are numbered from 1 at the bow.

    `go` is the least and the greatest mean reading that passes (None: at this uncertainty none does); `no_go` the readings
    past which it is surely too shallow, and surely too deep. `verdict` is None: nothing was measured.
    """

    track: str
    cut: int
    depth: str
    nominal: float
    go: tuple[float, float] | None
    no_go: tuple[float, float]
    side: str | None = None
    verdict: None = None


@frozen
class Limits(Answer):
    """The limits of every cut for `repeats` readings of it; lengths in the system's unit.

    `readings_needed` is how many readings give every cut that can be proven a `go` (None: no cut can be).
    """

    system: str
    unit: str
    repeats: int
    tolerance: float
    guard: str
    cuts: tuple[CutLimits, ...]
    verdict: None = None
    readings_needed: int | None = None


def limits(
    code: Code,
    system: System,
    repeats: int = 1,
    *,
    gauge: Gauge = Gauge(),  # noqa: B008 - a frozen value
    guard: Guard = Guard(),  # noqa: B008
    tolerance: float | None = None,
) -> Limits:
    """What `repeats` readings (1 or more) of each cut may show; raises BittingError as `inspect` does."""
    stated = gauge if gauge.hand != "repeats" else evolve(gauge, hand=None)
    found = inspect(code, nominal(code, system, repeats), system, gauge=stated, guard=guard, tolerance=tolerance)
    return Limits(
        system=system.name,
        unit=system.unit,
        repeats=repeats,
        tolerance=found.tolerance,
        guard=found.guard,
        cuts=tuple(
            CutLimits(c.track, c.cut, c.depth, c.nominal, c.window, (c.recut_from or 0.0, c.scrap_from or 0.0), c.side)
            for c in found.cuts
        ),
        readings_needed=found.readings_needed,
    )


def nominal(code: Code, system: System, repeats: int, *, each_side: bool = False) -> Readings:
    """Readings on the nominal depths, so many of each cut; of every side, where that is wanted, though all are cut alike."""
    sides = system.sides if each_side or system.sided else ()
    digit, depths = system.from_mm(DIGIT_MM), code.depths or ()
    cuts = (
        ReadCut(side, track.name, cut, (Reading(track.depths[place], None, digit, (0, 0)),) * repeats)
        for side in (sides or (None,) if depths else ())
        for track in system.tracks
        for cut, place in enumerate(depths[system.lane_of(side, track.name)])
    )
    return Readings(system, "", system.unit, tuple(cuts))
