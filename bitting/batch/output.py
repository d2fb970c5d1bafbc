"""What is added to each row of a table: one table of columns for codes, one for readings.

A new column is one line in `CODES` or `READINGS` (and, where its value is new, one in `Row`); every kind of file, the rows of
JSON and the tests read it from there. CSV writes legal rows about which there is nothing to say after one pattern, with the
canonical form put in; so a column that tells more of a code than that form says `each`.

>>> CODES.names
('verdict', 'canonical', 'findings', 'suggestion', 'likely')
>>> CODES.cells(Row("illegal", findings="=1 is no depth", suggestion="2 1 3", likely=87))
('illegal', '', "'=1 is no depth", '2 1 3', '87')
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from operator import attrgetter
from typing import Any, ClassVar

import numpy as np
from attrs import define, field, frozen

from bitting.arrays import Bytes, Integers
from bitting.batch.columns import Layout, Table, Wanted, find_columns
from bitting.batch.duplicates import NAMED
from bitting.batch.summary import CodeSummary, Figures, ReadingsSummary, Summary
from bitting.files import no_formula
from bitting.model import Finding, System

BAD, DOUBTFUL = "FFE39A5B", "FFCBDFF0"
"""Our own pair of fills, an orange and a light blue: they differ in lightness too, so nobody needs to see colours to tell them
apart, and black text stands out on both."""


@frozen
class Row:
    """What is said of one row. `likely` is a suggestion's probability in whole per cent, `probability` a decoded code's."""

    verdict: str
    canonical: str = ""
    findings: str = ""
    suggestion: str = ""
    likely: int | None = None
    probability: float | None = None
    faults: tuple[Finding, ...] = ()
    """The findings of a code as values, where somebody is told of each row."""
    remarks: tuple[str, ...] = ()
    """What `findings` says beside them."""

    def listed(self) -> list[dict[str, object]]:
        """The findings as data: those of rules, then remarks of no rule."""
        if not self.faults and not self.remarks and self.findings:
            return [_remark(self.findings)]
        return [*(fault.as_dict() for fault in self.faults), *map(_remark, self.remarks)]


def _remark(message: str) -> dict[str, object]:
    return {"rule": None, "level": "note", "message": message}


@frozen
class Column:
    """One added column: its name, its value in a row (None or "": nothing), how a value is written in a cell, its value in
    JSON where that is another, and whether it differs from one legal code to the next (`canonical` itself needn't say so)."""

    name: str
    value: Callable[[Row], object]
    form: Callable[..., str] = str
    data: Callable[[Row], object] | None = None
    each: bool = False

    def cell(self, row: Row) -> str:
        """The text of its cell, which no spreadsheet takes for a formula."""
        value = self.value(row)
        return "" if value is None else no_formula(self.form(value))


@frozen(slots=False)
class Columns:
    """The columns added to a table, the verdicts that its rows may have, and which of these are bad (with the fill of each)."""

    columns: tuple[Column, ...]
    verdicts: tuple[str, ...]
    fills: Mapping[str, str]

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The names of the columns."""
        return tuple(column.name for column in self.columns)

    def cells(self, row: Row) -> tuple[str, ...]:
        """The cells of a row."""
        return tuple([column.cell(row) for column in self.columns])

    def as_dict(self, row: Row) -> dict[str, object]:
        """The values of a row by name, as JSON has them; None where there is none."""
        return {column.name: column.data(row) if column.data else column.value(row) or None for column in self.columns}


def _rounded_down(probability: float) -> str:
    """Four places, never more than it is: 0.99996 is not 1."""
    return f"{math.floor(probability * 1e4) / 1e4:.4f}"


CODES = Columns(
    (
        Column("verdict", attrgetter("verdict")),
        Column("canonical", attrgetter("canonical")),
        Column("findings", attrgetter("findings"), data=Row.listed),
        Column("suggestion", attrgetter("suggestion")),
        Column("likely", attrgetter("likely")),
    ),
    CodeSummary.verdicts,
    {"illegal": BAD, "unreadable": DOUBTFUL},
)
READINGS = Columns(
    (
        Column("verdict", attrgetter("verdict")),
        Column("canonical", attrgetter("canonical")),
        Column("probability", attrgetter("probability"), _rounded_down),
        Column("findings", attrgetter("findings"), data=Row.listed),
        Column("suggestion", attrgetter("suggestion")),
    ),
    ReadingsSummary.verdicts,
    {"unsure": DOUBTFUL, "no-fit": BAD, "unreadable": BAD},
)


@frozen(eq=False, slots=False)
class Chunk:
    """Some rows with what is said of them. `verdict` are places in `columns.verdicts`, `said` the rows about which there is
    anything to say; `forms` gives the canonical form of every row (None where there is none)."""

    columns: Columns
    verdict: Bytes
    said: dict[int, Row]
    forms: Callable[[], list[str | None]]

    @cached_property
    def canonical(self) -> list[str | None]:
        """The canonical form of every row."""
        return self.forms()

    def row(self, number: int) -> Row:
        """What is said of one row."""
        return self.said.get(number) or Row(self.columns.verdicts[self.verdict[number]], self.canonical[number] or "")

    def bad(self, number: int) -> bool:
        """Whether the row is bad news."""
        return self.columns.verdicts[self.verdict[number]] in self.columns.fills


def chunk_of(columns: Columns, rows: Sequence[Row]) -> Chunk:
    """Rows that were answered one by one."""
    verdict = np.array([columns.verdicts.index(row.verdict) for row in rows], np.uint8)
    return Chunk(columns, verdict, dict(enumerate(rows)), lambda: [None] * len(rows))


def rows_without(why: str, texts: Sequence[str]) -> list[Row]:
    """Rows for which nothing answers, and why."""
    return [Row("unreadable", findings=why) if text.strip() else Row("empty") for text in texts]


def plain_text(value: object) -> str:
    """Any cell as text, for headers and for tables without types."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return str(value)


@frozen
class CellText:
    """A cell with a value as the text of a code or of readings; `fault` says why it is none, and is "" otherwise."""

    text: str
    fault: str = ""


@define(eq=False)
class RowWorker(ABC):
    """What answers for the rows of one table: `RowChecker` for codes, `RowDecoder` for readings. `default` is the system of
    `-s`, if given."""

    columns: ClassVar[Columns]
    chunk: ClassVar[int]
    """Rows that are answered at once."""
    default: System | None
    wanted: Wanted = field(factory=Wanted)
    telling: bool = field(init=False, default=False)
    """Whether somebody is told of each row."""
    counts: Counter[str] = field(init=False, factory=Counter)
    unread: list[int] = field(init=False, factory=list)
    """The first rows that can't be read."""

    def find(self, sample: Table) -> Layout:
        """Where the texts stand in a table whose first rows these are; BittingError where that isn't certain."""
        good = self.good if self.default else None
        return find_columns(sample, self.wanted, self.default, good, measured=self.columns is READINGS)

    @abstractmethod
    def good(self, texts: Sequence[str]) -> list[bool]:
        """Which texts are codes (or readings) of the default system."""

    @abstractmethod
    def holds(self, sample: Table, layout: Layout) -> bool:
        """Whether the rows found there hold codes (or readings) indeed."""

    @staticmethod
    @abstractmethod
    def cell(value: object, number_format: str) -> CellText:
        """A cell's value, in its number format, as it is shown."""

    def expect(self, rows: int, layout: Layout) -> None:  # noqa: B027 - most need not know
        """The table has so many rows, at most."""

    def classify(self, texts: Sequence[str], rows: Integers, systems: Sequence[str] | None) -> Chunk:
        """What is said of some rows, given with their numbers; `systems` names the system of each, "" the default. The more rows
        at once, the quicker."""
        chunk = self.answered(texts, rows, systems)
        verdicts = self.columns.verdicts
        self.counts.update(
            dict(zip(verdicts, np.bincount(chunk.verdict, minlength=len(verdicts)).tolist(), strict=True))
        )
        lost = chunk.verdict == verdicts.index("unreadable")
        self.unread += rows[lost][: NAMED - len(self.unread)].tolist()
        return chunk

    @abstractmethod
    def answered(self, texts: Sequence[str], rows: Integers, systems: Sequence[str] | None) -> Chunk:
        """What `classify` says, without counting it."""

    def reset(self) -> None:
        """Forget what was counted, to begin again."""
        self.counts.clear()
        self.unread.clear()

    @abstractmethod
    def notes(self) -> Sequence[str]:
        """What is to be said of the table as a whole."""

    def counted(self, figures: Figures) -> dict[str, Any]:
        """The figures of the run that every summary has."""
        verdicts = {verdict.replace("-", "_"): self.counts[verdict] for verdict in self.columns.verdicts}
        return figures.common() | verdicts | {"unreadable_rows": tuple(self.unread)}

    @abstractmethod
    def summary(self, figures: Figures) -> Summary:
        """The figures of the run."""
