"""Where a plan draws its lines, each from both sides: bites, clicks, limits of a control, steepness, room at the shoulder."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from math import radians, tan

import numpy as np
import pytest
from attrs import evolve

from bitting.counting import sample
from bitting.errors import BittingError
from bitting.geometry.frame import Frame, frame_of, reach_of
from bitting.geometry.profile import EndMill
from bitting.machine.plan import moves
from bitting.machine.plan.bite import with_bites
from bitting.machine.plan.dial import setting_of
from bitting.machine.plan.moves import Direction, Order, moves_for, stops_between
from bitting.machine.plan.plan import Plan, Take, plan
from bitting.machine.plan.steps import Step, path_of
from bitting.model import System, code_of
from bitting.report.plan import plan_lines
from bitting.systemfile import load_system
from bitting.systemfile.machine import Control, Corrections, Machine, read_machine
from tests.plan_systems import EDGES, FOUR, INTERNAL, TWO, VEE

GRID = 20_001


def cutter_of(system: System) -> Callable[[np.ndarray, float], np.ndarray]:
    """How deep a cutter at a travel reaches so far from its middle, from the figures of the system alone."""
    cutting = system.cutting
    if cutting.shape == "vee":
        steep = tan(radians((cutting.angle or 0.0) / 2))
        return lambda off, w: w - np.maximum(off - (cutting.root or 0.0) / 2, 0.0) / steep
    r = (cutting.cutter or 0.0) / 2
    return lambda off, w: np.where(off <= r, w - r + np.sqrt(np.maximum(r * r - off**2, 0.0)), -np.inf)


def bites_by_hand(frame: Frame, steps: Sequence[Step]) -> list[float]:
    """The same bites on a finely sampled wall; the sample ends with the blade, beyond which there is air."""
    x = np.linspace(min(step.x for step in steps) - 3.0, frame.x_tip, GRID)
    wall, depth_of = np.full(GRID, frame.surface), cutter_of(frame.system)
    found, at = [], steps[0]
    for step in steps:
        lo, hi = sorted((at.x, step.x))
        new = depth_of(np.maximum(np.maximum(lo - x, x - hi), 0.0), step.w if lo != hi else max(step.w, at.w))
        bite = 0.0
        if step.action != "start" and lo != hi:
            under = (x >= lo) & (x <= hi)
            bite = max(0.0, float((step.w - wall[under]).max(initial=0.0)))
        elif step.action != "start":
            bite = float((new > wall + 1e-9).sum() * (x[1] - x[0]))
        found.append(min(bite, 2 * frame.radius) if frame.radius else bite)
        wall, at = np.maximum(wall, new if step.action != "start" else wall), step
    return found


@pytest.mark.parametrize("cutter", [None, 0.8, 4.0])
@pytest.mark.parametrize("direction", ["bow-to-tip", "tip-to-bow"])
@pytest.mark.parametrize("system", [FOUR, TWO, INTERNAL, EDGES], ids=lambda system: system.name)
def test_bites_are_those_of_a_sampled_wall(system: System, direction: Direction, cutter: float | None) -> None:
    """A small cutter takes its whole diameter and no more; a wide one's bite ends at the tip."""
    if cutter is not None and system.cutting.shape == "round":
        system = evolve(system, cutting=evolve(system.cutting, cutter=cutter))
    draw = random.Random(5)
    for lane in system.lanes[:2]:
        frame = frame_of(system, lane)
        for _ in range(3):
            row = [draw.randrange(len(lane.track.labels)) for _ in range(lane.track.cuts)]
            bare, _ = moves_for(frame, row, Order(direction))
            steps = with_bites(frame, bare)
            fine = 3 * (frame.x_tip - min(step.x for step in steps) + 3.0) / GRID
            for step, expected in zip(steps, bites_by_hand(frame, steps), strict=True):
                assert step.bite == pytest.approx(expected, abs=fine), (row, step)
                if expected == 0:
                    assert (step.bite, step.milling) == (0, None)


def test_a_change_bites_what_the_old_key_left_and_beyond_the_tip_there_is_air() -> None:
    """The last cut 0.45 deeper: so much is taken on the way out, where the old key ran out at the shallowest depth."""
    old, new = ([[0] * 7, [0] * 6 + [last]] for last in (0, 1))
    (track,) = plan(code_of(FOUR, new), FOUR, have=code_of(FOUR, old), direction="bow-to-tip").tracks[:1]
    bites = {step.action: step.bite for step in track.steps}
    assert bites["run-out"] == pytest.approx(0.45)
    assert bites["space"] == 0


