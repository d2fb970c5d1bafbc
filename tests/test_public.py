"""The public face: every name found, listed and typed; values of another type refused in words; one shape of JSON."""

from __future__ import annotations

import json
import pydoc
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import bitting
from bitting.cli import main

PLOVER = bitting.load_system("plover")
CODE = bitting.parse_code("2133244 1124421", PLOVER)
STUB = Path(bitting.__file__).with_suffix(".pyi").read_text(encoding="utf-8")


def test_every_name_is_there_and_stands_once():
    names = re.findall(r" as (\w+)$", STUB, re.MULTILINE)
    assert len(names) == len(set(names)) > 40
    assert set(bitting.__all__) == {*names, "__version__"}
    rooms = {path.stem for path in Path(bitting.__file__).parent.iterdir()}
    assert rooms & set(names) == set(), "importing the module would hide the public name: call the module otherwise"
    for name in names:
        assert getattr(bitting, name) is not None
        assert name in dir(bitting)


def test_pydoc_shows_the_names():
    page = pydoc.plain(pydoc.render_doc(bitting))
    for name in ("check_many", "Decoder", "draw_svg", "TooLargeError"):
        assert name in page


def test_a_misspelt_name_fails_when_used():
    with pytest.raises(AttributeError, match="no attribute 'chek'"):
        bitting.chek  # noqa: B018


