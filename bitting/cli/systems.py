"""`bitting systems`: the rule sets themselves."""

from __future__ import annotations

import secrets
import shutil
import sys
import time

import click

from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    answers,
    ask,
    json_option,
    known_system,
    print_json,
    say,
    say_fitted,
    system_names,
    tell,
    unicode_out,
)
from bitting.cli.help import Command
from bitting.errors import BittingError

SYSTEM = click.argument("system_name", metavar="SYSTEM")
MOST_LISTED = 1_000_000
"""Codes that one run writes at most; `--from` goes on where it ended."""


@click.group()
def command() -> None:
    """The rule sets themselves: list them, look at one, count its codes, prove what follows from its rules.

    SYSTEM is a shipped name or the path of a system file.
    """


@command.command("list", cls=Command)
@json_option
@answers
def list_(as_json: bool) -> int:
    """The shipped systems, a line each."""
    from bitting.systemfile import load_system, shipped_systems

    systems = [load_system(name) for name in shipped_systems()]
    if as_json:
        rows = [{"system": s.name, "about": s.about, "source": s.source, "unit": s.unit} for s in systems]
        print_json({"systems": rows})
        return GOOD
    width = max(len(s.name) for s in systems)
    for system in systems:
        say(f"{system.name.ljust(width)}  {system.about}")
    return GOOD


@command.command(cls=Command)
@SYSTEM
@json_option
@answers
def show(system_name: str, as_json: bool) -> int:
    """Depths and spaces in mm and thousandths of an inch, the rules in words, and where the data came from."""
    from bitting.report.systems import render_show, show_dict

    system = known_system(system_name, sound=False)
    if as_json:
        print_json(show_dict(system))
        return GOOD
    for line in render_show(system, plain=not unicode_out()):
        say_fitted(line)
    return GOOD


@command.command(cls=Command)
@click.argument("kind", required=False)
@json_option
@answers
def rules(kind: str | None, as_json: bool) -> int:
    """What a rule is for and how it is said: all kinds, or KIND by its identifier (such as equal-run)."""
    from bitting.report.systems import render_rules
    from bitting.rules import explanations

    found = explanations(kind)
    if as_json:
        print_json({"rules": found})
        return GOOD
    for line in render_rules(found):
        say_fitted(line)
    return GOOD


@command.command(cls=Command)
@SYSTEM
@json_option
@answers
def count(system_name: str, as_json: bool) -> int:
    """How many legal codes there are: exact, per track and whole, beside what there would be without rules."""
    from bitting.counting import count_codes
    from bitting.report.systems import render_count

    counted = count_codes(known_system(system_name))
    if as_json:
        print_json(counted.as_dict())
        return GOOD
    for line in render_count(counted):
        say_fitted(line)
    return GOOD


@command.command(cls=Command)
@SYSTEM
@click.option(
    "-n", "--number", type=click.IntRange(1, MOST_LISTED), default=1, show_default=True, help="How many codes."
)
@click.option("--seed", type=int, help="Draw the same codes again. Without it every run draws others.")
@json_option
@answers
def sample(system_name: str, number: int, seed: int | None, as_json: bool) -> int:
    """Legal codes drawn at random, each as likely as any other, one a line."""
    from bitting.diagram import code_space
    from bitting.model import code_of

    system = known_system(system_name)
    seed = secrets.randbits(63) if seed is None else seed
    drawn = (code_of(system, depths).canonical for depths in code_space(system).sample(number, seed))
    if as_json:
        print_json({"system": system.name, "seed": seed, "codes": list(drawn)})
        return GOOD
    for text in drawn:
        say(text or "")
    return GOOD


@command.command(cls=Command)
@SYSTEM
@click.option("--from", "first", type=click.IntRange(1), default=1, show_default=True, help="Number of the first code.")
@click.option(
    "--limit", type=click.IntRange(1, MOST_LISTED), default=100, show_default=True, help="How many codes at most."
)
@json_option
@answers
def codes(system_name: str, first: int, limit: int, as_json: bool) -> int:
    """The legal codes in order, one a line, as they are found: cut by cut (left 1, right 1, left 2, …), shallower first."""
    from bitting.diagram import code_space
    from bitting.model import code_of

    system = known_system(system_name)
    listed = code_space(system).listing(first - 1, limit)
    if as_json:
        print_json({"system": system.name, "from": first, "codes": [code_of(system, d).canonical for d in listed]})
        return GOOD
    for depths in listed:
        say(code_of(system, depths).canonical or "")
    return GOOD


@command.command(cls=Command)
@SYSTEM
@click.argument("code", required=False)
@click.option("--at", type=click.IntRange(1), help="The other way: the code with this number.")
@json_option
@answers
def number(system_name: str, code: str | None, at: int | None, as_json: bool) -> int:
    """Which number a legal CODE has among all of them in order, or with --at the code of a number."""
    if at is not None and code is not None:
        raise BittingError("either a code or --at, not both", hint="leave out one of them")
    from bitting.counting import code_at, number_of
    from bitting.notation import parse_code

    system = known_system(system_name)
    found = code_at(system, at) if at is not None else number_of(parse_code(ask(code, "Code"), system))
    if as_json:
        print_json(found.as_dict())
    else:
        say(f"{found.code}\nnumber {found.number:,} of {found.count:,}")
    return GOOD


EPILOG = """\
Levels: error, no key can be made or no code is legal; warning, the file says what can't be meant, or its keys would be
poor; note, worth knowing.

Exit status: 0 clean (notes at most); 1 errors or warnings; 2 the file can't be used.
"""


@command.command(cls=Command, epilog=EPILOG)
@click.argument("system_name", metavar="SYSTEM", shell_complete=system_names)
@click.option(
    "--en1303",
    is_flag=True,
    help="Add the key-code requirements of EN 1303 by grade: numbers from a secondary source, and no certification.",
)
@json_option
@answers
def lint(system_name: str, en1303: bool, as_json: bool) -> int:
    """Prove what follows from a system file: clashing or idle rules, unusable depths, metal that can't stand.

    SYSTEM is a shipped name or the path of a system file. A finding about codes comes with a code that shows it, where a
    single code does.
    """
    from bitting.linting import lint as examine

    found = examine(known_system(system_name, sound=False), en1303=en1303, progress=_Progress())
    if as_json:
        print_json(found.as_dict())
    else:
        from bitting.report.systems import render_lint

        for line, colour in render_lint(found, shutil.get_terminal_size().columns):
            say(line, colour)
    return GOOD if found.clean else BAD_NEWS


class _Progress:
    """What is being worked on, on standard error, once the lint has taken a second; only on a terminal."""

    def __init__(self) -> None:
        self.began = time.monotonic()

    def __call__(self, stage: str) -> None:
        if sys.stderr.isatty() and time.monotonic() - self.began > 1:
            tell(f"… {stage}")
