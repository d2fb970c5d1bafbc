"""The shipped systems: that they load, say where they came from, and could be cut from metal.

The limits are common practice for side-milled and edge-cut keys; the formulas are worked out beside each check.
"""

from __future__ import annotations

import math
import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from bitting.grammars import folder
from bitting.machine.plan.plan import plan
from bitting.model import System, Track, code_of
from bitting.systemfile import load_system, shipped_systems

NAMES = ("dunlin", "grebe", "heron", "plover", "siskin", "wren")
SYSTEMS = [load_system(name) for name in NAMES]
MILLED = [system for system in SYSTEMS if system.cutting.shape == "round"]
VEE = [system for system in SYSTEMS if system.cutting.shape == "vee"]


def ids(system: System) -> str:
    return system.name


def wall(track: Track, depth: float, width: float) -> float:
    """How far the wall of a cut stands from the track's own edge."""
    if track.measured == "own-edge":
        return depth
    if track.measured == "far-edge":
        return width - depth
    return width / 2 - depth


def pitch(track: Track) -> float:
    return min(abs(b - a) for a, b in pairwise(track.spaces))


def most_adjacent(system: System) -> int:
    """The largest difference of neighbours that the rules allow, as read from their sentences."""
    found = [
        re.search(r"at most (\d+) (?:deeper|shallower)|differ by at most (\d+)|MACS is (\d+)", s) for s in system.must
    ]
    return max(int(next(filter(None, match.groups()))) for match in found if match)


def test_one_system_for_each_family() -> None:
    assert shipped_systems() == NAMES
    by_name = dict(zip(NAMES, SYSTEMS, strict=True))
    shape = {
        name: (s.tracks[0].milling, len(s.tracks), len(s.sides), s.convenience, s.stop, s.unit)
        for name, s in by_name.items()
    }
    assert shape == {
        "wren": ("external", 1, 2, True, "shoulder", "mm"),
        "plover": ("external", 2, 2, True, "tip", "mm"),
        "heron": ("internal", 2, 2, True, "shoulder", "mm"),
        "dunlin": ("edge", 1, 0, False, "shoulder", "in"),
        "grebe": ("edge", 1, 2, False, "tip", "mm"),
        "siskin": ("external", 2, 0, False, "tip", "mm"),
    }
    assert by_name["siskin"].tracks[0].labels == ("F", "E", "D", "C", "B", "A")


@pytest.mark.parametrize("name", NAMES)
def test_the_file_says_that_it_is_invented_and_comments_every_choice(name: str) -> None:
    lines = Path(folder("systems"), f"{name}.toml").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith(f"# {name}: INVENTED for the examples")
    assert "invented" in load_system(name).source
    assert load_system(name).name == name
    silent = [
        f"{number}: {line}"
        for number, line in enumerate(lines, start=1)
        if line.strip() and "#" not in line and not re.match(r"\[|\]|must = \[$", line)
    ]
    assert silent == []


@pytest.mark.parametrize("name", NAMES)
def test_every_table_and_every_measuring_key_is_stated(name: str) -> None:
    data = tomllib.loads(Path(folder("systems"), f"{name}.toml").read_text(encoding="utf-8"))
    assert set(data) == {"format", "system", "blade", "tracks", "rules", "locks", "cutting", "measuring"}
    keys = {
        "tolerance",
        "reading_sd",
        "offset_sd",
        "tilt_sd",
        "left_right_sd",
        "wear",
        "outliers",
        "cut_sd",
        "jaw",
        "reclamp_sd",
    }
    assert set(data["measuring"]) - {"across"} == keys
    assert ("across" in data["measuring"]) == (
        len(data["tracks"]) == 2 or (data["tracks"][0]["milling"] == "edge" and "sides" in data["system"])
    )
    assert {"seat", "steepest", "direction", "rotation", "setup"} <= set(data["cutting"])


@pytest.mark.parametrize("system", SYSTEMS, ids=ids)
def test_setup_cut_is_the_deepest_that_can_be_cut_and_not_at_an_end(system: System) -> None:
    """By the simulated cutter: one deeper would take metal from the cuts beside it, and `align` would blame the machine."""
    setup = system.cutting.setup
    assert setup is not None
    assert all(0 < setup.cut < track.cuts - 1 for track in system.tracks)
    gouged = []
    for deep in range(setup.depth, len(system.tracks[0].labels)):
        rows = [[deep * (cut == setup.cut) for cut in range(lane.track.cuts)] for lane in system.lanes]
        gouged.append(plan(code_of(system, rows), system).simulation.gouge > system.from_mm(0.001))
    assert gouged == [False, *[True] * (len(gouged) - 1)]


@pytest.mark.parametrize("system", SYSTEMS, ids=ids)
def test_depths_fit_the_blade_and_can_be_told_apart(system: System) -> None:
    m = system.measuring
    width, seat = system.need("blade.width"), system.need("cutting.seat")
    parts = (system.need("measuring.reading_sd"), system.need("measuring.offset_sd"), system.need("measuring.cut_sd"))
    once = math.sqrt(sum(part * part for part in parts))
    assert system.step > 2 * once
    assert m.tolerance is not None
    assert m.tolerance < system.step / 2
    for track in system.tracks:
        places = [wall(track, depth, width) for depth in track.depths]
        assert all(0 < place < width for place in places)
        # Deeper is away from the own edge, except in a groove, whose walls face the middle.
        outward = track.milling == "internal"
        assert all((b < a) == outward for a, b in pairwise(places))
        assert pitch(track) > seat
        assert (track.spaces[-1] > track.spaces[0]) == (system.stop == "shoulder")


