"""`inspect`: finished keys of invented systems, judged."""

from __future__ import annotations

import json
import math
import re
import shlex
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, box

import bitting
from bitting.cli import main
from bitting.cli.inspect import command
from bitting.cli.plan import command as plan_command
from bitting.errors import BittingError
from bitting.geometry.jaw import stand_off
from bitting.machine.inspect.decision import Guard, beyond, conformance
from bitting.machine.inspect.inspection import inspect
from bitting.machine.inspect.limits import limits
from bitting.machine.inspect.pattern import find
from bitting.machine.inspect.result import Inspection
from bitting.machine.inspect.uncertainty import Gauge
from bitting.model import (
    Across,
    Blade,
    Code,
    Cutting,
    Measuring,
    ReadCut,
    Reading,
    Readings,
    System,
    Track,
    code_of,
)
from bitting.notation import parse_code, parse_readings
from bitting.report.inspect import inspection_lines, limits_lines
from bitting.systemfile import load_system, shipped_systems
from tests.conftest import drawn
from tests.sheet.conftest import CODES

FIGURES = Measuring(tolerance=0.05, reading_sd=0.03)


def track(name: str = "left", deeper: int = -1, cuts: int = 4) -> Track:
    depths = (8.6, 8.15, 7.7) if deeper < 0 else (1.4, 1.85, 2.3)
    measured = "far-edge" if deeper < 0 else "own-edge"
    return Track(name, "external", measured, tuple(20 - 2.3 * i for i in range(cuts)), ("1", "2", "3"), depths)


def system(*tracks: Track, sides: tuple[str, ...] = (), convenience: bool = False, **figures: Any) -> System:
    measuring = attrs.evolve(FIGURES, **figures)
    blade = Blade(10.0, 2.6, 1.0)
    return System(
        "dabchick", "", "invented", "mm", "tip", sides, convenience, blade, tracks or (track(),),
        cutting=Cutting(cutter=2.4), measuring=measuring,
    )  # fmt: skip


Row = Sequence[float | None]


def readings(made: System, rows: dict[tuple[str | None, str] | str, Row], own: float | None = 0.001) -> Readings:
    cuts = []
    for key, row in rows.items():
        side, name = (None, key) if isinstance(key, str) else key
        for i, value in enumerate(row):
            read = () if value is None else (Reading(value, own, 0.001, (0, 0)),)
            cuts.append(ReadCut(side, name, i, read))
    return Readings(made, "", "mm", tuple(cuts))


def judged(made: System, depths: Sequence[Sequence[int]], rows: Any, **options: Any) -> Any:
    return inspect(code_of(made, depths), readings(made, rows), made, **options)


@pytest.mark.parametrize("deeper", [-1, 1])
def test_too_shallow_is_recut_and_too_deep_is_scrap_whichever_way_the_table_runs(deeper: int) -> None:
    made = system(track(deeper=deeper))
    nominal = [made.tracks[0].depths[d] for d in (0, 1, 1, 2)]
    off = [0.0, -0.11, 0.11, 0.048]  # towards deeper
    result = judged(made, [[0, 1, 1, 2]], {"left": [n + deeper * o for n, o in zip(nominal, off, strict=True)]})
    assert [cut.verdict for cut in result.cuts] == ["pass", "recut", "fail", "pass"]
    assert [round(cut.deviation, 9) for cut in result.cuts] == [round(deeper * o, 9) for o in off]
    assert result.cuts[1].recut == pytest.approx(0.11)
    assert result.cuts[2].recut is None
    assert result.verdict == "fail"


@pytest.mark.parametrize(
    ("off", "verdict"),
    [
        ((0, 0, 0, 0), "pass"),
        ((0, 0.05, 0, 0), "uncertain"),
        ((0, 0.05, 0.2, 0), "recut"),
        ((-0.2, 0.05, 0.2, 0), "fail"),
        ((None, 0, 0, 0), "uncertain"),
    ],
)
def test_the_key_is_as_good_as_its_worst_cut(off: Row, verdict: str) -> None:
    made = system()
    row = [None if o is None else 8.6 + o for o in off]
    assert judged(made, [[0, 0, 0, 0]], {"left": row}).verdict == verdict


def test_a_cut_that_was_not_measured_is_no_pass() -> None:
    made = system(track(), track("right"))
    result = judged(made, [[0, 0, 0, 0]] * 2, {"left": [8.6, None, 8.6, 8.6]})
    assert [c.verdict for c in result.cuts] == ["pass", "uncertain", "pass", "pass"] + ["uncertain"] * 4
    assert result.cuts[1].probability_in_tolerance is None
    assert result.probability_all is None


def test_probability_and_uncertainty_of_one_plain_reading() -> None:
    made = system()
    result = inspect(code_of(made, [[0, 0, 0, 0]]), readings(made, {"left": [8.62] * 4}, own=None), made)
    u = math.hypot(0.03, 0.001 / math.sqrt(12))
    assert result.cuts[0].uncertainty == pytest.approx(u, rel=1e-12)
    assert result.cuts[0].probability_in_tolerance == pytest.approx(conformance(0.02, u, -0.05, 0.05), rel=1e-12)
    assert result.cuts[0].verdict == "uncertain"
    assert result.cuts[0].window is None
    assert result.readings_needed == 2
    assert result.largest_uncertainty == pytest.approx(0.05 / 1.959964, rel=1e-6)


@pytest.mark.parametrize("name", ["offset_sd", "tilt_sd", "left_right_sd", "wear", "outliers", "cut_sd"])
def test_what_is_unsure_of_a_strange_key_never_counts(name: str) -> None:
    plain, other = system(), system(**{name: 0.2})
    rows = {"left": [8.61, 8.63, 8.56, 8.72]}
    before, after = judged(plain, [[0, 0, 0, 0]], rows), judged(other, [[0, 0, 0, 0]], rows)
    assert [c.probability_in_tolerance for c in before.cuts] == [c.probability_in_tolerance for c in after.cuts]


