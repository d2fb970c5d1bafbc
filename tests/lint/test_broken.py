"""A table of broken system files: each is a sound one with one thing spoilt, and gets exactly the finding for it."""

from __future__ import annotations

from pathlib import Path

import pytest

import bitting
from bitting.grammars import folder
from bitting.linting import CODES, lint
from bitting.linting.result import Linted
from bitting.model import System
from bitting.systemfile import shipped_systems
from bitting.systemfile.build import read_system


def shipped(name: str, *changes: tuple[str, str]) -> System:
    """A shipped system with pieces of its text exchanged; each piece must be there."""
    text = Path(folder("systems"), f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return read_system(text, f"{name}.toml")


def faults(found: Linted) -> list[tuple[str, str]]:
    return [(f.code, f.level) for f in found.findings if f.level != "note"]


PLOVER_MACS = '"adjacent cuts differ by at most 2",'
DUNLIN_SETUP = 'setup = { cut = 3, depth = "6" }'
DUNLIN_MACS = '"MACS is 6",'
WREN_DEEPER = '"a cut is at most 1 deeper than the cut before it",'

BROKEN = [
    # (what is wrong, system, pieces of text exchanged, the finding and its level, words of its message)
    ("two rules clash", "plover", [(PLOVER_MACS, PLOVER_MACS + '"on left, cut 1 is not 1 2 3",')],
     ("contradiction", "error"), ["these 2 rules clash", "first cut is one of 1 2 3", "cut 1 is not 1 2 3"]),
    ("three rules clash", "wren", [(WREN_DEEPER, WREN_DEEPER + '"first cut is one of 1", "cut 3 is one of 4",')],
     ("contradiction", "error"),
     ["these 3 rules clash, and no fewer do", "at most 1 deeper", "first cut is one of 1", "cut 3 is one of 4"]),
    ("a rule clashes by itself", "wren", [(WREN_DEEPER, WREN_DEEPER + '"at least 9 different depths",')],
     ("contradiction", "error"), ["leaves no code by itself"]),
    ("a rule says less than another", "plover", [(PLOVER_MACS, PLOVER_MACS + '"adjacent cuts differ by at most 3",')],
     ("idle-rule", "warning"), ["at most 3", "it follows from “adjacent cuts differ by at most 2”"]),
    ("a rule says nothing", "plover", [(PLOVER_MACS, PLOVER_MACS + '"first cut is one of 1 2 3 4 5",')],
     ("idle-rule", "warning"), ["it rejects nothing even by itself"]),
    ("rules that say each other", "wren", [(WREN_DEEPER, WREN_DEEPER + '"adjacent cuts differ by at most 2",')],
     [("idle-rule", "warning")] * 2,
     ["it follows from the others together", "keep it if you leave out “a cut is at most 2 shallower than the cut before it”"]),
    ("a rule follows from several", "wren",
     [(WREN_DEEPER, WREN_DEEPER + '"first cut is one of 1", "when cut 3 is 4, cut 4 is one of 1",')],
     [("idle-rule", "warning"), ("unused-depth", "warning"), ("unused-depth", "warning")],
     ["when cut 3 is 4", "it follows from the others together"]),
    ("a depth is never used", "plover", [(PLOVER_MACS, PLOVER_MACS + '"depth 5 is used at most 0 times",')],
     ("unused-depth", "warning"), ["depth 5 is in the table of left and right and no legal code uses it", "at most 0 times"]),
    ("a depth can't stand at a cut", "plover", [('"adjacent cuts differ by at most 2"', '"adjacent cuts differ by at most 1"')],
     ("unused-depth", "warning"), ["depth 5 can never stand at cut 2 of left", "first cut is one of 1 2 3"]),
    ("advice that all follow", "plover", [('"at least 3 different depths"', '"cuts 2 apart differ by at most 4"')],
     ("advice-always-kept", "warning"), ["cuts 2 apart"]),
    ("advice that none follows", "plover", [('"at least 3 different depths"', '"at least 6 different depths"')],
     ("advice-never-kept", "warning"), ["no legal code follows"]),
    ("advice that clashes", "plover",
     [('"at least 3 different depths"', '"at least 3 different depths", "at most 2 different depths"')],
     ("advice-clash", "warning"), ["follows all"]),
    ("measured from the wrong edge", "dunlin", [('measured = "far-edge"', 'measured = "own-edge"')],
     ("depths-reversed", "error"), ["runs from deep to shallow", "0 = 0.35 is deeper", "its own edge"]),
    ("an outer track called internal", "wren", [('milling = "external"', 'milling = "internal"')],
     ("depths-reversed", "error"), ["internal milling measured from the far edge"]),
    ("spaces against the stop", "dunlin", [('stop = "shoulder"', 'stop = "tip"')],
     ("spaces-reversed", "error"), ["distances from the tip shrink"]),
    ("a blade that is too narrow", "dunlin", [("width = 0.365", "width = 0.342")],
     ("off-blade", "error"), ["no wall for depth 0 (-0.008 in from its edge)"]),
    ("depths that a caliper can't tell apart", "dunlin",
     [("reading_sd = 0.001 ", "reading_sd = 0.009 ")],
     ("depths-close", "warning"), ["0.017 in apart"]),
    ("a tolerance that lets a cut pass for two depths", "plover", [("tolerance = 0.05 ", "tolerance = 0.24 ")],
     ("tolerance-wide", "warning"), ["wider than half a step of left (0.22 mm)"]),
    ("a decimal point forgotten", "dunlin", [("width = 0.365", "width = 365")],
     [("size-odd", "error"), ("shoulder-cut", "error")], ["the blade's width is 365 in, and no key has that"]),
    ("a first cut too near the shoulder", "wren", [("first = 4.4", "first = 1.6")],
     ("shoulder-cut", "error"), ["comes 0.10 mm into the shoulder"]),
    ("steps that can't be climbed but with easing", "plover", [("steepest = 70 ", "steepest = 50 ")],
     ("wall-eased", "warning"), ["a tumbler climbs 50°", "--ease"]),
    ("a setup key that isn't deep", "plover", [('setup = { cut = 4, depth = "5" }', 'setup = { cut = 4, depth = "3" }')],
     ("setup-shallow", "warning"), ["is at depth 3", "its deepest is 5"]),
    ("a setup key whose cut takes metal beside it", "dunlin", [(DUNLIN_SETUP, DUNLIN_SETUP.replace("6", "9"))],
     ("setup-gouged", "warning"), ["cut 3 is at depth 9", "6 is the deepest that spares them"]),
    ("seats that overlap", "dunlin", [("pitch = 0.173", "pitch = 0.035"), ("first = 0.213", "first = 0.300"),
      (DUNLIN_MACS, '"MACS is 0",'),
     ('"no more than 2 equal cuts in a row",', ""), ('"at least 3 different depths",', ""), ('"cut 1 is not 8 9",', ""),
     ('"no depth is used more than 3 times",', ""), ('"at least 4 different depths"', "")],
     [("seats-overlap", "error"), ("setup-gouged", "warning")], ["cuts 1 and 2 of edge lie 0.035 in apart"]),
    ("a seat wider than the cutter", "plover", [("seat = 0.3 ", "seat = 3.1 "), ("pitch = -2.3", "pitch = -3.3"),
     ("first = 21.4", "first = 28.0")],
     ("seat-residual", "error"), ["the seat is 3.10 mm wide and the cutter 3.00 mm"]),
    ("a seat wider than the cutter, and no tolerance stated", "plover",
     [("seat = 0.3 ", "seat = 3.1 "), ("pitch = -2.3", "pitch = -3.3"), ("first = 21.4", "first = 28.0"),
      ("tolerance = 0.05 ", "# ")],
     ("seat-residual", "error"), ["it can't cut the whole seat"]),
    ("a seat that stays unclean", "plover", [("seat = 0.3 ", "seat = 0.8 ")],
     ("seat-residual", "warning"), ["0.0543 mm", "half the tolerance (0.025)"]),
    ("a vee's seat that stays unclean", "dunlin", [("root = 0.046 ", "root = 0.034 ")],
     ("seat-residual", "warning"), ["half the tolerance (0.001)"]),
    ("cuts nearer than the cutter", "siskin", [("pitch = -2.2", "pitch = -1.1")],
     [("seat-gouged", "error"), ("setup-gouged", "warning")], ["cut 1", "room for 1 (0.44 mm)"]),
    ("a MACS that the vee can't leave", "dunlin", [(DUNLIN_MACS, '"MACS is 7",')],
     ("seat-gouged", "error"), ["may differ by 7 depths", "room for 6"]),
    ("a MACS that spares seats and not flats", "dunlin", [(DUNLIN_MACS, '"MACS is 7",'), ("seat = 0.040 ", "seat = 0.010 "),
     ("jaw = 0.020", "jaw = 0.005"), (DUNLIN_SETUP, DUNLIN_SETUP.replace("6", "7"))],
     ("flat-cut", "warning"), ["the flat of cut", "room for 6"]),
    ("a wall that no easing helps", "plover", [("steepest = 70 ", "steepest = 20 ")],
     ("wall-steep", "warning"), ["a tumbler climbs 20°", "easing stops don't bring it below"]),
    ("flanks too steep", "dunlin", [("steepest = 45 ", "steepest = 30 ")],
     ("wall-steep", "warning"), ["the vee's flanks stand at 40°"]),
    ("a groove narrower than its cutter", "heron", [("cutter = 2.2 ", "cutter = 2.4 ")],
     ("gap-narrow", "error"), ["the groove is 2.30 mm wide and the cutter of 2.40 mm needs 2.40 mm"]),
    ("an island in the groove", "heron",
     [("cutter = 2.2 ", "cutter = 0.6 "), ("adjacent cuts differ by at most 2", "adjacent cuts differ by at most 0"),
      ('"no more than 3 equal cuts in a row",', ""), ('"left and right are not the same",', ""),
      ('"last cut is one of 1 2 3",', ""), ('"at least 3 different depths"', ""), ("seat = 0.3 ", "seat = 0.1 ")],
     ("island", "warning"), ["stands in the groove between cuts 1 and 2 of left"]),
    ("a sliver", "plover",
     [("cutter = 3.0 ", "cutter = 1.6 "), ("seat = 0.3 ", "seat = 0.2 "), ("prepared = 1.4 ", "prepared = 0.0 "),
      ("steepest = 70 ", "steepest = 90 ")],
     ("sliver", "warning"), ["a sliver of 0.20 mm", "at depth 5 the wall lies 3.20 mm in"]),
    ("walls that meet", "siskin", [("A = 1.85", "A = 0.0"), ('"at least 3.9 stands between left and right",', ""),
     ("cutter = 2.5 ", "cutter = 4.3 "), ("seat = 0.3 ", "seat = 0.1 "), ("steepest = 70 ", "steepest = 90 ")],
     [("metal-thin", "error"), ("uneven", "warning")], ["the walls meet"]),
    ("a thin web", "siskin", [("A = 1.85", "A = 0.15"), ('"at least 3.9 stands between left and right",', ""),
     ("cutter = 2.5 ", "cutter = 4.3 "), ("seat = 0.3 ", "seat = 0.1 "), ("steepest = 70 ", "steepest = 90 ")],
     [("metal-thin", "warning"), ("uneven", "warning")],
     ["only 0.30 mm of metal is left between cut 1 of left and cut 1 of right"]),
    ("a thin rail", "heron",
     [("1 = 3.45, 2 = 3.10, 3 = 2.75, 4 = 2.40, 5 = 2.05", "1 = 1.75, 2 = 1.40, 3 = 1.05, 4 = 0.70, 5 = 0.35"),
      ("width = 9.2 ", "width = 5.8 "), ("from = 9.20", "from = 5.80")],
     ("metal-thin", "warning"), ["only 0.35 mm of metal is left between cut", "its own edge"]),
    ("no floor", "plover", [("mill_depth = 1.0 ", "mill_depth = 1.3 ")],
     ("floor-thin", "error"), ["no metal is left between left of one face and right of the other"]),
    ("a thin floor", "plover", [("mill_depth = 1.0 ", "mill_depth = 1.15 ")],
     ("floor-thin", "warning"), ["only 0.30 mm"]),
    ("a slip of a digit in a table", "dunlin", [("5 = 0.265", "5 = 0.256")],
     ("uneven", "warning"), ["most depths lie 0.017 apart, but 4 and 5 0.026, 5 and 6 0.008: look again at the chart"]),
    ("a thin floor under one track", "siskin", [("mill_depth = 0.8 ", "mill_depth = 1.9 ")],
     ("floor-thin", "warning"), ["only 0.30 mm of metal is left under a track"]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "changes", "finding", "words"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN]
)
def test_each_broken_system_gets_its_finding(name, changes, finding, words) -> None:
    system = shipped(name, *changes)
    found = lint(system)
    assert faults(found) == (finding if isinstance(finding, list) else [finding]), found.findings
    told = found.findings[0]
    assert told.code in CODES
    for word in words:
        assert word in told.message
    assert not found.clean
    if told.witness is not None:
        assert bitting.check(bitting.parse_code(told.witness, system), system).legal


@pytest.mark.parametrize("name", shipped_systems())
def test_shipped_systems_are_clean(name: str) -> None:
    found = lint(shipped(name))
    assert faults(found) == []
    assert found.clean
