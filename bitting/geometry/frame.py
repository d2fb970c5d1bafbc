"""Where things are on a blade: along it, across it, and how deep.

Three numbers say where a cut is, and this module turns each into the others. Nothing here knows of codes or moves.

- **along**: x grows from bow to tip. x = 0 is the stop: the shoulder, or the tip (then every x on the blade is
  negative). A space of the system file is the distance from the stop, so x = distance at a shoulder and x = -distance
  at a tip.
- **travel**: how far the wall has gone into the metal, 0 at the shallowest depth, growing deeper whichever way the
  depth table runs: travel = deeper * (dimension - shallowest dimension). The uncut edge of the blank lies at a
  negative travel, `surface`.
- **across**: y from the left edge (0) to the right edge (width), seen from bow to tip with the face up. A `far-edge`
  dimension runs to the opposite full edge, `own-edge` from the track's own edge, `centre` from the middle line.
  Internal tracks have their metal outboard of the wall, external and edge tracks inboard. On keys cut on their edges
  the first side is drawn as the left edge and the second as the right one.

Lengths are in the unit of the system. A blade's length is in no system file: where it is needed (drawing, the load
place) the blade is taken to end one pitch past the last cut on a shoulder-stop key, and to begin one pitch and a
cutter's radius before the first cut on a tip-stop key; `Frame.assumed` names which end was assumed.

>>> from bitting.model import Blade, Cutting, Lane, System, Track
>>> left = Track("left", "external", "far-edge", (5.0, 2.5), ("1", "2"), (8.6, 8.1))
>>> blade = Blade(width=10.0)
>>> system = System("wren", "", "", "mm", "tip", (), False, blade, (left,), cutting=Cutting(cutter=2.4))
>>> frame = frame_of(system, system.lanes[0])
>>> frame.x_of_cut(0), frame.travel(8.1), round(frame.across(8.1), 9), round(frame.surface, 9)
(-5.0, 0.5, 1.9, -1.4)
"""

from __future__ import annotations

from itertools import pairwise
from math import radians, tan
from typing import Literal

from attrs import frozen

from bitting.errors import BittingError
from bitting.model import Cutting, Lane, System, Track

CLEARANCE_MM = 1.0
"""Air between cutter and blade at the load place and when a vee cutter is backed out, in millimetres."""


@frozen
class Frame:
    """One lane of one system with its coordinates.

    `radius` is the end mill's (0 for a vee); `hand` is the half of the blade the track is on; `x_bow` and `x_tip` are
    the ends of the blade; `assumed` names the end that no file states; `load` is the x of the load place, in air beyond
    the tip; `clear` is the travel at which a cutter backed out is in air.
    """

    system: System
    lane: Lane
    hand: Literal["left", "right"]
    radius: float
    surface: float
    x_bow: float
    x_tip: float
    assumed: Literal["bow", "tip"]
    load: float
    clear: float

    @property
    def track(self) -> Track:
        """The track of the lane."""
        return self.lane.track

    @property
    def along_sign(self) -> int:
        """+1 where a longer distance from the stop lies nearer the tip, -1 where nearer the bow."""
        return 1 if self.system.stop == "shoulder" else -1

    def x_of(self, distance: float) -> float:
        """Along the blade, of a distance from the stop."""
        return self.along_sign * distance

    def distance(self, x: float) -> float:
        """Distance from the stop of a place along the blade: the inverse of `x_of`."""
        return self.along_sign * x + 0.0  # + 0.0: no minus zero where people read it

    def x_of_cut(self, cut: int) -> float:
        """Along the blade, of the centre of a cut (counted from 0 at the bow)."""
        return self.x_of(self.track.spaces[cut])

    def travel(self, dimension: float) -> float:
        """How deep a dimension is: 0 at the shallowest, growing deeper."""
        return self.track.deeper * (dimension - self.track.depths[0])

    def dimension(self, travel: float) -> float:
        """The dimension at a travel: the inverse of `travel`."""
        return self.track.depths[0] + self.track.deeper * travel

    def travel_of(self, place: int) -> float:
        """The travel of a depth of the table, by its place."""
        return self.travel(self.track.depths[place])

    def across(self, dimension: float) -> float:
        """y of the wall at a dimension, from the left edge; needs the blade's width."""
        width: float = self.system.need("blade.width")
        own = {"own-edge": dimension, "far-edge": width - dimension, "centre": width / 2 - dimension}
        y = own[self.track.measured]
        return y if self.hand == "left" else width - y

    def dimension_at(self, y: float) -> float:
        """The dimension of a wall at y: the inverse of `across`."""
        width: float = self.system.need("blade.width")
        own = y if self.hand == "left" else width - y
        return {"own-edge": own, "far-edge": width - own, "centre": width / 2 - own}[self.track.measured]

    @property
    def inwards(self) -> int:
        """+1 where going deeper means a larger y, -1 where a smaller one."""
        outboard = 1 if self.hand == "left" else -1
        return -outboard if self.track.milling == "internal" else outboard


