"""`bitting batch`: go through a spreadsheet of codes, or of measured keys."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, json_text, known_system, print_json, say, unicode_out
from bitting.cli.common import tell as aside
from bitting.cli.help import Command
from bitting.cli.options import Measured, key_options, sheet_option, unit_option
from bitting.errors import BittingError
from bitting.files import scratch
from bitting.model.value import FORMAT

if TYPE_CHECKING:
    from bitting.batch.decoder import Choices
    from bitting.batch.job import Rowwise
    from bitting.decoding.model import Made

MOST_JOBS = 8
"""Processes that are started without being asked for."""


@contextmanager
def rows_in_the_end() -> Iterator[Callable[[dict[str, object]], None]]:
    """A function that takes rows, one JSON object each; they are printed when the block ends without a fault.

    A fault half-way must leave standard output empty, and the rows of a large table don't fit the memory: so they wait in
    a temporary file that has no name and is gone when the command ends.
    """
    with scratch() as spool:

        def tell(row: dict[str, object]) -> None:
            spool.write(json_text(row).encode() + b"\n")

        yield tell
        spool.seek(0)
        for line in spool:
            click.echo(line.decode(), nl=False)


def _pairs(text: str | None) -> dict[str, str]:
    """`left=Column A,right=Column B` as a mapping."""
    pairs = {}
    for part in (text or "").split(",") if text is not None else ():
        lane, equals, column = part.partition("=")
        if not equals or not lane.strip() or not column.strip():
            raise BittingError(
                f"--columns: {part.strip()!r} isn't TRACK=COLUMN", hint="write --columns left=COLUMN,right=COLUMN"
            )
        pairs[lane.strip()] = column.strip()
    return pairs


def _number(text: str) -> int | None:
    """`--suggestions`: a number, or None for all."""
    if text.lower() == "all":
        return None
    if not (text.isascii() and text.isdigit()):
        raise BittingError(f"--suggestions {text!r} is no number", hint="write a number, or all")
    return int(text)


@contextmanager
def _progress() -> Iterator[Callable[[int], Callable[[int], None]] | None]:
    """A bar on standard error, on a terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    with ExitStack() as bars:

        def start(size: int) -> Callable[[int], None]:
            bar = click.progressbar(length=max(size, 1), label="checking", file=sys.stderr)
            step: Callable[[int], None] = bars.enter_context(bar).update
            return step

        yield start


