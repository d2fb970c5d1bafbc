"""The JSON of values: names and their order are promises, whatever the values are made of."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

import bitting
from bitting.authoring.fit import Estimate
from bitting.cli import main
from bitting.linting import lint
from bitting.linting.readout import Slips
from bitting.machine.plan.plan import plan

CODE = "left: 2133244 / right: 1124421"


def test_a_plan_keeps_its_names_in_their_order() -> None:
    system = bitting.load_system("plover")
    found = plan(bitting.parse_code(CODE, system), system, ease=True).as_dict()
    assert " ".join(found) == (
        "format system unit eased legal moves widest_bite tracks simulation warnings setup between after copying cautions "
        "cut_through obstacles taken rule_web"
    )
    assert found["between"] == [{"side": "bottom", "text": found["between"][0]["text"]}]
    track = found["tracks"][0]
    assert " ".join(track) == "side track direction steps"
    assert " ".join(track["steps"][0]) == "action to space depth milling bite"
    assert " ".join(found["simulation"]) == "gouge residual reached missed flats walls stages slivers"
    assert " ".join(found["simulation"]["flats"][0]) == "side track name allowed reached gouge residual"
    assert " ".join(found["simulation"]["walls"][0]) == "side track cuts angle too_steep"
    assert " ".join(found["simulation"]["stages"][0]) == "side track web floor"
    figures = [
        step[name] for track in found["tracks"] for step in track["steps"] for name in ("space", "depth", "bite")
    ]
    assert figures == [round(figure, 6) for figure in figures]


def test_figures_on_a_users_machine_stand_in_the_steps_that_have_them(tmp_path) -> None:  # type: ignore[no-untyped-def]
    from bitting.systemfile.machine import load_machine

    path = tmp_path / "machine.toml"
    path.write_text('format = 1\nunit = "mm"\n[depth]\nper_turn = 1.0\ndivisions = 100\nclockwise = "deepens"\n')
    system = bitting.load_system("plover")
    steps = plan(bitting.parse_code(CODE, system), system, machine=load_machine(path)).as_dict()["tracks"][0]["steps"]
    assert all(("setting" in step) == ("turns" in step) for step in steps)
    assert [list(step)[-2:] for step in steps if "setting" in step] == [["setting", "turns"]] * len(
        [step for step in steps if "setting" in step]
    )
    assert any("setting" in step for step in steps)


def test_lint_and_slips_say_what_they_have() -> None:
    assert " ".join(lint(bitting.load_system("wren")).as_dict()) == "format system clean findings figures"
    assert Slips(0.1, None, 0.3).as_dict() == {"any_depth": 0.1, "off_by_one": None, "swap": 0.3, "exact": True}
    assert Estimate(8.6, 0.01).as_dict() == {"mean": 8.6, "sd": 0.01}


@pytest.mark.parametrize("command", ["check", "decode", "plan", "lint"])
def test_a_command_prints_what_its_answer_holds(command: str) -> None:
    system = bitting.load_system("wren")
    readings = "8.27 7.14 7.66 8.25 7.15 7.70 8.22 8.26"
    code = bitting.parse_code("1 2 2 1 2 2 1 1", system)
    text, answer = {
        "check": ([code.text], bitting.check(code)),
        "decode": ([readings], bitting.decode(bitting.parse_readings(readings, system), system)),
        "plan": ([code.text], plan(code, system)),
        "lint": ([], lint(system)),
    }[command]
    given = ["systems", "lint", "wren"] if command == "lint" else [command, *text, "-s", "wren"]
    printed = json.loads(CliRunner().invoke(main, [*given, "--json"]).stdout)
    held = json.loads(json.dumps(answer.as_dict()))
    assert printed == ({"format": 1, "results": [held]} if command == "check" else held)
    with pytest.raises(AttributeError):
        bitting.check_many(system, [code.text]).verdict = None  # type: ignore[misc]
