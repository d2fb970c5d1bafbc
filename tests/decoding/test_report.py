"""What a decoded key's answer says on a terminal: nothing untrue, and what to do next."""

from __future__ import annotations

import re

import pytest
from attrs import evolve, fields
from click.testing import CliRunner

from bitting import BittingError, check, complete, docs
from bitting.cli import main
from bitting.decoding import Decoded, Decoder, MeasurementModel, decode
from bitting.decoding.model import model_of, model_with
from bitting.decoding.session import Bench, decode_at
from bitting.model import code_of
from bitting.notation import parse_code, parse_readings
from bitting.report.decode import assumptions, render
from bitting.systemfile import load_system
from tests.decode_oracle import make_readings, make_system

PLAIN = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
WREN = "7.71 7.15 7.69 7.15 7.12 6.60 7.70 7.11"
PLOVER = "left: 8.11 8.54 7.66 7.68 8.09 7.21 7.22 / right: 8.55 8.56 8.10 7.22 7.23 8.11 8.57"


def told(result: Decoded, columns: int = 400, *, full: bool = False) -> list[str]:
    return [line for line, _ in render(result, columns, plain=True, full=full)]


@pytest.mark.parametrize("columns", range(40, 120, 7))
def test_a_per_cent_sign_never_stands_apart_from_its_number(columns: int) -> None:
    result = decode(
        parse_readings("7.45 8.30 7.75 7.20 7.75 7.20 8.30 7.75", load_system("wren")), load_system("wren"), sure=0.999
    )
    assert any("the limit for sure is 99.9 %" in line for line in told(result))
    assert not any(line.lstrip().startswith("%") for line in told(result, columns))


def test_a_reading_with_fewer_decimals_says_why_it_tells_so_little() -> None:
    """0.3 for 0.300, as people and spreadsheets drop the zeros: sure with them, and never told without."""
    less = "cut 2 is written with fewer decimals, and taken to be read no finer: write the zeros that the caliper showed (7.40)"
    for text, verdict in (("0.3", "unsure"), ("0.300", "sure"), ("0.30", "sure")):
        result = answer(f"0.280 {text} 0.313 0.296 0.281 0.194", "dunlin")
        assert result.verdict == verdict
        assert (less.replace("cut 2", "edge 2") in told(result)) == (text == "0.3")
        assert result.as_dict()["coarse"] == (["edge 2"] if text != "0.300" else [])
    assert "are written with fewer" not in "".join(told(answer("0.28 0.30 0.31 0.29 0.28 0.19", "dunlin")))


def answer(text: str, name: str, **options: str) -> Decoded:
    system = load_system(name)
    return decode(parse_readings(text, system), system, model=model_with(system, **options))  # type: ignore[arg-type]


def test_with_a_lock_each_track_shows_its_own_cuts() -> None:
    system = load_system("plover")
    result = Decoder(system, lock="steering").decode(parse_readings(PLOVER, system))
    lines = told(result, full=True)
    begin = next(n for n, line in enumerate(lines) if line.startswith("left ") and line.endswith("deeper ->"))
    shown = [line.split()[0] for line in lines[begin : begin + 12]]
    assert shown == ["left", "3", "4", "5", "6", "7", "right", "3", "4", "5", "6", "7"]


def test_with_a_lock_the_answer_is_of_the_cuts_that_it_reads() -> None:
    system = load_system("wren")
    reading = parse_readings(WREN, system)
    assert "whole code" in told(Decoder(system).decode(reading))[1]
    partly = told(Decoder(system, lock="door").decode(reading))
    assert "every cut that this lock reads" in partly[1]
    assert not any("whole code" in line for line in partly)
    system = load_system("heron")
    every = Decoder(system, lock="ignition").decode(parse_readings("8.3 " * 8 + "/ " + "8.3 " * 8, system))
    assert not any("this lock reads" in line for line in told(every))


