"""What moves do to a blank: gouges, missed cuts, residuals, walls and metal left, right orders and wrong ones."""

from __future__ import annotations

import json
import random
from math import radians, sqrt, tan

import attrs
import pytest
from attrs import evolve

from bitting.errors import BittingError
from bitting.geometry.frame import frame_of
from bitting.machine.plan.moves import Direction
from bitting.machine.plan.plan import plan
from bitting.machine.plan.steps import Move, path_of
from bitting.machine.simulate import Simulation, TrackMoves, simulate
from bitting.model import System, code_of
from bitting.systemfile import load_system
from tests.conftest import but_long
from tests.plan_oracle import COARSE, gouge, legal_depths, path_of_steps
from tests.plan_systems import EDGES, FOUR, INTERNAL, TWO, VEE

DEEP = ((1, 0, 2, 4, 0, 3, 4),)
ONE = evolve(FOUR, name="one", tracks=FOUR.tracks[:1], sides=(), convenience=False)


def run(*moves: tuple[str, str], system: System = ONE, row: tuple[int, ...] = DEEP[0]) -> Simulation:
    return simulate((row,), system, [TrackMoves(None, system.tracks[0].name, moves)])


def test_depth_before_space_cuts_the_shallower_seat() -> None:
    good = run(("start", "load"), ("space", "1"), ("depth", "2"), ("depth", "1"), ("space", "2"), ("space", "3"),
               ("depth", "3"))  # fmt: skip
    assert good.gouge == 0
    wrong = run(("start", "load"), ("space", "1"), ("depth", "2"), ("space", "2"))
    assert wrong.gouge == pytest.approx(0.45)
    assert wrong.worst is not None
    assert wrong.worst.name == "seat 2"


def test_every_kind_of_flat_can_be_gouged() -> None:
    shallow = (0,) * 7
    bow = run(("start", "load"), ("space", "1"), ("overshoot", "space 23.0"), ("depth", "3"), row=shallow)
    assert bow.worst is not None
    assert bow.worst.name == "bow end"
    shoulder = run(("start", "load"), ("overshoot", "space 27.0"), row=shallow)
    assert [flat.name for flat in shoulder.flats if flat.gouge > 0] == ["bow end"]
    wall = run(("start", "load"), ("space", "1"), ("ease", "space 20.25"), ("ease", "depth 8.3"), row=shallow)
    assert [flat.name for flat in wall.flats if flat.gouge > 0] == ["wall 1-2"]
    tip = run(("start", "load"), ("ease", "space 4.0"), ("depth", "2"), ("depth", "1"), row=shallow)
    assert [flat.name for flat in tip.flats if flat.gouge > 0] == ["tip end"]


def test_residual_is_what_a_round_cutter_leaves_at_the_ends_of_a_seat() -> None:
    result = plan(code_of(ONE, [[0, 2, 0, 2, 0, 2, 0]]), ONE).simulation
    assert result.residual == pytest.approx(1.2 - sqrt(1.2**2 - 0.15**2), abs=1e-12)


def test_a_cut_that_is_left_out_is_missed() -> None:
    result = run(("start", "load"), ("space", "1"), ("depth", "2"))
    assert not result.reached
    assert result.missed[:2] == ("left: seat 3", "left: seat 4")
    assert result.residual == pytest.approx(1.8, abs=1e-9)


def test_a_lane_without_moves_is_missed() -> None:
    code = code_of(FOUR, [[0] * 7, [0] * 7])
    moves = plan(code, FOUR).as_dict()["tracks"][:1]
    result = simulate(code, FOUR, moves)
    assert result.missed == ("right: no moves",)


def test_json_of_a_plan_replays_to_the_same() -> None:
    gouged = 0
    for system in (FOUR, TWO, INTERNAL, VEE, EDGES):  # without rules: some codes can't be cut clean
        for depths in legal_depths(system, 8, 1):
            result = plan(code_of(system, depths), system, ease=system.cutting.steepest is not None)
            again = simulate(depths, system, json.loads(json.dumps(result.as_dict()))["tracks"])
            assert again.gouge == pytest.approx(result.simulation.gouge, abs=1e-9)
            assert again.reached
            assert again.residual == pytest.approx(result.simulation.residual, abs=1e-9)
            gouged += again.gouge > 0
    assert 0 < gouged < 40


