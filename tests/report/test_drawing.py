"""Drawings: to scale, true arcs, labels apart, and no code where it would be seen by others."""

from __future__ import annotations

import re
import stat
from itertools import combinations
from math import hypot, sqrt
from pathlib import Path
from xml.etree import ElementTree

import pytest
from attrs import evolve
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from bitting.cli.draw import command
from bitting.completion import complete
from bitting.counting import sample
from bitting.errors import BittingError
from bitting.geometry.frame import Frame
from bitting.geometry.profile import Piece
from bitting.machine.plan.plan import plan
from bitting.machine.plan.wall import lane_walls
from bitting.model import Depths, Place, System, code_of
from bitting.notation import parse_code
from bitting.report.blocks import blade_blocks
from bitting.report.drawing import SHOULDER, draw_svg, spread
from bitting.report.open_svg import open_svg
from bitting.systemfile import load_system, shipped_systems
from tests.plan_oracle import legal_depths
from tests.plan_systems import FOUR, SYSTEMS, VEE

GOLDEN = Path(__file__).parents[1] / "golden"
SVG = "{http://www.w3.org/2000/svg}"

WIDE = 0.66
"""No digit or capital of a common sans-serif is wider than this share of its size; from memory: DejaVu Sans 0.64."""


def drawn(system: System, seed: int = 1, *, measures: bool = False) -> ElementTree.Element:
    depths = next(legal_depths(system, 1, seed))
    return ElementTree.fromstring(draw_svg(code_of(system, depths), system, measures=measures))


def boxes(root: ElementTree.Element) -> list[tuple[str, float, float, float, float]]:
    """The room of every text, from its attributes alone."""
    found = []
    for text in root.iter(f"{SVG}text"):
        x, y, size = (float(text.attrib[name]) for name in ("x", "y", "font-size"))
        wide = len(text.text or "") * size * WIDE
        start = {"start": 0.0, "middle": -wide / 2, "end": -wide}[text.attrib["text-anchor"]]
        if "transform" in text.attrib:  # reads upwards: the text runs towards smaller y, its letters stand to the left
            found.append((text.text or "", x - size * 0.73, y - start - wide, x, y - start))
        else:
            found.append((text.text or "", x + start, y - size * 0.73, x + start + wide, y))
    return found


@pytest.mark.parametrize("measures", [False, True])
@pytest.mark.parametrize("name", shipped_systems())
def test_labels_never_overlap_nor_leave_the_page(name: str, measures: bool) -> None:
    root = drawn(load_system(name), measures=measures)
    found = boxes(root)
    width, height = (float(n) for n in root.attrib["viewBox"].split()[2:])
    assert len(found) > 10
    for a, b in combinations(found, 2):
        apart = a[3] <= b[1] or b[3] <= a[1] or a[4] <= b[2] or b[4] <= a[2]
        assert apart, (a, b)
    for text, left, top, right, bottom in found:
        assert left >= 0, text
        assert top >= 0, text
        assert right <= width, text
        assert bottom <= height, text


@pytest.mark.parametrize("system", [*map(load_system, shipped_systems()), *SYSTEMS], ids=lambda system: system.name)
def test_title_and_description_say_nothing_of_the_code(system: System) -> None:
    texts = {tuple(drawn(system, seed).find(f"{SVG}{tag}").text for tag in ("title", "desc")) for seed in range(6)}  # type: ignore[union-attr]
    assert len(texts) == 1
    title, description = texts.pop()
    assert title
    assert "numbered from the bow" in str(description)


def test_drawing_is_life_size() -> None:
    system = load_system("plover")
    code = code_of(system, next(legal_depths(system, 1, 1)))
    root = ElementTree.fromstring(draw_svg(code, system))
    width, height = root.attrib["viewBox"].split()[2:]
    assert (root.attrib["width"], root.attrib["height"]) == (f"{width}mm", f"{height}mm")
    middles = sorted({round((left + right) / 2, 3) for text, left, _, right, _ in boxes(root) if len(text) == 1})[:7]
    assert [b - a for a, b in zip(middles, middles[1:], strict=False)] == pytest.approx([2.3] * 6, abs=2e-3)
    twice = ElementTree.fromstring(draw_svg(code, system, zoom=2))
    assert float(twice.attrib["width"].removesuffix("mm")) == pytest.approx(2 * float(width))
    assert twice.attrib["viewBox"] == root.attrib["viewBox"]


