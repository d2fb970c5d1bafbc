"""A blank narrower than its system says, or worn at the edges: what the measured blade width takes off the readings.

A far-edge value runs from the wall to the opposite full edge. The wall stands where the machine put it, reckoned from the
middle of the blade; an edge that lies `(nominal - measured)/2` further in makes the value smaller by as much. That both
edges give the same is an assumption (a blank narrower on one side is what the left-right difference of the measurement
model is for). Readings across two tracks don't touch the edges; own-edge and centre values are left as they are.
"""

from __future__ import annotations

from bitting.errors import BittingError
from bitting.model import System

MOST = 0.1
"""A blade off by more than this share of its width isn't this system's."""


def width_amounts(system: System, width: float) -> dict[str, float]:
    """Track -> what a blade of this width (system's unit) adds to its readings: negative where it is narrow.

    Raises BittingError where the file states no width or this can't be the width of one of its blades.
    """
    nominal: float = system.need("blade.width")
    if not abs(width - nominal) <= MOST * nominal:
        raise BittingError(
            f"a blade {width:g} {system.unit} wide is none of {system.name!r}, whose blades are {nominal:g} wide",
            hint="measure the blade where it isn't cut, and give its width in the system's unit",
        )
    half = (width - nominal) / 2
    return {track.name: half if track.measured == "far-edge" else 0.0 for track in system.tracks}


def width_note(system: System, width: float) -> str:
    """What was done with the width, for people."""
    amounts = width_amounts(system, width)
    used = [
        name
        for name, amount in amounts.items()
        if next(t for t in system.tracks if t.name == name).measured == "far-edge"
    ]
    if not used:
        how = {track.measured.replace("-", " ") for track in system.tracks}
        return f"the measured width changes nothing: {system.name} measures from the {' or '.join(sorted(how))}"
    half = amounts[used[0]]
    others = [name for name in amounts if name not in used]
    left_out = f"; {' and '.join(others)} not measured from the far edge, unchanged" if others else ""
    return (
        f"the blade is {width:g} {system.unit} wide, not {system.need('blade.width'):g}: "
        f"readings of {' and '.join(used)} are taken {abs(half):.4g} {'shorter' if half < 0 else 'longer'} than on a "
        f"full blade, both edges alike{left_out}"
    )
