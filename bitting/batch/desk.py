"""Row by row: the verdicts, findings and suggestions of a table, and what is counted on the way.

A `Desk` serves one run. It has a `Judge` per system (one, or as many as a column of systems names), asks for findings
only where there is something to say, for a suggestion once per distinct wrong text, and keeps the figures of the summary.

Memory: that of `bitting.batch.seen`, a line per distinct wrong code with a suggestion, and the findings of up to
`bitting.batch.judge.REMEMBERED` distinct texts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from functools import cached_property, partial
from typing import TYPE_CHECKING

import numpy as np
from attrs import define, evolve, field, frozen
from numpy.typing import NDArray

from bitting.batch.judge import Answer, Judge, Judged, Verdict, canonical_forms
from bitting.batch.mend import mend
from bitting.batch.seen import Seen
from bitting.errors import BittingError
from bitting.model import System
from bitting.notation import parse_code

if TYPE_CHECKING:
    from bitting.repair import Repairer

Numbers = NDArray[np.int64]
REMARKED = 50_000
"""Rows up to which a code that differs from an earlier one only by a slip gets a remark in its row."""
FORMULA = ("=", "+", "-", "@", "\t", "\r")


@frozen
class Row:
    """The four added cells of one row."""

    verdict: str
    canonical: str = ""
    findings: str = ""
    suggestion: str = ""

    @property
    def cells(self) -> tuple[str, str, str, str]:
        """The cells in the order of the columns."""
        return self.verdict, self.canonical, self.findings, self.suggestion


@frozen(eq=False)
class Judgement:
    """A chunk of rows: a verdict each, and `said`: the rows about which there is anything to say.

    `write` gives the canonical form of every row (None where there is none) between two texts.
    """

    verdict: NDArray[np.uint8]
    said: dict[int, Row]
    write: Callable[[str, str], list[str | None]]

    @cached_property
    def canonical(self) -> list[str | None]:
        """The canonical form of every row."""
        return self.write("", "")

    def row(self, number: int) -> Row:
        """The four cells of one row."""
        return self.said.get(number) or Row(Verdict(self.verdict[number]).word, safe(self.canonical[number] or ""))


def safe(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula: what would begin like one gets an apostrophe in front."""
    return "'" + cell if cell.startswith(FORMULA) else cell


