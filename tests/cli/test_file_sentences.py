"""What a system file may say, sentence by sentence, on one file that uses every table."""

from __future__ import annotations

import json
import re
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import bitting
from bitting.cli.check import command
from bitting.model import Across, SetupCut, System
from bitting.systemfile import read_system

FILE = """
format = 1

[system]
name = "finch"                   # the name commands use
about = "four-track external, convenience type, tip stop"
source = "invented for the tests"
unit = "mm"
stop = "tip"
sides = ["top", "bottom"]
convenience = true

[blade]
width = 10.0
thickness = 2.6
mill_depth = 1.0

[[tracks]]
name = "left"
milling = "external"
measured = "far-edge"
spaces = { first = 21.4, pitch = -2.3, count = 7 }
depths = { 1 = 8.60, 2 = 8.15, 3 = 7.70, 4 = 7.25, 5 = 6.80 }

[[tracks]]
name = "right"
like = "left"

[rules]
must = ["adjacent cuts differ by at most 2", "on left, first cut is one of 1 2 3"]
should = ["at least 3 different depths"]

[locks]
door = "1-5"
steering = "3-7"

[cutting]
shape = "round"
cutter = 2.4
seat = 0.3
steepest = 60
direction = "bow-to-tip"
rotation = "clockwise"
setup = { cut = 4, depth = "5" }

[measuring]
tolerance = 0.05
reading_sd = 0.03
offset_sd = 0.05
tilt_sd = 0.03
left_right_sd = 0.03
wear = 0.04
outliers = 0.01
cut_sd = 0.02
jaw = 0.5
across = { tracks = ["left", "right"], less = 10.00 }
"""
OPTIONAL = ("blade", "rules", "locks", "cutting", "measuring")
DEPTHS = "{ 1 = 8.60, 2 = 8.15, 3 = 7.70, 4 = 7.25, 5 = 6.80 }"
SPACES = "{ first = 21.4, pitch = -2.3, count = 7 }"


def changed(*changes: tuple[str, str]) -> System:
    text = FILE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return read_system(text, "finch.toml")


def without(*tables: str) -> System:
    parts = re.split(r"(?m)^(?=\[)", FILE)
    return read_system("".join(part for part in parts if not part.startswith(tuple(f"[{t}]" for t in tables))), "f")


def walk(cuts: int, depths: int, step: int, first: int) -> int:
    """How many rows there are whose neighbours differ by at most `step` and whose first cut is one of the `first`."""
    ends = [int(depth < first) for depth in range(depths)]
    for _ in range(cuts - 1):
        ends = [sum(n for other, n in enumerate(ends) if abs(other - depth) <= step) for depth in range(depths)]
    return sum(ends)


def test_every_table_is_understood() -> None:
    made = changed()
    assert (made.name, made.unit, made.stop, made.sides, made.convenience) == (
        "finch",
        "mm",
        "tip",
        ("top", "bottom"),
        True,
    )
    left, right = made.tracks
    assert left.spaces == right.spaces == pytest.approx((21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6))
    assert dict(zip(left.labels, left.depths, strict=True)) == {"1": 8.6, "2": 8.15, "3": 7.7, "4": 7.25, "5": 6.8}
    assert made.locks == {"door": (0, 1, 2, 3, 4), "steering": (2, 3, 4, 5, 6)}
    assert made.cutting.setup == SetupCut(3, 4)
    assert made.measuring.across == Across(("left", "right"), 1, -10.0)
    assert bitting.count(made) == walk(7, 5, 2, 3) * walk(7, 5, 2, 5)


@pytest.mark.parametrize("tables", [t for n in range(6) for t in combinations(OPTIONAL, n)], ids=" ".join)
def test_tables_that_may_be_left_out(tables: tuple[str, ...]) -> None:
    made = without(*tables)
    ruled = "rules" not in tables
    assert bitting.count(made) == (walk(7, 5, 2, 3) * walk(7, 5, 2, 5) if ruled else 5**14)
    report = bitting.check(bitting.parse_code("5555555 / 1111111", made), made, suggest=False)
    assert [(f.rule, f.level, f.track) for f in report.findings] == (
        [
            ("position-depths", "must", "left"),
            ("distinct-depths", "should", "left"),
            ("distinct-depths", "should", "right"),
        ]
        if ruled
        else []
    )