CODE = [[1, 0, 2, 2, 0, 1, 3], [0] * 7]
PLAIN = Control(1.0, 0.0, "deepens", 100)


def planned(depth: Control, corrections: Corrections | None = None, cutter: float | None = None) -> Plan:
    """The plan for one code on a machine with this depth control."""
    space = Control(1.0, 0.0, "to-bow", 100)
    return plan(
        code_of(FOUR, CODE), FOUR, machine=Machine("m", "mm", space, depth, cutter, corrections or Corrections())
    )


@pytest.mark.parametrize(("off", "told"), [(0.02, False), (-0.02, False), (0.03, True), (-0.03, True)])
def test_a_click_may_miss_by_half_the_tolerance(off: float, told: bool) -> None:
    """Depths 0.45 apart on clicks of 0.15 all miss by the same; the system's tolerance is 0.05."""
    warnings = planned(evolve(PLAIN, zero=8.6 - off, detents=0.15)).warnings
    assert (
        any("no click of depth is near enough" in text and f"up to {abs(off):.2f} mm off" in text for text in warnings)
        == told
    )


def test_moves_that_are_warned_of_have_the_numbers_that_are_printed() -> None:
    """Of all tracks, the later ones' too: the clicks beside the printed moves say which are off by more than 0.025."""
    control = evolve(PLAIN, zero=8.6, detents=0.11, limits=(7.5, 8.5))
    machine = Machine("m", "mm", Control(1.0, 0.0, "to-bow", 100), control)
    result = plan(code_of(FOUR, [[1, 0, 2, 2, 0, 1, 3], [0, 1, 2, 1, 0, 2, 1]]), FOUR, machine=machine)
    printed = "\n".join(text for text, _ in plan_lines(result, columns=200))
    rows = re.findall(r"^ +(\d+)  DEPTH .*? (\d\.\d\d) mm .*?click [-+]\d+(?: and ([-+][\d.]+))?", printed, re.M)
    told = {text[:8]: _numbers(text) for text in result.warnings if " at the start" in text or " at move" in text}
    assert told["no click"] == {int(n) for n, _, off in rows if abs(float(off or 0)) > 0.025}
    assert told["depth is"] == {int(n) for n, at, _ in rows if not 7.5 <= float(at) <= 8.5}
    assert max(told["depth is"]) > len(result.tracks[0].steps)


def _numbers(text: str) -> set[int]:
    """3, 4, 5 and 8 of `at moves 3 to 5, 8`."""
    runs = re.findall(r"(\d+)(?: to (\d+))?(?=,|$| \(up)", text[text.rindex("move") :])
    return {number for a, b in runs for number in range(int(a), int(b or a) + 1)}


def test_a_setting_at_the_limit_of_a_control_is_within_it() -> None:
    """The code's depths run from 8.60 to 7.25; what is set in air lies between."""
    within = planned(evolve(PLAIN, limits=(7.25, 8.6))).warnings
    assert not any("limits" in text or "click" in text for text in within)  # this control has no clicks to miss
    for limits in ((7.26, 8.6), (7.25, 8.59)):
        assert any("past the control's limits" in text for text in planned(evolve(PLAIN, limits=limits)).warnings)


@pytest.mark.parametrize(
    ("corrections", "told"),
    [
        (Corrections(depth=0.45), "corrects depth by 0.45 mm"),
        (Corrections(left_right=-0.5), "corrects left_right by -0.50 mm"),
        (Corrections(space=1.15), "corrects space by 1.15 mm"),
    ],
)
def test_a_correction_as_large_as_a_step_is_none(corrections: Corrections, told: str) -> None:
    """Depths of 0.45, cuts 2.3 apart; a zero that is elsewhere, or a scale of one, spoilt the key without a word."""
    with pytest.raises(BittingError, match=told) as fault:
        planned(PLAIN, corrections)
    assert "0 for none" in fault.value.hint
    assert planned(PLAIN, Corrections(0.2, -0.1, 0.01, 0.05)).good
    with pytest.raises(BittingError, match=r"depth_scale: found 1\.0; allowed: a ratio"):
        read_machine('format = 1\nunit = "mm"\n[corrections]\ndepth_scale = 1.0\n')


