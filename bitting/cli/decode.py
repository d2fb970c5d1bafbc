"""`bitting decode`: what was the code of this worn key, and how sure is that?"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, all_systems, give, known_system, lock_names, system_names, unicode_out
from bitting.cli.help import Command
from bitting.cli.options import (
    KnownKey,
    Measured,
    against_options,
    ask_all,
    contact_option,
    key_options,
    may_draw,
    read_by,
    unit_option,
)
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.decoding.session import Bench
    from bitting.model import System

EPILOG = """\
Asked for are the readings, then those of the key of known code, then its code; a pipe gives several of them one a line.

Exit status: 0 sure; 1 not sure, or the key doesn't fit; 2 the readings can't be read.
"""


@click.command(cls=Command, epilog=EPILOG)
@click.argument("readings", nargs=-1)
@click.option(
    "-s", "--system", "names", multiple=True, metavar="SYSTEM", shell_complete=system_names,
    help="A shipped system's name or the path of a system file; several are ranked.",
)  # fmt: skip
@click.option("--all-systems", "every", is_flag=True, help="Rank all systems: the shipped ones and your own.")
@unit_option
@click.option("--best", type=click.IntRange(1, 1000), default=5, show_default=True, help="How many codes to list.")
@click.option(
    "--sure", type=float, default=0.95, show_default=True, help="Probability the whole code needs to be sure."
)
@key_options
@click.option(
    "--width", metavar="LENGTH", help="The blade's measured width: corrects far-edge values of a narrow blank."
)
@against_options
@click.option(
    "--zero", metavar="LENGTH",
    help="Standard uncertainty of the caliper's zero and jaws, which both keys share (else half the offset's variance).",
)  # fmt: skip
@click.option(
    "--gauge", type=click.Choice(["own-edge", "far-edge", "centre"]),
    help="From where the readings run, where that isn't how the system's depths are measured (a depth gauge: own-edge).",
)  # fmt: skip
@click.option("--jaw", metavar="LENGTH", help="Width of the caliper's jaw; 0 for a knife edge (else the system's).")
@contact_option
@click.option("--place", metavar="LENGTH", help="Standard uncertainty of places along the blade (else 0.25 mm).")
@click.option(
    "--lock", metavar="NAME", shell_complete=lock_names,
    help="Only the cuts that this lock reads; write those alone, or the others as ?.",
)  # fmt: skip
@click.option("--full", is_flag=True, help="Everything: shared errors, fit, chart, other codes, what is assumed.")
@click.option("--svg", metavar="FILE.svg", help="Draw the readings against the depth lines, to scale.")
@click.option("--force", is_flag=True, help="Replace FILE.svg if it is there.")
def command(
    readings: tuple[str, ...],
    names: tuple[str, ...],
    every: bool,
    unit: str | None,
    best: int,
    sure: float,
    measured: Measured,
    width: str | None,
    known_key: KnownKey,
    zero: str | None,
    gauge: str | None,
    jaw: str | None,
    contact: str | None,
    place: str | None,
    lock: str | None,
    full: bool,
    svg: str | None,
    force: bool,
    as_json: bool,
) -> int:
    """The most probable legal code of a measured key, how sure it is, and what to measure again.

    READINGS lists what the caliper read, bow to tip, one value per cut: ? for a cut that could not be measured, 7.40|7.42
    for repeats, 7.40±0.05 for a reading with limits of its own, 7.40@21.4 with the place along the blade. Quote it.
    Without READINGS it is asked for. Several READINGS are lists of the same key, measured one after the other: a second
    list, taken from the tip (`from tip:`), finds what no repeat of the first can, such as a cut skipped.
    """
    from bitting.decoding.session import decode_at
    from bitting.report.decode import render

    if not names and not every:
        raise BittingError("no system was named", hint="name one with -s SYSTEM, several, or --all-systems")
    chosen = all_systems(names) if every else [known_system(name) for name in dict.fromkeys(names)]
    systems = read_by(chosen, jaw, contact)
    if gauge is not None:
        from bitting.decoding.corrections import gauged

        systems = [gauged(system, gauge) for system in systems]
    known = _known_key(known_key, systems, zero)
    inputs = [system.path for system in (*systems, known) if system is not None]
    if svg is not None:
        may_draw(svg, force, inputs)
    bench = _bench(systems, measured, unit, width, place, jaw_said=jaw is not None)
    called = ["Readings"] if len(readings) < 2 else [f"Readings ({number})" for number in range(1, len(readings) + 1)]
    of_known = (("Readings of the key of known code", known_key.against), ("Its code", known_key.against_code))
    asked = [*zip(called, readings or ("-",), strict=True), *(() if known is None else of_known)]
    texts = ask_all(asked, systems, several=len(called) if len(called) > 1 else 0)
    if known is not None:
        *texts, read, code = texts
        bench = _with_zero(bench, known, read, code, measured, zero, unworn=known_key.against_new)
    if place and not any("@" in text for text in texts):
        raise BittingError(
            "--place is for places along the blade, and no reading has one", hint="write 7.40@21.4, or leave it out"
        )
    result = decode_at(bench, texts, systems, best, sure, lock=lock)
    if svg is not None:
        from bitting.files import write_whole
        from bitting.report.decode_svg import readings_svg

        write_whole(svg, readings_svg(result), force=force, inputs=inputs)
    columns = shutil.get_terminal_size().columns
    give(as_json, result, render(result, columns, plain=not unicode_out(), full=full))
    return GOOD if result.verdict == "sure" else BAD_NEWS


def _bench(
    systems: list[System], measured: Measured, unit: str | None, width: str | None, place: str | None, *, jaw_said: bool
) -> Bench:
    """What the options say of key, caliper and blank; lengths are in the unit of the first system."""
    from bitting.decoding.model import caliper_step, length_option, model_with
    from bitting.decoding.positions import PLACE_SD
    from bitting.decoding.session import Bench

    first = systems[0]
    place_sd = PLACE_SD if place is None else first.in_mm(length_option(place, "place", first, 5.0))
    if place_sd == 0:
        raise BittingError("places along the blade are never exact", hint="0.25 mm is usual, by eye at a caliper's jaw")
    return Bench(
        models={system.name: model_with(system, **measured._asdict()) for system in systems},
        steps={system.name: caliper_step(measured.caliper, system) for system in systems},
        unit=unit,
        width=None if width is None else length_option(width, "width", first, 100.0),
        place_sd=place_sd,
        jaw_said=jaw_said,
    )


def _known_key(given_key: KnownKey, systems: list[System], zero: str | None) -> System | None:
    """The system of the key of known code, None where there is no such key."""
    against, code, system, unworn = given_key
    if (against is None) != (code is None):
        given, missing = ("--against", "--against-code") if code is None else ("--against-code", "--against")
        raise BittingError(
            f"{given} is given without {missing}", hint=f"add `{missing} -` to be asked for it; both are of one key"
        )
    if against is None:
        if system is not None or unworn or zero is not None:
            raise BittingError(
                "--against-system, --against-new and --zero say more of a key of known code, and none is given",
                hint="give its readings with --against and its code with --against-code (`-` asks for them)",
            )
        return None
    if system is None and len(systems) > 1:
        raise BittingError("which system is the key of known code?", hint="name it with --against-system SYSTEM")
    return systems[0] if system is None else known_system(system)


def _with_zero(
    bench: Bench, system: System, read: str, code: str, measured: Measured, zero: str | None, *, unworn: bool
) -> Bench:
    """The bench with what a key of known code says of the caliper's zero and jaws."""
    from attrs import evolve

    from bitting.decoding.corrections import zero_from
    from bitting.decoding.model import caliper_step, length_option, model_with
    from bitting.decoding.session import read_lists
    from bitting.notation import parse_code

    readings, _ = read_lists([read], system, bench.unit, caliper_step(measured.caliper, system))
    zero_sd = None if zero is None else length_option(zero, "zero", system)
    model = model_with(system, made=measured.made, caliper=measured.caliper)
    return evolve(bench, zero=zero_from(readings, parse_code(code, system), model, zero_sd=zero_sd, unworn=unworn))
