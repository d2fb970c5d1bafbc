"""`align`: setup keys of invented systems, measured; the fit beside scipy, the charts beside published examples."""

from __future__ import annotations

import json
import os
import stat
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from bitting import sample
from bitting.cli import main
from bitting.cli.align import command
from bitting.errors import BittingError
from bitting.geometry.frame import frame_of
from bitting.machine.align.alignment import Alignment, align
from bitting.machine.align.corrections import correct
from bitting.machine.align.fit import Row, fit_terms
from bitting.machine.align.history import COLUMNS, D2, History, appended, ewma, moving_sigma, shewhart
from bitting.machine.inspect.uncertainty import Gauge
from bitting.machine.plan.dial import setting_of
from bitting.machine.plan.plan import plan
from bitting.machine.plan.steps import Step
from bitting.model import (
    Across,
    Blade,
    Cutting,
    Measuring,
    ReadCut,
    Reading,
    Readings,
    SetupCut,
    System,
    Track,
    code_of,
)
from bitting.notation import parse_readings
from bitting.notation.lengths import PlaceReading, parse_place
from bitting.report.align import alignment_lines
from bitting.systemfile import load_system, shipped_systems
from bitting.systemfile.machine import load_machine
from tests.conftest import drawn


def append(path: Path, result: Alignment, day: str, adjusted: bool) -> History:
    history, keep = appended(path, result, day, adjusted)
    keep()
    return history


def track(name: str = "left", deeper: int = -1, cuts: int = 7) -> Track:
    first, step = (8.6, -0.45) if deeper < 0 else (1.4, 0.45)
    depths = tuple(first + step * i for i in range(5))
    measured = "far-edge" if deeper < 0 else "own-edge"
    return Track(name, "external", measured, tuple(21.4 - 2.3 * i for i in range(cuts)), tuple("12345"), depths)


def system(*tracks: Track, sides: tuple[str, ...] = (), stop: str = "tip", **figures: Any) -> System:
    measuring = attrs.evolve(Measuring(tolerance=0.05, reading_sd=0.03), **figures)
    return System(
        "dabchick", "", "invented", "mm", stop, sides, bool(sides), Blade(10.0, 2.6, 1.0),  # type: ignore[arg-type]
        tracks or (track(), track("right")), cutting=Cutting(cutter=2.4, setup=SetupCut(3, 4)), measuring=measuring,
    )  # fmt: skip


def setup_key(
    made: System,
    zero: float = 0.0,
    scale: float = 0.0,
    tilt: float = 0.0,
    left_right: float = 0.0,
    noise: np.random.Generator | None = None,
    skip: Sequence[int] = (),
    sides: Sequence[str | None] = (None,),
    sd: float = 0.03,
) -> Readings:
    """The readings of a setup key cut with these errors, counted in the sense of the depth table."""
    cuts = []
    for side in sides:
        for t, one in enumerate(made.tracks):
            for i in range(one.cuts):
                depth = one.depths[4] if i == 3 else one.depths[0]
                along = i / (one.cuts - 1) - 0.5
                value = depth + zero + scale * (depth - one.depths[0]) + tilt * along + (1, -1)[t] * left_right
                value += 0.0 if noise is None else float(noise.normal(0, sd))
                read = () if i in skip else (Reading(value, None, 0.0, (0, 0)),)
                cuts.append(ReadCut(side, one.name, i, read))
    return Readings(made, "", "mm", tuple(cuts))


small = st.floats(-0.3, 0.3)


@drawn(60)
@given(zero=small, scale=small, tilt=small, left_right=small, deeper=st.sampled_from([-1, 1]))
def test_every_term_comes_back(zero: float, scale: float, tilt: float, left_right: float, deeper: int) -> None:
    made = system(track(deeper=deeper), track("right", deeper=deeper))
    key, said = setup_key(made, zero, scale, tilt, left_right), code_of(made, [[0, 0, 0, 4, 0, 0, 0]] * 2)
    result = align(key, made, code=said)  # said, as such a scale reads like another depth
    assert result.depth_offset.mean == pytest.approx(zero, abs=1e-9)
    assert result.left_right is not None
    assert result.left_right.mean == pytest.approx(left_right, abs=1e-9)
    for term, sign in zip(result.terms, (1, -1), strict=True):
        assert term.zero.mean == pytest.approx(zero + sign * left_right, abs=1e-9)
        assert term.scale.mean == pytest.approx(scale, abs=1e-9)
        assert term.tilt.mean == pytest.approx(tilt, abs=1e-9)


def test_the_fit_is_that_of_scipy() -> None:
    rng = np.random.default_rng(1)
    rows = [
        Row(float(rng.normal(0.05, 0.04)), float(rng.uniform(0.01, 0.05)), [0.0, -1.8][i == 3], i / 6 - 0.5)
        for i in range(7)
    ]
    x = np.array([[r.depth, r.along] for r in rows]).T
    y, s = np.array([r.deviation for r in rows]), np.array([r.sd for r in rows])

    def model(at: Any, zero: float, scale: float, tilt: float) -> Any:
        return zero + scale * at[0] + tilt * at[1]

    best, covariance = optimize.curve_fit(model, x, y, p0=(0, 0, 0), sigma=s, absolute_sigma=True)
    fit = fit_terms(rows)
    assert [fit.zero.mean, fit.scale.mean, fit.tilt.mean] == pytest.approx(list(best), abs=1e-7)
    assert [fit.zero.sd, fit.scale.sd, fit.tilt.sd] == pytest.approx(list(np.sqrt(np.diag(covariance))), rel=1e-5)
    assert fit.chi_square == pytest.approx(float((((model(x, *best) - y) / s) ** 2).sum()), rel=1e-9)
    assert fit.dof == 4


