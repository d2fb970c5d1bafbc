"""`bitting systems lint` at the command line: what it prints, in which shape, with which status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bitting.cli import main
from bitting.grammars import folder
from bitting.linting import CODES, Linted, LintFinding
from bitting.report.systems import render_lint


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["systems", "lint", *arguments])


@pytest.fixture
def idle(tmp_path: Path) -> str:
    """The path of a system with a rule that does nothing."""
    text = Path(folder("systems"), "plover.toml").read_text(encoding="utf-8")
    path = tmp_path / "plover.toml"
    path.write_text(text.replace("must = [", 'must = ["adjacent cuts differ by at most 4",'), encoding="utf-8")
    return str(path)


def test_a_clean_system() -> None:
    answer = run("plover")
    assert answer.exit_code == 0
    assert answer.stdout.startswith("plover: clean\n\nnote: ")
    assert answer.stderr == ""


def test_a_faulty_system(idle: str) -> None:
    answer = run(idle)
    assert answer.exit_code == 1
    assert answer.stdout.startswith("plover: 1 warning\n\nwarning: the rule “adjacent cuts differ by at most 4”")


@pytest.mark.parametrize("faulty", [False, True])
def test_json(idle: str, faulty: bool) -> None:
    answer = run(idle if faulty else "plover", "--json")
    found = json.loads(answer.stdout)
    assert answer.exit_code == (1 if faulty else 0)
    assert found["system"] == "plover"
    assert found["clean"] is not faulty
    assert [finding["code"] for finding in found["findings"]] == ["idle-rule"] * faulty + ["read-out"]
    assert {tuple(finding) for finding in found["findings"]} == {("code", "level", "message", "witness")}
    assert {finding["code"] for finding in found["findings"]} <= set(CODES)
    assert set(found["figures"]["read_out"]) == {"any_depth", "off_by_one", "swap", "exact"}


def test_grades_only_when_asked_for() -> None:
    assert "en_1303" not in json.loads(run("wren", "--json").stdout)["figures"]
    found = json.loads(run("wren", "--json", "--en1303").stdout)
    grades = found["figures"]["en_1303"]["grades"]
    assert [grade["grade"] for grade in grades] == [1, 2, 3, 4, 5, 6]
    assert grades[0]["met"] is True
    assert grades[5]["met"] is False
    assert "no certification" in found["figures"]["en_1303"]["standing"]
    assert sum(finding["code"] == "en-1303" for finding in found["findings"]) == 7


@pytest.mark.parametrize("arguments", [["plovr"], ["nowhere/there.toml"], []])
def test_questions_that_can_t_be_answered(arguments: list[str]) -> None:
    answer = run(*arguments)
    assert answer.exit_code == 2
    assert answer.stdout == ""
    assert answer.stderr != ""


def test_one_finding_a_paragraph_within_the_width() -> None:
    said = "a fault " * 30
    found = Linted(
        "godwit", (LintFinding("sliver", "warning", said.strip(), "1 2 3"), LintFinding("read-out", "note", "so"))
    )
    lines = [line for line, _ in render_lint(found, 60)]
    assert lines[0] == "godwit: 1 warning"
    assert max(map(len, lines)) <= 60
    paragraphs = "\n".join(lines).split("\n\n")
    assert len(paragraphs) == 3
    assert paragraphs[1].endswith("[sliver]\n  such a code: 1 2 3")
    assert paragraphs[2] == "note: so [read-out]"


def test_counts_of_errors_and_warnings_come_first() -> None:
    levels = ["error", "warning", "warning", "note"]
    found = Linted("godwit", tuple(LintFinding("sliver", level, "x") for level in levels))  # type: ignore[arg-type]
    assert next(render_lint(found)) == ("godwit: 1 error and 2 warnings", "red")