def test_a_vee_that_reaches_its_neighbours_seat_is_told() -> None:
    """Two cuts 0.15 apart, 0 beside 9: the flank of the deeper one is past the edge of the shallower one's seat."""
    result = plan(code_of(VEE, [[0, 9, 0, 0, 0, 0]]), VEE)
    fall = 0.126 - (0.15 - 0.025 - 0.02) / tan(radians(50))
    assert result.simulation.gouge == pytest.approx(fall, abs=1e-12)
    assert not result.good
    assert result.warnings[0].startswith("THIS CUTS TOO DEEP")


def test_the_back_of_the_cutter_counts_against_the_other_wall_of_a_groove() -> None:
    narrow = evolve(INTERNAL, cutting=evolve(INTERNAL.cutting, cutter=2.6))  # the gap at the shallowest is 2.2
    depths = ((0,) * 8, (0,) * 8)
    assert plan(code_of(INTERNAL, depths), INTERNAL).simulation.gouge == 0
    assert plan(code_of(narrow, depths), narrow).simulation.gouge == pytest.approx(0.4, abs=1e-9)


def test_metal_left_by_stages() -> None:
    depths = ((4,) * 7, (4,) * 7)
    stages = plan(code_of(FOUR, depths), FOUR).simulation.stages
    assert [stage.web for stage in stages] == pytest.approx([6.8, 3.6, 3.6, 3.6])
    assert [stage.floor for stage in stages] == pytest.approx([1.6, 1.6, 0.6, 0.6])
    groove = plan(code_of(INTERNAL, ((3,) * 8, (0,) * 8)), INTERNAL).simulation.stages
    assert [stage.web for stage in groove] == pytest.approx([2.5] * 4)
    edges = plan(code_of(EDGES, ((3,) * 5, (3,) * 5)), EDGES).simulation.stages
    assert [stage.web for stage in edges] == pytest.approx([6.55, 4.5])
    alike = attrs.evolve(EDGES, convenience=True, rules=())
    both = plan(code_of(alike, ((3,) * 5,)), alike).simulation.stages
    assert [stage.web for stage in both] == pytest.approx([6.55, 4.5])  # the two edges of one lane face each other


def test_diagonal_metal_between_tracks_is_shorter_than_straight_across() -> None:
    """Between two deep cuts a pitch apart the least metal runs aslant: the distance of two circles."""
    left, right = [0, 0, 4, 0, 0, 0, 0], [0, 0, 0, 4, 0, 0, 0]
    slim = evolve(FOUR, blade=evolve(FOUR.blade, width=8.6))
    tracks = tuple(evolve(t, depths=(7.6, 7.15, 6.7, 6.25, 4.9)) for t in slim.tracks)
    slim = evolve(slim, tracks=tracks)
    stages = plan(code_of(slim, (left, right)), slim).simulation.stages
    across = 2 * 4.9 - 8.6
    centres = sqrt(2.3**2 + (across + 2.4) ** 2)
    straight = 4.9 + 7.6 - 8.6
    assert stages[1].web == pytest.approx(min(centres - 2.4, straight), abs=1e-9)
    assert stages[1].web < straight


@pytest.mark.parametrize("name", but_long(["plover", "wren", "siskin"], "siskin", "plover"))
def test_gouge_equals_brute_force_for_shuffled_moves(name: str) -> None:
    system = load_system(name)
    chance = random.Random(name)
    worst = 0.0
    for depths in legal_depths(system, 6, 11):
        result = plan(code_of(system, depths), system, ease=chance.random() < 0.5)
        number = chance.randrange(len(system.lanes))
        track = next(t for t in result.tracks if t.track == system.lanes[number].track.name)
        moves: list[Move] = [(step.action, step.to) for step in track.steps]
        middle = moves[1:]
        chance.shuffle(middle)
        exact = simulate(depths, system, [TrackMoves(track.side, track.track, (moves[0], *middle))])
        path = path_of(frame_of(system, system.lanes[number]), [moves[0], *middle])
        brute = gouge(system, number, depths[number], path)
        assert exact.gouge == pytest.approx(max(brute, 0.0), abs=COARSE)
        worst = max(worst, exact.gouge)
    assert worst > 0.1  # the shuffles did do harm


