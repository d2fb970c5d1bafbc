"""`bitting inspect`: a finished key, measured, beside its code."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    answers,
    json_option,
    known_system,
    print_json,
    say,
    say_fitted,
    system_option,
)
from bitting.cli.help import Command
from bitting.cli.options import ask_all, contact_option, unit_option
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.machine.inspect.decision import Guard
    from bitting.machine.inspect.uncertainty import Gauge
    from bitting.model import System

F = TypeVar("F", bound=Callable[..., Any])


MOST_RADIUS_MM = 25.0
"""No ball or pin that reads a key is larger (common practice: a millimetre or two across)."""


def gauge_options(function: F) -> F:
    """How the key was measured; lengths may carry a unit (`0.8 thou`), otherwise they are in the system's."""
    for option in (
        contact_option,
        click.option("--jaw", metavar="LENGTH", help="Width of the caliper's jaw; 0 for a knife edge."),
        click.option("--zero", metavar="LENGTH", help="Standard uncertainty of the caliper's zero."),
        click.option("--hand", metavar="LENGTH|repeats", help="The hand's part of one reading; or take the repeats'."),
        click.option("--caliper", metavar="LENGTH", help="The caliper's error limits (0.02 for ±0.02)."),
    ):
        function = option(function)
    return function


def touched(system: System, contact: str | None, jaw: str | None) -> System:
    """The system as read by a ball or pin of that radius, where one is named."""
    if contact is None:
        return system
    from attrs import evolve

    from bitting.machine.inspect.lengths import parse_length

    if jaw is not None:
        raise BittingError(
            "--jaw and --contact contradict each other", hint="a cut is read by a jaw or by a round contact"
        )
    radius = parse_length(contact, system)
    if not 0 < system.in_mm(radius) <= MOST_RADIUS_MM:
        raise BittingError(
            f"a contact of radius {contact} can't be meant",
            hint="a ball or a pin's round end: 0.5 for one a millimetre across",
        )
    return evolve(system, measuring=evolve(system.measuring, contact=radius, jaw=None))


def gauge_of(system: System, caliper: str | None, hand: str | None, zero: str | None, jaw: str | None) -> Gauge:
    """The options above as a value."""
    from bitting.machine.inspect.lengths import parse_length
    from bitting.machine.inspect.uncertainty import Gauge

    def length(text: str | None) -> float | None:
        return None if text is None else parse_length(text, system)

    by_hand = "repeats" if hand is not None and hand.strip().lower() == "repeats" else None
    return Gauge(length(caliper), by_hand or length(hand), length(zero) or 0.0, length(jaw))  # type: ignore[arg-type]


@click.command(cls=Command, name="inspect")
@click.argument("code", required=False)
@click.argument("readings", required=False)
@system_option
@unit_option
@click.option("--guard", metavar="P|Ku", help="How sure a verdict must be: 95% (unless given), or a guard band as 2u.")
@click.option("--tolerance", metavar="LENGTH", help="What a cut may be off by, instead of the system's.")
@click.option("--place-tolerance", metavar="LENGTH", help="What a place along the blade may be off by.")
@click.option("--against", metavar="READINGS", help="Compare with a key that works, measured with the same caliper.")
@click.option("--limits", "only_limits", is_flag=True, help="Go and no-go of every cut, without any reading.")
@click.option(
    "--repeats", type=click.IntRange(1, 20), default=1, show_default=True, help="Readings a cut, for --limits."
)
@gauge_options
@json_option
@answers
def command(
    code: str | None,
    readings: str | None,
    system_name: str,
    unit: str | None,
    guard: str | None,
    tolerance: str | None,
    place_tolerance: str | None,
    against: str | None,
    caliper: str | None,
    hand: str | None,
    zero: str | None,
    jaw: str | None,
    contact: str | None,
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
    from bitting.machine.inspect.lengths import parse_length
    from bitting.notation import parse_code, parse_readings

    system = touched(known_system(system_name), contact, jaw)
    gauge = gauge_of(system, caliper, hand, zero, jaw)
    rule = Guard() if guard is None else Guard.parse(guard)
    if only_limits:
        return _limits(system, code, repeats, gauge, rule, tolerance, as_json)
    asked = [("Code", code), ("Readings", readings)]
    asked += [] if against is None else [("Readings of the key that works", against)]
    texts = ask_all(asked, "; --limits needs no readings")
    result = inspect(
        parse_code(texts[0], system),
        parse_readings(texts[1], system, unit),
        system,
        gauge=gauge,
        guard=rule,
        tolerance=None if tolerance is None else parse_length(tolerance, system),
        place_tolerance=None if place_tolerance is None else parse_length(place_tolerance, system),
        against=None if against is None else parse_readings(texts[2], system, unit),
    )
    if as_json:
        print_json(result.as_dict())
    else:
        from bitting.report.inspect import COLOURS, inspection_lines

        for line in inspection_lines(result, system, shutil.get_terminal_size().columns):
            verdict = next((word for word in COLOURS if line.endswith(f"  {word}")), None)
            if verdict is None:
                say_fitted(line)
            else:
                say(line.removesuffix(verdict), ending=verdict, colour=COLOURS[verdict])
    return GOOD if result.verdict == "pass" else BAD_NEWS


def _limits(
    system: System, code: str | None, repeats: int, gauge: Gauge, guard: Guard, tolerance: str | None, as_json: bool
) -> int:
    """Go and no-go of every cut; nothing was judged, so the exit status is 0."""
    from bitting.machine.inspect.lengths import parse_length
    from bitting.machine.inspect.limits import limits
    from bitting.notation import parse_code

    allowed = None if tolerance is None else parse_length(tolerance, system)
    wanted = parse_code(ask_all([("Code", code)])[0], system)
    found = limits(wanted, system, repeats, gauge=gauge, guard=guard, tolerance=allowed)
    if as_json:
        print_json(found.as_dict())
    else:
        from bitting.report.inspect import limits_lines

        for line in limits_lines(found, system):
            say_fitted(line)
    return GOOD