def test_a_caliper_that_can_never_prove_the_tolerance_says_so() -> None:
    made = system()
    result = judged(made, [[0] * 4], {"left": [8.6] * 4}, gauge=Gauge(caliper=0.06))
    assert result.readings_needed == 1  # what is written with the readings stands
    bare = inspect(
        code_of(made, [[0] * 4]), readings(made, {"left": [8.6] * 4}, own=None), made, gauge=Gauge(caliper=0.06)
    )
    assert bare.readings_needed is None
    assert {c.verdict for c in bare.cuts} == {"uncertain"}
    assert {c.readings_to_decide for c in bare.cuts} == {None}


@pytest.mark.parametrize("own", [None, 0.02])
def test_as_many_readings_as_promised_settle_a_cut(own: float | None) -> None:
    made = system()

    def key(count: int) -> Any:
        read = tuple(Reading(8.62, own, 0.001, (0, 0)) for _ in range(count))
        cuts = tuple(ReadCut(None, "left", i, read) for i in range(4))
        return inspect(code_of(made, [[0] * 4]), Readings(made, "", "mm", cuts), made).cuts[0]

    once = key(1)
    assert once.verdict == "uncertain"
    assert once.readings_to_decide is not None
    assert key(once.readings_to_decide).verdict == "pass"
    assert key(once.readings_to_decide - 1).verdict == "uncertain"


def test_the_guard_band_of_2u() -> None:
    made = system()
    row = [8.6 + 0.05 - 2.1 * 0.01, 8.6 + 0.05 - 1.9 * 0.01, 8.6 + 0.05 + 1.9 * 0.01, 8.6 + 0.05 + 2.1 * 0.01]
    measured = readings(made, {"left": row}, own=0.01)
    strict = inspect(code_of(made, [[0] * 4]), measured, made, guard=Guard.parse("2u"))
    usual = inspect(code_of(made, [[0] * 4]), measured, made)
    assert [c.verdict for c in strict.cuts] == ["pass", "uncertain", "uncertain", "recut"]
    assert [c.verdict for c in usual.cuts] == ["pass", "pass", "recut", "recut"]


@drawn(60)
@given(
    off=st.floats(-0.3, 0.3), own=st.floats(0.002, 0.04), deeper=st.sampled_from([-1, 1]), jaw=st.sampled_from([0, 0.6])
)
def test_window_and_limits_are_those_of_the_verdicts(off: float, own: float, deeper: int, jaw: float) -> None:
    """A reading just inside its printed window passes, just past the recut and scrap limits gets those verdicts."""
    made = system(track(deeper=deeper), jaw=jaw)
    nominal = made.tracks[0].depths[2]

    def one(value: float) -> Any:
        row = [made.tracks[0].depths[0]] * 3
        measured = readings(made, {"left": [row[0], value, row[1], row[2]]}, own=own)
        return inspect(code_of(made, [[0, 2, 0, 0]]), measured, made).cuts[1]

    cut = one(nominal + off)
    assert one(cut.recut_from - deeper * 1e-4).verdict == "recut"
    assert one(cut.recut_from + deeper * 1e-4).verdict != "recut"
    assert one(cut.scrap_from + deeper * 1e-4).verdict == "fail"
    assert one(cut.scrap_from - deeper * 1e-4).verdict != "fail"
    if cut.window is not None:
        assert one(sum(cut.window) / 2).verdict == "pass"
        assert one(cut.window[1] + 1e-4).verdict != "pass"
        assert one(cut.window[0] - 1e-4).verdict != "pass"


def test_a_small_recut_only_while_the_key_is_still_clamped() -> None:
    made = system(reclamp_sd=0.12)
    result = judged(made, [[0] * 4], {"left": [8.7, 8.75, 8.6, 8.6]})
    assert [(c.verdict, c.still_clamped) for c in result.cuts[:2]] == [("recut", True), ("recut", False)]


def test_a_cut_that_is_another_depth_says_so() -> None:
    made = system()
    result = judged(made, [[0] * 4], {"left": [8.16, 8.6, 8.6, 8.6]})
    assert [c.reads_like for c in result.cuts] == ["2", None, None, None]


def test_every_face_that_was_measured_is_judged_for_itself() -> None:
    made = system(sides=("top", "bottom"), convenience=True)
    rows = {("top", "left"): [8.6] * 4, ("bottom", "left"): [8.72] * 4}
    result = judged(made, [[0] * 4], rows)
    assert [(c.side, c.verdict) for c in result.cuts] == [("top", "pass")] * 4 + [("bottom", "recut")] * 4
    assert not any("only one side" in note for note in result.notes)
    one = judged(made, [[0] * 4], {("top", "left"): [8.6] * 4})
    assert any("only one side" in note for note in one.notes)


def test_sides_that_differ_must_both_be_measured() -> None:
    made = system(sides=("top", "bottom"))
    result = judged(made, [[0] * 4, [1] * 4], {("top", "left"): [8.6] * 4})
    assert [c.verdict for c in result.cuts] == ["pass"] * 4 + ["uncertain"] * 4


ACROSS = Across(("left", "right"), 1, -10.0)


def test_readings_across_sharpen_the_single_ones() -> None:
    """The combination is the weighted least squares of left, right and left + right, by numpy."""
    made = system(track(), track("right"), across=ACROSS)
    rows = {"left": [8.61] * 4, "right": [8.57] * 4, "across": [7.22] * 4}
    result = judged(made, [[0] * 4] * 2, rows)
    u = math.hypot(0.001, 0.001 / math.sqrt(12))
    design = np.array([[1, 0], [0, 1], [1, 1]]) / u
    target = np.array([8.61, 8.57, 17.22]) / u
    best = np.linalg.solve(design.T @ design, design.T @ target)
    spread = np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    assert [result.cuts[0].measured, result.cuts[4].measured] == pytest.approx(list(best), abs=1e-9)
    assert [result.cuts[0].uncertainty, result.cuts[4].uncertainty] == pytest.approx(list(spread), rel=1e-9)
    assert all(a.combined for a in result.across)


