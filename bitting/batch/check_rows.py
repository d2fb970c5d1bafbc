"""Row by row: the verdicts, findings and suggestions of a table, and what is counted on the way.

A `Desk` serves one run. It has a `Judge` per system (one, or as many as a column of systems names), asks for findings
only where there is something to say, for suggestions for many wrong texts together, and keeps the figures of the summary.

Memory: that of `bitting.batch.duplicates`, the suggestions of up to `bitting.batch.suggest.REMEMBERED` distinct wrong codes, and
the findings of up to `bitting.batch.judge.REMEMBERED` distinct texts.

What is said of one row: its four cells, and what they are made of.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Sequence
from functools import cached_property, partial

import numpy as np
from attrs import define, evolve, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Integers
from bitting.batch.damage import mend
from bitting.batch.dates import doubt
from bitting.batch.duplicates import Seen
from bitting.batch.judge import Answer, Judge, Judged, Verdict, canonical_forms, one_line
from bitting.batch.shapes import Shape, Template
from bitting.batch.suggest import Suggester, Suggestion, Wrong
from bitting.errors import BittingError
from bitting.model import System

FORMULA = frozenset("=+-@\t\r")


def safe(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula: what would begin like one gets an apostrophe in front."""
    return "'" + cell if cell and cell[0] in FORMULA else cell


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


@frozen
class Heard:
    """A text that something is to be said about: the text it was read as, the answer, what a spreadsheet did to it."""

    text: str
    answer: Answer
    note: str = ""
    mended: bool = False
    probably: str = ""
    """The legal code that it probably was before."""
    leavings: bool = False
    """Whether what stands there is only what was left of the code."""
    doubt: str = ""

    @property
    def opened(self) -> bool:
        """Whether the nearest legal code is to be looked for."""
        return self.answer.verdict == Verdict.ILLEGAL and not self.leavings

    def row(self, suggested: Suggestion | None = None) -> Row:
        """The cells."""
        answer, note, words = self.answer, self.note, self.answer.message
        suggestion = suggested.code if suggested else self.probably
        if self.doubt:
            words = f"{self.doubt}; {words}" if words else self.doubt
        if note and not self.mended:  # what the spreadsheet did says more than what the leavings of it lack
            words = " ".join([note, *(f"[{rule}]" for rule in answer.rules)])
        elif note:
            words = f"{note}; {words}" if words else note
        if suggested and suggested.words:
            words = f"{words}; {suggested.words}" if words else suggested.words
        return Row(answer.verdict.word, safe(answer.canonical or ""), safe(words), safe(suggestion))


NAMES = 10_000
"""So many names that are none of a system are kept, with what is said of them."""
REMARKED = 50_000
"""Rows up to which a code that differs from an earlier one only by a slip gets a remark in its row."""


@frozen(eq=False)
class Opened:
    """Illegal rows of one chunk and system: their numbers in the chunk, what they say, and of those whose shape is known the
    template; `depths` is (cuts, rows), good for those with as many cuts as the key."""

    suggester: Suggester
    numbers: list[int]
    heard: list[Heard]
    templates: list[Template | None]
    depths: NDArray[np.uint8]


@frozen(eq=False)
class Judgement:
    """A chunk of rows: a verdict each, and `said`: the rows about which there is anything to say.

    `write` gives the canonical form of every row (None where there is none) between two texts. `opened` are illegal rows
    that wait for their suggestion, and are not among those said before `Desk.settle`.
    """

    verdict: NDArray[np.uint8]
    said: dict[int, Row]
    write: Callable[[str, str], list[str | None]]
    opened: list[Opened] = field(factory=list)

    @cached_property
    def canonical(self) -> list[str | None]:
        """The canonical form of every row."""
        return self.write("", "")

    def row(self, number: int) -> Row:
        """The four cells of one row."""
        return self.said.get(number) or Row(Verdict(self.verdict[number]).word, safe(self.canonical[number] or ""))


