"""How far a caliper's jaw stays above the bottom of a cut, from the wall that the plan mills beside it.

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
from math import inf, radians, sqrt, tan

from attrs import evolve, field, frozen

from bitting.model import System, Track

Side = tuple[tuple[tuple[float, ...], ...], ...]
"""side[cut][own depth][neighbour's depth]; one entry where there is no neighbour on that side."""

DIGITS = 12
"""Decimals to which stand-offs are rounded, so that equal ones are equal."""


Rise = Callable[[float, float | None, float, float], float]
"""How far the wall rises at some distance from the middle of a cut.

Own travel, the neighbour's (None: there is none, and the blank begins), distance between the two, distance asked for.
"""


@frozen
class StandOff:
    """What a jaw stands off the bottom of a cut: `most` in the middle of it, `least` where it slid to the best place.

    Which of them nobody knows, so it counts as a rectangular distribution (JCGM 100:2008, 4.3.7).
    """

    least: float = 0.0
    most: float = 0.0

    @property
    def mean(self) -> float:
        """The middle of the two."""
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
    jaw: float
    travels: tuple[float, ...]
    gaps: tuple[float, ...]
    rise: Rise = field(repr=False)
    run_out: bool = False
    """Whether the floor goes on past the last cut to the tip."""

    @property
    def largest(self) -> float:
        """The largest stand-off that any cut can have."""
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
        half = self.jaw / 2
        if min(bow(self.jaw), tip(self.jaw)) <= 0 or most <= 0:
            return StandOff(0.0, most)
        low, high = -half, half  # how far it is moved towards the tip; the rise at its bow end falls, the other grows
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if bow(half - middle) > tip(half + middle) else (low, middle)
        best = max(bow(half - high), tip(half + high))
        return StandOff(min(most, round(best, DIGITS)), most)

    def _beside(self, own: float, neighbour: int | None, gap: int) -> Callable[[float], float]:
        """The rise on one side of a cut by distance from its middle; `gap` is the place of the gap to the neighbour."""
        if neighbour is None and gap >= 0 and self.run_out:
            return lambda distance: 0.0  # noqa: ARG005
        other = None if neighbour is None else self.travels[neighbour]
        apart = inf if neighbour is None else self.gaps[gap]
        return lambda distance: self.rise(own, other, apart, max(distance, 0.0))


def stand_offs(system: System, track: Track, jaw: float, width: float | None = None) -> StandOffs | None:
    """The stand-offs of a jaw of that width; None where the system doesn't say how wide its cutter is.

    `width` is the blade's own as measured, where it isn't the system's: the uncut metal beside the bow begins there.
    """
    cutting = system.cutting
    if width is not None:
        system = evolve(system, blade=evolve(system.blade, width=width))
    if cutting.shape == "vee":
        if cutting.angle is None or cutting.root is None:
            return None
        rise = _vee(cutting.angle, cutting.root, surface_travel(system, track, 0.0))
    elif cutting.cutter is None:
        return None
    else:
        radius = cutting.cutter / 2
        rise = _round(radius, surface_travel(system, track, radius))
    travels = tuple(track.deeper * (dimension - track.depths[0]) for dimension in track.depths)
    gaps = tuple(abs(b - a) for a, b in zip(track.spaces, track.spaces[1:], strict=False))
    run_out = cutting.shape != "vee"

    def table(gap: float | None, floor_goes_on: bool = False) -> tuple[tuple[float, ...], ...]:
        """Stand-offs of one side of one cut, a row per own depth; `gap` None: there is no neighbour on that side."""
        if gap is None:
            return tuple((0.0 if floor_goes_on else round(rise(own, None, inf, jaw / 2), DIGITS),) for own in travels)
        return tuple(tuple(round(rise(own, other, gap, jaw / 2), DIGITS) for other in travels) for own in travels)

    return StandOffs(
        before=tuple(table(gap) for gap in (None, *gaps)),
        after=tuple(table(gap, run_out) for gap in (*gaps, None)),
        jaw=jaw,
        travels=travels,
        gaps=gaps,
        rise=rise,
        run_out=run_out,
    )


def stand_off(system: System, track: Track, depths: Sequence[int], cut: int, jaw: float | None = None) -> StandOff:
    """What a jaw (default: the system's) stands off one cut; nothing without a jaw, or where the cutter isn't stated."""
    width = system.measuring.jaw if jaw is None else jaw
    found = stand_offs(system, track, width) if width else None
    return StandOff() if found is None else found.interval(depths, cut)


def _round(radius: float, surface: float) -> Rise:
    def rise(own: float, other: float | None, gap: float, distance: float) -> float:
        top = surface if other is None else other
        if top >= own:
            return 0.0
        h = min(distance, gap)
        return min(own - top, radius - sqrt(radius**2 - h**2)) if h < radius else own - top

    return rise


def _vee(angle: float, root: float, surface: float) -> Rise:
    flank = 1 / tan(radians(angle / 2))

    def reached(travel: float, distance: float) -> float:
        return travel - flank * max(0.0, abs(distance) - root / 2)

    def rise(own: float, other: float | None, gap: float, distance: float) -> float:
        if other is None:
            return max(0.0, own - max(reached(own, distance), surface))
        meet = ((own - other) / flank + gap) / 2
        h = min(distance, gap) if meet > gap - root / 2 else min(distance, meet)
        return max(0.0, own - max(reached(own, h), reached(other, gap - h), surface))

    return rise


def surface_travel(system: System, track: Track, radius: float) -> float:
    """The travel (how deep from the shallowest depth on, so negative here) at which the blank's metal begins.

    For an external or edge track that is the blank's own edge, or how far that comes `prepared`; where no width is
    stated, one increment before the shallowest depth. An internal groove begins in solid metal: the back of a cutter
    standing at the shallowest depth.
    """
    if track.milling == "internal":
        return -2 * radius
    width, shallowest = system.blade.width, track.depths[0]
    if track.measured == "own-edge":
        own = shallowest
    elif width is None:
        return -system.step
    else:
        own = (width if track.measured == "far-edge" else width / 2) - shallowest
    return min((system.blade.prepared or 0.0) - own, 0.0)
