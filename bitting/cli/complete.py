"""`bitting complete`: the codes that fit a code with open cuts, and the fewest blanks to try them all."""

from __future__ import annotations

import shutil
import sys

import click

from bitting.cli.common import BAD_NEWS, GOOD, give, known_system, lock_names, system_option, tell
from bitting.cli.help import Command
from bitting.cli.options import ask_all, may_draw, unit_option
from bitting.errors import BittingError

JSON_CODES, ONE_SCREEN = 20, 6
"""How many codes are listed where nobody says: in JSON, and on a terminal, where tries and facts are to stand below them."""


@click.command(cls=Command, name="complete")
@click.argument("code", required=False)
@system_option
@click.option(
    "--lock", metavar="NAME", shell_complete=lock_names, help="Only the cuts that this lock of the system reads matter."
)
@click.option("--readings", "readings_text", metavar="TEXT", help="What was measured of the same key: likeliest first.")
@unit_option
@click.option("--where", multiple=True, metavar="RULE", help="A rule known to hold, such as 'cut 4 is not 1 2'.")
@click.option(
    "--limit",
    type=click.IntRange(0),
    help="How many codes to list, and about twice as many tries (otherwise one screen; 20 codes in JSON).",
)
@click.option("--svg", type=click.Path(), metavar="FILE.svg", help="Draw what is known solid, what is open as a band.")
@click.option("--force", is_flag=True, help="Replace FILE when it is there already.")
def command(
    code: str | None,
    system_name: str,
    lock: str | None,
    readings_text: str | None,
    unit: str | None,
    where: tuple[str, ...],
    limit: int | None,
    svg: str | None,
    force: bool,
    as_json: bool,
) -> int:
    """The legal codes that fit CODE, and the fewest blanks to try them all.

    In CODE write `?` for a cut that can't be read, `[2 3]` for one of several depths and `3..5` for a range. A blank
    can only be cut deeper, so one blank tries several codes one after the other.
    """
    from bitting.completion import complete
    from bitting.notation import parse_code, parse_readings
    from bitting.report.complete import completion_lines
    from bitting.report.table import folded

    system = known_system(system_name)
    if svg is not None:
        may_draw(svg, force, [system.path])
    wanted = [("Code, with ? for open cuts", code)]
    if readings_text is not None:
        wanted.append(("Readings", readings_text))
    text, *read = ask_all(wanted, [system])
    asked = parse_code(text, system, lock=lock)
    if unit and readings_text is None:
        raise BittingError("--unit is that of readings", hint="give them with --readings, or leave it out")
    readings = parse_readings(read[0], system, unit, lock) if read else None
    listed = JSON_CODES if limit is None else limit
    answer = complete(asked, system, listed, lock=lock, readings=readings, where=where, progress=_progress)
    if svg is not None and answer.count:
        from bitting.files import write_whole
        from bitting.report.open_svg import open_svg

        write_whole(svg, open_svg(answer, system), force=force, inputs=[system.path])
    shown = ONE_SCREEN if limit is None else limit
    barred = 0
    if where and not answer.count:  # is it what is written, or what is said of it, that no code keeps?
        barred = complete(asked, system, 0, lock=lock).count
    lines = completion_lines(answer, asked.plain, system, shown, where=where, barred=barred)
    give(as_json, answer, folded(((line, None) for line in lines), shutil.get_terminal_size().columns))
    if svg is not None and not answer.count:
        tell(f"{svg!r} was not drawn: no code fits")
    return GOOD if answer.count else BAD_NEWS


def _progress(words: str) -> None:
    """Say what takes its time, where someone is looking."""
    if sys.stderr.isatty():
        tell(words)
