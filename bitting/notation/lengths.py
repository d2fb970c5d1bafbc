"""Lengths and places as options give them: `0.02`, `0.8 thou`, `left 4: 13.95..15.05 mm`.

>>> from bitting.model import Blade, System, Track
>>> left = Track("left", "external", "far-edge", (5.0, 2.5), ("1", "2"), (8.6, 8.1))
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(), (left,))
>>> parse_length("1 thou", system)
0.0254
>>> parse_place("left 2: 1.9..3.3", system)
PlaceReading(values=(1.9, 3.3), track='left', cut=1, sd=None, side=None)
"""

from __future__ import annotations

import re

from attrs import frozen

from bitting.errors import BittingError, nearest
from bitting.model import System
from bitting.notation.readings import UNITS

_NUMBER = r"(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*(mm|in|thou|)\s*", re.IGNORECASE)
_PLACE = re.compile(
    rf"\s*(?:(?P<names>[^:]*?)\s*(?P<cut>[0-9]*)\s*:)?\s*(?P<first>{_NUMBER})(?:\s*\.\.\s*(?P<second>{_NUMBER}))?"
    rf"(?:\s*(?:±|\+-|\+/-)\s*(?P<limits>{_NUMBER}))?\s*(?P<unit>mm|in|thou|)\s*",
    re.IGNORECASE,
)


@frozen
class PlaceReading:
    """A measured place: one distance from the stop, or the distances of both walls; `sd` where a ± was given with it.

    `track` and `cut` (counted from 0) are None for the deep cut of the setup key on the first track, `side` for the first.
    """

    values: tuple[float, ...]
    track: str | None = None
    cut: int | None = None
    sd: float | None = None
    side: str | None = None


def _factor(unit: str, system: System) -> float:
    return system.from_mm(float(UNITS[unit.lower()])) if unit else 1.0


def _value(text: str) -> float:
    return float(text.replace(",", "."))


def parse_length(text: str, system: System) -> float:
    """A length in the system's unit; a unit (mm, in, thou) may follow the number."""
    found = _LENGTH.fullmatch(text)
    if not found:
        raise BittingError(f"{text!r} is no length", hint="give a number, with mm, in or thou behind it if you like")
    return _value(found[1]) * _factor(found[2], system)


def lanes_named(names: str, system: System) -> list[tuple[str | None, str]]:
    """Every (side, track) that words such as `left`, `top`, `top left` or `t l` name, a cut's word between them or not.

    The side is None where the tracks are alike on every side and none was named.
    """
    words = [word for word in names.casefold().split() if word != "cut"]
    for matches in (str.__eq__, str.startswith):
        found = [
            (side, track.name)
            for side in system.sides or (None,)
            for track in system.tracks
            if all(any(matches(name.casefold(), word) for name in (side or "", track.name)) for word in words)
        ]
        if found:
            break
    every_side = len({side for side, _ in found}) == len(system.sides)
    return list(dict.fromkeys((None, track) for _, track in found)) if every_side and not system.sided else found


def parse_place(text: str, system: System) -> PlaceReading:
    """Where a deep cut was measured: `14.52`, both walls `13.95..15.05`, another cut `left 4: 14.52`, limits `±0.03`.

    Distances are from the stop; limits are half-widths, so that their standard uncertainty is a/√3.
    """
    found = _PLACE.fullmatch(text)
    if not found:
        raise BittingError(
            f"{text!r} is no place of a cut",
            hint="give its distance from the stop (`14.52`), both walls (`13.95..15.05`), or the cut too "
            "(`left 4: 14.52`); give --place once for each",
        )
    side, track = None, None
    if found["names"]:
        lanes = lanes_named(found["names"], system)
        tracks = {track for _, track in lanes}
        if len(tracks) != 1:
            near = nearest(found["names"], [*system.sides, *(t.name for t in system.tracks)])
            known = ", ".join(lane.label for lane in system.lanes)
            hint = f"did you mean {near!r}?" if near else f"tracks are {known}"
            raise BittingError(f"{found['names']!r} is no track of {system.name}", hint=hint)
        side, track = lanes[0]
    factor = _factor(found["unit"], system)
    values = tuple(_value(v) * factor for v in (found["first"], found["second"]) if v)
    sd = _value(found["limits"]) * factor / 3**0.5 if found["limits"] else None
    cut = int(found["cut"]) - 1 if found["cut"] else None
    if cut == -1:
        raise BittingError(f"{text!r}: cuts are numbered from 1 at the bow", hint="write the number of the deep cut")
    return PlaceReading(values, track, cut, sd, side)