@pytest.mark.thorough  # the whole package is typed first, where no earlier run of mypy left its results
def test_a_misspelt_name_fails_when_typed(tmp_path):
    script = tmp_path / "own.py"
    script.write_text("import bitting\nbitting.chek\nbitting.load_system('plover').nam\n", encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", str(script)]
    found = subprocess.run(command, capture_output=True, text=True, check=False, cwd=Path(bitting.__file__).parents[1])
    assert 'Module has no attribute "chek"' in found.stdout
    assert '"System" has no attribute "nam"' in found.stdout


TEXT = "2133244 1124421"


@pytest.mark.parametrize(
    ("call", "maker"),
    [
        (lambda: bitting.check(TEXT, PLOVER), "parse_code"),
        (lambda: bitting.check(CODE, "plover"), "load_system"),
        (lambda: bitting.count("plover"), "load_system"),
        (lambda: bitting.count_codes("plover"), "load_system"),
        (lambda: bitting.sample("plover"), "load_system"),
        (lambda: bitting.number_of(TEXT), "parse_code"),
        (lambda: bitting.code_at("plover", 1), "load_system"),
        (lambda: bitting.code_space("plover"), "load_system"),
        (lambda: bitting.complete(TEXT, PLOVER), "parse_code"),
        (lambda: bitting.compare(CODE, TEXT), "parse_code"),
        (lambda: bitting.compare(TEXT, CODE), "parse_code"),
        (lambda: bitting.decode(TEXT, PLOVER), "parse_readings"),
        (lambda: bitting.plan(TEXT, PLOVER), "parse_code"),
        (lambda: bitting.plan(CODE, "plover"), "load_system"),
        (lambda: bitting.inspect(CODE, TEXT, PLOVER), "parse_readings"),
        (lambda: bitting.draw_svg(TEXT, PLOVER), "parse_code"),
        (lambda: bitting.lint("plover"), "load_system"),
        (lambda: bitting.parse_code(TEXT, "plover"), "load_system"),
        (lambda: bitting.parse_readings("7.4", "plover"), "load_system"),
        (lambda: bitting.parse_readings("7.4", None), "load_system"),
    ],
)
def test_a_text_where_a_value_is_wanted_says_what_makes_one(call, maker):
    with pytest.raises(bitting.BittingError) as fault:
        call()
    assert f"`bitting.{maker}(" in fault.value.hint
    assert TEXT not in fault.value.message, "a code is a secret, and exceptions are kept"


@pytest.mark.parametrize("value", [21332441124421, None, [8.11, 8.54]])
@pytest.mark.parametrize("read", [bitting.parse_code, bitting.parse_readings])
def test_what_is_no_text_is_told_to_be_none(read, value):
    with pytest.raises(bitting.BittingError, match="stands where a text is wanted"):
        read(value, PLOVER)


@pytest.mark.parametrize(
    "call",
    [
        lambda: bitting.check_many(PLOVER, None),
        lambda: bitting.check_many(PLOVER, 21332441124421),
        lambda: bitting.decode_many(None, PLOVER),
        lambda: bitting.decode_many(bitting.parse_readings(READINGS, PLOVER), PLOVER),
        lambda: bitting.decode_many([[7.4]], PLOVER),
        lambda: bitting.decode_many([bitting.parse_readings(READINGS, PLOVER)], "plover"),
        lambda: bitting.load_system(5),
        lambda: bitting.code_at(PLOVER, 1.5),
        lambda: bitting.code_at(PLOVER, "7"),
        lambda: bitting.complete(CODE, PLOVER, where=["cut 5 is not 1", 3]),
        lambda: bitting.complete(CODE, PLOVER, "10"),
        lambda: bitting.decode(bitting.parse_readings(READINGS, PLOVER), PLOVER, best=float("nan")),
        lambda: bitting.decode(bitting.parse_readings(READINGS, PLOVER), PLOVER, best=True),
        lambda: bitting.decode(bitting.parse_readings(READINGS, PLOVER), PLOVER, sure="0.9"),
        lambda: bitting.check(CODE, PLOVER, lock=[]),
        lambda: bitting.sample(PLOVER, 2.5),
        lambda: bitting.plan(CODE, PLOVER, machine="machine.toml"),
        lambda: bitting.load_machine(True),
        lambda: bitting.align("8.3 8.3", PLOVER),
        lambda: bitting.align(bitting.parse_readings(READINGS, PLOVER), PLOVER, places=[12.8]),
        lambda: bitting.align(bitting.parse_readings(READINGS, PLOVER), PLOVER, tolerance="0.05"),
        lambda: bitting.inspect(CODE, bitting.parse_readings(READINGS, PLOVER), PLOVER, tolerance="0.05"),
    ],
)
def test_a_value_of_another_type_is_named_by_its_type_alone(call):
    with pytest.raises(bitting.BittingError, match=r"(a value of type \w+|a text) stands where a") as fault:
        call()
    assert fault.value.hint
    assert "2133" not in fault.value.message


def test_less_than_no_codes_are_not_drawn():
    with pytest.raises(bitting.BittingError, match="-1 codes"):
        bitting.sample(PLOVER, -1)


def test_a_wrong_direction_is_refused():
    with pytest.raises(bitting.BittingError, match="'sideways' is no direction"):
        bitting.plan(CODE, PLOVER, direction="sideways")


def test_samples_are_legal_and_a_seed_draws_them_again():
    drawn = bitting.sample(PLOVER, 20, seed=3)
    assert len(drawn) == 20
    assert all(bitting.check(code, PLOVER).legal for code in drawn)
    assert [str(code) for code in drawn] == [str(code) for code in bitting.sample(PLOVER, 20, seed=3)]
    assert [str(code) for code in drawn] != [str(code) for code in bitting.sample(PLOVER, 20)]


READINGS = "left: 8.11 8.54 7.66 7.68 8.09 7.21 7.22 / right: 8.55 8.56 8.10 7.22 7.23 8.11 8.57"


@pytest.mark.parametrize(
    "command",
    [
        ["check", TEXT, "-s", "plover"],
        ["decode", READINGS, "-s", "plover"],
        ["complete", "213324? 1124421", "-s", "plover"],
        ["compare", TEXT, "2133243 1124421", "-s", "plover"],
        ["plan", TEXT, "-s", "plover"],
        ["inspect", TEXT, READINGS, "-s", "plover"],
        ["docs"],
        ["systems", "list"],
        ["systems", "count", "plover"],
        ["systems", "show", "plover"],
        ["systems", "sample", "plover"],
        ["systems", "codes", "plover"],
        ["systems", "number", "plover", TEXT],
        ["systems", "rules"],
        ["systems", "lint", "wren"],
    ],
    ids=" ".join,
)
def test_every_json_object_says_its_format(command):
    result = CliRunner().invoke(main, [*command, "--json"])
    assert result.exit_code in (0, 1), result.stderr
    assert next(iter(json.loads(result.stdout).items())) == ("format", 1)


def test_a_number_may_be_one_of_an_array() -> None:
    assert bitting.code_at(PLOVER, np.int64(7)).code == bitting.code_at(PLOVER, 7).code
