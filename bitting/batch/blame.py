"""Which rules wrong codes break, for many codes at once.

Judging one code means asking every rule. For many, each rule's own diagram is walked first (a rule alone makes a small
diagram), and only rules that are broken are asked for their message. The findings are those of `bitting.check`, in the
same order; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import accumulate
from operator import itemgetter

import attrs
import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.batch.legality import Legality, Walk, compile_legality
from bitting.checking import placed, reading_order
from bitting.model import Code, Finding, Rule, System
from bitting.rules import catalogue, violations
from bitting.rules.base import Evaluate
from bitting.rules.builtin import all_of

REMEMBERED = 20_000
"""What a rule says is kept for so many codes."""
Saying = tuple[str, list[int]]
"""What a rule says, and of which cuts (lane after lane)."""


def say(finding: Finding) -> str:
    """One finding in a line of its own: where, what, which rule; advice is marked as such."""
    advice = "advice: " if finding.level == "should" else ""
    where = " ".join(name for name in (finding.side, finding.track) if name and name not in finding.message)
    return f"{advice}{where + ': ' if where else ''}{finding.message} [{finding.rule}]"


@define(eq=False)
class Blame:
    """The rules of one system, each with the walk that tells whether a code breaks it (None: ask the rule itself)."""

    system: System
    _walks: list[Legality | None] = field(init=False)
    _reads: list[list[int]] = field(init=False)
    _evaluate: list[Evaluate] = field(init=False)
    _pairs: list[bool] = field(init=False)
    _first: list[int] = field(init=False)
    _said: list[dict[tuple[int | None, ...], list[Saying]]] = field(init=False)

    def __attrs_post_init__(self) -> None:
        self._walks = [_alone(self.system, rule) for rule in self.system.rules]
        kinds = [catalogue()[rule.identifier] for rule in self.system.rules]
        self._evaluate = [kind.evaluate for kind in kinds]
        self._pairs = [kind.pairs for kind in kinds]
        self._first = [0, *accumulate(lane.track.cuts for lane in self.system.lanes)]
        self._reads = [self._read_by(rule, walk) for rule, walk in zip(self.system.rules, self._walks, strict=True)]
        self._said = [{} for _ in self.system.rules]

    def _read_by(self, rule: Rule, walk: Legality | None) -> list[int]:
        """The cuts (lane after lane) on which it depends what a rule says."""
        if walk is not None:
            return walk.reads
        return [cut for lane in rule.lanes for cut in range(self._first[lane], self._first[lane + 1])]

    def broken_by(self, depths: NDArray[np.uint8]) -> list[list[int]]:
        """The rules that each code may break; `depths` is (cuts, codes).

        A rule is not broken by a code with unknown depths if it allows the same code with some depth in their place:
        no rule finds fault with what may yet be right.
        """
        flags = np.ones((len(self._walks), depths.shape[1]), bool)
        limits = np.array([len(lane.track.labels) for lane in self.system.lanes for _ in range(lane.track.cuts)])
        unknown = depths >= limits[:, None]
        some = np.flatnonzero(unknown.any(axis=0))
        filled = (
            [
                np.where(unknown, np.minimum(depth, limits - 1)[:, None], depths)[:, some].astype(np.uint8)
                for depth in range(int(limits.max()))
            ]
            if len(some)
            else []
        )
        for walk, row in zip(self._walks, flags, strict=True):
            if walk is not None:
                row[:] = ~walk.legal(depths)
                for one in filled:
                    row[some] &= ~walk.legal(one)
        broken: list[list[int]] = [[] for _ in range(depths.shape[1])]
        codes, rules = np.nonzero(flags.T)
        for code, rule in zip(codes.tolist(), rules.tolist(), strict=True):
            broken[code].append(rule)
        return broken

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
        cuts: Sequence[int | None],
        broken: Sequence[int],
        starts: Sequence[int],
        widths: Sequence[int],
        unknown: Sequence[Finding] = (),
    ) -> tuple[tuple[str, ...], str]:
        """The rules that a whole code breaks and what is said of it: the same as `findings`, as text.

        `cuts` are the depths lane after lane, None where the depth is unknown, of which `unknown` are the findings;
        `starts` and `widths` are where they stand in the text, which orders the sayings; `broken` are the rules that
        may be broken.
        """
        rules = self.system.rules
        said = [(rules[number], text, places) for number in broken for text, places in self._sayings(number, cuts)]
        if len(said) == 1 and not unknown:
            return (said[0][0].identifier,), said[0][1]
        out = [(False, finding.span or (-1, -1), finding.rule, say(finding)) for finding in unknown]
        for rule, text, places in said:
            span = (-1, -1)
            if places:
                span = (min([starts[p] for p in places]), max([starts[p] + widths[p] for p in places]))
            out.append((rule.level != "must", span, rule.identifier, text))
        out.sort(key=itemgetter(0, 1))
        return tuple(dict.fromkeys([one[2] for one in out])), "; ".join([one[3] for one in out])

    def _sayings(self, number: int, cuts: Sequence[int | None]) -> list[Saying]:
        """What one rule says of the cuts of its lanes, and of which cuts; remembered by the cuts that it reads."""
        if self._pairs[number]:
            return self._of_pairs(number, cuts)
        said = self._said[number]
        key = tuple([cuts[cut] for cut in self._reads[number]])
        known = said.get(key)
        if known is None:
            if len(said) >= REMEMBERED:
                said.clear()
            known = said[key] = self._judged(number, cuts)
        return known

    def _of_pairs(self, number: int, cuts: Sequence[int | None]) -> list[Saying]:
        """What a rule says that judges every pair of neighbours by itself; remembered by pairs, of which there are few."""
        said, out = self._said[number], []
        lane = self.system.rules[number].lanes[0]
        start, stop = self._first[lane], self._first[lane + 1]
        for key in zip(range(start, stop), cuts[start : stop - 1], cuts[start + 1 : stop], strict=False):
            known = said.get(key)
            if known is None:
                alone: list[int | None] = [None] * len(cuts)
                alone[key[0] : key[0] + 2] = key[1:]
                known = said[key] = self._judged(number, alone)
            out += known
        return out

    def _judged(self, number: int, cuts: Sequence[int | None]) -> list[Saying]:
        first, rule = self._first, self.system.rules[number]
        said = []
        for wrong in self._evaluate[number](
            rule, self.system, [tuple(cuts[first[lane] : first[lane + 1]]) for lane in rule.lanes]
        ):
            lanes = [rule.lanes[place.lane] for place in wrong.places]
            where = [first[lane] + place.cut for lane, place in zip(lanes, wrong.places, strict=True)]
            said.append((self._say(rule, set(lanes or rule.lanes), wrong.message), where))
        return said

    def _say(self, rule: Rule, lanes: set[int], message: str) -> str:
        """The same as `say` of the finding that this makes, without making one."""
        advice = "advice: " if rule.level == "should" else ""
        where = ""
        if len(lanes) == 1:
            lane = self.system.lanes[next(iter(lanes))]
            where = " ".join([name for name in (lane.side, lane.track.name) if name and name not in message])
        return f"{advice}{where + ': ' if where else ''}{message} [{rule.identifier}]"


@lru_cache(maxsize=8)
def blame_of(system: System) -> Blame:
    """The blame of a system, kept for the next list of codes."""
    return Blame(system)


def _alone(system: System, rule: Rule) -> Legality | None:
    """The walk of one rule by itself, over the cuts of its own lanes."""
    whole = compile_legality(attrs.evolve(system, rules=(attrs.evolve(rule, level="must"),)))
    if whole is None:
        return None
    first = np.cumsum([0, *(lane.track.cuts for lane in system.lanes)])
    own = {cut for lane in rule.lanes for cut in range(first[lane], first[lane + 1])}
    walks: tuple[Walk, ...] = tuple(walk for walk in whole.walks if own & set(walk.cuts))
    return Legality(walks)
