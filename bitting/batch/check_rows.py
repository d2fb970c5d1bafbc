"""Row by row: the verdicts, findings and suggestions of a table of codes, and what is counted on the way.

A `RowChecker` serves one run. It has a `Judge` per system (one, or as many as a column of systems names), asks for findings
only where there is something to say, for suggestions for many wrong texts together, and keeps the figures of the summary.

Memory: that of `bitting.batch.duplicates`, the suggestions of up to `bitting.batch.suggest.REMEMBERED` distinct wrong codes, and
the findings of up to `bitting.batch.judge.REMEMBERED` distinct texts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from functools import partial

import numpy as np
from attrs import define, evolve, field, frozen

from bitting.arrays import Integers
from bitting.batch.columns import Layout, Table, column_of
from bitting.batch.damage import read_damaged
from bitting.batch.dates import ambiguous
from bitting.batch.duplicates import NAMED, Seen
from bitting.batch.judge import Answer, Judge, Judged, Verdict, canonical_forms
from bitting.batch.listing import FEW, Listing
from bitting.batch.output import CODES, Chunk, Row, RowWorker, chunk_of, rows_without
from bitting.batch.shapes import Shape, Template
from bitting.batch.suggest import NONE, Suggester, Suggestion
from bitting.batch.summary import CodeSummary, CutDepths, Figures
from bitting.batch.systems import Systems
from bitting.batch.xlsx.read import code_cell
from bitting.errors import BittingError
from bitting.model import Finding
from bitting.notation import parse_code
from bitting.repair.written import missing, readable
from bitting.systemfile.load import known_systems, load_system


@frozen
class Pending:
    """A text that something is to be said about, and what is known before suggestions are resolved.

    `text` is what it was read as, `note` what a spreadsheet did to it.
    """

    text: str
    answer: Answer
    note: str = ""
    mended: bool = False
    leavings: bool = False
    """Whether what stands there is only what was left of the code."""
    doubt: str = ""
    faults: tuple[Finding, ...] = ()

    @property
    def opened(self) -> bool:
        """Whether the nearest legal code is to be looked for."""
        return self.answer.verdict == Verdict.ILLEGAL and not self.leavings

    def row(self, suggested: Suggestion = NONE) -> Row:
        """What is said of the row."""
        answer, words = self.answer, self.answer.message
        if self.note and not self.mended:  # what the spreadsheet did says more than what the leavings of it lack
            words = " ".join([self.note, *(f"[{rule}]" for rule in answer.rules)])
        said = [self.note if self.mended else "", self.doubt, words, suggested.words]
        remarks = [self.note, self.doubt, suggested.words, "" if self.faults else answer.message]
        return Row(
            answer.verdict.word,
            answer.canonical or "",
            "; ".join(filter(None, said)),
            suggested.code if suggested.offered else "",
            suggested.likely,
            faults=self.faults,
            remarks=tuple(filter(None, remarks)),
        )


Wrong = tuple[int, Pending, Template | None]
"""An illegal row: its number in the chunk, what is known of it, and the template of its shape where that is known."""
STRAYS = 200
"""So many rows that aren't legal are looked up in other systems."""
REMARKED = 50_000
"""Rows up to which a code that differs from an earlier one only by a slip gets a remark in its row."""


