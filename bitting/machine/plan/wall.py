"""The finished walls of a key, as the plan leaves them: what a drawing draws.

Walls are the exact pieces of `simulate_profile`, cut to the blade; an internal groove is also given as an area, because
its two walls are one pocket. That area is made of polygons (256 corners to a circle, at most 0.0002 of the radius off):
good for a picture, and used for nothing else.
"""

from __future__ import annotations

from itertools import pairwise

from attrs import frozen

from bitting.geometry.frame import Frame, frame_of
from bitting.geometry.profile import Piece, Point, envelope, swept
from bitting.machine.plan.moves import Order, moves_for
from bitting.machine.simulate import cutter_of
from bitting.model import Depths, System


@frozen
class LaneWall:
    """One lane: its coordinates, its depths (places), and its wall from the bow end of the blade to its tip.

    `wall` is the deepest travel at every x; where nothing was cut it lies at `frame.surface`. `centres` is the path of
    the cutter's centre as (x, y across the blade), empty for a vee.
    """

    frame: Frame
    depths: tuple[int, ...]
    wall: tuple[Piece, ...]
    centres: tuple[Point, ...]


def lane_walls(depths: Depths, system: System, *, ease: bool = False) -> tuple[LaneWall, ...]:
    """The wall of every lane of a key with these depths, in the order of `system.lanes`."""
    found = []
    for lane, row in zip(system.lanes, depths, strict=True):
        frame = frame_of(system, lane)
        steps, _ = moves_for(frame, row, Order(lane.track.direction, ease))
        path = [(step.x, step.w) for step in steps]
        uncut = Piece(frame.x_bow, frame.x_tip, frame.x_bow, frame.surface)
        wall = envelope([*swept(path, cutter_of(frame)), uncut], frame.x_bow, frame.x_tip)
        centres = tuple((x, frame.across(frame.dimension(w)) - frame.inwards * frame.radius) for x, w in path)
        found.append(LaneWall(frame, tuple(row), wall, centres if frame.radius else ()))
    return tuple(found)


def groove(walls: tuple[LaneWall, ...]) -> list[list[Point]]:
    """The outlines of the pocket that the walls of one face share, as rings of (x, y), cut off at the tip."""
    from shapely import LineString, MultiPolygon, Polygon, box, unary_union

    # move by move: a buffer of the whole path loses parts of it where the path turns back upon itself
    pocket = unary_union(
        [LineString(move).buffer(w.frame.radius, quad_segs=64) for w in walls for move in pairwise(w.centres)]
    )
    frame = walls[0].frame
    inside = pocket.intersection(box(frame.x_bow, -1e3, frame.x_tip, 1e3))
    areas = inside.geoms if isinstance(inside, MultiPolygon) else [inside] if isinstance(inside, Polygon) else []
    return [[(float(x), float(y)) for x, y in ring.coords] for a in areas for ring in (a.exterior, *a.interiors)]
