"""What a run over a table comes to, as a value: counts, repeated codes, findings by rule, depths by cut."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from attrs import field, frozen

from bitting.batch.check_rows import Desk
from bitting.batch.duplicates import NAMED


@frozen
class CutDepths:
    """How often each depth stands at one cut (`cut` counts from 1) of one lane, among all codes whose depths are known."""

    system: str
    lane: str
    cut: int
    counts: dict[str, int]


@frozen
class Summary:
    """The figures of one run.

    `duplicates` are rows whose code an earlier row of the same system has already; `near_duplicates` are pairs of
    different legal codes one slip apart (None: too many codes to look), and `near_by_chance` about how many there would
    be if every legal code were as likely (None: not known). Of both the first few are named: the earlier row, the later.
    `output` is where the answer went ("-": standard output). `blank_lines` were kept and are no rows. `seconds` is the
    time taken.
    """

    rows: int
    legal: int
    illegal: int
    unreadable: int
    empty: int
    duplicates: int
    output: str | None
    column: str
    header: int | None
    encoding: str
    delimiter: str | None
    blank_lines: int
    seconds: float
    rules: dict[str, int]
    systems: tuple[str, ...]
    notes: tuple[str, ...] = ()
    depths: tuple[CutDepths, ...] = field(default=(), repr=False)
    duplicate_rows: tuple[tuple[int, int], ...] = ()
    near_duplicates: int | None = 0
    near_by_chance: float | None = None
    near_rows: tuple[tuple[int, int], ...] = ()

    @property
    def bad(self) -> int:
        """Rows that are illegal or can't be read."""
        return self.illegal + self.unreadable

    @property
    def rows_per_second(self) -> float:
        """Rows by the time taken."""
        return self.rows / self.seconds if self.seconds else 0.0

    def as_dict(self) -> dict[str, Any]:
        """The JSON of the command."""
        return {
            "rows": self.rows,
            "legal": self.legal,
            "illegal": self.illegal,
            "unreadable": self.unreadable,
            "empty": self.empty,
            "duplicates": self.duplicates,
            "duplicate_rows": [list(pair) for pair in self.duplicate_rows],
            "near_duplicates": self.near_duplicates,
            "near_by_chance": None if self.near_by_chance is None else round(self.near_by_chance, 2),
            "near_rows": [list(pair) for pair in self.near_rows],
            "output": self.output,
            "column": self.column,
            "header": self.header,
            "encoding": self.encoding,
            "delimiter": self.delimiter,
            "blank_lines": self.blank_lines,
            "seconds": round(self.seconds, 3),
            "rules": self.rules,
            "systems": list(self.systems),
            "notes": list(self.notes),
            "depths": [{"system": d.system, "track": d.lane, "cut": d.cut, "counts": d.counts} for d in self.depths],
        }


def _depths(desk: Desk) -> Iterator[CutDepths]:
    for name, seen in desk.seen.items():
        places = [(lane, cut) for lane in seen.system.lanes for cut in range(lane.track.cuts)]
        for (lane, cut), table in zip(places, seen.depths, strict=True):
            yield CutDepths(name, lane.label, cut + 1, dict(zip(lane.track.labels, table.tolist(), strict=True)))


def summarise(
    desk: Desk,
    *,
    rows: int,
    output: str | None,
    column: str,
    header: int | None,
    encoding: str,
    delimiter: str | None,
    blank_lines: int,
    seconds: float,
    notes: tuple[str, ...],
) -> Summary:
    """The summary of what a desk has judged."""
    repeated = [seen.repeated() for seen in desk.seen.values()]
    for seen in desk.seen.values():
        seen.finish()
    chances = [seen.by_chance for seen in desk.seen.values()]
    return Summary(
        rows,
        desk.counts["legal"],
        desk.counts["illegal"],
        desk.counts["unreadable"],
        desk.counts["empty"],
        sum(number for number, _ in repeated),
        output,
        column,
        header,
        encoding,
        delimiter,
        blank_lines,
        seconds,
        dict(desk.rules.most_common()),
        tuple(desk.seen),
        notes,
        tuple(_depths(desk)),
        tuple(sorted((pair for _, named in repeated for pair in named), key=lambda pair: pair[1]))[:NAMED],
        None if any(seen.unlooked for seen in desk.seen.values()) else sum(seen.near for seen in desk.seen.values()),
        None if None in chances else sum(chance for chance in chances if chance is not None),
        tuple(pair for seen in desk.seen.values() for pair in seen.near_rows)[:NAMED],
    )
