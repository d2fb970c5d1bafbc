"""The cutter simulated: what a list of moves does to the blank, beside what the code allows.

`simulate(code, system, tracks)` takes the moves of a plan or any other list, so that a wrong order shows what it would
ruin. The wall that each track's moves leave is computed in closed form (`bitting.geometry.profile`), not approximated.

**What a code allows.** Each track is divided into flats, from the bow to the tip:

- *bow end*, up to the first seat: what the cutter leaves standing at cut 1 at the depth of cut 1; an end mill may also
  be carried along at the shallowest depth as far as the shoulder (with a tip stop: one pitch and the cutter's radius
  before cut 1). Nothing may be cut past that place.
- *seat i*, as wide as `seat` and centred on the cut: the depth of cut i.
- *wall i-j*, between two seats: the deeper of the two depths. A square move in the right order stays within it, and so
  does a stop that eases the wall.
- *tip end*, past the last seat: the depth of the last cut, at which the tip is left or entered.

**gouge** is the greatest depth past that on any flat of any track, **residual** the greatest metal left on a seat. A
round cutter leaves r - √(r² - (seat/2)²) at the ends of a seat where it isn't carried along: no order of moves avoids
that. Differences below 1e-12 are rounding and count as 0.

In an internal groove two walls share one pocket: the moves of one track also count against the other wall, which the
back of the cutter can reach.

**Metal left** (`stages_of`) after each track, half-way through the job as well as at its end. *web* is the least metal
beside a track in its face: to the opposite wall where that is cut already, otherwise to the opposite edge of the blade
(external, edge), or between the wall and its own edge (internal). Between two walls it is the shortest distance in any
direction: two walls cut by circles are as far apart as the paths of the circles' centres less their radii, exactly.

*floor* is the metal left across the blade's thickness where tracks of both faces lie over each other, otherwise under
the track just cut; None where the system file has no thickness and milling depth, and for keys cut on their edges.

*sliver*: metal that stays standing between the blank's own edge and the wall, because an end mill went in further than
its own diameter where nothing had been cut before. Found on polygons of 256 corners to a circle, so that pieces smaller
than a thousandth of the cutter's own area don't count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from math import inf
from typing import Any, NamedTuple

from attrs import evolve, frozen

from bitting.errors import BittingError
from bitting.geometry.frame import Frame, frame_of, seat_of
from bitting.geometry.profile import (
    Cutter,
    EndMill,
    Piece,
    Point,
    Vee,
    envelope,
    excess,
    greatest,
    least,
    steepest,
    swept,
)
from bitting.machine.plan.steps import Move, path_of
from bitting.model import Code, Depths, Lane, System
from bitting.model.expect import expect_read_for
from bitting.model.value import Value

ROUNDING = 1e-12
"""Differences below this are rounding, in the system's unit."""

REACHED = 1e-9
"""A cut has its depth when the wall at its centre is within this of it."""


@frozen
class Limit:
    """One flat of a track over [lo, hi], and the pieces past which nothing may be cut there. `cut` is a seat's."""

    name: str
    lo: float
    hi: float
    allowed: tuple[Piece, ...]
    cut: int | None = None


@frozen
class Flat(Value):
    """One flat of one track; lengths in the system's unit.

    `name` is `bow end`, `seat 3`, `wall 3-4` or `tip end`; `allowed` and `reached` are the dimensions of the deepest
    place the code allows and the cutter went to; `gouge` is how far the cutter went past the code at the worst place;
    `residual` is the metal left at the worst place of a seat, and 0 elsewhere.
    """

    json_digits = 6
    side: str | None
    track: str
    name: str
    allowed: float
    reached: float
    gouge: float
    residual: float


@frozen
class Wall(Value):
    """The wall between neighbouring cuts (numbered from 1): its steepest angle to the blade's length, in degrees."""

    json_digits = 6
    side: str | None
    track: str
    cuts: tuple[int, int]
    angle: float
    too_steep: bool


def cutter_of(frame: Frame) -> Cutter:
    """The cutter of a lane's system; the flanks of a vee reach to the surface of the blank."""
    if frame.system.cutting.shape == "vee":
        need = frame.system.need
        return Vee(float(need("cutting.angle")), float(need("cutting.root")), frame.surface)
    return EndMill(frame.radius)


