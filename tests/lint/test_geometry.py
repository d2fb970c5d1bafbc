"""What the lint says about metal, held to the published and derived vectors and to the simulated cutter."""

from __future__ import annotations

import math
import tomllib
from math import floor
from pathlib import Path

import attrs
import pytest

import bitting
from bitting.diagram import code_space, occurrence
from bitting.diagram.occurrence import Legal
from bitting.geometry.figures import EXACT
from bitting.geometry.spare import round_limit, vee_limit
from bitting.geometry.web import between, meetings
from bitting.linting import en1303, lint
from bitting.linting.metal import _uncovered
from bitting.linting.reach import square_angle
from bitting.machine.plan.plan import plan
from bitting.model import Cutting
from tests.conftest import but_long
from tests.make import read_rules, system, track
from tests.plan_systems import EDGES, FOUR, INTERNAL, VEE

REFERENCE = Path(__file__).parents[1] / "reference"
GEOMETRY = tomllib.loads((REFERENCE / "key_geometry.toml").read_text(encoding="utf-8"))
STANDARDS = tomllib.loads((REFERENCE / "lock_standards.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("vector", GEOMETRY["macs_straight_cut"]["vector"])
def test_macs_of_a_vee(vector) -> None:
    """tests/reference/key_geometry.toml, macs_straight_cut: quotient seen at second hand, vectors computed there."""
    spacing, root, increment, angle = (vector[key] for key in ("spacing", "root", "increment", "angle"))
    quotient = vee_limit(spacing, root, root, angle) / increment
    assert quotient == pytest.approx(vector["quotient"], abs=5e-7)
    assert floor(quotient + EXACT) == vector["macs"]


@pytest.mark.parametrize("vector", GEOMETRY["round_cutter"]["vector"])
def test_reach_of_an_end_mill(vector) -> None:
    """tests/reference/key_geometry.toml, round_cutter: derived there."""
    found = round_limit(vector["r"], vector["spacing"], vector["root"])
    assert found == (None if vector["limit"] == "none" else pytest.approx(vector["limit"], abs=5e-7))


def test_grades_are_those_quoted() -> None:
    """tests/reference/lock_standards.toml, en_1303: seen at second hand, edition not named."""
    quoted = [
        (row["grade"], row["min_effective_differs"], row["min_movable_detainers"], row["max_identical_steps_percent"],
         row.get("max_identical_adjacent"))
        for row in STANDARDS["en_1303"]["grade"]
    ]  # fmt: skip
    assert [attrs.astuple(grade) for grade in en1303.GRADES] == quoted


def ruled(made, *must):
    """A system with these rules."""
    made = attrs.evolve(made, must=must, should=(), rules=())
    return attrs.evolve(made, rules=read_rules(made, must, ()))


def told(made, code):
    return [finding for finding in lint(made).findings if finding.code == code]


@pytest.mark.parametrize("macs", [1, 2, 3, 4])
def test_walls_are_those_that_the_plan_leaves(macs: int) -> None:
    made = ruled(FOUR, f"adjacent cuts differ by at most {macs}")
    found = {f.code: f for f in lint(made).findings if f.code in ("wall-eased", "wall-steep")}
    h = 0.45 * macs
    angle = 90.0 if h >= 1.2 else math.degrees(math.acos(1 - h / 1.2))
    assert bool(found) == (angle > 60)
    for code, finding in found.items():
        depths = bitting.parse_code(finding.witness, made)
        square = max(wall.angle for wall in plan(depths, made).simulation.walls)
        eased = max(wall.angle for wall in plan(depths, made, ease=True).simulation.walls)
        assert square == pytest.approx(square_angle(round(h, 9), 1.2), abs=1e-6)
        assert f"leaves a wall of {square:.0f}°" in finding.message
        assert (eased <= 60 + 1e-6) == (code == "wall-eased")


@pytest.mark.parametrize("pitch", [-2.3, -1.3, -1.1, -0.9, -0.7])
@pytest.mark.parametrize("macs", but_long([1, 2, 3], 1, 2))
def test_a_seat_is_gouged_exactly_when_the_simulation_says_so(pitch: float, macs: int) -> None:
    left = attrs.evolve(FOUR.tracks[0], spaces=tuple(round(20.0 + pitch * i, 6) for i in range(4)))
    made = attrs.evolve(
        FOUR, sides=(), convenience=False, tracks=(left,), cutting=attrs.evolve(FOUR.cutting, setup=None)
    )
    made = ruled(made, f"adjacent cuts differ by at most {macs}")
    space = code_space(made)
    worst = max(
        plan(bitting.parse_code(write(made, code), made), made).simulation.gouge for code in space.sample(60, seed=3)
    )
    found = told(made, "seat-gouged")
    if found:
        gouge = plan(bitting.parse_code(found[0].witness, made), made).simulation.gouge
        assert gouge > 1e-9
        assert gouge >= worst - 1e-9
    else:
        assert worst <= 1e-9


def write(made, code):
    return occurrence.write(made, code)


@pytest.mark.parametrize("diameter", but_long([1.6, 1.8, 2.0, 2.2, 2.3, 2.5, 2.6, 3.2], 1.6, 1.8, 2.0, 2.2, 2.6, 3.2))
def test_a_groove_is_too_narrow_exactly_when_the_simulation_gouges(diameter: float) -> None:
    made = attrs.evolve(INTERNAL, cutting=attrs.evolve(INTERNAL.cutting, cutter=diameter))
    found = told(ruled(made, "adjacent cuts differ by at most 1"), "gap-narrow")
    made = ruled(made, "adjacent cuts differ by at most 1")
    worst = max(
        plan(bitting.parse_code(write(made, code), made), made).simulation.gouge
        for code in code_space(made).sample(60, seed=5)
    )
    if found:
        assert plan(bitting.parse_code(found[0].witness, made), made).simulation.gouge > 1e-9
    else:
        assert worst <= 1e-9


def test_the_first_pass_can_be_too_narrow_where_no_cut_is() -> None:
    """Every track is passed over at its shallowest depth, whatever its code."""
    made = attrs.evolve(INTERNAL, cutting=attrs.evolve(INTERNAL.cutting, cutter=2.4))
    # 9.6 - 3.7 - 3.7 = 2.2: a opposite a is too narrow, and so is the pass at a opposite a.
    barred = [f"when left cut {i} is a, right cut {i} is one of b c d" for i in range(1, 9)]
    found = told(ruled(made), "gap-narrow")
    assert [f.message.split(" the groove")[0] for f in found] == ["at cut 1 of left and cut 1 of right"]
    made = ruled(made, *barred)
    found = told(made, "gap-narrow")
    assert len(found) == 1
    assert found[0].message.startswith(
        "on the pass along left at its shallowest depth, opposite cut 1 of right, the groove is"
    )
    assert plan(bitting.parse_code(found[0].witness, made), made).simulation.gouge > 1e-9


def test_shortest_distance_between_walls_by_polygons() -> None:
    from shapely import Point, Polygon

    for apart in (0.0, 1.0, 2.2, 3.6):
        for across in (-0.5, 0.2, 1.0, 2.5):
            root, half = EDGES.cutting.root, math.radians(45)
            out = 5.0

            def valley(x, y, way, root=root, half=half, out=out):
                side = out * math.tan(half)
                return Polygon([(x - root / 2, y), (x + root / 2, y), (x + root / 2 + side, y + way * out),
                                (x - root / 2 - side, y + way * out)])  # fmt: skip

            distance = valley(0, 0, -1).distance(valley(apart, across, 1))
            assert max(between(EDGES.cutting, apart, across), 0) == pytest.approx(distance, abs=1e-9)
            r = FOUR.cutting.cutter / 2
            circles = (
                Point(0, -r).buffer(r, quad_segs=2000).distance(Point(apart, across + r).buffer(r, quad_segs=2000))
            )
            if across > 0:
                assert max(between(FOUR.cutting, apart, across), 0) == pytest.approx(circles, abs=1e-5)


def test_lengths_that_nothing_covers() -> None:
    assert _uncovered((0.0, 3.0), [(0.0, 1.0), (2.0, 3.0)]) == pytest.approx(1.0)
    assert _uncovered((0.0, 3.0), [(-1.0, 0.5), (0.2, 5.0)]) == 0.0
    assert _uncovered((0.0, 3.0), []) == 3.0
    assert _uncovered((0.0, 3.0), [(4.0, 5.0), (1.0, 1.5)]) == pytest.approx(2.5)


def test_slivers_mind_the_first_pass_and_the_prepared_edge() -> None:
    made = ruled(FOUR, "adjacent cuts differ by at most 2")
    # The deepest wall is 3.2 in, the cutter clears 2.4 of it; the pass at the shallowest depth clears the outer 1.4.
    assert [f.level for f in told(made, "sliver")] == ["note"]
    assert told(attrs.evolve(made, blade=attrs.evolve(made.blade, prepared=0.8)), "sliver") == []
    narrow = attrs.evolve(made, cutting=attrs.evolve(made.cutting, cutter=1.2))
    found = told(narrow, "sliver")
    assert [f.level for f in found] == ["warning"]
    assert "a sliver of 0.80 mm stands outboard" in found[0].message  # 3.2 - 1.2 - 1.4, and 1.4 - 1.2 at the edge
    assert found[0].witness is not None


def test_what_the_file_leaves_out_is_named_and_the_rest_is_checked() -> None:
    made = ruled(attrs.evolve(FOUR, cutting=Cutting(), measuring=attrs.evolve(FOUR.measuring, tolerance=None)))
    found = told(made, "not-checked")
    assert all(f.level == "note" for f in found)
    keys = {
        "`cutter` under [cutting]",
        "`seat` under [cutting]",
        "`steepest` under [cutting]",
        "`tolerance` under [measuring]",
    }
    assert {key for key in keys if any(key in f.message for f in found)} == keys
    assert len(found) == 5  # and last, what to add to have everything checked, in one line
    assert "tolerance = …; under [cutting] cutter = …" in found[-1].message
    assert lint(made).clean


def test_a_convenience_edge_faces_itself() -> None:
    made = ruled(attrs.evolve(VEE, sides=("upper", "lower"), convenience=True))
    found = told(made, "metal-thin")  # 2 * (0.33 - 9 * 0.014) - 0.335 = 0.073
    assert found == []
    deeper = attrs.evolve(made, blade=attrs.evolve(made.blade, width=0.40))
    found = told(deeper, "metal-thin")  # 2 * 0.204 - 0.40 = 0.008 in, and 0.4 mm is 0.016 in
    assert [f.level for f in found] == ["warning"]
    assert "only 0.008 in of metal is left between cut 1 and the same cut of the other edge" in found[0].message


@pytest.mark.parametrize("name", but_long(bitting.shipped_systems(), "grebe", "heron", "siskin"))
def test_witnesses_are_legal_codes_that_show_what_is_said(name: str) -> None:
    made = bitting.load_system(name)
    legal = Legal(made, code_space(made))
    for finding in lint(made, en1303=True).findings:
        if finding.witness is not None:
            assert legal.space.contains(bitting.parse_code(finding.witness, made).depths)


def test_only_cuts_near_each_other_are_compared_depth_by_depth(monkeypatch) -> None:
    """Of 60 opposite 60 cuts the first one and that straight across leave nothing: a table of 4 by 4 depths tells it, once."""
    asked = []
    monkeypatch.setattr("bitting.geometry.web.between", lambda *given: asked.append(given) or between(*given))
    made = system(track("left", 60, "1234", step=-1.4), track("right", 60, "1234", step=-1.4))
    found = next(f for f in lint(made).findings if f.code == "metal-thin")
    assert "no metal is left between cut 1 of left and cut 1 of right" in found.message
    assert len(asked) == sum(1 for _ in meetings(made, *made.lanes)) + 4 * 4
