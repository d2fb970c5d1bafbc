"""How a list was taken, and what else keeps an answer from being sure: mistakes of the person who measured."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from attrs import evolve
from click.testing import CliRunner

from bitting.cli import main
from bitting.decoding import Decoded, Decoder, MeasurementModel, decode, model_of
from bitting.decoding.corrections import combined
from bitting.decoding.listing import ways_of
from bitting.decoding.session import Bench, decode_at
from bitting.decoding.slips import slip_of_pen
from bitting.model import ReadCut, Readings, System
from bitting.notation import parse_readings
from bitting.report.decode import render
from bitting.systemfile import load_system
from tests.benchmarks.decode_study import Bench as Keys
from tests.benchmarks.decode_study import mistakes
from tests.conftest import but_long
from tests.decode_oracle import Brute, make_readings, make_system

MODEL = MeasurementModel(reading_sd=0.04, offset_sd=0.05, wear=0.04, outliers=0.01, offset_tail=0.0)
PRIOR = {"from the tip": 0.03, "a cut skipped": 0.01, "a cut read twice": 0.01, "neighbours swapped": 0.01}
"""As the page of the model has it, for a system of one track."""
TIP = "8.27|8.26 7.14|7.16 7.66|7.67 8.25|8.25 7.15|7.14 7.70|7.69 8.22|8.24 8.26"
"""A key 1 1 2 3 1 2 3 1 of wren, listed from the tip: as a list from the bow two of its cuts are 0.61 off."""


def orders(count: int) -> list[tuple[str, float, list[int | None]]]:
    """Every way: its name, its probability beforehand, and the cut that each reading of the list is of."""
    last = count - 1
    out: list[tuple[str, float, list[int | None]]] = [("from the tip", PRIOR["from the tip"], [*range(count)][::-1])]
    for at in range(last):
        skipped: list[int | None] = [i + (at <= i < last) for i in range(count)]
        twice: list[int | None] = [i - (i > at) for i in range(count)]
        swapped: list[int | None] = [*range(count)]
        swapped[at], swapped[at + 1] = at + 1, at
        for name, order in (("a cut skipped", skipped), ("a cut read twice", twice), ("neighbours swapped", swapped)):
            out.append((name, PRIOR[name] / last, order))
    return [("as given", 1 - sum(share for _, share, _ in out), [*range(count)]), *out]


def test_two_lists_that_disagree_on_a_cut_are_never_sure_until_a_third_decides() -> None:
    """Read twice at the next cut in one list, and right in the other: the two readings outweighed the one, and it was sure."""
    system = load_system("dunlin")
    first = "0.3515|0.3515 0.3170|0.3135 0.2315|0.2315 0.3165|0.3160 0.3165|0.3160 0.2325|0.2295"
    second, far = "0.3505 0.3165 0.2305 0.2450 0.3170 0.2300", "0.3505 0.3165 0.2305 0.7110 0.3170 0.2300"

    def asked(*texts: str) -> Decoded:
        return Decoder(system).decode(combined([parse_readings(text, system) for text in texts])[0])

    doubted = asked(first, second)
    assert (doubted.verdict, [(doubt.kind, doubt.cut) for doubt in doubted.doubts]) == (
        "unsure",
        [("lists disagree", 4)],
    )
    assert doubted.measure_next[0].cut == 4
    for third, code in (("0.2460", "0 2 7 6 2 7"), ("0.3160", "0 2 7 2 2 7")):
        decided = asked(first, second, f"? ? ? {third} ? ?")
        assert (decided.verdict, decided.code, decided.doubts) == ("sure", code, ())
    slip = asked(first, second.replace("0.2450", "0.3610"))  # its figures exchanged: 0.3160
    assert [(doubt.kind, doubt.cut) for doubt in slip.doubts] == [("lists disagree", 4)]
    assert not asked(first, far).doubts, "far outside every depth it is no other cut"


def test_a_turned_list_is_sure_only_where_code_and_way_together_have_the_limit() -> None:
    system = load_system("wren")
    text = "7.21|7.25 7.78|7.8 7.23|7.22 7.28|7.2@15.8 7.72|7.77 6.66|6.61 7.21|7.2 6.75|6.74"
    answer = decode(parse_readings(text, system), system, sure=0.5)
    both = answer.listing.share * answer.probability
    limit = (both + min(answer.listing.share, answer.probability)) / 2  # each of the two has it, both together haven't
    assert answer.listed == "from the tip"
    assert decode(parse_readings(text, system), system, sure=limit).verdict == "unsure"
    assert decode(parse_readings(text, system), system, sure=both * 0.999).verdict == "sure"


def test_one_side_alone_may_be_listed_from_the_tip() -> None:
    """Only the top was: its two places say so, the bottom is as legal from either end, and was called sure backwards."""
    text = "top: 1.75@7.078 2.98@10.35 1.8 2.89 2.39 0.48 / bottom: 1.69 0.48 0.51 1.69 0.53 1.11"
    system = load_system("grebe")
    readings = parse_readings(text, system)
    assert {"top from the tip", "bottom from the tip"} <= {way.name for way in ways_of(readings, system)}
    assert Decoder(system).decode(readings).verdict == "unsure"


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ([7.78, 8.17, 8.57, 8.15], "from the tip"),
        ([8.58, 8.16, 7.77, 8.16], "as given"),
        ([7.79, 8.19, 8.57, 8.56], "from the tip"),
    ],
)
def test_shares_of_the_ways_are_those_of_brute_force(values: list[float], name: str) -> None:
    """The evidence of the readings put right in every way; those that aren't worked out exactly are rough."""
    system = make_system(
        depths=(8.6, 8.2, 7.8), must=("a cut is at most 1 deeper than the cut before it", "cut 1 is not 3")
    )
    key = make_readings(system, {(None, "left", cut): [value] for cut, value in enumerate(values)})
    weights: dict[str, float] = {}
    for way, share, order in orders(4):
        cuts: dict[int, list[ReadCut]] = {}
        for cut, to in zip(key.cuts, order, strict=True):
            cuts.setdefault(int(to or 0), []).append(evolve(cut, cut=int(to or 0)))
        moved = evolve(key, cuts=tuple(cut for place in sorted(cuts) for cut in cuts[place]))
        evidence = Brute(moved, system, MODEL, points=101).log_evidence
        weights[way] = weights.get(way, 0.0) + share * math.exp(evidence)
    total = sum(weights.values())
    answer = decode(key, system, model=MODEL)
    assert answer.listed == name == max(weights, key=lambda way: weights[way])
    if answer.listing.share < 1:
        assert answer.listing.share == pytest.approx(weights[name] / total, abs=0.03)
    expected = {way for way, weight in weights.items() if way != name and weight / total >= 0.25}
    assert expected <= {other.name for other in answer.other_listings}


