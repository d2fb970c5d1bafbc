"""The JSON Schema for editors says what the reader says, judged with the jsonschema library."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from bitting.cli import main
from bitting.errors import SystemFileError
from bitting.systemfile import load_system, machine, read_system, shipped_systems
from bitting.systemfile.schema import ACROSS, BLADE, CUTTING, MEASURING, SPACES, SYSTEM, TOP, TRACK, Wrong, json_schema
from tests.systemfile.test_systemfile import BROKEN, SOUND, changed

SCHEMA = json_schema(TOP, "bitting system file")
VALIDATOR = Draft202012Validator(SCHEMA)

BEYOND = (
    "dimensions that all grow",
    "distances that all grow",
    "a dimension greater than 0",  # depends on where depths are measured from
    "distances of at least 0 from the stop; ",
    "found cut ",
    "a distance other than 0",
    "names that differ by more than capitals",
    "names of their own",
    "a track that stands before",
    "the notation does not use itself",
    "true with sides",
    "cuts from ",
    "one word of letters, digits, - and _; ",
    "found this name",
    "found this lock twice",
    "a cut that every track has",
    "a depth of every track",
    "only with shape",
    "the names of two tracks",
    "allowed: left, right",
    "the label",
    "a very large whole number",
    "found nan",
    "found inf",
    "found 1.0; ",  # a whole number to JSON
)
"""What the reader refuses and a JSON Schema can't, or needn't, say: by a part of the fault."""


def places(data: Any) -> Iterator[str]:
    """Where jsonschema finds a fault, as paths of the reader."""
    for error in VALIDATOR.iter_errors(data):
        path = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in error.absolute_path).lstrip(".")
        if error.validator == "additionalProperties" and error.schema.get("additionalProperties") is False:
            yield from (f"{path}.{key}".lstrip(".") for key in error.instance if key not in error.schema["properties"])
        elif error.validator == "required":
            yield from (f"{path}.{key}".lstrip(".") for key in error.validator_value if key not in error.instance)
        else:
            yield path


def told(text: str) -> list[tuple[str, str]]:
    """The reader's faults as (path, fault)."""
    try:
        read_system(text, "f.toml")
    except SystemFileError as fault:
        lines = [line.removeprefix("f.toml: ") for line in fault.faults]
        return [(re.sub(r'\."(.*?)"', r".\1", line.split(": ")[0]), line) for line in lines]
    return []


def test_the_schema_is_one_and_the_command_prints_it() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    for kind, keys in (("system", TOP), ("machine", machine.TOP)):
        printed = CliRunner().invoke(main, ["systems", "show", "--schema", kind])
        assert json.loads(printed.stdout) == json_schema(keys, f"bitting {kind} file")
        Draft202012Validator.check_schema(json.loads(printed.stdout))
    assert CliRunner().invoke(main, ["systems", "show", "--schema"]).stdout == CliRunner().invoke(
        main, ["systems", "show", "--schema", "system"]
    ).stdout  # fmt: skip


@pytest.mark.parametrize("name", shipped_systems())
def test_shipped_files_fit_it(name: str) -> None:
    assert list(places(tomllib.loads(Path(load_system(name).path).read_text(encoding="utf-8")))) == []


@pytest.mark.parametrize("changes", [row[1] for row in BROKEN], ids=[row[0] for row in BROKEN])
def test_broken_files_break_it_where_the_reader_finds_the_fault(changes: list[tuple[str, str]]) -> None:
    text = changed(*changes)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        pytest.skip("no TOML, so no schema is asked")
    reader, editor = told(text), set(places(data))
    assert reader
    for place in editor:  # an editor never marks what can be read
        assert any(
            path == place or path.startswith((f"{place}.", f"{place}[")) or place.startswith(path) for path, _ in reader
        ), place
    unmarked = [
        fault
        for path, fault in reader
        if not any(
            path == place or path.startswith((f"{place}.", f"{place}[")) or place.startswith(path) for place in editor
        )
    ]
    assert [fault for fault in unmarked if not any(part in fault for part in BEYOND)] == []


VALUES = st.one_of(
    st.booleans(), st.integers(-5, 2000), st.floats(-2, 200, allow_nan=False), st.sampled_from([0, 0.0, 1, 89.9, 90, 180, 1e9]),
    st.sampled_from(["", " ", "mm", "in", "tip", "round", "vee", "external", "edge", "left", "a b", "2nd", "clockwise", "x\ny"]),
    st.lists(st.sampled_from(["top", "bottom", "a b", ""]), max_size=3), st.just({}),
)  # fmt: skip
KEYS = [key for keys in (SYSTEM, BLADE, SPACES, TRACK, CUTTING, MEASURING, ACROSS) for key in keys if key.read]
KEYS += [
    key for keys in (machine.SPACE, machine.DEPTH, machine.CUTTER, machine.CORRECTIONS) for key in keys if key.read
]


@given(st.sampled_from(KEYS), VALUES)
def test_one_value_is_allowed_by_both_or_by_neither(key: Any, value: Any) -> None:
    try:
        key.read(value)
        allowed, why = True, ""
    except Wrong as wrong:
        allowed, why = False, str(wrong)
    valid = Draft202012Validator(key.schema).is_valid(value)
    if allowed:
        assert valid
    elif valid:  # what only the reader sees: capitals, words of the notation, line breaks, an order, 7.0 for 7
        assert re.search("capitals|notation does not use|on one line|least, greatest|a number of|whole number", why), (
            key.name,
            value,
        )


MACHINE = """
format = 1
name = "by the window"
[space]
per_turn = 1.0
clockwise = "to-bow"
limits = [0.0, 40.0]
[depth]
per_turn = 0.5
divisions = 50
clockwise = "deepens"
[corrections]
depth = -0.01
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format = 1", "format = 2"),
        ("per_turn = 1.0", "per_turn = -1"),
        ('"to-bow"', '"left"'),
        ("divisions = 50", "divisions = 0"),
        ("limits = [0.0, 40.0]", "limits = [0.0]"),
        ("depth = -0.01", 'depth = "a"'),
        ("[corrections]", "[correction]"),
        ("per_turn = 0.5", ""),
    ],
)
def test_machine_files_alike(old: str, new: str) -> None:
    validator = Draft202012Validator(json_schema(machine.TOP, "bitting machine file"))
    assert validator.is_valid(tomllib.loads(MACHINE))
    machine.read_machine(MACHINE)
    broken = MACHINE.replace(old, new)
    assert not validator.is_valid(tomllib.loads(broken))
    with pytest.raises(SystemFileError):
        machine.read_machine(broken)


def test_the_sound_file_of_the_tests_fits_it() -> None:
    assert list(places(tomllib.loads(SOUND))) == []
