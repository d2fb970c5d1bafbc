"""A system made ready to judge many texts: verdicts by shape and table, and what is said of those that are wrong.

The verdicts of a chunk of texts come as arrays (`Judge.judge`); canonical forms are made for a whole chunk, and messages
only for the texts somebody asks about, once per distinct text (`Judge.answers`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import IntEnum
from functools import cached_property

import attrs
import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Bytes
from bitting.batch.dates import MOST_DIGITS, ambiguous, in_groups
from bitting.batch.explain import Explainer, Message, explainer_of, say
from bitting.batch.shapes import Read, Shape, ShapeReader, Template
from bitting.diagram.walk import Legality, legality_of
from bitting.errors import BittingError, NotationError
from bitting.model import Code, System, code_of
from bitting.notation import parse_code
from bitting.notation.hints import words_instead
from bitting.rules.builtin import all_of


def write_depths(system: System, depths: Bytes) -> list[str]:
    """The canonical forms of exact codes, given as places (cuts, codes): one line with a hole for each depth, filled for all
    codes together.

    A place past the end of its depth table is written as `?`.
    """
    tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
    form = _form(system)
    if form.isascii() and all(label.isascii() and len(label) == 1 for track in tracks for label in track.labels):
        line = np.frombuffer((form + "\n").encode(), np.uint8)
        matrix = np.tile(line, (depths.shape[1], 1))
        for cut, place in enumerate(np.flatnonzero(line == ord(_HOLE))):
            matrix[:, place] = np.frombuffer("".join([*tracks[cut].labels, "?"]).encode(), np.uint8)[depths[cut]]
        return matrix.tobytes().decode().split("\n")[:-1]
    labels = [np.array([*track.labels, "?"], dtype=object)[depths[cut]] for cut, track in enumerate(tracks)]
    pattern = form.replace("%", "%%").replace(_HOLE, "%s")
    return [pattern % row for row in zip(*labels, strict=True)]


_HOLE = "\x01"


def _form(system: System) -> str:
    """The canonical form of the system's exact codes with a hole in the place of each depth."""
    holes = {track.name: attrs.evolve(track, labels=(_HOLE,), depths=(0.0,)) for track in system.tracks}
    bare = attrs.evolve(system, tracks=tuple(holes.values()))
    return code_of(bare, [[0] * lane.track.cuts for lane in bare.lanes]).canonical or ""


CHUNK = 1 << 15
"""Texts that are judged at once."""
REMEMBERED = 20_000
"""Distinct texts whose findings are kept for the next row that says the same."""


class Verdict(IntEnum):
    """What is said of one text: 0 legal, 1 illegal, 2 unreadable, 3 empty."""

    LEGAL = 0
    ILLEGAL = 1
    UNREADABLE = 2
    EMPTY = 3

    @property
    def word(self) -> str:
        """The verdict as people read it."""
        return self.name.lower()


_VERDICTS = tuple(Verdict)


@frozen
class Answer:
    """What a table says of one text: the rules that it breaks (or advice that it ignores), each once, and a message.

    `depths` are places, lane after lane, of an exact code of known depths.
    """

    verdict: Verdict
    canonical: str | None = None
    depths: tuple[int, ...] | None = field(default=None, repr=False)
    rules: tuple[str, ...] = ()
    message: str = ""


