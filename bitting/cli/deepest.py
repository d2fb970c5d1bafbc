"""`bitting deepest`: the deepest cuts of a code."""

from __future__ import annotations

import click

from bitting.cli.common import GOOD, answers, ask, json_option, known_system, print_json, say, system_option
from bitting.cli.help import Command


@click.command(cls=Command, name="deepest")
@click.argument("code", required=False)
@system_option
@json_option
@answers
def command(code: str | None, system_name: str, as_json: bool) -> int:
    """The deepest cuts of a code: where the key is weakest."""
    from bitting.deepest import deepest
    from bitting.notation import parse_code
    from bitting.report.deepest import deepest_lines

    answer = deepest(parse_code(ask(code, "Code"), known_system(system_name)))
    if as_json:
        print_json(answer.as_dict())
    else:
        for line in deepest_lines(answer):
            say(line)
    return GOOD
