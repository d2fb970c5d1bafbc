"""How far a caliper's jaw, or a ball or pin, stays above the bottom of a cut, from the wall that the plan mills beside it.

A jaw of some width, centred on a cut and lying along the blade, rests on the highest metal under it. On either side of
the cut that depends on the cutter, on the cut's own depth and on its neighbour there, so each side is a table of its own
and the stand-off of a jaw in the middle of the cut is the greater of the two (0: it reaches the bottom).

A jaw needn't stand in the middle. Where metal rises on one side only, it can slide away from it, and what it stands off is
somewhere between 0 and that; where metal rises on both sides alike, it stands off by all of it wherever it is put.
`StandOffs.interval` says both ends; that is what `inspect`, `align` and `decode` reckon with.

- End mill of radius r, milled through from cut to cut with square steps: towards a neighbour at least as deep the floor
  goes on; towards a shallower one it rises along the cutter's arc, r - √(r² - h²) at the distance h, up to the
  neighbour's level. Beside the first cut, on the bow side, nothing was milled: the arc rises to the blank's surface. At
  the tip the last cut is run out.
- Vee of included angle α with a flat root: every cut is milled for itself, so its flank rises by (h - root/2) / tan(α/2)
  until it meets its neighbour's flank, the neighbour's flat or the blank's surface.

A ball or a pin's round end of radius R (`contact`) is as high at the distance h from its middle as R - √(R² - h²), and rests
where the wall rises most above that. It touches the floor inside a wider cutter's arc; a smaller arc, a flank or a wall holds
it up at a point that is known exactly: the corner where the wall ends, or where a flank or an arc has the ball's own slope.

Only the cuts next to it are looked at: a jaw that reaches past the middle of a neighbour is taken to end there.

>>> from bitting.model import Blade, Cutting, System, Track
>>> left = Track("left", "external", "far-edge", (5.0, 2.5), ("1", "2"), (8.6, 8.1))
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(10.0), (left,), cutting=Cutting(cutter=2.4, seat=0.3))
>>> found = stand_offs(system, left, jaw=0.5)
>>> [[round(e, 4) for e in row] for row in found.after[0]]  # cut 1, a row per own depth, an entry per depth of cut 2
[[0.0, 0.0], [0.0263, 0.0]]
>>> both, one = found.interval((1, 0), 0), found.interval((0, 1), 1)  # between the uncut bow and a shallower cut; run out
>>> [round(e, 4) for e in (both.least, both.most, one.least, one.most)]
[0.0263, 0.0263, 0.0, 0.0263]
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import inf, radians, sqrt, tan

from attrs import field, frozen

from bitting.geometry.frame import surface_travel
from bitting.model import System, Track

Side = tuple[tuple[tuple[float, ...], ...], ...]
"""side[cut][own depth][neighbour's depth]; one entry where there is no neighbour on that side."""

DIGITS = 12
"""Decimals to which stand-offs are rounded, so that equal ones are equal."""


Rise = Callable[[float, float | None, float, float], float]
"""How far the wall rises at some distance from the middle of a cut, and after that: it never falls.

Own travel, the neighbour's (None: there is none, and the blank begins), distance between the two, distance asked for.
"""


@frozen
class Wall:
    """The wall beside a cut: its rise, the distance at which that ends (own travel, neighbour's, distance between), and its
    form below: an arc of some radius, or a flank of some slope."""

    rise: Rise
    end: Callable[[float, float | None, float], float]
    arc: float = 0.0
    slope: float = 0.0


Rest = Callable[[float, float | None, float, float], float]
"""How high the wall on one side holds the contact, its middle moved so far away from that side. Own travel, the neighbour's and
the distance between the two come first, as of a `Rise`."""


@frozen
class StandOff:
    """What a jaw stands off the bottom of a cut: `most` in the middle of it, `least` where it slid to the best place.

    Which of them nobody knows, so it counts as a rectangular distribution (JCGM 100:2008, 4.3.7).
    """

    least: float = 0.0
    most: float = 0.0

    @property
    def mean(self) -> float:
        return (self.least + self.most) / 2

    @property
    def sd(self) -> float:
        """Standard uncertainty of a value that lies somewhere between the two."""
        return (self.most - self.least) / sqrt(12)


@frozen
class StandOffs:
    """Stand-offs of a track in the system's unit, towards the bow (`before`) and towards the tip (`after`) of each cut."""

    before: Side
    after: Side
    half: float
    travels: tuple[float, ...]
    gaps: tuple[float, ...]
    rest: Rest = field(repr=False)
    run_out: bool = False
    """Whether the floor goes on past the last cut to the tip."""

    @property
    def largest(self) -> float:
        return max(e for side in (self.before, self.after) for rows in side for row in rows for e in row)

    def of(self, depths: Sequence[int], cut: int) -> float:
        """The stand-off at one cut of a whole list of depths (places), the jaw in the middle of the cut."""
        own = depths[cut]
        before = self.before[cut][own][depths[cut - 1] if cut else 0]
        after = self.after[cut][own][depths[cut + 1] if cut + 1 < len(depths) else 0]
        return max(before, after)

    def interval(self, depths: Sequence[int], cut: int) -> StandOff:
        """What the jaw stands off at one cut of a whole list of depths, wherever in the cut it is put."""
        own, most = self.travels[depths[cut]], self.of(depths, cut)
        bow = self._beside(own, depths[cut - 1] if cut else None, cut - 1)
        tip = self._beside(own, depths[cut + 1] if cut + 1 < len(depths) else None, cut)
        half = self.half
        if min(bow(-half), tip(-half)) <= 0 or most <= 0:
            return StandOff(0.0, most)
        low, high = -half, half  # how far it is moved towards the tip; the rise at its bow end falls, the other grows
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if bow(middle) > tip(-middle) else (low, middle)
        best = max(bow(high), tip(-high))
        return StandOff(min(most, round(best, DIGITS)), most)

    def _beside(self, own: float, neighbour: int | None, gap: int) -> Callable[[float], float]:
        """What one side of a cut holds the contact up by, moved so far away from it; `gap` is that to the neighbour."""
        if neighbour is None and gap >= 0 and self.run_out:
            return lambda away: 0.0  # noqa: ARG005
        other = None if neighbour is None else self.travels[neighbour]
        apart = inf if neighbour is None else self.gaps[gap]
        return lambda away: self.rest(own, other, apart, away)


def stand_offs(system: System, track: Track, jaw: float, contact: float = 0.0) -> StandOffs | None:
    """The stand-offs of a jaw of that width, or of a ball or pin of the radius `contact` (then `jaw` isn't looked at).

    None where the system doesn't say how wide its cutter is.
    """
    cutting = system.cutting
    if cutting.shape == "vee":
        if cutting.angle is None or cutting.root is None:
            return None
        wall = _vee(cutting.angle, cutting.root, surface_travel(system, track, 0.0))
    elif cutting.cutter is None:
        return None
    else:
        wall = _round(cutting.cutter / 2, surface_travel(system, track, cutting.cutter / 2))
    rest = _ball(wall, contact) if contact else _flat(wall, jaw / 2)
    travels = tuple(track.deeper * (dimension - track.depths[0]) for dimension in track.depths)
    gaps = tuple(abs(b - a) for a, b in zip(track.spaces, track.spaces[1:], strict=False))
    run_out = cutting.shape != "vee"

    def table(gap: float | None, floor_goes_on: bool = False) -> tuple[tuple[float, ...], ...]:
        """Stand-offs of one side of one cut, a row per own depth; `gap` None: there is no neighbour on that side."""
        if gap is None:
            return tuple((0.0 if floor_goes_on else round(rest(own, None, inf, 0.0), DIGITS),) for own in travels)
        return tuple(tuple(round(rest(own, other, gap, 0.0), DIGITS) for other in travels) for own in travels)

    return StandOffs(
        before=tuple(table(gap) for gap in (None, *gaps)),
        after=tuple(table(gap, run_out) for gap in (*gaps, None)),
        half=contact or jaw / 2,
        travels=travels,
        gaps=gaps,
        rest=rest,
        run_out=run_out,
    )


def stand_off(system: System, track: Track, depths: Sequence[int], cut: int, jaw: float | None = None) -> StandOff:
    """What the contact stands off one cut: a jaw of that width, or by default the system's jaw or round contact.

    Nothing without one, or where the cutter isn't stated.
    """
    contact = (system.measuring.contact or 0.0) if jaw is None else 0.0
    width = (system.measuring.jaw or 0.0) if jaw is None else jaw
    found = stand_offs(system, track, width, contact=contact) if width or contact else None
    return StandOff() if found is None else found.interval(depths, cut)


def contact_said(system: System, jaw: float | None = None) -> str:
    """What reads the system's keys: `a jaw of 0.5 mm`, `a round contact of radius 0.8 mm`, `a knife edge`."""
    if jaw is None and system.measuring.contact:
        return f"a round contact of radius {system.measuring.contact:g} {system.unit}"
    width = system.measuring.jaw if jaw is None else jaw
    return f"a jaw of {width:g} {system.unit}" if width else "a knife edge"


def too_wide(system: System, jaw: float | None = None) -> str:
    """What is to be said of a contact wider than two pitches; nothing of others."""
    contact = system.measuring.contact if jaw is None else None
    width = 2 * contact if contact else system.measuring.jaw if jaw is None else jaw
    gaps = [abs(b - a) for track in system.tracks for a, b in pairwise(track.spaces)]
    if not width or not gaps or width <= 2 * min(gaps):
        return ""
    return (
        f"{contact_said(system, jaw)} is wider than two pitches: only what the cuts next to each one keep it from is "
        "reckoned with, and such readings may be of no use"
    )


def _flat(wall: Wall, half: float) -> Rest:
    """A flat jaw: its end is the first to touch."""
    return lambda own, other, gap, away: wall.rise(own, other, gap, max(half - away, 0.0))


def _ball(wall: Wall, radius: float) -> Rest:
    """A ball: the wall may hold it at its corner, at the ball's side or middle, or where both have one slope."""
    even = radius * wall.slope / sqrt(1 + wall.slope**2)  # where the ball is as steep as a flank

    def rest(own: float, other: float | None, gap: float, away: float) -> float:
        touched = [wall.end(own, other, gap), radius - away, -away, even - away]
        if wall.arc > radius:  # inside the arc, the ball's middle and the arc's are in line with the point of contact
            touched.append(-away * wall.arc / (wall.arc - radius))
        found = 0.0
        for at in touched:
            side = min(abs(at + away), radius) if abs(at + away) <= radius + 1e-12 else None
            if at >= 0 and side is not None:
                found = max(found, wall.rise(own, other, gap, at) - radius + sqrt(radius**2 - side**2))
        return found

    return rest


def _round(radius: float, surface: float) -> Wall:
    def rise(own: float, other: float | None, gap: float, distance: float) -> float:
        top = surface if other is None else other
        if top >= own:
            return 0.0
        h = min(distance, gap)
        return min(own - top, radius - sqrt(radius**2 - h**2)) if h < radius else own - top

    def end(own: float, other: float | None, gap: float) -> float:
        up = own - (surface if other is None else other)
        return 0.0 if up <= 0 else min(gap, radius if up >= radius else sqrt(radius**2 - (radius - up) ** 2))

    return Wall(rise, end, arc=radius)


def _vee(angle: float, root: float, surface: float) -> Wall:
    flank = 1 / tan(radians(angle / 2))

    def reached(travel: float, distance: float) -> float:
        return travel - flank * max(0.0, abs(distance) - root / 2)

    def rise(own: float, other: float | None, gap: float, distance: float) -> float:
        if other is None:
            return max(0.0, own - max(reached(own, distance), surface))
        h = min(distance, end(own, other, gap))
        return max(0.0, own - max(reached(own, h), reached(other, gap - h), surface))

    def end(own: float, other: float | None, gap: float) -> float:
        edge = root / 2 + max(own - surface, 0.0) / flank
        if other is None:
            return edge
        meet = ((own - other) / flank + gap) / 2
        flat = root / 2 + (own - other) / flank  # where the neighbour's flat begins, if its own flank isn't met before
        return max(min(flat if meet > gap - root / 2 else meet, edge, gap), 0.0)

    return Wall(rise, end, slope=flank)
