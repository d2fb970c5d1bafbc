"""The metal that is left after each track, half-way through the job as well as at its end.

*web* is the least metal beside a track in its face: to the opposite wall where that is cut already, otherwise to the
opposite edge of the blade (external, edge), or between the wall and its own edge (internal). Between two walls it is
the shortest distance in any direction: two walls cut by circles are as far apart as the paths of the circles' centres
less their radii, exactly.

*floor* is the metal left across the blade's thickness where tracks of both faces lie over each other, otherwise under
the track just cut; None where the system file has no thickness and milling depth, and for keys cut on their edges.

*sliver*: metal that stays standing between the blank's own edge and the wall, because an end mill went in further than
its own diameter where nothing had been cut before. Found on polygons of 256 corners to a circle, so that pieces smaller
than a thousandth of the cutter's own area don't count.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from attrs import frozen

from bitting.machine.geometry import Frame, frame_of
from bitting.machine.simulate_profile import Piece, Point, envelope, swept
from bitting.machine.simulate_track import cutter_of
from bitting.model import Lane, System


@frozen
class Stage:
    """After the track `side`, `track`: the least web and floor anywhere on the key so far, in the system's unit."""

    side: str | None
    track: str
    web: float | None
    floor: float | None


Run = tuple[str | None, Lane, tuple[Point, ...]]
"""Side, lane and the path of the cutter's point."""


def stages_of(system: System, runs: Sequence[Run], radius: float | None = None) -> tuple[Stage, ...]:
    """The metal left after each run; web is None where the blade's width is unknown."""
    stages: list[Stage] = []
    web: float | None = None
    floor: float | None = None
    for number, (side, lane, _) in enumerate(runs):
        if system.blade.width is not None:
            found = _web(system, runs[: number + 1], radius)
            web = found if web is None else min(web, found)
        below = _floor(system, runs[: number + 1], radius)
        if below is not None:
            floor = below if floor is None else min(floor, below)
        stages.append(Stage(side, lane.track.name, web, floor))
    return tuple(stages)


def _deepest(frame: Frame, path: Sequence[Point]) -> float:
    """The deepest travel on the blade (paths in the air beyond the tip don't count)."""
    return max((w for x, w in path if x <= frame.x_tip + frame.radius), default=frame.surface)


def _web(system: System, runs: Sequence[Run], radius: float | None) -> float:
    """The least metal beside the track that was cut last."""
    side, lane, path = runs[-1]
    frame = frame_of(system, lane, radius)
    width = float(system.need("blade.width"))
    y = frame.across(frame.dimension(_deepest(frame, path)))
    own = y if frame.hand == "left" else width - y
    if frame.track.milling == "internal":
        return own
    edge = frame.track.milling == "edge"
    webs = [width - own]
    for other_side, other, other_path in runs[:-1]:
        opposite = frame_of(system, other, radius)
        # The edges of a convenience key are one lane, drawn as one edge: after half a turn it is the opposite one.
        turned = edge and lane.side is None and other_side != side
        if turned or (opposite.hand != frame.hand and (edge or other_side == side)):
            webs.append(_between(frame, path, opposite, other_path, width if turned else None))
    return min(webs)


def _between(
    a: Frame, path_a: Sequence[Point], b: Frame, path_b: Sequence[Point], turned: float | None = None
) -> float:
    """The shortest distance between two walls that face away from each other; 0 where they meet.

    `turned` is the blade's width when the second wall is to be taken after half a turn about the long axis.
    """
    from shapely import LineString
    from shapely.affinity import affine_transform

    lines = []
    for frame, path in ((a, path_a), (b, path_b)):
        if frame.radius:
            points = [(x, frame.across(frame.dimension(w)) - frame.inwards * frame.radius) for x, w in path]
        else:
            pieces = [*swept(path, cutter_of(frame)), Piece(frame.x_bow, frame.x_tip, 0.0, frame.surface)]
            wall = envelope(pieces, frame.x_bow, frame.x_tip)
            points = [(x, frame.across(frame.dimension(p.at(x)))) for p in wall for x in (p.lo, p.hi)]
        lines.append(LineString(points))
    if turned is not None:
        lines[1] = affine_transform(lines[1], (1, 0, 0, -1, 0, turned))
    return max(float(lines[0].distance(lines[1])) - a.radius - b.radius, 0.0)


def _floor(system: System, runs: Sequence[Run], radius: float | None) -> float | None:
    """The least metal across the thickness under the track that was cut last."""
    blade = system.blade
    side, lane, path = runs[-1]
    if blade.thickness is None or blade.mill_depth is None or lane.track.milling == "edge":
        return None
    frame = frame_of(system, lane, radius)
    milled = 1
    for other_side, other, other_path in runs[:-1]:
        if other_side != side and blade.width is not None:
            below = frame_of(system, other, radius)
            mine, theirs = _band(frame, path), _band(below, other_path)
            turned = (blade.width - theirs[1], blade.width - theirs[0])  # the other face, seen through this one
            if mine[0] < turned[1] and turned[0] < mine[1]:
                milled = 2
    return blade.thickness - milled * blade.mill_depth


def _band(frame: Frame, path: Sequence[Point]) -> tuple[float, float]:
    """Least and greatest y that a track takes of its face."""
    ends = sorted(frame.across(frame.dimension(w)) for w in (_deepest(frame, path), frame.surface))
    return ends[0], ends[1]


def sliver_names(system: System, runs: Sequence[Run], radius: float | None = None) -> Iterator[str]:
    """The external and edge tracks where metal is left outboard of the wall."""
    for side, lane, path in runs:
        frame = frame_of(system, lane, radius)
        r = frame.radius
        if not r or lane.track.milling == "internal" or max(w for _, w in path) - 2 * r <= frame.surface + 1e-9:
            continue
        if not _opened_by_a_pass(frame, path) and _outboard(frame, path) > r * r / 300:
            yield f"{side} {lane.track.name}" if side else lane.track.name


def _opened_by_a_pass(frame: Frame, path: Sequence[Point]) -> bool:
    """Whether one pass along the whole track reaches out of the blank's edge and in to the back of every deeper cut."""
    reach = 2 * frame.radius
    first, deepest = min(x for x, _ in path), max(w for _, w in path)
    return any(
        w0 == w1
        and min(x0, x1) <= first
        and max(x0, x1) >= frame.x_tip
        and deepest - reach <= w0 <= frame.surface + reach
        for (x0, w0), (x1, w1) in pairwise(path)
    )


def _outboard(frame: Frame, path: Sequence[Point]) -> float:
    """The area between the blank's edge and the wall that no move has cut."""
    from shapely import LineString, Polygon, unary_union

    r = frame.radius
    cut = unary_union(
        [LineString([(x0, w0 - r), (x1, w1 - r)]).buffer(r, quad_segs=64) for (x0, w0), (x1, w1) in pairwise(path)]
    )
    uncut = Piece(frame.x_bow, frame.x_tip, 0.0, frame.surface)
    wall = envelope([*swept(path, cutter_of(frame)), uncut], frame.x_bow, frame.x_tip)
    line = [(x, p.at(x)) for p in wall for x in _along(p)]
    open_side = Polygon([*line, (frame.x_tip, frame.surface - 1e-6), (frame.x_bow, frame.surface - 1e-6)])
    return float(open_side.buffer(0).difference(cut).area)


def _along(piece: Piece) -> list[float]:
    """Places along a piece close enough to draw its arc."""
    count = 65 if piece.r else 2
    return [piece.lo + (piece.hi - piece.lo) * i / (count - 1) for i in range(count)]