@define(eq=False)
class Desk:
    """Judges the rows of one table. `load` finds a system by its name; `default` is the one of `-s`, if given."""

    load: Callable[[str], System]
    default: System | None
    suggestions: int | None = None
    """For so many distinct wrong codes the nearest legal one is looked for (some milliseconds each); None: for all."""
    unsuggested: int = field(init=False, default=0)
    """Rows that went without because of it."""
    ahead: int = field(init=False, default=0)
    """How many rows the table has at most, where that is few enough for remarks on codes that differ only by a slip."""
    counts: Counter[str] = field(init=False, factory=Counter)
    rules: Counter[str] = field(init=False, factory=Counter)
    seen: dict[str, Seen] = field(init=False, factory=dict)
    _judges: dict[str, Judge | str] = field(init=False, factory=dict)
    _repairers: dict[str, Repairer] = field(init=False, factory=dict)
    _suggested: dict[tuple[str, str], tuple[str, str]] = field(init=False, factory=dict)

    def reset(self) -> None:
        """Forget what was counted, to begin again."""
        self.counts.clear()
        self.rules.clear()
        self.seen.clear()
        self.unsuggested = 0

    def judge_of(self, name: str) -> Judge | str:
        """The judge of a system given by name ("" for the default), or why there is none."""
        if name not in self._judges:
            self._judges[name] = self._find(name)
        return self._judges[name]

    def _find(self, name: str) -> Judge | str:
        if not name:
            if self.default is None:
                return "no system is named in this row"
            return Judge(self.default)
        if self.default is not None and name == self.default.name:
            return self.judge_of("")
        try:
            return Judge(self.load(name))
        except BittingError as fault:
            return fault.message

    def expect(self, rows: int) -> None:
        """The table has so many rows, at most."""
        self.ahead = rows if rows <= REMARKED else 0

    def judge(self, texts: Sequence[str], rows: Numbers, systems: Sequence[str] | None = None) -> Judgement:
        """Judge some rows, given with their numbers; `systems` names the system of each, "" the default."""
        one = systems is None
        result = (
            self._judge_one(self.judge_of(""), texts, rows) if one else self._judge_each(texts, rows, systems or [])
        )
        numbers = np.bincount(result.verdict, minlength=len(Verdict))
        for verdict in Verdict:
            self.counts[verdict.word] += int(numbers[verdict])
        return result

    def _judge_each(self, texts: Sequence[str], rows: Numbers, systems: Sequence[str]) -> Judgement:
        """Rows of several systems: those of one system together."""
        by_name: dict[str, list[int]] = {}
        for number, name in enumerate(systems):
            by_name.setdefault(name.strip(), []).append(number)
        verdict, canonical, said = np.zeros(len(texts), np.uint8), np.full(len(texts), None, object), {}
        for name, places in by_name.items():
            part = self._judge_one(self.judge_of(name), [texts[place] for place in places], rows[places])
            verdict[places], canonical[places] = part.verdict, part.canonical
            said.update({places[place]: row for place, row in part.said.items()})
        forms = canonical.tolist()
        return Judgement(verdict, said, lambda before, after: [form and f"{before}{form}{after}" for form in forms])

    def _judge_one(self, judge: Judge | str, texts: Sequence[str], rows: Numbers) -> Judgement:
        if isinstance(judge, str):
            verdict = np.array([Verdict.UNREADABLE if text.strip() else Verdict.EMPTY for text in texts], np.uint8)
            unread = dict.fromkeys(
                np.flatnonzero(verdict == Verdict.UNREADABLE).tolist(), Row(Verdict.UNREADABLE.word, "", safe(judge))
            )
            return Judgement(verdict, unread, lambda _before, _after: [None] * len(texts))
        part = judge.judge(texts)
        said: dict[int, Row] = {}
        noted = np.flatnonzero(part.noted).tolist()
        for number, answer in zip(noted, judge.answers(texts, part, noted), strict=True):
            said[number], repaired = self._say(judge, texts[number], answer)
            if repaired is not None:
                part.verdict[number], part.answers[number] = repaired.verdict, repaired
                if repaired.depths is not None:
                    part.depths[:, number] = repaired.depths
                    part.known[number] = True
        self._count(judge, part, rows, said)
        return Judgement(part.verdict, said, partial(canonical_forms, judge, part))

    def _count(self, judge: Judge, part: Judged, rows: Numbers, said: dict[int, Row]) -> None:
        """Add a chunk's codes to those seen, and a remark to rows one slip from another."""
        name = judge.system.name
        if name not in self.seen:
            self.seen[name] = Seen(judge.system, judge.legality, self.ahead)
        seen = self.seen[name]
        known = slice(None) if part.known.all() else part.known
        remarks = seen.add(part.depths[:, known], rows[known], part.verdict[known] == Verdict.LEGAL)
        if remarks:
            forms = canonical_forms(judge, part)
            for number, row in enumerate(rows.tolist()):
                if row in remarks:
                    before = said.get(number) or Row(Verdict.LEGAL.word, safe(forms[number] or ""))
                    words = "; ".join(part for part in (before.findings, remarks[row]) if part)
                    said[number] = evolve(before, findings=words)
        for number, answer in part.answers.items():
            if answer.canonical is not None and not part.known[number]:
                seen.add_open(answer.canonical)

    def _say(self, judge: Judge, text: str, answer: Answer) -> tuple[Row, Answer | None]:
        """The cells of a row that has findings or can't be read; the answer after mending, where that was certain."""
        note = ""
        repaired = None
        if answer.canonical is None:
            found = mend(text, judge)
            if found is not None and found.certain:
                answer = repaired = judge.answer(found.text)
            note = found.note if found is not None else ""
        for rule in answer.rules:
            self.rules[rule] += 1
        suggestion, change = self._suggest(judge, text) if answer.verdict == Verdict.ILLEGAL else ("", "")
        likely = f"likeliest slip: {change}" if change else ""
        message = answer.message
        if note and repaired is None:  # what the spreadsheet did says more than what the leavings of it lack
            note, message = " ".join([note, *(f"[{rule}]" for rule in answer.rules)]), ""
        words = "; ".join(part for part in (note, message, likely) if part)
        return Row(answer.verdict.word, safe(answer.canonical or ""), safe(words), safe(suggestion)), repaired

    def _suggest(self, judge: Judge, text: str) -> tuple[str, str]:
        """The nearest legal code to a readable illegal one and what must have happened, once per distinct text."""
        key = (judge.system.name, text)
        if key not in self._suggested:
            if judge.system.name not in self._repairers:
                from bitting.repair import Repairer  # only a wrong code needs it

                self._repairers[judge.system.name] = Repairer(judge.system)
            if self.suggestions is not None and len(self._suggested) >= self.suggestions:
                self.unsuggested += 1
                return "", ""
            found = self._repairers[judge.system.name].nearest(parse_code(text, judge.system), best=1).codes
            self._suggested[key] = (found[0].code, found[0].change) if found else ("", "")
        return self._suggested[key]
