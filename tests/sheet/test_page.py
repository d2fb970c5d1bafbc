"""The page's facts and file, and the command that writes it."""

from __future__ import annotations

import json
import os
import re
import stat
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import html5lib
import pytest
from click.testing import CliRunner, Result

from bitting.cli import main
from bitting.errors import BittingError
from bitting.grammars import folder
from bitting.machine.inspect.inspection import inspect
from bitting.machine.plan.plan import parse_take, plan
from bitting.model import System
from bitting.notation import parse_code, parse_readings
from bitting.notation.aloud import spell
from bitting.sheet.html import page_html, part, policy, script_text
from bitting.sheet.moves import PageStep, steps_of
from bitting.sheet.page import inspecting_of, page_of
from bitting.systemfile import load_system, shipped_systems
from bitting.systemfile.machine import load_machine
from tests.conftest import but_long
from tests.sheet.conftest import CODES, page_facts

READ = "left: 8.11 8.54 7.66 7.68 8.09 7.21 7.22 / right: 8.55 8.56 8.10 7.22 7.23 8.11 8.57"

MACHINE = """format = 1
name = "by the window"
unit = "mm"
[space]
per_turn = 1.0
divisions = 100
clockwise = "to-bow"
[depth]
per_turn = 0.5
divisions = 50
clockwise = "deepens"
[corrections]
space = 0.02
depth = -0.01
"""


def run(*arguments: str, **options: Any) -> Result:
    return CliRunner().invoke(main, ["sheet", *arguments], **options)


@pytest.mark.parametrize("name", shipped_systems())
def test_the_file_is_valid_small_and_self_contained(name: str) -> None:
    text = page_html(page_facts(name))
    html5lib.HTMLParser(strict=True).parse(text)  # raises on the first mistake
    assert len(text.encode()) < 300_000
    seen = Seen(text)
    assert len(seen.ids) == len(set(seen.ids))
    assert {"src", "srcset", "action", "formaction", "style", "background", "ping"}.isdisjoint(seen.attributes)
    assert not [name for name in seen.attributes if name.startswith("on")]
    assert "href" not in seen.attributes
    assert not re.search(r"@import|url\((?!#)", text)
    assert policy(script_text(), part("style.css")) == seen.policy