def test_a_correction_counts_from_the_shallowest_depth_and_the_cutter_it_was_found_with() -> None:
    """Scale 0.1: nothing at the shallowest depth of 8.60, 0.135 at 7.25. The radius is 0.04 short of that of `align`'s cutter."""
    settings = {}
    for step in planned(PLAIN, Corrections(depth_scale=0.1, cutter=2.38), 2.3).tracks[0].steps:
        settings[step.to if step.action == "depth" else step.action] = (step.setting or {}).get("depth")
    assert settings["1"] == pytest.approx(8.6 - 0.04)
    assert settings["4"] == pytest.approx(7.25 - 0.135 - 0.04)


@pytest.mark.parametrize(("step", "radius"), [(0.9, 1.2), (0.45, 1.2), (1.35, 1.2), (0.7, 0.9)])
@pytest.mark.parametrize("way", [1, -1])
def test_a_wall_is_eased_to_the_limit_wherever_some_stops_do_it(step: float, radius: float, way: int) -> None:
    """Whatever angle is reached for one limit is reached for a limit of just that angle, with no more stops."""
    found = {}

    def eased(limit: float) -> tuple[list[tuple[float, float]], float]:
        return stops_between(
            (0.0, 0.0), (way * 2.3, step), EndMill(radius), seat=0.3, steepest_allowed=limit, grain=0.01
        )

    for limit in range(0, 91, 3):
        stops, angle = eased(limit)
        found[angle] = len(stops)
    assert len(found) > 1
    for angle, stops in found.items():
        for limit, most in ((angle, stops), (angle + 0.3, stops)):
            assert eased(limit)[1] <= limit + 1e-6
            assert len(eased(limit)[0]) <= most


@pytest.mark.parametrize("step", [0.45, 0.7, 0.9, 1.35])
def test_where_no_stops_ease_a_wall_enough_the_gentlest_are_given_and_of_those_the_fewest(step: float) -> None:
    shallow, deep, cutter, seat, grain = (0.0, 0.0), (2.3, step), EndMill(1.2), 0.3, 0.01
    tried = {0: moves._angle(shallow, deep, [], cutter)}
    for stops in moves._candidates(shallow, deep, cutter, seat, grain):
        if moves._spares_seat(shallow, stops, cutter, seat):
            tried[len(stops)] = min(tried.get(len(stops), 90.0), moves._angle(shallow, deep, stops, cutter))
    gentlest = min(tried.values())
    stops, angle = stops_between(shallow, deep, cutter, seat=seat, steepest_allowed=0.0, grain=grain)
    assert angle == pytest.approx(gentlest, abs=1e-6)
    assert len(stops) == min(count for count, left in tried.items() if left <= gentlest + 1e-6)


@pytest.mark.parametrize("direction", ["bow-to-tip", "tip-to-bow"])
def test_walls_towards_a_shallower_cut_are_eased_like_those_towards_a_deeper_one(direction: Direction) -> None:
    """Steps of two depths leave 76 degrees where they are square; a tumbler climbs 60, from either side."""
    row = [2, 0, 2, 0, 0, 2, 2]
    square, eased, turned = (
        [wall.angle for wall in plan(code_of(FOUR, [cuts, [0] * 7]), FOUR, ease, None, direction).simulation.walls[:6]]
        for cuts, ease in ((row, False), (row, True), (row[::-1], True))
    )
    assert max(square) == pytest.approx(75.5, abs=0.1)
    assert max(eased) <= 60
    assert eased == pytest.approx(turned[::-1], abs=1e-6)


def test_stops_lie_between_the_two_cuts() -> None:
    """The last stop of this wall would be rounded to 1.56, past the deep cut: no such stops are given."""
    pitch, step = 1.5599518595847557, 1.5086219631729236
    for way in (1, -1):
        stops, _ = stops_between(
            (0.0, 0.0), (way * pitch, step), EndMill(1.2554573532892026), seat=0.551, steepest_allowed=0, grain=0.01
        )
        assert all(0 <= way * x <= pitch and 0 <= w <= step for x, w in stops)


ROW = [0, 1, 2, 1, 0, 1, 2, 1]
PLAYED = Machine("played", "mm", Control(1.0, 0.0, "to-bow", 100, 0.4), Control(1.0, 0.0, "deepens", 100))


def shifted(system: System, first: float) -> System:
    """The system with its cut 1 so far from the stop and the others as far from it as they were."""
    track = system.tracks[0]
    return evolve(system, tracks=(evolve(track, spaces=tuple(s - track.spaces[0] + first for s in track.spaces)),))