def test_a_list_from_the_tip_that_no_legal_code_explains_is_turned_round() -> None:
    system = load_system("wren")
    answer = decode(parse_readings(TIP, system), system)
    assert (answer.code, answer.listed) == ("1 1 2 3 1 2 3 1", "from the tip")
    assert answer.listing.share > 0.99
    lines = [line for line, _ in render(answer, 100, plain=True)]
    assert lines[2].startswith("the list was taken from the tip (99")
    assert answer.as_dict()["listed"] == "from the tip"
    held = Decoder(system, listings=False).decode(parse_readings(TIP, system))
    assert held.verdict != "sure"


def test_a_list_said_to_be_from_the_tip_is_turned_back_in_words_that_say_so() -> None:
    """Said of the tip and found to run from the bow: "from the tip" would confirm what was written."""
    system = load_system("wren")
    said = decode(parse_readings(f"from tip: {' '.join(reversed(TIP.split()))}", system), system)
    assert (said.code, said.listed) == ("1 1 2 3 1 2 3 1", "from the bow")
    assert any(line.startswith("the list was taken from the bow (99") for line, _ in render(said, 100, plain=True))
    bow, tip = (parse_readings(text, system).cuts for text in (TIP, f"from tip: {TIP}"))
    both = Readings(system, "", "mm", (*bow, *(evolve(cut, list_number=1) for cut in tip)))
    assert {"from the tip", "from the bow", "from the other end"} <= {way.name for way in ways_of(both, system)}


