"""The cutter simulated: what a list of moves does to the blank, beside what the code allows.

`simulate(code, system, tracks)` takes the moves of a plan or any other list, so that a wrong order shows what it would
ruin. The wall that each track's moves leave is computed in closed form (`simulate_profile`), not approximated.

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
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from attrs import asdict, evolve, frozen

from bitting.errors import BittingError
from bitting.machine.geometry import Frame, frame_of
from bitting.machine.simulate_metal import Run, Stage, sliver_names, stages_of
from bitting.machine.simulate_moves import Move, path_of
from bitting.machine.simulate_profile import Point, swept
from bitting.machine.simulate_track import Flat, Wall, cutter_of, flats_of, walls_of
from bitting.model import Code, Depths, Lane, System


@frozen
class TrackMoves:
    """The moves for one track of one side (None: the key is cut on one side only)."""

    side: str | None
    track: str
    steps: tuple[Move, ...]


@frozen
class Simulation:
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
        return max(self.gouged, key=lambda flat: flat.gouge, default=None)

    @property
    def gouged(self) -> tuple[Flat, ...]:
        """The flats that are cut too deep."""
        return tuple(flat for flat in self.flats if flat.gouge > 0)

    def as_dict(self) -> dict[str, Any]:
        """As JSON: gouge and residual, and with them every flat and wall, and the metal left."""
        return {
            "gouge": self.gouge,
            "residual": self.residual,
            "reached": self.reached,
            "missed": list(self.missed),
            "flats": [_as_dict(flat) for flat in self.flats],
            "walls": [_as_dict(wall) for wall in self.walls],
            "stages": [_as_dict(stage) for stage in self.stages],
            "slivers": list(self.slivers),
        }


def _as_dict(record: Flat | Wall | Stage) -> dict[str, Any]:
    """A record as JSON, lengths and angles rounded to a millionth."""

    def plain(value: Any) -> Any:
        return round(value, 6) if isinstance(value, float) else list(value) if isinstance(value, tuple) else value

    return {name: plain(value) for name, value in asdict(record).items()}


def simulate(
    code: Code | Depths,
    system: System,
    tracks: Sequence[Any],
    *,
    radius: float | None = None,
) -> Simulation:
    """Run moves on a blank and hold the result to a code.

    `code` has every cut exact (or is the places of the depths, one tuple per lane). `tracks` are the tracks of a plan
    or of its JSON, or `TrackMoves`: each has `side`, `track` and `steps`. `radius` replaces the radius of the system's
    cutter. A lane without moves stays uncut, and its cuts are missed. Raises `BittingError` for a track, action, cut or
    depth that doesn't exist, and for a system that doesn't describe its cutter.
    """
    depths = exact_depths(code) if isinstance(code, Code) else code
    runs: list[Run] = []
    for entry in tracks:
        side, lane, steps = _job(system, entry)
        runs.append((side, lane, tuple(path_of(frame_of(system, lane, radius), steps))))
    flats: list[Flat] = []
    walls: list[Wall] = []
    missed = [f"{lane.label}: no moves" for lane in system.lanes if all(lane != ran for _, ran, _ in runs)]
    known: dict[Any, tuple[tuple[Flat, ...], tuple[str, ...], tuple[Wall, ...]]] = {}
    for side, lane, path in runs:
        backs = tuple(p for s, other, p in runs if s == side and other != lane and share_groove(lane, other))
        key = (lane.label, path, backs)  # the sides of a convenience key are cut alike: worked out once
        if key not in known:
            known[key] = _run(system, lane, depths[system.lanes.index(lane)], path, backs, radius)
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
        stages=stages_of(system, runs, radius),
        slivers=tuple(sliver_names(system, runs, radius)),
    )


def share_groove(lane: Lane, other: Lane) -> bool:
    """Whether two tracks are the walls of one groove."""
    return lane.track.milling == other.track.milling == "internal" and lane.side == other.side


def _run(
    system: System,
    lane: Lane,
    depths: Sequence[int],
    path: Sequence[Point],
    backs: Sequence[Sequence[Point]],
    radius: float | None,
) -> tuple[tuple[Flat, ...], tuple[str, ...], tuple[Wall, ...]]:
    """One track: its flats, the seats that were missed, its walls. `backs` are paths for the groove's other wall."""
    frame = frame_of(system, lane, radius)
    cutter = cutter_of(frame)
    pieces = swept(path, cutter)
    for back in backs:
        other = next(o for o in system.lanes if o != lane and share_groove(lane, o))
        pieces += swept(across_groove(frame_of(system, other, radius), back, frame), cutter)
    flats, missed = flats_of(frame, depths, pieces)
    return flats, missed, walls_of(frame, pieces)


def across_groove(owner: Frame, path: Sequence[Point], frame: Frame) -> list[Point]:
    """Where the back of the cutter that works the wall of `owner` stands for the wall of `frame`."""
    if owner.inwards == frame.inwards:
        return []
    centre = owner.across(owner.dimension(0.0)) - owner.inwards * owner.radius
    at_rest = frame.travel(frame.dimension_at(centre + frame.inwards * frame.radius))
    return [(x, at_rest - w) for x, w in path]


def exact_depths(code: Code) -> Depths:
    """The depths of a code that can be cut; otherwise an error that says what is still open or wrong."""
    depths = code.depths
    if depths is None:
        raise BittingError(
            "a key can be cut only from a code whose every cut is one known depth",
            hint="`bitting check` says what is wrong or still open in it; `bitting complete` lists what fits",
        )
    return depths


def _job(system: System, entry: Any) -> tuple[str | None, Lane, Sequence[Move]]:
    """Side, lane and moves of one entry."""
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
