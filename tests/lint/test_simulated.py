"""The lint's claims about metal beside the simulated cutter: random small systems, every legal code (or many) cut.

A finding must be there exactly when some simulated key shows the fault, and its witness must show it.
"""

from __future__ import annotations

import random
import re
from itertools import pairwise

import pytest
from attrs import evolve
from shapely import LineString, unary_union

import bitting
from bitting.diagram import code_space
from bitting.diagram.occurrence import write
from bitting.geometry.frame import frame_of
from bitting.linting import lint
from bitting.machine.plan.plan import plan
from bitting.model import Blade, Cutting, Measuring, System, Track
from tests.make import read_rules

pytestmark = pytest.mark.thorough  # hundreds of simulated blades

EXACT = 1e-9
MANY = 24
"""Codes of a system that are cut; where it has fewer, all are."""
RULES = (
    "adjacent cuts differ by at most 1",
    "first cut is not 1",
    "at least 2 different depths",
    "no more than 2 equal cuts in a row",
)
COUPLING = ("left and right add up to at most 4 at every cut", "left and right differ by at least 1 at every cut")


def made(draw: random.Random, kind: str) -> System:
    """A system of two or three cuts and three depths, of any proportions."""
    pitch, step = draw.choice([0.8, 1.1, 1.4, 2.3, 3.0]), draw.choice([0.3, 0.45, 0.8])
    stop = draw.choice(["tip", "shoulder"])
    cuts = draw.choice([2, 3]) if kind in ("round", "vee") else 2
    spaces = tuple(round((10 - pitch * i) if stop == "tip" else (4 + pitch * i), 6) for i in range(cuts))
    way = draw.choice(["bow-to-tip", "tip-to-bow"])
    seat, sides, width = draw.choice([0.1, 0.3]), (), draw.choice([7.0, 8.0, 9.0])

    def depths(first: float) -> tuple[float, ...]:
        return tuple(round(first - step * i, 6) for i in range(3))

    cutting = Cutting(
        cutter=draw.choice([0.6, 1.0, 1.6, 2.2, 2.8, 3.4]), seat=seat, steepest=draw.choice([40.0, 55.0, 70.0])
    )
    if kind == "vee":
        sides = draw.choice([(), ("top", "bottom")])
        tracks = [Track("edge", "edge", "far-edge", spaces, tuple("123"), depths(draw.choice([4.6, 5.2, 5.6])))]
        cutting = Cutting(shape="vee", root=draw.choice([0.3, 0.6, 0.9]), seat=0.3, angle=draw.choice([80.0, 100.0]))
    elif kind == "round":
        tracks = [
            Track("left", "external", "far-edge", spaces, tuple("123"), depths(width - draw.choice([0.4, 1.2])), way)
        ]
    else:
        first = draw.choice([4.6, 5.2, 5.6]) if kind == "web" else draw.choice([2.6, 3.2, 3.6])
        milling = ("external", "far-edge") if kind == "web" else ("internal", "own-edge")
        tracks = [Track(name, *milling, spaces, tuple("123"), depths(first), way) for name in ("left", "right")]  # type: ignore[arg-type]
        if draw.random() < 0.5:
            tracks[1] = evolve(tracks[1], spaces=tuple(round(space + draw.choice([0, 0.5]), 6) for space in spaces))
    blade = Blade(width, 2.6, 0.9, draw.choice([None, 0.5]) if kind in ("round", "web") else None)
    system = System("x", "", "invented", "mm", stop, sides, False, blade, tuple(tracks), cutting=cutting,
                    measuring=Measuring(tolerance=0.05))  # fmt: skip
    pool = RULES + (COUPLING if len(tracks) > 1 else ())
    must = tuple(draw.sample(pool, draw.randint(0, 2)))
    return evolve(system, must=must, rules=read_rules(system, must, ()))


def codes_of(system: System) -> list[str]:
    space = code_space(system)
    chosen = list(space) if space.count <= MANY else list(space.sample(MANY, seed=1)) if space.count else []
    return [write(system, code) for code in chosen]


def simulated(system: System, code: str, ease: bool = False):
    return plan(bitting.parse_code(code, system), system, ease=ease).simulation


def drawn(kind: str, first: int, last: int):
    """Systems with legal codes whose file is sound enough to be cut, with their findings by code."""
    for seed in range(first, last):
        system = made(random.Random(f"{kind} {seed}"), kind)
        codes = codes_of(system)
        found = {f.code: f for f in lint(system).findings}
        if codes and not {"seats-overlap", "off-blade"} & set(found):
            yield system, codes, found


