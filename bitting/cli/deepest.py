"""`bitting deepest`: the deepest cuts of a code."""

from __future__ import annotations

import click

from bitting.cli.common import BAD_NEWS, GOOD, ask, give, known_system, system_option
from bitting.cli.help import Command


@click.command(cls=Command, name="deepest")
@click.argument("code", required=False)
@system_option
def command(code: str | None, system_name: str, as_json: bool) -> int:
    """The deepest cuts of a code, track by track, and their dimension.

    Exit status 1 says that the code isn't legal.
    """
    from bitting.deep import deepest
    from bitting.notation import parse_code
    from bitting.report.deepest import deepest_lines

    system = known_system(system_name)
    answer = deepest(parse_code(ask(code, "Code"), system), system)
    give(as_json, answer, deepest_lines(answer, system))
    return GOOD if answer.legal else BAD_NEWS