def test_a_track_follows_from_the_other_and_the_web() -> None:
    made = system(track(), track("right"), across=ACROSS)
    result = judged(made, [[0] * 4] * 2, {"left": [8.6] * 4, "across": [7.31] * 4})
    assert [c.verdict for c in result.cuts] == ["pass"] * 4 + ["recut"] * 4
    assert result.cuts[4].measured == pytest.approx(8.71)


def test_the_width_of_a_groove_runs_the_other_way() -> None:
    """`from = 20`: across = 20 - left - right, so a groove too narrow means a rail too thick."""
    groove = Across(("left", "right"), -1, 20.0)
    made = system(track(), track("right"), across=groove)
    result = judged(made, [[0] * 4] * 2, {"left": [8.6] * 4, "across": [2.69] * 4})
    assert result.cuts[4].measured == pytest.approx(8.71)
    assert result.across[0].nominal == pytest.approx(2.8)
    assert [c.verdict for c in result.cuts[4:]] == ["recut"] * 4


def test_the_web_alone_cant_tell_left_from_right() -> None:
    made = system(track(), track("right"), across=ACROSS)
    result = judged(made, [[0] * 4] * 2, {"across": [7.2] * 4})
    assert {c.verdict for c in result.cuts} == {"uncertain"}
    assert any("across" in note for note in result.notes)
    assert result.across[0].deviation == pytest.approx(0.0)


def test_places_along_the_blade_are_judged() -> None:
    made = system()
    measured = readings(made, {"left": [8.6] * 4})
    places = [20.01, 17.7, 15.4 + 0.2, None]
    cuts = tuple(attrs.evolve(c, place=p) for c, p in zip(measured.cuts, places, strict=True))
    result = inspect(code_of(made, [[0] * 4]), attrs.evolve(measured, cuts=cuts), made, place_tolerance=0.1)
    assert [(p.cut, p.verdict) for p in result.places] == [(1, "pass"), (2, "pass"), (3, "fail")]
    assert result.verdict == "fail"


def test_against_a_key_that_works_caliper_zero_and_jaw_cancel() -> None:
    made = system(jaw=0.6)
    code = code_of(made, [[0, 2, 0, 0]])
    ours = readings(made, {"left": [8.70, 7.80, 8.70, 8.85]}, own=None)
    works = readings(made, {"left": [8.69, 7.79, 8.70, 8.70]}, own=None)
    gauge = Gauge(caliper=0.05, hand=0.01, zero=0.2)
    result = inspect(code, ours, made, gauge=gauge, against=works)
    assert [c.verdict for c in result.cuts] == ["pass", "pass", "pass", "recut"]
    own = math.hypot(0.01, 0.001 / math.sqrt(12))
    assert result.cuts[1].uncertainty == pytest.approx(own * math.sqrt(2), rel=1e-9)
    assert result.cuts[1].nominal == pytest.approx(7.79)
    partial = attrs.evolve(works, cuts=works.cuts[:2])
    some = inspect(code, ours, made, gauge=gauge, against=partial)
    assert [c.verdict for c in some.cuts] == ["pass", "pass", "uncertain", "uncertain"]


@pytest.mark.parametrize("jaw", [0.2, 0.5, 1.0])
def test_the_jaw_stands_off_what_the_swept_path_leaves_under_it(jaw: float) -> None:
    """The closed form beside a simulation: the path of a square move swept by the cutter's circle (shapely)."""
    made = system(cuts := track(cuts=3), jaw=jaw)
    depths, radius = [0, 2, 1], 1.2
    x = [-s for s in cuts.spaces]
    deep = [abs(cuts.depths[d] - cuts.depths[0]) for d in depths]
    path = [(x[0], deep[0]), (x[1], deep[0]), (x[1], deep[1]), (x[1], deep[2]), (x[2], deep[2])]
    swept = LineString([(a, b - radius) for a, b in path]).buffer(radius, quad_segs=4096)

    def bottom(at: float) -> float:
        cut = swept.intersection(box(at - 1e-9, -10, at + 1e-9, 10))
        return float(cut.bounds[3])

    reached = min(bottom(x[1] + side * jaw / 2) for side in (-1, 1))
    found = stand_off(made, cuts, depths, 1)  # between two shallower neighbours it can't slide
    assert (found.least, found.most) == pytest.approx((deep[1] - reached,) * 2, abs=1e-5)
    # the last one, one step below no shallower neighbour on either side but the cut before it being deeper: it lies flat
    assert stand_off(made, cuts, depths, 2).most == 0.0
    one = stand_off(made, cuts, [0, 2, 2], 1)  # the floor goes on to cut 3: it may slide there, or it may not
    assert (one.least, one.most) == pytest.approx((0.0, found.most), abs=1e-5)


@pytest.mark.parametrize("deeper", [-1, 1])
def test_a_jaw_reads_shallow_so_the_cut_is_taken_to_be_deeper(deeper: int) -> None:
    made = system(track(deeper=deeper), jaw=0.6)
    shallow, deep = made.tracks[0].depths[0], made.tracks[0].depths[2]
    judge = judged(made, [[0, 2, 0, 0]], {"left": [shallow, deep, shallow, shallow]}, gauge=Gauge(hand=0.01))
    cut, cuts = judge.cuts[1], judge.cuts
    cuts = [cuts[0], cuts[2]]
    room = 1.2 - math.sqrt(1.2**2 - 0.3**2)
    assert cut.deviation == 0.0
    assert cut.correction == pytest.approx(deeper * room)  # both neighbours are shallower: it can't slide
    assert cut.uncertainty == pytest.approx(cuts[1].uncertainty)  # and so nothing about it is uncertain
    assert cut.probability_too_deep > cut.probability_too_shallow
    assert sum(cut.window) / 2 == pytest.approx(deep - deeper * room)
    beside = judged(made, [[0, 2, 2, 0]], {"left": [shallow, deep, deep, shallow]}, gauge=Gauge(hand=0.01)).cuts[1]
    assert beside.correction == pytest.approx(deeper * room / 2)
    assert beside.uncertainty == pytest.approx(math.hypot(cut.uncertainty, room / math.sqrt(12)))


