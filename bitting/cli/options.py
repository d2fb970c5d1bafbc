"""What several commands take, each option written once, and texts that are asked for one after the other."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeVar

import click
from attrs import evolve

from bitting.cli.common import ask, at_terminal, lines_piped
from bitting.errors import BittingError
from bitting.text import plural

if TYPE_CHECKING:
    from bitting.decoding.model import Made
    from bitting.machine.inspect.uncertainty import Gauge
    from bitting.model import System
    from bitting.systemfile.machine import Machine

F = TypeVar("F", bound=Callable[..., Any])


def as_one(name: str, kind: type[Any], *options: Callable[[F], F]) -> Callable[[F], F]:
    """Several options that a command takes as one value, under that name: a `kind` has a field for each of them."""

    def add(function: F) -> F:
        @functools.wraps(function)
        def taking(*args: Any, **given: Any) -> Any:
            value = kind(**{field: given.pop(field) for field in kind._fields})
            return function(*args, **given, **{name: value})

        for option in reversed(options):
            option(taking)  # click notes it on the function itself
        return taking  # type: ignore[return-value]

    return add


unit_option = click.option(
    "--unit", type=click.Choice(["mm", "in", "thou"]), help="Unit of the readings, where they name none."
)
contact_option = click.option(
    "--contact", metavar="LENGTH", help="Radius of a ball or pin that reads instead of a jaw."
)
sheet_option = click.option(
    "--sheet", metavar="NAME", help="The sheet of a workbook, where several hold what is wanted."
)
tolerance_option = click.option(
    "--tolerance", metavar="LENGTH", help="What a cut may be off by, instead of the system's."
)
guard_option = click.option(
    "--guard", metavar="P|Ku", default="95%",
    help="How sure a verdict must be: 95% (unless given), or a guard band as 2u.",
)  # fmt: skip


class Measured(NamedTuple):
    """What is said of a measured key and of the caliper."""

    made: Made | None
    wear: str | None
    caliper: str | None


key_options = as_one(
    "measured", Measured,
    click.option("--made", type=click.Choice(["original", "copy"]), help="How the key was cut: by code, or as a copy."),
    click.option("--wear", metavar="AMOUNT", help="none, light, heavy, or the mean wear of a cut as a length."),
    click.option(
        "--caliper", metavar="LIMITS[/STEP]",
        help="The caliper's error limits (0.02 for ±0.02), and the steps it shows where they are coarse (0.03/0.05).",
    ),
)  # fmt: skip


class KnownKey(NamedTuple):
    """A key of known code, beside what was measured."""

    against: str | None
    against_code: str | None
    against_system: str | None
    against_new: bool


against_options = as_one(
    "known_key", KnownKey,
    click.option(
        "--against", metavar="READINGS",
        help="Readings of a key of known code, taken with the same caliper the same day.",
    ),
    click.option("--against-code", metavar="CODE", help="The code of that key (`-` asks for it)."),
    click.option("--against-system", metavar="SYSTEM", help="Its system, where that isn't the one of -s."),
    click.option("--against-new", is_flag=True, help="That key is newly cut, so not worn."),
)  # fmt: skip


class Work(NamedTuple):
    """How a key is to be cut."""

    ease: bool
    machine_path: Path | None
    direction: Literal["bow-to-tip", "tip-to-bow", "conventional"] | None
    have: str | None
    takes: tuple[str, ...]

    def machine(self) -> Machine | None:
        """The machine, where a file tells of it."""
        from bitting.systemfile.machine import load_machine

        return None if self.machine_path is None else load_machine(self.machine_path)


plan_options = as_one(
    "work", Work,
    click.option("--ease", is_flag=True, help="Add stops where a wall would be too steep for a tumbler to climb."),
    click.option(
        "--machine", "machine_path", type=click.Path(path_type=Path), metavar="FILE",
        help="A machine file (TOML): settings in turns, backlash taken up, corrections applied.",
    ),
    click.option(
        "--direction", type=click.Choice(["bow-to-tip", "tip-to-bow", "conventional"]),
        help="The order of the cuts, instead of the system's own; conventional: whichever mills against the feed.",
    ),
    click.option(
        "--have", metavar="OLD", help="The code that the key is cut to already (- asks for it): only what gets deeper is milled.",
    ),
    click.option(
        "--take", "takes", multiple=True, metavar="'TRACK CUT by LENGTH'",
        help="So much more off one cut of a finished key; may be given several times.",
    ),
)  # fmt: skip

MOST_RADIUS_MM = 25.0
"""No ball or pin that reads a key is larger (common practice: a millimetre or two across)."""


class Instrument(NamedTuple):
    """What a key is measured with; lengths may carry a unit (`0.8 thou`), otherwise they are in the system's."""

    caliper: str | None
    hand: str | None
    zero: str | None
    jaw: str | None
    contact: str | None

    @property
    def hand_by_repeats(self) -> bool:
        """Whether the hand's part of a reading is to be told from repeated ones."""
        return self.hand is not None and self.hand.strip().lower() == "repeats"

    def gauge(self, system: System) -> Gauge:
        """The same as figures."""
        from bitting.machine.inspect.uncertainty import Gauge

        hand = "repeats" if self.hand_by_repeats else length_of(self.hand, system)
        zero = length_of(self.zero, system) or 0.0
        return Gauge(length_of(self.caliper, system), hand, zero, length_of(self.jaw, system))  # type: ignore[arg-type]