def test_a_cut_that_was_not_read_is_named_with_every_depth_it_may_have() -> None:
    system = make_system()
    key = make_readings(system, {(None, "left", 0): [8.6], (None, "left", 1): [8.2], (None, "left", 3): [7.4]})
    result = Decoder(system, PLAIN).decode(key)
    assert "cut 3 was not read: its depth only follows from the rules" in told(result)
    alone = told(answer(PLOVER.split(" / ")[0], "plover"))
    assert [line for line in alone if "read:" in line] == [
        "7 cuts were not read: their depths only follow from the rules"
    ]
    assert (result.measure_next[0].track, result.measure_next[0].cut) == ("left", 3)
    assert result.verdict == "unsure"


def test_readings_of_a_cut_that_contradict_each_other_have_no_mean() -> None:
    """Half of 8.11 and half of 8.55 is a depth that nobody read."""
    lines = told(answer(PLOVER.replace("8.11", "8.11|8.55", 1), "plover"))
    assert any(re.fullmatch(r"left 1 +\d +8.110 to 8.550 +\d [\d.]+ %", line) for line in lines), lines
    lines = told(answer(PLOVER.replace("8.11", "8.11|8.13", 1), "plover"))
    assert any(re.match(r"left 1 +2 +8.120 +-0.0", line) for line in lines), lines


def test_cuts_that_were_read_often_are_not_asked_for_for_ever() -> None:
    """A cut between two depths stays there however often it is read: then both are tried, or the key is looked at."""
    every = " / ".join(
        f"{name}: " + " ".join("|".join([cut] * 3) for cut in row.split())
        for name, row in (part.split(": ") for part in PLOVER.replace("8.11", "8.34", 1).split(" / "))
    )
    lines = told(answer(every, "plover"))
    assert "read often enough" in " ".join(lines), lines
    (code,) = [line.strip() for line in lines if "[" in line and ":" in line and "`" not in line]
    system = load_system("plover")
    tried = complete(parse_code(code, system), system)
    assert tried.count > 1
    assert answer(every, "plover").code in tried.codes


def test_an_answer_takes_one_screen() -> None:
    assert len(told(answer(WREN, "wren"))) < 20
    assert len(told(answer(PLOVER, "plover"))) < 30
    assert len(told(answer(PLOVER, "plover"), full=True)) > 40


def test_a_reading_no_cut_can_have_is_set_aside_and_named() -> None:
    """One that is neither near a depth nor a slip of the caliper was typed or taken wrongly: the key is still decoded."""
    result = answer(WREN.replace("7.69", "76.9"), "wren")
    assert result.cuts[2].taken_for == ("slip of the pen",)
    assert "cut 3 reads 76.900, which looks like a slip of the pen: taken as not read" in told(result)
    assert (result.verdict, result.measure_next[0].cut) == ("unsure", 3)
    assert result.depths == answer(WREN, "wren").depths
    result = answer(WREN.replace("7.69", "41.3"), "wren")
    assert "cut 3 reads 41.300, far outside every depth: taken as not read" in told(result)


def test_a_wrong_reading_is_named_by_its_cut() -> None:
    result = answer(WREN.replace("7.15", "7.15|7.14|8.01", 1), "wren")
    assert any(line.startswith("reading 8.010 of cut 2 is taken for a wrong one") for line in told(result, full=True))
    assert result.cuts[1].taken_for == ("reading", "reading", "wrong")


def test_where_all_readings_are_off_alike_the_zero_is_to_be_checked() -> None:
    shifted = " ".join(f"{float(value) - 0.16:.2f}" for value in WREN.split())
    result = answer(shifted, "wren")
    assert result.depths == answer(WREN, "wren").depths
    (line,) = [line for line in told(result) if "caliper's zero" in line]
    assert line.startswith("all readings are ")
    assert "too small" in line
    assert not any("caliper's zero" in line for line in told(answer(WREN, "wren")))


def test_what_no_model_can_see_is_asked_once_where_the_answer_is_sure_from_one_list() -> None:
    twice = " ".join(f"{value}|{value}" for value in WREN.split())
    result = answer(twice, "wren")
    assert result.verdict == "sure"
    assert sum("was the list taken from the bow" in line for line in told(result)) == 1
    assert not any("was the list taken" in line for line in told(evolve(result, lists=2)))


