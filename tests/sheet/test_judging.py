"""The page's decision rule beside that of `inspect`: thousands of random readings, the same verdicts."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import pytest

from bitting.machine.inspect.decision import Guard, below
from bitting.machine.inspect.inspection import inspect
from bitting.machine.inspect.uncertainty import Gauge
from bitting.model import Code, System
from bitting.notation import parse_readings
from bitting.sheet.html import judging_facts, part
from bitting.sheet.page import inspecting_of
from bitting.systemfile import shipped_systems
from tests.conftest import but_long
from tests.sheet.conftest import code_of

KEYS = 20
JUDGE = """
(given) => given.keys.map(({unit, cuts}) => judge(
  cuts.map((texts) => readNumbers(texts).map(({value, digit}) =>
    ({value: value * given.judging.units[unit], digit: digit * given.judging.units[unit]}))),
  given.judging).cuts.map((cut) => cut.verdict))
"""


@pytest.fixture(scope="module")
def tab(browser: Any) -> Iterator[Any]:
    """An empty page with nothing but the part of the script that judges."""
    page = browser.new_page()
    page.add_script_tag(content=part("inspection.js"))
    yield page
    page.close()


def facts_of(code: Code, gauge: Gauge, guard: Guard) -> dict[str, Any]:
    """What the page's script is told of judging, as it is told."""
    found = inspecting_of(code, gauge, guard)
    assert found is not None
    return judging_facts(found.judging)


def random_key(rng: random.Random, judging: dict[str, Any]) -> tuple[str, list[str]]:
    """A unit, and for each row one to four readings as they are typed, near the nominal or far from it.

    Few digits or many, a comma or a point, and a hand that is steady on some keys and shaky on others.
    """
    unit = rng.choice(["mm", "thou", "in"])
    digits = {"mm": (0, 1, 2, 2, 3), "thou": (0, 1, 1, 2), "in": (2, 3, 4, 4)}[unit]
    repeats, shake = rng.randint(1, 4), rng.choice([0.2, 1.0, 3.0])
    scale = judging["units"][unit]
    cuts = []
    for row in judging["rows"]:
        truth = row["nominal"] + rng.gauss(0, 1.2) * judging["tolerance"]
        values = [truth + rng.gauss(0, shake * judging["hand"]) for _ in range(repeats)]
        texts = [f"{value / scale:.{rng.choice(digits)}f}" for value in values]
        cuts.append("|".join(texts).replace(".", rng.choice(".,")))
    return unit, cuts


def typed(system: System, judging: dict[str, Any], unit: str, cuts: list[str]) -> str:
    """The same readings in the notation of readings."""
    sides: dict[str | None, dict[str, list[str]]] = {}
    for row, text in zip(judging["rows"], cuts, strict=True):
        sides.setdefault(row["side"], {}).setdefault(row["track"], []).append(text)
    lists = {
        side: " / ".join(
            f"{track}: {' '.join(texts)}" if len(system.tracks) > 1 else " ".join(texts) for track, texts in t.items()
        )
        for side, t in sides.items()
    }
    whole = "; ".join(text if side is None else f"{side}({text})" for side, text in lists.items())
    return f"{whole} {unit}" if None in lists else whole[:-1] + f" {unit})"


SETTINGS = {
    "as it comes": (Gauge(), Guard()),
    "a better caliper": (Gauge(caliper=0.0, zero=0.001, jaw=0.0), Guard.parse("90%")),
    "a guard band": (Gauge(), Guard.parse("1.5u")),
}


@pytest.mark.parametrize("setting", but_long(SETTINGS, "a better caliper", "a guard band"))
@pytest.mark.parametrize("name", but_long(shipped_systems(), "dunlin", "plover", "siskin", "wren"))
def test_the_page_judges_as_inspect_does(tab: Any, name: str, setting: str) -> None:
    gauge, guard = SETTINGS[setting]
    code = code_of(name)
    judging = facts_of(code, gauge, guard)
    rng = random.Random(f"{name} {setting}")
    keys = [random_key(rng, judging) for _ in range(KEYS)]
    told = tab.evaluate(JUDGE, {"judging": judging, "keys": [{"unit": unit, "cuts": cuts} for unit, cuts in keys]})
    expected = []
    for unit, cuts in keys:
        readings = parse_readings(typed(code.system, judging, unit, cuts), code.system)
        found = inspect(code, readings, code.system, gauge=gauge, guard=guard)
        order = {(cut.side, cut.track, cut.cut): cut.verdict for cut in found.cuts}
        expected.append([order[row["side"], row["track"], row["cut"]] for row in judging["rows"]])
    assert told == expected
    assert len({verdict for key in expected for verdict in key}) >= 3  # not all alike, so equality says something


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 12, 55, 400])
def test_probabilities_are_those_of_scipy(tab: Any, dof: int) -> None:
    places = [-7.5, -3.0, -1.6, -0.2, 0.0, 0.7, 1.645, 2.9, 6.5]
    told = tab.evaluate("([dof, places]) => places.map((z) => [normalBelow(z), studentBelow(z, dof)])", [dof, places])
    for z, (normal, student) in zip(places, told, strict=True):
        assert normal == pytest.approx(below(z), abs=1e-14)
        assert student == pytest.approx(below(z, dof), abs=1e-12)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("", []),
        ("7.42", [(7.42, 0.01)]),
        ("7,42 7.4", [(7.42, 0.01), (7.4, 0.1)]),
        ("7.42|7.41; 8", [(7.42, 0.01), (7.41, 0.01), (8, 1)]),
        ("7,42, 7,40", [(7.42, 0.01), (7.4, 0.01)]),
        (".276", [(0.276, 0.001)]),
    ],
)
def test_typed_numbers(tab: Any, text: str, values: list[tuple[float, float]]) -> None:
    told = tab.evaluate("(text) => readNumbers(text)", text)
    assert [(reading["value"], pytest.approx(reading["digit"])) for reading in told] == values


@pytest.mark.parametrize("text", ["abc", "7.42mm", "-7.4", "7.4.2", "1e3", "nan", ".", "7,", "12345678"])
def test_what_is_no_length(tab: Any, text: str) -> None:
    assert tab.evaluate("(text) => readNumbers(text)", text) is None


def test_the_whole_key_is_as_bad_as_its_worst_cut(tab: Any) -> None:
    worst = "(verdicts) => worst(verdicts)"
    assert tab.evaluate(worst, ["pass", "pass"]) == "pass"
    assert tab.evaluate(worst, ["pass", None]) == "uncertain"
    assert tab.evaluate(worst, ["pass", "uncertain", "recut"]) == "recut"
    assert tab.evaluate(worst, ["recut", "fail", "pass"]) == "fail"