def test_the_jaw_in_a_vee() -> None:
    made = attrs.evolve(system(), cutting=Cutting("vee", angle=90.0, root=0.2))
    found = stand_off(made, made.tracks[0], [0, 2, 0, 0], 1, 0.5)  # a flank on either side of it
    assert (found.least, found.most) == pytest.approx((0.15, 0.15))
    assert stand_off(made, made.tracks[0], [0, 2, 0, 0], 1, 0.2).most == 0.0


def test_a_knife_edge_needs_no_allowance() -> None:
    made = system(jaw=0.6)
    rows = {"left": [8.6, 7.7, 8.6, 8.6]}
    assert judged(made, [[0, 2, 0, 0]], rows).cuts[1].correction != 0
    assert judged(made, [[0, 2, 0, 0]], rows, gauge=Gauge(jaw=0.0)).cuts[1].correction == 0


PATTERNS = {"zero": -0.1, "left-right": 0.1, "tilt": 0.2, "twist": 0.2, "scale": 0.12, "side": 0.1}


def shape(kind: str, hand: int, along: float, down: float, face: int) -> float:
    """What one unit of a pattern does to a cut."""
    shapes = {"zero": 1, "left-right": hand, "tilt": along, "twist": along * hand, "scale": down, "side": face}
    return shapes[kind]


@pytest.mark.parametrize("kind", PATTERNS)
def test_a_pattern_is_said_in_words(kind: str) -> None:
    made = system(track(cuts=6), track("right", cuts=6), sides=("top", "bottom"), convenience=True)
    depths = [[0, 1, 2, 0, 2, 1], [2, 0, 1, 1, 0, 2]]
    jitter = np.random.default_rng(4).normal(0, 0.01, (2, 2, 6))
    rows = {}
    for f, face in enumerate(("top", "bottom")):
        for h, name in enumerate(("left", "right")):
            rows[(face, name)] = [
                made.tracks[h].depths[d]
                - PATTERNS[kind] * shape(kind, (1, -1)[h], i / 5 - 0.5, d / 2, (1, -1)[f])
                - jitter[f, h, i]
                for i, d in enumerate(depths[h])
            ]
    result = inspect(code_of(made, depths), readings(made, rows, own=0.01), made)
    assert [p.kind for p in result.patterns] == [kind]
    assert result.patterns[0].amount == pytest.approx(PATTERNS[kind], abs=0.03)


def test_scatter_is_seldom_called_a_pattern() -> None:
    """With nothing but noise, a pattern of three standard deviations turns up in about 1 of 60 keys (5 terms)."""
    from bitting.machine.inspect.pattern import Point

    rng = np.random.default_rng(8)
    found = 0
    for _ in range(300):
        noise = rng.normal(0, 0.03, 14)
        points = [
            Point(float(noise[i]), 0.03, (i % 7) / 6 - 0.5, float(rng.integers(0, 5)) / 4, 1 if i < 7 else -1)
            for i in range(14)
        ]
        found += bool(find(points, 0.05))
    assert found <= 12


@pytest.mark.parametrize("guard", [Guard(), Guard("band", 0.0)])
def test_false_accepts_and_rejects_are_as_often_as_theory_has_it(guard: Guard) -> None:
    """JCGM 106, 9.5: simulated rates beside the integrals; the full table is made by the benchmark itself."""
    from tests.benchmarks.inspect_rates import simulate, theory

    made = attrs.evolve(load_system("plover"), measuring=Measuring(tolerance=0.05, reading_sd=0.03))
    keys = 150
    seen = simulate(made, 0.05, 2, guard, keys, np.random.default_rng(9))
    for rate, known in zip(seen, theory(made, 0.05, 2, guard), strict=True):
        assert rate == pytest.approx(known, abs=4 * math.sqrt(max(known * (1 - known), 1e-3) / (14 * keys)))


def test_as_dict_is_the_attributes_and_survives_json() -> None:
    made = system()
    result = judged(made, [[0] * 4], {"left": [8.6, 8.7, 8.5, None]})
    answer = result.as_dict()
    assert set(answer) == {"format"} | {field.name for field in attrs.fields(type(result))}
    assert set(answer["cuts"][0]) == {field.name for field in attrs.fields(type(result.cuts[0]))}
    assert json.loads(json.dumps(answer)) == answer
    wanted = {"track", "cut", "nominal", "measured", "deviation", "verdict", "probability_in_tolerance"}
    assert wanted <= set(answer["cuts"][0])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"tolerance": None}, "doesn't say `tolerance`"),
        ({}, "must be complete"),
    ],
)
def test_what_cant_be_answered_is_an_error(change: dict[str, Any], words: str) -> None:
    made = system(**change)
    code = code_of(made, [[0] * 4]) if change else Code(made, "", ())
    with pytest.raises(BittingError, match=words):
        inspect(code, readings(made, {"left": [8.6] * 4}), made)


def test_nothing_measured_is_an_error() -> None:
    made = system()
    with pytest.raises(BittingError, match="nothing was measured"):
        judged(made, [[0] * 4], {"left": [None] * 4})


@pytest.mark.parametrize("name", shipped_systems())
def test_a_right_key_of_every_shipped_system_passes(name: str) -> None:
    made = load_system(name)
    depths = [[i % len(lane.track.depths) for i in range(lane.track.cuts)] for lane in made.lanes]
    digits = 3 if made.unit == "mm" else 5
    limit = made.measuring.tolerance * 0.1
    cuts = [
        ReadCut(
            lane.side, lane.track.name, i, (Reading(round(lane.track.depths[d], digits), limit, 10**-digits, (0, 0)),)
        )
        for lane, row in zip(made.lanes, depths, strict=True)
        for i, d in enumerate(row)
    ]
    result = inspect(code_of(made, depths), Readings(made, "", made.unit, tuple(cuts)), made)
    assert result.verdict == "pass"
    sense = made.tracks[0].deeper
    worse = [
        attrs.evolve(c, readings=(attrs.evolve(c.readings[0], value=c.readings[0].value + sense * made.step),))
        for c in cuts
    ]
    scrap = inspect(code_of(made, depths), Readings(made, "", made.unit, tuple(worse)), made)
    assert {c.verdict for c in scrap.cuts} == {"fail"}


