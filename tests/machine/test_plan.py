"""Plans: the order of moves, stops that ease a wall, machines with play, and what is said besides."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Sequence
from math import acos, degrees
from pathlib import Path

import pytest
from attrs import evolve
from click.testing import CliRunner, Result
from hypothesis import assume, given
from hypothesis import strategies as st

from bitting.cli.plan import command
from bitting.errors import BittingError, SystemFileError
from bitting.geometry.frame import frame_of
from bitting.geometry.profile import EndMill, Piece, envelope, excess, steepest, swept
from bitting.grammars import folder
from bitting.machine.plan.bite import milling_of
from bitting.machine.plan.moves import Direction, stops_between
from bitting.machine.plan.plan import Plan, Take, parse_take, plan
from bitting.machine.plan.steps import Step
from bitting.machine.simulate import TrackMoves, simulate
from bitting.model import Blade, System, Track, code_of
from bitting.notation import parse_code
from bitting.report.plan import plan_lines
from bitting.sheet.html import page_html
from bitting.sheet.page import page_of
from bitting.systemfile import load_system, shipped_systems
from bitting.systemfile.machine import Control, Corrections, Machine, load_machine, read_machine, with_corrections
from tests.conftest import but_long, drawn
from tests.plan_oracle import legal_depths
from tests.plan_systems import FOUR, INTERNAL, TWO, VEE

ONE = evolve(FOUR, name="one", tracks=FOUR.tracks[:1], sides=(), convenience=False)
WAYS: tuple[Direction, ...] = ("bow-to-tip", "tip-to-bow")


def words(result: Plan, track: int = 0) -> list[str]:
    return [f"{step.action} {step.to}" for step in result.tracks[track].steps]


def test_bow_to_tip_moves_space_first_when_deeper_and_depth_first_when_shallower() -> None:
    result = plan(code_of(ONE, [[1, 0, 2, 2, 0, 1, 3]]), ONE)
    assert words(result) == [
        "start load", "space 1", "depth 2", "depth 1", "space 2", "space 3", "depth 3", "space 4", "depth 1",
        "space 5", "space 6", "depth 2", "space 7", "depth 4", "run-out load",
    ]  # fmt: skip


def test_tip_to_bow_enters_the_tip_at_the_last_depth_and_leaves_at_the_shallowest() -> None:
    result = plan(code_of(ONE, [[1, 0, 2, 2, 0, 1, 3]]), ONE, direction="tip-to-bow")
    assert words(result) == [
        "start load", "depth 4", "space 7", "depth 2", "space 6", "depth 1", "space 5", "space 4", "depth 3",
        "space 3", "depth 1", "space 2", "space 1", "depth 2", "depth 1", "run-out load",
    ]  # fmt: skip


def test_vee_cuts_are_made_one_by_one() -> None:
    assert words(plan(code_of(VEE, [[0, 3, 1, 0, 0, 0]]), VEE))[:7] == [
        "start clear", "space 1", "depth 0", "retract clear", "space 2", "depth 3", "retract clear",
    ]  # fmt: skip
    assert words(plan(code_of(VEE, [[0, 3, 1, 0, 0, 0]]), VEE, direction="tip-to-bow"))[1] == "space 6"


def test_every_side_and_track_is_planned_in_order() -> None:
    result = plan(code_of(FOUR, [[0] * 7, [1] * 7]), FOUR)
    assert [(t.side, t.track) for t in result.tracks] == [
        ("top", "left"), ("top", "right"), ("bottom", "left"), ("bottom", "right"),
    ]  # fmt: skip
    assert result.between[0][0] == "bottom"
    assert plan(code_of(ONE, [[0] * 7]), ONE).tracks[0].side is None


@pytest.mark.parametrize("name", but_long(shipped_systems(), "siskin", "heron"))
@pytest.mark.parametrize("direction", WAYS)
def test_sampled_codes_are_cut_exactly(name: str, direction: Direction) -> None:
    """A few legal codes of each system here; five hundred each in tests/benchmarks/plan_study.py."""
    system = load_system(name)
    play = system.from_mm(0.06)
    machine = Machine(
        "played", system.unit, Control(1.0, 0.0, "to-bow", 100, play), Control(1.0, 0.0, "deepens", 100, play)
    )
    for depths in legal_depths(system, 6, 4):
        for ease in (False, True):
            for on in (None, machine):
                result = plan(code_of(system, depths), system, ease, on, direction)
                assert result.simulation.gouge == 0
                assert result.simulation.reached
                assert result.good
                limit = system.cutting.steepest
                if ease and limit is not None:
                    assert max(wall.angle for wall in result.simulation.walls) <= limit + 1e-9


def with_play(steps: Sequence[Step], play: float) -> list[tuple[float, float]]:
    """Where the cutter's point really goes on a machine whose controls both have play.

    A slide is dragged along only after the play is used up, so it lies between where the control points and that much
    behind. Both were set at the start the way the moves go on: depth deepening, space as the cuts follow each other.
    """
    cuts = [step.x for step in steps if step.action == "space"]
    onward = 1 if cuts[-1] > cuts[0] else -1
    x, w = steps[0].x, steps[0].w
    path = []
    for step in steps:
        x = onward * min(max(onward * x, onward * step.x), onward * step.x + play)
        w = min(max(w, step.w), step.w + play)
        path.append((x, w))
    return path


@pytest.mark.parametrize("direction", WAYS)
@pytest.mark.parametrize("ease", [False, True])
def test_play_in_the_controls_is_taken_up(direction: Direction, ease: bool) -> None:
    """The plan for a machine with play, run on such a machine, cuts clean; the plan for one without doesn't."""
    system = load_system("plover")
    play = Machine("played", "mm", Control(1.0, 0.0, "to-bow", 100, 0.06), Control(1.0, 0.0, "deepens", 100, 0.06))
    harmed = 0
    for depths in legal_depths(system, 12, 9):
        for on, expected in ((play, True), (None, False)):
            tracks = []
            for track in plan(code_of(system, depths), system, ease, on, direction).tracks[:2]:
                real = with_play(track.steps, 0.06)
                moved = [evolve(s, x=x, w=w) for s, (x, w) in zip(track.steps, real, strict=True)]
                tracks.append(TrackMoves(track.side, track.track, tuple(moved)))
            result = simulate(depths, system, tracks)
            if expected:
                assert result.gouge == 0
                assert result.reached
            else:
                harmed += result.gouge > 0.05
    assert harmed


