"""What is known beside the readings of a key: a key of known code, the blade's width, places, repeats; and the picture."""

from __future__ import annotations

import json
import math
import re
import stat
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from attrs import evolve
from click.testing import CliRunner
from scipy.integrate import quad
from scipy.interpolate import CubicSpline
from scipy.stats import norm

import bitting
from bitting.cli import main
from bitting.decoding import Decoder, MeasurementModel, decode
from bitting.decoding.corrections import Zero, combined, width_amounts, width_note, zero_from
from bitting.decoding.model import caliper_step, model_with
from bitting.decoding.positions import LONGEST, OTHER_END, PLACE_SD, SHIFT_SD, WRONG, place_fit
from bitting.decoding.session import Bench, decode_at, read_lists
from bitting.errors import BittingError
from bitting.model import Code, Readings, System, code_of
from bitting.notation import parse_code, parse_readings
from bitting.report.decode import render
from bitting.report.decode_svg import readings_svg
from tests.conftest import but_long
from tests.decode_oracle import SCALES, _wear_nodes, make_readings, make_system

PLAIN = MeasurementModel(0.03, offset_sd=0.06, wear=0.0, outliers=0.0, cut_wrong=0.0, offset_tail=0.0)
WORN = MeasurementModel(0.03, offset_sd=0.06, wear=0.04, outliers=0.01, cut_wrong=0.0, offset_tail=0.0)
DEPTHS = (8.6, 8.2, 7.8, 7.4)
CODE = (0, 2, 1, 3)
VALUES = [8.66, 7.83, 8.22, 7.43]


def known_key(system: System | None = None) -> tuple[Readings, Code]:
    system = system or make_system()
    cuts: dict[tuple[str | None, str, int], list[float]] = {(None, "left", i): [v] for i, v in enumerate(VALUES)}
    return make_readings(system, cuts), code_of(system, [CODE])


@cache
def worn(mean: float, u: float) -> CubicSpline:
    """The density of noise plus wear, by the integral over wear at even points."""
    w, weights = _wear_nodes(mean, 4.0)
    even = np.linspace(-3.0, 3.0, 6001)
    return CubicSpline(even, norm.pdf(even[:, None] - w, scale=u) @ weights)


def density_of_key(
    values: list[float], code: tuple[int, ...], offset: np.ndarray, model: MeasurementModel
) -> np.ndarray:
    """Density of the readings of one key given its code, at each offset: wear summed over its scales."""
    u = math.hypot(model.reading_sd, 0.01 / math.sqrt(12))
    step = DEPTHS[0] - DEPTHS[1]
    wrong = 1 / (DEPTHS[0] - DEPTHS[-1] + 2 * step)
    out = np.zeros_like(offset)
    for factor, weight in SCALES if model.wear else ((0.0, 1.0),):
        product = np.full_like(offset, weight)
        for value, place in zip(values, code, strict=True):
            y = DEPTHS[place] + offset - value  # wear makes the reading smaller
            good = worn(model.wear * factor, u)(y)
            share = max(model.outliers, 1e-6)
            product = product * ((1 - share) * good + share * wrong)
        out += product
    return out


