"""`bitting align`: a measured setup key, and what it says about the machine's setting."""

from __future__ import annotations

import datetime
import re
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import click
from attrs import evolve

from bitting.cli.common import BAD_NEWS, GOOD, give, known_system, piped, system_option
from bitting.cli.help import Command
from bitting.cli.options import (
    Given,
    Instrument,
    ask_each,
    gauge_options,
    length_of,
    tolerance_option,
    touched,
    unit_option,
)
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.machine.align.alignment import Alignment
    from bitting.model import System
    from bitting.systemfile.machine import Corrections


@click.command(cls=Command, name="align")
@click.argument("readings", nargs=-1)
@system_option
@unit_option
@click.option("--place", "places", multiple=True, metavar="PLACE", help="Where a deep cut sits (see above).")
@click.option("--code", metavar="CODE", help="What the key was cut to, if not the system's setup key.")
@tolerance_option
@gauge_options
@click.option(
    "--history", type=click.Path(dir_okay=False), metavar="FILE.csv", help="Append to it and show its charts."
)
@click.option("--date", metavar="DATE", help="Date for the history (today unless given).")
@click.option("--adjusted", is_flag=True, help="Note in the history that the machine is set anew after this key.")
@click.option(
    "--correct",
    "machine",
    type=click.Path(dir_okay=False),
    metavar="FILE.toml",
    help="Write the corrections into a machine file, on top of those in it; a new one where there is none.",
)
@click.option(
    "--fresh", is_flag=True, help="The key was cut without the corrections in the machine file: replace them."
)
@click.option("--left-right", is_flag=True, help="Correct left and right apart, where the clamp can't be centred.")
def command(
    readings: tuple[str, ...],
    system_name: str,
    unit: str | None,
    places: tuple[str, ...],
    code: str | None,
    tolerance: str | None,
    instrument: Instrument,
    history: str | None,
    date: str | None,
    adjusted: bool,
    machine: str | None,
    fresh: bool,
    left_right: bool,
    as_json: bool,
) -> int:
    """What a measured setup key says about the machine: depth and space setting, and whether to touch them.

    READINGS are those of the setup key; several keys cut at the same setting are taken together (on standard input, a
    blank line between keys). PLACE is where its deep cut sits, from the stop: `14.52`, or both walls `13.95..15.05`, for
    another cut `left 4: 14.52`; two deep cuts tell the space zero from the space scale. Exit status 0: leave the machine, also by
    its history.
    """
    from bitting.machine.align.alignment import align
    from bitting.model.value import as_json as as_json_value
    from bitting.notation import parse_code, parse_readings
    from bitting.notation.lengths import parse_place
    from bitting.report.align import alignment_lines, history_lines

    if history is None and (adjusted or date):
        raise BittingError("--adjusted and --date are for a history", hint="name its file with --history")
    if machine is None and (fresh or left_right):
        raise BittingError("--fresh and --left-right are for corrections", hint="name the machine file with --correct")
    system = touched(known_system(system_name), instrument.contact, instrument.jaw)
    asked = [("Readings of the setup key", text) for text in readings or ("-",)]
    keys = [text for text, _ in ask_each(asked, _keys_piped, several=len(asked))]
    result = align(
        [parse_readings(text, system, unit) for text in keys],
        system,
        places=[parse_place(text, system) for text in places],
        code=None if code is None else parse_code(code, system),
        gauge=instrument.gauge(system),
        tolerance=length_of(tolerance, system),
    )
    kept, keep = None, None
    if history is not None:
        from bitting.machine.align.corrections import curable
        from bitting.machine.align.history import appended

        cured = machine is not None and curable(result, left_right)
        allowed = system.measuring.tolerance if tolerance is None else length_of(tolerance, system)
        others = [system.path, *([machine] if machine is not None else [])]
        day = date or datetime.date.today().isoformat()
        kept, keep = appended(history, result, day, adjusted or cured, allowed, others)
    # a history that can't be kept is found before the machine file changes: corrections written twice would add up
    corrections, note = _correct(machine, result, system, fresh, left_right)
    if keep is not None:
        keep()
    beside = {"history": as_json_value(kept)} if kept is not None else {}
    beside |= {"corrections": as_json_value(corrections)} if note else {}
    charts = () if kept is None else history_lines(kept, system)
    lines = alignment_lines(result, system, kept, corrected=None if corrections is None else machine)
    give(as_json, result.as_dict() | beside, chain(lines, [note] * bool(note), charts))
    steady = result.verdict == "leave" and not (kept and kept.signals)
    return GOOD if steady else BAD_NEWS


def _keys_piped() -> list[Given]:
    """The keys on standard input, with a blank line between them."""
    blocks = re.split(r"\n\s*\n", piped())
    return [Given(block) for block in blocks if any(line.partition("#")[0].strip() for line in block.splitlines())]


def _correct(
    path: str | None, result: Alignment, system: System, fresh: bool, left_right: bool
) -> tuple[Corrections | None, str]:
    """Write the corrections if that was asked for and there are any, and say what was done."""
    if path is None:
        return None, ""
    from bitting.machine.align.corrections import correct, curable

    if not curable(result, left_right):
        return None, f"Nothing was written to {path}: {result.reason}."
    from bitting.systemfile.machine import Corrections, load_machine

    held = load_machine(path).corrections if Path(path).exists() and not fresh else Corrections()
    written = correct(path, result, system, fresh=fresh, left_right=left_right, inputs=[system.path])
    above = ", on top of those it held: right for a key cut with them; if this one wasn't, say it again with --fresh"
    if written == held:
        words = (
            f"Nothing was written to {path}: it holds just this already. Cut the next key with it, and measure that."
        )
    else:
        on_top = evolve(held, cutter=None, counted=None) != Corrections()
        words = f"Corrections written to {path}{above if on_top else ''}. Plan with --machine {path}."
    return written, words
