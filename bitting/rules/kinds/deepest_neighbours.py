"""`deepest-neighbours`: the two cuts beside a deepest cut of the code differ."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, is_whole, labels, length, places
from bitting.rules.binding import each_lane


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    if not is_whole(rule, system, cuts):
        return  # an open cut may be the deepest
    names, row = labels(rule, system), [depth for depth in cuts[0] if depth is not None]
    for i in range(1, len(row) - 1):
        if row[i] == max(row) and row[i - 1] == row[i + 1]:
            said = f"the cuts beside the deepest cut, {i + 1}, are both {names[row[i - 1]]}"
            yield Violation(places((i - 1, i, i + 1)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    cuts = length(rule, system)

    def step(state: tuple[int, int, int, bool], lane: int, cut: int, depth: int) -> tuple[int, int, int, bool] | None:
        del lane
        before, last, deepest, bad = state  # bad: cuts beside a cut as deep as `deepest` are equal
        if depth > deepest:
            bad = False
        deepest = max(deepest, depth)
        bad = bad or (last == deepest and before == depth)
        return None if bad and cut == cuts - 1 else (last, depth, deepest, bad)

    return Automaton((-1, -1, -1, False), step)


KIND = Kind(
    "deepest-neighbours",
    (Form("(the|) cuts beside the deepest cut differ"),),
    each_lane,
    _evaluate,
    _automaton,
    "A deepest cut between two equal ones can be read from the tip as well as from the bow, and is easily miscounted.",
    ("the cuts beside the deepest cut differ", "1 3 2", "1 3 1"),
    idle=lambda rule, system: length(rule, system) < 3,
)
