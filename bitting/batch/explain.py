"""Which rules wrong codes break, for many codes at once.

Judging one code means asking every rule. For many, each rule's own diagram is walked first (a rule alone makes a small
diagram), and only rules that are broken are asked for their message. The findings are those of `bitting.check`, in the
same order; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import accumulate

import attrs
import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Bytes, Integers
from bitting.checking import placed, reading_order
from bitting.diagram.walk import Legality, Walk, compile_legality
from bitting.errors import Span
from bitting.model import Code, Finding, Rule, System
from bitting.rules import catalogue, violations
from bitting.rules.base import Evaluate
from bitting.rules.builtin import all_of

REMEMBERED = 20_000
"""What a rule says is kept for so many codes."""
Shaped = tuple[Sequence[int], Sequence[int]]
"""Where the cuts of texts of one shape begin, and how wide they are."""
Remark = tuple[tuple[str, ...], str]
"""The rules that a code breaks, each once, and what is said of it."""


def say(finding: Finding) -> str:
    """One finding in a line of its own: where, what, which rule; advice is marked as such."""
    return _sentence(finding.level, (finding.side, finding.track), finding.message, finding.rule)


def _sentence(level: str, names: Sequence[str | None], message: str, rule: str) -> str:
    """The same of a finding's parts; `names` are its side and track."""
    advice = "advice: " if level == "should" else ""
    where = " ".join([name for name in names if name and name not in message])
    return f"{advice}{where + ': ' if where else ''}{message} [{rule}]"


@frozen
class Message:
    """What is said of a code: the text, the rule, whether it is only advice, and of which cuts (lane after lane), or which
    part of the text, where it is about what was written."""

    text: str
    rule: str
    advice: bool
    places: tuple[int, ...] = ()
    span: Span | None = None

    def where(self, starts: Sequence[int], widths: Sequence[int]) -> Span:
        """From where to where it is about, in a text whose cuts stand there."""
        if self.span is not None or not self.places:
            return self.span or (-1, -1)
        return min(starts[p] for p in self.places), max(starts[p] + widths[p] for p in self.places)