@pytest.mark.thorough
def test_stated_uncertainties_are_the_scatter_of_many_keys() -> None:
    """1,000 setup keys with noise: every term is off by its own sd (the caliper's and the clamp's share apart)."""
    made = system()
    rng = np.random.default_rng(2)
    gauge = Gauge(caliper=0.0)
    seen: dict[str, list[float]] = {name: [] for name in ("depth", "scale", "tilt", "left_right")}
    p_values = []
    for _ in range(1000):
        result = align(setup_key(made, 0.02, 0.01, -0.03, 0.01, noise=rng), made, gauge=gauge)
        for name, term, true in (
            ("depth", result.depth_offset, 0.02),
            ("scale", result.scale, 0.01),
            ("tilt", result.tilt, -0.03),
            ("left_right", result.left_right, 0.01),
        ):
            assert term is not None
            assert term.mean is not None
            assert term.sd is not None
            seen[name].append((term.mean - true) / term.sd)
        assert result.p_value is not None
        p_values.append(result.p_value)
    for scores in seen.values():
        assert np.std(scores) == pytest.approx(1.0, abs=0.08)
        assert abs(np.mean(scores)) < 0.11
    assert stats.kstest(p_values, "uniform").pvalue > 1e-4


@pytest.mark.parametrize(
    ("errors", "verdict", "uneven"),
    [
        ({}, "leave", ()),
        ({"zero": 0.008}, "leave", ()),
        ({"zero": 0.09}, "adjust", ()),
        ({"zero": -0.09}, "adjust", ()),
        ({"scale": 0.08}, "adjust", ()),
        ({"tilt": 0.2}, "uneven", ("tilt",)),
        ({"left_right": 0.09}, "uneven", ("left-right",)),
        ({"zero": 0.09, "tilt": -0.2}, "uneven", ("tilt",)),
    ],
)
def test_verdicts(errors: dict[str, float], verdict: str, uneven: tuple[str, ...]) -> None:
    made = system()
    result = align(setup_key(made, **errors), made)
    assert (result.verdict, result.uneven) == (verdict, uneven)
    assert (result.to_depth is not None) == (abs(errors.get("zero", 0)) > 0.05)
    assert bool(result.causes) == (verdict != "leave")


def test_a_perfect_machine_is_seldom_touched() -> None:
    """2 sd on depth and 2.58 on scale, tilt and left-right: at most about 8 of 100 keys."""
    made, rng = system(), np.random.default_rng(3)
    verdicts = [align(setup_key(made, noise=rng), made).verdict for _ in range(400)]
    assert verdicts.count("leave") >= 400 * 0.90


def test_scatter_without_a_pattern_is_uneven() -> None:
    made = system()
    key = setup_key(made)
    bad = [attrs.evolve(key.cuts[0], readings=(attrs.evolve(key.cuts[0].readings[0], value=8.85),)), *key.cuts[1:]]
    result = align(attrs.evolve(key, cuts=tuple(bad)), made)
    assert (result.verdict, result.uneven) == ("uneven", ("scatter",))
    assert "left 1 most" in result.reason


def test_what_the_cuts_cant_tell_is_none_and_said() -> None:
    made = system(track())
    no_deep = align(setup_key(made, 0.1, skip=(3,)), made)
    assert no_deep.terms[0].scale == attrs.evolve(no_deep.terms[0].scale, mean=None, sd=None)
    assert no_deep.depth_offset.mean == pytest.approx(0.1)
    assert any("scale can't be told" in note for note in no_deep.notes)
    one = align(setup_key(made, 0.1, skip=(1, 2, 3, 4, 5, 6)), made)
    assert one.depth_offset.mean == pytest.approx(0.1)
    assert (one.terms[0].scale.mean, one.terms[0].tilt.mean) == (None, None)
    deep_only = align(setup_key(made, 0.1, skip=(0, 1, 2, 4, 5, 6)), made)
    assert deep_only.depth_offset.mean == pytest.approx(0.1)
    assert any("taken as none" in note for note in deep_only.notes)
    assert one.left_right is None
    json.dumps(one.as_dict())


def test_caliper_and_zero_are_in_the_offset_but_not_in_the_differences() -> None:
    made = system()
    plain = align(setup_key(made), made, gauge=Gauge(caliper=0.0, hand=0.03))
    gauged = align(setup_key(made), made, gauge=Gauge(caliper=0.03, hand=0.03, zero=0.02))
    assert plain.depth_offset.sd is not None
    shared = np.hypot(0.03 / np.sqrt(3), 0.02)
    assert gauged.depth_offset.sd == pytest.approx(float(np.hypot(plain.depth_offset.sd, shared)))
    assert gauged.left_right == plain.left_right
    assert gauged.tilt == plain.tilt


def test_keys_combine_and_clampings_average() -> None:
    made = system(track(), reclamp_sd=0.03)
    gauge = Gauge(caliper=0.0)
    one = align(setup_key(made, 0.06), made, gauge=gauge)
    four = align([setup_key(made, z) for z in (0.03, 0.05, 0.07, 0.09)], made, gauge=gauge)
    assert four.depth_offset.mean == pytest.approx(0.06)
    assert one.depth_offset.sd is not None
    assert four.depth_offset.sd == pytest.approx(one.depth_offset.sd / 2)
    assert four.keys == 4


