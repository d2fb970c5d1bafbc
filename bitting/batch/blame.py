"""Which rules wrong codes break, for many codes at once.

Judging one code means asking every rule. For many, each rule's own diagram is walked first (a rule alone makes a small
diagram), and only rules that are broken are asked for their message. The findings are those of `bitting.check`, in the
same order; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from operator import itemgetter
from typing import Any

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
"""So many sayings of rules about cuts are kept."""


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
    _evaluate: list[Evaluate] = field(init=False)
    _first: list[int] = field(init=False)
    _said: dict[tuple[Any, ...], list[tuple[str, list[int]]]] = field(init=False, factory=dict)

    def __attrs_post_init__(self) -> None:
        self._walks = [_alone(self.system, rule) for rule in self.system.rules]
        self._evaluate = [catalogue()[rule.identifier].evaluate for rule in self.system.rules]
        self._first = [0, *accumulate(lane.track.cuts for lane in self.system.lanes)]

    def broken_by(self, depths: NDArray[np.uint8]) -> list[list[int]]:
        """The rules that each code may break; `depths` is (cuts, codes). A rule of a lane with an unknown depth may be."""
        flags = np.ones((len(self._walks), depths.shape[1]), bool)
        for walk, row in zip(self._walks, flags, strict=True):
            if walk is not None:
                row[:] = ~walk.legal(depths)
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
        out = [(False, finding.span or (-1, -1), finding.rule, say(finding)) for finding in unknown]
        for number in broken:
            rule = self.system.rules[number]
            for text, places in self._sayings(number, rule, cuts):
                span = (-1, -1)
                if places:
                    span = (min([starts[p] for p in places]), max([starts[p] + widths[p] for p in places]))
                out.append((rule.level != "must", span, rule.identifier, text))
        if len(out) == 1:
            return (out[0][2],), out[0][3]
        out.sort(key=itemgetter(0, 1))
        return tuple(dict.fromkeys([one[2] for one in out])), "; ".join([one[3] for one in out])

    def _sayings(self, number: int, rule: Rule, cuts: Sequence[int | None]) -> list[tuple[str, list[int]]]:
        """What one rule says of the cuts of its lanes, and of which cuts; remembered."""
        first = self._first
        lanes = [tuple(cuts[first[lane] : first[lane + 1]]) for lane in rule.lanes]
        key = (number, *lanes)
        said = self._said.get(key)
        if said is None:
            said = []
            for wrong in self._evaluate[number](rule, self.system, lanes):
                whose = {rule.lanes[place.lane] for place in wrong.places} or set(rule.lanes)
                text = self._say(rule, whose, wrong.message)
                said.append((text, [first[rule.lanes[place.lane]] + place.cut for place in wrong.places]))
            if len(self._said) >= REMEMBERED:
                self._said.clear()
            self._said[key] = said
        return said

    def _say(self, rule: Rule, lanes: set[int], message: str) -> str:
        """The same as `say` of the finding that this makes, without making one."""
        advice = "advice: " if rule.level == "should" else ""
        where = ""
        if len(lanes) == 1:
            lane = self.system.lanes[next(iter(lanes))]
            where = " ".join([name for name in (lane.side, lane.track.name) if name and name not in message])
        return f"{advice}{where + ': ' if where else ''}{message} [{rule.identifier}]"


def _alone(system: System, rule: Rule) -> Legality | None:
    """The walk of one rule by itself, over the cuts of its own lanes."""
    whole = compile_legality(attrs.evolve(system, rules=(attrs.evolve(rule, level="must"),)))
    if whole is None:
        return None
    first = np.cumsum([0, *(lane.track.cuts for lane in system.lanes)])
    own = {cut for lane in rule.lanes for cut in range(first[lane], first[lane + 1])}
    walks: tuple[Walk, ...] = tuple(walk for walk in whole.walks if own & set(walk.cuts))
    return Legality(walks)
