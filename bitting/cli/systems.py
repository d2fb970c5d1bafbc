"""`bitting systems`: the rule sets themselves."""

from __future__ import annotations

import json
import secrets
import shutil
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    NO_ANSWER,
    ask,
    give,
    known_system,
    print_json,
    say,
    say_all,
    system_names,
    tell,
    tell_doubts,
    unicode_out,
)
from bitting.cli.help import Command
from bitting.errors import BittingError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from bitting.linting import Linted
    from bitting.model import Depths, System
    from bitting.report.table import Line

SYSTEM = click.argument("system_name", metavar="SYSTEM", shell_complete=system_names)
MOST_LISTED = 1_000_000
"""Codes that one run writes at most; `--from` goes on where it ended."""

ELSEWHERE = {name: ("systems_own", name) for name in ("new", "learn", "fit")}
"""Subcommands that live in modules of their own: name -> (module under bitting.cli, attribute)."""


class SystemsGroup(click.Group):
    """The subcommands of this module, and those of others, imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted([*super().list_commands(ctx), *ELSEWHERE])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in ELSEWHERE:
            module, attribute = ELSEWHERE[cmd_name]
            command: click.Command = getattr(import_module(f"bitting.cli.{module}"), attribute)
            return command
        return super().get_command(ctx, cmd_name)


@click.group(cls=SystemsGroup)
def command() -> None:
    """The rule sets themselves: list them, look at one, count its codes, prove what follows from its rules.

    SYSTEM is a shipped name or the path of a system file.
    """


@command.command("list", cls=Command)
def list_(as_json: bool) -> int:
    """Every system that has a name, a line each, and where it comes from: shipped, or your own folder."""
    from bitting.systemfile import known_systems, load_system, user_folder
    from bitting.systemfile.load import twice, twice_said

    known = known_systems()
    clashes = twice(known)
    rows = []
    for system in known:
        where = "shipped" if system.shipped else system.path
        try:
            read = load_system(system.path)
            row = {"system": read.name, "about": read.about, "source": read.source, "unit": read.unit, "from": where}
        except BittingError as fault:
            row = {"system": system.name, "error": fault.message, "from": where}
        rows.append(row)
    if as_json:
        print_json({"systems": rows, "folder": user_folder()})
    else:
        width = max(len(row["system"]) for row in rows)
        for row in rows:
            about = row.get("about", "can't be used: `bitting systems lint` says why")
            say(f"{row['system'].ljust(width)}  {about}" + ("" if row["from"] == "shipped" else f"   [{row['from']}]"))
        tell(f"your own are found by name in {user_folder()}")
    for found in clashes.values():
        tell(f"bitting: {twice_said(found)}; rename one under [system]")
    return NO_ANSWER if clashes else GOOD


@command.command(cls=Command)
@click.argument("system_name", metavar="SYSTEM", required=False, shell_complete=system_names)
@click.option(
    "--schema",
    type=click.Choice(["system", "machine"]),
    is_flag=False,
    flag_value="system",
    help="Print the JSON Schema of system files (or of machine files) for your editor, instead of a system.",
)
@click.option("--full", is_flag=True, help="Pictures too: the blade with every cut the shallowest, and the deepest.")
def show(system_name: str | None, schema: str | None, full: bool, as_json: bool) -> int:
    """Depths and spaces in mm and thousandths of an inch, the rules in words, and where the data came from."""
    if schema is not None:
        from bitting.systemfile import machine
        from bitting.systemfile.schema import TOP, json_schema

        keys = TOP if schema == "system" else machine.TOP
        say(json.dumps(json_schema(keys, f"bitting {schema} file"), ensure_ascii=True, indent=2))
        return GOOD
    if system_name is None:
        raise BittingError("no system was named", hint="`bitting systems list` has them; a path will do too")
    from bitting.report.systems import render_show, show_dict

    system = known_system(system_name, sound=False)
    give(as_json, show_dict(system), render_show(system, plain=not unicode_out(), full=full))
    return GOOD


@command.command(cls=Command)
@click.argument("kind", required=False)
def rules(kind: str | None, as_json: bool) -> int:
    """What a rule is for and how it is said: all kinds, or KIND by its identifier (such as equal-run)."""
    from bitting.report.systems import render_rules
    from bitting.rules import explanations

    found = explanations(kind)
    give(as_json, {"rules": found}, render_rules(found))
    return GOOD


@command.command(cls=Command)
@SYSTEM
def count(system_name: str, as_json: bool) -> int:
    """How many legal codes there are: exact, per track and whole, beside what there would be without rules."""
    from bitting.counting import count_codes
    from bitting.report.systems import render_count

    counted = count_codes(known_system(system_name))
    give(as_json, counted, render_count(counted))
    return GOOD


@command.command(cls=Command)
@SYSTEM
@click.option(
    "-n", "--number", type=click.IntRange(1, MOST_LISTED), default=1, show_default=True, help="How many codes."
)
@click.option("--seed", type=int, help="Draw the same codes again. Without it every run draws others.")
def sample(system_name: str, number: int, seed: int | None, as_json: bool) -> int:
    """Legal codes drawn at random, each as likely as any other, one a line."""
    from bitting.diagram import code_space

    system = known_system(system_name)
    seed = secrets.randbits(63) if seed is None else seed
    return _list(system, code_space(system).sample(number, seed), as_json, seed=seed)


@command.command(cls=Command)
@SYSTEM
@click.option("--from", "first", type=click.IntRange(1), default=1, show_default=True, help="Number of the first code.")
@click.option(
    "--limit", type=click.IntRange(1, MOST_LISTED), default=100, show_default=True, help="How many codes at most."
)
def codes(system_name: str, first: int, limit: int, as_json: bool) -> int:
    """The legal codes in order, one a line, as they are found: cut by cut (left 1, right 1, left 2, …), shallower first."""
    from bitting.diagram import code_space

    system = known_system(system_name)
    space = code_space(system)
    status = _list(system, space.listing(first - 1, limit), as_json, **{"from": first, "count": space.count})
    if (left := space.count - (first - 1) - limit) > 0 and not as_json:
        tell(f"{left:,} more of {space.count:,} codes follow (--limit, --from)")
    return status


def _list(system: System, depths: Iterable[Depths], as_json: bool, **said: int) -> int:
    """Codes, one a line; in JSON with what else is said of them."""
    from bitting.model import code_of

    codes = (code_of(system, row) for row in depths)
    if as_json:
        print_json({"system": system.name, **said, "codes": [code.canonical for code in codes]})
        return GOOD
    tell_doubts()
    for code in codes:
        say(code.plain)
    return GOOD


@command.command(cls=Command)
@SYSTEM
@click.argument("code", required=False)
@click.option("--at", type=click.IntRange(1), help="The other way: the code with this number.")
def number(system_name: str, code: str | None, at: int | None, as_json: bool) -> int:
    """Which number a legal CODE has among all of them in order, or with --at the code of a number."""
    if at is not None and code is not None:
        raise BittingError("either a code or --at, not both", hint="leave out one of them")
    from bitting.counting import code_at, number_of
    from bitting.notation import parse_code, plain

    system = known_system(system_name)
    found = code_at(system, at) if at is not None else number_of(parse_code(ask(code, "Code"), system))
    give(as_json, found, [f"{plain(found.code, system)}\nnumber {found.number:,} of {found.count:,}"])
    return GOOD


EPILOG = """\
Levels: error, no key can be made or no code is legal; warning, the file says what can't be meant, or its keys would be
poor; note, worth knowing.