def test_the_clamp_moves_a_pair_of_tracks_apart_but_not_their_mean() -> None:
    plain, clamped = system(), system(reclamp_sd=0.03)
    before, after = align(setup_key(plain), plain), align(setup_key(clamped), clamped)
    assert before.depth_offset == after.depth_offset
    assert before.left_right is not None
    assert after.left_right is not None
    assert before.left_right.sd is not None
    assert after.left_right.sd == pytest.approx(float(np.hypot(before.left_right.sd, 0.03)))


@pytest.mark.parametrize(("scale", "amount"), [(1, -10.0), (-1, 20.0)])
def test_readings_across_alone_give_the_mean_of_both_tracks(scale: Any, amount: float) -> None:
    made = system(across=Across(("left", "right"), scale, amount))
    single = setup_key(made, 0.06, scale=0.02, left_right=0.2)
    pairs = zip(single.cuts[:7], single.cuts[7:], strict=True)
    cuts = tuple(
        ReadCut(
            None,
            "across",
            i,
            (Reading(scale * (a.readings[0].value + b.readings[0].value) + amount, None, 0.0, (0, 0)),),
        )
        for i, (a, b) in enumerate(pairs)
    )
    result = align(attrs.evolve(single, cuts=cuts), made)
    assert result.depth_offset.mean == pytest.approx(0.06)
    assert result.scale.mean == pytest.approx(0.02)
    assert result.left_right is None
    assert any("across" in note for note in result.notes)


@pytest.mark.parametrize("deeper", [-1, 1])
def test_a_jaw_that_stands_off_the_deep_cut_is_no_error_of_scale(deeper: int) -> None:
    made = system(track(deeper=deeper), jaw=0.6)
    room = 1.2 - np.sqrt(1.2**2 - 0.3**2)
    key = setup_key(made)
    half = [
        attrs.evolve(
            c,
            readings=(
                # all of it between two shallower cuts; something from none to all of it beside the uncut bow
                attrs.evolve(c.readings[0], value=c.readings[0].value - deeper * {3: room, 0: room / 2}.get(c.cut, 0)),
            ),
        )
        for c in key.cuts
    ]
    assert align(attrs.evolve(key, cuts=tuple(half)), made).scale.mean == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", ["plover", "wren", "siskin"])
def test_a_wide_jaw_over_a_lone_deep_cut_is_no_fault_of_the_machine(name: str) -> None:
    """A perfect setup key read with a jaw of 1.0: the deep cut, between two shallower ones, reads shallow by all of e."""
    made = load_system(name)
    setup, radius = made.cutting.setup, made.need("cutting.cutter") / 2
    stood_off = radius - np.sqrt(radius**2 - 0.5**2)
    cuts = [
        ReadCut(lane.side, lane.track.name, i, (Reading(value, None, 0.01, (0, 0)),) * 4)
        for lane in made.lanes
        for i in range(lane.track.cuts)
        for value in [
            lane.track.depths[setup.depth] - lane.track.deeper * stood_off if i == setup.cut else lane.track.depths[0]
        ]
    ]
    result = align(Readings(made, "", made.unit, tuple(cuts)), made, gauge=Gauge(jaw=1.0))
    assert result.verdict == "leave", result.causes
    assert abs(result.scale.mean) < 0.005
    assert align(Readings(made, "", made.unit, tuple(cuts)), made, gauge=Gauge(jaw=0.0)).scale.mean < -0.02


def test_another_setup_code_and_none_at_all() -> None:
    made = attrs.evolve(system(track()), cutting=Cutting(cutter=2.4))
    rows = tuple(
        ReadCut(None, "left", i, (Reading(v, None, 0.0, (0, 0)),))
        for i, v in enumerate((8.66, 8.66, 6.86, 8.66, 8.66, 8.66, 6.86))
    )
    key = Readings(made, "", "mm", rows)
    with pytest.raises(BittingError, match="doesn't say `setup`"):
        align(key, made)
    result = align(key, made, code=code_of(made, [[0, 0, 4, 0, 0, 0, 4]]))
    assert result.depth_offset.mean == pytest.approx(0.06)
    assert result.scale.mean == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("tolerance", [0.0, -0.05, float("nan")])
def test_a_tolerance_that_nothing_meets_is_refused(tolerance: float) -> None:
    made = system()
    with pytest.raises(BittingError, match="can't be met"):
        align(setup_key(made), made, tolerance=tolerance)


@pytest.mark.parametrize(("deep", "told"), [("6.58", True), ("6.63", False), ("6.35", False)])
def test_a_scale_that_may_matter_and_may_be_none_is_told(deep: str, told: bool) -> None:
    """One key reads its deep cut 0.07 too deep, more than the tolerance; 0.30 is more than measuring, and told of as such."""
    wren = load_system("wren")
    result = align(parse_readings(f"8.30 8.30 8.30 {deep} 8.30 8.30 8.30 8.30", wren), wren, gauge=Gauge(caliper=0.02))
    assert any("these readings can't tell it from measuring" in note for note in result.notes) == told


def test_nothing_measured_is_an_error() -> None:
    made = system()
    with pytest.raises(BittingError, match="no cut was measured"):
        align(setup_key(made, skip=range(7)), made)


# the space setting


def test_a_place_gives_the_space_offset() -> None:
    made = system()
    result = align(setup_key(made), made, places=[PlaceReading((14.60,))])
    assert result.space_offset is not None
    assert result.space_offset.mean == pytest.approx(0.10)
    assert result.space_offset.sd == pytest.approx(0.03)
    assert result.space_scale is None
    assert (result.verdict, result.to_space) == ("adjust", pytest.approx(-0.10))
    assert align(setup_key(made), made).space_offset is None


