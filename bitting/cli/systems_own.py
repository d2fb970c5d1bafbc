"""`bitting systems new`, `learn` and `fit`: a system of one's own from a chart, from codes, from measured keys."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bitting.authoring.questions import QUESTIONS, Answers
from bitting.cli.common import BAD_NEWS, GOOD, at_terminal, give, known_system, system_option, tell, unicode_out
from bitting.cli.help import Command
from bitting.cli.options import KnownKey, against_options, ask_all, read_by, sheet_option, unit_option
from bitting.cli.systems import Progress
from bitting.errors import BittingError
from bitting.text import DIGITS

if TYPE_CHECKING:
    from bitting.authoring.fit import Anchor, Key
    from bitting.model import System

GIVEN = "bitting.answers"
"""Where the options that answer questions are kept while the command line is read."""

NEW_EPILOG = """\
A chart is a table of depths (label, dimension) and one of spaces (number, distance), as CSV or XLSX, or two typed columns
with a blank line between them; it may say other things as `stop, tip`. Without a terminal what nobody says is left at
its default, and marked in the file.

Exit status: 0 written and clean; 1 written, and lint has something to say; 2 nothing was written.
"""


def _answer(context: click.Context, option: click.Parameter, value: str | tuple[str, ...] | None) -> None:
    if value not in (None, ()) and option.name is not None:
        told = " | ".join(value) if isinstance(value, tuple) else value
        context.meta.setdefault(GIVEN, {})[option.name.replace("_", "-")] = told


def _answering(function: Callable[..., Any]) -> Callable[..., Any]:
    for key, question in reversed(list(QUESTIONS.items())):
        if key != "name":
            several = key == "rule"
            function = click.option(
                f"--{key}", multiple=several, metavar="SENTENCE" if several else "…", expose_value=False, callback=_answer,
                help="A rule, as a sentence (again for each)." if several else question.text,
            )(function)  # fmt: skip
    return function


@click.command("new", cls=Command, epilog=NEW_EPILOG)
@click.argument("name")
@click.option(
    "--chart", metavar="FILE", help="A depth-and-space chart: CSV, XLSX or typed columns; `-` reads standard input."
)
@sheet_option
@_answering
@click.option("--answers", "saved", metavar="FILE", help="Keep the answers here, and take up what is there already.")
@click.option("--defaults", is_flag=True, help="Ask nothing that has a default, on a terminal either.")
@click.option("-o", "--output", metavar="FILE", help="The file to write (else NAME.toml in your own folder).")
@click.pass_context
def new(
    context: click.Context,
    name: str,
    chart: str | None,
    sheet: str | None,
    saved: str | None,
    defaults: bool,
    output: str | None,
    as_json: bool,
) -> int:
    """Write a system file from a chart, from options, or from questions one at a time; lint it; show it for comparison."""
    from bitting.authoring.draft import draft
    from bitting.files import may_write, write_whole
    from bitting.linting import lint
    from bitting.report.authoring import render_new

    known = _known(name, context.meta.get(GIVEN, {}), saved, chart, sheet)
    target = _target(known["name"], output)
    may_write(target, forcible=False)
    _no_twin(known["name"], target)
    if at_terminal() and not as_json and not (defaults and not known.missing()):
        known = _interview(known, saved, defaults)
    made = draft(known, str(target))
    linted = lint(made.system, progress=Progress())
    write_whole(target, made.text)
    answer = {
        "file": str(target),
        "system": made.system.name,
        "notes": list(made.notes),
        "assumed": list(made.assumed),
        "clean": linted.clean,
        "findings": [finding.as_dict() for finding in linted.findings],
    }
    give(as_json, answer, render_new(str(target), made, linted, plain=not unicode_out()))
    return GOOD if linted.clean else BAD_NEWS


def _known(name: str, given: dict[str, str], saved: str | None, chart: str | None, sheet: str | None) -> Answers:
    """What is known before anything is asked: options, then what was saved, then what the chart says."""
    known = Answers().with_answer("name", name)
    earlier = _saved(saved)
    for key in QUESTIONS:  # in their order, as a length is read in the unit that was answered
        text = given.get(key, earlier.get(key))
        if text is not None and key != "name":
            try:
                known = known.with_answer(key, text)
            except BittingError as fault:
                raise BittingError(f"--{key}: {fault.message}", hint=fault.hint) from None
    if chart is None:
        return known
    from bitting.authoring.chart import read_chart
    from bitting.authoring.tables import chart_rows

    return known.with_chart(read_chart(chart_rows(chart, sheet), known.given.get("unit")))


def _saved(path: str | None) -> dict[str, str]:
    """Answers kept in a file, none where there is no such file yet."""
    if path is None or not Path(path).exists():
        return {}
    import tomllib

    try:
        found = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise BittingError(f"the answers in {path!r} can't be read: {fault}", hint="name another file") from None
    unknown = [key for key, value in found.items() if key not in QUESTIONS or not isinstance(value, str)]
    if unknown:
        raise BittingError(f"{path!r} holds no saved answers: {unknown[0]!r} is none", hint="name another file")
    return found


def _interview(known: Answers, saved: str | None, defaults: bool) -> Answers:
    """Ask on the terminal; every answer is kept at once where a file for that was named."""
    from bitting.authoring.interview import interview

    if defaults:
        for question in known.asked():
            default = question.default(known)
            if question.key not in known.given and default is not None:
                known = known.with_answer(question.key, default)

    def prompt(text: str, default: str | None) -> str:
        typed: str = click.prompt(text, default=default or "", show_default=bool(default), err=True)
        return typed

    def keep(found: Answers) -> None:
        if saved is not None:
            import tomlkit

            from bitting.files import write_whole

            write_whole(saved, tomlkit.dumps(dict(found.given)), force=True)

    return interview(known, prompt, tell, keep)


def _target(name: str, output: str | None) -> Path:
    """The file to write; the user's own folder is made where it isn't there yet."""
    if output is not None:
        return Path(output)
    from bitting.systemfile import user_folder

    folder = Path(user_folder())
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as fault:
        raise BittingError(
            f"can't make the folder {str(folder)!r}: {fault.strerror}", hint="name a file with -o"
        ) from None
    return folder / f"{name}.toml"


def _no_twin(name: str, target: Path) -> None:
    """Refuse a name that a system has already, where the new file would be found by it."""
    from bitting.systemfile import known_systems, user_folder

    if target.resolve().parent != Path(user_folder()).resolve():
        return
    twin = next((known for known in known_systems() if known.name.casefold() == name.casefold()), None)
    if twin is not None:
        where = "ships with the toolkit" if twin.shipped else f"is in {twin.path}"
        raise BittingError(
            f"a system called {twin.name!r} {where}", hint="choose another name, or write it elsewhere with -o"
        )


LEARN_EPILOG = """\
The codes are used for this and written nowhere: bad ones are told by their row. `bitting docs own-system` says which rules can
be learned.

