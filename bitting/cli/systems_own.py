"""`bitting systems new`, `learn` and `fit`: a system of one's own from a chart, from codes, from measured keys."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bitting.authoring.questions import QUESTIONS, Answers
from bitting.cli.common import (
    BAD_NEWS,
    GOOD,
    answers,
    at_terminal,
    json_option,
    print_json,
    say_fitted,
    system_option,
    unicode_out,
)
from bitting.cli.systems import Progress
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.model import System

GIVEN = "bitting.answers"
"""Where the options that answer questions are kept while the command line is read."""

NEW_EPILOG = """\b
Examples
  bitting systems new finch                                 asks everything, and writes to your own folder
  bitting systems new finch --chart chart.csv -o finch.toml
  bitting systems new finch --chart chart.xlsx --unit in --stop tip --milling internal -o finch.toml
  bitting systems new finch --depths '1 8.60, 2 8.15, 3 7.70' --spaces '21.4 19.1 16.8' --unit mm -o finch.toml

A chart is a table of depths (label, dimension) and one of spaces (number, distance), as CSV or XLSX, or two typed columns
with a blank line between them; it may say other things as `stop, tip`. Without a terminal what nobody says is left at
its default, and marked in the file.

Exit status: 0 written and clean; 1 written, and lint has something to say; 2 nothing was written.
"""


def _answer(context: click.Context, option: click.Parameter, value: str | None) -> None:
    if value is not None and option.name is not None:
        context.meta.setdefault(GIVEN, {})[option.name.replace("_", "-")] = value


def _rules(context: click.Context, _: click.Parameter, values: tuple[str, ...]) -> None:
    if values:
        context.meta.setdefault(GIVEN, {})["rule"] = " | ".join(values)


def _answering(function: Callable[..., Any]) -> Callable[..., Any]:
    """An option for every question."""
    for key, question in reversed(QUESTIONS.items()):
        if key == "rule":
            option = click.option(
                "--rule", multiple=True, metavar="SENTENCE", expose_value=False, callback=_rules,
                help="A rule, as a sentence (again for each).",
            )  # fmt: skip
        elif key != "name":
            option = click.option(f"--{key}", metavar="…", expose_value=False, callback=_answer, help=question.text)
        else:
            continue
        function = option(function)
    return function


@click.command("new", epilog=NEW_EPILOG)
@click.argument("name")
@click.option("--chart", metavar="FILE", help="A depth-and-space chart: CSV, XLSX or typed columns; `-` reads standard input.")
@click.option("--sheet", metavar="NAME", help="The sheet of a workbook.")
@_answering
@click.option("--answers", "saved", metavar="FILE", help="Keep the answers here, and take up what is there already.")
@click.option("--defaults", is_flag=True, help="Ask nothing that has a default, on a terminal either.")
@click.option("-o", "--output", metavar="FILE", help="The file to write (else NAME.toml in your own folder).")
@json_option
@click.pass_context
@answers
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
    from bitting.lint import lint

    known = _known(name, context.meta.get(GIVEN, {}), saved, chart, sheet)
    target = _target(known["name"], output)
    may_write(target)
    _no_twin(known["name"], target)
    if at_terminal() and not as_json and not (defaults and not known.missing()):
        known = _interview(known, saved, defaults)
    made = draft(known, str(target))
    linted = lint(made.system, progress=Progress())
    write_whole(target, made.text)
    if as_json:
        print_json(
            {
                "file": str(target),
                "system": made.system.name,
                "notes": list(made.notes),
                "assumed": list(made.assumed),
                "clean": linted.clean,
                "findings": [finding.as_dict() for finding in linted.findings],
            }
        )
    else:
        from bitting.report.authoring import render_new

        for line in render_new(str(target), made, linted, plain=not unicode_out()):
            say_fitted(line)
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

    def ask(text: str, default: str | None) -> str:
        typed: str = click.prompt(text, default=default or "", show_default=bool(default), err=True)
        return typed

    def keep(found: Answers) -> None:
        if saved is not None:
            import tomlkit

            from bitting.files import write_whole

            write_whole(saved, tomlkit.dumps(dict(found.given)), force=True)

    return interview(known, ask, lambda line: click.echo(line, err=True), keep)


def _target(name: str, output: str | None) -> Path:
    """The file to write; the user's own folder is made where it isn't there yet."""
    if output is not None:
        return Path(output)
    from bitting.systemfile import user_folder

    folder = user_folder()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as fault:
        raise BittingError(f"can't make the folder {str(folder)!r}: {fault.strerror}", hint="name a file with -o") from None
    return folder / f"{name}.toml"


def _no_twin(name: str, target: Path) -> None:
    """Refuse a name that a system has already, where the new file would be found by it."""
    from bitting.systemfile import known_systems, user_folder

    if target.resolve().parent != user_folder().resolve():
        return
    twin = next((known for known in known_systems() if known.name.casefold() == name.casefold()), None)
    if twin is not None:
        where = "ships with the toolkit" if twin.shipped else f"is in {twin.path}"
        raise BittingError(f"a system called {twin.name!r} {where}", hint="choose another name, or write it elsewhere with -o")


LEARN_EPILOG = """\b
Examples
  bitting systems learn good.csv -s finch.toml -o finch-rules.toml
  bitting systems learn good.xlsx -s finch.toml --column Code --bad 0.02 -o finch-rules.toml
  bitting systems learn - -s finch.toml                    a list on standard input; nothing is written

The codes are used for this and written nowhere: bad ones are told by their row. `bitting docs own-system` says which rules can
be learned.

Exit status: 0 all rows are good codes; 1 rows can't be; 2 the question could not be answered.
"""


@click.command("learn", epilog=LEARN_EPILOG)
@click.argument("file", metavar="FILE")
@system_option
@click.option("--column", metavar="NAME", help="The column of codes, by its name or its number from 1.")
@click.option("--sheet", metavar="NAME", help="The sheet of a workbook.")
@click.option("--bad", type=float, default=0.0, metavar="P", help="So large a share of the codes may be wrong, such as 0.02.")
@click.option("-o", "--output", metavar="FILE", help="Write the chart with the proposed rules to this file.")
@json_option
@answers
def learn(
    file: str, system_name: str, column: str | None, sheet: str | None, bad: float, output: str | None, as_json: bool
) -> int:
    """The rules that codes known to be good follow, each with its evidence; the chart's own rules are kept."""
    from bitting.authoring.draft import with_rules
    from bitting.authoring.learn import learn as learn_rules
    from bitting.authoring.tables import codes_in
    from bitting.files import may_write, write_whole
    from bitting.report.authoring import chance_said, render_learned
    from bitting.systemfile import load_system, read_system

    system = load_system(system_name)
    if output is not None:
        may_write(output, inputs=[system.path, *([] if file == "-" else [file])])
    good, unusable = codes_in(file, system, column, sheet)
    found = learn_rules(system, good, bad=bad, unusable=unusable, progress=Progress())
    if output is not None:
        remarks = [(rule.sentence, f"learned from {found.codes} codes: {chance_said(rule)}") for rule in found.proposed]
        text = with_rules(_text_of(system), remarks)
        read_system(text, output)
        write_whole(output, text)
    if as_json:
        print_json({**found.as_dict(), "file": output})
    else:
        for line in render_learned(found, output):
            say_fitted(line)
    return BAD_NEWS if found.bad else GOOD


def _text_of(system: System) -> str:
    """The text of a system's file, comments and all."""
    return Path(system.path).read_text(encoding="utf-8-sig")