def limits_of(frame: Frame, ws: Sequence[float]) -> tuple[Limit, ...]:
    """The flats of a track and what its cuts allow on them, bow to tip; `ws` is the travel of every cut."""
    half = seat_of(frame.system) / 2
    xs = [frame.x_of_cut(i) for i in range(len(ws))]
    found = [_bow_end(frame, xs[0], ws[0], half)]
    for i, (x, w) in enumerate(zip(xs, ws, strict=True)):
        found.append(_level(f"seat {i + 1}", x - half, x + half, w, i))
        if i + 1 < len(xs):
            found.append(_level(f"wall {i + 1}-{i + 2}", x + half, xs[i + 1] - half, max(w, ws[i + 1])))
    found.append(_level("tip end", xs[-1] + half, max(frame.x_tip, xs[-1] + half), ws[-1]))
    return tuple(limit for limit in found if limit.hi > limit.lo or limit.cut is not None)


def _level(name: str, lo: float, hi: float, w: float, cut: int | None = None) -> Limit:
    return Limit(name, lo, hi, (Piece(lo, hi, lo, w),), cut)


def _bow_end(frame: Frame, x: float, w: float, half: float) -> Limit:
    """Up to the first seat: the cutter's outline at cut 1, the shallowest depth within the blade, and no more."""
    lo, hi = frame.x_bow - 1e3 * frame.system.from_mm(1.0), x - half
    pieces = [Piece(lo, hi, lo, frame.surface), *cutter_of(frame).outline(x, w)]
    if frame.system.cutting.shape != "vee":
        pieces.append(Piece(frame.x_bow, hi, frame.x_bow, 0.0))
    return Limit("bow end", lo, hi, envelope(pieces, lo, hi))


def flats_of(
    frame: Frame, travels: Sequence[float], pieces: Sequence[Piece]
) -> tuple[tuple[Flat, ...], tuple[str, ...]]:
    """Every flat with its gouge and residual, and the names of the seats whose cut never got its depth."""
    uncut = Piece(-inf, inf, 0.0, frame.surface)
    flats, missed = [], []
    for limit in limits_of(frame, travels):
        here = [p for p in (*pieces, uncut) if p.hi >= limit.lo and p.lo <= limit.hi]
        past = max(excess(p, allowed) for p in here for allowed in limit.allowed)
        top = max(excess(p, Piece(limit.lo, limit.hi, 0.0, 0.0)) for p in here)
        residual = 0.0
        if limit.cut is not None:
            level = limit.allowed[0].w0
            residual = level - least(envelope(here, limit.lo, limit.hi)) if limit.hi > limit.lo else level - top
            centre = frame.x_of_cut(limit.cut)
            if level - max(p.at(centre) for p in here if p.lo <= centre <= p.hi) > REACHED:
                missed.append(limit.name)
        flats.append(
            Flat(
                side=frame.lane.side,
                track=frame.track.name,
                name=limit.name,
                allowed=frame.dimension(greatest(limit.allowed)),
                reached=frame.dimension(top),
                gouge=past if past > ROUNDING else 0.0,
                residual=residual if residual > ROUNDING else 0.0,
            )
        )
    return tuple(flats), tuple(missed)


def walls_of(frame: Frame, pieces: Sequence[Piece]) -> tuple[Wall, ...]:
    """The steepest angle between each two neighbouring cuts, and whether a tumbler can't climb it any more."""
    uncut = Piece(-inf, inf, 0.0, frame.surface)
    limit = frame.system.cutting.steepest
    walls = []
    for i, (a, b) in enumerate(pairwise(frame.x_of_cut(i) for i in range(frame.track.cuts)), 1):
        angle = steepest(envelope((*pieces, uncut), a, b))
        steep = limit is not None and angle > limit + 1e-9
        walls.append(Wall(frame.lane.side, frame.track.name, (i, i + 1), angle, steep))
    return tuple(walls)


@frozen
class Stage(Value):
    """After the track `side`, `track`: the least web and floor anywhere on the key so far, in the system's unit."""

    json_digits = 6
    side: str | None
    track: str
    web: float | None
    floor: float | None


class Run(NamedTuple):
    """What was milled along one track: on which side, and the path of the cutter's point."""

    side: str | None
    frame: Frame
    path: tuple[Point, ...]


def stages_of(system: System, runs: Sequence[Run]) -> tuple[Stage, ...]:
    """The metal left after each run; web is None where the blade's width is unknown."""
    stages: list[Stage] = []
    web: float | None = None
    floor: float | None = None
    for number, run in enumerate(runs):
        if system.blade.width is not None:
            found = _web(run, runs[:number], system.blade.width)
            web = found if web is None else min(web, found)
        below = _floor(system, run, runs[:number])
        if below is not None:
            floor = below if floor is None else min(floor, below)
        stages.append(Stage(run.side, run.frame.track.name, web, floor))
    return tuple(stages)