Exit status: 0 all rows are good codes; 1 rows can't be; 2 the question could not be answered.
"""


@click.command("learn", cls=Command, epilog=LEARN_EPILOG)
@click.argument("file", metavar="FILE")
@system_option
@click.option("--column", metavar="NAME", help="The column of codes, by its name or its number from 1.")
@sheet_option
@click.option(
    "--bad", type=float, default=0.0, metavar="P", help="So large a share of the codes may be wrong, such as 0.02."
)
@click.option("-o", "--output", metavar="FILE", help="Write the chart with the proposed rules to this file.")
def learn(
    file: str, system_name: str, column: str | None, sheet: str | None, bad: float, output: str | None, as_json: bool
) -> int:
    """The rules that codes known to be good follow, each with its evidence; the chart's own rules are kept."""
    from bitting.authoring.draft import with_rules
    from bitting.authoring.learn import learn as learn_rules
    from bitting.authoring.tables import codes_in
    from bitting.report.authoring import chance_said, render_learned

    system = _of_file(system_name, file, output)
    good, unusable = codes_in(file, system, column, sheet)
    found = learn_rules(system, good, bad=bad, unusable=unusable, progress=Progress())
    if output is not None:
        remarks = [(rule.sentence, f"learned from {found.codes} codes: {chance_said(rule)}") for rule in found.proposed]
        _write(output, with_rules(_text_of(system), remarks))
    give(as_json, {**found.as_dict(), "file": output}, render_learned(found, output))
    return BAD_NEWS if found.bad else GOOD


def _of_file(name: str, file: str, output: str | None) -> System:
    """The system whose chart is gone by, once it is sure that its new file may be written."""
    from bitting.files import may_write

    system = known_system(name, ruled=False)
    if output is not None:
        may_write(output, inputs=[system.path, *([] if file == "-" else [file])], forcible=False)
    return system


def _text_of(system: System) -> str:
    """The text of a system's file, comments and all."""
    return Path(system.path).read_text(encoding="utf-8-sig")


def _write(output: str, text: str) -> None:
    """Write a system file that can be read."""
    from bitting.files import write_whole
    from bitting.systemfile import read_system

    read_system(text, output)
    write_whole(output, text)


FIT_EPILOG = """\
FILE has a row a key: a column `code` (which may be empty or missing) and a column `readings`, written as for decode; or a list
with the readings of one key a line. Readings may say where they were taken (7.42@21.4), which gives the spaces.

Wear and a caliper's zero move all readings alike, so the level of the chart needs an anchor: one dimension that is known, a
new key, or a key of known code measured with the same caliper. Without one only steps are given.

Exit status: 0 the chart agrees; 1 the keys contradict it; 2 the question could not be answered.
"""