@pytest.mark.parametrize(
    ("play", "direction", "told"), [(0.06, None, True), (0.0, None, False), (0.06, "tip-to-bow", False)]
)
def test_tracks_cut_in_opposite_directions_lie_apart_by_the_play(
    play: float, direction: Direction | None, told: bool
) -> None:
    """A dial whose zero holds on the way to the tip is out by the play on the way to the bow: no move takes that up."""
    machine = Machine("played", "mm", Control(1.0, 0.0, "to-bow", 100, play))
    system = load_system("plover")
    code = parse_code("left: 2133244 / right: 1124421", system)
    warned = " ".join(plan(code, system, machine=machine, direction=direction).warnings)
    assert ("0.06 mm" in warned and "Write zeroed = " in warned) is told


def test_overshoots_stay_off_the_shoulder_and_the_clamp() -> None:
    play = Machine("played", "mm", Control(1.0, 0.0, "to-bow", 100, 0.4), Control(1.0, 0.0, "deepens", 100, 0.06))
    code = code_of(TWO, [[0, 1, 2, 1, 0, 1, 2, 1]])
    assert words(plan(code, TWO, machine=play))[1].startswith("overshoot space")
    near = evolve(TWO, tracks=(evolve(TWO.tracks[0], spaces=tuple(s - 4.6 for s in TWO.tracks[0].spaces)),))
    result = plan(code_of(near, [[0, 1, 2, 1, 0, 1, 2, 1]]), near, machine=play)
    assert not any(word.startswith("overshoot space") for word in words(result))
    assert any("no room to go past cut 1" in warning for warning in result.warnings)
    clamped = evolve(play, space=evolve(play.space, clamp=4.5))
    assert not any(word.startswith("overshoot space") for word in words(plan(code, TWO, machine=clamped)))


def test_a_stop_at_half_depth_and_half_a_pitch() -> None:
    """A step of 0.90 at pitch 2.3 with a 2.4 cutter: arccos(1 - 0.45/1.2) is left, 51 degrees, and no gouge."""
    stops, angle = stops_between((0.0, 0.0), (2.3, 0.9), EndMill(1.2), seat=0.3, steepest_allowed=60, grain=0.01)
    assert stops == [pytest.approx((1.15, 0.45))]
    assert angle == pytest.approx(degrees(acos(1 - 0.45 / 1.2)))


@drawn(60)
@given(
    st.floats(1.6, 4.0), st.floats(0.05, 2.2), st.floats(0.8, 1.4), st.floats(0.1, 0.6), st.sampled_from([45, 60, 70]),
    st.sampled_from([1, -1]),
)  # fmt: skip
def test_stops_never_touch_the_shallower_seat_and_never_make_a_wall_steeper(
    pitch: float, h: float, r: float, seat: float, limit: float, way: int
) -> None:
    stops, angle = stops_between(
        (0.0, 0.0), (way * pitch, h), EndMill(r), seat=seat, steepest_allowed=limit, grain=0.01
    )
    path = [(0.0, 0.0)]
    for x, w in [*stops, (way * pitch, h)]:
        path += [(x, path[-1][1]), (x, w)]
    pieces = swept(path, EndMill(r))
    for stop in stops:
        for piece in EndMill(r).outline(*stop):
            assert excess(piece, Piece(-seat / 2, seat / 2, 0.0, 0.0)) <= 1e-12
    ends = sorted((0.0, way * pitch))
    assert angle == pytest.approx(steepest(envelope(pieces, *ends)), abs=1e-9)
    square = steepest(envelope(swept([(0.0, 0.0), (way * pitch, 0.0), (way * pitch, h)], EndMill(r)), *ends))
    assert angle <= square + 1e-9


def test_without_easing_each_wall_too_steep_is_named_with_its_angle() -> None:
    result = plan(code_of(ONE, [[0, 2, 2, 2, 2, 2, 2]]), ONE)
    assert result.warnings[:1] == (
        "Too steep for a tumbler (60°, here up to 76°), between cuts: left 1-2; ease them with `bitting plan --ease`.",
    )
    eased = plan(code_of(ONE, [[0, 2, 2, 2, 2, 2, 2]]), ONE, ease=True)
    assert not any("steep" in text for text in eased.warnings)
    assert words(eased)[2:6] == ["ease space 20.25", "ease depth 8.15", "space 2", "depth 3"]