def test_a_result_without_its_system_is_not_rendered() -> None:
    with pytest.raises(ValueError, match="carries its system"):
        told(evolve(answer(WREN, "wren"), of=None))


def test_an_answer_for_a_list_taken_otherwise_does_not_ask_how_it_was_taken():
    system = load_system("wren")
    text = "8.27|8.26 7.14|7.16 7.66|7.67 8.25|8.25 7.15|7.14 7.70|7.69 8.22|8.24 8.26"
    result = decode(parse_readings(text, system), system)
    assert (result.listed, result.code) == ("from the tip", "1 1 2 3 1 2 3 1")
    lines = told(result)
    assert any("taken from the tip" in line for line in lines)
    assert not any("was the list taken" in line for line in lines)


def test_a_list_written_from_the_tip_is_not_asked_whether_it_was_from_the_bow():
    text = "from tip: 6.62|6.63 7.16|7.15 7.70 7.71 8.27 7.72 8.25 7.17"
    lines = told(answer(text, "wren"))
    assert lines[0].startswith("sure")
    assert any(line.startswith("was the list taken from the bow, unless you wrote otherwise?") for line in lines)
    lines = told(answer("6.62 7.16 7.70 7.71 8.27 7.72 8.25 7.17", "wren"))
    assert lines[0].startswith("NOT SURE")
    assert lines[-1].startswith("not sure for the way that the list was taken: if that is right, write `from tip:`")
    assert not any(line.startswith("measure next") for line in lines), "a second reading settles nothing of it"


SISKIN = "2.27 2.97 2.59 1.86 2.19 2.58 2.93 2.55 3.31 / 3.68 2.95 2.57 2.22 2.92 2.91 2.24 2.93 2.27"


def test_figures_exchanged_in_one_reading_that_would_be_legal_too_are_named_on_sure_answers():
    result = answer(SISKIN, "siskin")
    assert result.verdict == "sure"
    found = {(one.track, one.cut): one for one in result.exchanged}
    assert (found["right", 6].reading, found["right", 6].other, found["right", 6].depth) == (2.91, 2.19, "B")
    system = load_system("siskin")
    for (track, cut), one in found.items():
        lane = [t.name for t in system.tracks].index(track)
        row = list(result.depths[lane])
        row[cut - 1] = system.tracks[lane].labels.index(one.depth)
        rows = [tuple(row) if n == lane else own for n, own in enumerate(result.depths)]
        code = code_of(system, rows)
        assert check(code).legal
        assert abs(system.tracks[lane].depths[row[cut - 1]] - one.other) < 0.2
    assert any("right 6 (2.910 for 2.190)" in line for line in told(result))
    twice = SISKIN.replace("2.91", "2.91|2.90")
    assert ("right", 6) not in {(one.track, one.cut) for one in answer(twice, "siskin").exchanged}
    assert not any(line.startswith("read once more") for line in told(evolve(result, exchanged=())))


def test_where_the_other_code_is_this_one_shifted_whole_it_is_the_caliper_that_settles_it():
    text = "left: 8.02 8.49 7.55 7.50 8.00 7.11 7.04 / right: 8.48 8.44 7.95 7.12 7.07 8.02 8.50"
    lines = told(answer(text, "plover"))
    assert lines[0].startswith("NOT SURE")
    (line,) = [line for line in lines if line.startswith("the other code is this one with every cut deeper")]
    assert "--against" in line
    assert not any(line.startswith("measure next") for line in lines)
    assert not any(line.startswith("the other code is") for line in told(answer(PLOVER, "plover")))


