"""What a run over a table comes to, as a value: counts, and of codes those repeated, findings by rule and depths by cut."""

from __future__ import annotations

import time
from typing import Any, ClassVar

from attrs import define, field, frozen

from bitting.batch.columns import Layout
from bitting.model.value import Answer, Value


@define
class Figures:
    """What is counted on the way."""

    output: str | None
    layout: Layout = field(init=False)
    encoding: str = ""
    """How the input is written."""
    delimiter: str | None = None
    rows: int = 0
    blank: int = 0
    wide: int = 0
    """Rows with more cells than the header."""
    notes: list[str] = field(factory=list)
    begun: float = field(factory=time.perf_counter)

    def common(self) -> dict[str, Any]:
        """The fields that every summary has."""
        header = self.layout.header
        return {
            "rows": self.rows,
            "output": self.output,
            "column": self.layout.column,
            "header": None if header is None else header + 1,
            "encoding": self.encoding,
            "delimiter": self.delimiter,
            "blank_lines": self.blank,
            "seconds": round(time.perf_counter() - self.begun, 3),
            "notes": tuple(self.notes),
        }


@frozen(kw_only=True)
class Summary(Answer):
    """The figures of one run. `output` is where the answer went ("-": standard output); `blank_lines` were kept and are no
    rows; `header` is its row, counted from 1; `seconds` is the time taken; `unreadable_rows` are the first few that can't be
    read."""

    verdicts: ClassVar[tuple[str, ...]]
    good: ClassVar[tuple[str, ...]]
    rows: int
    output: str | None
    column: str
    header: int | None
    encoding: str
    delimiter: str | None
    blank_lines: int
    seconds: float
    notes: tuple[str, ...]
    unreadable_rows: tuple[int, ...]

    @property
    def counts(self) -> dict[str, int]:
        """How many rows have each verdict."""
        return {verdict: getattr(self, verdict.replace("-", "_")) for verdict in self.verdicts}

    @property
    def bad(self) -> int:
        """Rows that are bad news."""
        return sum(number for verdict, number in self.counts.items() if verdict not in self.good)

    @property
    def more(self) -> dict[str, int]:
        """Further counts of rows."""
        return {}

    @property
    def broken(self) -> dict[str, int]:
        """How many rows have each finding, the most frequent first."""
        return {}

    @property
    def rows_per_second(self) -> float:
        """Rows by the time taken."""
        return self.rows / self.seconds if self.seconds else 0.0


@frozen
class CutDepths(Value):
    """How often each depth stands at one cut (`cut` counts from 1) of one track, among all codes whose depths are known."""

    system: str
    track: str
    cut: int
    counts: dict[str, int]


@frozen(kw_only=True)
class CodeSummary(Summary):
    """The figures of a table of codes.

    `duplicates` are rows whose code an earlier row of the same system has already; `near_duplicates` are pairs of
    different legal codes one slip apart (None: too many codes to look), and `near_by_chance` about how many there would
    be if every legal code were as likely (None: not known). Of both the first few are named: the earlier row, the later.
    `rules` counts the rows with each finding; `advice` those of them where it is advice, which makes no code illegal.
    """

    verdicts = ("legal", "illegal", "unreadable", "empty")
    good = ("legal", "empty")
    legal: int
    illegal: int
    unreadable: int
    empty: int
    duplicates: int
    duplicate_rows: tuple[tuple[int, int], ...]
    near_duplicates: int | None
    near_by_chance: float | None
    near_rows: tuple[tuple[int, int], ...]
    rules: dict[str, int]
    advice: dict[str, int]
    systems: tuple[str, ...]
    depths: tuple[CutDepths, ...] = field(repr=False)

    @property
    def more(self) -> dict[str, int]:
        """Further counts of rows."""
        return {"duplicates": self.duplicates}

    @property
    def broken(self) -> dict[str, int]:
        """How many rows have each finding, the most frequent first; what is only advice comes last and is called so."""
        faults = {rule: number - self.advice.get(rule, 0) for rule, number in self.rules.items()}
        broken = {rule: number for rule, number in faults.items() if number}
        return broken | {f"{rule} (advice: the codes are legal by it)": n for rule, n in self.advice.items()}


@frozen(kw_only=True)
class ReadingsSummary(Summary):
    """The figures of a table of readings."""

    verdicts = ("sure", "unsure", "no-fit", "unreadable", "empty")
    good = ("sure", "empty")
    sure: int
    unsure: int
    no_fit: int
    unreadable: int
    empty: int