@pytest.mark.parametrize(("first", "room"), [(1.85, False), (1.95, True)])
def test_an_overshoot_stays_a_tenth_of_a_millimetre_off_the_shoulder(first: float, room: bool) -> None:
    """Past cut 1 by 1.5 times the play of 0.4, and the radius of 1.2: 0.05 are left, or 0.15."""
    system = shifted(TWO, first)
    for clamp in (None, -2.0):  # a clamp behind the shoulder leaves the shoulder where it is
        machine = evolve(PLAYED, space=evolve(PLAYED.space, clamp=clamp))
        result = plan(code_of(system, [ROW]), system, machine=machine, direction="bow-to-tip")
        assert any(step.action == "overshoot" for step in result.tracks[0].steps) == room
        assert any("no room to go past cut 1" in text for text in result.warnings) != room


def test_a_vee_is_as_wide_at_the_edge_as_it_goes_deep() -> None:
    """Root 1.2 and 90 degrees: 0.6 + 2.05 to either side at the blade's edge for the deepest cut, 0.6 + 1.5 for the next."""
    system = shifted(EDGES, 2.5)
    wide = plan(code_of(system, [[3, 0, 0, 0, 0]] * len(system.lanes)), system)
    assert wide.obstacles[0].endswith("the cutter comes 0.15 mm into the shoulder")
    assert not plan(code_of(system, [[2, 0, 0, 0, 0]] * len(system.lanes)), system).obstacles
    assert not plan(code_of(VEE, [[9, 0, 0, 0, 0, 0]]), VEE).obstacles  # 0.24 along, and 0.025 + 0.131·tan 50° wide


def test_cutter_setup_key_and_turning_over_are_those_of_the_system() -> None:
    """A vee of 90 degrees with a flat of 1.2; setup keys of the shallowest depth but for one cut; faces and edges."""
    said = {
        system.name: plan(code_of(system, [[0] * lane.track.cuts for lane in system.lanes]), system)
        for system in (FOUR, EDGES, VEE)
    }
    setup = {name: " ".join(result.setup) for name, result in said.items()}
    assert "end mill, 2.40 mm (94.5 thou), turning clockwise" in setup["four"]
    assert "vee, 90° included, 1.20 mm (47.2 thou) flat at its point" in setup["edges"]
    assert "Setup key: every cut at 1, cut 4 at 5." in setup["four"]
    assert "Setup key: every cut at 0, cut 4 at 9." in setup["vee"]
    assert "Setup key" not in setup["edges"]
    assert "half a turn about its long axis, bottom up" in dict(said["four"].between)["bottom"]
    assert "its lower edge meets the cutter" in dict(said["edges"].between)["lower"]
    assert not said["vee"].between


def test_a_step_that_takes_up_no_play_is_set_where_it_stands() -> None:
    frame = frame_of(FOUR, FOUR.lanes[0])
    machine = Machine("m", "mm", Control(1.0, 0.0, "to-bow"), None, None, Corrections(space=0.02))
    assert setting_of(frame, Step("space", "1", 21.4, 8.6), machine, "space") == pytest.approx(21.42)
    assert setting_of(frame, Step("space", "1", 21.4, 8.6, play=0.1), machine, "space") == pytest.approx(21.52)


def test_a_change_goes_to_the_cuts_that_get_deeper_and_to_no_other() -> None:
    """Cut 4 alone, then cuts 4 and 5 with the run between them; what stands at 2 already is passed at the shallowest depth."""
    old = [[1] * 7, [0] * 7]
    for deeper in ([3], [3, 4], [1, 5]):
        new = [[2 if cut in deeper else 1 for cut in range(7)], [0] * 7]
        for direction in ("bow-to-tip", "tip-to-bow"):
            (track,) = plan(code_of(FOUR, new), FOUR, have=code_of(FOUR, old), direction=direction).tracks[:1]
            assert sorted(int(step.to) - 1 for step in track.steps if step.action == "space") == deeper
            between = [step for step in track.steps if step.action == "space" and step.bite > 0]
            assert len(between) == (deeper == [3, 4])
            assert track.steps[-1].depth == pytest.approx(8.6)


def test_settings_in_inches_are_told_to_a_tenth_of_a_thousandth() -> None:
    machine = Machine("m", "in", Control(0.1, 0.0, "to-tip"), None)
    steps = plan(code_of(VEE, [[1, 0, 0, 0, 0, 0]]), VEE, machine=machine).tracks[0].steps
    assert next(step.turns for step in steps if step.action == "depth") == "set 0.3160"  # 0.330 less 0.014