CODE = "left: 2 1 3 3 1 4 4 / right: 1 1 2 4 4 2 1"
RIGHT = (
    "left: 8.14±0.01 8.60±0.01 7.69±0.01 7.69±0.01 8.60±0.01 7.25±0.01 7.25±0.01 / "
    "right: 8.60±0.01 8.60±0.01 8.14±0.01 7.25±0.01 7.25±0.01 8.14±0.01 8.60±0.01"
)


def test_command_says_pass_and_exits_0() -> None:
    done = CliRunner().invoke(command, [CODE, RIGHT, "-s", "plover"])
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout.startswith("Pass: every cut is in tolerance.")
    assert "(2.0 thou)" in done.stdout


def test_command_reads_both_secrets_from_a_pipe() -> None:
    wrong = RIGHT.replace("7.69", "7.81", 1)
    done = CliRunner().invoke(command, ["-s", "plover", "--json"], input=f"{CODE}\n{wrong}\n")
    answer = json.loads(done.stdout)
    assert (done.exit_code, answer["verdict"]) == (1, "recut")
    assert [(c["track"], c["cut"]) for c in answer["cuts"] if c["verdict"] == "recut"] == [("left", 3)]
    against = CliRunner().invoke(
        command, [CODE, "-", "-s", "plover", "--json", "--against", "-"], input=f"{wrong}\n{RIGHT}"
    )
    assert json.loads(against.stdout)["cuts"][2]["nominal"] == 7.69
    readings_only = CliRunner().invoke(command, [CODE, "-", "-s", "plover", "--json"], input=f"{RIGHT}\n")
    assert json.loads(readings_only.stdout)["verdict"] == "pass"


@pytest.mark.parametrize(
    ("arguments", "piped", "words"),
    [
        (["-s", "plover"], CODE, "1 line on standard input instead of 2"),
        ([CODE, RIGHT, "-s", "nowhere"], "", "nowhere"),
        ([CODE, RIGHT, "-s", "plover", "--guard", "sure"], "", "'sure' is no guard"),
        ([CODE, RIGHT, "-s", "plover", "--caliper", "wide"], "", "'wide' is no length"),
        ([CODE, RIGHT, "-s", "plover", "--tolerance", "0"], "", "can't be met"),
        (["left: 2 1 3 3 1 4 / right: 1 1 2 4 4 2 1", RIGHT, "-s", "plover"], "", "must be complete"),
        (["left: ? 1 3 3 1 4 4 / right: 1 1 2 4 4 2 1", RIGHT, "-s", "plover"], "", "must be complete"),
        ([CODE, "left: 8.6 /", "-s", "plover"], "", "^"),
    ],
)
def test_command_with_bad_input_exits_2_and_prints_nothing(arguments: list[str], piped: str, words: str) -> None:
    done = CliRunner().invoke(command, arguments, input=piped)
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr


def shown_lines(result: Inspection, system: System, columns: int = 120) -> list[str]:
    """The lines of the answer without their colours."""
    return [line if isinstance(line, str) else line[0] for line in inspection_lines(result, system, columns)]


def test_the_table_fits_the_terminal_and_speaks_the_unit_of_the_readings() -> None:
    made = load_system("plover")
    thou = " / ".join(
        f"{name}: " + " ".join(f"{float(v.split('±')[0]) / 0.0254:.1f}±0.4" for v in row.split())
        for name, row in (part.split(": ") for part in RIGHT.split(" / "))
    )
    result = inspect(parse_code(CODE, made), parse_readings(thou, made, "thou"), made)
    narrow, wide = shown_lines(result, made, 80), shown_lines(result, made, 200)
    table = narrow[narrow.index("") : narrow.index("", narrow.index("") + 1)]
    assert max(map(len, table)) <= 80
    for name, code in CODES.items():
        shipped = load_system(name)
        row = parse_code(code, shipped)
        tracks = [
            f"{side or ''} {t.name}: {' '.join(f'{t.depths[d]:.3f}' for d in depths)}"
            for i, depths in enumerate(row.depths or ())
            for t in [shipped.lanes[i].track]
            for side in ([shipped.lanes[i].side] if shipped.sided else shipped.sides or [None])
        ]
        found = shown_lines(inspect(row, parse_readings(" / ".join(sorted(tracks)), shipped), shipped), shipped, 80)
        assert max(len(line) for line in found if "  " in line) <= 80, name
    assert "What passes; past the other limits a cut is surely out:" in narrow
    assert sum(line.endswith("  pass") for line in wide) == 14
    assert next(line for line in wide if line.startswith("left 2")).split()[3] == "338.6"  # 8.60 mm


def test_command_options_take_lengths_in_any_unit() -> None:
    """0.8 thou is 0.02032 mm."""
    done = CliRunner().invoke(command, [CODE, RIGHT, "-s", "plover", "--tolerance", "0.8 thou", "--json"])
    assert json.loads(done.stdout)["tolerance"] == pytest.approx(0.02032)


def test_the_key_itself_is_in_no_error() -> None:
    done = CliRunner().invoke(command, ["left: 2 1 3 3 1 4 / right: 1 1 2 4 4 2 1", RIGHT, "-s", "plover"])
    assert "2 1 3 3" not in done.stderr


def test_reading_a_parsed_key_gives_the_same_as_the_library() -> None:
    made = load_system("plover")
    result = inspect(parse_code(CODE, made), parse_readings(RIGHT, made), made)
    assert result.verdict == "pass"
    done = CliRunner().invoke(command, [CODE, RIGHT, "-s", "plover", "--json"])
    assert json.loads(done.stdout) == {"format": 1, **json.loads(json.dumps(result.as_dict()))}