class Seen(HTMLParser):
    """What stands in a page: every attribute's name, every id, and the policy."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.attributes: set[str] = set()
        self.ids: list[str] = []
        self.policy = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.attributes.update(found)
        self.ids += [str(found["id"])] if "id" in found else []
        if found.get("http-equiv") == "Content-Security-Policy":
            self.policy = str(found["content"])
        assert tag != "link"


@pytest.mark.parametrize("name", shipped_systems())
def test_the_steps_are_the_plan(name: str) -> None:
    code = parse_code(CODES[name], load_system(name))
    made = plan(code, code.system)
    page = page_of(made, code)
    moves = [step for step in page.steps if step.kind == "move"]
    numbered = [step.number for step in moves if step.number is not None]
    assert numbered == list(range(1, made.moves - len(made.tracks) + 1))
    planned = [step for track in made.tracks for step in track.steps]
    for shown, step, before in zip(moves, planned, [None, *planned], strict=False):
        assert shown.space is not None
        assert shown.depth is not None
        if step.action == "start":
            assert shown.number is None
            assert shown.space.changes
            assert shown.depth.changes
            continue
        assert before is not None
        assert shown.space.changes == (step.space != before.space)
        assert shown.depth.changes == (step.depth != before.depth)
        if step.action in ("space", "depth"):
            setting, value = (shown.space, step.space) if step.action == "space" else (shown.depth, step.depth)
            assert setting.name == f"{'cut' if step.action == 'space' else 'depth'} {step.to}"
            number, unit = setting.value.split()
            per = {"mm": 1.0, "thou": 1000.0}[unit]
            assert float(number) == pytest.approx(value * per, abs=0.06 if unit == "thou" else 0.006)
    assert [step.kind for step in page.steps if step.kind != "move"] == [
        "ready", *("turn" for _ in code.system.sides[1:]), "done"
    ]  # fmt: skip
    ticked = [first + i for listed in page.lists for _, first in listed.sides for i in range(len(listed.moves) - 1)]
    assert sorted(ticked) == numbered


def test_where_the_order_matters_it_is_said_before() -> None:
    steps = [step for step in page_facts("plover").steps if step.kind == "move"]
    made = plan(parse_code(CODES["plover"], load_system("plover")), load_system("plover"))
    planned = [step for track in made.tracks for step in track.steps]
    warned = 0
    for before, here, after, shown in zip(planned, planned[1:], planned[2:], steps[1:], strict=False):
        if "start" in (here.action, after.action):
            continue
        deepens = here.space != before.space and after.depth < here.depth  # far-edge: less metal left is deeper
        backs = here.depth > before.depth and after.space != here.space
        expected = "Space first" if deepens else "Depth first" if backs else ""
        assert shown.warning.startswith(expected)
        assert bool(shown.warning) == bool(expected)
        assert shown.warning in shown.said
        warned += bool(expected)
    assert warned > 10


@pytest.mark.parametrize("name", but_long(shipped_systems(), "dunlin", "heron", "plover", "siskin"))
def test_what_lies_on_a_limit_is_judged_as_the_limit_says(name: str) -> None:
    """Every window that the page prints, at both ends and just past them, as `inspect` judges it."""
    code = parse_code(CODES[name], load_system(name))
    found = inspecting_of(code)
    assert found is not None
    judging = found.judging
    tiny = code.system.from_mm(1e-6)
    for row in judging.rows:
        ends = {row.recut + -row.deeper * tiny: "recut", row.scrap + row.deeper * tiny: "fail"}
        if row.go is not None:
            ends |= {row.go[0] + tiny: "pass", row.go[1] - tiny: "pass", row.go[0] - tiny: "uncertain"}
        for value, verdict in ends.items():
            assert verdict_of(code.system, code, row.side, row.track, row.cut, value, judging.readings) == verdict


def verdict_of(system: System, code: Any, side: str | None, track: str, cut: int, value: float, count: int) -> str:
    from bitting.model import ReadCut, Reading, Readings

    reading = Reading(value, None, system.from_mm(0.01), (0, 0))
    read = ReadCut(side, track, cut - 1, (reading,) * count)
    result = inspect(code, Readings(system, "", system.unit, (read,)), system)
    return next(c.verdict for c in result.cuts if (c.side, c.track, c.cut) == (side, track, cut))


def test_a_system_without_a_tolerance_has_no_table_of_limits() -> None:
    from attrs import evolve

    system = load_system("wren")
    silent = evolve(system, measuring=evolve(system.measuring, tolerance=None))
    code = parse_code(CODES["wren"], silent)
    assert inspecting_of(code) is None
    text = page_html(page_of(plan(code, silent), code))
    assert "Inspect the finished key" not in text
    html5lib.HTMLParser(strict=True).parse(text)


def test_names_from_a_system_file_are_escaped() -> None:
    from attrs import evolve

    system = load_system("wren")
    odd = evolve(
        system, about='<script>alert(1)</script> & "quoted"', tracks=(evolve(system.tracks[0], name="</script>"),)
    )
    code = parse_code(CODES["wren"], odd)
    text = page_html(page_of(plan(code, odd), code, inspecting=inspecting_of(code)))
    html5lib.HTMLParser(strict=True).parse(text)
    assert text.count("<script") == 2
    assert text.count("</script>") == 2


def test_written_to_the_file_asked_for_and_nowhere_else(tmp_path: Path) -> None:
    target = tmp_path / "key.html"
    result = run("-s", "plover", "-o", str(target), input=CODES["plover"] + "\n")
    assert result.exit_code == 0, result.output
    assert os.listdir(tmp_path) == ["key.html"]
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert "2 1 3 3" not in result.output
    text = target.read_text(encoding="utf-8")
    assert "2 1 3 3" not in re.search(r"<title>(.*?)</title>", text)[1]  # type: ignore[index]
    again = run("-s", "plover", "-o", str(target), input=CODES["plover"] + "\n")
    assert again.exit_code == 2
    assert "there already" in again.output
    assert run("-s", "plover", "-o", str(target), "--force", input=CODES["plover"] + "\n").exit_code == 0
    other = target.read_text(encoding="utf-8")
    name = re.compile(r'"keep": "([0-9a-f]{32})"')
    assert name.search(text)[1] != name.search(other)[1]  # type: ignore[index]


def test_a_change_of_a_key_that_is_cut_already(tmp_path: Path) -> None:
    target = tmp_path / "key.html"
    result = run("-s", "plover", "-o", str(target), "--have", "-", input=f"{CODES['plover']}\n2133244 1124431\n")
    assert result.exit_code == 2
    assert "metal can't be put back" in result.stderr
    result = run("-s", "plover", "-o", str(target), "--have", "-", input=f"{CODES['plover']}\n2133243 1124421\n")
    assert result.exit_code == 0, result.output
    text = target.read_text(encoding="utf-8")
    assert "A change of a key that is cut already" in text
    moves = [step for step in _facts(target)["steps"] if step["number"] is not None]
    assert len(moves) < 20
    assert {step["depth"]["name"] for step in moves} == {"depth 1", "depth 4"}
    html5lib.HTMLParser(strict=True).parse(text)
    result = run("-s", "plover", "-o", str(target), "--force", "--take", "right 3 by 0.10", input=CODES["plover"])
    assert result.exit_code == 0, result.output
    assert "depth 2 + 0.10" in {step["depth"]["name"] for step in _facts(target)["steps"] if step["depth"]}


def test_an_illegal_code_gets_no_page(tmp_path: Path) -> None:
    target = tmp_path / "key.html"
    result = run("left: 2133144 / right: 1124421", "-s", "plover", "-o", str(target))
    assert result.exit_code == 1
    assert "differ by 3" in result.output
    assert "no page was made" in result.output
    assert os.listdir(tmp_path) == []
    answer = json.loads(run("2133?44 1124421", "-s", "plover", "-o", str(target), "--json").stdout)
    assert (answer["output"], answer["legal"]) == (None, False)
    assert answer["findings"][0]["rule"] == "unknown-cut"


def test_a_plan_that_the_simulation_faults_gets_no_page(tmp_path: Path) -> None:
    machine = tmp_path / "wide.toml"
    machine.write_text(MACHINE.replace("[corrections]", "[cutter]\ndiameter = 9.0\n[corrections]"))
    target = tmp_path / "key.html"
    result = run(CODES["plover"], "-s", "plover", "-o", str(target), "--machine", str(machine))
    assert result.exit_code == 1
    assert "THIS CUTS TOO DEEP" in result.output
    assert not target.exists()
    code = parse_code(CODES["plover"], load_system("plover"))
    faulty = plan(code, code.system, machine=load_machine(machine))
    with pytest.raises(BittingError, match="not good"):
        page_of(faulty, code)


def test_with_a_machine_every_move_says_where_the_dial_stands(tmp_path: Path) -> None:
    machine = tmp_path / "bench.toml"
    machine.write_text(MACHINE)
    target = tmp_path / "key.html"
    result = run(CODES["plover"], "-s", "plover", "-o", str(target), "--machine", str(machine), "--json")
    assert json.loads(result.stdout)["bytes"] == len(target.read_bytes()) < 300_000
    steps: list[PageStep] = [s for s in _facts(target)["steps"] if s["kind"] == "move"]
    to_cut_1 = next(s for s in steps if s["space"]["changes"] and s["space"]["name"] == "cut 1")  # type: ignore[index]
    assert to_cut_1["space"]["value"] == "21.42 mm"  # type: ignore[index]  # 21.40 and the correction
    assert to_cut_1["space"]["dial"].startswith("dial 21 turns 42.0")  # type: ignore[index]
    assert all(s["space"]["dial"] or s["depth"]["dial"] for s in steps)  # type: ignore[index]


@pytest.mark.parametrize("name", shipped_systems())
def test_on_paper_every_list_begins_with_both_settings(name: str, tmp_path: Path) -> None:
    """The script shows the start on its dials; without it the list alone says at which depth the first cut is made."""
    path = tmp_path / "bench.toml"
    path.write_text(MACHINE)
    for machine in (None, load_machine(path)):
        page = page_facts(name, machine=machine)
        tables = html5lib.parse(page_html(page), namespaceHTMLElements=False).findall(".//table[@class='moves']")
        starts = [" ".join(" ".join(table.find("tbody/tr").itertext()).split()) for table in tables]
        assert len(starts) == len(page.lists)
        for said, listed in zip(starts, page.lists, strict=True):
            space, depth = listed.moves[0].space, listed.moves[0].depth
            assert space is not None
            assert depth is not None
            assert said.startswith("start")
            place = f"SPACE to load place, off the tip{space.dial and ': '}{space.dial}"
            to = f"DEPTH to {depth.name}{depth.dial and ': '}{depth.dial}"
            assert f"{place} {to} {depth.value} {depth.other}".strip() in said
            assert depth.name == "clear of the blade" or (depth.value and depth.other)
            assert bool(machine) == bool(space.dial)


def _facts(path: Path) -> Any:
    text = path.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="facts">(.*?)</script>', text, re.DOTALL)
    assert found
    return json.loads(found[1])


def test_the_page_says_why_the_readings_are_not_sure(tmp_path: Path) -> None:
    out = tmp_path / "key.html"
    tip = "left: 7.11 7.13 6.71 7.17 8.09 7.60 8.03 / right: 7.09 6.71 7.17 7.63 7.10 7.57 7.62"
    code = "left: 2324544 / right: 3343454"
    done = CliRunner().invoke(main, ["sheet", code, "-s", "plover", "--readings", tip, "-o", str(out)])
    assert done.exit_code == 0
    page = " ".join(out.read_text(encoding="utf-8").split())
    assert "if the list was taken as said below" in page
    assert "the list was taken from the tip" in page


def test_with_readings_the_decoded_key_stands_beside_the_code(tmp_path: Path) -> None:
    target = tmp_path / "key.html"
    result = run(CODES["plover"], "-s", "plover", "-o", str(target), "--readings", READ)
    assert result.exit_code == 0, result.output
    text = target.read_text(encoding="utf-8")
    assert "The most probable code of these readings is the one on this page." in text
    assert text.count("<tr>") > 28
    html5lib.HTMLParser(strict=True).parse(text)
    seen = Seen(text)
    assert len(seen.ids) == len(set(seen.ids))
    other = run("left: 2133244 / right: 1124422", "-s", "plover", "-o", str(target), "--readings", READ, "--force")
    assert other.exit_code == 0, other.output
    assert "These readings say another code" in target.read_text(encoding="utf-8")
    assert "the readings don't say this code for sure" in other.stderr
    assert result.stderr == ""


@pytest.mark.parametrize("options", [(), ("--jaw", "0"), ("--jaw", "1.5"), ("--caliper", "0.08"), ("--contact", "0.3")])
def test_the_old_key_is_decoded_as_by_decode_with_the_same_caliper(options: tuple[str, ...], tmp_path: Path) -> None:
    target = tmp_path / "key.html"
    assert run(CODES["plover"], "-s", "plover", "-o", str(target), "--readings", READ, *options).exit_code == 0
    result = CliRunner().invoke(main, ["decode", READ, "-s", "plover", "--json", *options])
    found = json.loads(result.stdout)
    text = target.read_text(encoding="utf-8")
    assert ("DOESN" in text) == (found["verdict"] == "no-fit")
    read = re.findall(r"<td>([+-]\d\.\d{3})</td>", text)
    assert [float(one) for one in read[:14]] == [round(cut["deviation"], 3) for cut in found["cuts"]]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((), "where should the page go"),
        (("-o", "-", "--json"), "only one answer fits"),
        (("-o", "x.html", "--hand", "repeats"), "before anything is measured"),
        (("-o", "no/such/folder/x.html"), "there is no folder"),
    ],
)
def test_what_can_t_be_done_is_said(arguments: tuple[str, ...], message: str) -> None:
    result = run(CODES["plover"], "-s", "plover", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stdout == ""


def test_on_standard_output() -> None:
    result = run(CODES["wren"], "-s", "wren", "-o", "-")
    assert result.exit_code == 0
    html5lib.HTMLParser(strict=True).parse(result.stdout)


@pytest.mark.parametrize(
    ("label", "words"),
    [("0", "zero"), ("10", "ten"), ("42", "forty-two"), ("07", "zero seven"), ("A", "A Alfa"), ("x", "small x X-ray"),
     ("A2", "A Alfa two"), ("½", "½")],
)  # fmt: skip
def test_spelled_for_reading_aloud(label: str, words: str) -> None:
    assert spell(label) == words


def test_readings_of_one_face_leave_the_other_open() -> None:
    """The page's rows are those of `inspect`, a convenience key's for both faces."""
    code = parse_code(CODES["plover"], load_system("plover"))
    found = inspecting_of(code)
    assert found is not None
    readings = parse_readings(f"top({READ}); bottom({READ})", code.system)
    rows = [(cut.side, cut.track, cut.cut) for cut in inspect(code, readings, code.system).cuts]
    assert sorted(map(str, rows)) == sorted(str((row.side, row.track, row.cut)) for row in found.judging.rows)
    places = [place for row in found.rows for _, place in row.places]
    assert sorted(places) == list(range(28))


def test_the_same_advice_for_two_tracks_names_each() -> None:
    system = load_system("siskin")
    code = parse_code("left: EFEEDFDDF / right: CECDDECDE", system)
    advice = page_of(plan(code, system), code).advice
    assert [line.partition(":")[0] for line in advice] == ["left", "right"]


def test_the_dial_of_a_move_that_takes_up_the_play_is_told_as_the_plan_tells_it(tmp_path: Path) -> None:
    """In heron's groove, where the depth can't be gone past: the turn and what it does, the bracket between them gone."""
    system = load_system("heron")
    machine = tmp_path / "m.toml"
    machine.write_text(MACHINE.replace('"deepens"', '"deepens"\nbacklash = 0.1'))
    made = plan(parse_code("11122211 33353353", system), system, machine=load_machine(machine))
    turns = [step.depth.turn for step in steps_of(made) if step.depth and step.depth.changes]
    told = [step.turns for track in made.tracks for step in track.steps if step.play]
    assert len(told) == 4
    for text in told:
        turn = str(text).partition(" (")[2].replace("), which", ", which")
        assert turn.endswith(", which takes up the play")
        assert turn in turns


def test_a_correction_of_one_side_has_a_page_of_that_side_alone() -> None:
    system = load_system("plover")
    code = parse_code("2133244 1124421", system)
    page = page_of(plan(code, system, take=[parse_take("bottom left 6 by 0.15", system)]), code)
    assert page.plan.taken == "bottom left 6 by 0.15 mm"
    assert [step.where.rpartition(", ")[2] for step in page.steps if step.kind in ("move", "turn")] == [
        "bottom left"
    ] * 5


def test_where_the_page_goes_to_standard_output_a_refusal_stands_beside_it(tmp_path: Path) -> None:
    thin = tmp_path / "thin.toml"  # two faces milled 1.0 into a blade of 2.0
    plover = Path(folder("systems"), "plover.toml").read_text(encoding="utf-8")
    thin.write_text(plover.replace("thickness = 2.6", "thickness = 2.0"), encoding="utf-8")
    for code, system, reason in (
        ("2133?44 1124421", "plover", "unknown-cut"),
        (CODES["plover"], str(thin), "DON'T CUT IT: the key would be cut through"),
    ):
        refused = run(code, "-s", system, "-o", "-")
        kept = run(code, "-s", system, "-o", str(tmp_path / "page.html"))
        assert (refused.exit_code, kept.exit_code, refused.stdout) == (1, 1, "")
        assert sorted(refused.output.splitlines()) == sorted(kept.output.splitlines())
        assert reason in kept.stdout
        assert kept.stdout.endswith("no page was made\n")
    assert os.listdir(tmp_path) == ["thin.toml"]
