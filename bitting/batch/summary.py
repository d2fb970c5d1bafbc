"""What a run over a table comes to, as a value: counts, repeated codes, findings by rule, depths by cut."""

from __future__ import annotations

from typing import Any

from attrs import field, frozen

from bitting.batch.desk import Desk
from bitting.batch.judge import Verdict


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

    `duplicates` are rows whose code an earlier row of the same system has already; `output` is where the answer went
    ("-": standard output). `blank_lines` were kept and are no rows. `seconds` is the time taken.
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
    counts = {verdict.word: desk.counts[verdict.word] for verdict in Verdict}
    depths = []
    for name, seen in desk.seen.items():
        places = [(lane, cut) for lane in seen.system.lanes for cut in range(lane.track.cuts)]
        for (lane, cut), table in zip(places, seen.depths, strict=True):
            found = dict(zip(lane.track.labels, table.tolist(), strict=True))
            depths.append(CutDepths(name, lane.label, cut + 1, found))
    return Summary(
        rows,
        counts["legal"],
        counts["illegal"],
        counts["unreadable"],
        counts["empty"],
        sum(seen.repeated for seen in desk.seen.values()),
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
        tuple(depths),
    )
