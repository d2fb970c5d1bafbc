"""Counting again and again under this choice of rules and that: whoever compares rules counts most diagrams twice."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import field, frozen

from bitting.diagram.build import STEPS, WHOLE, Allowed, Purse
from bitting.diagram.space import CodeSpace, coupled, diagram_of
from bitting.errors import TooLargeError
from bitting.model import Place, Rule, System
from bitting.rules import idle

LEAST = 200
"""A count may always cost one part in so many of what a single diagram may: some hundredths of a second."""

_Key = tuple[tuple[int, ...], frozenset[tuple[str, tuple[int, ...]]], frozenset[tuple[Place, tuple[int, ...]]]]


@frozen
class Counter:
    """How many codes some rules leave, each set of lanes that rules tie together counted once.

    With a purse, each count may cost half of what is left in it, and where little is left a `LEAST` part of a whole
    diagram's limits: so a few that cost much don't keep the cheap ones from being made.
    """

    system: System = field(repr=False)
    purse: Purse | None = field(default=None, repr=False)
    known: dict[_Key, int | None] = field(factory=dict, repr=False)

    def knows(self, space: CodeSpace) -> None:
        """Take the counts of a space that is built already, under the system's own rules."""
        rules = self._binding([rule for rule in self.system.rules if rule.level == "must"])
        for diagram in space.diagrams:
            self.known[_key(diagram.lanes, rules, {})] = diagram.count

    def count(self, rules: Sequence[Rule], allowed: Allowed | None = None) -> int:
        """The exact number of codes. Raises `TooLargeError` where they can't be held at once, or the purse is empty."""
        rules, total = self._binding(rules), 1
        for lanes in coupled(len(self.system.lanes), rules):
            total *= self.of(lanes, rules, allowed)
        return total

    def _binding(self, rules: Sequence[Rule]) -> list[Rule]:
        return [rule for rule in rules if not idle(rule, self.system)]

    def of(self, lanes: tuple[int, ...], rules: Sequence[Rule], allowed: Allowed | None = None) -> int:
        """The number of codes of some lanes, under those of the rules that speak of them alone."""
        allowed = allowed or {}
        key = _key(lanes, rules, allowed)
        if key not in self.known:
            self.known[key] = self._counted(lanes, rules, allowed)
        found = self.known[key]
        if found is None:
            raise TooLargeError(f"the codes of {self.system.name} are too many-sided to hold at once", rule="")
        return found

    def _counted(self, lanes: tuple[int, ...], rules: Sequence[Rule], allowed: Allowed) -> int | None:
        left = self.purse or Purse(2 * STEPS, 2 * WHOLE)
        steps, cells = max(left.steps // 2, STEPS // LEAST), max(left.cells // 2, WHOLE // LEAST)
        share = Purse(steps, cells)
        try:
            return diagram_of(self.system, lanes, rules, allowed, purse=share).count
        except TooLargeError:
            return None
        finally:
            left.steps -= steps - share.steps
            left.cells -= cells - share.cells


def _key(lanes: tuple[int, ...], rules: Sequence[Rule], allowed: Allowed) -> _Key:
    """What the count of some lanes depends on: the rules that speak of them alone, and what may stand there."""
    own = frozenset((rule.sentence, rule.lanes) for rule in rules if set(rule.lanes) <= set(lanes))
    return lanes, own, frozenset((p, tuple(sorted(depths))) for p, depths in allowed.items() if p.lane in lanes)