Exit status: 0 clean (notes at most); 1 errors or warnings, with --strict also what could not be checked; 2 a file can't be
used.
"""


@command.command(cls=Command, epilog=EPILOG)
@click.argument("system_name", metavar="SYSTEM|FOLDER", shell_complete=system_names)
@click.option(
    "--en1303",
    is_flag=True,
    help="Add the key-code requirements of EN 1303 by grade: numbers from a secondary source, and no certification.",
)
@click.option("--strict", is_flag=True, help="Fail as well where a check could not be made.")
def lint(system_name: str, en1303: bool, strict: bool, as_json: bool) -> int:
    """Prove what follows from a system file: clashing or idle rules, unusable depths, metal that can't stand.

    SYSTEM is a shipped name or the path of a system file; every file of a FOLDER is looked at. A finding about codes comes
    with a code that shows it, where a single code does.
    """
    if Path(system_name).is_dir():
        return _lint_folder(Path(system_name), en1303, strict, as_json)
    found = _lint(known_system(system_name, sound=False), en1303)
    give(as_json, found, _linted_said(found))
    return GOOD if _passes(found, strict) else BAD_NEWS


def _lint(system: System, en1303: bool) -> Linted:
    from bitting.linting import lint as examine

    return examine(system, en1303=en1303, progress=Progress())


def _linted_said(found: Linted) -> Iterator[Line]:
    from bitting.report.systems import render_lint

    return render_lint(found, shutil.get_terminal_size().columns)


def _passes(found: Linted, strict: bool) -> bool:
    return found.clean and (found.complete or not strict)


def _lint_folder(place: Path, en1303: bool, strict: bool, as_json: bool) -> int:
    """Every system file of a folder; a file that can't be used and a name that stands twice make the status 2."""
    from bitting.systemfile import load_system
    from bitting.systemfile.load import systems_in, twice, twice_said

    known = systems_in(place)
    if not known:
        raise BittingError(f"there is no system file in {str(place)!r}", hint="system files end in .toml")
    status, answered = GOOD, []
    for number, system in enumerate(known):
        try:
            found = _lint(load_system(system.path, sound=False), en1303)
        except BittingError as fault:
            status = NO_ANSWER
            tell(f"bitting: {fault.explain()}")
            answered.append({"system": system.name, "file": system.path, "error": fault.message})
            continue
        answered.append({**found.as_dict(), "file": system.path})
        status = status if _passes(found, strict) else max(status, BAD_NEWS)
        if not as_json:
            say("\n" * (number > 0) + f"{system.path}:")
            say_all(_linted_said(found))
    for clash in twice(known).values():
        status = NO_ANSWER
        tell(f"bitting: {twice_said(clash)}; rename one under [system]")
    if as_json:
        print_json({"systems": answered})
    return status


class Progress:
    """What is being worked on, on standard error, once the lint has taken a second; only on a terminal."""

    def __init__(self) -> None:
        self.began = time.monotonic()

    def __call__(self, stage: str) -> None:
        if sys.stderr.isatty() and time.monotonic() - self.began > 1:
            tell(f"… {stage}")