def _deepest(run: Run) -> float:
    """The deepest travel on the blade (paths in the air beyond the tip don't count)."""
    frame = run.frame
    return max((w for x, w in run.path if x <= frame.x_tip + frame.radius), default=frame.surface)


def _web(run: Run, before: Sequence[Run], width: float) -> float:
    """The least metal beside the track that was cut last."""
    frame = run.frame
    y = frame.across(frame.dimension(_deepest(run)))
    own = y if frame.hand == "left" else width - y
    if frame.track.milling == "internal":
        return own
    edge = frame.track.milling == "edge"
    webs = [width - own]
    for other in before:
        # The edges of a convenience key are one lane, drawn as one edge: after half a turn it is the opposite one.
        turned = edge and frame.lane.side is None and other.side != run.side
        if turned or (other.frame.hand != frame.hand and (edge or other.side == run.side)):
            webs.append(_between(run, other, width if turned else None))
    return min(webs)


def _between(one: Run, other: Run, turned: float | None) -> float:
    """The shortest distance between two walls that face away from each other; 0 where they meet.

    `turned` is the blade's width when the second wall is to be taken after half a turn about the long axis.
    """
    from shapely import LineString
    from shapely.affinity import affine_transform

    lines = []
    for _, frame, path in (one, other):
        if frame.radius:
            points = [(x, frame.across(frame.dimension(w)) - frame.inwards * frame.radius) for x, w in path]
        else:
            pieces = [*swept(path, cutter_of(frame)), Piece(frame.x_bow, frame.x_tip, 0.0, frame.surface)]
            wall = envelope(pieces, frame.x_bow, frame.x_tip)
            points = [(x, frame.across(frame.dimension(p.at(x)))) for p in wall for x in (p.lo, p.hi)]
        lines.append(LineString(points))
    if turned is not None:
        lines[1] = affine_transform(lines[1], (1, 0, 0, -1, 0, turned))
    return max(float(lines[0].distance(lines[1])) - one.frame.radius - other.frame.radius, 0.0)


def _floor(system: System, run: Run, before: Sequence[Run]) -> float | None:
    """The least metal across the thickness under the track that was cut last."""
    blade = system.blade
    if blade.thickness is None or blade.mill_depth is None or run.frame.track.milling == "edge":
        return None
    milled = 1
    for other in before:
        if other.side != run.side and blade.width is not None:
            mine, theirs = _band(run), _band(other)
            turned = (blade.width - theirs[1], blade.width - theirs[0])  # the other face, seen through this one
            if mine[0] < turned[1] and turned[0] < mine[1]:
                milled = 2
    return blade.thickness - milled * blade.mill_depth


def _band(run: Run) -> tuple[float, float]:
    """Least and greatest y that a track takes of its face."""
    frame = run.frame
    ends = sorted(frame.across(frame.dimension(w)) for w in (_deepest(run), frame.surface))
    return ends[0], ends[1]


def sliver_names(runs: Sequence[Run]) -> Iterator[str]:
    """The external and edge tracks where metal is left outboard of the wall."""
    for side, frame, path in runs:
        r = frame.radius
        if not r or frame.track.milling == "internal" or max(w for _, w in path) - 2 * r <= frame.surface + 1e-9:
            continue
        if not _opened_by_a_pass(frame, path) and _outboard(frame, path) > r * r / 300:
            yield f"{side} {frame.track.name}" if side else frame.track.name


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


@frozen
class TrackMoves(Value):
    """Any list of moves for one track of one side (None: the key is cut on one side only)."""

    side: str | None
    track: str
    steps: tuple[Move, ...]


@frozen
class Simulation(Value):
    """What the moves leave of the blank; lengths in the system's unit.

    `gouge` and `residual` as in the module's text; `reached` says whether every cut of every track got its depth at its
    centre, and `missed` names those that didn't; `flats`, `walls` and `stages` (metal left after each track) are the
    evidence, the walls with their steepest angles. `slivers` names the tracks where metal stays standing outboard of
    the wall, because the cutter went deeper than its own width before anything else was cut there.
    """

    gouge: float
    residual: float
    reached: bool
    missed: tuple[str, ...]
    flats: tuple[Flat, ...]
    walls: tuple[Wall, ...]
    stages: tuple[Stage, ...]
    slivers: tuple[str, ...] = ()

    @property
    def worst(self) -> Flat | None:
        """The flat with the greatest gouge, None where nothing is cut too deep."""
        return max((flat for flat in self.flats if flat.gouge > 0), key=lambda flat: flat.gouge, default=None)


