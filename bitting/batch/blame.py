"""Which rules wrong codes break, for many codes at once.

Judging one code means asking every rule. For many, each rule's own diagram is walked first (a rule alone makes a small
diagram), and only rules that are broken are asked for their message. The findings are those of `bitting.check`, in the
same order; a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.batch.legality import Legality, Walk, compile_legality
from bitting.checking import placed, reading_order
from bitting.model import Code, Finding, Rule, System
from bitting.rules import violations
from bitting.rules.builtin import all_of


@define(eq=False)
class Blame:
    """The rules of one system, each with the walk that tells whether a code breaks it (None: ask the rule itself)."""

    system: System
    _walks: list[Legality | None] = field(init=False)

    def __attrs_post_init__(self) -> None:
        self._walks = [_alone(self.system, rule) for rule in self.system.rules]

    def broken(self, depths: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """Which rules (rows) may be broken by which codes (columns); `depths` is (cuts, codes)."""
        flags = np.ones((len(self._walks), depths.shape[1]), bool)
        for walk, row in zip(self._walks, flags, strict=True):
            if walk is not None:
                row[:] = ~walk.legal(depths)
        return flags

    def findings(self, code: Code, broken: Sequence[int] | None = None) -> tuple[Finding, ...]:
        """The findings of one code, spans and all; `broken` are the rules that may be, None: any, and built-in ones too."""
        found = list(all_of(code)) if broken is None else []
        written = code.lanes
        lanes = [tuple(cut.depth for cut in lane) if lane else () for lane in written]
        rules = self.system.rules
        for number in range(len(rules)) if broken is None else broken:
            rule = rules[number]
            for wrong in violations(rule, self.system, [lanes[lane] for lane in rule.lanes]):
                found.append(placed(written, self.system, rule, wrong.places, wrong.message))
        found.sort(key=reading_order)
        return tuple(found)


def _alone(system: System, rule: Rule) -> Legality | None:
    """The walk of one rule by itself, over the cuts of its own lanes."""
    whole = compile_legality(attrs.evolve(system, rules=(attrs.evolve(rule, level="must"),)))
    if whole is None:
        return None
    first = np.cumsum([0, *(lane.track.cuts for lane in system.lanes)])
    own = {cut for lane in rule.lanes for cut in range(first[lane], first[lane + 1])}
    walks: tuple[Walk, ...] = tuple(walk for walk in whole.walks if own & set(walk.cuts))
    return Legality(walks)