def test_milling_follows_hand_and_rotation() -> None:
    """Metal on the left of the travel, cutter clockwise: conventional (common practice)."""
    left, right = (frame_of(FOUR, lane) for lane in FOUR.lanes)
    assert milling_of(left, towards_tip=False) == "conventional"
    assert milling_of(left, towards_tip=True) == "climb"
    assert milling_of(right, towards_tip=True) == "conventional"
    inner_left, inner_right = (frame_of(INTERNAL, lane) for lane in INTERNAL.lanes)
    assert milling_of(inner_left, towards_tip=True) == "conventional"
    assert milling_of(inner_right, towards_tip=False) == "conventional"
    other = evolve(FOUR, cutting=evolve(FOUR.cutting, rotation="anticlockwise"))
    assert milling_of(frame_of(other, other.lanes[0]), towards_tip=True) == "conventional"


def test_bites_are_the_metal_that_each_move_takes() -> None:
    result = plan(code_of(ONE, [[0, 0, 2, 2, 0, 0, 0]]), ONE)
    bites = {(step.action, step.to): step.bite for step in result.tracks[0].steps}
    assert bites["space", "1"] == pytest.approx(1.4)  # the edge lies at 10.0, the shallowest at 8.6
    assert bites["space", "2"] == 0
    assert bites["space", "4"] == pytest.approx(0.9)
    # a plunge of 0.9 finds metal over the chord of the cutter at that height: 2√(r² - (r - 0.9)²)
    assert bites["depth", "3"] == pytest.approx(2 * (1.2**2 - 0.3**2) ** 0.5)
    assert bites["run-out", "load"] == 0
    solid = plan(code_of(INTERNAL, [[0] * 8, [0] * 8]), INTERNAL)
    assert solid.tracks[0].steps[1].bite == pytest.approx(1.8)
    assert solid.tracks[0].steps[1].milling == "both"
    assert solid.tracks[1].steps[1].bite == pytest.approx(0.4)  # the gap of 2.2 less the 1.8 already cut


MACHINE = """
format = 1
name = "by the window"
unit = "mm"
[cutter]
diameter = 2.30
[space]
per_turn = 1.0
divisions = 100
zero = 20.0
clockwise = "to-bow"
backlash = 0.05
limits = [-20.0, 40.0]
[depth]
per_turn = 0.5
divisions = 50
zero = 10.0
clockwise = "deepens"
detents = 0.05
[corrections]
space = 0.02
depth = -0.015
left_right = 0.01
"""


def test_machine_settings_are_corrected_and_told_in_turns() -> None:
    result = plan(code_of(FOUR, [[0, 1, 1, 1, 1, 1, 1], [0] * 7]), FOUR, machine=read_machine(MACHINE))
    steps = {(step.action, step.to): step for step in result.tracks[0].steps}
    # 19.10 + 0.02 from the stop, the dial's zero at 20: 0.88 of a turn below it, 2.3 nearer the tip than cut 1
    assert steps["space", "2"].setting == {"space": pytest.approx(19.12)}
    assert steps["space", "2"].turns == "dial 0 turns 88.0 ccw (turn ccw 2 turns 30.0)"
    # 1.905 deeper than 10.0 at half a millimetre a turn: 3 turns and 40.5 of 50 marks, clockwise deepening
    assert str(steps["depth", "2"].turns).startswith("dial 3 turns 40.5 cw, click -38 and -0.005 (turn cw 0 turns 45.0")
    # 8.15 - 0.015 + 0.01 on the left, and 0.05 deeper, for the cutter's radius is 0.05 short
    assert steps["depth", "2"].setting == {"depth": pytest.approx(8.15 - 0.015 + 0.01 - 0.05)}
    right = result.tracks[1].steps[0]
    assert right.setting is not None
    assert right.setting["depth"] == pytest.approx(8.60 - 0.015 - 0.01 - 0.05)
    assert result.simulation.gouge == 0
    assert result.simulation.residual > plan(code_of(FOUR, [[0, 1, 1, 1, 1, 1, 1], [0] * 7]), FOUR).simulation.residual


def test_settings_past_a_limit_are_told() -> None:
    short = read_machine(MACHINE.replace("[-20.0, 40.0]", "[-20.0, 21.0]"))
    result = plan(code_of(FOUR, [[0] * 7, [0] * 7]), FOUR, machine=short)
    assert any("past the control's limits" in warning for warning in result.warnings)


def test_a_machine_in_the_other_unit_gives_the_same_moves() -> None:
    mm = Machine("a", "mm", Control(2.54, 0.0, "to-bow", 100, 0.0508), Control(1.27, 0.0, "deepens"), 2.286)
    inch = Machine("a", "in", Control(0.1, 0.0, "to-bow", 100, 0.002), Control(0.05, 0.0, "deepens"), 0.09)
    code = code_of(FOUR, [[0, 1, 0, 1, 0, 1, 0], [0] * 7])
    one, two = plan(code, FOUR, machine=mm), plan(code, FOUR, machine=inch)
    assert [s.turns for s in one.tracks[0].steps] == [s.turns for s in two.tracks[0].steps]


def test_all_faults_of_a_machine_file_are_told_together() -> None:
    text = 'format = 2\nunit = "cm"\nspeed = 3\n[space]\nper_turn = -1\nclockwise = "left"\nlimits = [3, 1]\n'
    with pytest.raises(SystemFileError, match="6 faults") as fault:
        read_machine(text, "bench.toml")
    assert "bench.toml" in fault.value.message
    assert [line.split(": ")[:2] for line in fault.value.faults] == [
        ["bench.toml", path]
        for path in ("format", "unit", "speed", "space.per_turn", "space.clockwise", "space.limits")
    ]