@pytest.mark.parametrize("places", [(14.30, 14.70), (14.45, 14.52)])
def test_places_that_contradict_each_other_are_no_mean(places: tuple[float, float]) -> None:
    made = system()
    found = [PlaceReading((place,)) for place in places]
    if max(places) > 14.6:
        with pytest.raises(BittingError, match="contradict each other"):
            align(setup_key(made), made, places=found)
    else:
        assert align(setup_key(made), made, places=found).verdict == "leave"


def test_a_place_is_midway_between_its_walls() -> None:
    made = system()
    result = align(setup_key(made), made, places=[PlaceReading((13.40, 15.80))], gauge=Gauge(caliper=0.0))
    assert result.space_offset is not None
    assert result.space_offset.mean == pytest.approx(0.10)
    assert result.space_offset.sd == pytest.approx(0.03 / np.sqrt(2))


@given(zero=small, scale=st.floats(-0.02, 0.02))
def test_two_deep_cuts_tell_zero_from_scale(zero: float, scale: float) -> None:
    made = system()
    places = [
        PlaceReading((s + zero + scale * (s - 14.5),), "left", c)
        for c, s in ((1, made.tracks[0].spaces[1]), (6, made.tracks[0].spaces[6]))
    ]
    result = align(setup_key(made), made, places=places)
    assert result.space_offset is not None
    assert result.space_scale is not None
    assert result.space_offset.mean == pytest.approx(zero, abs=1e-9)
    assert result.space_scale.mean == pytest.approx(scale, abs=1e-9)


def test_places_written_with_the_readings_count() -> None:
    made = system()
    key = setup_key(made)
    cuts = tuple(attrs.evolve(c, place=14.60) if (c.track, c.cut) == ("left", 3) else c for c in key.cuts)
    result = align(attrs.evolve(key, cuts=cuts), made)
    assert result.space_offset is not None
    assert result.space_offset.mean == pytest.approx(0.10)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("14.52", PlaceReading((14.52,))),
        ("13,95 .. 15,05 mm", PlaceReading((13.95, 15.05))),
        ("left 4: 14.52", PlaceReading((14.52,), "left", 3)),
        ("r 2 : 1 in", PlaceReading((25.4,), "right", 1)),
        ("left: 14.5±0.03", PlaceReading((14.5,), "left", None, 0.03 / 3**0.5)),
    ],
)
def test_how_a_place_is_written(text: str, place: PlaceReading) -> None:
    assert parse_place(text, system()) == place


@pytest.mark.parametrize(
    ("name", "text", "place"),
    [
        ("grebe", "top 3: 17.35", PlaceReading((17.35,), "edge", 2, None, "top")),
        ("grebe", "bottom edge3: 17.35", PlaceReading((17.35,), "edge", 2, None, "bottom")),
        ("plover", "top left 4: 14.5", PlaceReading((14.5,), "left", 3, None, "top")),
        ("wren", "top 4: .5in", PlaceReading((12.7,), "left", 3, None, "top")),
    ],
)
def test_a_place_is_named_as_readings_are(name: str, text: str, place: PlaceReading) -> None:
    made = load_system(name)
    assert parse_place(text, made) == place


@pytest.mark.parametrize("text", ["", "here", "14.5..", "1..2..3", "middle 4: 14.5", "left 0: 14.5", "left 4 14.5"])
def test_what_is_no_place(text: str) -> None:
    with pytest.raises(BittingError):
        parse_place(text, system())


def test_a_place_that_must_be_another_cuts() -> None:
    made = system()
    with pytest.raises(BittingError, match="nearer cut 1"):
        align(setup_key(made), made, places=[PlaceReading((21.3,))])


def test_a_place_at_a_cut_that_is_not_there() -> None:
    made = system()
    with pytest.raises(BittingError, match="cut 9 of left"):
        align(setup_key(made), made, places=[PlaceReading((14.5,), "left", 8)])


# control charts


def test_ewma_of_the_handbook() -> None:
    """From memory: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (λ = 0.3, EWMA_0 = 50, s = 2.0539)."""
    data = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
            53.6, 52.1]  # fmt: skip
    averages = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
                49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    chart = ewma(data, centre=50.0, sigma=2.0539, weight=0.3)
    assert [round(p, 2) for p in chart.points] == averages
    assert chart.upper[-1] == pytest.approx(52.5884, abs=2e-3)
    assert chart.lower[-1] == pytest.approx(47.4115, abs=2e-3)
    assert chart.signals == ()
    # at the first point the average is λ of one value, so its limits are L λ s away
    assert chart.upper[0] - 50.0 == pytest.approx(3 * 0.3 * 2.0539)