@define(eq=False)
class Explainer:
    """The rules of one system, each with the walk that tells whether a code breaks it (None: ask the rule itself)."""

    system: System
    _walks: list[Legality | None] = field(init=False)
    _reads: list[list[int]] = field(init=False)
    _evaluate: list[Evaluate] = field(init=False)
    _pairs: list[bool] = field(init=False)
    _first: list[int] = field(init=False)
    _limits: NDArray[np.int64] = field(init=False)
    _said: dict[tuple[int, int], dict[bytes, tuple[Message, ...]]] = field(init=False, factory=dict)

    def __attrs_post_init__(self) -> None:
        self._walks = [_alone(self.system, rule) for rule in self.system.rules]
        kinds = [catalogue()[rule.identifier] for rule in self.system.rules]
        self._evaluate = [kind.evaluate for kind in kinds]
        self._pairs = [kind.pairs for kind in kinds]
        self._first = [0, *accumulate(lane.track.cuts for lane in self.system.lanes)]
        self._reads = [self._read_by(rule, walk) for rule, walk in zip(self.system.rules, self._walks, strict=True)]
        sizes = [len(lane.track.labels) for lane in self.system.lanes for _ in range(lane.track.cuts)]
        self._limits = np.array(sizes)[:, None]

    def _read_by(self, rule: Rule, walk: Legality | None) -> list[int]:
        """The cuts (lane after lane) on which it depends what a rule says."""
        if walk is not None and walk.reads:  # a rule that no code keeps depends on no cut, and still names some
            return walk.reads
        return [cut for lane in rule.lanes for cut in range(self._first[lane], self._first[lane + 1])]

    def broken_by(self, depths: Bytes) -> NDArray[np.bool_]:
        """The rules (rules, codes) that each code may break; `depths` is (cuts, codes).

        A rule is not broken by a code with unknown depths if it allows the same code with some depth in their place:
        no rule finds fault with what may yet be right.
        """
        flags = np.ones((len(self._walks), depths.shape[1]), bool)
        limits = self._limits
        unknown = depths >= limits
        some = np.flatnonzero(unknown.any(axis=0))
        filled = (
            [
                np.where(unknown[:, some], np.minimum(depth, limits - 1), depths[:, some]).astype(np.uint8)
                for depth in range(int(limits.max()))
            ]
            if len(some)
            else []
        )
        for walk, row in zip(self._walks, flags, strict=True):
            if walk is not None:
                row[:] = ~walk.legal(depths)
                left = some[row[some]]
                for one in filled:
                    if len(left):
                        row[left] = ~walk.legal(one[:, np.searchsorted(some, left)])
                        left = left[row[left]]
        return flags

    def findings(self, code: Code) -> tuple[Finding, ...]:
        """The findings of one code, spans and all."""
        found = list(all_of(code))
        written = code.lanes
        lanes = [tuple(cut.depth for cut in lane) if lane else () for lane in written]
        for rule in self.system.rules:
            for wrong in violations(rule, self.system, [lanes[lane] for lane in rule.lanes]):
                found.append(placed(written, self.system, rule, wrong.places, wrong.message))  # noqa: PERF401
        found.sort(key=reading_order)
        return tuple(found)

    def remarks(
        self,
        depths: Bytes,
        which: Sequence[int],
        shapes: Mapping[int, Shaped],
        unknown: Mapping[int, Sequence[Message]],
    ) -> list[Remark]:
        """What is said of whole codes (cuts, codes): the same as `findings`, as text.

        A depth as large as its depth table is unknown; `unknown` is what is said of the codes that have some. `which` is the
        shape of each code's text, and `shapes` says where its cuts stand, which orders the messages.
        """
        every = [list(unknown.get(code, ())) for code in range(depths.shape[1])]
        for codes, which_said, messages in self._broken(depths):
            hit = np.flatnonzero(np.array([bool(one) for one in messages])[which_said])
            for code, place in zip(codes[hit].tolist(), which_said[hit].tolist(), strict=True):
                every[code] += messages[place]
        out: list[Remark] = []
        for code, said in enumerate(every):
            if len(said) > 1:
                shape = shapes[which[code]]
                said.sort(key=lambda message, shape=shape: (message.advice, message.where(*shape)))  # type: ignore[misc]
            out.append((tuple(dict.fromkeys([one.rule for one in said])), "; ".join([one.text for one in said])))
        return out

    def _broken(self, depths: Bytes) -> Iterator[tuple[Integers, Integers, list[tuple[Message, ...]]]]:
        """What the rules say, rule by rule (pair of cuts by pair of cuts where a rule speaks of no more): codes, and which of
        some messages each of them gets."""
        for number, flags in enumerate(self.broken_by(depths)):
            rows, reads = np.flatnonzero(flags), self._reads[number]
            if not len(rows):
                continue
            if not self._pairs[number]:
                yield rows, *self._messages(number, reads, depths[reads][:, rows])
                continue
            lane = self.system.rules[number].lanes[0]
            for cut in range(self._first[lane], self._first[lane + 1] - 1):
                yield rows, *self._messages(number, [cut, cut + 1], depths[cut : cut + 2, rows])

    def _messages(self, number: int, reads: Sequence[int], depths: Bytes) -> tuple[Integers, list[tuple[Message, ...]]]:
        """What one rule says of each code; remembered by the depths (reads, codes) that matter."""
        said = self._said.setdefault((number, reads[0] if reads else 0), {})
        if len(said) >= REMEMBERED:
            said.clear()
        keys, first, which = np.unique(_words(depths), return_index=True, return_inverse=True)
        words = keys.tolist()
        for word, row in zip(words, first.tolist(), strict=True):
            if word not in said:
                cuts: list[int | None] = [None] * self._first[-1]
                for cut, depth in zip(reads, depths[:, row].tolist(), strict=True):
                    cuts[cut] = depth if depth < self._limits[cut, 0] else None
                said[word] = tuple(self._judged(number, cuts))
        return which, [said[word] for word in words]

    def _judged(self, number: int, cuts: Sequence[int | None]) -> Iterator[Message]:
        first, rule = self._first, self.system.rules[number]
        for wrong in self._evaluate[number](
            rule, self.system, [tuple(cuts[first[lane] : first[lane + 1]]) for lane in rule.lanes]
        ):
            lanes = [rule.lanes[place.lane] for place in wrong.places]
            where = [first[lane] + place.cut for lane, place in zip(lanes, wrong.places, strict=True)]
            (only, *others) = dict.fromkeys(lanes or rule.lanes)
            lane = self.system.lanes[only]
            names = () if others else (lane.side, lane.track.name)
            text = _sentence(rule.level, names, wrong.message, rule.identifier)
            yield Message(text, rule.identifier, rule.level != "must", tuple(where))


def _words(rows: Bytes) -> NDArray[np.bytes_]:
    """Each column as one value."""
    return np.ascontiguousarray(rows.T).view(f"S{len(rows)}").ravel()


@lru_cache(maxsize=8)
def explainer_of(system: System) -> Explainer:
    """The explainer of a system, kept for the next list of codes."""
    return Explainer(system)


def _alone(system: System, rule: Rule) -> Legality | None:
    """The walk of one rule by itself, over the cuts of its own lanes."""
    whole = compile_legality(attrs.evolve(system, rules=(attrs.evolve(rule, level="must"),)))
    if whole is None:
        return None
    first = np.cumsum([0, *(lane.track.cuts for lane in system.lanes)])
    own = {cut for lane in rule.lanes for cut in range(first[lane], first[lane + 1])}
    walks: tuple[Walk, ...] = tuple(walk for walk in whole.walks if own & set(walk.cuts))
    return Legality(walks)
