"""`bitting draw`: the blade to scale."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, ask, known_system, print_json, say, system_option, tell, unicode_out
from bitting.cli.help import Command
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.model import Code, System

EPILOG = """Printed at 100 % the drawing has the size of the key; the bar at its foot tells.

Exit status: 0 drawn; 1 drawn, but the code is not legal; 2 it can't be drawn.
"""


@click.command(cls=Command, name="draw", epilog=EPILOG)
@click.argument("code", required=False)
@system_option
@click.option("-o", "--output", metavar="FILE.svg", help="Where the drawing goes; - is standard output.")
@click.option("--blocks", is_flag=True, help="A small picture in block characters on the terminal, instead of a file.")
@click.option("--measures", is_flag=True, help="Add the distance of every cut and the dimension of every depth.")
@click.option("--ease", is_flag=True, help="Draw the walls that eased moves leave.")
@click.option("--zoom", type=float, default=1.0, show_default=True, help="Times life size.")
@click.option("--force", is_flag=True, help="Replace FILE if it is there.")
def command(
    code: str | None,
    system_name: str,
    output: str | None,
    blocks: bool,
    measures: bool,
    ease: bool,
    zoom: float,
    force: bool,
    as_json: bool,
) -> int:
    """The blade to scale as SVG: bow, tip, stop, tracks, depth lines and cut numbers. 1:1 it overlays the key.

    A drawing carries the code: the file is readable by you only, and neither its name nor its title should say more.
    """
    if output is None and not blocks:
        raise BittingError("where should the drawing go?", hint="name a file with -o FILE.svg, or use --blocks")
    if output == "-" and (as_json or blocks):
        raise BittingError(
            "only one answer fits on standard output, and `-o -` sends the drawing there",
            hint="name a file with -o FILE.svg, or leave --json and --blocks out",
        )
    from bitting.checking import check
    from bitting.notation import parse_code

    system = known_system(system_name)
    if output not in (None, "-"):
        from bitting.files import may_write

        may_write(str(output), force=force, inputs=[system.path])
    parsed = parse_code(ask(code, "Code"), system)
    legal = check(parsed, suggest=False).legal
    if output is not None:
        from bitting.files import write_whole
        from bitting.report.drawing import draw_svg

        svg = draw_svg(parsed, system, measures=measures, ease=ease, zoom=zoom)
        if output == "-":
            click.echo(svg, file=sys.stdout, nl=False)
            return _status(legal, system)
        write_whole(Path(output), svg, force=force, inputs=[system.path])
    web = _web(parsed)
    if as_json:
        print_json({"system": system.name, "output": output, "legal": legal, "web": web})
    elif blocks:
        import shutil

        from bitting.report.blocks import blade_blocks

        columns = min(78, shutil.get_terminal_size().columns)
        say("\n".join(blade_blocks(parsed, columns=columns, plain=not unicode_out())))
    else:
        before = " before its walls are eased" if ease else ""
        left = "" if web is None else f"; metal left across the blade, at least: {system.in_own(web)}{before}"
        say(f"drawn to {output}{left}")
    return _status(legal, system)


def _web(code: Code) -> float | None:
    """The least metal between facing walls, as rules count it; None where cuts are open or the file doesn't say."""
    from bitting.geometry.web import least_web

    return None if code.depths is None else least_web(code.system, code.depths)


def _status(legal: bool, system: System) -> int:
    """A drawing looks as good for a code that no key may have: say so."""
    if legal:
        return GOOD
    tell(f"this is no legal code of {system.name}: `bitting check` says why")
    return BAD_NEWS