def test_individuals_of_the_handbook() -> None:
    """From memory: the same handbook, 6.3.2.2 (mean range 1.8778, limits 45.8159 and 55.8041)."""
    chart = shewhart([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert (chart.centre, chart.lower[0], chart.upper[0]) == (
        pytest.approx(50.81),
        pytest.approx(45.8159, abs=3e-3),
        pytest.approx(55.8041, abs=3e-3),
    )


def test_d2_is_the_expected_range_of_two() -> None:
    """1.128 in every table of control chart constants (from memory), here by integration over both values."""
    expected = 4 * stats.norm.expect(lambda x: x * stats.norm.cdf(x))
    assert pytest.approx(expected, rel=1e-9) == D2
    assert round(D2, 3) == 1.128
    assert round(3 / D2, 2) == 2.66


def test_charts_see_a_jump_and_a_drift() -> None:
    rng = np.random.default_rng(5)
    steady = [float(x) for x in rng.normal(0, 0.01, 20)]
    assert shewhart([*steady, 0.06]).signals[-1:] == (20,)
    drifting = [*steady, *(float(x) for x in rng.normal(0.015, 0.01, 12))]
    assert ewma(drifting).signals
    assert not shewhart(drifting).signals
    assert moving_sigma([1.0]) == 0.0


# the history file


def result_of(zero: float = 0.0, made: System | None = None) -> Any:
    made = made or system()
    return align(setup_key(made, zero), made)


@pytest.mark.parametrize("typed", ["yes", "Yes", "YES", " yes "])
def test_yes_typed_into_the_history_begins_the_charts_anew_however_it_is_written(tmp_path: Path, typed: str) -> None:
    path = tmp_path / "machine.csv"
    append(path, result_of(0.12), "2031-01-01", adjusted=False)
    path.write_text(path.read_text().replace(",no\n", f",{typed}\n"))
    assert append(path, result_of(0.0), "2031-01-02", adjusted=False).keys == 1


def test_another_word_than_yes_or_no_in_the_history_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "machine.csv"
    append(path, result_of(0.12), "2031-01-01", adjusted=False)
    path.write_text(path.read_text().replace(",no\n", ",x\n"))
    with pytest.raises(BittingError, match=r"row 2 .*adjusted is 'x'"):
        append(path, result_of(0.0), "2031-01-02", adjusted=False)
    path.write_text(path.read_text().replace(",x\n", ",\n"))
    assert append(path, result_of(0.0), "2031-01-02", adjusted=False).keys == 2


def test_history_grows_and_begins_anew_behind_an_adjustment(tmp_path: Path) -> None:
    path = tmp_path / "machine.csv"
    for i, zero in enumerate((0.01, 0.02, 0.12)):
        history = append(path, result_of(zero), f"2031-01-0{i + 1}", adjusted=zero > 0.1)
    assert (history.keys, history.dates) == (3, ("2031-01-01", "2031-01-02", "2031-01-03"))
    history = append(path, result_of(0.0), "2031-01-04", adjusted=False)
    assert (history.keys, history.depth.points, history.provisional) == (1, (pytest.approx(0.0, abs=1e-9),), True)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0] == ",".join(COLUMNS)
    assert [line.split(",")[0] for line in lines[1:]] == [f"2031-01-0{i}" for i in range(1, 5)]
    assert [line.rsplit(",", 1)[1] for line in lines[1:]] == ["no", "no", "yes", "no"]
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600


def test_equal_readings_do_not_make_the_limits_a_line(tmp_path: Path) -> None:
    path = tmp_path / "machine.csv"
    made = system()
    for day in range(1, 7):
        history = append(path, align(setup_key(made, zero=0.01), made), f"2025-03-0{day}", False)
    assert history.depth.signals == () == history.depth_ewma.signals == history.signals
    assert history.depth.upper[0] - history.depth.lower[0] > 0.05


def test_a_setup_key_without_its_deep_cut_is_refused() -> None:
    made = system()
    with pytest.raises(BittingError, match="reads as if its deep cut had never been made there"):
        align(setup_key(made, scale=-1.0), made)


def test_a_deep_cut_that_reads_like_another_depth_is_asked_about() -> None:
    """1.8 deep, 25 % of it missing: 0.45, one step."""
    made = system()
    with pytest.raises(BittingError, match=r"left: the deep cut reads like depth 4, .* was it cut to 4\?"):
        align(setup_key(made, scale=-0.25), made)
    four = code_of(made, [[0, 0, 0, 3, 0, 0, 0]] * 2)
    assert align(setup_key(made, scale=-0.25), made, code=four).verdict == "leave"
    five = code_of(made, [[0, 0, 0, 4, 0, 0, 0]] * 2)
    assert align(setup_key(made, scale=-0.25), made, code=five).verdict == "adjust"


def test_no_scale_is_written_that_the_answer_says_not_to_correct_yet(tmp_path: Path) -> None:
    made, path = system(), tmp_path / "machine.toml"
    both = align(setup_key(made, zero=-0.11, scale=-0.1), made)
    assert "don't correct the scale before" in " ".join(both.notes)
    assert not any("%" in line and "->" in line for line in alignment_lines(both, made))
    assert correct(path, both, made).depth_scale == 0.0
    alone = align(setup_key(made, scale=-0.1), made)
    assert (alone.verdict, alone.to_scale) == ("adjust", None)
    assert next(alignment_lines(alone, made)).startswith("Don't turn the dials yet")
    with pytest.raises(BittingError, match="no correction was written"):
        correct(path, alone, made)


def test_a_key_entered_late_stands_where_its_date_does(tmp_path: Path) -> None:
    path = tmp_path / "history.csv"
    for day, zero in (("2031-01-01", 0.0), ("2031-01-15", 0.02), ("2031-01-08", 0.01)):
        history = append(path, result_of(zero), day, adjusted=False)
    assert history.dates == ("2031-01-01", "2031-01-08", "2031-01-15")
    assert history.depth.points == tuple(sorted(history.depth.points))
    assert [line.split(",")[0] for line in path.read_text().splitlines()[1:]] == [
        "2031-01-01",
        "2031-01-15",
        "2031-01-08",
    ]
    history = append(path, result_of(0.0), "2031-01-10", adjusted=True)
    assert history.dates[-1] == "2031-01-15"
    assert append(path, result_of(0.0), "2031-01-20", adjusted=False).keys == 2  # since it was set on the 10th


def test_history_of_another_system_is_kept_and_not_charted(tmp_path: Path) -> None:
    path = tmp_path / "machine.csv"
    append(path, result_of(0.01), "2031-01-01", adjusted=False)
    other = attrs.evolve(system(), name="smew")
    history = append(path, result_of(0.02, other), "2031-01-02", adjusted=False)
    assert history.keys == 1
    assert len(path.read_text(encoding="utf-8").splitlines()) == 3


def test_history_tells_of_a_jump(tmp_path: Path) -> None:
    path = tmp_path / "machine.csv"
    for i in range(12):
        history = append(path, result_of(0.002 * (i % 2)), f"2031-01-{i + 1:02d}", adjusted=False)
    assert (history.signals, history.provisional) == ((), False)
    history = append(path, result_of(0.05), "2031-02-01", adjusted=False)
    assert "jumped" in history.signals[0]


def test_a_jump_is_no_reason_to_call_the_keys_before_it_off(tmp_path: Path) -> None:
    """What came after the jump is judged by what was before; the centre was the mean of both, and still weeks were DRIFT."""
    path = tmp_path / "machine.csv"
    off = [0.0, 0.002, -0.001, 0.003, -0.002, 0.001, 0.081, 0.059, 0.082, 0.062]
    for day, value in enumerate(off, 1):
        found = result_of(value)
        found = attrs.evolve(found, depth_offset=attrs.evolve(found.depth_offset, sd=0.02))
        history = append(path, found, f"2031-01-{day:02d}", adjusted=False)
    assert "jumped by +0.071 mm before key 7" in history.signals[0]
    assert history.depth.signals == (6, 8, 9)  # key 8 is within the limits of those before the jump
    assert history.depth_ewma.signals == ()
    assert history.depth.centre == pytest.approx(0.0, abs=0.003)


def test_a_jump_that_may_be_a_drift_is_not_told_as_one(tmp_path: Path) -> None:
    """A slow drift with some scatter, a step at BIC 0.2 from a line: "has jumped" sent people to look for a loose stop."""
    path, seen = tmp_path / "machine.csv", []
    random = np.random.default_rng(7)
    for week in range(18):
        value = float(0.004 * week + random.normal(0, 0.012))
        seen += append(
            path, result_of(value), f"2031-{1 + week // 4:02d}-{1 + 7 * (week % 4):02d}", adjusted=False
        ).signals
    assert any("too early to tell" in signal for signal in seen)
    assert any("drifts by +" in signal for signal in seen[-3:])
    assert not any("has jumped" in signal for signal in seen)


def test_what_the_history_says_stands_beside_the_verdict_of_one_key(tmp_path: Path) -> None:
    path, made = tmp_path / "machine.csv", system()
    for i in range(8):
        found = result_of(0.003 * i + 0.001 * (i % 2), made)
        history = append(path, found, f"2031-{i + 1:02d}-01", adjusted=False)
    assert (found.verdict, len(history.signals)) == ("leave", 1)
    lines = list(alignment_lines(found, made, history))
    assert lines[0].startswith("By these readings alone, leave")
    assert lines[1] == f"Look: {history.signals[0]}."
    assert lines[2].startswith("To settle it cut one more setup key")
    assert next(alignment_lines(found, made)).startswith("Leave the machine as it is")


def test_an_error_that_rounds_to_nothing_has_no_direction() -> None:
    made = system()
    depth = next(line for line in alignment_lines(result_of(0.0, made), made) if line.startswith("depth"))
    assert depth.startswith("depth  cuts are right, ±")


@pytest.mark.parametrize(
    "text",
    ["", "code,system\n2133144,plover\n", ",".join(COLUMNS) + "\n2031-01-01,dabchick,mm\n",
     ",".join(COLUMNS) + "\n2031-01-01,dabchick,mm,nan,0.01,,,leave,no\n",
     ",".join(COLUMNS) + "\n2031-01-01,dabchick,in,0.01,0.01,,,leave,no\n", '"'],
)  # fmt: skip
def test_a_file_that_is_no_history_is_left_alone(tmp_path: Path, text: str) -> None:
    path = tmp_path / "other.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BittingError):
        append(path, result_of(), "2031-01-01", adjusted=False)
    assert path.read_text(encoding="utf-8") == text


# corrections in a machine file

MACHINE = """# by the window
format = 1
unit = "mm"

[space]
per_turn = 1.0            # one turn, one millimetre
clockwise = "to-bow"

[depth]
per_turn = 0.5
clockwise = "deepens"
"""


def test_corrections_close_the_loop(tmp_path: Path) -> None:
    """A machine with zero, scale and space errors: what `align` writes makes the settings of `plan` come out right."""
    made = system()
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE, encoding="utf-8")
    errors = {"zero": -0.11, "scale": 0.06}
    code = code_of(made, [[0, 2, 0, 4, 0, 0, 0]] * 2)  # two depths, or the scale might be play
    key = setup_key(made, **errors)
    middle = made.tracks[0].depths[2]
    middle += errors["zero"] + errors["scale"] * (middle - made.tracks[0].depths[0])
    cuts = [
        attrs.evolve(c, readings=(attrs.evolve(c.readings[0], value=middle),)) if c.cut == 1 else c for c in key.cuts
    ]
    key, place = attrs.evolve(key, cuts=tuple(cuts)), PlaceReading((14.62,), "left", 3)
    result = align(key, made, places=[place], code=code, gauge=Gauge(caliper=0.0, hand=0.005))
    correct(path, result, made)
    machine, frame = load_machine(path), frame_of(made, made.lanes[0])
    for depth in made.tracks[0].depths:
        setting = setting_of(frame, Step("depth", "", 14.5, depth), machine, "depth")
        comes_out = setting + errors["zero"] + errors["scale"] * (setting - made.tracks[0].depths[0])
        assert comes_out == pytest.approx(depth, abs=0.06 * (0.06 * 1.8 + 0.11) + 1e-5)
    space = setting_of(frame, Step("space", "", 14.5, 8.6), machine, "space")
    assert space + 0.12 == pytest.approx(14.5, abs=1e-6)
    assert path.read_text(encoding="utf-8").startswith(MACHINE.rstrip())
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600


