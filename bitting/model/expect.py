"""A text, a number or None where a value of this package is wanted: said in words, with the function that makes one."""

from __future__ import annotations

from numbers import Real
from typing import TYPE_CHECKING

from bitting.errors import BittingError
from bitting.model.code import Code
from bitting.model.system import MEASURED_FROM, System

if TYPE_CHECKING:
    from bitting.model.readings import Readings

MAKERS = {
    "Code": "`bitting.parse_code(text, system)` makes one",
    "Readings": "`bitting.parse_readings(text, system)` makes one",
    "System": "`bitting.load_system(name or path)` makes one",
    "Integral": "write it as 5",
    "Real": "write it as 0.95; a length is given in the system's unit",
    "Machine": "`bitting.load_machine(path)` makes one",
    "PlaceReading": "`bitting.notation.lengths.parse_place(text, system)` makes one",
    "str": "put it in quotes; a number has lost the zeros in front already",
}


def expect(kind: type, value: object) -> None:
    """Raises BittingError, which names the maker but never repeats a text that may be a secret, for another type."""
    if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
        found = "a text" if isinstance(value, str) else f"a value of type {type(value).__name__}"
        wanted = {"str": "text", "Integral": "whole number", "Real": "number"}.get(kind.__name__, kind.__name__)
        raise BittingError(f"{found} stands where a {wanted} is wanted", hint=MAKERS[kind.__name__])


READ_BY = ("name", "unit", "sides", "convenience", "tracks")
"""What codes and readings are read by: a system that differs in these is another, whatever caliper it is measured with."""


def expect_read_for(value: Code | Readings, system: System) -> None:
    """Raises BittingError for a code or for readings that were read against another system."""
    given = value.system
    if given is not system and any(getattr(given, name) != getattr(system, name) for name in READ_BY):
        what, were = ("the code", "was") if isinstance(value, Code) else ("the readings", "were")
        other = f"{given.name!r}" if given.name != system.name else f"another system called {given.name!r}"
        raise BittingError(
            f"{what} {were} read against {other}, and {system.name!r} is asked",
            hint="parse the text with the system that is asked",
        )


def expect_tolerance(tolerance: float | None, system: System) -> None:
    """Raises BittingError for a tolerance (system's unit) of more than half a step: a cut could pass for two depths."""
    if tolerance is None:
        return
    expect(Real, tolerance)
    if not tolerance > 0:
        raise BittingError(f"a tolerance of {tolerance:g} can't be met", hint="give a length above 0")
    half = system.step / 2
    if tolerance > half:
        wide = (
            f"a tolerance of {tolerance:g} {system.unit} is wider than half a step ({half:.4g}): two depths could pass"
        )
        raise BittingError(wide, hint=f"a length without a unit is in {system.unit}: write 0.05 mm, or 2 thou")


def expect_in_reach(readings: Readings, system: System) -> None:
    """Raises BittingError where no reading is near a depth of its track: measured from elsewhere, what is said of a cut's
    depth would be followed to a spoilt blank."""
    tracks = {track.name: track for track in system.tracks}
    read = [(tracks[cut.track], one.value) for cut in readings.cuts if cut.track in tracks for one in cut.readings]
    if len(read) > 1 and not any(track.ends[0] <= value <= track.ends[1] for track, value in read):
        track, value = read[0]
        raise BittingError(
            f"no reading is near a depth of {system.name}: {track.name} runs from {min(track.depths):g} to "
            f"{max(track.depths):g} {system.unit}, and the first reading is {value:g}",
            hint=f"depths of {track.name} are measured from {MEASURED_FROM[track.measured]} to the floor of the cut",
        )