def test_importing_the_command_needs_no_heavy_library() -> None:
    probe = (
        "import sys, bitting.cli.inspect, bitting.cli.align;"
        "print({'numpy', 'scipy', 'shapely'} & {m.split('.')[0] for m in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_limits_are_the_verdicts_of_inspect() -> None:
    """A reading at either end of `go` passes, one past `no_go` is recut or scrap, however often it is read."""
    made = load_system("plover")
    code = parse_code("left: 2133134 / right: 1124421", made)
    for repeats in (2, 3, 4):
        found = limits(code, made, repeats)
        assert {cut.verdict for cut in found.cuts} == {None}
        for i, cut in enumerate(found.cuts[:7]):
            way = made.track(cut.track).deeper
            assert cut.go is not None
            nudge = 1e-4
            ends = [
                (cut.go[0] + nudge, "pass"), (cut.go[1] - nudge, "pass"), (cut.go[0] - nudge, "uncertain"),
                (cut.no_go[0] - way * nudge, "recut"), (cut.no_go[1] + way * nudge, "fail"),
            ]  # fmt: skip
            for value, verdict in ends:
                row = ReadCut(None, "left", i, (Reading(value, None, 0.01, (0, 0)),) * repeats)
                assert inspect(code, Readings(made, "", "mm", (row,)), made).cuts[i].verdict == verdict, (i, value)
    assert all(cut.go is None for cut in limits(code, made).cuts if cut.cut == 3)  # 0.05 can't be proven at one reading


@pytest.mark.parametrize(("reading", "shallow"), [("6.72", True), ("6.60", False)])
def test_a_cut_near_the_shallow_limit_may_be_milled_once_more(reading: str, shallow: bool) -> None:
    rows = f"7.75|7.75 8.30|8.30 7.75|7.75 7.20|7.20 {reading}|{reading} 7.20|7.20 7.75|7.75 8.30|8.30"
    done = CliRunner().invoke(command, ["2 1 2 3 4 3 2 1", rows, "-s", "wren"])
    assert "won't settle left 5" in done.stdout
    assert ("Or mill left 5 once more at the same depth" in done.stdout) == shallow


def test_a_window_of_one_value_is_no_range() -> None:
    done = CliRunner().invoke(command, ["2 1 2 3 4 3 2 1", "7.75 8.30 7.75 7.20 6.65 7.20 7.75 8.30", "-s", "wren"])
    assert "7.759 only" in done.stdout
    assert "7.759 to 7.759" not in done.stdout


FINISHED = "7.75 8.30 7.75 7.20 6.65 7.20 7.75 8.30"


@pytest.mark.parametrize(
    "words",
    [
        [FINISHED, "--limits"],
        ["--limits", "--against", FINISHED],
        ["--limits", "--unit", "mm"],
        [FINISHED, "--repeats", "4"],
    ],
)
def test_what_limits_take_no_notice_of_is_refused(words: list[str]) -> None:
    done = CliRunner().invoke(main, ["inspect", "2 1 2 3 4 3 2 1", *words, "-s", "wren"])
    assert (done.exit_code, done.stdout) == (2, "")
    assert "--limits" in done.stderr


@pytest.mark.parametrize(("jaw", "moved"), [("0.5", True), ("0", False)])
def test_limits_moved_by_what_the_jaw_stands_off_say_so(jaw: str, moved: bool) -> None:
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", "-s", "plover", "--limits", "--jaw", jaw])
    assert ("moved by what it stands off" in " ".join(done.stdout.split())) == moved


def test_the_command_gives_limits_without_readings() -> None:
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", "-s", "plover", "--limits", "--json"])
    assert done.exit_code == 0
    cuts = json.loads(done.stdout)["cuts"]
    assert len(cuts) == 14
    assert {"go", "no_go", "verdict"} <= set(cuts[0])
    assert cuts[0]["verdict"] is None


def test_a_key_read_once_and_dead_on_looks_good_and_is_not_proven() -> None:
    rows = "left: 8.15 8.60 7.70 7.71 8.60 7.70 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", rows, "-s", "plover"])
    assert done.exit_code == 1
    assert done.stdout.startswith("Looks good, not proven: read each cut once more.")
    worse = CliRunner().invoke(
        command, ["left: 2133134 / right: 1124421", rows.replace("7.71", "7.73"), "-s", "plover"]
    )
    assert worse.stdout.startswith("Too close to tell.")


def test_the_most_suspicious_cut_stands_first_and_names_the_plan_that_mends_it() -> None:
    rows = "left: 8.15 8.60 7.70 7.70 8.60 7.70 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.30 8.60"
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", rows, "-s", "plover"])
    table = done.stdout.split("\n\n")[1].splitlines()
    assert table[1].startswith("right 6")
    assert table[1].endswith("recut")
    told = " ".join(done.stdout.split())
    assert (
        "right 6: too shallow, take off 0.139 mm (5.5 thou). The plan, if it was the top: bitting plan -s plover --take "
        "'top right 6 by 0.139'; if it was the bottom, with bottom for top." in told
    ), "without a side the plan would mill the other too, which nobody measured"
    named = rows.replace("left:", "bottom left:").replace("right:", "bottom right:")
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", named, "-s", "plover"])
    assert "(5.5 thou). The plan: bitting plan -s plover --take 'bottom right 6 by 0.139'." in " ".join(
        done.stdout.split()
    )


def test_cuts_too_shallow_together_have_one_plan_after_what_they_have_in_common() -> None:
    rows = "left: 8.30 8.75 7.85 7.85 8.75 7.85 7.40 / right: 8.75 8.75 8.30 7.40 7.40 8.30 8.75"
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", rows, "-s", "plover", "--jaw", "0"])
    told = " ".join(done.stdout.split())
    assert told.count("bitting plan") == 1
    assert told.count("--take 'top ") == 14
    assert told.index("In all: the cuts are too shallow on average") < told.index("take off")


