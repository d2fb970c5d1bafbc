"""`bitting batch`: go through a spreadsheet of codes.

One JSON object a row on standard output, held back until the whole table has been gone through.

A fault half-way must leave standard output empty, and the rows of a large table don't fit the memory; so they wait in a
temporary file that has no name and is gone when the command ends.

`bitting batch --readings`: decode a spreadsheet of measured keys.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click
from attrs import evolve

from bitting.cli.common import BAD_NEWS, GOOD, answers, json_option, json_text, print_json, say, unicode_out
from bitting.cli.common import tell as aside
from bitting.cli.help import Command
from bitting.errors import BittingError

if TYPE_CHECKING:
    from bitting.decoding.model import Made
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bitting.batch.run import Order, ReadingsSummary
    from bitting.decoding.model import Made
    from bitting.model import System

_IN_MEMORY = 1 << 26
"""Characters that wait in memory before a file is made."""


@contextmanager
def rows_in_the_end() -> Iterator[Callable[[dict[str, object]], None]]:
    """A function that takes rows; they are printed when the block ends without a fault."""
    with tempfile.SpooledTemporaryFile(_IN_MEMORY, "w+", encoding="utf-8", newline="") as spool:

        def tell(row: dict[str, object]) -> None:
            spool.write(json_text(row) + "\n")

        yield tell
        spool.seek(0)
        for line in spool:
            click.echo(line, nl=False)


def _pairs(text: str | None) -> dict[str, str]:
    """`left=Column A,right=Column B` as a mapping."""
    if text is None:
        return {}
    pairs = {}
    for part in text.split(","):
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
    if not sys.stderr.isatty():
        yield None
        return
    bars: list[Any] = []

    def start(size: int) -> Callable[[int], None]:
        bar = click.progressbar(length=max(size, 1), label="checking", file=sys.stderr)
        bars.append(bar)
        bar.__enter__()
        step: Callable[[int], None] = bar.update
        return step

    try:
        yield start
    finally:
        for bar in bars:
            bar.__exit__(None, None, None)


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
@click.option("--column", metavar="NAME", help="The column of codes, by its name or its number from 1.")
@click.option("--columns", metavar="TRACK=NAME,…", help="A column for each track.")
@click.option("--system-column", metavar="NAME", help="The column that names each row's system.")
@click.option("--sheet", metavar="NAME", help="The sheet of a workbook (the first one that holds anything).")
@click.option("--delimiter", metavar="CHAR", help="What separates the columns, where it isn't found by itself.")
@click.option("--only", type=click.Choice(["all", "bad"]), default="all", help="Write only the bad rows.")
@click.option(
    "--suggestions",
    metavar="N|all",
    default="500",
    show_default=True,
    help="Wrong codes get the nearest legal one. Of those that can only be looked at one by one (a list that may be cut up "
    "in several ways; some milliseconds each) look at so many different ones; 0: no suggestions.",
)
@click.option(
    "--readings", metavar="NAME", help="Decode the readings in this column (or in a column per cut: left 1, …)."
)
@click.option("--readings-columns", is_flag=True, help="Decode readings in a column per cut, found by their names.")
@click.option("--unit", type=click.Choice(["mm", "in", "thou"]), help="Unit of readings that name none.")
@click.option("--sure", type=float, help="Probability a decoded code needs to be sure (0.95).")
@click.option("--made", type=click.Choice(["original", "copy"]), help="How the measured keys were cut.")
@click.option("--wear", metavar="AMOUNT", help="Wear of the measured keys: none, light, heavy, or a length.")
@click.option("--caliper", metavar="LIMITS[/STEP]", help="The caliper's error limits, and the steps it shows.")
@click.option("--jobs", type=click.IntRange(1, 64), help="Processes that decode (as many as there are processors).")
@click.option("--force", is_flag=True, help="Replace OUT where it is there already.")
@click.option("--json-lines", is_flag=True, help="Print one JSON object a row on standard output.")
@json_option
@answers
def command(
    file: str,
    system_name: str | None,
    output: str | None,
    column: str | None,
    columns: str | None,
    system_column: str | None,
    sheet: str | None,
    delimiter: str | None,
    only: str,
    suggestions: str,
    readings: str | None,
    readings_columns: bool,
    unit: str | None,
    sure: float | None,
    made: Made | None,
    wear: str | None,
    caliper: str | None,
    jobs: int | None,
    force: bool,
    json_lines: bool,
    as_json: bool,
) -> int:
    """Go through a table of codes and write the same rows with four columns added.

    The columns are verdict (legal, illegal, unreadable, empty), canonical, findings and suggestion. Bad rows never stop
    it; the exit status is 1 when there are any.

    With --readings the rows are keys that were measured. The columns are then verdict (sure, unsure, no-fit, unreadable,
    empty), canonical (the most probable code), probability, findings (why not sure, what to measure again) and suggestion
    (the second best); the exit status is 1 when any row isn't sure.
    """
    from bitting.batch.columns import OURS, Wanted
    from bitting.batch.run import Order, run_batch
    from bitting.systemfile import load_system

    _check_options(system_name, output, column, columns, system_column, delimiter, json_lines, as_json)
    default = load_system(system_name) if system_name else None
    reads = _reads(readings, readings_columns, column or columns, (unit, sure, made, wear, caliper, jobs))
    order = Order(
        file,
        output,
        Wanted(column, _pairs(columns), system_column),
        sheet,
        "\t" if delimiter == "\\t" else delimiter,
        "bad" if only == "bad" else "all",
        force,
    )
    if reads:
        return decode_table(
            order, readings, default, (unit, sure, made, wear, caliper), jobs,
            progress=_progress, json_lines=json_lines, as_json=as_json,
        )  # fmt: skip
    order = evolve(order, suggestions=_number(suggestions))
    with rows_in_the_end() as tell:

        def told(line: int, code: str, cells: tuple[str, str, str, str]) -> None:
            tell({"line": line, "code": code, **{name: cell or None for name, cell in zip(OURS, cells, strict=True)}})

        with _progress() as progress:
            summary = run_batch(order, load_system, default, progress=progress, rowwise=told if json_lines else None)
    if as_json:
        print_json(summary.as_dict())
    elif not json_lines:
        from bitting.report.batch import summary_lines

        plain = not unicode_out() or "NO_COLOR" in os.environ
        for line in summary_lines(summary, plain=plain):
            (aside if output == "-" else say)(line)
    return BAD_NEWS if summary.bad else GOOD


def _reads(readings: str | None, per_cut: bool, codes: str | None, said: tuple[object, ...]) -> bool:
    """Whether the table holds readings rather than codes; options that contradict that raise."""
    if readings is None and not per_cut:
        if any(value is not None for value in said):
            raise BittingError(
                "--unit, --sure, --made, --wear, --caliper and --jobs are for tables of readings",
                hint="name their column with --readings COLUMN, or add --readings-columns",
            )
        return False
    if readings is not None and per_cut:
        raise BittingError("--readings and --readings-columns contradict each other", hint="give one of them")
    if codes is not None:
        raise BittingError("a table is gone through for its codes or for its readings", hint="leave --column out")
    return True


def _check_options(
    system_name: str | None,
    output: str | None,
    column: str | None,
    columns: str | None,
    system_column: str | None,
    delimiter: str | None,
    json_lines: bool,
    as_json: bool,
) -> None:
    """Options that are missing or contradict each other."""
    if not system_name and not system_column:
        raise BittingError(
            "no system is given", hint="name it with -s SYSTEM, or the column that does with --system-column"
        )
    if output is None and not json_lines:
        raise BittingError("no file to write to is given", hint="name it with -o OUT (`-o -` is standard output)")
    if column and columns:
        raise BittingError("--column and --columns contradict each other", hint="give one of them")
    if output == "-" and (as_json or json_lines):
        raise BittingError(
            "standard output can't take both the table and JSON", hint="write the table to a file with -o OUT"
        )
    if as_json and json_lines:
        raise BittingError("--json and --json-lines contradict each other", hint="give one of them")
    if (
        delimiter is not None
        and delimiter != "\\t"
        and (len(delimiter) != 1 or not delimiter.isascii() or delimiter in '"\r\n')
    ):
        raise BittingError(f"--delimiter {delimiter!r} is not one plain character", hint="for example ';' or '\\t'")


Progress = Callable[[], AbstractContextManager[Callable[[int], Callable[[int], None]] | None]]
MOST_JOBS = 8
"""Processes that are started without being asked for."""


def decode_table(
    order: Order,
    column: str | None,
    default: System | None,
    said: tuple[str | None, float | None, Made | None, str | None, str | None],
    jobs: int | None,
    *,
    progress: Progress,
    json_lines: bool,
    as_json: bool,
) -> int:
    """Decode the table, print its figures, and give the exit status. `said`: unit, sure, made, wear, caliper."""
    from bitting.batch.columns import READINGS_OURS as OURS
    from bitting.batch.decode_rows import Choices
    from bitting.batch.run import ReadingsOrder, run_readings
    from bitting.decoding import SURE
    from bitting.systemfile import load_system

    unit, sure, made, wear, caliper = said
    choices = Choices(unit, SURE if sure is None else sure, made, wear, caliper)
    wanted = ReadingsOrder(order, column, choices, jobs or min(os.cpu_count() or 1, MOST_JOBS))
    with rows_in_the_end() as tell:

        def told(line: int, text: str, cells: tuple[str, ...]) -> None:
            row: dict[str, object] = {"line": line, "readings": text}
            row.update((name, cell or None) for name, cell in zip(OURS, cells, strict=True))
            row["probability"] = float(cells[2]) if cells[2] else None
            tell(row)

        with progress() as bar:
            summary = run_readings(wanted, load_system, default, progress=bar, rowwise=told if json_lines else None)
    if as_json:
        print_json(summary.as_dict())
    elif not json_lines:
        for line in _lines(summary):
            (aside if order.output == "-" else say)(line)
    return BAD_NEWS if summary.bad else GOOD


def _lines(summary: ReadingsSummary) -> list[str]:
    """The figures for people."""
    from bitting.report.batch import share

    counts = [
        ("sure", summary.sure),
        ("unsure", summary.unsure),
        ("no-fit", summary.no_fit),
        ("unreadable", summary.unreadable),
        ("empty", summary.empty),
    ]
    wide = max(len(f"{number:,}") for _, number in (*counts, ("rows", summary.rows)))
    lines = [f"{word:<10}  {number:>{wide},}  {share(number, summary.rows):>7}".rstrip() for word, number in counts]
    lines.append(f"{'rows':<10}  {summary.rows:>{wide},}")
    rate = summary.rows / summary.seconds if summary.seconds else 0.0
    lines.append(f"readings in {summary.column}; {rate:,.0f} rows/s")
    return [*lines, *(f"note: {note}" for note in summary.notes)]
