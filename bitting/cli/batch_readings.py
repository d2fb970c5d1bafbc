"""`bitting batch --readings`: decode a spreadsheet of measured keys."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

import click

from bitting.cli.common import BAD_NEWS, GOOD, print_json
from bitting.cli.rows import rows_in_the_end

if TYPE_CHECKING:
    from bitting.batch.job import Order
    from bitting.batch.readings_job import ReadingsSummary
    from bitting.decoding.figures import Made
    from bitting.model import System

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
    from bitting.batch.readings import Choices
    from bitting.batch.readings_job import ReadingsOrder, run_readings
    from bitting.batch.readings_layout import OURS
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
            click.echo(line, err=order.output == "-")
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