def test_corrections_add_up_unless_fresh(tmp_path: Path) -> None:
    made = system()
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE + "\n[cutter]\ndiameter = 2.38\n", encoding="utf-8")
    correct(path, result_of(0.10), made)
    assert correct(path, result_of(0.08), made).depth == pytest.approx(-0.18)
    fresh = correct(path, result_of(0.08), made, fresh=True)
    assert (fresh.depth, fresh.cutter) == (pytest.approx(-0.08), 2.38)
    assert tomllib.loads(path.read_text(encoding="utf-8"))["corrections"]["depth"] == pytest.approx(-0.08, abs=1e-6)


def test_corrections_are_in_the_unit_of_the_machine(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE.replace('unit = "mm"', 'unit = "in"'), encoding="utf-8")
    assert correct(path, result_of(0.10), system()).depth == pytest.approx(-0.10 / 25.4)


@pytest.mark.parametrize("other", ["grebe", "wren", "heron"])  # counted from its own edge, from the shoulder, internal
def test_corrections_serve_only_keys_counted_alike(tmp_path: Path, other: str) -> None:
    """Deeper is less in one system and more in another: the same figure would go the wrong way, and spoil a blank."""
    path = tmp_path / "machine.toml"
    correct(path, align([parse_readings(KEY, load_system("plover"))], load_system("plover")), load_system("plover"))
    assert plan(sample(load_system("siskin"), seed=1)[0], load_system("siskin"), machine=load_machine(path)).good
    counted, before = load_system(other), path.read_text(encoding="utf-8")
    with pytest.raises(BittingError, match=f"found on keys counted from the tip.*{other}.*wrong way"):
        plan(sample(counted, seed=1)[0], counted, machine=load_machine(path))
    with pytest.raises(BittingError, match="wrong way"):
        correct(path, result_of(0.10), counted)
    assert path.read_text(encoding="utf-8") == before
    correct(path, result_of(0.10), counted, fresh=True)
    assert plan(sample(counted, seed=1)[0], counted, machine=load_machine(path)).good