ARC = re.compile(r"(-?[\d.]+) (-?[\d.]+)A([\d.]+) [\d.]+ 0 0 ([01]) (-?[\d.]+) (-?[\d.]+)")


def arc_middle(x0: float, y0: float, r: float, sweep: int, x1: float, y1: float) -> tuple[float, float]:
    """Half-way along a short SVG arc, after the end-point form of the SVG 1.1 recommendation (F.6): with sweep 1 the
    arc is drawn in the direction of growing angle, which on a page with y downwards is clockwise."""
    chord = hypot(x1 - x0, y1 - y0)
    rise = r - sqrt(max(r * r - chord * chord / 4, 0.0))
    nx, ny = (y1 - y0) / chord, -(x1 - x0) / chord  # to the left of the chord as seen on the page, y downwards
    side = 1 if sweep else -1
    return (x0 + x1) / 2 + side * nx * rise, (y0 + y1) / 2 + side * ny * rise


@pytest.mark.parametrize("name", ["plover", "wren", "siskin"])
def test_arcs_bulge_into_the_metal_where_the_wall_does(name: str) -> None:
    system = load_system(name)
    depths = next(legal_depths(system, 1, 6))
    svg = draw_svg(code_of(system, depths), system)
    walls = lane_walls(depths, system)
    arcs = {tuple(map(float, found)) for found in ARC.findall(svg)}
    first = re.search(r'd="M2 ([\d.]+)H([\d.]+)V', svg)  # the bow: its upper edge, and where the blade begins
    assert first
    top = float(first[1]) + (SHOULDER if system.stop == "shoulder" else 0.0)
    start = float(first[2]) - walls[0].frame.x_bow
    looked_at = 0
    for wall in walls:
        frame = wall.frame

        def place(piece: Piece, x: float, frame: Frame = frame) -> tuple[float, float]:
            return start + x, top + frame.across(frame.dimension(piece.at(x)))

        for piece in wall.wall:
            if piece.r and piece.hi - piece.lo > 0.05:
                looked_at += 1
                ends = (*place(piece, piece.lo), *place(piece, piece.hi))
                found = [a for a in arcs if (a[0], a[1], a[4], a[5]) == pytest.approx(ends, abs=2e-4)]
                assert len(found) == 1
                x0, y0, r, sweep, x1, y1 = found[0]
                assert r == pytest.approx(piece.r)
                middle = arc_middle(x0, y0, r, int(sweep), x1, y1)
                assert middle == pytest.approx(place(piece, middle[0] - start), abs=1e-3)
    assert looked_at > 3


def looks_as_it_did(name: str, svg: str) -> None:
    """Fail unless a drawing is the one that was looked at; the new one is then written beside it."""
    stored, new = GOLDEN / f"{name}.svg", GOLDEN / f"{name}.new.svg"
    if not stored.exists() or stored.read_text(encoding="utf-8") != svg:
        new.write_text(svg, encoding="utf-8")
        pytest.fail(f"look at {new} beside {stored}; if it is right, rename it to take its place")


def fixed(system: System) -> Depths:
    """A code that needs no diagram: depths going down and up the table."""
    rows = []
    for number, lane in enumerate(system.lanes):
        most = len(lane.track.labels) - 1
        rows.append(tuple(min(abs((cut + number) % (2 * most) - most), 3) for cut in range(lane.track.cuts)))
    return tuple(rows)


@pytest.mark.parametrize("name", shipped_systems())
def test_drawings_look_as_they_did(name: str) -> None:
    """Compared with the drawing that was looked at; a difference writes the new one beside it."""
    system = load_system(name)
    looks_as_it_did(name, draw_svg(code_of(system, fixed(system)), system, measures=True))


def test_open_cuts_look_as_they_did() -> None:
    system = load_system("plover")
    looks_as_it_did(
        "open-cuts", open_svg(complete(parse_code("left: 2133?44 / right: 11[2 3]442?", system), system), system)
    )


def test_open_codes_and_odd_sizes_are_refused() -> None:
    system = load_system("plover")
    with pytest.raises(BittingError, match="one known depth can be drawn"):
        draw_svg(parse_code("left: 21?3134 / right: 1124421", system), system)
    with pytest.raises(BittingError, match="0 times life size"):
        draw_svg(code_of(FOUR, [[0] * 7] * 2), FOUR, zoom=0)
    bare = evolve(FOUR, blade=evolve(FOUR.blade, width=None))
    with pytest.raises(BittingError, match="width"):
        draw_svg(code_of(bare, [[0] * 7] * 2), bare)