@define(eq=False)
class Judge:
    """A system made ready to judge many texts; what it has learnt of their shapes stays with it."""

    system: System
    _reader: ShapeReader = field(init=False, repr=False)
    legality: Legality | None = field(init=False, repr=False)
    """The tables of the legal codes; None where they would be too large."""
    _advice: Legality | None = field(init=False, repr=False)
    _answers: dict[str, Answer] = field(init=False, factory=dict, repr=False)
    _grouped: list[bool] = field(init=False, factory=list, repr=False)
    _unreadable: dict[int, Answer | None] = field(init=False, factory=dict, repr=False)
    _faults: dict[tuple[object, ...], list[Message]] = field(init=False, factory=dict, repr=False)

    @cached_property
    def advised(self) -> frozenset[str]:
        """The kinds of rule that the system has as advice only."""
        kinds = {
            level: {rule.identifier for rule in self.system.rules if rule.level == level}
            for level in ("must", "should")
        }
        return frozenset(kinds["should"] - kinds["must"])

    def __attrs_post_init__(self) -> None:
        self._reader = ShapeReader(self.system)
        self.legality = legality_of(self.system)
        advised = any(rule.level == "should" for rule in self.system.rules)
        self._advice = legality_of(self.system, advice=True) if advised else self.legality

    def judge(self, texts: Sequence[str]) -> Judged:
        """The verdicts of some ten thousand texts."""
        read = self._reader.read(texts)
        verdict = np.full(len(texts), Verdict.UNREADABLE, np.uint8)
        verdict[read.shapes == Shape.INCOMPLETE] = Verdict.ILLEGAL
        verdict[read.shapes == Shape.EMPTY] = Verdict.EMPTY
        exact = read.shapes == Shape.EXACT
        noted = verdict != Verdict.EMPTY
        single = read.shapes == Shape.SINGLE
        if self.legality is None or self._advice is None:
            single = single | exact
        else:
            legal = exact & self.legality.legal(read.depths)
            verdict[exact] = np.where(legal[exact], Verdict.LEGAL, Verdict.ILLEGAL)
            noted &= ~legal
            if self._advice is not self.legality:
                noted |= legal & ~self._advice.legal(read.depths)
        known = exact & (read.depths < self._limits).all(axis=0)
        noted[self._doubtful(texts, read, verdict)] = True
        answers = {}
        for row in np.flatnonzero(single).tolist():
            answer = answers[row] = self.answer(texts[row])
            verdict[row] = answer.verdict
            noted[row] = bool(answer.message)
            if answer.depths is not None:
                known[row] = True
                read.depths[:, row] = answer.depths
        return Judged(verdict, read.depths, known, noted, answers, read.shapes, read.which)

    def _doubtful(self, texts: Sequence[str], read: Read, verdict: Bytes) -> list[int]:
        """Legal codes that a spreadsheet may have made of others (`bitting.batch.dates`)."""
        templates = self._reader.templates
        self._grouped += [in_groups(template.text) for template in templates[len(self._grouped) :]]
        some = (read.shapes == Shape.EXACT) & (verdict == Verdict.LEGAL)
        likely = np.zeros(len(texts), bool)
        if any(self._grouped):
            likely = some & np.array(self._grouped)[read.which]
        if len(self._limits) > MOST_DIGITS and self._zero is not None:
            likely |= some & (read.depths[MOST_DIGITS:] == self._zero).all(axis=0)
        return [row for row in np.flatnonzero(likely).tolist() if ambiguous(texts[row])]

    @cached_property
    def _zero(self) -> Bytes | None:
        """The place of the depth 0 at each cut past the digits that a spreadsheet keeps; None where there is no such."""
        tracks = [lane.track for lane in self.system.lanes for _ in range(lane.track.cuts)][MOST_DIGITS:]
        if not all("0" in track.labels for track in tracks):
            return None
        return np.array([track.labels.index("0") for track in tracks], np.uint8)[:, None]

    def template(self, number: int) -> Template:
        """One of the shapes of texts met so far, as `Judged.which` numbers them."""
        return self._reader.templates[number]

    @cached_property
    def _limits(self) -> Bytes:
        """The number of depths that each cut may have, one below the other."""
        lengths = [len(lane.track.labels) for lane in self.system.lanes for _ in range(lane.track.cuts)]
        return np.array(lengths, np.uint8)[:, None]

    def answer(self, text: str) -> Answer:
        """What is said of one text, remembered."""
        known = self._answers.get(text)
        return known if known is not None else self._remember(text, self._answer(text))

    def answers(self, texts: Mapping[int, str], judged: Judged, rows: Sequence[int]) -> list[Answer]:
        """What is said of some texts of a chunk: of each distinct text once, and without reading any again."""
        new = list(
            {texts[row]: row for row in rows if row not in judged.answers and texts[row] not in self._answers}.values()
        )
        found = dict(judged.answers)
        exact = [row for row, shape in zip(new, judged.shapes[new].tolist(), strict=True) if shape == Shape.EXACT]
        if exact:
            found.update(zip(exact, self._exact(texts, judged, exact), strict=True))
        for row in new:
            if row not in found:
                text, template = texts[row], self.template(int(judged.which[row]))
                if judged.shapes[row] == Shape.INCOMPLETE:
                    found[row] = self._of_code(template.code_of(text))
                elif judged.shapes[row] == Shape.UNREADABLE:
                    found[row] = self._unread(text, template)
                else:
                    found[row] = self._answer(text)
        same = {texts[row]: found[row] for row in new}
        if len(self._answers) + len(same) > REMEMBERED:
            self._answers.clear()
        self._answers.update(same)
        return [found[row] if row in found else same.get(texts[row]) or self.answer(texts[row]) for row in rows]

    def _exact(self, texts: Mapping[int, str], judged: Judged, rows: list[int]) -> list[Answer]:
        """What is said of whole codes, of whatever depths."""
        depths, known = judged.depths[:, rows], judged.known[rows]
        which, verdicts = judged.which[rows].tolist(), judged.verdict[rows].tolist()
        wrong: dict[int, list[int]] = {}
        for place, cut in np.argwhere((depths >= self._limits).T).tolist():
            wrong.setdefault(place, []).append(cut)
        unknown = {
            place: self._unknown(texts[rows[place]], self.template(which[place]), cuts) for place, cuts in wrong.items()
        }
        shapes = {number: (self.template(number).starts, self.template(number).widths) for number in set(which)}
        remarks = self.explainer.remarks(depths, which, shapes, unknown)
        forms = iter(write_depths(self.system, depths[:, known]))
        cuts = iter(map(tuple, depths[:, known].T.tolist()))
        return [
            Answer(_VERDICTS[verdict], next(forms), next(cuts), rules, message)
            if good
            else Answer(Verdict.ILLEGAL, None, None, rules, message)
            for verdict, good, (rules, message) in zip(verdicts, known.tolist(), remarks, strict=True)
        ]

    def _unread(self, text: str, template: Template) -> Answer:
        """Why a text can't be read: for all texts of its shape the same, where none of the digits that differ matters."""
        if template.number not in self._unreadable:
            self._unreadable[template.number] = None  # of most shapes there is but one text
            return self._answer(text)
        answer = self._unreadable[template.number]
        if answer is None:
            others = [template.shifted(by) for by in range(1, 10)]
            said = {self._answer(other) for other in (text, *others)}
            answer = self._unreadable[template.number] = said.pop() if len(said) == 1 else Answer(Verdict.EMPTY)
        return answer if answer.verdict == Verdict.UNREADABLE else self._answer(text)

    def _unknown(self, text: str, template: Template, wrong: Sequence[int]) -> list[Message]:
        """What is said of a whole code because the depths of some cuts are none of the system's."""
        starts, widths = template.starts, template.widths
        whole = text if 2 * len(wrong) > len(starts) else ""  # that may be said of itself, to be no code at all
        key = (template.number, whole, *wrong, *[text[starts[p] : starts[p] + widths[p]] for p in wrong])
        if key not in self._faults:
            if len(self._faults) >= REMEMBERED:
                self._faults.clear()
            found = all_of(template.code_of(text))
            self._faults[key] = [Message(say(one), one.rule, advice=False, span=one.span) for one in found]
        return self._faults[key]

    @cached_property
    def explainer(self) -> Explainer:
        """What tells which rules are broken; made when the first code is wrong."""
        return explainer_of(self.system)

    def _remember(self, text: str, answer: Answer) -> Answer:
        if len(self._answers) >= REMEMBERED:
            self._answers.clear()
        self._answers[text] = answer
        return answer

    def _answer(self, text: str) -> Answer:
        if not text.strip():
            return Answer(Verdict.EMPTY)
        try:
            code = parse_code(text, self.system)
        except NotationError as fault:
            return Answer(Verdict.UNREADABLE, message=one_line(fault))
        return self._of_code(code)

    def _of_code(self, code: Code) -> Answer:
        if words := words_instead(code):
            return Answer(Verdict.UNREADABLE, message=words)
        findings = self.explainer.findings(code)
        legal = not any(finding.level == "must" for finding in findings)
        places = code.depths
        depths = None if places is None else tuple(d for row in places for d in row)
        rules = tuple(dict.fromkeys(finding.rule for finding in findings))
        message = "; ".join(map(say, findings))
        return Answer(Verdict.LEGAL if legal else Verdict.ILLEGAL, code.canonical, depths, rules, message)


def one_line(fault: BittingError) -> str:
    """A fault's message and hint as one line."""
    where = "" if fault.span is None else f" (at character {fault.span[0] + 1})"
    return " ".join(f"{fault.message}{where}{'; ' + fault.hint if fault.hint else ''}".split())


@frozen(eq=False)
class Judged:
    """Verdicts of one chunk of texts.

    `depths` (cuts, texts) are good where `known`; `noted` are the texts that something is to be said about;
    `answers` those that had to be read one by one.
    """

    verdict: Bytes
    depths: Bytes
    known: NDArray[np.bool_]
    noted: NDArray[np.bool_]
    answers: dict[int, Answer]
    shapes: Bytes
    which: NDArray[np.int32]


def canonical_forms(system: System, part: Judged) -> list[str | None]:
    """The canonical form of each text of a chunk; None where there is none."""
    forms: list[str | None] = [*write_depths(system, part.depths)]
    for row in np.flatnonzero(~part.known).tolist():
        forms[row] = None
    for row, answer in part.answers.items():
        forms[row] = answer.canonical
    return forms
