"""`deepest-neighbours`: whether the cuts on either side of the deepest cut may be equal."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, is_whole, labels, length, places
from bitting.rules.binding import each_lane


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, names = cuts[0], labels(rule, system)
    known = [depth for depth in row if depth is not None]
    if not known or not (is_whole(rule, system, cuts) or max(known) == len(names) - 1):
        return  # a cut that isn't known may be the deepest
    for at in range(1, len(row) - 1):
        beside = row[at - 1]
        if row[at] == max(known) and beside is not None and beside == row[at + 1]:
            said = f"cut {at + 1} is the deepest, {names[max(known)]}, and the cuts beside it are both {names[beside]}"
            yield Violation(places(range(at - 1, at + 2)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    cuts, deepest = length(rule, system), len(labels(rule, system)) - 1

    def step(state: tuple[int, int, int, bool], lane: int, cut: int, depth: int) -> tuple[int, int, int, bool] | None:
        del lane
        before, last, top, broken = state
        if depth > top:  # whatever stood beside a cut that isn't the deepest is forgotten
            top, broken = depth, False
        broken = broken or (last == top and before == depth)
        if broken and (top == deepest or cut == cuts - 1):
            return None
        return (last if depth == top else -1), depth, top, broken

    return Automaton((-1, -1, -1, False), step)


KIND = Kind(
    "deepest-neighbours",
    (
        Form("(the|) cuts (beside|next to) (the|) deepest cut are not equal"),
        Form("no two cuts (next to|beside) (the|) deepest cut are equal"),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "The deepest cut is the weakest place of a blade, and equal cuts beside it leave a notch that is met by many worn keys.",
    ("the cuts beside the deepest cut are not equal", "2 4 3 1", "2 4 2 1"),
    idle=lambda rule, system: length(rule, system) < 3,
)