def test_corrections_are_written_and_nothing_else_is_touched() -> None:
    text = with_corrections(MACHINE + "# a last word\n", Corrections(space=0.1, cutter=2.38))
    machine = read_machine(text)
    assert machine.corrections == Corrections(space=0.1, cutter=2.38)
    assert evolve(machine, corrections=Corrections()) == evolve(read_machine(MACHINE), corrections=Corrections())


def test_a_missing_machine_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(BittingError, match=r"can't read the machine file .*none\.toml"):
        load_machine(tmp_path / "none.toml")


def test_open_and_wrong_codes_are_refused_with_the_reason() -> None:
    with pytest.raises(BittingError, match="every cut is one known depth") as fault:
        plan(parse_code("left: 21?3144 / right: 1124421", load_system("plover")), load_system("plover"))
    assert "?" in str(fault.value.text)


def test_an_illegal_code_is_planned_and_said_to_be_illegal() -> None:
    system = load_system("plover")
    result = plan(parse_code("left: 1111144 / right: 1124421", system), system)
    assert not result.legal
    assert not result.good
    assert result.warnings[0].startswith("NOT A LEGAL CODE of plover: ")


def test_a_system_without_a_cutter_says_which_line_to_add() -> None:
    bare = evolve(ONE, cutting=evolve(ONE.cutting, cutter=None))
    with pytest.raises(BittingError, match="cutter") as fault:
        plan(code_of(bare, [[0] * 7]), bare)
    assert "[cutting]" in fault.value.hint


def read_back(lines: Sequence[str]) -> list[list[tuple[str, str]]]:
    """The moves of each printed track, read as somebody at the machine does: line by line, from left to right."""
    tracks: list[list[tuple[str, str]]] = []
    for line in lines:
        if re.match(r"[A-Z ]+, from (bow|tip) to (bow|tip): ", line):
            tracks.append([])
        cut = re.match(r"  cut (\d+) ", line)
        if not line.startswith("  ") or not tracks:
            continue
        for word, depth in re.findall(r"(SPACE|DEPTH|RUN OUT)(?: +(\w+)(?=  ))?", line):
            if word == "RUN OUT":
                tracks[-1].append(("run-out", "load"))
            else:
                tracks[-1].append(("space", cut[1] if cut else "?") if word == "SPACE" else ("depth", depth))
    return tracks


def moves_of(made: Plan) -> list[list[tuple[str, str]]]:
    """The moves of each track as `read_back` has them; where both sides carry the same cuts, those of the first."""
    once = [track for track in made.tracks if made.made_for.sided or track.side == made.tracks[0].side]
    return [[(step.action, step.to) for step in track.steps[1:] if step.action != "retract"] for track in once]


@pytest.mark.parametrize("name", shipped_systems())
def test_the_plan_as_printed_is_short_and_read_back_gives_every_move(name: str) -> None:
    system = load_system(name)
    for depths in legal_depths(system, 25, 3):
        made = plan(code_of(system, depths), system)
        lines = [line for line, _ in plan_lines(made, columns=80)]
        assert len(lines) <= 34
        assert max(map(len, lines)) <= 80
        assert lines[0].startswith(f"{name}: ")
        assert lines[-1].endswith("More: --full")
        assert read_back(lines) == moves_of(made)


@pytest.mark.parametrize("name", shipped_systems())
@given(data=st.data())
@drawn(80)
def test_no_move_is_left_out_where_a_key_is_changed(name: str, data: st.DataObject) -> None:
    """Legal or not; where a track has two stretches to deepen, three moves go to the first cut of the second."""
    system = load_system(name)
    new = [
        [data.draw(st.integers(0, len(lane.track.labels) - 1)) for _ in range(lane.track.cuts)] for lane in system.lanes
    ]
    old = [[data.draw(st.sampled_from([depth, depth, max(depth - 1, 0), 0])) for depth in row] for row in new]
    assume(new != old)
    way = data.draw(st.sampled_from([None, *WAYS]))
    made = plan(code_of(system, new), system, have=code_of(system, old), direction=way)
    lines = [line for line, _ in plan_lines(made, columns=data.draw(st.sampled_from([70, 120])))]
    assert read_back(lines) == moves_of(made)


def test_the_printed_moves_stand_where_the_machine_s_own_cutter_does() -> None:
    """A cutter of another size has another load place: the first move still starts there."""
    system = load_system("plover")
    machine = read_machine(MACHINE.replace("backlash = 0.05\n", ""))
    result = plan(parse_code("left: 2133144 / right: 1124421", system), system, machine=machine, direction="bow-to-tip")
    text = "\n".join(line for line, _ in plan_lines(result, columns=140))
    assert "load place → 1" in text
    assert "past 7" not in text


@pytest.mark.parametrize("change", [{"width": 6.4}, {"thickness": 2.0}])
def test_a_key_cut_through_is_said_first_and_exits_1(change: dict[str, float], tmp_path: Path) -> None:
    """Walls 3.2 in from each edge of a blade of 6.4, or two faces milled 1.0 into a blade of 2.0, leave nothing."""
    source = Path(folder("systems"), "plover.toml").read_text(encoding="utf-8")
    name, value = next(iter(change.items()))
    old = {"width": "10.0", "thickness": "2.6"}[name]
    source = source.replace(f"{name} = {old}", f"{name} = {value}")
    if name == "width":  # the same cuts from the edge: metal left is less by what the blade is narrower
        source = source.replace(
            "1 = 8.60, 2 = 8.15, 3 = 7.70, 4 = 7.25, 5 = 6.80", "1 = 5.00, 2 = 4.55, 3 = 4.10, 4 = 3.65, 5 = 3.20"
        )
        source = source.replace("less = 10.00", "less = 6.40")
    (tmp_path / "thin.toml").write_text(source, encoding="utf-8")
    found = invoke("left: 3355555 / right: 3355555", "-s", str(tmp_path / "thin.toml"))
    assert found.exit_code == 1
    assert found.stdout.startswith("DON'T CUT IT: the key would be cut through")