def test_a_cut_that_reads_like_another_depth_is_milled_at_its_own_before_anything_is_set_past_it() -> None:
    """Set to depth 3 by mistake: 0.45 mm past depth 4 would be scrap on a machine that is true."""
    rows = "left: 8.15 8.60 7.70 7.70 8.60 7.70 7.25 / right: 8.60 8.60 8.15 7.70 7.25 8.15 8.60"
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", rows, "-s", "plover"])
    told = " ".join(done.stdout.split())
    assert "--take" not in told
    assert "right 4: too shallow by 0.440 mm (17.3 thou), it reads like depth 3. Set to that by mistake?" in told
    assert "Mill it at 4 (bitting plan -s plover --have -, the code with 3 there) and measure again." in told


def test_the_plan_that_mends_a_cut_is_for_the_system_of_the_file_not_for_another_of_its_name(tmp_path: Path) -> None:
    """Copied from a shipped one and named like it still: by that name the plan would mill to the shipped one's depths."""
    own = tmp_path / "my plover.toml"
    own.write_text((Path(bitting.load_system("plover").path)).read_text(encoding="utf-8"), encoding="utf-8")
    rows = "left: 8.15 8.60 7.70 7.70 8.60 7.70 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.30 8.60"
    done = CliRunner().invoke(command, ["left: 2133134 / right: 1124421", rows, "-s", str(own)])
    assert f"bitting plan -s '{own}' --take 'top right 6 by 0.139'" in done.stdout


EDGE_CODE = "top(2 1 3 1 2 4); bottom(4 3 3 4 3 3)"
EDGE_WEB = "across: 5.20 6.40 5.20 5.80 5.80 4.60"


def test_a_perfect_key_read_between_its_edges_passes() -> None:
    """Half of the web's uncertainty for each edge, and a note of what can't be seen so."""
    grebe = bitting.load_system("grebe")
    result = bitting.inspect(bitting.parse_code(EDGE_CODE, grebe), bitting.parse_readings(EDGE_WEB, grebe), grebe)
    assert result.verdict == "pass"
    assert [c.measured for c in result.cuts] == pytest.approx([c.nominal for c in result.cuts])
    assert result.cuts[0].uncertainty == pytest.approx(math.hypot(0.03, 0.01 / math.sqrt(12)) / 2)
    assert result.web_alone
    assert any("top too deep and bottom too shallow" in note for note in result.notes)
    assert (result.across[0].tracks, result.across[0].nominal) == (("top", "bottom"), pytest.approx(5.2))
    off = bitting.parse_readings(EDGE_WEB.replace("5.20 6.40", "5.00 6.40"), grebe)
    found = bitting.inspect(bitting.parse_code(EDGE_CODE, grebe), off, grebe)
    assert [c.verdict for c in found.cuts if c.cut == 1] == ["fail", "fail"]


def test_one_edge_and_the_web_judge_both_edges() -> None:
    grebe = bitting.load_system("grebe")
    edge, web = ["1.10", "0.50", "1.70", "0.50", "1.10", "2.30"], ["5.20", "6.40", "5.20", "5.80", "5.80", "4.40"]
    text = " / ".join(f"{name}: {'±0.01 '.join(row)}±0.01" for name, row in (("top", edge), ("across", web)))
    result = bitting.inspect(bitting.parse_code(EDGE_CODE, grebe), bitting.parse_readings(text, grebe), grebe)
    assert [c.verdict for c in result.cuts] == ["pass"] * 11 + ["fail"]
    assert result.cuts[11].measured == pytest.approx(1.9)
    assert not result.web_alone


def test_a_key_alike_on_both_edges_passes_by_its_web() -> None:
    grebe = bitting.load_system("grebe")
    smew = attrs.evolve(grebe, name="smew", convenience=True, must=(), should=(), rules=())
    code = bitting.parse_code("3 1 3 3 1 4", smew)
    readings = bitting.parse_readings("across: 5.20 7.60 5.20 5.20 7.60 4.00", smew)
    result = bitting.inspect(code, readings, smew)
    assert result.verdict == "pass"
    assert result.cuts[0].uncertainty == pytest.approx(math.hypot(0.03, 0.01 / math.sqrt(12)) / 2)
    assert not any("only one side" in note for note in result.notes)


def test_limits_that_no_reading_meets_say_why_instead_of_an_empty_column() -> None:
    plover = bitting.load_system("plover")
    code = bitting.parse_code("left: 2133134 / right: 1124421", plover)
    once, thrice = (list(limits_lines(limits(code, plover, repeats), plover)) for repeats in (1, 3))
    assert "can't be proven to be within that" in once[1]
    assert not any("go, mm" in line or "none" in line for line in once)
    assert "go, mm" in thrice[1]
    assert len({len(line) for line in once[2:4]}) <= 2


def test_what_the_jaw_adds_is_told_beside_what_is_read() -> None:
    """The table says what the caliper read is off by; the sentence by how much the cut is, and why they differ."""
    plover = bitting.load_system("plover")
    code = bitting.parse_code("left: 2133244 / right: 1124421", plover)
    text = "left: 8.15 8.60 7.70 7.70 8.15 7.25 7.25 / right: 8.60 8.60 8.15 7.12 7.25 8.15 8.60"
    lines = shown_lines(bitting.inspect(code, bitting.parse_readings(text, plover), plover), plover)
    row = next(line for line in lines if line.startswith("right 4 "))
    told = next(line for line in lines if line.startswith("right 4: too deep by"))
    off = float(re.search(r"([+-]0\.\d+)", row)[1])  # type: ignore[index]
    deep, *stood = (float(number) for number in re.findall(r"(\d\.\d+) mm", told))
    assert deep == pytest.approx(abs(off) + sum(stood), abs=0.0011)
    assert not stood or "because the jaw stands off" in told


def test_what_is_to_be_read_again_is_said_once_and_only_where_it_is_still_to_do() -> None:
    system, runner = load_system("dunlin"), CliRunner()
    assert system.unit == "in"
    twice = ".265|.265 .350|.350 .316|.316 .231|.231 .333|.333 .248|.248"
    passed = runner.invoke(command, ["502716", twice, "-s", "dunlin"])
    assert passed.stdout.startswith("Pass")
    assert "can't prove" not in passed.stdout
    once = "left: 8.15 8.60 7.71 7.70 8.15 7.40 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
    lines = runner.invoke(command, ["2133244 1124421", once, "-s", "plover"]).stdout.splitlines()
    assert [line for line in lines if "Read in all" in line] == [
        "Read in all 5 times left 1; 3 times left 4, right 3, right 4, right 5, right 6; 2 times the others too close to "
        "tell: that settles it if the means stay."
    ]