@define(eq=False)
class RowChecker(RowWorker):
    """Checks the rows of one table of codes. `folders` hold the system files that rows name."""

    columns = CODES
    chunk = 1 << 17
    cell = staticmethod(code_cell)
    suggestions: int | None = None
    """For so many distinct wrong codes the nearest legal one is looked for; None: for all; 0: for none at all."""
    folders: tuple[str, ...] = ()
    rules: Counter[str] = field(init=False, factory=Counter)
    advice: Counter[str] = field(init=False, factory=Counter)
    seen: dict[str, Seen] = field(init=False, factory=dict)
    listings: dict[str, Listing] = field(init=False, factory=dict)
    _ahead: int = field(init=False, default=0)
    """How many rows the table has at most, where that is few enough for remarks on codes that differ only by a slip."""
    _joined: bool = field(init=False, default=False)
    _strays: list[str] = field(init=False, factory=list)
    """The first texts that are no legal codes of the default system."""
    _systems: Systems[Judge] = field(init=False)
    _suggesters: dict[str, Suggester] = field(init=False, factory=dict)

    def __attrs_post_init__(self) -> None:
        self._systems = Systems(self.default, Judge, self.folders)

    def reset(self) -> None:
        RowWorker.reset(self)
        for counted in (self.rules, self.advice, self.seen, self.listings, self._strays):
            counted.clear()
        for suggester in self._suggesters.values():
            suggester.unlooked = 0

    def holds(self, sample: Table, layout: Layout) -> bool:
        """Whether any of the rows found there is a code: a messy sheet must not be passed over for a tidy one."""
        texts = layout.texts([column_of(sample[layout.first :], place) for place in layout.places])
        return not self.default or any(self.good(texts))

    def good(self, texts: Sequence[str]) -> list[bool]:
        """Which texts are codes of the default system: as many cuts as its tracks have, of depths that they have."""
        judge = self._systems.of("")
        return [] if isinstance(judge, str) else judge.judge(texts).known.tolist()

    def expect(self, rows: int, layout: Layout) -> None:
        self._ahead = rows if rows <= REMARKED else 0
        self._joined = bool(layout.lists)

    def answered(self, texts: Sequence[str], rows: Integers, systems: Sequence[str] | None) -> Chunk:
        if systems is not None:
            return self._classify_each(texts, rows, systems)
        chunk = self._classify(self._systems.of(""), texts, rows)
        if len(self._strays) < STRAYS:
            bad = np.isin(chunk.verdict, (int(Verdict.ILLEGAL), int(Verdict.UNREADABLE)))
            self._strays += [texts[row] for row in np.flatnonzero(bad)[: STRAYS - len(self._strays)].tolist()]
        return chunk

    def _classify_each(self, texts: Sequence[str], rows: Integers, systems: Sequence[str]) -> Chunk:
        """Rows of several systems: those of one system together."""
        verdict, canonical = np.zeros(len(texts), np.uint8), np.full(len(texts), None, object)
        whole = Chunk(CODES, verdict, {}, canonical.tolist)
        for judge, places in self._systems.grouped(systems):
            part = self._classify(judge, [texts[place] for place in places], rows[places])
            verdict[places], canonical[places] = part.verdict, part.canonical
            whole.said.update({places[number]: row for number, row in part.said.items()})
        return whole

    def _classify(self, judge: Judge | str, texts: Sequence[str], rows: Integers) -> Chunk:
        if isinstance(judge, str):
            return chunk_of(CODES, rows_without(judge, texts))
        part = judge.judge(texts)
        noted = np.flatnonzero(part.noted).tolist()
        named = {number: texts[number] for number in noted}
        answers = judge.answers(named, part, noted)
        every = [
            (number, self._detailed(judge, self._pending(judge, text, answer)))
            for (number, text), answer in zip(named.items(), answers, strict=True)
        ]
        for number, one in every:
            self.rules.update(one.answer.rules)
            legal = one.answer.verdict == Verdict.LEGAL
            self.advice.update(rule for rule in one.answer.rules if legal or rule in judge.advised)
            if one.mended:
                part.verdict[number], part.answers[number] = one.answer.verdict, one.answer
                if one.answer.depths is not None:
                    part.depths[:, number] = one.answer.depths
                    part.known[number] = True
        wrong = [(number, one, _template(judge, part, number, one)) for number, one in every if one.opened]
        suggested = self._suggested(judge, wrong) if wrong else {}
        said = {number: one.row(suggested[one.text] if one.opened else NONE) for number, one in every}
        chunk = Chunk(CODES, part.verdict, said, partial(canonical_forms, judge.system, part))
        self._count(judge, part, rows, chunk, wrong)
        return chunk

    def _suggested(self, judge: Judge, wrong: Sequence[Wrong]) -> dict[str, Suggestion]:
        """The nearest legal code of each wrong text."""
        name = self._systems.labels[id(judge)]
        if name not in self._suggesters:
            self._suggesters[name] = Suggester(judge.system, self.suggestions)
        templates = {one.text: template for _, one, template in wrong}
        return self._suggesters[name].of(templates, Counter(one.text for _, one, _ in wrong))

    def _count(self, judge: Judge, part: Judged, rows: Integers, chunk: Chunk, wrong: Sequence[Wrong]) -> None:
        """Add a chunk's codes to those seen, and a remark to rows one slip from another."""
        name = self._systems.labels[id(judge)]
        if name not in self.seen:
            self.seen[name] = Seen(judge.system, judge.legality, self._ahead)
            self.listings[name] = Listing(judge.system, judge.legality)
        known = slice(None) if part.known.all() else part.known
        remarks = self.seen[name].add(part.depths[:, known], rows[known], part.verdict[known] == Verdict.LEGAL)
        if remarks:
            for number in np.flatnonzero(np.isin(rows, list(remarks))).tolist():
                before = chunk.row(number)
                remark = remarks[int(rows[number])]
                words = "; ".join(filter(None, (before.findings, remark)))
                chunk.said[number] = evolve(before, findings=words, remarks=(*before.remarks, remark))
        for number, answer in part.answers.items():
            if answer.canonical is not None and not part.known[number]:
                self.seen[name].add_open(answer.canonical)
        illegal = part.depths[:, part.known & (part.verdict == Verdict.ILLEGAL)]
        lacking = Counter(
            tracks
            for _, one, template in wrong
            if template is not None and template.kind == Shape.INCOMPLETE and (tracks := _lacks(template))
        )
        self.listings[name].add(illegal, int(np.count_nonzero(part.verdict != Verdict.EMPTY)), lacking)

    def _pending(self, judge: Judge, text: str, answer: Answer) -> Pending:
        """What is said of a text, read as what it was before a spreadsheet changed it, where that is certain."""
        if answer.canonical is not None:
            return Pending(text, answer, doubt=ambiguous(text) if answer.verdict == Verdict.LEGAL else "")
        found = read_damaged(text, judge, columns=self._joined)
        if found is None:
            return Pending(text, answer)
        if found.certain:
            return Pending(found.text, judge.answer(found.text), found.note, mended=True)
        return Pending(text, answer, found.note, leavings=found.leavings)

    def _detailed(self, judge: Judge, one: Pending) -> Pending:
        """With the findings as values, where somebody is told of each row."""
        if not self.telling or one.answer.verdict not in (Verdict.LEGAL, Verdict.ILLEGAL):
            return one
        return evolve(one, faults=judge.explainer.findings(parse_code(one.text, judge.system)))

    def notes(self) -> list[str]:
        notes = [*self._systems.doubts, *self._elsewhere()]
        notes += [note for listing in self.listings.values() for note in listing.notes()]
        if unlooked := sum(suggester.unlooked for suggester in self._suggesters.values()):
            looked = (
                f"only {self.suggestions:,} different wrong codes were looked at"
                if self.suggestions
                else "none was looked for"
            )
            notes.append(f"{unlooked:,} illegal rows have no suggestion: {looked} (--suggestions all looks at all)")
        return notes

    def _elsewhere(self) -> Iterator[str]:
        """In which other systems most codes are legal, where most aren't in the one that was named."""
        bad = self.counts["illegal"] + self.counts["unreadable"]
        if bad <= self.counts["legal"] or len(self._strays) < FEW:
            return
        for known in known_systems():
            with suppress(BittingError):
                judge = Judge(load_system(known.path))
                legal = int(np.count_nonzero(judge.judge(self._strays).verdict == Verdict.LEGAL))
                if 2 * legal > len(self._strays):
                    looked = f"{legal} of the first {len(self._strays)} rows that aren't legal"
                    yield f"{looked} are legal in {judge.system.name}: is that their system?"

    def summary(self, figures: Figures) -> CodeSummary:
        repeated = [seen.repeated() for seen in self.seen.values()]
        chances = [seen.by_chance for seen in self.seen.values()]
        every = list(self.seen.values())
        named = sorted((pair for _, pairs in repeated for pair in pairs), key=lambda pair: pair[1])
        return CodeSummary(
            **self.counted(figures),
            duplicates=sum(number for number, _ in repeated),
            duplicate_rows=tuple(named)[:NAMED],
            near_duplicates=None if any(seen.unlooked for seen in every) else sum(seen.near for seen in every),
            near_by_chance=None if None in chances else round(sum(filter(None, chances)), 2),
            near_rows=tuple(pair for seen in every for pair in seen.near_rows)[:NAMED],
            rules=dict(self.rules.most_common()),
            advice=dict(self.advice.most_common()),
            systems=tuple(self.seen),
            depths=tuple(self._depths()),
        )

    def _depths(self) -> Iterator[CutDepths]:
        for name, seen in self.seen.items():
            places = [(lane, cut) for lane in seen.system.lanes for cut in range(lane.track.cuts)]
            for (lane, cut), table in zip(places, seen.depths, strict=True):
                yield CutDepths(name, lane.label, cut + 1, dict(zip(lane.track.labels, table.tolist(), strict=True)))


WHOLE = (int(Shape.EXACT), int(Shape.INCOMPLETE))
"""As plain numbers: comparing a number of numpy with a member of an Enum takes as long as all else that is said of a row."""


def _template(judge: Judge, part: Judged, number: int, one: Pending) -> Template | None:
    """The shape that a row's text has, None where it is read by itself."""
    if one.mended or not one.text.isascii() or int(part.shapes[number]) not in WHOLE:
        return None
    return judge.template(int(part.which[number]))


def _lacks(template: Template) -> str:
    """The tracks that all texts of a shape lack."""
    return missing(template.code) if template.code is not None and readable(template.code) else ""