@pytest.mark.parametrize("name", but_long(["plover", "wren", "siskin"], "siskin", "wren"))
def test_two_moves_exchanged_are_caught_if_and_only_if_they_cut_too_deep(name: str) -> None:
    system = load_system(name)
    chance = random.Random(5)
    caught = spared = 0
    for depths in legal_depths(system, 20, 3):
        result = plan(code_of(system, depths), system)
        number = chance.randrange(len(system.lanes))
        track = next(t for t in result.tracks if t.track == system.lanes[number].track.name)
        moves: list[Move] = [(step.action, step.to) for step in track.steps]
        i, j = sorted(chance.sample(range(1, len(moves)), 2))
        moves[i], moves[j] = moves[j], moves[i]
        exact = simulate(depths, system, [TrackMoves(track.side, track.track, tuple(moves))])
        path = path_of(frame_of(system, system.lanes[number]), moves)
        too_deep = gouge(system, number, depths[number], path) > COARSE
        assert (exact.gouge > 0) == too_deep
        caught, spared = caught + too_deep, spared + (not too_deep)
    assert caught
    assert spared


def test_steps_carry_the_settings_that_the_simulation_used() -> None:
    system = load_system("plover")
    for depths in legal_depths(system, 3, 8):
        for number, track in enumerate(plan(code_of(system, depths), system).tracks[:2]):
            assert gouge(system, number, depths[number], path_of_steps(system, track.steps)) < COARSE


@pytest.mark.parametrize(
    ("moves", "message"),
    [
        ((("start", "load"), ("space", "8")), "move 2: there is no cut '8'"),
        ((("start", "load"), ("space", "0")), "move 2: there is no cut '0'"),
        ((("depth", "x"),), "move 1: there is no depth 'x'"),
        ((("spcae", "1"),), "move 1: 'spcae' is no action"),
        ((("ease", "sideways 3"),), "move 1: 'ease' can't go to 'sideways 3'"),
        ((("ease", "depth nan"),), "move 1: 'ease' can't go to 'depth nan'"),
        ((("ease", "depth"),), "move 1: 'ease' can't go to 'depth'"),
    ],
)
def test_moves_that_say_nothing_are_named(moves: tuple[tuple[str, str], ...], message: str) -> None:
    with pytest.raises(BittingError, match="move") as fault:
        run(*moves)
    assert fault.value.message == message
    assert fault.value.hint


def test_unknown_track_is_named() -> None:
    with pytest.raises(BittingError, match="no track 'middle'"):
        simulate(((0,) * 7,), ONE, [TrackMoves(None, "middle", ())])


def test_a_sliver_outboard_of_the_wall_is_told() -> None:
    """From a blank 10.0 wide to a wall 5.0 in, with a cutter of 2.4 entering at that depth: 2.6 stays outside."""
    deep = evolve(ONE, tracks=(evolve(ONE.tracks[0], depths=(5.0, 4.55, 4.1, 3.65, 3.2)),))
    assert plan(code_of(deep, [[0] * 7]), deep).simulation.slivers == ("left",)
    assert any("sliver" in warning for warning in plan(code_of(deep, [[0] * 7]), deep).warnings)
    prepared = evolve(deep, blade=evolve(deep.blade, prepared=2.7))
    assert plan(code_of(prepared, [[0] * 7]), prepared).simulation.slivers == ()
    # entered at the deepest, and then run out at the shallowest: the second pass takes what the first left
    ways: tuple[Direction, ...] = ("bow-to-tip", "tip-to-bow")
    for direction in ways:
        assert plan(code_of(ONE, [[4] * 7]), ONE, direction=direction).simulation.slivers == ()