def answers(name: str, mistake: str, keys: int, *, second: bool, places: bool) -> list[tuple[Decoded, bool]]:
    """Answers for keys of a system with a mistake in one list, and whether each code is the true one."""
    system = load_system(name)
    decoder, bench = Decoder(system), Keys(system, model_of(system), 5)
    out = []
    for _ in range(keys):
        depths, walls = bench.walls()
        given = mistakes(system)[mistake](bench.read(walls, 2, places=places), bench.random)
        more = bench.read(walls, 1, 1) if second else []
        answer = decoder.decode(Readings(system, "", system.unit, (*given, *more)), 2, advise=False)
        out.append((answer, answer.depths == depths))
    return out


@pytest.mark.parametrize(
    "mistake",
    but_long(["whole list from the tip", "a cut skipped", "neighbours swapped"], "a cut skipped", "neighbours swapped"),
)
@pytest.mark.parametrize("protocol", ["a second list", "places"])
def test_no_answer_is_sure_and_wrong_where_a_second_list_or_places_speak_against_it(
    mistake: str, protocol: str
) -> None:
    found = answers("wren", mistake, 6, second=protocol == "a second list", places=protocol == "places")
    assert not any(answer.verdict == "sure" and not right for answer, right in found)
    assert sum(right for _, right in found) >= 4


def test_honest_keys_are_mostly_sure_and_raise_no_alarm() -> None:
    system = load_system("wren")
    decoder, bench = Decoder(system), Keys(system, model_of(system), 2)
    found = []
    for number in range(24):
        depths, walls = bench.walls((0.0, 0.5, 1.5)[number % 3])
        answer = decoder.decode(Readings(system, "", system.unit, tuple(bench.read(walls, 2))), 1, advise=False)
        found.append((answer, answer.depths == depths))
    assert sum(answer.verdict == "sure" for answer, _ in found) >= 20
    assert all(right for answer, right in found if answer.verdict == "sure")
    assert not any(answer.other_listings or answer.listed != "as given" for answer, _ in found)


WREN = "8.26|8.25 8.25|8.25 7.72|7.73 7.14|7.16 8.25|8.24 7.67|7.68 7.15|7.16 8.28|8.27"


def test_a_cut_that_no_reading_speaks_of_is_never_sure() -> None:
    """Its depth follows from the sum being even, and yet it is asked for first."""
    system = load_system("wren")
    assert decode(parse_readings(WREN, system), system).verdict == "sure"
    answer = decode(parse_readings(WREN.replace("7.67|7.68", "?"), system), system)
    assert answer.verdict == "unsure"
    assert [doubt.kind for doubt in answer.doubts] == ["not read"]
    assert answer.measure_next[0].cut == 6


def test_a_place_off_by_half_a_pitch_keeps_the_answer_from_being_sure() -> None:
    system = load_system("wren")
    values = WREN.split()
    spaces = system.tracks[0].spaces
    right = " ".join(
        f"{value.split('|')[0]}@{space:.1f}|{value.split('|')[1]}" for value, space in zip(values, spaces, strict=True)
    )
    wrong = right.replace(f"@{spaces[3]:.1f}", f"@{spaces[4]:.1f}")
    assert decode(parse_readings(right, system), system).verdict == "sure"
    answer = decode(parse_readings(wrong, system), system)
    assert answer.verdict == "unsure"
    assert [(doubt.cut, doubt.kind) for doubt in answer.doubts if doubt.kind == "wrong place"] == [(4, "wrong place")]
    assert set(answer.cuts[3].taken_for) == {"wrong place"}


