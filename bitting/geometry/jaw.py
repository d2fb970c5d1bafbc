"""How far a caliper's jaw stays above the bottom of a cut, from the wall that the plan mills beside it.

A jaw of some width, centred on a cut and lying along the blade, rests on the highest metal under it. On either side of
the cut that depends on the cutter, on the cut's own depth and on its neighbour there, so each side is a table of its own
and the jaw's stand-off is the greater of the two (0: it reaches the bottom).

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
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import inf, radians, sqrt, tan

from attrs import frozen

from bitting.model import System, Track

Side = tuple[tuple[tuple[float, ...], ...], ...]
"""side[cut][own depth][neighbour's depth]; one entry where there is no neighbour on that side."""

DIGITS = 12
"""Decimals to which stand-offs are rounded, so that equal ones are equal."""


@frozen
class StandOffs:
    """Stand-offs of a track in the system's unit, towards the bow (`before`) and towards the tip (`after`) of each cut."""

    before: Side
    after: Side

    @property
    def largest(self) -> float:
        """The largest stand-off that any cut can have."""
        return max(e for side in (self.before, self.after) for rows in side for row in rows for e in row)

    def of(self, depths: Sequence[int], cut: int) -> float:
        """The stand-off at one cut of a whole list of depths (places)."""
        own = depths[cut]
        before = self.before[cut][own][depths[cut - 1] if cut else 0]
        after = self.after[cut][own][depths[cut + 1] if cut + 1 < len(depths) else 0]
        return max(before, after)


def stand_offs(system: System, track: Track, jaw: float) -> StandOffs | None:
    """The stand-offs of a jaw of that width; None where the system doesn't say how wide its cutter is."""
    cutting = system.cutting
    if cutting.shape == "vee":
        if cutting.angle is None or cutting.root is None:
            return None
        rise = _vee(cutting.angle, cutting.root, jaw / 2, surface_travel(system, track, 0.0))
    elif cutting.cutter is None:
        return None
    else:
        radius = cutting.cutter / 2
        rise = _round(radius, jaw / 2, surface_travel(system, track, radius))
    travels = [track.deeper * (dimension - track.depths[0]) for dimension in track.depths]
    gaps = [abs(b - a) for a, b in zip(track.spaces, track.spaces[1:], strict=False)]
    bow = [inf, *gaps]
    tip = [*gaps, inf]
    open_tip = cutting.shape != "vee"
    return StandOffs(
        tuple(_table(rise, travels, gap, alone=i == 0, run_out=False) for i, gap in enumerate(bow)),
        tuple(_table(rise, travels, gap, alone=i == len(gaps), run_out=open_tip) for i, gap in enumerate(tip)),
    )


Rise = Callable[[float, float | None, float], float]
"""How far the wall rises under half the jaw: own travel, the neighbour's (None: there is none), distance between them."""


def _table(
    rise: Rise, travels: Sequence[float], gap: float, *, alone: bool, run_out: bool
) -> tuple[tuple[float, ...], ...]:
    """Stand-offs of one side of one cut. `alone`: it has no neighbour there; `run_out`: the floor goes on in that case."""
    if not alone:
        return tuple(tuple(round(rise(own, other, gap), DIGITS) for other in travels) for own in travels)
    return tuple((0.0 if run_out else round(rise(own, None, gap), DIGITS),) for own in travels)


def _round(radius: float, half: float, surface: float) -> Rise:
    def rise(own: float, other: float | None, gap: float) -> float:
        top = surface if other is None else other
        if top >= own:
            return 0.0
        h = min(half, gap)
        return min(own - top, radius - sqrt(radius**2 - h**2)) if h < radius else own - top

    return rise


def _vee(angle: float, root: float, half: float, surface: float) -> Rise:
    flank = 1 / tan(radians(angle / 2))

    def reached(travel: float, distance: float) -> float:
        return travel - flank * max(0.0, abs(distance) - root / 2)

    def rise(own: float, other: float | None, gap: float) -> float:
        if other is None:
            return max(0.0, own - max(reached(own, half), surface))
        meet = ((own - other) / flank + gap) / 2
        h = min(half, gap) if meet > gap - root / 2 else min(half, meet)
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
