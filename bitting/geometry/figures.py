"""Figures of a system file that no key can have: tables that run the wrong way, walls off the blade, sizes of another unit.

Anything that is said of a code of such a system would be wrong, so it is not loaded for use; `systems lint` and `show` look
at it all the same.

>>> from bitting.model import Blade
>>> left = Track("left", "external", "far-edge", (2.5, 5.0), ("1", "2"), (8.6, 8.1))
>>> wrong = System("wren", "", "", "mm", "tip", (), False, Blade(width=10.0), (left,))
>>> [fault.code for fault in faults_of(wrong)]
['spaces-reversed']
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from bitting.model import System, Track

EXACT = 1e-9
"""A figure that is exactly at a limit passes, whatever its last binary digit."""

SIZES_MM = {
    "the blade's width": (2.0, 40.0),
    "the blade's thickness": (0.3, 15.0),
    "the milling depth": (0.05, 10.0),
    "the cutter": (0.2, 20.0),
    "the distance between neighbouring cuts": (0.3, 20.0),
    "the distance from the stop to a cut": (0.0, 150.0),
    "the step between neighbouring depths": (0.02, 5.0),
}
"""From what to what a size of a key can be, generously (common practice): past it a decimal point or the unit is wrong."""


class Fault(NamedTuple):
    """One fault: the lint's code for it, and a sentence."""

    code: str
    message: str


def reversed_depths(track: Track) -> bool:
    """Whether the first depth of the table lies deeper than the last, by how the track is milled and measured."""
    away = track.depths[-1] > track.depths[0] if track.measured == "own-edge" else track.depths[-1] < track.depths[0]
    return away == (track.milling == "internal")


def reversed_spaces(stop: str, track: Track) -> bool:
    """Whether the spaces, which are listed bow to tip, run against the stop."""
    return len(track.spaces) > 1 and (track.spaces[-1] > track.spaces[0]) != (stop == "shoulder")


def faults_of(system: System) -> tuple[Fault, ...]:
    """Every fault of the figures by themselves; rules and codes are not looked at."""
    return (*_order(system), *_sizes(system), *_off_blade(system))


def _order(system: System) -> Iterator[Fault]:
    for track in system.tracks:
        if reversed_depths(track):
            first, last = track.labels[0], track.labels[-1]
            yield Fault(
                "depths-reversed",
                f"the depth table of {track.name} runs from deep to shallow: with {track.milling} milling measured from "
                f"{_FROM[track.measured]}, {first} = {track.depths[0]:g} is deeper than {last} = {track.depths[-1]:g}; "
                f"list the shallowest first, or mend `milling` or `measured`",
            )
        if reversed_spaces(system.stop, track):
            goes = "grow" if system.stop == "shoulder" else "shrink"
            row = f"{track.spaces[0]:g} … {track.spaces[-1]:g}"
            yield Fault(
                "spaces-reversed",
                f"the spaces of {track.name} run against the stop: cuts are listed from bow to tip, so distances from the "
                f"{system.stop} {goes}, and these go {row}",
            )


_FROM = {"far-edge": "the far edge", "own-edge": "its own edge", "centre": "the centre"}


def _sizes(system: System) -> Iterator[Fault]:
    blade = system.blade
    found = [
        ("the blade's width", blade.width),
        ("the blade's thickness", blade.thickness),
        ("the milling depth", blade.mill_depth),
        ("the cutter", system.cutting.cutter),
    ]
    for track in system.tracks:
        found += [("the distance between neighbouring cuts", abs(b - a)) for a, b in pairwise(track.spaces)]
        found += [("the distance from the stop to a cut", space) for space in track.spaces]
        found += [("the step between neighbouring depths", abs(b - a)) for a, b in pairwise(track.depths)]
    told = set()
    for what, value in found:
        low, high = SIZES_MM[what]
        if value is None or what in told or low - EXACT <= system.in_mm(value) <= high + EXACT:
            continue
        told.add(what)
        yield Fault(
            "size-odd",
            f"{what} is {value:g} {system.unit}, and no key has that (from {system.from_mm(low):.3g} to "
            f"{system.from_mm(high):.3g} {system.unit}): look at the decimal point and at `unit`",
        )


def _off_blade(system: System) -> Iterator[Fault]:
    width = system.blade.width
    for track in system.tracks:
        if width is None or reversed_depths(track):
            continue
        off = []
        for depth, label in enumerate(track.labels):
            own = width - track.far_edge(depth, width)
            # An external or edge wall at the very edge is no cut at all; a groove's wall there has no metal behind it.
            outside = own < EXACT if track.milling == "internal" else own < -EXACT
            if outside or own > width - EXACT:
                off.append(f"{label} ({system.in_own(own)} from its edge)")
        if off:
            yield Fault(
                "off-blade",
                f"{track.name}: on a blade of {system.in_own(width)} there is no wall for depth {', '.join(off)}",
            )
