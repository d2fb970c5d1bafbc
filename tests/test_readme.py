"""README and the pages tell the truth: commands print what is shown, the table is the catalogue, the Python runs."""

from __future__ import annotations

import contextlib
import importlib.util
import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from bitting import docs
from bitting.cli import COMMANDS, main
from tests.readme import API, CONSOLE, PAGES, README, ROOT, RULES, output, public_page, rule_table

TEXT = README.read_text(encoding="utf-8")


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.stem)
def test_commands_print_what_is_shown(page: Path, tmp_path, monkeypatch):
    monkeypatch.chdir(ROOT)
    for command, expected in CONSOLE.findall(page.read_text(encoding="utf-8")):
        assert output(command, tmp_path) == expected, f"{command}: `python -m tests.readme` writes what it prints now"


def test_readme_shows_commands():
    assert len(CONSOLE.findall(TEXT)) >= 3


def test_the_table_of_rules_is_the_catalogue():
    page = docs.page("rules").text()
    assert RULES.search(page)[0] == f"<!-- rules -->\n{rule_table()}<!-- end of rules -->", (
        "run `python -m tests.readme`"
    )


def test_the_page_of_public_names_is_made_from_their_docstrings():
    page = docs.page("python").text()
    assert API.search(page)[0] == f"<!-- api -->\n{public_page()}<!-- end of api -->", "run `python -m tests.readme`"


def test_docs_lists_the_pages_and_prints_each():
    listed = CliRunner().invoke(main, ["docs"])
    assert listed.exit_code == 0
    assert [line.split()[0] for line in listed.stdout.splitlines()] == [page.name for page in docs.pages()]
    for page in docs.pages():
        printed, _, command = CliRunner().invoke(main, ["docs", page.name]).stdout.partition("\n\n## The command\n\n")
        assert printed.rstrip() == page.text().rstrip()
        assert command.startswith("Usage: ") == (page.name in COMMANDS)


def test_docs_names_the_pages_when_there_is_none_of_that_name():
    result = CliRunner().invoke(main, ["docs", "notaton"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert "did you mean 'notation'?" in result.stderr


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.stem)
def test_python_prints_what_is_shown(page: Path):
    for code, printed in re.findall(
        r"```python\n(.*?)```\n\n```text\n(.*?)```", page.read_text(encoding="utf-8"), re.S
    ):
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            exec(code, {})
        assert out.getvalue() == printed


def test_the_example_script_runs():
    script = ROOT / "examples" / "from_python.py"
    path = os.environ | {"PYTHONPATH": str(ROOT)}  # the checkout, installed or not
    done = subprocess.run([sys.executable, script], env=path, capture_output=True, text=True, check=True)
    shown = re.search(r'Prints:\n\n(.*?)\n"""', script.read_text(encoding="utf-8"), re.S)[1]
    assert done.stdout.strip() == shown.strip()


def test_two_commands_for_a_fresh_machine_come_first():
    blocks = re.findall(r"```(\w+)\n(.*?)```", TEXT, re.S)
    assert [kind for kind, _ in blocks[:2]] == ["sh", "sh"]
    assert "bitting check" in blocks[0][1]
    assert "pytest" in blocks[1][1]
    assert all(".venv" in block for _, block in blocks[:2])


def test_all_of_a_command_is_told_where_there_is_no_page_of_its_name() -> None:
    for name, option in (("align", "--left-right"), ("systems-fit", "--known DEPTH=LENGTH")):
        told = CliRunner().invoke(main, ["docs", name])
        assert told.exit_code == 0
        assert option in told.stdout
    wrong = CliRunner().invoke(main, ["docs", "alignn"])
    assert (wrong.exit_code, wrong.stdout) == (2, "")


def test_the_page_of_figures_names_commands_that_are_there_and_shows_what_each_printed() -> None:
    page = docs.page("how-good").text()
    commands = re.findall(r"```text\n\$ python -m (tests\.\S+)", page)
    assert len(commands) > 10
    for module in commands:
        assert importlib.util.find_spec(module) is not None, module
    assert re.findall(r"```text\n\$ (.*)\n```", page) == [], "`python -m tests.figures` writes what they print"
