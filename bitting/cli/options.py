"""What several commands take, each option written once, and texts that are asked for one after the other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from bitting.cli.common import at_terminal, piped
from bitting.errors import BittingError
from bitting.text import plural

F = TypeVar("F", bound=Callable[..., Any])


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Several options as one decorator, in the order that they are given in."""

    def add(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return add


unit_option = click.option(
    "--unit", type=click.Choice(["mm", "in", "thou"]), help="Unit of the readings, where they name none."
)
contact_option = click.option(
    "--contact", metavar="LENGTH", help="Radius of a ball or pin that reads instead of a jaw."
)
sheet_option = click.option(
    "--sheet", metavar="NAME", help="The sheet of a workbook, where several hold what is wanted."
)
key_options = together(
    click.option("--made", type=click.Choice(["original", "copy"]), help="How the key was cut: by code, or as a copy."),
    click.option("--wear", metavar="AMOUNT", help="none, light, heavy, or the mean wear of a cut as a length."),
    click.option(
        "--caliper", metavar="LIMITS[/STEP]",
        help="The caliper's error limits (0.02 for ±0.02), and the steps it shows where they are coarse (0.03/0.05).",
    ),
)  # fmt: skip
"""What is said of measured keys and of the caliper."""
against_options = together(
    click.option(
        "--against", metavar="READINGS",
        help="Readings of a key of known code, taken with the same caliper the same day.",
    ),
    click.option("--against-code", metavar="CODE", help="The code of that key (`-` asks for it)."),
    click.option("--against-system", metavar="SYSTEM", help="Its system, where that isn't the one of -s."),
    click.option("--against-new", is_flag=True, help="That key is newly cut, so not worn."),
)  # fmt: skip
"""A key of known code, beside what was measured."""
plan_options = together(
    click.option("--ease", is_flag=True, help="Add stops where a wall would be too steep for a tumbler to climb."),
    click.option(
        "--machine", "machine_path", type=click.Path(path_type=Path), metavar="FILE",
        help="A machine file (TOML): settings in turns, backlash taken up, corrections applied.",
    ),
    click.option(
        "--direction", type=click.Choice(["bow-to-tip", "tip-to-bow", "conventional"]),
        help="The order of the cuts, instead of the system's own; conventional: whichever mills against the feed.",
    ),
    click.option(
        "--have", metavar="OLD", help="The code that the key is cut to already: only what gets deeper is milled."
    ),
    click.option(
        "--take", "takes", multiple=True, metavar="'TRACK CUT by LENGTH'",
        help="So much more off one cut of a finished key; may be given several times.",
    ),
)  # fmt: skip
"""How a key is to be cut: `ease`, `machine_path`, `direction`, `have`, `takes`."""


def ask_all(asked: Sequence[tuple[str, str | None]], hint: str = "") -> list[str]:
    """Texts (what each is, and the text), each given or (None or `-`) asked for on a terminal, or else read from standard
    input, a line each. `hint` is said where too few are there."""
    missing = [what for what, text in asked if text in (None, "-")]
    if missing and at_terminal():
        found = [click.prompt(what, err=True) for what in missing]
    else:
        found = [line for line in piped().splitlines() if line.strip()] if missing else []
    if len(found) != len(missing):
        names = ", ".join(missing).lower()
        lines = f"a line each on standard input, in this order: {names}" if len(missing) > 1 else "on standard input"
        raise BittingError(
            f"{plural(len(found), 'line')} on standard input instead of {len(missing)}"
            if found
            else f"{names}: not given",
            hint=f"give {'it' if len(missing) == 1 else 'them'} behind the command, or {lines}{hint}",
        )
    rest = iter(found)
    return [next(rest) if text is None or text == "-" else text for _, text in asked]