def frame_of(system: System, lane: Lane, radius: float | None = None) -> Frame:
    """The coordinates of a lane; `radius` replaces the system's cutter by one that was measured.

    Raises `BittingError` where the system doesn't say what cutter it is made with (an end mill needs `cutter`).
    """
    track = lane.track
    cutting = system.cutting
    r = 0.0 if cutting.shape == "vee" else _radius(system) if radius is None else radius
    sign = 1 if system.stop == "shoulder" else -1
    xs = [sign * s for s in track.spaces]
    if any(b <= a for a, b in pairwise(xs)):
        raise BittingError(
            f"the spaces of track {track.name!r} don't go from bow to tip: {', '.join(f'{s:g}' for s in track.spaces)}",
            hint=f"with a {system.stop} stop the distances must {'grow' if sign > 0 else 'shrink'} from cut to cut",
        )
    pitch = xs[-1] - xs[-2] if len(xs) > 1 else max(2 * r, system.from_mm(3.0))
    x_bow, x_tip = (0.0, xs[-1] + max(pitch, r)) if sign > 0 else (xs[0] - pitch - r, 0.0)
    gap = system.from_mm(CLEARANCE_MM)
    surface = surface_travel(system, track, r)
    deepest = abs(track.depths[-1] - track.depths[0])
    reach = r or _vee_reach(cutting, deepest - surface)
    return Frame(
        system=system,
        lane=lane,
        hand=hand_of(system, lane),
        radius=r,
        surface=surface,
        x_bow=x_bow,
        x_tip=x_tip,
        assumed="tip" if sign > 0 else "bow",
        load=x_tip + reach + gap,
        clear=surface - gap,
    )


def _radius(system: System) -> float:
    return float(system.need("cutting.cutter")) / 2


def hand_of(system: System, lane: Lane) -> Literal["left", "right"]:
    """The half of the blade that a track is on: by its name, otherwise the first is left and the second right."""
    name = lane.track.name.casefold()
    hands: tuple[Literal["left", "right"], ...] = ("left", "right")
    for hand in hands:
        if hand in name:
            return hand
    if len(system.tracks) > 1:
        return "left" if lane.track.name == system.tracks[0].name else "right"
    if lane.track.milling == "edge" and lane.side is not None:
        return "left" if lane.side == system.sides[0] else "right"
    return "left"


def _vee_reach(cutting: Cutting, deep: float) -> float:
    """Half the width that a vee has at the blank's edge, its point so deep in the metal; as far as the vee is described."""
    flank = 0.0 if cutting.angle is None else max(deep, 0.0) * tan(radians(cutting.angle / 2))
    return (cutting.root or 0.0) / 2 + flank


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


def reach_of(frame: Frame, w: float) -> float:
    """How far along the blade a cutter at a travel reaches from its middle, in the metal of the blade."""
    return frame.radius or _vee_reach(frame.system.cutting, w - frame.surface)


def seat_of(system: System) -> float:
    """Width of the seat at the centre of a cut; a vee system that states none has its root for a seat."""
    if system.cutting.seat is None and system.cutting.shape == "vee":
        return float(system.need("cutting.root"))
    return float(system.need("cutting.seat"))
