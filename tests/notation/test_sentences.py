"""What is said of codes and readings, sentence by sentence, on systems read from files and through the public names."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import attrs
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

import bitting
from bitting.cli.check import command
from tests import strategies
from tests.conftest import drawn
from tests.rules.test_plain import SIDES, read

CONVENIENCE = SIDES + "convenience = true\n"
PAIR = read(names=("left", "right"), cuts=3, labels="1234")
BOTH = read(names=("left", "right"), cuts=3, labels="1234", sides=CONVENIENCE)
FACES = read(names=("left", "right"), cuts=3, labels="1234", sides=SIDES)
EDGES = read(names=("edge",), cuts=3, labels="1234", sides=SIDES, milling="edge")
ONE_SIDE = read(names=("left",), cuts=3, labels="1234", sides='sides = ["top"]\n')


def told(text: str, system: bitting.System) -> list[tuple[str, str | None, str | None, tuple[int, ...], str]]:
    report = bitting.check(bitting.parse_code(text, system), system, suggest=False)
    return [
        (f.rule, f.side, f.track, f.cuts, text[slice(*f.span)] if f.span else "") for f in report.findings
    ]  # fmt: skip


# ---- one text for several sides -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("both(219 / 112)", [("depth-range", "top", "left", (3,), "9")]),
        ("top(219 / 112); bottom = top", [("depth-range", "top", "left", (3,), "9")]),
        ("b = t; top(219 / 112)", [("depth-range", "bottom", "left", (3,), "9")]),
        ("both(left: 213)", [("cut-count", "top", "right", (), "")]),
        ("both(213 / 1122)", [("cut-count", "top", "right", (4,), "2")]),
        (
            "top(219 / 112); bottom(219 / 112)",
            [("depth-range", "top", "left", (3,), "9"), ("depth-range", "bottom", "left", (3,), "9")],
        ),
    ],
)
def test_a_fault_that_stands_once_is_told_once(text: str, expected: list[Any]) -> None:
    assert told(text, BOTH) == expected


def test_cuts_written_for_two_different_sides_are_faults_of_each() -> None:
    assert [row[1] for row in told("both(9 1 1)", EDGES)] == ["top", "bottom"]


@pytest.mark.parametrize(
    ("text", "side", "given"),
    [
        ("both(21)", "top", "2 given"),
        ("top(21); bottom(213112)", "top", "2 given"),
        ("top(213112); bottom(21 / 1 / 1)", "bottom", "4 given in 3 lists"),
    ],
)
def test_cuts_are_counted_on_the_side_that_lacks_them(text: str, side: str, given: str) -> None:
    found = bitting.check(bitting.parse_code(text, BOTH), BOTH, suggest=False).findings
    lost = [f for f in found if f.track is None]
    assert [(f.rule, f.side) for f in lost] == [("cut-count", side)]
    same = "top and bottom carry the same cuts here: write left: … / right: …"
    assert lost[0].message == f"6 cuts expected (left 3, right 3), {given}; {same}"


def test_tracks_that_are_called_sides_are_told_that_the_sides_carry_the_same_cuts() -> None:
    findings = bitting.check(bitting.parse_code("top: 213 / bottom: 112", BOTH), BOTH, suggest=False).findings
    assert [f.message.partition("; ")[2] for f in findings] == [
        "top and bottom carry the same cuts here: write left: … / right: …"
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("top(2?3 / 112); bottom = top", [("unknown-cut", "top", "left", (2,), "?")]),
        ("top(2?3 / 112); bottom(213 / 112)", [("unknown-cut", "top", "left", (2,), "?")]),
        ("top(213 / 112); bottom(2?3 / 112)", [("unknown-cut", "bottom", "left", (2,), "?")]),
        ("top(213 / 112); bottom(2[12]3 / 112)", [("unknown-cut", "bottom", "left", (2,), "[12]")]),
        (
            "top(213 / 112); bottom(2[23]3 / 112)",
            [("side-mismatch", "bottom", "left", (2,), "[23]"), ("unknown-cut", "bottom", "left", (2,), "[23]")],
        ),
        ("top(213 / 112); bottom(214 / 112)", [("side-mismatch", "bottom", "left", (3,), "4")]),
        (
            "top(219 / 112); bottom(213 / 112)",
            [("depth-range", "top", "left", (3,), "9"), ("side-mismatch", "bottom", "left", (3,), "3")],
        ),
    ],
)
def test_a_cut_that_one_side_leaves_open_is_open_and_no_mismatch(text: str, expected: list[Any]) -> None:
    assert told(text, BOTH) == expected


@pytest.mark.parametrize(
    ("text", "broken"),
    [
        ("top(21? / 11?); bottom(213 / 112)", ""),
        ("top(21? / 11?); bottom(214 / 112)", "1? / 11?); bottom(214"),
        ("top(214 / 112); bottom(21? / 11?)", "14"),
        ("top(21[23] / 11?); bottom(21[34] / 11?)", ""),
        ("top(21[34] / 11?); bottom(21[24] / 11?)", "1[34] / 11?); bottom(21[24]"),
        ("top(21? / 11?); bottom(21? / 11?)", ""),
    ],
)
def test_what_the_sides_say_together_is_judged(text: str, broken: str) -> None:
    """A lock that reads two cuts leaves the third open; what either side says of it counts all the same."""
    made = read(["MACS is 2"], names=("left", "right"), cuts=3, labels="1234", sides=CONVENIENCE)
    made = attrs.evolve(made, locks={"door": (0, 1)})
    report = bitting.check(bitting.parse_code(text, made), made, lock="door", suggest=False)
    assert report.legal == (not broken)
    assert [text[slice(*f.span)] for f in report.findings] == ([] if report.legal else [broken])


@pytest.mark.parametrize(
    ("text", "system", "expected"),
    [
        ("from tip: ?1?", ONE_SIDE, ("unknown-cut", None, "left", (1, 3), "?1?")),
        ("from tip: 55 213", ONE_SIDE, ("cut-count", None, "left", (4, 5), "55")),
        ("from tip: 21", ONE_SIDE, ("cut-count", None, "left", (), "21")),
        ("left from tip: 911 / right: 111", PAIR, ("depth-range", None, "left", (3,), "9")),
        (
            "top(213 / 112); bottom(left from tip: 413 / right: 112)",
            BOTH,
            ("side-mismatch", "bottom", "left", (1, 3), "413"),
        ),
    ],
)
def test_the_place_of_cuts_that_are_read_from_the_tip(
    text: str, system: bitting.System, expected: tuple[Any, ...]
) -> None:
    assert expected in told(text, system)


@drawn(150)
@given(text=strategies.scraps(), system=st.sampled_from([PAIR, BOTH, FACES, EDGES, ONE_SIDE]))
def test_every_place_is_in_the_text(text: str, system: bitting.System) -> None:
    try:
        code = bitting.parse_code(text, system)
    except bitting.BittingError:
        return
    report = bitting.check(code, system, suggest=False)
    assert report.legal == (code.depths is not None)
    assert report.canonical is not None or not report.legal
    for finding in report.findings:
        assert finding.span is None or 0 <= finding.span[0] < finding.span[1] <= len(text)


# ---- every way to name the sides of every shape -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "system", "canonical"),
    [
        ("213", ONE_SIDE, "2 1 3"),
        ("top(213)", ONE_SIDE, "2 1 3"),
        ("t(left from tip: 312)", ONE_SIDE, "2 1 3"),
        ("both(213)", ONE_SIDE, "2 1 3"),
        ("TOP (2 1 3) ; B = t", EDGES, "top(2 1 3); bottom(2 1 3)"),
        ("bottom(e from tip: 3-1-2); top(edge: 1,1,1)", EDGES, "top(1 1 1); bottom(2 1 3)"),
        (
            "both(R: 213 / L: 11?)",
            FACES,
            "top(left: 1 1 ? / right: 2 1 3); bottom(left: 1 1 ? / right: 2 1 3)",
        ),
        ("bottom(r from tip: 312 / l: 111)", BOTH, "left: 1 1 1 / right: 2 1 3"),
    ],
)
def test_sides_and_tracks(text: str, system: bitting.System, canonical: str) -> None:
    code = bitting.parse_code(text, system)
    assert code.canonical == str(code) == canonical
    assert bitting.parse_code(canonical, system).canonical == canonical


# ---- places in the text as it was typed ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["left:\u00a0219\u2003/ right: 114", "ｌｅｆｔ：２１９／ｒｉｇｈｔ：１１４",
     "\ufeffleft: 2–1–9 /\u200bright: 1−1−4", "left from tip: 9 1 2 # 3 3 3\r\n/ right: 114"],
)  # fmt: skip
def test_the_caret_stands_under_the_character_that_was_typed(text: str) -> None:
    made = read(["MACS is 2"], names=("left", "right"), cuts=3, labels="1234")
    unknown, step = told(text, made)
    assert (unknown[:4], unknown[4] in "9９") == (("depth-range", None, "left", (3,)), True)
    assert step[:4] == ("adjacent-difference", None, "right", (2, 3))
    assert step[4].translate({ord("１"): "1", ord("４"): "4"}) in ("14", "1−4")


def test_the_command_gives_the_same_places(tmp_path: Path) -> None:
    text = "left:\u00a02 1 ９ / right: 1 1 4"
    file = tmp_path / "finch.toml"
    file.write_text(SAMPLE, encoding="utf-8")
    done = CliRunner().invoke(command, [text, "-s", str(file), "--json"])
    assert (done.exit_code, done.stderr) == (1, "")
    (result,) = json.loads(done.stdout)["results"]
    assert (result["input"], result["canonical"], result["legal"]) == (text, None, False)
    assert [(f["rule"], f["track"], f["cuts"], text[slice(*f["span"])]) for f in result["findings"]] == [
        ("depth-range", "left", [3], "９"),
        ("adjacent-difference", "right", [2, 3], "1 4"),
    ]


SAMPLE = """
format = 1
[system]
name = "finch"
source = "invented"
unit = "mm"
stop = "tip"
[[tracks]]
name = "left"
milling = "external"
measured = "far-edge"
spaces = [15, 10.5, 7]
depths = { 1 = 8, 2 = 7.5, 3 = 7, 4 = 6.5 }
[[tracks]]
name = "right"
like = "left"
[rules]
must = ["adjacent cuts differ by at most 2"]
"""


# ---- readings -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["7.42(1) 7 7", "7'42 7 7", "7.42[1] 7 7", "7.42=7 7 7"])
def test_what_touches_a_number_is_shown_with_it(text: str) -> None:
    with pytest.raises(bitting.BittingError) as caught:
        bitting.parse_readings(text, ONE_SIDE)
    assert caught.value.text == text
    assert text[slice(*caught.value.span)].startswith("7")
    assert "no reading" in caught.value.message or "codes" in caught.value.message


@pytest.mark.parametrize("unit", ["in", "IN", "In"])
def test_the_callers_unit_may_be_in_capitals(unit: str) -> None:
    readings = bitting.parse_readings("0.292 ? ?", ONE_SIDE, unit)
    assert (readings.unit, readings.cuts[0].readings[0].value) == ("in", pytest.approx(7.4168))


def test_units_on_some_values_hold_for_all() -> None:
    first = bitting.parse_readings("292 thou 290±1 ? / 280|281thou 270 ?", PAIR)
    again = bitting.parse_readings("0.292 in 0.290±0.001in ? / 0.280|0.281 0.270 ?", PAIR)
    values = [[[r.value for r in cut.readings] for cut in made.cuts] for made in (first, again)]
    assert values[0] == [pytest.approx(row) for row in values[1]]
    assert first.cuts[1].readings[0].own_sd == pytest.approx(again.cuts[1].readings[0].own_sd)


# ---- values -------------------------------------------------------------------------------------------------------


def frozen(make: Callable[[], Any]) -> Any:
    return pytest.param(make, id=make.__name__)


def a_code() -> Any:
    return bitting.parse_code("213 / 112", PAIR)


def a_cut() -> Any:
    return a_code().written[0].cuts[0]


def a_report() -> Any:
    return bitting.check(bitting.parse_code("219 / 112", PAIR), PAIR)


def a_finding() -> Any:
    return a_report().findings[0]


def some_readings() -> Any:
    return bitting.parse_readings("7 7 7 / 7 7 7", PAIR)


def a_system() -> Any:
    return PAIR


@pytest.mark.parametrize(
    "make", [frozen(make) for make in (a_code, a_cut, a_report, a_finding, some_readings, a_system)]
)
def test_results_are_immutable_and_hashable(make: Callable[[], Any]) -> None:
    value = make()
    for name in [field.name for field in attrs.fields(type(value))]:
        with pytest.raises(attrs.exceptions.FrozenInstanceError):
            setattr(value, name, None)
    assert hash(value) == hash(make())


@pytest.mark.parametrize("make", [frozen(make) for make in (a_report, a_finding)])
def test_json_names_are_attributes(make: Callable[[], Any]) -> None:
    value = make()
    for name, shown in value.as_dict().items():
        own = getattr(value, name)
        assert shown == own or len(shown) == len(own)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: bitting.parse_code("2133–", PAIR),
        lambda: bitting.parse_code("middle: 2", PAIR),
        lambda: bitting.parse_readings("7.42,7.05", PAIR),
        lambda: bitting.parse_readings("x: 7", PAIR),
        lambda: bitting.parse_readings("7", PAIR, "cm"),
        lambda: bitting.load_system("no such system"),
        lambda: bitting.load_system("no/such/file.toml"),
        lambda: bitting.check(a_code(), BOTH),
        lambda: bitting.check(a_code(), lock="door"),
        lambda: read(["nonsense"]),
    ],
)
def test_every_fault_of_a_user_says_what_and_where(ask: Callable[[], Any]) -> None:
    with pytest.raises(bitting.BittingError) as caught:
        ask()
    fault = caught.value
    assert isinstance(fault, ValueError)
    assert fault.message
    assert str(fault) == fault.message
    assert isinstance(fault.hint, str)
    if fault.text is not None:
        start, end = fault.span
        assert 0 <= start <= end <= len(fault.text)