@define(eq=False)
class Desk:
    """Judges the rows of one table. `load` finds a system by its name; `default` is the one of `-s`, if given."""

    load: Callable[[str], System]
    default: System | None
    suggestions: int | None = None
    """For so many distinct wrong codes the nearest legal one is looked for one by one; None: for all that need it; 0: for
    none at all."""
    ahead: int = field(init=False, default=0)
    """How many rows the table has at most, where that is few enough for remarks on codes that differ only by a slip."""
    columns: bool = field(init=False, default=False)
    counts: Counter[str] = field(init=False, factory=Counter)
    rules: Counter[str] = field(init=False, factory=Counter)
    seen: dict[str, Seen] = field(init=False, factory=dict)
    _judges: dict[str, Judge | str] = field(init=False, factory=dict)
    _labels: dict[int, str] = field(init=False, factory=dict)
    _suggesters: dict[str, Suggester] = field(init=False, factory=dict)

    def reset(self) -> None:
        """Forget what was counted, to begin again."""
        self.counts.clear()
        self.rules.clear()
        self.seen.clear()
        for suggester in self._suggesters.values():
            suggester.unlooked = 0

    @property
    def unlooked(self) -> int:
        """Illegal rows for which no legal code was looked for."""
        return sum(suggester.unlooked for suggester in self._suggesters.values())

    def judge_of(self, name: str) -> Judge | str:
        """The judge of a system given by name ("" for the default), or why there is none."""
        known = self._judges.get(name)
        if known is None:
            known = self._find(name)
            if isinstance(known, Judge) or len(self._judges) < NAMES:
                self._judges[name] = known
        return known

    def _find(self, name: str) -> Judge | str:
        if not name:
            if self.default is None:
                return "no system is named in this row"
            return self._ready(self.default, self.default.name)
        if self.default is not None and name == self.default.name:
            return self.judge_of("")
        if os.path.basename(name) != name or name.endswith(".toml"):
            if not os.path.isfile(name):  # what a table names is never opened if it is a device or a pipe
                return f"there is no system file {name!r}"
            if name != (path := os.path.realpath(name)):
                return self.judge_of(path)
        try:
            system = self.load(name)
        except BittingError as fault:
            return one_line(fault)
        if name != system.name and name.casefold() == system.name:
            return self.judge_of(system.name)
        return self._ready(system, name)

    def _ready(self, system: System, called: str) -> Judge:
        """The judge of a system; a second one of the same name is told by its path."""
        judge = Judge(system)
        label = system.name if system.name not in self._labels.values() else f"{system.name} ({called})"
        self._labels[id(judge)] = label
        return judge

    def expect(self, rows: int, *, columns: bool = False) -> None:
        """The table has so many rows, at most; with `columns` each code is put together from a cell per lane."""
        self.ahead = rows if rows <= REMARKED else 0
        self.columns = columns

    def judge(self, texts: Sequence[str], rows: Integers, systems: Sequence[str] | None = None) -> Judgement:
        """Judge some rows, given with their numbers; `systems` names the system of each, "" the default."""
        result = self.hear(texts, rows, systems)
        self.settle([result])
        return result

    def hear(self, texts: Sequence[str], rows: Integers, systems: Sequence[str] | None = None) -> Judgement:
        """The same without suggestions: what is `opened` waits for `settle`, which is faster for many rows at once."""
        one = systems is None
        result = (
            self._judge_one(self.judge_of(""), texts, rows) if one else self._judge_each(texts, rows, systems or [])
        )
        numbers = np.bincount(result.verdict, minlength=len(Verdict))
        for verdict in Verdict:
            self.counts[verdict.word] += int(numbers[verdict])
        return result

    def settle(self, judgements: Sequence[Judgement]) -> None:
        """Look for the nearest legal code of all rows that wait for it, once per distinct text."""
        by_suggester: dict[int, list[tuple[Judgement, Opened]]] = {}
        for judgement in judgements:
            for one in judgement.opened:
                by_suggester.setdefault(id(one.suggester), []).append((judgement, one))
            judgement.opened.clear()
        for waiting in by_suggester.values():
            first: dict[str, int] = {}
            texts = [heard.text for _, opened in waiting for heard in opened.heard]
            places = [first.setdefault(text, place) for place, text in enumerate(texts)]
            rows = np.bincount(places)
            templates = [template for _, opened in waiting for template in opened.templates]
            depths = np.concatenate([opened.depths for _, opened in waiting], axis=1)
            at = list(first.values())
            wrong = Wrong(list(first), [templates[p] for p in at], depths[:, at], rows[at].tolist())
            found = dict(zip(first, waiting[0][1].suggester.of(wrong), strict=True))
            for judgement, opened in waiting:
                for number, heard in zip(opened.numbers, opened.heard, strict=True):
                    judgement.said[number] = heard.row(found[heard.text])

    def _judge_each(self, texts: Sequence[str], rows: Integers, systems: Sequence[str]) -> Judgement:
        """Rows of several systems: those of one system together."""
        judges = {name: self.judge_of(name.strip()) for name in dict.fromkeys(systems)}
        together: dict[int | str, tuple[Judge | str, list[int]]] = {}
        for number, name in enumerate(systems):
            judge = judges[name]
            key = judge if isinstance(judge, str) else id(judge)
            together.setdefault(key, (judge, []))[1].append(number)
        opened: list[Opened] = []
        verdict, canonical, said = np.zeros(len(texts), np.uint8), np.full(len(texts), None, object), {}
        for judge, places in together.values():
            part = self._judge_one(judge, [texts[place] for place in places], rows[places])
            verdict[places], canonical[places] = part.verdict, part.canonical
            said.update({places[place]: row for place, row in part.said.items()})
            opened += [evolve(one, numbers=[places[place] for place in one.numbers]) for one in part.opened]
        forms = canonical.tolist()
        write = lambda before, after: [form and f"{before}{form}{after}" for form in forms]  # noqa: E731
        return Judgement(verdict, said, write, opened)

    def _judge_one(self, judge: Judge | str, texts: Sequence[str], rows: Integers) -> Judgement:
        if isinstance(judge, str):
            verdict = np.array([Verdict.UNREADABLE if text.strip() else Verdict.EMPTY for text in texts], np.uint8)
            unread = dict.fromkeys(
                np.flatnonzero(verdict == Verdict.UNREADABLE).tolist(), Row(Verdict.UNREADABLE.word, "", safe(judge))
            )
            return Judgement(verdict, unread, lambda _before, _after: [None] * len(texts))
        part = judge.judge(texts)
        noted = np.flatnonzero(part.noted).tolist()
        named = {number: texts[number] for number in noted}
        heard = [
            self._mended(judge, text, answer)
            for text, answer in zip(named.values(), judge.answers(named, part, noted), strict=True)
        ]
        for one in heard:
            for rule in one.answer.rules:
                self.rules[rule] += 1
        wrong = [place for place, one in enumerate(heard) if one.opened]
        opened = [self._opened(judge, part, [noted[p] for p in wrong], [heard[p] for p in wrong])] if wrong else []
        said = {n: one.row() for n, one in zip(noted, heard, strict=True) if not one.opened}
        for number, one in zip(noted, heard, strict=True):
            if one.mended:
                answer = one.answer
                part.verdict[number], part.answers[number] = answer.verdict, answer
                if answer.depths is not None:
                    part.depths[:, number] = answer.depths
                    part.known[number] = True
        self._count(judge, part, rows, said)
        return Judgement(part.verdict, said, partial(canonical_forms, judge, part), opened)

    def _opened(self, judge: Judge, part: Judged, numbers: list[int], heard: list[Heard]) -> Opened:
        """Illegal rows of a chunk, to be suggested for."""
        name = self._labels[id(judge)]
        if name not in self._suggesters:
            self._suggesters[name] = Suggester(judge.system, self.suggestions)
        shaped = (part.shapes == Shape.EXACT) | (part.shapes == Shape.INCOMPLETE)
        exact, which = shaped[numbers].tolist(), part.which[numbers].tolist()
        templates = [
            judge.template(number) if whole and not one.mended and one.text.isascii() else None
            for one, whole, number in zip(heard, exact, which, strict=True)
        ]
        return Opened(self._suggesters[name], numbers, heard, templates, part.depths[:, numbers])

    def _count(self, judge: Judge, part: Judged, rows: Integers, said: dict[int, Row]) -> None:
        """Add a chunk's codes to those seen, and a remark to rows one slip from another."""
        name = self._labels[id(judge)]
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

    def _mended(self, judge: Judge, text: str, answer: Answer) -> Heard:
        """What is said of a text, read as what it was before a spreadsheet changed it, where that is certain."""
        if answer.canonical is not None:
            return Heard(text, answer, doubt=doubt(text) if answer.verdict == Verdict.LEGAL else "")
        found = mend(text, judge, columns=self.columns)
        if found is None:
            return Heard(text, answer)
        if found.certain:
            return Heard(found.text, judge.answer(found.text), found.note, mended=True)
        was = judge.answer(found.text) if found.text else None
        probably = was.canonical or "" if was is not None and was.verdict == Verdict.LEGAL else ""
        return Heard(text, answer, found.note, probably=probably, leavings=found.leavings)
