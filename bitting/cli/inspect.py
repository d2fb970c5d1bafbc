"""`bitting inspect`: a finished key, measured, beside its code."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, ask, give, known_system, system_option
from bitting.cli.help import Command
from bitting.cli.options import (
    Instrument,
    ask_all,
    gauge_options,
    guard_option,
    length_of,
    tolerance_option,
    touched,
    unit_option,
)
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.machine.inspect.decision import Guard
    from bitting.machine.inspect.uncertainty import Gauge
    from bitting.model import System


@click.command(cls=Command, name="inspect")
@click.argument("code", required=False)
@click.argument("readings", required=False)
@system_option
@unit_option
@guard_option
@tolerance_option
@click.option("--place-tolerance", metavar="LENGTH", help="What a place along the blade may be off by.")
@click.option("--against", metavar="READINGS", help="Compare with a key that works, measured with the same caliper.")
@click.option("--limits", "only_limits", is_flag=True, help="Go and no-go of every cut, without any reading.")
@click.option(
    "--repeats", type=click.IntRange(1, 20), default=1, show_default=True, help="Readings a cut, for --limits."
)
@gauge_options
def command(
    code: str | None,
    readings: str | None,
    system_name: str,
    unit: str | None,
    guard: str,
    tolerance: str | None,
    place_tolerance: str | None,
    against: str | None,
    instrument: Instrument,
    only_limits: bool,
    repeats: int,
    as_json: bool,
) -> int:
    """Is the finished key right? Each cut beside its tolerance: pass, recut, scrap, or too close to tell.

    Without CODE and READINGS two lines are read from standard input, the code first, or asked for (`--against -`: a third
    line). Deburr and dry the key
    before measuring; join repeated readings of a cut with `|`. Exit status 1 unless the whole key passes.
    """
    from bitting.machine.inspect.decision import Guard
    from bitting.machine.inspect.inspection import inspect
    from bitting.notation import parse_code, parse_readings
    from bitting.report.inspect import inspection_lines

    if only_limits and (readings or against or place_tolerance or unit):
        raise BittingError(
            "--limits is asked for before anything is read",
            hint="leave it out, or else READINGS, --unit, --place-tolerance and --against",
        )
    if repeats > 1 and not only_limits:
        raise BittingError("--repeats is for --limits", hint="join what was read of a cut: 7.40|7.42")
    system = touched(known_system(system_name), instrument.contact, instrument.jaw)
    gauge = instrument.gauge(system)
    rule = Guard.parse(guard)
    if only_limits:
        return _limits(system, code, repeats, gauge, rule, tolerance, as_json)
    asked = [("Code", code), ("Readings", readings)]
    asked += [] if against is None else [("Readings of the key that works", against)]
    texts = ask_all(asked, [system], "; --limits needs no readings")
    result = inspect(
        parse_code(texts[0], system),
        parse_readings(texts[1], system, unit),
        system,
        gauge=gauge,
        guard=rule,
        tolerance=length_of(tolerance, system),
        place_tolerance=length_of(place_tolerance, system),
        against=None if against is None else parse_readings(texts[2], system, unit),
    )
    give(as_json, result, inspection_lines(result, system, shutil.get_terminal_size().columns))
    return GOOD if result.verdict == "pass" else BAD_NEWS


def _limits(
    system: System, code: str | None, repeats: int, gauge: Gauge, guard: Guard, tolerance: str | None, as_json: bool
) -> int:
    """Go and no-go of every cut; nothing was judged, so the exit status is 0."""
    from bitting.machine.inspect.limits import limits
    from bitting.notation import parse_code
    from bitting.report.inspect import limits_lines

    wanted = parse_code(ask(code, "Code"), system)
    found = limits(wanted, system, repeats, gauge=gauge, guard=guard, tolerance=length_of(tolerance, system))
    give(as_json, found, limits_lines(found, system, shutil.get_terminal_size().columns))
    return GOOD
