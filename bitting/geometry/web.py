"""The least metal between two walls that face each other with the blade between them.

One definition for check, lint and plan. Where `[cutting]` states the cutter, the web is what that cutter leaves: it stands
at every cut, and between two neighbouring cuts an end mill runs at the shallower of their depths (so neither the direction
of work nor easing matters); past the last cut it runs out at that cut's depth. A vee makes each cut for itself.

Two walls meet *closest* where a cut faces a cut, or where a cut faces the run between two cuts that it lies over (half a
pitch apart); a run is never deeper than both its cuts, so nothing else can come closer. Distances are exact:

- end mills of radius r stand as far apart as their centres less both radii;
- vees are convex figures with parallel flanks: corner to corner, or flank to flank.

Where the cutter isn't stated, only seats are known: flats of the seat's width at the cuts' own depths.

>>> from bitting.model import Cutting
>>> end_mill = Cutting(cutter=2.4)
>>> round(between(end_mill, along=0.0, across=3.6), 2), round(between(end_mill, along=2.3, across=1.26), 2)
(3.6, 1.92)
>>> round(between(Cutting(seat=0.3), along=2.3, across=1.26), 2)  # no cutter stated: from seat to seat
2.36
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from math import cos, hypot, radians, sin, tan
from typing import NamedTuple

from bitting.geometry.frame import hand_of
from bitting.model import Cutting, Depths, Lane, System, Track

Table = tuple[tuple[float, ...], ...]
EXACT = 1e-9
"""Places nearer than this along the blade are one place."""


class Meeting(NamedTuple):
    """A part of one wall that faces a part of another; a part is a cut, or the run between two (cuts counted from 0).

    A part stands at the shallowest depth of its cuts; `along` is how far the two lie apart along the blade.
    """

    one: tuple[int, ...]
    other: tuple[int, ...]
    along: float


def states_cutter(cutting: Cutting) -> bool:
    """Whether the system says what cutter it is made with."""
    if cutting.shape == "vee":
        return cutting.angle is not None and cutting.root is not None
    return cutting.cutter is not None


def between(cutting: Cutting, along: float, across: float) -> float:
    """The shortest distance between two parts so far apart along and across the blade; 0 or less where they meet."""
    if along < EXACT:
        return across
    if not states_cutter(cutting):
        return hypot(max(0.0, along - (cutting.seat or 0.0)), max(0.0, across))
    if cutting.shape == "round":
        diameter = cutting.cutter or 0.0
        return hypot(along, max(across + diameter, 0.0)) - diameter
    half = radians(cutting.angle or 90.0) / 2
    beside = max(along - (cutting.root or 0.0), 0.0)
    if across >= beside * tan(half):
        return hypot(beside, across)  # corner to corner
    return beside * cos(half) + across * sin(half)  # flank to flank


def meetings(system: System, one: Lane, other: Lane) -> Iterator[Meeting]:
    """Every two parts of the walls of two facing lanes that may come closest; the two may be the same lane.

    Without a cutter only opposite cuts and their neighbours count.
    """
    known, same = states_cutter(system.cutting), one == other
    runs = known and system.cutting.shape == "round"
    towards_tip = 1 if system.stop == "shoulder" else -1
    here, there = ([towards_tip * s for s in lane.track.spaces] for lane in (one, other))
    for i, x in enumerate(here):
        for j in range(i if same else 0, len(there)):
            if not known and abs(i - j) > 1:
                continue
            # past the last cut the run-out goes on at its depth
            out = runs and ((j == len(there) - 1 and x > there[j]) or (i == len(here) - 1 and there[j] > x))
            yield Meeting((i,), (j,), 0.0 if out else abs(x - there[j]))
        if runs and not same:
            for j in range(len(there) - 1):
                if there[j] + EXACT < x < there[j + 1] - EXACT:
                    yield Meeting((i,), (j, j + 1), 0.0)
    if runs and not same:
        for j, x in enumerate(there):
            for i in range(len(here) - 1):
                if here[i] + EXACT < x < here[i + 1] - EXACT:
                    yield Meeting((i, i + 1), (j,), 0.0)


def facing(system: System) -> Iterator[tuple[int, int]]:
    """Lanes whose walls face each other across the blade or a groove; an edge that is cut alike on both faces itself."""
    lanes = system.lanes
    for i, a in enumerate(lanes):
        if a.track.milling == "edge" and system.convenience and len(system.sides) > 1:
            yield i, i
            continue
        for j in range(i + 1, len(lanes)):
            b = lanes[j]
            alike = a.track.milling == b.track.milling and hand_of(system, a) != hand_of(system, b)
            if alike and (a.track.milling == "edge" or a.side == b.side):
                yield i, j


def straight(one: Track, other: Track, width: float) -> Callable[[int, int], float]:
    """What lies straight across between two facing walls, by their depths; less than nothing where they meet."""
    return lambda d, e: one.far_edge(d, width) + other.far_edge(e, width) - width


class Clearance:
    """What stands between two facing walls, by how far two of their parts lie apart along the blade and by their depths."""

    def __init__(self, system: System, one: Lane, other: Lane) -> None:
        self.cutting = system.cutting
        self.across = straight(one.track, other.track, float(system.need("blade.width")))
        self.depths = [range(len(lane.track.depths)) for lane in (one, other)]
        self.nearest = min(self.across(d, e) for d, e in product(*self.depths))
        self._tables: dict[float, Table] = {}

    def least(self, along: float) -> float:
        """With both at their deepest."""
        return between(self.cutting, along, self.nearest)

    def table(self, along: float) -> Table:
        """By the depth of the first part and of the second; evenly spaced cuts lie few different distances apart."""
        key = round(along, 12)
        if key not in self._tables:
            rows, columns = self.depths
            self._tables[key] = tuple(
                tuple(between(self.cutting, along, self.across(d, e)) for e in columns) for d in rows
            )
        return self._tables[key]


def least_web(system: System, depths: Depths) -> float | None:
    """The least metal between any two facing walls of a key, 0 or less where they meet.

    None where the blade's width isn't stated, and for keys without walls that face each other across metal.
    """
    width = system.blade.width
    if width is None:
        return None
    found = []
    for i, j in facing(system):
        one, other = system.lanes[i], system.lanes[j]
        if one.track.milling == "internal":
            continue
        for meeting in meetings(system, one, other):
            a, b = min(depths[i][c] for c in meeting.one), min(depths[j][c] for c in meeting.other)
            found.append(between(system.cutting, meeting.along, straight(one.track, other.track, width)(a, b)))
    return min(found, default=None)
