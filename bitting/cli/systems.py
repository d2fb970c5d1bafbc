"""`bitting systems`: the rule sets themselves."""

from __future__ import annotations

import click

from bitting.cli.common import GOOD, answers, json_option, print_json

SYSTEM = click.argument("system_name", metavar="SYSTEM")


@click.group()
def command() -> None:
    """The rule sets themselves: list them, look at one, count its codes, …

    SYSTEM is a shipped name or the path of a system file.
    """


@command.command("list")
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
        click.echo(f"{system.name.ljust(width)}  {system.about}")
    return GOOD


@command.command()
@SYSTEM
@json_option
@answers
def count(system_name: str, as_json: bool) -> int:
    """How many legal codes there are: exact, per track and whole, beside what there would be without rules."""
    from bitting.counting import count_codes
    from bitting.systemfile import load_system

    counted = count_codes(load_system(system_name))
    if as_json:
        print_json(counted.as_dict())
        return GOOD
    from bitting.report.systems import render_count

    for line in render_count(counted):
        click.echo(line)
    return GOOD