@pytest.mark.parametrize(
    ("system", "texts"),
    [
        (
            "plover",
            (
                "left: 7.56 7.59 7.13 7.62 7.15 6.70 7.08 / right: 8.01 7.61 8.09 7.17 6.68 7.11 7.09",
                "right from tip: 7.09 6.71 7.15 7.65 7.09 7.58 7.55 / left from tip: 7.10 7.11 6.71 7.15 8.09 7.60 8.00",
            ),
        ),
        ("dunlin", ("0.350 0.281 0.264 0.315 0.329 0.279", "from tip: 0.349 0.282 0.265 0.316 0.331 0.280")),
        (
            "grebe",
            (
                "top: 0.50 1.67 2.89 2.30 1.66 0.45 / bottom: 0.52 1.06 1.64 1.68 1.08 2.32",
                "top from tip: 2.30 1.08 1.71 1.66 1.06 0.52 / bottom from tip: 0.49 1.64 2.31 2.89 1.69 0.54",
            ),
        ),
    ],
)
def test_two_lists_that_contradict_each_other_are_settled_by_the_key_and_not_by_more_readings(
    system: str, texts: tuple[str, ...]
) -> None:
    known = load_system(system)
    lines = told(decode_at(Bench({system: model_of(known)}), texts, [known]))
    assert any("look at the key again" in line for line in lines)
    assert lines[-1].startswith("the lists contradict each other")
    assert not any("--against" in line or "second list" in line or line.startswith("measure next") for line in lines)


def test_a_reading_taken_at_another_cut_is_to_be_left_out_when_the_cut_is_measured_anew() -> None:
    text = (
        "left: 2.36@5.1 3.04@7.5 2.69@9.9 3.04@12.4 3.42@14.6 3.46@16.8 3.03@19.3 3.07@21.7 / "
        "right: 3.06@5.0 3.08@7.5 2.68@10.0 2.00@12.0 2.32@17.1 2.36@16.9 2.75@19.4 3.44@21.8"
    )
    assert any(
        "the place of right 5 is 2.5 mm" in line and "leave it out" in line for line in told(answer(text, "heron"))
    )
    with pytest.raises(BittingError) as refused:
        answer(text.replace("2.32@17.1", "2.32@17.1|2.69@14.7"), "heron")
    assert "leave out" in refused.value.hint


def test_who_says_how_wide_the_jaw_is_is_not_asked_again() -> None:
    system, other = load_system("dunlin"), load_system("wren")
    text = "0.245|0.245|0.244 0.345 0.279|0.280|0.280 0.243|0.242|0.243 0.329|0.329|0.330 0.294"
    bench = Bench({one.name: model_of(one) for one in (system, other)})
    asked = decode_at(bench, [text], [system])
    assert (asked.verdict, [doubt.kind for doubt in asked.doubts]) == ("unsure", ["jaw"])
    assert "or give --jaw" in " ".join(told(asked))
    assert not any(line.startswith("measure next") for line in told(asked))  # no cut is in doubt
    assert told(asked)[-1] != ""
    for systems in ([system], [system, other]):
        said = decode_at(evolve(bench, jaw_said=True), [text], systems)
        assert (said.verdict, said.code, said.wide_jaws) == ("sure", "6 0 4 6 1 3", 0.0)
    assert CliRunner().invoke(main, ["decode", text, "-s", "dunlin", "--jaw", "0"]).output.startswith("sure: ")


@pytest.mark.parametrize("name", [f.name for f in fields(MeasurementModel)])
def test_every_figure_of_the_model_is_told(name: str) -> None:
    system = load_system("wren")
    result = decode(parse_readings("7.75 8.30 7.75 7.20 7.75 7.20 8.30 7.75", system), system)
    assert result.model is not None
    other = evolve(result.model, **{name: getattr(result.model, name) + 0.11})
    assert assumptions(evolve(result, model=other), system) != assumptions(result, system), (
        "name it in bitting/report/decode.py"
    )
    assert f"`{name}`" in docs.page("decode").text(), "give it a row in bitting/docs/decode.md"


def test_where_the_way_of_listing_is_in_doubt_a_second_list_is_asked_for_and_no_repeats() -> None:
    """Heron's right track from the tip, unsaid: read again in the same order, it would say the same."""
    text = "left: 3.02 2.67 2.37 2.71 3.07 3.40 3.05 2.73 / right: 3.36 2.74 2.37 2.33 2.71 3.36 3.06 2.70"
    result = answer(text, "heron")
    assert (result.verdict, result.listed) == ("unsure", "right from the tip")
    lines = told(result)
    assert any(
        line.startswith("repeats don't settle which way the list was taken: measure every cut") for line in lines
    )
    assert not any(line.startswith("measure next") for line in lines)
