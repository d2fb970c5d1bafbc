"""What was read against one system is refused by every question about another, as `check` refuses codes."""

from __future__ import annotations

import attrs
import pytest
from click.testing import CliRunner

import bitting
from bitting.cli import main
from bitting.errors import BittingError
from bitting.model import System

CODE = "left: 2133244 / right: 1124421"
READ = "left: 8.15 8.6 7.7 7.7 8.15 7.25 7.25 / right: 8.6 8.6 8.15 7.25 7.25 8.15 8.6"
PLOVER = bitting.load_system("plover")

OTHERS = {
    "another name": attrs.evolve(PLOVER, name="smew"),
    "another unit": attrs.evolve(PLOVER, unit="in"),
    "other depths": attrs.evolve(
        PLOVER, tracks=tuple(attrs.evolve(t, depths=tuple(d + 0.1 for d in t.depths)) for t in PLOVER.tracks)
    ),
    "no sides": attrs.evolve(PLOVER, sides=(), convenience=False),
    "other tracks": bitting.load_system("heron"),
}


@pytest.mark.parametrize("other", OTHERS.values(), ids=OTHERS)
def test_readings_of_another_system_are_refused(other: System) -> None:
    code, mine = bitting.parse_code(CODE, PLOVER), bitting.parse_readings(READ, PLOVER)
    theirs = bitting.parse_readings(READ, PLOVER)
    theirs = attrs.evolve(theirs, system=other)
    asked = [
        lambda: bitting.decode(theirs, PLOVER),
        lambda: bitting.inspect(code, theirs, PLOVER),
        lambda: bitting.inspect(code, mine, PLOVER, against=theirs),
        lambda: bitting.align(theirs, PLOVER),
        lambda: bitting.align([mine, theirs], PLOVER),
    ]
    for ask in asked:
        with pytest.raises(BittingError, match="the readings were read against") as caught:
            ask()
        assert caught.value.hint


@pytest.mark.parametrize("other", OTHERS.values(), ids=OTHERS)
def test_codes_of_another_system_are_refused(other: System) -> None:
    code, mine = bitting.parse_code(CODE, PLOVER), bitting.parse_readings(READ, PLOVER)
    theirs = attrs.evolve(code, system=other)
    for ask in (
        lambda: bitting.inspect(theirs, mine, PLOVER),
        lambda: bitting.align(mine, PLOVER, code=theirs),
        lambda: bitting.plan(code, PLOVER, have=theirs),
        lambda: bitting.simulate(theirs, PLOVER, bitting.plan(code, PLOVER).tracks),
        lambda: bitting.draw_svg(theirs, PLOVER),
    ):
        with pytest.raises(BittingError, match="the code was read against"):
            ask()


def test_another_caliper_is_no_other_system() -> None:
    knife = attrs.evolve(PLOVER, measuring=attrs.evolve(PLOVER.measuring, jaw=0.0))
    code, mine = bitting.parse_code(CODE, PLOVER), bitting.parse_readings(READ, PLOVER)
    assert bitting.inspect(code, mine, knife).cuts
    assert bitting.decode(mine, knife).code


@pytest.mark.parametrize(
    ("system", "readings", "words"),
    [
        (
            "plover",
            "left: .321 .339 .303 .303 .321 .285 .285 / right: .339 .339 .321 .285 .285 .321 .339",
            "but they fit it in inches",
        ),
        (
            "plover",
            "left: 321 339 303 303 321 285 285 / right: 339 339 321 285 285 321 339",
            "but they fit it in thousandths of an inch",
        ),
        ("dunlin", "8.15 7.7 7.3 6.9 7.3 6.9", "but they fit it in millimetres"),
        ("plover", '{"system": "wren", "cuts": []}', "'{'"),
    ],
)
def test_readings_in_another_unit_are_refused_everywhere(system: str, readings: str, words: str) -> None:
    code = {"plover": CODE, "dunlin": "1 2 3 4 3 2"}[system]
    for arguments in (["decode", readings], ["inspect", code, readings], ["align", readings]):
        done = CliRunner().invoke(main, [*arguments, "-s", system])
        assert (done.exit_code, done.stdout) == (2, ""), arguments
        assert words in done.stderr