@pytest.mark.parametrize("kind", ["round", "vee", "web", "groove"])
def test_gouges(kind: str) -> None:
    outcomes = set()
    for system, codes, found in drawn(kind, 0, 16):
        told = [found[code] for code in ("seat-gouged", "gap-narrow") if code in found]
        worst = max(simulated(system, code).gouge for code in codes)
        assert (worst <= EXACT) or told, (system, codes)
        for finding in told:
            assert simulated(system, finding.witness).gouge > EXACT, finding
        outcomes.add(bool(told))
    assert outcomes == {True, False}


def test_steep_walls() -> None:
    outcomes = set()
    for system, codes, found in drawn("round", 100, 125):
        if "seat-gouged" in found:
            continue
        limit = system.cutting.steepest + 1e-6
        square = any(wall.angle > limit for code in codes for wall in simulated(system, code).walls)
        eased = any(wall.angle > limit for code in codes for wall in simulated(system, code, ease=True).walls)
        assert square == ("wall-steep" in found or "wall-eased" in found)
        assert eased == ("wall-steep" in found)
        outcomes.add((square, eased))
    assert len(outcomes) == 3


@pytest.mark.parametrize("kind", ["vee", "web"])
def test_metal_between_walls(kind: str) -> None:
    outcomes = set()
    for system, codes, found in drawn(kind, 200, 220):
        if "seat-gouged" in found:
            continue
        webs = [stage.web for code in codes for stage in simulated(system, code).stages]
        told = found.get("metal-thin")
        if len(codes) < MANY:
            assert (told is not None) == (min(webs) < 0.4 - EXACT), system
        elif min(webs) < 0.4 - EXACT:
            assert told is not None
        if told is not None:
            least = min(stage.web for stage in simulated(system, told.witness).stages)
            said = re.search(r"only ([\d.]+) mm", told.message)
            assert least == pytest.approx(float(said[1]) if said else 0.0, abs=0.0051)
        outcomes.add(told is not None)
    assert outcomes == {True, False}


def standing(system: System, code: str) -> float:
    """The most metal that stands where the cutter doesn't come: outboard of a wall, or between the walls of a groove.

    The plan's moves drawn in the plane with a round cutter, cut through midway between cuts and beyond the last.
    """
    moves = {track.track: track.steps for track in plan(bitting.parse_code(code, system), system).tracks}
    internal = system.tracks[0].milling == "internal"
    worst = 0.0
    swept = {}
    for lane in system.lanes:
        frame = frame_of(system, lane)
        path = [
            (step.x, frame.across(frame.dimension(step.w)) - frame.inwards * frame.radius)
            for step in moves[lane.track.name]
        ]
        # Move by move: the buffer of a whole path that crosses itself can come out with holes that aren't there.
        bands = [LineString(move).buffer(frame.radius, quad_segs=200) for move in pairwise(path) if move[0] != move[1]]
        swept[lane.track.name] = unary_union(bands)
    groups = [list(swept)] if internal else [[name] for name in swept]
    for names in groups:
        area = unary_union([swept[name] for name in names])
        lane = next(lane for lane in system.lanes if lane.track.name == names[0])
        frame = frame_of(system, lane)
        xs = [frame.x_of_cut(i) for i in range(lane.track.cuts)]
        for x in [*((a + b) / 2 for a, b in pairwise(xs)), max(xs) + 1.0]:
            column = area.intersection(LineString([(x, -20), (x, 20)]))
            parts = sorted((p.bounds[1], p.bounds[3]) for p in getattr(column, "geoms", [column]))
            if internal:
                gaps = [b[0] - a[1] for a, b in pairwise(parts)]
            else:
                width, prepared = system.blade.width, system.blade.prepared or 0.0
                if frame.hand == "right":
                    parts = sorted((width - high, width - low) for low, high in parts)
                tops = [prepared, *(high for _, high in parts)]
                gaps = [low - max(tops[: i + 1]) for i, (low, _) in enumerate(parts)]
            worst = max([worst, *gaps])
    return worst


@pytest.mark.parametrize("kind", ["round", "web", "groove"])
def test_metal_that_stands_where_the_cutter_does_not_come(kind: str) -> None:
    outcomes = set()
    for system, codes, found in drawn(kind, 300, 315):
        if "gap-narrow" in found or len({track.spaces for track in system.tracks}) > 1:
            continue
        told = found.get("island" if kind == "groove" else "sliver")
        faulty = told is not None and told.level == "warning"
        worst = max(standing(system, code) for code in codes)
        if worst > 1e-3:
            assert faulty, (system, worst)
        if faulty:
            assert standing(system, told.witness) > 1e-3, (system, told)
        outcomes.add(faulty)
    assert outcomes == {True, False}