@click.command("fit", cls=Command, epilog=FIT_EPILOG)
@click.argument("file", metavar="FILE")
@system_option
@click.option("--known", metavar="DEPTH=LENGTH", help="One dimension that is known, such as 1=8.60.")
@click.option(
    "--new",
    "new_row",
    type=click.IntRange(1),
    metavar="ROW",
    help="The key in this row of the file is new, so not worn.",
)
@against_options
@unit_option
@click.option("--jaw", metavar="LENGTH", help="Width of the caliper's jaw; 0 for a knife edge (else the system's).")
@sheet_option
@click.option("-o", "--output", metavar="FILE", help="Write the chart with the fitted figures to this file.")
def fit(
    file: str,
    system_name: str,
    known: str | None,
    new_row: int | None,
    known_key: KnownKey,
    unit: str | None,
    jaw: str | None,
    sheet: str | None,
    output: str | None,
    as_json: bool,
) -> int:
    """Depths (and spaces) of a chart from several measured keys whose codes are known, or none of them."""
    from bitting.authoring.draft import with_chart
    from bitting.authoring.fit import fit_chart
    from bitting.authoring.tables import keys_in
    from bitting.report.authoring import render_fitted

    given = (("--known", known), ("--new", new_row), ("--against", known_key.against))
    anchors = [name for name, value in given if value is not None]
    if len(anchors) > 1:
        raise BittingError(f"{' and '.join(anchors)} both fix the level", hint="give one of them")
    if output is not None and not anchors:
        raise BittingError(
            "without an anchor only steps are known, and a chart needs dimensions",
            hint="add --known DEPTH=LENGTH, --new ROW, or --against READINGS",
        )
    [system] = read_by([_of_file(system_name, file, output)], jaw, None)
    anchor = _anchor(system, known, new_row, known_key, unit)
    keys = [_key(*key, system, unit) for key in keys_in(file, sheet)]
    found = fit_chart(system, keys, anchor)
    if output is not None:
        digits = DIGITS[system.unit]
        depths = {key: f"{estimate.mean:.{digits}f}" for key, estimate in found.depths.items()}
        spaces = {key: f"{estimate.mean:.{digits}f}" for key, estimate in found.spaces.items()}
        _write(output, with_chart(_text_of(system), depths, spaces))
    give(as_json, {**found.as_dict(), "file": output}, render_fitted(found, output))
    return BAD_NEWS if found.off_chart() else GOOD


def _key(row: int, code: str, readings: str, system: System, unit: str | None) -> Key:
    """One measured key; what can't be read names its row."""
    from bitting.authoring.fit import Key
    from bitting.notation import parse_code, parse_readings

    try:
        return Key(row, parse_readings(readings, system, unit), parse_code(code, system) if code else None)
    except BittingError as fault:
        raise BittingError(f"row {row}: {fault.message}", hint=fault.hint, text=fault.text, span=fault.span) from None


def _anchor(system: System, known: str | None, new_row: int | None, known_key: KnownKey, unit: str | None) -> Anchor:
    """What the options say of the level."""
    from bitting.authoring.fit import Anchor

    if known is not None:
        return Anchor(known=_known_depth(known, system))
    readings, code, other, unworn = known_key
    if readings is None:
        if code is not None or other is not None or unworn:
            raise BittingError(
                "--against-code, -system and -new say more of --against", hint="give its readings with --against"
            )
        return Anchor(new=new_row)
    from bitting.decoding.corrections import zero_from
    from bitting.decoding.model import model_of
    from bitting.notation import parse_code, parse_readings
    from bitting.systemfile import load_system

    its = system if other is None else load_system(other)
    read, code = ask_all([("Readings of the key of known code", readings), ("Its code", code)], [its])
    zero = zero_from(parse_readings(read, its, unit), parse_code(code, its), model_of(its), unworn=unworn)
    return Anchor(zero=(system.from_mm(zero.mean), system.from_mm(zero.sd)))


def _known_depth(text: str, system: System) -> tuple[int, int, float]:
    """`1=8.60`, or `left 1=8.60` where tracks have tables of their own: (table, place, dimension)."""
    from bitting.authoring.fit import table_of
    from bitting.notation.lengths import parse_length

    name, _, amount = text.partition("=")
    *track, label = name.split() or [""]
    found = next((t for t in system.tracks if not track or t.name.casefold() == track[0].casefold()), None)
    first, several = system.tracks[0], len({table_of(system, t.name) for t in system.tracks}) > 1
    form = f"write it as {f'{first.name} ' * several}{first.labels[0]}={first.depths[0]:g}; mm, in or thou may stand behind it"
    if several and not track:
        raise BittingError(f"--known {text!r} names no track, and their depths differ", hint=form)
    try:
        dimension = parse_length(amount, system)
    except BittingError:
        raise BittingError(f"--known {text!r} is no dimension", hint=form) from None
    if found is None or label not in found.labels:
        depths = " ".join(system.tracks[0].labels if found is None else found.labels)
        raise BittingError(f"--known {text!r} names no depth", hint=f"depths are {depths}; {form}")
    place, span = found.labels.index(label), abs(found.depths[-1] - found.depths[0])
    if abs(dimension - found.depths[place]) > span:
        raise BittingError(
            f"--known {text!r} is {dimension:g} {system.unit}, and the chart has {found.depths[place]:g} there",
            hint=f"is it in another unit? {form}",
        )
    return table_of(system, found.name), place, dimension