def test_names_are_escaped() -> None:
    odd = evolve(VEE, name="a<b & c", about="<x>")
    assert "a<b & c" in str(drawn(odd).find(f"{SVG}title").text)  # type: ignore[union-attr]


@given(st.lists(st.floats(-50, 50), max_size=12), st.floats(0.1, 5))
def test_spread_keeps_order_and_gap_and_moves_no_more_than_needed(places: list[float], gap: float) -> None:
    places.sort()
    moved = spread(places, gap)
    assert all(b - a >= gap - 1e-9 for a, b in zip(moved, moved[1:], strict=False))
    assert sum(moved) == pytest.approx(sum(places), abs=1e-6)  # pools keep their mean
    if all(b - a >= gap for a, b in zip(places, places[1:], strict=False)):
        assert moved == pytest.approx(places)


def test_command_writes_a_private_file_once(tmp_path: Path) -> None:
    target = tmp_path / "blade.svg"
    code = "left: 2133134 / right: 1124421"
    run = CliRunner().invoke(command, [code, "-s", "plover", "-o", str(target)])
    assert run.exit_code == 0, run.output
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    ElementTree.parse(target)
    assert "2133134" not in run.stdout
    again = CliRunner().invoke(command, [code, "-s", "plover", "-o", str(target)])
    assert again.exit_code == 2
    piped = CliRunner().invoke(command, ["-", "-s", "plover", "-o", "-"], input=code)
    assert piped.stdout == target.read_text(encoding="utf-8")
    wrong = CliRunner().invoke(command, ["left: 1111144 / right: 1124421", "-s", "plover", "-o", "-"])
    assert wrong.exit_code == 1
    assert "no legal code" in wrong.stderr
    nowhere = CliRunner().invoke(command, [code, "-s", "plover"])
    assert (nowhere.exit_code, nowhere.stdout) == (2, "")
    blocks = CliRunner().invoke(command, [code, "-s", "plover", "--blocks"])
    assert "█" in blocks.stdout


def test_blocks_show_deep_open_and_impossible_cuts() -> None:
    system = load_system("plover")
    lines = blade_blocks(parse_code("left: 1?59135 / right: 1111111", system), [Place(0, 3)])
    assert lines[0].startswith("left ")
    assert lines[2].split() == ["1", "?", "5", "?", "1", "3", "5"]
    assert lines[3].strip() == "^"
    assert lines[3].index("^") == lines[2].index("?", lines[2].index("5"))
    assert "░" in lines[0]
    assert "?" in lines[0]
    assert set("".join(blade_blocks(parse_code("1?59135 1111111", system), plain=True))) <= set("lefright ?#.123459")


def test_blocks_are_higher_where_cuts_are_shallower() -> None:
    system = load_system("plover")
    heights = " ▁▂▃▄▅▆▇█"
    top, bottom = blade_blocks(parse_code("1234512 1111111", system))[:2]
    total = [heights.index(a) + heights.index(b) for a, b in zip(top.ljust(len(bottom))[7:], bottom[7:], strict=True)]
    at_cuts = total[0::4]
    assert at_cuts[:5] == sorted(at_cuts[:5], reverse=True)
    assert at_cuts[4] < at_cuts[5]
    assert at_cuts[0] == 16


def test_blocks_draw_a_convenience_code_once_and_sides_that_differ_twice() -> None:
    assert len(blade_blocks(code_of(FOUR, [[0] * 7, [1] * 7]))) == 6
    grebe = load_system("grebe")
    names = [line.split()[:2] for line in blade_blocks(code_of(grebe, fixed(grebe)))]
    assert names[0][0] == "top"
    assert names[3][0] == "bottom"


@pytest.mark.parametrize("name", ["grebe", "plover", "siskin"])
def test_the_command_says_the_metal_that_the_plan_says(name: str, tmp_path: Path) -> None:
    system = load_system(name)
    code = next(iter(sample(system, 1, seed=4)))
    told = CliRunner().invoke(command, [str(code), "-s", name, "-o", str(tmp_path / "key.svg")]).stdout
    (least,) = re.findall(r"; metal left across the blade, at least: ([\d.]+) mm", told)
    assert float(least) == pytest.approx(plan(code, system).simulation.stages[-1].web, abs=0.0051)
