"""A file with slips of TOML gets them told with every other fault, each with the line to write, in one round."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitting.errors import SystemFileError
from bitting.systemfile import read_system
from bitting.systemfile.machine import read_machine
from bitting.systemfile.mend import mend
from tests.conftest import drawn
from tests.systemfile.test_systemfile import SOUND, changed, faults

SLIPS = [
    ("no digit before the point", "width = 10.0", "width = .4", "found .4; write 0.4"),
    ("no digit behind it", "width = 10.0", "width = 10.", "found 10.; write 10.0"),
    ("a comma for the point", "width = 10.0", "width = 10,5", "write width = 10.5"),
    ("a unit", "width = 10.0", "width = 10.0 mm", "found width = 10.0 mm; write width = 10.0"),
    ("no quotes", 'name = "finch"', "name = finch", 'write name = "finch"'),
    ("no closing quote", 'name = "finch"', 'name = "finch', 'write name = "finch"'),
    ("no opening quote", 'name = "finch"', 'name = finch"', 'write name = "finch"'),
    ("curly quotes", 'name = "finch"', "name = “finch”", 'write name = "finch"'),
    ("words without quotes", 'about = "for the tests"', "about = for the tests", 'write about = "for the tests"'),
    ("a colon", 'unit = "mm"', 'unit: "mm"', 'found unit: "mm"; write unit = "mm"'),
    ("True", "convenience = true", "convenience = True", "write convenience = true"),
    ("names without quotes", '["top", "bottom"]', "[top, bottom]", 'write sides = ["top", "bottom"]'),
    ("a bracket too few", "[blade]", "[blade", "found [blade; write [blade]"),
    ("commas in braces", "2 = 8.15, 3 = 7.70 }", "2 = 8,15, 3 = 7,70 }", "write depths = { 1 = 8.60, 2 = 8.15, 3 = 7.70 }"),
    ("points in braces", "3 = 7.70 }", "3 = .7 }", "found .7; write 0.7"),
    ("braces not closed", "count = 7 }", "count = 7", "write spaces = { first = 21.4, pitch = -2.3, count = 7 }"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "told"), [row[1:] for row in SLIPS], ids=[row[0] for row in SLIPS])
def test_a_slip_is_told_with_the_line_to_write(old: str, new: str, told: str) -> None:
    text = changed((old, new))
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    line = next(n for n, row in enumerate(text.splitlines(), start=1) if new.splitlines()[0] in row)
    found = faults(text)
    assert found[0].startswith(f"line {line}: ")
    assert told in found[0]
    # what is written for it is what was meant: nothing else is wrong with the copy
    assert len(found) == 1


def test_the_line_to_write_mends_the_file() -> None:
    """Following every advice of the form `write LINE` gives a file that reads."""
    text = changed(
        ('name = "finch"', "name = finch"), ("convenience = true", "convenience = True"), ("= 10.0", "= 10,0")
    )
    lines = text.splitlines()
    for fault in faults(text):
        number, line = int(fault.split(":")[0].split()[1]), fault.split("write ", 1)[1]
        lines[number - 1] = line
    assert read_system("\n".join(lines), "finch.toml") == read_system(SOUND, "finch.toml")


def test_everything_that_is_wrong_is_told_in_one_round() -> None:
    text = changed(
        ('name = "finch"', "name = finch"),
        ("width = 10.0", "width = .4"),
        ('source = "invented"', ""),
        ('stop = "tip"', 'stop = "top"'),
        ("must = []", 'must = ["adjacent cats differ", "no more than 2 equal cuts in a row"]'),
        ("{ 1 = 8.60, 2 = 8.15, 3 = 7.70 }", "{ 3 = 7.70, 2 = 8.15, 1 = 8.60 }"),
        ('unit = "mm"', 'unit = "in"'),
    )
    found = faults(text)
    for told in (
        'write name = "finch"',
        "found .4; write 0.4 (width = 0.4)",
        'system.source: not found; add source = "…"',
        'system.stop: found "top"; allowed: "tip" | "shoulder"',
        'rules.must[0]: found "adjacent cats differ": ',
        "tracks[0].depths: found the deepest first; write depths = { 1 = 8.6, 2 = 8.15, 3 = 7.7 }",
        'system.unit: found in with depths of 7.7 to 8.6; write unit = "mm"',
    ):
        assert any(told in fault for fault in found), told
    assert len(found) == 7


def test_spaces_against_the_stop_are_told_with_the_rest() -> None:
    text = changed(("{ first = 21.4, pitch = -2.3, count = 7 }", "[16.8, 19.1, 21.4]"), ('door = "1-5"', 'door = "9"'))
    text = (
        text.replace('boot = "1, 3, 5-7"', "")
        .replace("desk = [7, 2]", "")
        .replace("box = 4", "")
        .replace("cut = 4", "cut = 2")
    )
    assert any("write spaces = [21.4, 19.1, 16.8]" in fault for fault in faults(text))


def test_what_runs_the_wrong_way_alone_is_left_to_lint() -> None:
    system = read_system(changed(("{ 1 = 8.60, 2 = 8.15, 3 = 7.70 }", "{ 3 = 7.70, 2 = 8.15, 1 = 8.60 }")), "f")
    assert system.tracks[0].labels == ("3", "2", "1")


def test_commas_in_a_list_that_toml_takes_for_numbers() -> None:
    text = changed(("{ first = 21.4, pitch = -2.3, count = 7 }", "[21,4, 19,1, 16,8, 14,5]"))
    assert any("write spaces = [21.4, 19.1, 16.8, 14.5]" in fault for fault in faults(text))


def test_lists_and_braces_over_several_lines() -> None:
    text = changed(
        ("must = []", 'must = [\n  "no more than 2 equal cuts in a row"   # why\n  "at least 2 different depths,\n]'),
        ("{ 1 = 8.60, 2 = 8.15, 3 = 7.70 }", "{\n  1 = 8.60,\n  2 = 8.15   # the next\n  3 = 7.70\n}"),
    )
    found = faults(text)
    assert any('"no more than 2 equal cuts in a row",' in fault for fault in found)
    assert any('"at least 2 different depths",' in fault for fault in found)
    assert any("write depths = { 1 = 8.60, 2 = 8.15, 3 = 7.70 }" in fault for fault in found)
    assert len(found) == 3


def test_a_key_that_stands_twice_is_told_with_both_lines() -> None:
    text = changed(('stop = "tip"', 'stop = "tip"\nunit = "in"'))
    assert "line 10 says unit again, after line 8: leave one of them out" in faults(text)[0]


def test_a_machine_file_is_mended_and_told_alike() -> None:
    text = 'format = 1\nunit = "cm"\n[space]\nper_turn = .5\nclockwise = "to-bow"\n[depth\nper_turn = 1,5\nclockwise = "in"\n'
    with pytest.raises(SystemFileError) as fault:
        read_machine(text, "some/bench.toml")
    told = [line.removeprefix("bench.toml: ") for line in fault.value.faults]
    assert told == [
        "line 4: found .5; write 0.5 (per_turn = 0.5)",
        "line 6: found [depth; write [depth]",
        "line 7: found per_turn = 1,5; write per_turn = 1.5",
        'unit: found "cm"; allowed: "mm" | "in"',
        'depth.clockwise: found "in"; allowed: "deepens" | "backs-out"',
    ]


@drawn(150)
@given(st.text(alphabet="ab .,=[]{}\"#\n1-'“”:", max_size=120))
def test_mending_ends_and_what_it_gives_is_toml(text: str) -> None:
    found = mend(text)
    assert (found.data is None) == bool(found.stop and found.data is None)
    assert all(slip.startswith("line ") for slip in found.slips)


@drawn(100)
@given(st.integers(0, len(SOUND) - 1), st.sampled_from(["", '"', ",", ".", "=", "[", "}", "x", "\n"]))
def test_one_wrong_character_is_mended_or_told(place: int, sign: str) -> None:
    text = SOUND[:place] + sign + SOUND[place + 1 :]
    told: tuple[str, ...] | None = None
    try:
        read_system(text, "finch.toml")
    except SystemFileError as fault:  # any other exception fails the test
        told = fault.faults
    assert told != ()


def test_letters_may_count_in_sums() -> None:
    lettered = changed(
        ("{ 1 = 8.60, 2 = 8.15, 3 = 7.70 }", "{ A = 8.60, B = 8.15, C = 7.70 }\nnumbers = { A = 1, B = 2, C = 4 }"),
        ('depth = "3"', 'depth = "C"'),
        ("must = []", 'must = ["the sum of cuts is between 7 and 9"]'),
    )
    system = read_system(lettered, "f")
    assert [track.numbers for track in system.tracks] == [(1, 2, 4), (1, 2, 4)]
    without = lettered.replace("numbers = { A = 1, B = 2, C = 4 }\n", "")
    assert "numbers = { A = 1, B = 2, C = 3 }" in faults(without)[0]
    assert "tracks[0].numbers.D: found this depth; allowed: A, B, C" in faults(
        lettered.replace("C = 4 }", "C = 4, D = 5 }")
    )
    assert any("tracks[0].numbers.C: not found" in f for f in faults(lettered.replace(", C = 4 }", " }")))
    assert any(
        'numbers.C: found "x"; allowed: a whole number' in f for f in faults(lettered.replace("C = 4 }", 'C = "x" }'))
    )