def test_moves_that_say_no_start_begin_at_the_load_place_at_the_shallowest_depth() -> None:
    frame = frame_of(FOUR, FOUR.lanes[0])
    assert path_of(frame, [("space", "1")]) == [(frame.load, 0.0), (-21.4, 0.0)]
    assert path_of(frame, [("start", "load"), ("space", "1")]) == [(frame.load, 0.0), (-21.4, 0.0)]


def test_of_a_vee_without_an_angle_the_flat_alone_is_known() -> None:
    """Root 1.2: half of it to either side, however deep."""
    frame = frame_of(evolve(EDGES, cutting=evolve(EDGES.cutting, angle=None)), EDGES.lanes[0])
    assert reach_of(frame, 0.0) == reach_of(frame, 1.65) == pytest.approx(0.6)


@pytest.mark.parametrize("system", [FOUR, TWO, INTERNAL, EDGES, VEE], ids=lambda system: system.name)
@pytest.mark.parametrize("zeroed", ["to-bow", "to-tip"])
@pytest.mark.parametrize("direction", ["bow-to-tip", "tip-to-bow", None])
def test_on_a_machine_with_play_every_cut_lies_at_its_place_whichever_way_the_zero_was_set(
    system: System, zeroed: str, direction: Direction | None
) -> None:
    """The screw turned by what is printed, and a carriage that it drags along by one flank of its thread or the other."""
    play = system.from_mm(0.3)
    space = Control(system.from_mm(1.0), 0.0, "to-bow", 100, play, zeroed=zeroed)
    machine = Machine("m", system.unit, space, Control(system.from_mm(1.0), 0.0, "deepens", 100))
    code = code_of(system, [[cut % 2 for cut in range(lane.track.cuts)] for lane in system.lanes])
    made = plan(code, system, machine=machine, direction=direction)
    assert not any("opposite directions" in warning for warning in made.warnings)
    for track in made.tracks:
        frame, carriage = track.frame, None
        for step in track.steps:
            if "space" not in (step.setting or {}):
                continue
            screw = frame.x_of((step.setting or {})["space"])  # where the carriage is while it goes the way of the zero
            low, high = (screw, screw + play) if zeroed == "to-tip" else (screw - play, screw)
            if carriage is None:
                carriage = (
                    low if track.direction == "bow-to-tip" else high
                )  # it comes to the start the way the moves go on
            carriage = min(max(carriage, low), high)
            if step.action == "space":
                assert carriage == pytest.approx(step.x, abs=1e-9), step


@pytest.mark.parametrize("play", [0.04, 0.12, 0.25])
@pytest.mark.parametrize("name", ["heron", "plover"])
def test_on_a_machine_with_play_in_its_depth_every_move_mills_at_its_own(name: str, play: float) -> None:
    """The dial turned by what is printed, and a slide that lags behind it by no more than the play; also in a groove, where there
    is no room to go past the shallowest depth."""
    system = load_system(name)
    machine = Machine("m", "mm", None, Control(1.0, 0.0, "deepens", 100, play))
    codes = sample(system, 6, seed=2)
    plans = [plan(code, system, machine=machine) for code in codes]
    taken = [Take(lane, cut, 0.02 + 0.03 * cut, None) for lane in range(2) for cut in range(7)]
    plans += [
        plan(code, system, machine=machine, take=taken) for code in codes[:3]
    ]  # backs out to depths between the table's
    for made in plans:
        assert made.good
        for track in made.tracks:
            shallowest, deeper = track.frame.dimension(0.0), track.frame.dimension(1.0) - track.frame.dimension(0.0)
            slide = dial = 0.0
            for step in track.steps:
                before, dial = (
                    dial,
                    ((step.setting or {}).get("depth", shallowest + deeper * dial) - shallowest) / deeper,
                )
                slide = min(max(slide, dial), dial + play)  # the start is come to deepening
                if step.action != "overshoot":
                    assert slide == pytest.approx(step.w, abs=1e-9), step
                words = step.turns or "" if step.action == "depth" else ""
                for way, whole, marks in re.findall(r"\(turn (c?cw) (\d+) turns? ([\d.]+)\)", words):
                    by = (1 if way == "cw" else -1) * (int(whole) + float(marks) / 100)
                    assert by == pytest.approx(dial - before, abs=1e-9)