def test_a_cutter_that_comes_to_the_shoulder_is_a_fault_of_the_plan() -> None:
    near = evolve(TWO, tracks=(evolve(TWO.tracks[0], spaces=tuple(s - 5.0 for s in TWO.tracks[0].spaces)),))
    result = plan(code_of(near, [[0, 1, 2, 1, 0, 1, 2, 1]]), near)
    assert not result.good
    assert result.obstacles == ("cuts: the cutter comes 0.2 mm into the shoulder",)  # cut 1 at 1.0, radius 1.2
    assert plan(code_of(TWO, [[0, 1, 2, 1, 0, 1, 2, 1]]), TWO).obstacles == ()


def test_where_there_is_no_room_the_setting_that_gets_there_is_printed() -> None:
    """Play of 0.4 and no room past cut 1: coming from the tip, the control goes 0.4 further towards the bow."""
    near = evolve(TWO, tracks=(evolve(TWO.tracks[0], spaces=tuple(s - 4.6 for s in TWO.tracks[0].spaces)),))
    play = Machine("played", "mm", Control(1.0, 0.0, "to-bow", 100, 0.4), Control(1.0, 0.0, "deepens", 100))
    step = (
        plan(code_of(near, [[0, 1, 2, 1, 0, 1, 2, 1]]), near, machine=play, direction="bow-to-tip").tracks[0].steps[1]
    )
    assert (step.action, step.to, step.space) == ("space", "1", pytest.approx(1.4))
    assert step.setting == {"space": pytest.approx(1.0)}
    assert "takes up the play towards the bow" in str(step.turns)


def test_one_cut_deepened_moves_nothing_else() -> None:
    system = load_system("plover")
    old, new = (parse_code(f"left: 2133{d}34 / right: 1124421", system) for d in "12")
    result = plan(new, system, have=old)
    assert {track.track for track in result.tracks} == {"left"}
    assert result.good
    assert result.taken == "left 5 by 0.45 mm"
    text = "\n".join(line for line, _ in plan_lines(result))
    assert "moves that deepen left 5 by 0.45 mm; simulated" in text
    with pytest.raises(BittingError, match="deeper already"):
        plan(old, system, have=new)


def test_a_little_more_is_set_past_the_depth() -> None:
    system = load_system("plover")
    code = parse_code("left: 2133144 / right: 1124421", system)
    result = plan(code, system, take=[parse_take("left 5 by 0.10", system)])
    settings = [step.depth for step in result.tracks[0].steps]
    assert 8.5 in [round(value, 6) for value in settings]
    assert [w for w in result.warnings if w.startswith("First mill once more left 5 at depth 1, 8.60 mm")]
    assert [w for w in result.warnings if w.endswith("Leave out a side that measured right.")]
    assert result.simulation.gouge == 0
    assert result.simulation.reached
    assert not [
        w for w in result.warnings if w.startswith("Too steep")
    ]  # a shallow cut comes to its depth, not past it
    assert parse_take("left cut 5 by 0.10", system) == parse_take("left 5 by 0.10", system)
    for wrong in ("left by 0.1", "left 9 by 0.1", "left 5 by 9", "5 by 0.1", "left 5 by x"):
        with pytest.raises(BittingError):
            parse_take(wrong, system)


def test_every_list_of_a_plan_has_the_same_columns() -> None:
    """Siskin's left list has a move that climbs, which leaves 80 columns no room for the other unit."""
    system = load_system("siskin")
    lines = [line for line, _ in plan_lines(plan(parse_code("CBCCACEDE CEEDEDFFE", system), system), columns=80)]
    told = [line for line in lines if line.startswith("  cut")]
    assert not any("thou" in line for line in told)
    assert max(map(len, lines)) <= 80


def test_more_than_half_a_step_is_asked_about() -> None:
    system = load_system("siskin")
    code = parse_code("CBCCACEDE CEEDEDFFE", system)
    for amount, asked in (("0.5", True), ("0.05", False)):
        found = plan(code, system, take=[parse_take(f"left 3 by {amount}", system)]).warnings
        assert any(w.startswith("left 3 would then be nearer to depth B (2.21 mm) than to C") for w in found) == asked


@pytest.mark.parametrize("text", ["bottom 4 by .12", "bottom4 by 0,12mm", "b cut 4 by 0.12 mm", "Bottom edge 4 by ,12"])
def test_how_a_take_may_be_written(text: str) -> None:
    system = load_system("grebe")
    assert parse_take(text, system) == Take(1, 3, 0.12)
    with pytest.raises(BittingError, match="more than one"):
        parse_take("edge 4 by 0.12", system)