gauge_options = as_one(
    "instrument", Instrument,
    click.option("--caliper", metavar="LENGTH", help="The caliper's error limits (0.02 for ±0.02)."),
    click.option("--hand", metavar="LENGTH|repeats", help="The hand's part of one reading; or take the repeats'."),
    click.option("--zero", metavar="LENGTH", help="Standard uncertainty of the caliper's zero."),
    click.option("--jaw", metavar="LENGTH", help="Width of the caliper's jaw; 0 for a knife edge."),
    contact_option,
)  # fmt: skip


def length_of(text: str | None, system: System) -> float | None:
    """A length that an option may give, in the system's unit."""
    from bitting.notation.lengths import parse_length

    return None if text is None else parse_length(text, system)


def touched(system: System, contact: str | None, jaw: str | None) -> System:
    """The system as read by a ball or pin of that radius, where one is named."""
    radius = length_of(contact, system)
    if radius is None:
        return system
    if jaw is not None:
        raise BittingError(
            "--jaw and --contact contradict each other", hint="a cut is read by a jaw or by a round contact"
        )
    if not 0 < system.in_mm(radius) <= MOST_RADIUS_MM:
        raise BittingError(
            f"a contact of radius {contact} can't be meant",
            hint="a ball or a pin's round end: 0.5 for one a millimetre across",
        )
    return evolve(system, measuring=evolve(system.measuring, contact=radius, jaw=None))


def read_by(systems: list[System], jaw: str | None, contact: str | None) -> list[System]:
    """The systems as read by that jaw, or by a ball or pin of that radius; lengths are in the unit of the first."""
    from bitting.decoding.model import length_option

    first = touched(systems[0], contact, jaw)
    if contact is None and jaw is None:
        return systems
    width = 0.0 if jaw is None else first.in_mm(length_option(jaw, "jaw", first, 20.0))
    radius = 0.0 if contact is None else first.in_mm(first.need("measuring.contact"))
    return [
        evolve(one, measuring=evolve(one.measuring, jaw=one.from_mm(width), contact=one.from_mm(radius) or None))
        for one in systems
    ]


def may_draw(path: str, force: bool, inputs: Sequence[str]) -> None:
    """Find out before the work whether a picture beside the answer can be kept."""
    from bitting.files import may_write

    if path == "-":
        raise BittingError("standard output holds the answer, not the picture", hint="name a file: --svg FILE.svg")
    may_write(path, force=force, inputs=inputs)


class Given(NamedTuple):
    """A text as it was given, and where: `line 3: ` of a list on standard input, else nothing."""

    text: str
    where: str = ""


def texts_piped(systems: Sequence[System]) -> list[Given]:
    """The texts on standard input, one a line; lines that follow one another and each name other tracks (of the system
    that joins most) are one."""
    found = lines_piped()
    if len(found) > 1 and systems:
        from bitting.notation.spoken import lists_of

        found = min((list(lists_of(found, system)) for system in systems), key=len)
    return [Given(text, f"line {number}: " if len(found) > 1 else "") for number, text in found]


Asked = Sequence[tuple[str, str | None]]
"""Texts that a command takes: what each is, and the text, None or `-` where it is to be asked for."""


def ask_all(asked: Asked, systems: Sequence[System], hint: str = "", *, several: int = 0) -> list[str]:
    """The texts; those that are read from standard input stand there as `texts_piped` says (see `ask_each`)."""
    return [text for text, _ in ask_each(asked, functools.partial(texts_piped, systems), hint, several=several)]


def ask_each(asked: Asked, split: Callable[[], list[Given]], hint: str = "", *, several: int = 0) -> list[Given]:
    """Texts, each given, or asked for on a terminal, or else read from standard input: all of it where one is missing,
    otherwise as `split` tells the texts of a pipe apart.

    Of the first `several`, which are of a kind, the last that is missing stands for as many as there are. `hint` is said
    where their number is wrong.
    """
    missing = [at for at, (_, text) in enumerate(asked) if text in (None, "-")]
    if at_terminal() or (len(missing) == 1 and missing[0] >= several):
        found = [Given(ask(None, asked[at][0])) for at in missing]
    else:
        found = split() if missing else []
    found = [one for one in found if one.text]
    more = len(found) - len(missing)
    grows = [at for at in missing if at < several][-1:]
    if more < 0 or (more and not grows):
        names = ", ".join(asked[at][0] for at in missing).lower()
        lines = f"a line each on standard input, in this order: {names}" if len(missing) > 1 else "on standard input"
        kind = "line"
        if any("\n" in one.text for one in found):
            kind, hint = "text", "; lines that each name another track are one"
        raise BittingError(
            f"{plural(len(found), kind)} on standard input instead of {len(missing)}"
            if found
            else f"{names}: not given",
            hint=f"give {'it' if len(missing) == 1 else 'them'} behind the command, or {lines}{hint}",
        )
    for at, (_, text) in enumerate(asked):
        if at not in missing:
            found.insert(at + (more if grows and at > grows[0] else 0), Given(text or ""))
    return found