@pytest.mark.parametrize(("first", "sign"), [("left", -1), ("right", 1)])
def test_left_and_right_apart_when_asked(tmp_path: Path, first: str, sign: int) -> None:
    made = system(track(first), track({"left": "right", "right": "left"}[first]))
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE, encoding="utf-8")
    result = align(setup_key(made, left_right=0.1), made)
    with pytest.raises(BittingError, match="uneven"):
        correct(path, result, made)
    assert correct(path, result, made, left_right=True).left_right == pytest.approx(sign * 0.1)


@pytest.mark.parametrize("zero", [0.0, 0.005])
def test_nothing_is_written_for_a_machine_to_be_left_alone(tmp_path: Path, zero: float) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE, encoding="utf-8")
    with pytest.raises(BittingError, match="the verdict is leave"):
        correct(path, result_of(zero), system())
    assert path.read_text(encoding="utf-8") == MACHINE


# the command

KEY = "left: 8.66 8.65 8.66 6.86 8.67 8.66 8.66 / right: 8.66 8.66 8.65 6.86 8.66 8.66 8.67"


@pytest.mark.parametrize("name", shipped_systems())
def test_every_shipped_system_can_be_aligned(name: str) -> None:
    made = load_system(name)
    setup = made.cutting.setup
    assert setup is not None
    step = made.step
    for error in (0.0, 0.4 * step):
        cuts = [
            ReadCut(
                lane.side,
                lane.track.name,
                i,
                (Reading(lane.track.depths[setup.depth if i == setup.cut else 0] + error, None, 0.0, (0, 0)),),
            )
            for lane in made.lanes
            for i in range(lane.track.cuts)
        ]
        key = Readings(made, "", made.unit, tuple(cuts))
        places = [PlaceReading((made.tracks[0].spaces[setup.cut],))]
        result = align(key, made, places=places, gauge=Gauge(jaw=0.0))
        assert result.verdict == ("adjust" if error else "leave")
        assert result.depth_offset.mean == pytest.approx(error, abs=1e-9)


def test_command_says_which_way_and_how_much() -> None:
    done = CliRunner().invoke(command, [KEY, "-s", "plover", "--place", "13.40..15.80"])
    assert (done.exit_code, done.stderr) == (1, "")
    assert "set it 0.060 mm (2.4 thou) deeper" in done.stdout
    assert "set it 0.100 mm (3.9 thou) nearer the tip" in done.stdout