def test_the_correction_that_is_advised_for_one_side_can_be_planned() -> None:
    code = "2133244 1124421"
    once = "top left: 8.15 8.60 7.71 7.70 8.15 7.40 7.25 / top right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
    lines = CliRunner().invoke(command, [code, once, "-s", "plover"]).stdout.splitlines()
    (line,) = [line for line in lines if "bitting plan" in line]
    words = shlex.split(line.partition("bitting plan ")[2].rstrip("."))
    assert CliRunner().invoke(plan_command, [code, *words]).exit_code == 0


@pytest.mark.parametrize(("name", "text"), [("heron", "12311333 13232243"), ("plover", "2133244 1124421")])
def test_as_many_readings_as_are_asked_for_pass_a_perfect_key(name: str, text: str) -> None:
    """The fewest with which every cut has a go; `inspect` and its limits ask for the same number."""
    made = load_system(name)
    code = parse_code(text, made)
    asked = limits(code, made).readings_needed
    assert asked is not None
    assert all(cut.go for cut in limits(code, made, asked).cuts)
    assert not all(cut.go for cut in limits(code, made, asked - 1).cuts)
    told = CliRunner().invoke(command, [text, "-s", name, "--limits"], env={"COLUMNS": "80"}).stdout
    enough = CliRunner().invoke(command, [text, "-s", name, "--limits", "--repeats", str(asked)], env={"COLUMNS": "80"})
    assert max(len(line) for line in (told + enough.stdout).splitlines() if "  " in line) <= 80
    assert f"{asked} times" in " ".join(told.split())


@pytest.mark.parametrize("words", [["0.05"], ["1.27 mm"], ["9 thou"]])
def test_a_tolerance_of_more_than_half_a_step_is_no_tolerance(words: list[str]) -> None:
    """0.05 meant in millimetres, for a system in inches: a cut a whole depth off would pass."""
    key = ".298 .297 .247 .316 .281 .196"
    for line in (["inspect", "336149", key], ["align", ".35 .35 .197 .35 .35 .35"]):
        found = CliRunner().invoke(main, [*line, "-s", "dunlin", "--tolerance", *words])
        assert (found.exit_code, found.stdout) == (2, "")
        assert "wider than half a step (0.0085)" in found.stderr
    system = load_system("dunlin")
    with pytest.raises(BittingError, match="wider than half a step"):
        inspect(parse_code("336149", system), parse_readings(key, system), system, tolerance=0.05)
    assert CliRunner().invoke(main, ["inspect", "336149", key, "-s", "dunlin", "--tolerance", "0.05 mm"]).exit_code == 1


def test_readings_from_elsewhere_are_no_recut() -> None:
    system = load_system("siskin")
    half = " ".join(["6.40"] * 9)
    with pytest.raises(
        BittingError, match=r"no reading is near a depth of siskin: left runs from .* the first reading is 6\.4"
    ) as told:
        inspect(
            parse_code("A A A A A A A A A / A A A A A A A A A", system),
            parse_readings(f"{half} / {half}", system),
            system,
        )
    code = parse_code("F D D F D C B D F / E D C B C D E C D", system)
    over = parse_readings(
        " ".join(f"{system.tracks[0].depths[d] + 4.25:.2f}" for lane in code.depths or () for d in lane), system
    )
    assert inspect(code, over, system, against=over).verdict != "fail", "both keys were read from there"
    assert told.value.hint == "depths of left are measured from the centre line to the floor of the cut"


@pytest.mark.parametrize(
    ("second", "verdict", "told"), [("0.299|0.3", "uncertain", True), ("0.2990|0.3000", "pass", False)]
)
def test_zeros_that_were_left_out_are_asked_for(second: str, verdict: str, told: bool) -> None:
    """0.3 is taken to be read to a tenth: no number of such readings proves a cut, and the note named no cut."""
    dunlin = load_system("dunlin")
    read = f"0.2815|0.2818 {second} 0.3161|0.3158 0.2988|0.2992 0.2821|0.2819 0.1970|0.1972"
    found = inspect(parse_code("432349", dunlin), parse_readings(read, dunlin), dunlin, gauge=Gauge(caliper=0.0004))
    assert found.cuts[1].verdict == verdict
    assert any(note.startswith("edge 2 is written with fewer decimals") for note in found.notes) == told
    assert not any("coarser than the tolerance" in note for note in found.notes)


@pytest.mark.parametrize("times", [1, 2, 4, 12])
@pytest.mark.parametrize("name", ["plover", "siskin", "dunlin"])
def test_what_comes_off_a_cut_leaves_it_no_deeper_than_the_tolerance(name: str, times: int) -> None:
    """With the probability of the guard, as far as the readings can tell; all that it reads where they are good enough."""
    system = load_system(name)
    code = code_of(system, [[0] * lane.track.cuts for lane in system.lanes])
    off = 0.4 * system.step
    texts = []
    for lane in system.lanes:
        value = lane.track.depths[0] - lane.track.deeper * off
        texts.append(" ".join(["|".join([f"{value:.4f}"] * times)] * lane.track.cuts))
    found = inspect(code, parse_readings(" / ".join(texts), system), system, gauge=Gauge(jaw=0.0))
    recuts = [cut for cut in found.cuts if cut.verdict == "recut"]
    assert recuts
    for cut in recuts:
        assert cut.recut is not None
        left = off - cut.recut  # too shallow by so much afterwards, by the readings
        assert beyond(-left, cut.uncertainty or 0.0, found.tolerance) <= 0.05 + 1e-9
        assert left == pytest.approx(max(0.0, 1.6449 * (cut.uncertainty or 0.0) - found.tolerance), abs=1e-4)