def test_one_side_of_a_key_with_the_same_cuts_on_both_is_taken_alone() -> None:
    system = load_system("plover")
    code = parse_code("left: 2133144 / right: 1124421", system)
    result = plan(code, system, take=[parse_take("bottom left 5 by 0.10", system)])
    assert {(track.side, track.track) for track in result.tracks} == {("bottom", "left")}
    assert result.taken == "bottom left 5 by 0.10 mm"
    assert result.simulation.reached
    assert not [w for w in result.warnings if "Leave out a side" in w]
    both = [parse_take(text, system) for text in ("top left 5 by 0.1", "bottom left 5 by 0.1")]
    with pytest.raises(BittingError, match="from side to side"):
        plan(code, system, take=both)


@pytest.mark.parametrize("system", [FOUR, TWO, VEE], ids=lambda s: s.name)
def test_a_change_leaves_what_the_new_key_leaves(system: System) -> None:
    """From a random key to a deeper one: nothing past the new code, everything reached, the wall as if cut at once."""
    chance = random.Random(7)
    for _ in range(12):
        track = system.tracks[0]
        deepest = min(len(track.labels) - 1, 3)
        old = [[chance.randrange(deepest) for _ in range(t.cuts)] for t in system.tracks]
        new = [[min(d + chance.choice([0, 0, 1]), deepest) for d in row] for row in old]
        if new == old:
            continue
        whole = plan(code_of(system, new), system)
        change = plan(code_of(system, new), system, have=code_of(system, old))
        assert change.simulation.reached
        assert change.simulation.gouge == pytest.approx(whole.simulation.gouge, abs=1e-9)
        assert change.simulation.residual <= whole.simulation.residual + 1e-9
        angles = [[wall.angle for wall in result.simulation.walls] for result in (change, whole)]
        assert angles[0] == pytest.approx(angles[1], abs=1e-6)  # runs between cuts as well
        assert change.moves <= whole.moves + 4 * len(system.tracks)


def test_an_eased_key_says_why_its_web_is_not_the_rules() -> None:
    """Easing takes metal off the walls between cuts; what rules count is the key without it (bitting/geometry/web.py)."""
    plover = load_system("plover")
    steep = evolve(plover, cutting=evolve(plover.cutting, steepest=45.0))
    differ = 0
    for depths in legal_depths(steep, 15, 5):
        code = code_of(steep, depths)
        eased, square = plan(code, steep, ease=True), plan(code, steep)
        web, rule = eased.simulation.stages[-1].web, eased.rule_web
        assert web is not None
        assert rule == pytest.approx(square.simulation.stages[-1].web, abs=1e-9)
        text = " ".join(line for line, _ in plan_lines(eased, columns=120))
        assert (f"({rule:.2f} mm before its walls are eased" in text) == (rule - web > 0.005)
        differ += rule - web > 0.005
    assert differ


def test_climb_cuts_are_told_with_the_order_that_does_not() -> None:
    system = load_system("plover")
    code = parse_code("left: 2133134 / right: 1124421", system)
    assert plan(code, system).warnings == ()
    climbs = plan(code, system, direction="bow-to-tip").warnings
    assert any("left: " in text and "climb (" in text and "--direction tip-to-bow" in text for text in climbs)
    assert plan(code, system, direction="conventional").warnings == ()


def plan_of_the_same(result: Plan) -> Plan:
    """With easing, whose lines are the longest."""
    system = result.made_for
    return plan(code_of(system, next(legal_depths(system, 1, 2))), system, ease=True)


def test_text_has_one_numbered_move_a_line() -> None:
    system = load_system("plover")
    result = plan(code_of(system, next(legal_depths(system, 1, 2))), system)
    lines = [line for line, _ in plan_lines(result, columns=90, full=True)]
    first = next(i for i, line in enumerate(lines) if line.startswith("TOP LEFT, from tip to bow: start at the load"))
    steps = result.tracks[0].steps[1:]
    numbers = [int(line.split()[0]) for line in lines[first + 1 : first + 1 + len(steps)]]
    assert numbers == list(range(1, len(steps) + 1))
    assert any("once more" in line for line in lines)
    assert max(len(line) for line, _ in plan_lines(plan_of_the_same(result), columns=76)) <= 76


def invoke(*args: str, stdin: str | None = None) -> Result:
    return CliRunner().invoke(command, args, input=stdin)


LEGAL = "left: 2133134 / right: 1124421"


def test_command_prints_json_of_the_contract() -> None:
    found = invoke(LEGAL, "-s", "plover", "--json")
    answer = json.loads(found.stdout)
    assert answer["simulation"]["gouge"] == 0
    assert answer["simulation"]["residual"] < 0.01
    assert {"action", "to"} <= set(answer["tracks"][0]["steps"][0])
    assert {s["action"] for t in answer["tracks"] for s in t["steps"]} <= {"start", "space", "depth", "run-out"}
    assert all(isinstance(s["to"], str) for t in answer["tracks"] for s in t["steps"])


def test_command_statuses(tmp_path: Path) -> None:
    assert invoke(LEGAL, "-s", "plover").exit_code == 0
    assert invoke("-", "-s", "plover", stdin=LEGAL).exit_code == 0
    bad = invoke("left: 1111144 / right: 1124421", "-s", "plover")
    assert bad.exit_code == 1
    assert "NOT A LEGAL CODE" in bad.stdout
    unreadable = invoke("left: 21x3134 / right: 1124421", "-s", "plover")
    assert (unreadable.exit_code, unreadable.stdout) == (2, "")
    (tmp_path / "bench.toml").write_text(MACHINE, encoding="utf-8")
    assert "dial" in invoke(LEGAL, "-s", "plover", "--machine", str(tmp_path / "bench.toml")).stdout
    assert invoke(LEGAL, "-s", "plover", "--machine", str(tmp_path / "none.toml")).exit_code == 2


