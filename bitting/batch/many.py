"""Many codes at once: a verdict for each, and everything else when it is asked for.

`check_many` answers what `bitting.check` would answer for every text of a list, as arrays. Texts are read by shape
(`bitting.batch.shapes`) and judged by a walk over the diagram's tables (`bitting.batch.legality`); canonical forms and
findings are made only for the texts somebody asks about, findings once per distinct text.

>>> from bitting.systemfile import load_system
>>> many = check_many(load_system("plover"), ["2133345 1123421", "2933345 1123421", "", "2 1 // 3"])
>>> [Verdict(v).word for v in many.verdict]
['legal', 'illegal', 'empty', 'unreadable']
>>> many.canonical[0]
'left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 1'
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import IntEnum
from functools import cached_property
from typing import Any

import attrs
import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.batch.blame import Blame, say
from bitting.batch.legality import Legality, compile_legality
from bitting.batch.shapes import Shape, ShapeReader
from bitting.errors import BittingError, NotationError
from bitting.model import Code, Finding, System, code_of
from bitting.notation import parse_code

CHUNK = 1 << 15
REMEMBERED = 100_000
"""Distinct texts whose findings are kept for the next row that says the same."""
Bytes = NDArray[np.uint8]


class Verdict(IntEnum):
    """What is said of one text."""

    LEGAL = 0
    ILLEGAL = 1
    UNREADABLE = 2
    EMPTY = 3

    @property
    def word(self) -> str:
        """The verdict as people read it."""
        return self.name.lower()


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
    _legality: Legality | None = field(init=False, repr=False)
    _advice: Legality | None = field(init=False, repr=False)
    _answers: dict[str, Answer] = field(init=False, factory=dict, repr=False)

    def __attrs_post_init__(self) -> None:
        self._reader = ShapeReader(self.system)
        self._legality = compile_legality(self.system)
        advised = any(rule.level == "should" for rule in self.system.rules)
        self._advice = compile_legality(self.system, advice=True) if advised else self._legality

    def judge(self, texts: Sequence[str]) -> Judged:
        """The verdicts of some ten thousand texts."""
        read = self._reader.read(texts)
        verdict = np.full(len(texts), Verdict.UNREADABLE, np.uint8)
        verdict[read.shapes == Shape.INCOMPLETE] = Verdict.ILLEGAL
        verdict[read.shapes == Shape.EMPTY] = Verdict.EMPTY
        exact = read.shapes == Shape.EXACT
        noted = verdict != Verdict.EMPTY
        single = read.shapes == Shape.SINGLE
        if self._legality is None or self._advice is None:
            single = single | exact
        else:
            legal = exact & self._legality.legal(read.depths)
            verdict[exact] = np.where(legal[exact], Verdict.LEGAL, Verdict.ILLEGAL)
            noted &= ~legal
            if self._advice is not self._legality:
                noted |= legal & ~self._advice.legal(read.depths)
        known = exact & (read.depths < self._limits).all(axis=0)
        answers = {}
        for row in np.flatnonzero(single).tolist():
            answer = answers[row] = self.answer(texts[row])
            verdict[row] = answer.verdict
            noted[row] = bool(answer.message)
            if answer.depths is not None:
                known[row] = True
                read.depths[:, row] = answer.depths
        return Judged(verdict, read.depths, known, noted, answers, read.shapes, read.which)

    @cached_property
    def _limits(self) -> Bytes:
        lengths = [len(lane.track.labels) for lane in self.system.lanes for _ in range(lane.track.cuts)]
        return np.array(lengths, np.uint8)[:, None]

    def answer(self, text: str) -> Answer:
        """What is said of one text, remembered."""
        known = self._answers.get(text)
        return known if known is not None else self._remember(text, self._answer(text))

    def answers(self, texts: Sequence[str], judged: Judged, rows: Sequence[int]) -> list[Answer]:
        """What is said of some texts of a chunk: of each distinct text once, and without reading any again."""
        new = list(
            {texts[row]: row for row in rows if row not in judged.answers and texts[row] not in self._answers}.values()
        )
        found = dict(judged.answers)
        depths = judged.depths[:, new]
        known = judged.known[new]
        exact = depths[:, known]
        forms = iter(write_depths(self.system, exact))
        remarks = iter(zip(exact.T.tolist(), self.blame.broken_by(exact), strict=True))
        shapes, which, verdicts = judged.shapes[new].tolist(), judged.which[new].tolist(), judged.verdict[new].tolist()
        for place, row in enumerate(new):
            text = texts[row]
            if known[place]:
                cuts, broken = next(remarks)
                template = self._reader.templates[which[place]]
                rules, message = self.blame.remarks(cuts, broken, template.starts, template.widths)
                answer = Answer(Verdict(verdicts[place]), next(forms), tuple(cuts), rules, message)
            elif shapes[place] in (Shape.EXACT, Shape.INCOMPLETE):
                answer = self._of_code(self._reader.templates[which[place]].code_of(text))
            else:
                answer = self._answer(text)
            found[row] = self._remember(text, answer)
        same = {texts[row]: found[row] for row in new}
        return [found[row] if row in found else same.get(texts[row]) or self.answer(texts[row]) for row in rows]

    @cached_property
    def blame(self) -> Blame:
        """What tells which rules are broken; made when the first code is wrong."""
        return Blame(self.system)

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
        findings = self.blame.findings(code)
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


class CheckedMany:
    """Verdicts of many texts, in their order. `verdict` is a uint8 array of `Verdict`, `legal` the same as booleans."""

    def __init__(self, judge: Judge, texts: Sequence[str], judged: Sequence[Judged]) -> None:
        self._judge = judge
        self._texts = texts
        self._judged = judged
        self.verdict: Bytes = np.concatenate([part.verdict for part in judged]) if judged else np.zeros(0, np.uint8)

    def __len__(self) -> int:
        return len(self.verdict)

    def __repr__(self) -> str:
        counts = ", ".join(f"{number} {word}" for word, number in self.counts.items())
        return f"CheckedMany({self._judge.system.name}: {counts})"

    @property
    def system(self) -> System:
        """The system that the texts were checked against."""
        return self._judge.system

    @property
    def legal(self) -> NDArray[np.bool_]:
        """Which texts are legal codes."""
        legal: NDArray[np.bool_] = self.verdict == Verdict.LEGAL
        return legal

    @property
    def counts(self) -> dict[str, int]:
        """How many texts have each verdict."""
        numbers = np.bincount(self.verdict, minlength=len(Verdict))
        return {verdict.word: int(numbers[verdict]) for verdict in Verdict}

    @cached_property
    def canonical(self) -> list[str | None]:
        """The canonical form of each text; None where a cut or a depth is wrong, or nothing could be read."""
        out: list[str | None] = []
        for part in self._judged:
            out.extend(canonical_forms(self._judge, part))
        return out

    def findings(self, number: int) -> tuple[Finding, ...]:
        """The findings of one text (numbered from 0), as `bitting.check` gives them; none where it can't be read."""
        text = self._texts[number]
        if self.verdict[number] in (Verdict.EMPTY, Verdict.UNREADABLE):
            return ()
        return self._judge.blame.findings(parse_code(text, self.system))

    def message(self, number: int) -> str:
        """What is wrong with one text (numbered from 0), in one line; of an unreadable one why it can't be read."""
        return self._judge.answer(self._texts[number]).message

    def as_dict(self) -> dict[str, Any]:
        """The counts, as the `batch` command has them."""
        return {"rows": len(self), **self.counts}