@click.command("batch", cls=Command)
@click.argument("file", metavar="FILE")
@click.option(
    "-s",
    "--system",
    "system_name",
    metavar="SYSTEM",
    help="A shipped system's name or the path of a system file; with --system-column the one of rows that name none.",
)
@click.option("-o", "--output", metavar="OUT", help="The file to write; `-` is standard output.")
@click.option("--column", metavar="NAME", help="The column of codes: its name, its place from 1, or =2 for a header 2.")
@click.option("--columns", metavar="TRACK=NAME,…", help="A column for each track.")
@click.option("--system-column", metavar="NAME", help="The column that names each row's system.")
@click.option(
    "--systems-folder",
    metavar="FOLDER",
    multiple=True,
    help="Where system files lie that rows name, beside those next to the table.",
)
@sheet_option
@click.option("--delimiter", metavar="CHAR", help="What separates the columns, where it isn't found by itself.")
@click.option("--only", type=click.Choice(["all", "bad"]), default="all", help="Write only the bad rows.")
@click.option(
    "--suggestions",
    metavar="N|all",
    default="all",
    show_default=True,
    help="Look for the nearest legal code of so many different wrong ones; 0: of none.",
)
@click.option(
    "--readings", metavar="NAME", help="Decode the readings in this column (or in a column per cut: left 1, …)."
)
@click.option("--readings-columns", is_flag=True, help="Decode readings in a column per cut, found by their names.")
@unit_option
@click.option("--sure", type=float, help="Probability a decoded code needs to be sure (0.95).")
@key_options
@click.option("--jobs", type=click.IntRange(1, 64), help="Processes that decode (as many as there are processors).")
@click.option("--force", is_flag=True, help="Replace OUT where it is there already.")
@click.option("--json-lines", is_flag=True, help="Print one JSON object a row on standard output.")
def command(
    file: str,
    system_name: str | None,
    output: str | None,
    column: str | None,
    columns: str | None,
    system_column: str | None,
    systems_folder: tuple[str, ...],
    sheet: str | None,
    delimiter: str | None,
    only: str,
    suggestions: str,
    readings: str | None,
    readings_columns: bool,
    unit: str | None,
    sure: float | None,
    measured: Measured,
    jobs: int | None,
    force: bool,
    json_lines: bool,
    as_json: bool,
) -> int:
    """Go through a table of codes and write the same rows with columns added.

    The columns are verdict (legal, illegal, unreadable, empty), canonical, findings, suggestion and likely (how likely the
    suggestion is, in per cent; below 60 it is left out). Bad rows never stop it; the exit status is 1 when there are any.

    With --readings the rows are keys that were measured. The columns are then verdict (sure, unsure, no-fit, unreadable,
    empty), canonical (the most probable code), probability, findings (why not sure, what to measure again) and suggestion
    (the second best); the exit status is 1 when any row isn't sure.
    """
    from bitting.batch.columns import Wanted
    from bitting.batch.job import Job
    from bitting.batch.output import CODES, READINGS
    from bitting.batch.run import run_batch

    if not system_name and not system_column:
        raise BittingError(
            "no system is given", hint="name it with -s SYSTEM, or the column that does with --system-column"
        )
    _check_answer(output, json_lines=json_lines, as_json=as_json)
    default = known_system(system_name) if system_name else None
    choices = _choices(readings, readings_columns, column or columns, (unit, sure, *measured), jobs)
    wanted = Wanted(readings if choices else column, _pairs(columns), system_column, readings_columns)
    if column and columns:
        raise BittingError("--column and --columns contradict each other", hint="give one of them")
    job = Job(
        file,
        output,
        wanted,
        sheet,
        _delimiter(delimiter),
        "bad" if only == "bad" else "all",
        force,
        _number(suggestions),
        choices,
        jobs or min(os.cpu_count() or 1, MOST_JOBS),
        systems_folder,
    )
    with rows_in_the_end() as tell, _progress() as progress:
        added, text = (CODES, "code") if choices is None else (READINGS, "readings")
        told: Rowwise = lambda line, of, row: tell({"format": FORMAT, "line": line, text: of, **added.as_dict(row)})  # noqa: E731
        summary = run_batch(job, default, progress=progress, rowwise=told if json_lines else None)
    if as_json:
        print_json(summary.as_dict())
    elif not json_lines:
        from bitting.report.batch import summary_lines

        plain = not unicode_out() or "NO_COLOR" in os.environ
        for line in summary_lines(summary, plain=plain):
            (aside if output == "-" else say)(line)
    return BAD_NEWS if summary.bad else GOOD


def _choices(
    readings: str | None,
    per_cut: bool,
    codes: str | None,
    said: tuple[str | None, float | None, Made | None, str | None, str | None],
    jobs: int | None,
) -> Choices | None:
    """What was said of the keys, None for a table of codes; options that contradict each other raise.

    `said`: unit, sure, made, wear, caliper.
    """
    unit, sure, made, wear, caliper = said
    if readings is None and not per_cut:
        if any(value is not None for value in (*said, jobs)):
            raise BittingError(
                "--unit, --sure, --made, --wear, --caliper and --jobs are for tables of readings",
                hint="name their column with --readings COLUMN, or add --readings-columns",
            )
        return None
    if readings is not None and per_cut:
        raise BittingError("--readings and --readings-columns contradict each other", hint="give one of them")
    if codes is not None:
        raise BittingError("a table is gone through for its codes or for its readings", hint="leave --column out")
    from bitting.batch.decoder import Choices
    from bitting.decoding import SURE

    return Choices(unit, SURE if sure is None else sure, made, wear, caliper)


def _check_answer(output: str | None, *, json_lines: bool, as_json: bool) -> None:
    if output is None and not json_lines:
        raise BittingError("no file to write to is given", hint="name it with -o OUT (`-o -` is standard output)")
    if output == "-" and (as_json or json_lines):
        raise BittingError(
            "standard output can't take both the table and JSON", hint="write the table to a file with -o OUT"
        )
    if as_json and json_lines:
        raise BittingError("--json and --json-lines contradict each other", hint="give one of them")


def _delimiter(given: str | None) -> str | None:
    if given == "\\t":
        return "\t"
    if given is not None and (len(given) != 1 or not given.isascii() or given in '"\r\n'):
        raise BittingError(f"--delimiter {given!r} is not one plain character", hint="for example ';' or '\\t'")
    return given