def test_systems_of_every_family_are_explained() -> None:
    for name in shipped_systems():
        system = load_system(name)
        result = plan(code_of(system, next(legal_depths(system, 1, 2))), system)
        text = "\n".join(line for line, _ in plan_lines(result, columns=90, full=True, copy=True))
        assert "THEN" in text
        assert "COPY ONTO" in text
        assert f"the blank's {system.stop}" in text.replace("\n", " ")
    internal = plan(code_of(INTERNAL, [[0] * 8, [0] * 8]), INTERNAL).copying
    order = [line.strip() for line in internal if line.startswith("  ")]
    assert order[0].startswith("1. along the wall right: from the tip to the bow")
    assert order[1].startswith("2. along the wall left: from the bow to the tip")


@pytest.mark.parametrize("name", shipped_systems())
def test_json_round_trips(name: str) -> None:
    system = load_system(name)
    text = json.dumps(plan(code_of(system, next(legal_depths(system, 1, 2))), system).as_dict())
    assert json.dumps(json.loads(text)) == text


@st.composite
def systems(draw: st.DrawFn) -> System:
    """Side-milled systems that can be made: a neighbour's seat lies out of the cutter's reach."""
    r = draw(st.sampled_from([0.9, 1.0, 1.2, 1.25]))
    seat = draw(st.sampled_from([0.2, 0.3, 0.5]))
    gaps = draw(st.lists(st.floats(r + seat / 2 + 0.01, 4.0), min_size=1, max_size=7))
    stop = draw(st.sampled_from(["tip", "shoulder"]))
    places = [5.0]
    for gap in gaps:
        places.append(places[-1] + gap)
    spaces = tuple(places if stop == "shoulder" else reversed(places))
    steps = draw(st.lists(st.floats(0.2, 0.7), min_size=1, max_size=5))
    measured = draw(st.sampled_from(["own-edge", "far-edge", "centre"]))
    own = [1.0]
    for step in steps:
        own.append(own[-1] + step)
    depths = tuple({"own-edge": d, "far-edge": 12.0 - d, "centre": 6.0 - d}[measured] for d in own)
    labels = tuple("123456"[: len(depths)])
    track = Track("left", "external", measured, spaces, labels, depths)  # type: ignore[arg-type]
    unit = draw(st.sampled_from(["mm", "in"]))
    return evolve(
        ONE, unit=unit, stop=stop, blade=Blade(12.0, 2.6, 1.0), tracks=(track,), rules=(),
        cutting=evolve(ONE.cutting, cutter=2 * r, seat=seat, setup=None),
    )  # fmt: skip


def test_an_easing_stop_beside_a_space_of_many_decimals_spares_its_seat() -> None:
    spaces, depths = (12.849519301374826, 15.349519301374826), (1.0, 2.0)
    track = evolve(ONE.tracks[0], measured="own-edge", spaces=spaces, labels=("1", "2"), depths=depths)
    cutting = evolve(ONE.cutting, cutter=2.5, seat=0.5, setup=None)
    made = evolve(ONE, stop="shoulder", tracks=(track,), rules=(), cutting=cutting)
    result = plan(code_of(made, [[0, 1]]), made, ease=True)
    assert any(step.action == "ease" for step in result.tracks[0].steps)
    assert result.simulation.gouge == 0


@drawn(60)
@given(st.data(), systems(), st.sampled_from(WAYS), st.booleans(), st.booleans())
def test_any_code_of_a_system_that_can_be_made_is_cut_exactly(
    data: st.DataObject, system: System, direction: Direction, ease: bool, played: bool
) -> None:
    """Uneven spaces and steps, either stop, every way of measuring, either unit."""
    track = system.tracks[0]
    row = data.draw(st.lists(st.integers(0, len(track.labels) - 1), min_size=track.cuts, max_size=track.cuts))
    play = Machine("p", system.unit, Control(1.0, 0.0, "to-bow", None, 0.05), Control(1.0, 0.0, "deepens", None, 0.05))
    result = plan(code_of(system, [row]), system, ease, play if played else None, direction)
    assert result.simulation.gouge == 0
    assert result.simulation.reached
    again = simulate((tuple(row),), system, json.loads(json.dumps(result.as_dict()["tracks"])))
    assert again.gouge <= 1e-9
    assert again.reached


def test_a_track_of_one_cut_is_planned() -> None:
    for stop in ("tip", "shoulder"):
        system = evolve(
            ONE, stop=stop, tracks=(evolve(ONE.tracks[0], spaces=(6.0,)),), cutting=evolve(ONE.cutting, setup=None)
        )  # type: ignore[arg-type]
        for direction in WAYS:
            result = plan(code_of(system, [[2]]), system, ease=True, direction=direction)
            assert result.simulation.gouge == 0
            assert result.simulation.reached


def test_a_cutter_that_measures_otherwise_is_told_with_where_the_depth_stands_on_the_flat() -> None:
    """Set to the flat's own figure with the cutter on the flat, the machine would be out by what settings allow for."""
    system = load_system("wren")
    code = parse_code("21232312", system)
    flat = "touches a flat of 8.30 mm (326.8 thou): set to 8.30 mm there, it would be corrected twice"
    for cutter, depth, told, stands in (
        (2.2, 0.0, True, "7.70"), (3.4, 0.0, False, ""), (3.4, -0.1, False, "8.20"), (None, 0.0, False, "")
    ):  # fmt: skip
        made = plan(code, system, machine=Machine("m", "mm", None, None, cutter, Corrections(depth=depth)))
        assert any(flat in warning and f"stands at {stands} mm" in warning for warning in made.warnings) == told
        assert (flat in " ".join(made.setup)) == bool(stands)


