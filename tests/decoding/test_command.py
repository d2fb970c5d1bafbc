"""What decoding says: verdicts, advice, ranking, the command line and its JSON."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from attrs import evolve
from click.testing import CliRunner

import bitting
from bitting.cli import main
from bitting.decoding import DEFAULTS, MADE, Decoder, MeasurementModel, decode, decode_among, decode_many, model_of
from bitting.decoding.model import model_with
from bitting.errors import BittingError
from bitting.model import Measuring
from bitting.notation import plain
from tests.decode_oracle import make_readings, make_system

MODEL = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
EXACT = [8.59, 8.19, 7.79, 7.39]


def readings(values: list[float | list[float]], system=None):  # type: ignore[no-untyped-def]
    system = system or make_system()
    rows = [v if isinstance(v, list) else [v] for v in values]
    return make_readings(system, {(None, "left", cut): row for cut, row in enumerate(rows)})


def test_sure_unsure_and_no_fit() -> None:
    system = make_system()
    sure = decode(readings([[v, v - 0.01] for v in EXACT]), system, model=MODEL)
    assert (sure.verdict, sure.code, sure.measure_next) == ("sure", "1 2 3 4", ())
    doubtful = decode(readings([8.59, 8.0, 7.79, 7.39]), system, model=MODEL)
    assert doubtful.verdict == "unsure"
    assert doubtful.measure_next[0].cut == 2
    foreign = decode(readings([8.6, 8.0, 8.2, 7.6]), system, model=evolve(MODEL, wear=0.005))
    assert foreign.verdict == "no-fit"
    assert foreign.fit.p_value < foreign.fit.limit


def test_the_limit_for_sure_is_the_callers() -> None:
    key = readings([8.57, 8.15, 7.76, 7.35])
    answer = decode(key, make_system(), model=MODEL, sure=0.5)
    assert 0.5 < answer.probability < 0.9999
    assert decode(key, make_system(), model=MODEL, sure=answer.probability - 1e-6).verdict == "sure"
    assert decode(key, make_system(), model=MODEL, sure=answer.probability + 1e-6).verdict == "unsure"
    for sure in (0.0, 1.5, float("nan")):
        with pytest.raises(BittingError, match="limit for sure"):
            decode(key, make_system(), model=MODEL, sure=sure)


def test_a_reading_between_two_depths_is_decided_by_another() -> None:
    """The advised threshold parts the two depths, and readings beside it do decide."""
    system = make_system()
    values: list[float | list[float]] = [8.59, 8.0, 7.79, 7.39]
    first = decode(readings(values), system, model=MODEL)
    advice = first.measure_next[0]
    assert advice.cut == 2
    labels = [d.depth for d in advice.deciding]
    assert labels == sorted(labels, reverse=True)
    assert {"2", "3"} <= set(labels)
    threshold = advice.deciding[labels.index("3")].high
    assert threshold is not None
    assert 7.8 < threshold < 8.2
    for value, depth in ((threshold - 0.08, "3"), (threshold + 0.08, "2")):
        again = decode(readings([8.59, [8.0, value], 7.79, 7.39]), system, model=MODEL)
        assert again.cuts[1].depth == depth
    assert advice.risk < 1 - first.probability


def test_a_reading_that_would_be_taken_to_be_wrong_is_given_no_depth() -> None:
    """`below 2.38 it is 4; up to 2.86 it is 3; above it is 4` was advised, where a reading of 3.00 leads to 2."""
    heron = bitting.load_system("heron")
    left, right = "3.42 3.08 2.68 2.37 2.68 ? 2.68 2.59", "3.02 2.68 ? 3.42 2.96 2.37 3.40 2.97"
    result = decode(bitting.parse_readings(f"left {left} / right {right}", heron), heron)
    assert {("right", 6), ("left", 6)} <= {(one.track, one.cut) for one in result.measure_next}
    for one in result.measure_next:  # shallower is more, for heron
        labels = [deciding.depth for deciding in one.deciding]
        assert labels == sorted(set(labels), reverse=True)


@pytest.mark.parametrize("often", ["2.48|2.49|2.48", "2.48"])
def test_readings_that_would_decide_name_every_depth_the_cut_may_well_have(often: str) -> None:
    """`above 1.71 it is 3` was advised of a cut that is 4 with 53 %, but not in the code that is likeliest as a whole."""
    grebe = bitting.load_system("grebe")
    text = f"top: 1.28 2.08 1.96 2.63 1.90 2.59 / bottom: 3.12 2.01 2.47 {often} 0.85|0.84|0.86 0.65"
    result = decode(bitting.parse_readings(text, grebe), grebe)
    may = {
        (cut.side, cut.cut): {cut.depth, *(o.depth for o in cut.alternatives if o.probability > 0.05)}
        for cut in result.cuts
    }
    decided = [one for one in result.measure_next if one.deciding]
    assert decided
    assert all(may[one.side, one.cut] <= {deciding.depth for deciding in one.deciding} for one in decided)


def test_a_wrong_reading_is_suspicious() -> None:
    result = decode(readings([8.59, [8.19, 7.5], 7.79, 7.39]), make_system(), model=MODEL)
    assert result.cuts[1].wrong[1] > 0.9 > 0.1 > result.cuts[1].wrong[0]


def test_ties_go_to_the_shallower_code_first_cut_first() -> None:
    system = make_system(cuts=3, depths=(8.6, 8.2))
    result = decode(make_readings(system, {(None, "left", 1): [8.4]}), system, 8, evolve(MODEL, wear=0.0))
    assert [c.code for c in result.candidates][:4] == ["1 1 1", "1 1 2", "1 2 1", "1 2 2"]


def test_wear_goes_deeper_whichever_way_the_table_runs() -> None:
    """A reading between two depths is a worn shallow cut rather than a deep one that grew."""
    for depths, value in (((8.6, 8.2), 8.45), ((1.0, 1.4), 1.15)):
        system = make_system(cuts=3, depths=depths)
        cuts = {(None, "left", cut): [depths[0]] for cut in range(2)} | {(None, "left", 2): [value]}
        assert decode(make_readings(system, cuts), system, model=MODEL).code == "1 1 1"


def test_figures_come_from_the_file_then_the_defaults_then_how_it_was_made() -> None:
    system = make_system(measuring=Measuring(reading_sd=0.02, tilt_sd=0.0))
    model = model_of(system)
    assert (model.reading_sd, model.tilt_sd, model.wear) == (0.02, 0.0, DEFAULTS["wear"])
    assert model_of(system, "copy").tilt_sd == MADE["copy"]["tilt_sd"]
    assert model_of(system, "original").left_right_sd == 0
    inches = evolve(system, unit="in", measuring=Measuring())
    assert model_of(inches).wear == pytest.approx(DEFAULTS["wear"] / 25.4)
    assert model_of(inches).outliers == DEFAULTS["outliers"]
    assert model_with(system, wear="heavy").wear == 2 * model.wear
    assert model_with(system, wear="0.03", caliper="0.02").reading_sd == pytest.approx(0.02 / 3**0.5)


@pytest.mark.parametrize(
    ("figures", "message"),
    [
        ({"reading_sd": 0}, "reading_sd is 0"),
        ({"wear": -0.1}, "wear is -0.1"),
        ({"outliers": 1.0}, "outliers is 1.0"),
        ({"offset_sd": float("nan")}, "offset_sd is nan"),
        ({"tilt_sd": float("inf")}, "tilt_sd is inf"),
    ],
)
def test_figures_that_cannot_be(figures: dict[str, float], message: str) -> None:
    good = {"reading_sd": 0.03, "offset_sd": 0.05, "wear": 0.04, "outliers": 0.01}
    with pytest.raises(BittingError, match=message) as caught:
        MeasurementModel(**{**good, **figures})
    assert caught.value.hint


def test_nothing_measured_is_an_error() -> None:
    with pytest.raises(BittingError, match="nothing was measured"):
        decode(make_readings(make_system(), {(None, "left", 0): []}), make_system(), model=MODEL)


def test_many_keys_as_one_by_one() -> None:
    system = make_system()
    random = np.random.default_rng(5)
    keys = [readings([round(v + random.normal() * 0.05, 2) for v in EXACT]) for _ in range(6)]
    keys.append(readings([[8.5, 8.52], 8.1, 7.7, 7.3]))
    decoder = Decoder(system, MODEL)
    together = decode_many(keys, system, 2, MODEL)
    for found, alone in zip(together, [decoder.decode(key, 2, advise=False) for key in keys], strict=True):
        assert (found.code, found.verdict, found.fit, found.notes) == (
            alone.code,
            alone.verdict,
            alone.fit,
            alone.notes,
        )
        assert found.probability == pytest.approx(alone.probability, abs=1e-9)  # sums are taken in another order


def simulated(name: str, seed: int = 4) -> tuple[str, str]:
    """A code of a shipped system and readings of such a key, without wear and with little noise."""
    system = bitting.load_system(name)
    code = next(bitting.code_space(system).sample(1, seed))
    random = np.random.default_rng(seed)
    digits = 2 if system.unit == "mm" else 4
    sides: dict[str | None, list[str]] = {}
    for lane, row in zip(system.lanes, code, strict=True):
        values = np.array(lane.track.depths)[list(row)] + random.normal(size=len(row)) * system.from_mm(0.01)
        sides.setdefault(lane.side, []).append(f"{lane.track.name}: " + " ".join(f"{v:.{digits}f}" for v in values))
    lists = [f"{side}({' / '.join(rows)})" if side else " / ".join(rows) for side, rows in sides.items()]
    return "; ".join(lists), str(bitting.model.code_of(system, code))


@pytest.mark.parametrize("name", ["plover", "wren", "grebe", "dunlin"])
def test_shipped_systems_decode_their_keys(name: str) -> None:
    text, code = simulated(name)
    system = bitting.load_system(name)
    result = bitting.decode(bitting.parse_readings(text, system), system)
    assert result.code == code
    assert bitting.parse_code(result.code, system).canonical == result.code


def test_the_right_system_is_ranked_first() -> None:
    systems = [bitting.load_system(name) for name in ("wren", "plover", "dunlin")]
    text, code = simulated("plover")
    result = decode_among(lambda system: bitting.parse_readings(text, system), systems)
    assert (result.system, result.code) == ("plover", code)
    assert result.systems[0].system == "plover"
    assert sum(rank.probability for rank in result.systems) == pytest.approx(1)
    assert any(note.startswith("wren not compared: ") for note in result.notes)


def test_readings_from_the_tip_are_recognised() -> None:
    system = make_system(cuts=4, must=("first cut is one of 1 2", "last cut is one of 3 4"))
    backwards = readings(list(reversed(EXACT)), system)
    other = make_system(cuts=4, depths=(9.9, 9.4))
    result = decode_among(lambda _: backwards, [system, other], model_of=lambda _: MODEL)
    assert (result.listed, result.code) == ("from the tip", "1 2 3 4")


KEYS = {"system", "verdict", "code", "probability", "cuts", "candidates", "offset", "fit", "measure_next", "systems"}


def run(*arguments: str, text: str | None = None):  # type: ignore[no-untyped-def]
    return CliRunner().invoke(main, ["decode", *arguments], input=text)


def test_what_was_read_in_thousandths_is_told_in_thousandths() -> None:
    """Whoever holds a caliper set to thousandths has nothing of limits in millimetres."""
    mm = [7.30, 7.21, 7.74, 7.09, 7.18, 6.58, 7.74, 7.15]
    thou = " ".join(f"{value / 0.0254:.1f}" for value in mm)
    told = " ".join(run(f"{thou} thou", "-s", "wren").stdout.split())
    assert "reading, thou" in told
    assert re.search(r"\b1 2 287\.4 [+-]\d+\.\d ", told), told
    limits = [float(value) for value in re.findall(r"(?:below|above|from|to) (\d+\.\d+)", told)]
    assert limits
    assert all(220 < limit < 340 for limit in limits), "wren's depths in thousandths"
    assert json.loads(run(f"{thou} thou", "-s", "wren", "--json").stdout)["readings_unit"] == "thou"
    assert "reading, " not in run(" ".join(map(str, mm)), "-s", "wren").stdout


def test_figures_are_exchanged_as_they_were_written_in_whatever_unit() -> None:
    """Right 3, which reads 320 thou, was written down as 302: in millimetres no two figures of it are exchanged."""
    text = "left: 320 338 302 302 320 284 284 / right: 338 338 302 284 284 320 338"
    told = " ".join(run(f"{text} thou", "-s", "plover").stdout.split())
    assert "as two figures exchanged would be legal too: left 1 (320.0 for 302.0)" in told
    found = json.loads(run(f"{text} thou", "-s", "plover", "--json").stdout)["exchanged"]
    assert ("right", 3, "2") in {(one["track"], one["cut"], one["depth"]) for one in found}
    other = next(one["other"] for one in found if (one["track"], one["cut"]) == ("right", 3))
    assert other == pytest.approx(8.128), "320 thou, in the system's millimetres"
    inches = text.replace(" ", " 0.").replace("0./", "/").replace("0.right:", "right:")
    same = json.loads(run(f"{inches} in", "-s", "plover", "--json").stdout)["exchanged"]
    assert [{**one, "other": round(one["other"], 6)} for one in same] == [
        {**one, "other": round(one["other"], 6)} for one in found
    ]
    wren = "302 277 256 305 325 301 302 303"
    assert json.loads(run(wren, "--unit", "thou", "-s", "wren", "--json").stdout)["exchanged"] == []


def test_command_json() -> None:
    text, code = simulated("wren")
    done = run("-", "-s", "wren", "--json", text=text)
    answer = json.loads(done.stdout)
    assert answer.keys() >= KEYS
    assert answer["code"] == code
    assert done.exit_code == (0 if answer["verdict"] == "sure" else 1)
    for cut in answer["cuts"]:
        assert cut["confidence"] + sum(other["probability"] for other in cut["alternatives"]) == pytest.approx(1)
    system = bitting.load_system("wren")
    assert answer["format"] == 1
    assert answer == json.loads(json.dumps(bitting.decode(bitting.parse_readings(text, system), system).as_dict()))


def test_command_on_a_terminal() -> None:
    text, code = simulated("grebe")
    code = plain(code, bitting.load_system("grebe"))  # as people write it
    short = run(text, "-s", "grebe")
    assert code in short.stdout
    assert len(short.stdout.splitlines()) < 30
    done = run(text, "-s", "grebe", "--best", "2", "--full")
    assert done.exit_code in (0, 1)
    for part in (code, "deviation", "deeper ->", "shared by all readings", "assumed, in mm"):
        assert part in done.stdout
    assert done.stdout.count("top: ") >= 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("1 2 3",), "no system was named"),
        (("7.30 7.21", "-s", "wren"), "8 readings expected, 2 given"),
        (("7.30 7.21 x 7.09 7.18 6.58 7.74 7.15", "-s", "wren"), ""),
        (("? ? ? ? ? ? ? ?", "-s", "wren"), "nothing was measured"),
        (("7.30 7.21 7.65 7.09 7.18 6.58 7.74 7.15", "-s", "wren", "--lock", "attic"), "no lock 'attic'"),
        (("7.30 7.21 7.65 7.09 7.18 6.58 7.74 7.15", "-s", "wren", "--wear", "much"), "no amount for --wear"),
        (("7.30 7.21 7.65 7.09 7.18 6.58 7.74 7.15", "-s", "wren", "--caliper", "0"), "without error limits"),
        (("7.30 7.21 7.65 7.09 7.18 6.58 7.74 7.15", "-s", "wren", "--sure", "2"), "limit for sure"),
        (("7.30 7.21 7.65 7.09 7.18 6.58 7.74 7.15", "-s", "nightjar"), "nightjar"),
    ],
)
def test_command_that_cannot_be_answered(arguments: tuple[str, ...], message: str) -> None:
    done = run(*arguments)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert message in done.stderr


@pytest.mark.parametrize("lock", ["door", "steering"])
def test_readings_of_a_locks_cuts_alone_are_decoded_as_with_the_others_open(lock: str) -> None:
    alone = "left: 8.15 8.60 7.70 7.70 8.15 / right: 8.60 8.60 8.15 7.25 7.25"
    before, behind = ("", " ? ?") if lock == "door" else ("? ? ", "")
    whole = " / ".join(part.replace(": ", f": {before}") + behind for part in alone.split(" / "))
    answers = [run(text, "-s", "plover", "--lock", lock, "--json") for text in (alone, whole)]
    assert answers[0].exit_code < 2
    assert answers[0].stdout == answers[1].stdout
    words = ["complete", "left: 2 1 3 3 ? / right: 1 1 2 ? ?", "-s", "plover", "--lock", lock, "--json", "--readings"]
    tried = [CliRunner().invoke(main, [*words, text]) for text in (alone, whole)]
    assert tried[0].exit_code == 0
    assert tried[0].stdout == tried[1].stdout
