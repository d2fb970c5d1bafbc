"""The picture of every move beside the simulation: what is drawn as cut is what the cutter took."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from shapely import LineString, Polygon, unary_union
from shapely.geometry.base import BaseGeometry

from bitting.geometry.frame import Frame
from bitting.geometry.profile import Piece, envelope, swept
from bitting.machine.plan.moves import Order, moves_for
from bitting.machine.plan.plan import Plan, plan
from bitting.machine.simulate import cutter_of
from bitting.model import Code, Depths, System, code_of
from bitting.sheet.picture import boards_of
from bitting.systemfile import load_system, shipped_systems
from bitting.systemfile.machine import load_machine
from tests.conftest import but_long
from tests.plan_systems import SYSTEMS
from tests.sheet.conftest import CODES
from tests.sheet.conftest import code_of as shipped_code

NEAR = 0.01
"""Millimetres: a drawn arc has corners here, and the picture's numbers are rounded to micrometres."""


def drawn(piece: str, radius_mm: float) -> BaseGeometry:
    """One piece of the picture as an area: a line as wide as the cutter, or the outline of a vee."""
    points = [tuple(map(float, pair.split())) for pair in re.split("[MLZ]", piece) if pair]
    return LineString(points).buffer(radius_mm, quad_segs=64) if radius_mm else Polygon(points)


def origin(system: System, frame: Frame, svg: str) -> tuple[float, float]:
    """Where x = 0 and the blade's left edge lie in the picture, read from the room that it leaves for what is cut."""
    x, y = map(float, re.findall(r'<rect x="([-\d.]+)" y="([-\d.]+)"', svg)[0])
    spare = 0.2 if frame.track.milling == "edge" else 0.0
    return x - system.in_mm(frame.x_bow), y + spare


def hold_to_simulation(made: Plan, want: Depths, have: Code | None = None) -> int:
    """Every move of a plan: how deep its picture goes at places along the blade; returns how many were looked at."""
    system = made.made_for
    boards, marks = boards_of(made, want, None if have is None else have.depths)
    before = None if have is None or have.depths is None else have.depths
    looked = 0
    for track, row in zip(made.tracks, marks, strict=True):
        frame = track.frame
        svg = next(board.svg for board in boards if board.name == row[0].board)
        left, top = origin(system, frame, svg)
        path: list[tuple[float, float]] = []
        areas: list[BaseGeometry] = []
        pieces: list[Piece] = []
        if before is not None:
            steps, _ = moves_for(frame, before[system.lanes.index(frame.lane)], Order(frame.track.direction))
            pieces = swept([(step.x, step.w) for step in steps], cutter_of(frame))
            had = re.findall(r'<path class="had" d="([^"]*)"', svg)[0]
            areas += [drawn(piece, system.in_mm(frame.radius)) for piece in re.findall(r"M[^M]+", had)]
        for step, mark in zip(track.steps, row, strict=True):
            path.append((step.x, step.w))
            if mark.cut:
                areas.append(drawn(mark.cut, system.in_mm(frame.radius)))
            area = unary_union(areas)
            uncut = Piece(frame.x_bow, frame.x_tip, frame.x_bow, frame.surface)
            wall = envelope([*pieces, *swept(path, cutter_of(frame)), uncut], frame.x_bow, frame.x_tip)
            for i in range(40):
                along = frame.x_bow + (frame.x_tip - frame.x_bow) * (i + 0.5) / 40
                travel = next(p.at(along) for p in wall if p.lo <= along <= p.hi)
                x = left + system.in_mm(along)
                middle = top + system.in_mm(float(system.need("blade.width"))) / 2
                half = LineString([(x, -100), (x, middle)] if frame.hand == "left" else [(x, middle), (x, 200)])
                hit = area.intersection(half)
                expected = top + system.in_mm(frame.across(frame.dimension(travel)))
                if hit.is_empty:
                    assert travel <= frame.surface + 1e-9
                    continue
                reach = hit.bounds[3] if frame.inwards > 0 else hit.bounds[1]
                deeper = frame.inwards * (reach - expected)
                assert deeper <= NEAR
                assert deeper >= -NEAR or travel <= frame.surface + 1e-9
                looked += 1
    return looked


@pytest.mark.parametrize("name", shipped_systems())
def test_what_is_drawn_as_cut_is_what_the_simulation_took(name: str) -> None:
    code = shipped_code(name)
    assert code.depths is not None
    assert hold_to_simulation(plan(code, code.system), code.depths) > 100


@pytest.mark.parametrize("system", but_long(SYSTEMS, *SYSTEMS[2:]), ids=lambda system: system.name)
def test_other_systems_too_eased_and_the_other_way(system: System) -> None:
    depths = tuple(tuple((i * 2 + n) % 3 for i in range(lane.track.cuts)) for n, lane in enumerate(system.lanes))
    code = code_of(system, depths)
    assert hold_to_simulation(plan(code, system, direction="tip-to-bow"), depths) > 100
    if system.cutting.steepest:
        assert hold_to_simulation(plan(code, system, ease=True), depths) > 100


def test_the_cutter_that_is_in_the_machine(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(
        'format = 1\nunit = "mm"\n[space]\nper_turn = 1.0\nclockwise = "to-bow"\nbacklash = 0.05\n[depth]\nper_turn = 0.5\n'
        'clockwise = "deepens"\nbacklash = 0.05\n[cutter]\ndiameter = 2.2\n'
    )
    code = shipped_code("plover")
    assert code.depths is not None
    assert hold_to_simulation(plan(code, load_system("plover"), machine=load_machine(file)), code.depths) > 100


@pytest.mark.parametrize("name", but_long(shipped_systems(), "grebe", "plover", "siskin", "wren"))
def test_a_change_starts_from_the_key_as_it_is(name: str) -> None:
    """Every cut one depth shallower where it can be, then deepened to the code."""
    code = shipped_code(name)
    assert code.depths is not None
    old = code_of(code.system, [[max(0, depth - 1) for depth in row] for row in code.depths])
    made = plan(code, code.system, have=old)
    assert made.taken
    assert hold_to_simulation(made, code.depths, old) > 100


def test_every_shipped_system_has_a_code_here() -> None:
    assert sorted(CODES) == sorted(shipped_systems())
