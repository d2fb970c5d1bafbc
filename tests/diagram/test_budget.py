"""A code space that is too large is found out early, by time and by memory; a single code is checked whatever the system."""

from __future__ import annotations

from pathlib import Path

import pytest

from bitting.checking import check
from bitting.diagram import build as build_module
from bitting.diagram import code_space
from bitting.errors import TooLargeError
from bitting.notation import parse_code
from bitting.rules import idle
from bitting.systemfile import read_system
from tests.conftest import but_long
from tests.limits import answered, bitting

LARGE = {
    "different depths": (40, 60, "at least 30 different depths"),
    "apart": (40, 60, "cuts 6 apart differ by at most 30"),
    "depth uses": (40, 10, "no depth is used more than 8 times"),
    "palindrome": (40, 60, "the code is not the same read from the tip"),
    "long": (1000, 60, "adjacent cuts differ by at most 5"),
}


def text_of(cuts: int, depths: int, *must: str) -> str:
    """A system file with so many cuts and depths on one track."""
    table = ", ".join(f"{i + 1} = {9 - 0.1 * i:.2f}" for i in range(depths))
    rules = ", ".join(f'"{rule}"' for rule in must)
    pitch = min(0.9, 100 / cuts)  # no blade is longer than a hand
    return f"""
        format = 1
        system = {{ name = "large", source = "invented", unit = "mm", stop = "tip" }}
        [[tracks]]
        name = "edge"
        milling = "edge"
        measured = "far-edge"
        spaces = {{ first = {cuts * pitch + 1:.2f}, pitch = -{pitch}, count = {cuts} }}
        depths = {{ {table} }}
        [rules]
        must = [{rules}]
    """


@pytest.mark.parametrize("name", but_long(LARGE, "different depths", "depth uses", "long", "palindrome"))
def test_a_large_space_names_the_rule_early(tmp_path: Path, name: str) -> None:
    """Aim: 5 s and 500 MB; the limits are five times that."""
    cuts, depths, rule = LARGE[name]
    path = tmp_path / "large.toml"
    path.write_text(text_of(cuts, depths, rule))
    readings = " ".join(f"{9 - 0.1 * (i % 2):.2f}" for i in range(cuts))
    for words in (["systems", "count", path], ["decode", readings, "-s", path]):
        done = bitting(*words, seconds=25)
        told = answered(done)
        assert done.returncode == 2
        # a key of a thousand cuts is refused for its size before anything is counted
        assert ("size-odd" if name == "long" else f"because of the rule '{rule}'") in told


@pytest.mark.parametrize("name", but_long(LARGE, "depth uses", "long", "palindrome"))
def test_a_single_code_of_a_large_space_is_checked_all_the_same(name: str) -> None:
    cuts, depths, rule = LARGE[name]
    system = read_system(text_of(cuts, depths, rule), "large.toml")
    good = " ".join(str(1 + (i % 3 if depths < 30 or name in ("apart", "long") else i % depths)) for i in range(cuts))
    if name == "depth uses":
        good = " ".join(str(1 + i % 10) for i in range(cuts))
    report = check(parse_code(good, system))
    assert report.legal, report.findings
    bad = {
        "apart": "1 " * 6 + "60 " * 34,
        "different depths": "1 " * 40,
        "depth uses": "1 " * 40,
        "long": "1 60 " * 500,
    }
    report = check(parse_code(bad.get(name, "1 " * cuts), system))
    assert not report.legal
    assert report.suggestions_note or report.suggestions


@pytest.mark.thorough
def test_lint_and_complete_of_a_long_key_end(tmp_path: Path) -> None:
    """1,000 cuts of 60 depths, with a rule and without: an answer or a named error, within five times 5 s and 500 MB."""
    for rule in (["adjacent cuts differ by at most 5"], []):
        path = tmp_path / "long.toml"
        path.write_text(text_of(1000, 60, *rule))
        for words in (["systems", "lint", path], ["complete", "? " + "1 " * 999, "-s", path, "--limit", "3"]):
            answered(bitting(*words, seconds=25))


@pytest.mark.thorough
def test_lint_of_many_cuts_of_two_depths_that_are_counted_ends(tmp_path: Path) -> None:
    """Every exchange of two neighbours was followed to the tip by itself: a minute and more."""
    path = tmp_path / "two.toml"
    path.write_text(text_of(1000, 2, "no depth is used more than 872 times"))
    answered(bitting("systems", "lint", path, seconds=25))


