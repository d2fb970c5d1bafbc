"""Help that can't drift: every example runs as printed, every option that is mentioned anywhere exists, all stand in order."""

from __future__ import annotations

import ast
import re
import shlex
import shutil
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner

import bitting
from bitting.batch.output import CODES, READINGS
from bitting.cli import COMMANDS, main
from bitting.cli.help import EXAMPLES, FIRST, OTHER, as_typed, heading_of
from tests.conftest import but_long

ROOT = Path(bitting.__file__).parent.parent
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z0-9-]*")


def commands() -> dict[str, click.Command]:
    """Every command by its path, subcommands by theirs."""
    found: dict[str, click.Command] = {}
    context = click.Context(main)
    for name in COMMANDS:
        command = main.get_command(context, name)
        if isinstance(command, click.Group):
            inner = click.Context(command)
            found |= {f"{name} {sub}": command.get_command(inner, sub) for sub in command.list_commands(inner)}
        else:
            found[name] = command
    return found


ALL = commands()
OPTIONS = {name: {o for p in command.params for o in (*p.opts, *p.secondary_opts)} for name, command in ALL.items()}


def shown_help(name: str, columns: int = 200) -> str:
    result = CliRunner().invoke(main, [*name.split(), "--help"], env={"COLUMNS": str(columns)})
    assert result.exit_code == 0
    return result.output


def told(name: str) -> str:
    """All that `bitting docs` tells of a command."""
    result = CliRunner().invoke(main, ["docs", name.replace(" ", "-")])
    assert result.exit_code == 0
    return result.output


@pytest.mark.parametrize("name", ["", "systems", *ALL])
def test_help_is_one_screen(name):
    lines = shown_help(name, 80).splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("name", ALL)
def test_help_and_the_page_of_a_command_name_every_option(name):
    options = {max(p.opts, key=len) for p in ALL[name].params if isinstance(p, click.Option)}
    assert options <= set(OPTION.findall(shown_help(name)))
    page = told(name)
    for parameter in ALL[name].params:
        if isinstance(parameter, click.Option):
            said = (parameter.help or "").split()
            assert " ".join(said) in " ".join(page.split()), f"{name}: {parameter.opts}"
    if name in FIRST:
        assert f"`bitting docs {name.replace(' ', '-')}`" in shown_help(name)


@pytest.mark.parametrize("name", ALL)
def test_every_command_shows_its_examples_and_its_options_under_headings(name):
    shown = shown_help(name)
    least = 3 if name != "systems list" else 2
    assert len(EXAMPLES.get(name, ())) >= least, "give it examples in bitting/cli/help.py"
    for example in EXAMPLES[name]:
        assert "\n" + as_typed(f"bitting {name} {example}".rstrip()) in shown
        assert shlex.split(as_typed(f"bitting {name} {example}").replace("\\\n", " ")) == shlex.split(
            f"bitting {name} {example}"
        )
    assert "\nOptions:" not in shown
    homeless = [p.opts for p in ALL[name].params if isinstance(p, click.Option) and heading_of(p)[0] == OTHER]
    assert homeless == [], "give these options a heading in bitting/cli/help.py"


EVERY = [(name, example) for name, each in EXAMPLES.items() for example in each]


@pytest.mark.parametrize(
    ("name", "example"),
    but_long(EVERY, *(one for one in EVERY if "learn" in one[1])),
)
def test_every_example_runs_as_printed(name, example, tmp_path, monkeypatch):
    shutil.copytree(ROOT / "examples", tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    words = shlex.split(example)
    result = CliRunner().invoke(main, [*name.split(), *words])
    assert result.exit_code in (0, 1), result.stderr
    assert result.stdout
    if "-o" in words and words[words.index("-o") + 1] != "-":
        assert (tmp_path / words[words.index("-o") + 1]).stat().st_size


OF_OTHERS = {"--quiet", "--help", "--version"}
"""What pip and click know."""


def texts() -> dict[str, str]:
    """Everything people read: README, the pages, and every string of the program (help, hints, messages)."""
    found = {
        path.name: path.read_text(encoding="utf-8") for path in (ROOT / "README.md", *ROOT.glob("bitting/docs/*.md"))
    }
    # what studies print, and the options that they are run with, are not the program's
    found["how-good.md"] = re.sub(r"```text\n.*?```", "", found["how-good.md"], flags=re.S)
    for path in (ROOT / "bitting").rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        strings = [
            node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and isinstance(node.value, str)
        ]
        found[str(path.relative_to(ROOT))] = "\n".join(strings)
    return found


@pytest.mark.parametrize(("where", "text"), texts().items())
def test_every_option_that_is_mentioned_exists(where, text):
    known = set().union(*OPTIONS.values()) | OF_OTHERS
    assert (
        sorted(
            set(OPTION.findall(text)) - known - ({*OPTION.findall(text)} if where.endswith("cli/help.py") else set())
        )
        == []
    )


@pytest.mark.parametrize("where", ["README.md", "docs"])
def test_commands_are_written_with_options_of_their_own(where):
    paths = [ROOT / "README.md"] if where == "README.md" else sorted(ROOT.glob("bitting/docs/*.md"))
    wrong = []
    for path in paths:
        for line in re.findall(r"bitting [a-z][^\n`]*", path.read_text(encoding="utf-8")):
            words = line.split()[1:]
            name = " ".join(words[:2]) if words[0] == "systems" else words[0]
            if name in OPTIONS:
                wrong += [(line, option) for option in OPTION.findall(line) if option not in OPTIONS[name] | OF_OTHERS]
    assert wrong == []


@pytest.mark.parametrize(
    ("words", "incomplete", "expected"),
    [
        ([], "ch", ["check"]),
        (["systems"], "li", ["lint", "list"]),
        (["check", "-s"], "plo", ["plover"]),
        (["check", "-s", "plover", "--lock"], "", ["door", "steering"]),
        (["complete", "-s", "plover", "--lock"], "st", ["steering"]),
        (["systems", "show"], "wr", ["wren"]),
        (["check"], "--al", ["--all-systems"]),
    ],
)
def test_the_shell_completes_commands_systems_and_locks(words, incomplete, expected):
    found = ShellComplete(main, {}, "bitting", "_BITTING_COMPLETE").get_completions(words, incomplete)
    assert sorted(item.value for item in found) == expected


def test_readme_names_every_command_and_help_every_column_of_batch():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    unnamed = [name for name in ALL if not re.search(rf"`?(bitting|systems)? ?`?{name.split()[-1]}\b", text)]
    assert unnamed == [], "give these a line in README"
    for column in {*CODES.names, *READINGS.names}:
        assert re.search(rf"\b{column}\b", told("batch")), f"name {column} in the docstring of bitting/cli/batch.py"
        assert f"`{column}`" in text or column not in CODES.names, f"name {column} in README"


SINGLE = [
    (name, max(option.opts, key=len))
    for name, command in ALL.items()
    for option in command.params
    if isinstance(option, click.Option) and not option.multiple and not option.is_flag
]


@pytest.mark.parametrize(("name", "option"), SINGLE)
def test_an_option_that_takes_one_value_given_twice_is_refused(name, option):
    """The last one alone would be used: half of what was typed, without a word."""
    found = CliRunner().invoke(main, [*name.split(), option, "1", f"{option}=2"])
    assert (found.exit_code, found.stdout) == (2, "")
    assert f"{option} is given twice" in found.stderr