def simulate(
    code: Code | Depths,
    system: System,
    tracks: Sequence[TrackMoves | Mapping[str, Any]],
    *,
    radius: float | None = None,
    travels: Mapping[str, Sequence[float]] | None = None,
) -> Simulation:
    """Run moves on a blank and hold the result to a code.

    `code` has every cut exact (or is the places of the depths, one tuple per lane). `tracks` are those of a plan or of
    its JSON, or any `TrackMoves`: each has `side`, `track` and `steps`. `radius` replaces the radius of the system's
    cutter. `travels` says, by a lane's label, how far in its cuts are to go where that isn't the code's depth. A lane
    without moves stays uncut, and its cuts are missed. Raises `BittingError` for a track, action, cut or
    depth that doesn't exist, and for a system that doesn't describe its cutter. (Long by its list of arguments.)
    """
    if isinstance(code, Code):
        expect_read_for(code, system)
    depths = code.depths if isinstance(code, Code) else code
    if depths is None:
        raise BittingError(
            "a key can be cut only from a code whose every cut is one known depth",
            hint="`bitting check` says what is wrong or still open in it; `bitting complete` lists what fits",
        )
    runs: list[Run] = []
    for entry in tracks:
        side, lane, steps = _job(system, entry)
        frame = frame_of(system, lane, radius)
        runs.append(Run(side, frame, tuple(path_of(frame, steps))))
    flats: list[Flat] = []
    walls: list[Wall] = []
    missed = [f"{lane.label}: no moves" for lane in system.lanes if all(lane != run.frame.lane for run in runs)]
    known: dict[Any, tuple[tuple[Flat, ...], tuple[str, ...], tuple[Wall, ...]]] = {}
    for side, frame, path in runs:
        lane = frame.lane
        backs = tuple(r for r in runs if r.side == side and r.frame.lane != lane and share_groove(lane, r.frame.lane))
        key = (lane.label, path, tuple(back.path for back in backs))  # the sides of a convenience key are cut alike
        if key not in known:
            row = [frame.travel_of(depth) for depth in depths[system.lanes.index(lane)]]
            known[key] = _judged(frame, (travels or {}).get(lane.label, row), path, backs)
        found, absent, sloped = known[key]
        flats += [evolve(flat, side=side) for flat in found]
        walls += [evolve(wall, side=side) for wall in sloped]
        missed += [f"{'' if side is None else side + ' '}{lane.track.name}: {name}" for name in absent]
    return Simulation(
        gouge=max((flat.gouge for flat in flats), default=0.0),
        residual=max((flat.residual for flat in flats), default=0.0),
        reached=not missed,
        missed=tuple(missed),
        flats=tuple(flats),
        walls=tuple(walls),
        stages=stages_of(system, runs),
        slivers=tuple(sliver_names(runs)),
    )


def share_groove(lane: Lane, other: Lane) -> bool:
    return lane.track.milling == other.track.milling == "internal" and lane.side == other.side


def _judged(
    frame: Frame, travels: Sequence[float], path: Sequence[Point], backs: Sequence[Run]
) -> tuple[tuple[Flat, ...], tuple[str, ...], tuple[Wall, ...]]:
    """One track: its flats, the seats that were missed, its walls. `backs` is what was milled along the groove's other wall."""
    cutter = cutter_of(frame)
    pieces = swept(path, cutter)
    for back in backs:
        pieces += swept(across_groove(back.frame, back.path, frame), cutter)
    flats, missed = flats_of(frame, travels, pieces)
    return flats, missed, walls_of(frame, pieces)


def across_groove(owner: Frame, path: Sequence[Point], frame: Frame) -> list[Point]:
    """Where the back of the cutter that works the wall of `owner` stands for the wall of `frame`."""
    if owner.inwards == frame.inwards:
        return []
    centre = owner.across(owner.dimension(0.0)) - owner.inwards * owner.radius
    at_rest = frame.travel(frame.dimension_at(centre + frame.inwards * frame.radius))
    return [(x, at_rest - w) for x, w in path]


def _job(system: System, entry: TrackMoves | Mapping[str, Any]) -> tuple[str | None, Lane, Sequence[Move]]:
    if isinstance(entry, Mapping):
        side, track, steps = entry.get("side"), entry["track"], entry["steps"]
    else:
        side, track, steps = entry.side, entry.track, entry.steps
    for lane in system.lanes:
        if lane.track.name == track and lane.side in (None, side) and (side is None or side in system.sides):
            return side, lane, steps
    where = "" if side is None else f" on side {side!r}"
    raise BittingError(
        f"{system.name} has no track {track!r}{where}",
        hint=f"tracks are {', '.join(lane.label for lane in system.lanes)}",
    )