def canonical_forms(judge: Judge, part: Judged) -> list[str | None]:
    """The canonical form of each text of a chunk."""
    forms: list[str | None] = [None] * len(part.verdict)
    rows = np.flatnonzero(part.known)
    for row, form in zip(rows.tolist(), write_depths(judge.system, part.depths[:, rows]), strict=True):
        forms[row] = form
    for row, answer in part.answers.items():
        forms[row] = answer.canonical
    return forms


def write_depths(system: System, depths: Bytes) -> list[str]:
    """The canonical forms of exact codes, given as places (cuts, codes)."""
    tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
    form = _form(system)
    if all(label.isascii() and len(label) == 1 for track in tracks for label in track.labels):
        line = np.frombuffer((form + "\n").encode(), np.uint8)
        matrix = np.tile(line, (depths.shape[1], 1))
        for cut, place in enumerate(np.flatnonzero(line == ord(_HOLE))):
            matrix[:, place] = np.frombuffer("".join(tracks[cut].labels).encode(), np.uint8)[depths[cut]]
        return matrix.tobytes().decode().split("\n")[:-1]
    labels = [np.array(track.labels, dtype=object)[depths[cut]] for cut, track in enumerate(tracks)]
    pattern = form.replace("%", "%%").replace(_HOLE, "%s")
    return [pattern % row for row in zip(*labels, strict=True)]


_HOLE = "\x01"


def _form(system: System) -> str:
    """The canonical form of the system's exact codes with a hole in the place of each depth."""
    holes = {track.name: attrs.evolve(track, labels=(_HOLE,), depths=(0.0,)) for track in system.tracks}
    bare = attrs.evolve(system, tracks=tuple(holes.values()))
    return code_of(bare, [[0] * lane.track.cuts for lane in bare.lanes]).canonical or ""


def check_many(system: System, texts: Iterable[str | None]) -> CheckedMany:
    """Check many codes against one system: a verdict for each, in order. None and "" are empty.

    Raises BittingError where a text is no text (a number has lost its leading zeros before it comes here).
    """
    listed = [text or "" for text in texts]
    judge, judged = Judge(system), []
    for start in range(0, len(listed), CHUNK):
        chunk = listed[start : start + CHUNK]
        for number, text in enumerate(chunk):
            if not isinstance(text, str):
                raise BittingError(
                    f"item {start + number} is {text!r}, which is no text",
                    hint="give codes as text: a number has no leading zeros and no blanks",
                )
        judged.append(judge.judge(chunk))
    return CheckedMany(judge, listed, judged)
