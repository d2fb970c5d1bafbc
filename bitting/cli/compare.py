"""`bitting compare`: two keys cut by cut, and whether the first can be deepened into the second."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, give, known_system, system_option
from bitting.cli.help import Command
from bitting.cli.options import ask_all, unit_option
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.model import Code, Readings, System

_DECIMAL = re.compile(r"\d[.,]\d")


@click.command(cls=Command, name="compare")
@click.argument("first", required=False)
@click.argument("second", required=False)
@system_option
@click.option("--measured", is_flag=True, help="FIRST is what was measured on a key, not a code.")
@unit_option
def command(
    first: str | None, second: str | None, system_name: str, measured: bool, unit: str | None, as_json: bool
) -> int:
    """What differs between two keys, and whether FIRST can be deepened into SECOND.

    FIRST is a code (a miscut, the old key) or the readings of a key; both codes may have open cuts. Without them, two
    lines are read from standard input, or asked for. Exit status 1 says that FIRST
    can't become SECOND or may not, or that SECOND is no legal code.
    """
    from bitting.completion import compare
    from bitting.notation import parse_code
    from bitting.report.compare import comparison_lines

    system = known_system(system_name)
    first, second = ask_all([("First key", first), ("Second key", second)], [system])
    answer = compare(_first(first, system, measured, unit), parse_code(second, system), system)
    give(as_json, answer, comparison_lines(answer, system))
    return GOOD if answer.deepens and answer.legal else BAD_NEWS


def _first(text: str, system: System, measured: bool, unit: str | None) -> Code | Readings:
    """The first key: a code, unless it is said to be measured or can only be that."""
    from bitting.notation import parse_code, parse_readings

    if measured:
        return parse_readings(text, system, unit)
    try:
        return parse_code(text, system)
    except BittingError:
        if not _DECIMAL.search(text):
            raise
        return parse_readings(text, system, unit)