@pytest.mark.parametrize("system", MILLED, ids=ids)
def test_a_milled_key_is_usual_and_stands(system: System) -> None:
    blade, cutting = system.blade, system.cutting
    width, thickness, milled = (
        system.need("blade.width"),
        system.need("blade.thickness"),
        system.need("blade.mill_depth"),
    )
    assert 8 <= width <= 10
    assert 2 <= thickness <= 3
    assert 0.8 <= milled <= 1.2
    radius = system.need("cutting.cutter") / 2
    for track in system.tracks:
        low, high = (1.5, 2.2) if track.milling == "internal" else (2.0, 3.5)
        assert low <= 2 * radius <= high
        assert 4 <= len(track.labels) <= 6
        assert 6 <= track.cuts <= 10
        assert system.step >= 0.35 - 1e-9
        assert system.step <= 0.70
        assert 2.0 <= pitch(track) <= 3.0
        # A cutter at a deeper cut can't reach the seat of its neighbour.
        assert pitch(track) - system.need("cutting.seat") / 2 >= radius
        # The largest step that the rules allow leaves a wall that a tumbler climbs, by square moves.
        steepest = math.degrees(math.acos(1 - most_adjacent(system) * system.step / radius))
        assert steepest <= system.need("cutting.steepest") <= 70
        # The floor under a track, where both faces of a convenience key may be milled over each other.
        both = system.convenience and len(system.tracks) == 2
        assert thickness - (2 if both else 1) * milled >= 0.4
        if track.milling == "external":
            # No sliver: what stands outboard of the cutter at the deepest wall has been milled off the blank already.
            assert wall(track, track.depths[-1], width) - 2 * radius <= (blade.prepared or 0)
    seat = system.need("cutting.seat")
    assert radius - math.sqrt(radius**2 - (seat / 2) ** 2) < system.need("measuring.tolerance") / 2
    assert cutting.angle is None


@pytest.mark.parametrize("system", [s for s in MILLED if len(s.tracks) == 2], ids=ids)
def test_across_is_the_web_or_the_groove(system: System) -> None:
    across, width = system.measuring.across, system.need("blade.width")
    assert across is not None
    left, right = system.tracks
    for a, b in ((0, 0), (0, -1), (-1, -1)):
        reading = across.scale * (left.depths[a] + right.depths[b]) + across.amount
        between = width - wall(left, left.depths[a], width) - wall(right, right.depths[b], width)
        assert reading == pytest.approx(between)
    web = width - 2 * wall(left, left.depths[-1], width)
    assert web >= 1.5


def test_the_groove_passes_the_cutter_and_leaves_no_island() -> None:
    heron = load_system("heron")
    left, right = heron.tracks
    cutter = heron.need("cutting.cutter")
    groove = {(a, b): 9.2 - left.depths[a] - right.depths[b] for a in range(5) for b in range(5)}
    allowed = {pair: gap for pair, gap in groove.items() if sum(pair) + 2 <= 7}
    assert "left and right add up to at most 7 at every cut" in heron.must
    assert min(groove.values()) >= cutter
    assert max(allowed.values()) <= 2 * cutter < max(groove.values())
    assert min(left.depths) >= 1.5


@pytest.mark.parametrize("system", VEE, ids=ids)
def test_vee_cuts_leave_what_the_rules_allow(system: System) -> None:
    track = system.tracks[0]
    angle, root = system.need("cutting.angle"), system.need("cutting.root")
    inches = [system.in_mm(length) / 25.4 for length in (system.step, pitch(track))]
    assert 90 <= angle <= 110
    assert 0.0125 <= inches[0] <= 0.028
    assert 0.125 <= inches[1] <= 0.175
    assert system.need("cutting.seat") <= root
    assert 90 - angle / 2 <= system.need("cutting.steepest")
    # Two half flats and the flank between two depths must fit into one pitch.
    macs = (pitch(track) - root) / (system.step * math.tan(math.radians(angle / 2)))
    assert most_adjacent(system) == math.floor(macs)


def test_metal_left_bars_something_and_not_much() -> None:
    grebe, siskin = load_system("grebe"), load_system("siskin")
    assert "at least 3.5 stands between top and bottom" in grebe.must
    depths = grebe.tracks[0].depths
    assert {(a + 1, b + 1) for a in range(5) for b in range(5) if 8.6 - depths[a] - depths[b] < 3.5} == {
        (4, 5),
        (5, 4),
        (5, 5),
    }
    assert "at least 3.9 stands between left and right" in siskin.must
    depths = siskin.tracks[0].depths
    assert [(a, b) for a in range(6) for b in range(6) if depths[a] + depths[b] < 3.9] == [(5, 5)]


def test_plover_is_the_four_track_key_of_the_documentation() -> None:
    plover = load_system("plover")
    left, right = plover.tracks
    assert (left.name, right.name) == ("left", "right")
    assert left.spaces == (21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6)
    assert dict(zip(left.labels, left.depths, strict=True)) == {"1": 8.6, "2": 8.15, "3": 7.7, "4": 7.25, "5": 6.8}
    assert plover.must == ("adjacent cuts differ by at most 2", "on left, first cut is one of 1 2 3")
    assert plover.locks == {"door": (0, 1, 2, 3, 4), "steering": (2, 3, 4, 5, 6)}