def both_keys(model: MeasurementModel, zero_sd: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Zeros z (n,), own errors e (m,), and the posterior of (z, e of the known key), by going through all of them."""
    own_sd = math.sqrt(model.offset_sd**2 - zero_sd**2)
    z, e = np.linspace(-7, 7, 201) * zero_sd, np.linspace(-7, 7, 201) * own_sd
    weight = norm.pdf(z, scale=zero_sd)[:, None] * norm.pdf(e, scale=own_sd)
    weight = weight * density_of_key(VALUES, CODE, z[:, None] + e, model)
    return z, e, weight / weight.sum()


@pytest.mark.parametrize("model", [PLAIN, WORN])
@pytest.mark.parametrize("zero_sd", [0.03, 0.05])
def test_the_zero_from_a_known_key_has_the_exact_mean_and_spread(model: MeasurementModel, zero_sd: float) -> None:
    z, _, weight = both_keys(model, zero_sd)
    mean = float(z @ weight.sum(axis=1))
    sd = math.sqrt(float((z - mean) ** 2 @ weight.sum(axis=1)))
    zero = zero_from(*known_key(), model, zero_sd=zero_sd)
    assert zero.mean == pytest.approx(mean, abs=1e-7)
    assert zero.sd == pytest.approx(sd, abs=1e-7)
    assert zero.before == zero_sd


@pytest.mark.thorough
@pytest.mark.parametrize(("model", "within"), [(PLAIN, 1e-6), pytest.param(WORN, 1.5e-2, marks=pytest.mark.thorough)])
def test_another_key_is_decoded_as_if_both_were_decoded_together(model: MeasurementModel, within: float) -> None:
    """Exact where everything is normal; with wear the caliper's part is taken as normal, which costs a little."""
    zero_sd = 0.05
    system = make_system()
    other = [8.42, 8.04, 7.63, 7.99]
    z, e, weight = both_keys(model, zero_sd)
    zeros = weight.sum(axis=1)
    own = norm.pdf(e, scale=math.sqrt(model.offset_sd**2 - zero_sd**2))
    own = own / own.sum()
    codes = list(bitting.code_space(system))
    offsets = z[:, None] + e
    joint = np.array([float(zeros @ density_of_key(other, code[0], offsets, model) @ own) for code in codes])
    joint /= joint.sum()
    zero = zero_from(*known_key(), model, zero_sd=zero_sd)
    result = decode_at(Bench({"finch": model}, zero=zero), [" ".join(f"{value:.2f}" for value in other)], [system], 300)
    found = {candidate.depths: candidate.probability for candidate in result.candidates}
    assert joint.max() < 0.9  # there is something to get wrong
    for code, probability in zip(codes, joint, strict=True):
        assert found.get(code, 0.0) == pytest.approx(probability, abs=within)


@pytest.mark.parametrize("seed", but_long(range(5), 2, 3, 4))
def test_what_the_normal_zero_costs_is_little_on_keys_of_the_model(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The case above, between two depths, is the worst found; of 40 pairs of drawn keys the worst was off by 7e-4."""
    random, zero_sd, system = np.random.default_rng(seed), 0.05, make_system()
    own_sd = math.sqrt(WORN.offset_sd**2 - zero_sd**2)
    caliper = random.normal() * zero_sd

    def read(code: Sequence[int]) -> list[float]:
        mean, own = WORN.wear * random.choice([0.25, 1, 2], p=[0.35, 0.5, 0.15]), random.normal() * own_sd
        wear = [random.gamma(3) / 3 * mean * random.choice([0.5, 1, 2], p=[0.25, 0.5, 0.25]) for _ in code]
        walls = [DEPTHS[depth] + caliper + own - worn for depth, worn in zip(code, wear, strict=True)]
        return [round(wall + random.normal() * 0.03, 2) for wall in walls]

    monkeypatch.setattr(sys.modules[__name__], "VALUES", read(CODE))
    other = read([int(depth) for depth in random.integers(4, size=4)])
    z, e = np.linspace(-6, 6, 61) * zero_sd, np.linspace(-6, 6, 61) * own_sd
    offsets = z[:, None] + e
    zeros = norm.pdf(z, scale=zero_sd) * (density_of_key(VALUES, CODE, offsets, WORN) @ norm.pdf(e, scale=own_sd))
    codes = list(bitting.code_space(system))
    joint = np.array(
        [zeros @ density_of_key(other, code[0], offsets, WORN) @ norm.pdf(e, scale=own_sd) for code in codes]
    )
    joint /= joint.sum()
    zero = zero_from(*known_key(), WORN, zero_sd=zero_sd)
    result = decode_at(Bench({"finch": WORN}, zero=zero), [" ".join(f"{value:.2f}" for value in other)], [system], 300)
    found = {candidate.depths: candidate.probability for candidate in result.candidates}
    assert max(abs(found.get(code, 0.0) - p) for code, p in zip(codes, joint, strict=True)) < 2e-3


def test_readings_and_offset_are_told_as_they_were_read() -> None:
    """The mean of the offset is taken off for decoding and put back in the answer."""
    system = make_system()
    zero = Zero(0.05, 0.01, 0.04)
    result = decode_at(Bench({"finch": PLAIN}, zero=zero), ["8.65 8.25 7.85 7.45"], [system])
    assert result.code == "1 2 3 4"
    assert [cut.reading for cut in result.cuts] == pytest.approx([8.65, 8.25, 7.85, 7.45])
    assert result.offset.mean == pytest.approx(0.05, abs=1e-9)
    assert [cut.deviation for cut in result.cuts] == pytest.approx([0.0] * 4, abs=1e-9)
    narrower = math.sqrt(0.01**2 + PLAIN.offset_sd**2 - 0.04**2)
    assert result.model is not None
    assert result.model.offset_sd == pytest.approx(narrower)
    unknown = decode_at(Bench({"finch": WORN}, zero=zero), ["8.65 8.07 7.85 7.45"], [system])
    told = [d.high for d in unknown.measure_next[0].deciding if d.depth == "3"]
    plain = decode(parse_readings("8.60 8.02 7.80 7.40", system), system, model=zero.offset(system, WORN)[1])
    assert told == pytest.approx([d.high + 0.05 for d in plain.measure_next[0].deciding if d.depth == "3"])  # type: ignore[operator]


def test_a_known_key_in_another_unit() -> None:
    system = make_system()
    zero = zero_from(*known_key(system), PLAIN, zero_sd=0.05)
    inches = bitting.load_system("dunlin")
    mean, model = zero.offset(inches, evolve(model_with(inches), offset_sd=0.06 / 25.4))
    assert mean == pytest.approx(zero.mean / 25.4)
    assert model.offset_sd == pytest.approx(math.sqrt(zero.sd**2 + 0.06**2 - 0.05**2) / 25.4)


def test_the_known_key_may_be_illegal_and_partly_unknown_but_must_fit() -> None:
    system = make_system(must=("first cut is one of 3 4",))
    readings, code = known_key(system)
    whole = zero_from(readings, code, PLAIN)
    part = zero_from(readings, parse_code("1 ? 2 4", system), PLAIN)
    assert part.mean == pytest.approx(whole.mean, abs=1e-6)
    assert part.sd == pytest.approx(whole.sd, abs=1e-6)
    with pytest.raises(BittingError, match="doesn't fit the code"):
        zero_from(readings, parse_code("4 3 2 1", system), WORN)
    with pytest.raises(BittingError, match="isn't whole"):
        zero_from(readings, parse_code("1 3 2", system), PLAIN)
    with pytest.raises(BittingError, match="more than the whole offset"):
        zero_from(readings, code, PLAIN, zero_sd=0.07)
    assert zero_from(readings, code, evolve(PLAIN, offset_sd=0.0)) == Zero(0.0, 0.0, 0.0)
    assert zero_from(readings, code, WORN, unworn=True).mean != zero_from(readings, code, WORN).mean


def test_a_narrow_blade_is_worth_half_its_lack_on_far_edge_tracks_only() -> None:
    system = make_system(tracks=("left", "right"))
    assert width_amounts(system, 9.9) == pytest.approx({"left": -0.05, "right": -0.05})
    mixed = evolve(system, tracks=(system.tracks[0], evolve(system.tracks[1], measured="centre")))
    assert width_amounts(mixed, 9.9) == pytest.approx({"left": -0.05, "right": 0.0})
    assert "right not measured from the far edge, unchanged" in width_note(mixed, 9.9)
    text = "left: 8.5 8.1 7.7 7.3 / right: 8.5 8.5 8.1 7.7"
    full = "left: 8.55 8.15 7.75 7.35 / right: 8.55 8.55 8.15 7.75"
    models = {"finch": WORN}
    narrow = decode_at(Bench(models, steps={"finch": 0.1}, width=9.9), [text], [system])
    straight = decode_at(Bench(models, steps={"finch": 0.1}), [full], [system])
    assert [c.as_dict() for c in narrow.candidates] == [
        {"code": c.code, "probability": pytest.approx(c.probability, abs=1e-9)} for c in straight.candidates
    ]
    assert narrow.cuts[0].reading == pytest.approx(8.5)
    assert any("both edges alike" in note for note in narrow.notes)
    for width in (8.0, 12.0, math.nan):
        with pytest.raises(BittingError, match="none of 'finch'"):
            width_amounts(system, width)


def test_a_width_changes_nothing_where_no_track_is_measured_from_the_far_edge() -> None:
    """Beside readings across it might be taken for the web's blade: a sure answer would pass over it."""
    with pytest.raises(BittingError, match="changes nothing: no track of heron"):
        width_amounts(bitting.load_system("heron"), 8.9)


def places_readings(system: System, places: list[float]) -> Readings:
    readings = make_readings(system, {(None, "left", cut): [DEPTHS[cut]] for cut in range(4)})
    return evolve(readings, cuts=tuple(evolve(c, place=p) for c, p in zip(readings.cuts, places, strict=True)))


@pytest.mark.parametrize("places", [[20.1, 17.6, 15.5, 13.2], [20.9, 18.5, 12.0, 14.0], [5.0, 7.3, 9.6, 11.9]])
def test_places_are_weighed_by_their_integrated_density(places: list[float]) -> None:
    system = make_system()
    spaces = np.array(system.tracks[0].spaces)

    def density(differences: np.ndarray, shared: float) -> float:
        return float(np.prod((1 - WRONG) * norm.pdf(differences, shared, PLACE_SD) + WRONG / LONGEST))

    def whole(differences: np.ndarray, low: float, high: float, prior: float | None) -> float:
        def at(s: float) -> float:
            return density(differences, s) * (norm.pdf(s, scale=SHIFT_SD) if prior is None else prior)

        return quad(at, low, high, points=sorted({*np.clip(differences, low, high)}), limit=2000, epsabs=0)[0]

    here = np.array(places)
    stop = (1 - OTHER_END) * whole(here - spaces, -4.0, 4.0, None)
    other = OTHER_END * whole(here + spaces, spaces.max(), spaces.max() + LONGEST, 1 / LONGEST)
    fit = place_fit(places_readings(system, places), system)
    assert fit is not None
    assert fit.log_evidence == pytest.approx(math.log(stop + other), abs=1e-6)
    assert fit.other_end == pytest.approx(other / (stop + other), abs=1e-6)


def test_places_tell_systems_apart_that_readings_can_not() -> None:
    near = make_system()
    far = evolve(near, name="finch2", tracks=(evolve(near.tracks[0], spaces=(20.0, 17.2, 14.4, 11.6)),))
    bench = Bench({"finch": WORN, "finch2": WORN})
    plain = decode_at(bench, ["8.6 8.2 7.8 7.4"], [near, far])
    assert [rank.probability for rank in plain.systems] == pytest.approx([0.5, 0.5])
    placed = decode_at(bench, ["8.60@20.2 8.20@17.3 7.80@14.7 7.40@11.8"], [near, far])
    assert placed.systems[0].system == "finch2"
    fits = [place_fit(places_readings(s, [20.2, 17.3, 14.7, 11.8]), s) for s in (near, far)]
    odds = math.exp(fits[1].log_evidence - fits[0].log_evidence)  # type: ignore[union-attr]
    assert placed.systems[0].probability > odds / (1 + odds) - 0.11
    assert placed.places is not None
    assert placed.places.rms < 0.2
    assert any("places along the blade ±0.25" in part for part in placed.assumed)


def test_places_say_that_a_list_runs_from_the_tip() -> None:
    """Without the places the key would be called sure, and its code read backwards."""
    system = make_system()
    bench = Bench({"finch": evolve(PLAIN, reading_sd=0.02)})
    plain = decode_at(bench, ["8.60 8.20 7.80 7.40"], [system])
    assert plain.verdict == "sure"
    turned = decode_at(bench, ["8.60@13.1 8.20@15.4 7.80@17.7 7.40@20.0"], [system])
    assert (turned.listed, turned.code) == ("from the tip", "4 3 2 1")
    right = decode_at(bench, ["8.60@20.1 8.20 7.80 7.40@13.3"], [system])
    assert (right.verdict, right.code) == ("sure", plain.code)


def test_tip_mistaken_for_shoulder_is_said() -> None:
    system = make_system()
    fit = place_fit(places_readings(system, [8.0, 10.3, 12.6, 14.9]), system)
    assert fit is not None
    assert fit.other_end > 0.99
    result = decode_at(Bench({"finch": WORN}), ["8.6@8.0 8.2@10.3 7.8@12.6 7.4@14.9"], [system])
    assert any("was tip taken for shoulder?" in line for line, _ in render(result, 100, plain=True))
    assert (result.verdict, [doubt.kind for doubt in result.doubts]) == ("unsure", ["other end"])


def test_one_place_that_is_off_names_its_cut() -> None:
    """Any one place fits as measured from the other end: it says nothing of the end, but that the cut may be another."""
    bench = Bench({"finch": evolve(PLAIN, reading_sd=0.02)})
    assert decode_at(bench, ["8.60 8.20@17.7 7.80 7.40"], [make_system()]).verdict == "sure"
    off = decode_at(bench, ["8.60 8.20@13.1 7.80 7.40"], [make_system()])
    assert (off.verdict, [(doubt.kind, doubt.cut) for doubt in off.doubts]) == ("unsure", [("wrong place", 2)])


@pytest.mark.parametrize(("places", "off"), [("@16.3 @14.1 @11.9", ()), ("@19.1 @16.8 @14.5", (3, 4, 5))])
def test_places_that_are_all_at_the_next_cut_keep_an_answer_from_being_sure(places: str, off: tuple[int, ...]) -> None:
    """They agree with each other, as where the stop was missed; but as well where cuts were counted wrongly."""
    system = bitting.load_system("plover")
    third, fourth, fifth = places.split()
    left = f"8.11 8.54 7.66{third} 7.68{fourth} 8.09{fifth} 7.21 7.22"
    readings = parse_readings(f"left: {left} / right: 8.55 8.56 8.10 7.22 7.23 8.11 8.57", system)
    answer = Decoder(system).decode(readings)
    assert answer.verdict == ("unsure" if off else "sure")
    assert [(doubt.kind, doubt.cut) for doubt in answer.doubts] == [("wrong place", cut) for cut in off]


def test_several_lists_stand_beside_each_other() -> None:
    system = bitting.load_system("plover")
    first = "left: 8.14 8.62 7.69 7.70@14.6 ? 7.22 7.25 / right: 8.60 8.63 8.11 7.24 7.19 8.17 8.55"
    second = "left: 8.15 8.60 7.70 7.71@14.4 7.66 7.20 7.27 / right: 8.60 8.6 8.10 7.22 7.20 8.15|8.16 8.54"
    both, copied = combined([parse_readings(text, system) for text in (first, second)])
    assert copied == 0
    assert [cut.list_number for cut in both.cuts] == [0] * 14 + [1] * 14
    assert sorted(cut.place for cut in both.cuts if cut.place is not None) == [14.4, 14.6]
    assert combined([parse_readings(text, system) for text in (first, first)])[1] == 1


def test_lists_across_two_tracks_are_repeats_too() -> None:
    system = bitting.load_system("plover")
    lists = [parse_readings(f"across: {row}", system) for row in ("6 5 5 5 5 5 4", "6.1 5 5 5 5 5 4")]
    both, _ = combined(lists)
    assert [(cut.list_number, len(cut.readings)) for cut in both.cuts] == [(0, 1)] * 7 + [(1, 1)] * 7


def test_lists_of_sides() -> None:
    system = bitting.load_system("wren")
    row = "7.3 7.2 7.7 7.1 7.2 6.6 7.7 7.2"
    sides, _ = combined([parse_readings(f"{side}({row})", system) for side in ("top", "bottom")])
    assert [(cut.side, len(cut.readings)) for cut in sides.cuts] == [("top", 1)] * 8 + [("bottom", 1)] * 8
    same, _ = combined([parse_readings(text, system) for text in (f"top({row})", row.replace("7.1", "7.15"))])
    assert [cut.side for cut in same.cuts] == ["top"] * 16
    with pytest.raises(BittingError, match="names no side") as caught:
        combined(
            [parse_readings(text, system) for text in (f"top({row})", f"bottom({row})", row.replace("7.1", "7.15"))]
        )
    assert "top(…); bottom(…)" in caught.value.hint


def test_a_coarse_caliper() -> None:
    system = make_system()
    assert caliper_step("0.03/0.05", system) == 0.05
    assert caliper_step("0.03", system) == caliper_step(None, system) == 0.0
    readings, _ = read_lists(["8.60 8.20 7.8 7.40"], system, None, 0.05)
    assert [cut.readings[0].digit for cut in readings.cuts] == [0.05, 0.05, 0.1, 0.05]


def test_two_systems_of_one_name() -> None:
    with pytest.raises(BittingError, match="same name"):
        decode_at(Bench({"finch": WORN}), ["8.6 8.2 7.8 7.4"], [make_system(), make_system(cuts=5)])


# ---- the picture ------------------------------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def test_the_picture_shows_every_reading_and_the_depth_decided() -> None:
    system = make_system()
    result = decode(parse_readings("8.60 8.19|7.5 ? 7.42", system), system, model=WORN)
    root = ElementTree.fromstring(readings_svg(result))
    marks = {kind: [e for e in root.iter() if e.get("class") == kind] for kind in ("reading", "suspicious", "decided")}
    assert [len(marks[kind]) for kind in ("reading", "suspicious", "decided")] == [4, 1, 4]
    heights = [float(mark.get("cy", "0")) for mark in marks["reading"]]
    from bitting.report.decode_svg import DOWN

    assert heights[3] - heights[0] == pytest.approx((8.60 - 7.42) * DOWN, abs=0.01)
    decided = [float(mark.get("y1", "0")) for mark in marks["decided"]]
    assert decided[3] - decided[0] == pytest.approx((8.6 - 7.4) * DOWN, abs=0.01)
    told = {"".join(e.itertext()) for e in root.iter(f"{SVG}text")}
    assert {"1", "2", "(3)", "4"} <= told  # the third cut was not read
    texts = ["".join(e.itertext()) for e in root.iter() if e.tag in (f"{SVG}title", f"{SVG}desc")]
    assert not any(re.search(r"\d \d|" + re.escape(result.code), text) for text in texts)


@pytest.mark.parametrize(
    "name", but_long(["wren", "plover", "heron", "dunlin", "siskin", "grebe"], "plover", "heron", "dunlin", "siskin")
)
def test_pictures_of_shipped_systems_hold_everything_inside(name: str) -> None:
    from tests.decoding.test_command import simulated

    system = bitting.load_system(name)
    result = bitting.decode(parse_readings(simulated(name)[0], system), system)
    root = ElementTree.fromstring(readings_svg(result))
    _, _, width, height = map(float, root.get("viewBox", "").split())
    places = [
        (float(e.get(a, "0")), float(e.get(b, "0"))) for e in root.iter() for a, b in (("x1", "y1"), ("cx", "cy"))
    ]
    assert all(0 <= x <= width and 0 <= y <= height for x, y in places)
    assert sum(e.get("class") == "reading" for e in root.iter()) == sum(lane.track.cuts for lane in system.lanes)


# ---- the command ------------------------------------------------------------------------------------------------

WREN = "7.30 7.21 7.74 7.76 7.18 6.63 7.74 7.15"


def run(*arguments: str, text: str | None = None):  # type: ignore[no-untyped-def]
    return CliRunner().invoke(main, ["decode", *arguments], input=text)


def wren_code() -> str:
    system = bitting.load_system("wren")
    return bitting.decode(parse_readings(WREN, system), system).code


def test_readings_without_quotes_are_told_to_be_quoted() -> None:
    done = run(*WREN.split(), "-s", "wren")
    assert (done.exit_code, done.stdout) == (2, "")
    first, second = WREN.split()[:2]
    assert f"put one list in quotes: '{first} {second} …'" in done.stderr
    assert "put one list in quotes" not in run(WREN, "7.3 7.2", "-s", "wren").stderr


def test_the_limit_for_sure_is_named_only_where_it_is_not_reached() -> None:
    off = run("7.70 8.22 7.71 7.11 6.64 6.90 7.73 8.27", "-s", "wren").stdout
    assert off.startswith("NOT SURE")
    assert "half a step or more" in off
    assert "the limit for sure" not in off
    assert "the limit for sure is 95.0 %" in run("7.70 8.22 7.71 7.11 6.64 6.90 ? ?", "-s", "wren").stdout


def test_a_picture_is_written_for_its_owner_only(tmp_path: Path) -> None:
    target = tmp_path / "key.svg"
    done = run("-", "-s", "wren", "--svg", str(target), text=WREN)
    assert done.exit_code in (0, 1)
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    first = target.read_text()
    again = run("-", "-s", "wren", "--svg", str(target), text=WREN)
    assert (again.exit_code, again.stdout) == (2, "")
    assert "there already" in again.stderr
    assert target.read_text() == first
    assert run("-", "-s", "wren", "--svg", str(target), "--force", text=WREN).exit_code in (0, 1)


def test_nothing_is_drawn_where_nothing_is_answered(tmp_path: Path) -> None:
    for text in ("7.30 7.21", "? ? ? ? ? ? ? ?", ""):
        done = run("-", "-s", "wren", "--svg", str(tmp_path / "key.svg"), text=text)
        assert (done.exit_code, done.stdout) == (2, "")
        assert list(tmp_path.iterdir()) == []


def test_a_known_key_from_a_pipe() -> None:
    code = wren_code()
    piped = run("-", "-s", "wren", "--against", "-", "--against-code", "-", "--json", text=f"{WREN}\n{WREN}\n{code}\n")
    given = run(WREN, "-s", "wren", "--against", WREN, "--against-code", code, "--json")
    assert piped.exit_code == given.exit_code
    assert json.loads(piped.stdout) == json.loads(given.stdout)
    answer = json.loads(given.stdout)
    assert any("key of known code puts zero and jaws" in note for note in answer["notes"])
    assert any("each key's own error not shared" in part for part in answer["assumed"])
    alone = json.loads(run(WREN, "-s", "wren", "--json").stdout)
    assert answer["model"]["offset_sd"] < alone["model"]["offset_sd"]
    assert answer["offset"]["sd"] < alone["offset"]["sd"]


def test_several_lists_on_the_command_line() -> None:
    again = WREN.replace("7.30", "7.31")
    twice = run(WREN, again, "-s", "wren", "--json")
    lines = run("-", "-", "-s", "wren", "--json", text=f"{WREN}\n\n{again}\n")
    assert json.loads(twice.stdout) == json.loads(lines.stdout)
    assert all(len(cut["readings"]) == 2 for cut in json.loads(twice.stdout)["cuts"])


def test_every_assumption_stands_in_one_line() -> None:
    done = run(
        WREN.replace("7.30", "7.30@4.5"), WREN, "-s", "wren", "--width", "8.95", "--caliper", "0.03/0.05",
        "--against", WREN, "--against-code", wren_code(), "--made", "original", "--wear", "light", "--full",
    )  # fmt: skip
    (line,) = [line for line in done.stdout.splitlines() if line.startswith("assumed, in mm:")]
    for part in (
        "one reading ±0.01732", "mean wear", "readings simply wrong", "steps of 0.05", "zero and jaws", "both edges",
        "places along the blade ±0.25", "every legal code",
    ):  # fmt: skip
        assert part in line
    for note in ("the blade is 8.95 mm wide, not 9", "the key of known code"):
        assert f"note: {note}" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--against", WREN), "--against is given without --against-code"),
        (("--against-code", "1 2"), "--against-code is given without --against"),
        (("--zero", "0.02"), "none is given"),
        (("--against-new",), "none is given"),
        (("--against", WREN, "--against-code", "1 2"), "isn't whole"),
        (("--against", WREN, "--against-code", "4 4 4 4 1 1 1 1"), "doesn't fit the code"),
        (("--against", WREN, "--against-code", "1 1 1 1 1 1 1 1", "--zero", "0.2"), "more than the whole offset"),
        (("--against", "7.3 7.2", "--against-code", "1 1 1 1 1 1 1 1"), "8 readings expected"),
        (("--against", WREN, "--against-code", "1", "-s", "plover"), "which system is the key of known code"),
        (("--width", "7"), "is none of 'wren'"),
        (("--width", "wide"), "no amount for --width"),
        (("--width", "8.9", "-s", "plover"), "--width is compared with the blade of one system"),
        (("--place", "0"), "never exact"),
        (("--caliper", "0.02/x"), "no amount for --caliper"),
        (("--svg", "-"), "name a file: --svg FILE.svg"),
        (("--svg", "no/such/folder/key.svg"), "there is no folder"),
        (("7.3 7.2",), "list 2 of the readings: 8 readings expected"),
        (("-", "-"), "1 line on standard input instead of 2"),
    ],
)
def test_command_that_cannot_be_answered(arguments: tuple[str, ...], message: str) -> None:
    done = run(WREN, "-s", "wren", *arguments, text="one line\n")
    assert done.exit_code == 2
    assert done.stdout == ""
    assert message in done.stderr


def test_the_answer_renders_with_all_of_it() -> None:
    system = bitting.load_system("plover")
    text = "left: 8.14 8.62 7.69 7.70 ? 7.22 7.25 / right: 8.60 8.63 8.11 7.24 7.19 8.17 8.55"
    result = decode_at(Bench({"plover": model_with(system)}, width=9.95), [text], [system])
    lines = [line for line, _ in render(result, 100, plain=True, full=True)]
    assert any(line.startswith("note: the blade is 9.95 mm wide") for line in lines)