@pytest.mark.parametrize(
    ("rule", "tight"),
    [
        ("cuts 7 apart differ by at most 1", "cuts 5 apart differ by at most 1"),
        ("cuts 6 apart differ by at least 1", "cuts 5 apart differ by at least 1"),
        ("cuts 2 apart differ by at most 4", "cuts 2 apart differ by at most 3"),
        ("cuts 2 apart differ by at least 0", "cuts 2 apart differ by at least 1"),
        ("adjacent cuts differ by at most 4", "adjacent cuts differ by at most 3"),
        ("adjacent cuts differ by at least 0", "adjacent cuts differ by at least 1"),
        ("a cut is at most 4 deeper than the cut before it", "a cut is at most 3 deeper than the cut before it"),
        ("no more than 6 equal cuts in a row", "no more than 5 equal cuts in a row"),
        ("at most 5 different depths", "at most 4 different depths"),
        ("at least 1 different depths", "at least 2 different depths"),
        ("no depth is used more than 6 times", "no depth is used more than 5 times"),
        ("at most 6 cuts are 4 or deeper", "at most 5 cuts are 4 or deeper"),
        ("at least 0 cuts are 4 or deeper", "at least 1 cuts are 4 or deeper"),
        (
            "the deepest and the shallowest cut differ by at most 4",
            "the deepest and the shallowest cut differ by at most 3",
        ),
        (
            "the deepest and the shallowest cut differ by at least 0",
            "the deepest and the shallowest cut differ by at least 1",
        ),
        ("at most 5 neighbours are equal", "at most 4 neighbours are equal"),
        ("the depth changes at least 0 times", "the depth changes at least 1 time"),
        ("cuts get deeper at most 5 times", "cuts get deeper at most 3 times"),
        ("no more than 5 cuts in a row get deeper", "no more than 3 cuts in a row get deeper"),
    ],
)
def test_a_rule_that_cannot_bind_is_idle_and_the_next_tighter_one_is_not(rule: str, tight: str) -> None:
    free = code_space(read_system(text_of(6, 5), "free.toml"))
    assert free.count == 5**6
    for sentence, can_bind in ((rule, False), (tight, True)):
        system = read_system(text_of(6, 5, sentence), "one.toml")
        (bound,) = system.rules
        assert idle(bound, system) is not can_bind
        space = code_space(system)
        assert (space.count < 5**6) is can_bind
        assert (len(space.diagrams[0].layers[1].children) == 1) or can_bind


def test_rules_between_tracks_that_cannot_bind_leave_the_tracks_apart() -> None:
    text = text_of(4, 3, "left and right differ by at most 2 at every cut").replace('"edge"', '"external"').replace(
        'name = "external"', 'name = "left"'
    ).replace("[rules]", '[[tracks]]\nname = "right"\nlike = "left"\n[rules]')  # fmt: skip
    space = code_space(read_system(text, "two.toml"))
    assert [diagram.lanes for diagram in space.diagrams] == [(0,), (1,)]
    tied = code_space(read_system(text.replace("most 2", "most 1"), "two.toml"))
    assert [diagram.lanes for diagram in tied.diagrams] == [(0, 1)]


def test_a_rule_that_cannot_bind_costs_nothing() -> None:
    system = read_system(text_of(6, 60, "cuts 7 apart differ by at most 3"), "one.toml")
    space = code_space(system)
    assert space.count == 60**6
    assert space.diagrams[0].nodes == 7


@pytest.mark.parametrize("limit", ["CELLS", "WHOLE", "STEPS"])
def test_each_limit_stops_the_building_and_just_enough_room_does_not(
    monkeypatch: pytest.MonkeyPatch, limit: str
) -> None:
    """Counted by hand: four cuts of 3 depths, MACS 1: layers of 1, 3, 3, 3 nodes with 3 children, 1, 3, 3, 3 states."""
    system = read_system(text_of(4, 3, "adjacent cuts differ by at most 1"), "four.toml")
    needed = {"CELLS": 9, "WHOLE": 3 + 9 + 9 + 9, "STEPS": 3 + 9 + 9 + 9}[limit]
    monkeypatch.setattr(build_module, limit, needed)
    assert code_space(system).count == 17 + 24  # OEIS A001333(5): words of 4 over 3 letters, neighbours at most 1 apart
    monkeypatch.setattr(build_module, limit, needed - 1)
    with pytest.raises(TooLargeError) as caught:
        code_space(system)
    assert caught.value.rule == "adjacent cuts differ by at most 1"


def test_the_rule_that_is_blamed_is_the_one_without_which_the_layer_is_smallest() -> None:
    rules = ("adjacent cuts differ by at most 2", "at least 4 different depths", "no more than 2 equal cuts in a row")
    system = read_system(text_of(8, 8, *rules), "three.toml")
    for budget in (20, 60):
        with pytest.raises(TooLargeError) as caught:
            code_space(system, budget=budget)
        assert caught.value.rule == "at least 4 different depths"
        assert "cut 3 of edge" in caught.value.message or "cut 2 of edge" in caught.value.message


def test_without_any_rule_cuts_and_depths_alone_can_be_too_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build_module, "WHOLE", 100)
    with pytest.raises(TooLargeError) as caught:
        code_space(read_system(text_of(50, 3), "none.toml"))
    assert caught.value.rule == ""