def test_readings_that_agree_half_a_step_from_their_depth_are_never_sure() -> None:
    """A cut filed, or with a burr in both readings: the rules give its depth, the readings don't."""
    system = load_system("wren")
    answer = decode(parse_readings(WREN.replace("7.67|7.68", "7.40|7.41"), system), system)
    assert answer.verdict != "sure"
    assert answer.doubts or answer.probability < 0.95


def test_a_list_that_says_the_same_to_the_digit_counts_once() -> None:
    system = load_system("wren")
    bench = Bench(models={"wren": model_of(system)})
    once = decode_at(bench, [WREN], [system])
    twice = decode_at(bench, [WREN, WREN], [system])
    turned = "from tip: " + " ".join(reversed(WREN.split()))
    assert (twice.copied, twice.lists) == (1, 1)
    assert decode_at(bench, [WREN, turned], [system]).copied == 1
    assert twice.probability == once.probability
    assert any("taken for a copy" in line for line, _ in render(twice, 100, plain=True))


def test_a_wrong_list_is_found_by_another() -> None:
    """A cut skipped in the first list; the second, right one says which."""
    system = load_system("wren")
    bench = Bench(models={"wren": model_of(system)})
    skipped = "8.26|8.25 7.72|7.73 7.14|7.16 8.25|8.24 7.67|7.68 7.15|7.16 8.28|8.27 8.28|8.26"
    answer = decode_at(bench, [skipped, "8.24 8.27 7.70 7.15 8.26 7.68 7.17 8.25"], [system])
    assert (answer.code, answer.listed) == ("1 1 2 3 1 2 3 1", "a cut skipped")
    assert answer.listing.number == 0


@pytest.mark.parametrize("name", but_long(["wren", "dunlin"], "dunlin"))
def test_what_is_not_sure_is_always_asked_for(name: str) -> None:
    system = load_system(name)
    decoder, bench = Decoder(system), Keys(system, model_of(system), 3)
    for repeats in (1, 3):
        for _ in range(5):
            _, walls = bench.walls(2.0)
            answer = decoder.decode(Readings(system, "", system.unit, tuple(bench.read(walls, repeats))))
            assert answer.verdict != "unsure" or answer.measure_next


@pytest.mark.parametrize(
    ("text", "aim", "found"),
    [
        ("7.75", 7.57, True),
        ("75.7", 7.57, True),
        ("0.757", 7.57, True),
        ("7.6", 7.56, True),
        ("7.57", 7.2, False),
        ("8.1", 8.51, True),
    ],
)
def test_slips_of_the_pen(text: str, aim: float, found: bool) -> None:
    assert slip_of_pen(text, aim, 0.005, 2) == found


def test_the_model_takes_its_figures() -> None:
    model = MeasurementModel(0.03, 0.05, 0.04, 0.0)
    assert (model.wrong, model.outliers) == (1e-6, 0.0)
    assert np.isclose(sum(share for share, _ in model.offset_parts), 1)
    assert evolve(model, offset_tail=0.0).offset_parts == ((1.0, 0.05),)


def test_a_system_is_the_same_whatever_a_gauge_measures_from() -> None:
    from bitting.decoding.corrections import gauged

    system: System = load_system("wren")
    own = gauged(system, "own-edge")
    width = system.need("blade.width")
    text = " ".join(f"{width - float(value.split('|')[0]):.2f}" for value in WREN.split())
    there, here = decode(parse_readings(text, own), own), None
    here = decode(parse_readings(" ".join(value.split("|")[0] for value in WREN.split()), system), system)
    assert there.depths == here.depths
    assert there.probability == pytest.approx(here.probability, abs=1e-6)