def test_command_leaves_a_good_machine_alone() -> None:
    text = "left: 8.60 8.59 8.60 6.80 8.61 8.60 8.60 / right: 8.60 8.60 8.59 6.80 8.60 8.60 8.61"
    done = CliRunner().invoke(command, ["-s", "plover", "--json"], input=text + "\n")
    answer = json.loads(done.stdout)
    assert (done.exit_code, answer["verdict"], answer["space_offset"]) == (0, "leave", None)
    assert set(answer["depth_offset"]) == {"mean", "sd"}
    assert {"track", "side", "zero", "scale", "tilt", "lost"} == set(answer["terms"][0])


def test_a_history_that_tells_of_a_drift_is_bad_news_and_each_key_keeps_its_verdict(tmp_path: Path) -> None:
    path = str(tmp_path / "machine.csv")
    for month in range(1, 9):
        text = " ".join(f"{value + 0.008 * month:.3f}" for value in (8.3, 8.3, 8.3, 6.65, 8.3, 8.3, 8.3, 8.3))
        done = CliRunner().invoke(command, [text, "-s", "wren", "--history", path, "--date", f"2031-{month:02d}-01"])
    assert "By these readings alone, leave the machine" in done.stdout
    assert done.exit_code == 1
    off = "8.40 8.40 8.40 6.75 8.40 8.40 8.40 8.40"
    done = CliRunner().invoke(command, [off, "-s", "wren", "--history", path, "--date", "2031-09-01"])
    assert [line for line in done.stdout.splitlines() if line.startswith("  2031")][-1].rstrip().endswith("adjust")
    assert "under `adjusted`" in done.stdout
    done = CliRunner().invoke(command, [off, "-s", "wren", "--history", path, "--date", "2031-09-02", "--adjusted"])
    assert "under `adjusted`" not in done.stdout
    spoilt = off.replace("8.40", "8.10", 1)
    done = CliRunner().invoke(command, [spoilt, "-s", "wren", "--history", path, "--date", "2031-09-03"])
    assert "take its row out of the history" in done.stdout


def test_command_takes_several_keys_from_a_pipe() -> None:
    done = CliRunner().invoke(command, ["-s", "plover", "--json"], input=f"{KEY}\n\n{KEY}\n")
    assert json.loads(done.stdout)["keys"] == 2


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["--adjusted"], "--history"),
        (["--date", "2031-05-01"], "--history"),
        (["--fresh"], "--correct"),
        (["--left-right"], "--correct"),
    ],
)
def test_what_would_be_written_nowhere_is_refused(words: list[str], wanted: str) -> None:
    done = CliRunner().invoke(main, ["align", KEY, "-s", "plover", *words])
    assert (done.exit_code, done.stdout) == (2, "")
    assert wanted in done.stderr


def test_the_same_readings_again_are_not_counted_twice(tmp_path: Path) -> None:
    machine = tmp_path / "machine.toml"
    arguments = [KEY, "-s", "plover", "--correct", str(machine)]
    assert "Corrections written" in CliRunner().invoke(command, arguments).stdout
    once = machine.read_text(encoding="utf-8")
    again = CliRunner().invoke(command, arguments)
    assert again.exit_code == 1
    assert "it holds just this already" in again.stdout
    assert machine.read_text(encoding="utf-8") == once
    assert "on top of those it held" in CliRunner().invoke(command, [f"{KEY}5", *arguments[1:]]).stdout
    assert machine.read_text(encoding="utf-8") != once


def test_command_writes_history_and_corrections(tmp_path: Path) -> None:
    machine, history = tmp_path / "machine.toml", tmp_path / "machine.csv"
    machine.write_text(MACHINE, encoding="utf-8")
    arguments = [KEY, "-s", "plover", "--history", str(history), "--date", "2031-05-01", "--correct", str(machine)]
    done = CliRunner().invoke(command, arguments)
    assert done.exit_code == 1
    assert "Corrections written" in done.stdout
    assert "machine.toml corrects it now, leave the dials as they are" in done.stdout, "turned as well, it is twice"
    assert "set it" not in done.stdout
    assert "1 setup key since" in done.stdout
    assert load_machine(machine).corrections.depth == pytest.approx(-0.06, abs=0.005)
    assert history.read_text(encoding="utf-8").splitlines()[1].startswith("2031-05-01,plover,mm,0.06")
    assert "8.66" not in history.read_text(encoding="utf-8")
    assert "--fresh" not in done.stdout
    other = KEY.replace("8.65", "8.64")
    twice = CliRunner().invoke(command, [other, "-s", "plover", "--correct", str(machine)])
    assert "on top of those it held" in twice.stdout
    fresh = CliRunner().invoke(command, [KEY, "-s", "plover", "--correct", str(machine), "--fresh"])
    assert "on top of" not in fresh.stdout
    again = CliRunner().invoke(command, [other, *arguments[1:], "--json"])
    answer = json.loads(again.stdout)
    assert (answer["history"]["keys"], answer["corrections"]["depth"]) == (1, pytest.approx(-0.12, abs=0.01))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([KEY, "-s", "plover", "--place", "there"], "'there' is no place of a cut"),
        ([KEY, "-s", "plover", "--place", "left 4: 14.62, right 4: 14.60"], "give --place once for each"),
        ([KEY, "-s", "plover", "--history", "nowhere/x.csv"], "nowhere"),
        ([KEY, "-s", "plover", "--correct", "nowhere/machine.toml"], "nowhere"),
        (["left: 8.6", "-s", "plover"], "left"),
        (["-s", "plover"], "readings of the setup key: not given"),
    ],
)
def test_command_with_bad_input_exits_2_and_prints_nothing(arguments: list[str], words: str) -> None:
    done = CliRunner().invoke(command, arguments, input="")
    assert (done.exit_code, done.stdout) == (2, "")
    assert words in done.stderr
