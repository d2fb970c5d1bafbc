"""`bitting decode`: what was the code of this worn key, and how sure is that?"""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, answers, ask, json_option, print_json
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.decoding import Decoded, MeasurementModel
    from bitting.decoding.figures import Made
    from bitting.model import System

EPILOG = """\b
Examples
  bitting decode -s plover                      asks for the readings
  bitting decode 'left: 8.14 8.62 7.69 7.70 8.60 7.22 7.25 / right: 8.60 8.63 8.11 7.24 7.19 8.17 8.55' -s plover
  bitting decode '7.30 7.21 ? 7.09|7.11 7.18 6.58±0.05 7.74 7.15' -s wren --best 3
  bitting decode - --all-systems --json < readings.txt

Exit status: 0 sure; 1 not sure, or the key doesn't fit; 2 the readings can't be read.
"""


@click.command(epilog=EPILOG)
@click.argument("readings", required=False)
@click.option(
    "-s", "--system", "names", multiple=True, metavar="SYSTEM",
    help="A shipped system's name or the path of a system file; several are ranked.",
)  # fmt: skip
@click.option("--all-systems", is_flag=True, help="Rank all shipped systems.")
@click.option("--unit", type=click.Choice(["mm", "in", "thou"]), help="Unit of readings that name none.")
@click.option("--best", type=click.IntRange(1, 1000), default=5, show_default=True, help="How many codes to list.")
@click.option(
    "--sure", type=float, default=0.95, show_default=True, help="Probability the whole code needs to be sure."
)
@click.option("--made", type=click.Choice(["original", "copy"]), help="How the key was cut: by code, or as a copy.")
@click.option("--wear", metavar="AMOUNT", help="none, light, heavy, or the mean wear of a cut as a length.")
@click.option("--caliper", metavar="LENGTH", help="The caliper's error limits (0.02 for ±0.02), in the system's unit.")
@click.option("--lock", metavar="NAME", help="Only the cuts that this lock reads.")
@json_option
@answers
def command(
    readings: str | None,
    names: tuple[str, ...],
    all_systems: bool,
    unit: str | None,
    best: int,
    sure: float,
    made: Made | None,
    wear: str | None,
    caliper: str | None,
    lock: str | None,
    as_json: bool,
) -> int:
    """The most probable legal code of a measured key, how sure it is, and what to measure again.

    READINGS lists what the caliper read, bow to tip, one value per cut: ? for a cut that could not be measured, 7.40|7.42
    for repeats, 7.40±0.05 for a reading with limits of its own. Quote it. Without READINGS it is asked for.
    """
    from bitting.systemfile import load_system, shipped_systems

    chosen = [*names, *(name for name in shipped_systems() if name not in names)] if all_systems else list(names)
    if not chosen:
        raise BittingError("no system was named", hint="name one with -s SYSTEM, several, or --all-systems")
    systems = [load_system(name) for name in dict.fromkeys(chosen)]
    models = {system.name: _model(system, made, wear, caliper) for system in systems}
    text = ask(readings, "Readings")
    result = _decode(text, systems, unit, best, sure, models, lock)
    if as_json:
        print_json(result.as_dict())
    else:
        _print(result)
    return GOOD if result.verdict == "sure" else BAD_NEWS


def _decode(
    text: str,
    systems: list[System],
    unit: str | None,
    best: int,
    sure: float,
    models: dict[str, MeasurementModel],
    lock: str | None,
) -> Decoded:
    from bitting.decoding import decode, decode_among
    from bitting.notation import parse_readings

    if len(systems) == 1:
        system = systems[0]
        return decode(parse_readings(text, system, unit), system, best, models[system.name], sure, lock=lock)
    if lock is not None:
        raise BittingError("--lock names a lock of one system, and several systems are compared", hint="name one -s")
    return decode_among(
        lambda system: parse_readings(text, system, unit), systems, best, sure, model_of=lambda s: models[s.name]
    )


def _model(system: System, made: Made | None, wear: str | None, caliper: str | None) -> MeasurementModel:
    """The system's model with what the options say of the key and the caliper."""
    from bitting.decoding.options import model_with

    return model_with(system, made=made, wear=wear, caliper=caliper)


def _print(result: Decoded) -> None:
    from bitting.report.decode import render

    columns = shutil.get_terminal_size().columns
    plain = (sys.stdout.encoding or "ascii").lower().replace("-", "") not in ("utf8", "utf16", "utf32")
    for line, colour in render(result, columns, plain=plain):
        click.secho(line, fg=colour)