def test_a_point_moved_is_a_slip_of_the_pen_whichever_depth_the_code_then_has() -> None:
    """Nothing else speaks of the cut, so the code has its shallowest depth there; 82.0 was 8.20 all the same."""
    system = make_system(depths=(8.6, 8.2, 7.8))
    answer = decode(parse_readings("8.58 82.0 7.79 8.16", system), system, model=MODEL)
    assert answer.cuts[1].taken_for == ("slip of the pen",)
    assert answer.verdict != "sure"
    far = decode(parse_readings("8.58 44.44 7.79 8.16", system), system, model=MODEL)
    assert far.cuts[1].taken_for == ("wrong",)


def test_a_reading_below_zero_has_an_answer() -> None:
    """None can be written, but whoever takes a caliper's zero off readings of a shallow table may come to one."""
    system = make_system(depths=(0.3, 0.7, 1.1))
    readings = parse_readings("0.31 0.07 0.72 0.69", system)
    cut = readings.cuts[1]
    below = evolve(cut, readings=(evolve(cut.readings[0], value=-0.07),))
    answer = decode(evolve(readings, cuts=(readings.cuts[0], below, *readings.cuts[2:])), system, model=MODEL)
    assert answer.cuts[1].taken_for == ("wrong",)


@pytest.mark.parametrize("name", but_long(["plover", "wren", "grebe"], "grebe", "wren"))
def test_jaws_wider_than_stated_are_found_out_and_no_others(name: str) -> None:
    system = load_system(name)
    decoder = Decoder(system)
    named = {}
    for jaw in (None, 2.0):
        keys = Keys(system, decoder.model, 3)
        keys.jaw = jaw
        answers = []
        for _ in range(8):
            _, walls = keys.walls()
            answers.append(decoder.decode(Readings(system, "", "mm", tuple(keys.read(walls, 2))), advise=False))
        named[jaw] = [answer for answer in answers if any(doubt.kind == "jaw" for doubt in answer.doubts)]
    assert not named[None]
    assert len(named[2.0]) >= 5
    assert all(answer.verdict != "sure" for answer in named[2.0])
    lines = [line for line, _ in render(named[2.0][0], 400, plain=True)]
    assert any("jaws 2 mm wide" in line and "--jaw" in line for line in lines)
    told = Decoder(evolve(system, measuring=evolve(system.measuring, jaw=2.0)))
    assert told._blunt is None  # who says so is not asked


def test_the_ways_of_fourteen_lists_have_probabilities() -> None:
    system = load_system("plover")
    keys = Keys(system, model_of(system), 5)
    _, walls = keys.walls()
    lists = [cut for number in range(14) for cut in keys.read(walls, 1, number)]
    for some in (1, 2, 14):
        own = tuple(cut for cut in lists if cut.list_number < some)
        ways = ways_of(Readings(system, "", "mm", own), system)
        assert ways[0].name == "as given"
        assert math.fsum(math.exp(way.log_prior) for way in ways) == pytest.approx(1)
        assert ways[0].log_prior > max(way.log_prior for way in ways[1:])


def test_a_skip_that_leads_to_the_code_of_the_list_as_given_is_named_all_the_same() -> None:
    """Three codes of about a third each as given, and 99.8 % for the cut skipped: the answer was the list's as given, unsure."""
    first = "left: 7.70 8.54 7.22 6.78 7.69 8.14 8.15 / right: 8.16 8.61 7.69 7.26 6.79 6.81 7.67"
    second = "right from tip: 7.66 6.80 6.79 7.24 7.69 8.60 8.15 / left from tip: 8.14 7.70 6.79 7.22 8.14 8.55 7.71"
    found = json.loads(CliRunner().invoke(main, ["decode", first, second, "-s", "plover", "--json"]).stdout)
    assert (found["verdict"], found["listed"]) == ("sure", "a cut skipped")
    assert found["code"] == "left: 3 1 2 4 5 3 2 / right: 2 1 3 4 5 5 3"