@pytest.mark.parametrize("name", ["plover", "wren", "grebe"])
@pytest.mark.parametrize("side", ["top", "bottom"])
def test_a_key_of_which_one_side_is_changed_lies_with_that_side_to_the_cutter(name: str, side: str) -> None:
    """Clamped as for a whole key, a recut of the bottom would be milled into the top, which was right."""
    system = load_system(name)
    texts = {"plover": "2133244 1124421", "wren": "21232312", "grebe": "top 233123 bottom 454254"}
    code = parse_code(texts[name], system)
    if system.sided:
        old = parse_code({"top": "top 133123 bottom 454254", "bottom": "top 233123 bottom 354254"}[side], system)
        made = plan(code, system, have=old)
    else:
        made = plan(code, system, take=[parse_take(f"{side} {system.tracks[0].name} 3 by 0.1", system)])
        assert f"once more {side} {system.tracks[0].name} 3 at depth" in " ".join(made.warnings)
    lies = f"{side} edge to the cutter" if name == "grebe" else f"{side} face up"
    assert f"Key: {lies}, bow towards you" in " ".join(made.setup)
    assert made.between == ()
    text = "\n".join(line for line, _ in plan_lines(made, columns=200))
    assert (f"Before: glasses on; {lies}; gauge" in text) == (side == "bottom")
    assert "urn over" not in text
    page = page_html(page_of(made, code))
    assert f"Key: {lies}, bow" in page
    assert "Between the sides" not in page


@pytest.mark.parametrize("play", [0.0, 0.05])
def test_every_track_begins_with_the_depth_come_to_deepening_where_its_control_has_play(play: float) -> None:
    """Backed out to from the track before, the play would leave the cutter too deep along the whole track."""
    system = load_system("plover")
    machine = Machine("m", "mm", None, Control(1.0, 0.0, "deepens", 100, play))
    made = plan(parse_code("2133244 1124421", system), system, machine=machine)
    told = [(track.steps[0].turns or "").endswith(", come to it deepening") for track in made.tracks]
    assert told == [play > 0] * 4
    text = " ".join(" ".join(line for line, _ in plan_lines(made, columns=100)).split())
    assert text.count("come to it deepening") == 2 * (
        play > 0
    )  # the tracks of the first side: the second's are the same


def test_both_codes_of_a_change_are_asked_for_and_stay_out_of_the_shell_s_history() -> None:
    new, old = "2134244 1124421", "2133244 1124421"
    piped = CliRunner().invoke(command, ["-s", "plover", "--have", "-"], input=f"{new}\n{old}\n")
    assert piped.exit_code == 0
    assert piped.stdout == CliRunner().invoke(command, [new, "-s", "plover", "--have", old]).stdout
    one = CliRunner().invoke(command, ["-s", "plover", "--have", "-"], input=f"{new}\n")
    assert (one.exit_code, one.stdout) == (2, "")
    assert "in this order: code, the code that the key has" in one.stderr


def test_cautions_stand_where_the_hurt_is() -> None:
    """Vehicles and ignitions are spoken of only where a lock of the system is one's; a key that sticks, everywhere."""
    for name in shipped_systems():
        system = load_system(name)
        after = " ".join(plan(code_of(system, next(legal_depths(system, 1, 1))), system).after)
        vehicle = name in ("plover", "heron", "wren")  # steering; ignition and boot; boot and glovebox
        assert ("ignition" in after) == vehicle == ("vehicle" in after), name
        assert "If it sticks: stop turning, back to where it went in, withdraw it straight; no pliers." in after
        assert "steering" not in after
    tip, shoulder = (" ".join(plan(code_of(s, next(legal_depths(s, 1, 1))), s).setup) for s in (FOUR, TWO))
    assert tip.index("gauged against the stop before it is tightened") < tip.index("Then take the stop away")
    assert "take the stop away" not in shoulder


@pytest.mark.parametrize("name", shipped_systems())
def test_a_key_gauged_at_the_tip_has_the_stop_taken_away_each_time_it_is_clamped(name: str) -> None:
    """The cutter starts and runs out past the tip, where the stop stands (common practice)."""
    system = load_system(name)
    made = plan(code_of(system, next(legal_depths(system, 1, 1))), system)
    clamped = max(1, len(system.sides)) if system.stop == "tip" else 0
    for full in (False, True):
        words = " ".join(" ".join(line for line, _ in plan_lines(made, columns=200, full=full)).split())
        assert words.count("take the stop away") == clamped


def test_play_is_said_of_the_controls_that_have_it() -> None:
    code, kind = code_of(FOUR, [[0] * 7] * 2), Control(1.0, 0.0, "to-bow", 100)
    for space, depth, words_of in (
        (0.05, 0.05, "Both controls have play"), (0.05, 0.0, "The space control has play"), (0.0, 0.05, "The depth control"),
        (0.0, 0.0, ""),
    ):  # fmt: skip
        deepens = Control(1.0, 0.0, "deepens", 100, depth)
        said = " ".join(plan(code, FOUR, machine=Machine("m", "mm", evolve(kind, backlash=space), deepens)).setup)
        assert words_of in said
        assert ("play" in said) == bool(words_of)