@pytest.mark.parametrize(
    ("spaces", "expected"),
    [
        ("[21, 19.5, 17, 14, 12, 10, 7]", (21.0, 19.5, 17.0, 14.0, 12.0, 10.0, 7.0)),
        ("{ first = 21, pitch = -2, count = 7 }", (21.0, 19.0, 17.0, 15.0, 13.0, 11.0, 9.0)),
        ("[21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6]", (21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6)),
    ],
)
def test_spaces_are_listed_or_derived(spaces: str, expected: tuple[float, ...]) -> None:
    assert [track.spaces for track in changed((SPACES, spaces)).tracks] == [expected, expected]


@pytest.mark.parametrize(
    "depths",
    ["{ 1 = 9, 2 = 8, 3 = 7, 4 = 6, 5 = 5 }", '{ "1" = 9.0, "2" = 8.0, "3" = 7.0, "4" = 6.0, "5" = 5.0 }'],
)
def test_whole_numbers_and_quoted_labels(depths: str) -> None:
    track = changed((DEPTHS, depths)).tracks[1]
    assert (track.labels, track.depths) == (("1", "2", "3", "4", "5"), (9.0, 8.0, 7.0, 6.0, 5.0))


def test_depths_keep_the_order_of_the_file_whatever_their_labels() -> None:
    made = changed((DEPTHS, "{ 10 = 8.6, 2 = 8.1, 0 = 7.7, 4 = 7.2, 5 = 6.8 }"), ("one of 1 2 3", "one of 10 2 0"))
    assert made.tracks[0].labels == ("10", "2", "0", "4", "5")
    assert bitting.check(bitting.parse_code("10 0 10 0 5 5 5 / 2 4 2 4 10 0 5", made), suggest=False).findings != ()
    assert bitting.check(bitting.parse_code("10 0 10 0 5 5 5 / 2 4 2 4 0 10 2", made), suggest=False).legal


def test_depths_go_one_way_only() -> None:
    with pytest.raises(bitting.BittingError, match=r"tracks\[0\].depths: found 2 = 8.15 after 1 = 8.6"):
        changed((DEPTHS, "{ 3 = 7.70, 1 = 8.60, 2 = 8.15, 4 = 7.25, 5 = 6.80 }"))


@pytest.mark.parametrize(
    ("change", "across"),
    [
        (("less = 10.00", "from = 10"), Across(("left", "right"), -1, 10.0)),
        (("less = 10.00", "less = 0"), Across(("left", "right"), 1, 0.0)),
        (('tracks = ["left", "right"]', 'tracks = ["RIGHT", "Left"]'), Across(("right", "left"), 1, -10.0)),
    ],
)
def test_across(change: tuple[str, str], across: Across) -> None:
    assert changed(change).measuring.across == across


def test_several_faults_are_told_together_with_file_table_key_and_value(tmp_path: Path) -> None:
    file = tmp_path / "finch.toml"
    broken = FILE.replace('unit = "mm"', 'unit = "cm"').replace("width = 10.0", 'width = "wide"')
    broken = broken.replace("reading_sd = 0.03", "reading_sd = -1").replace('door = "1-5"', 'door = "1-9"')
    file.write_text(broken, encoding="utf-8")
    done = CliRunner().invoke(command, ["2133244 1124421", "-s", str(file), "--json"])
    assert (done.exit_code, done.stdout) == (2, "")
    for told in (
        'finch.toml: system.unit: found "cm"; allowed: "mm" | "in"',
        'finch.toml: blade.width: found "wide"; allowed: a length greater than 0',
        "finch.toml: measuring.reading_sd: found -1; allowed: a length greater than 0",
        'finch.toml: locks.door: found "1-9"; allowed: cuts from 1 to 7',
    ):
        assert told in done.stderr


def test_the_command_reads_the_file(tmp_path: Path) -> None:
    file = tmp_path / "finch.toml"
    file.write_text(FILE, encoding="utf-8")
    done = CliRunner().invoke(command, ["left: 2133144 / right: 1124421", "4133244 1124421", "-s", str(file), "--json"])
    results: list[dict[str, Any]] = json.loads(done.stdout)["results"]
    assert done.exit_code == 1
    assert [(r["system"], r["canonical"], r["legal"]) for r in results] == [
        ("finch", "left: 2 1 3 3 1 4 4 / right: 1 1 2 4 4 2 1", False),
        ("finch", "left: 4 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1", False),
    ]
    told = [[(f["rule"], f["sentence"], f["track"], f["cuts"], f["span"]) for f in r["findings"]] for r in results]
    steps = "adjacent cuts differ by at most 2"
    first = "on left, first cut is one of 1 2 3"
    assert told == [
        [("adjacent-difference", steps, "left", [5, 6], [10, 12])],
        [("position-depths", first, "left", [1], [0, 1]), ("adjacent-difference", steps, "left", [1, 2], [0, 2])],
    ]
