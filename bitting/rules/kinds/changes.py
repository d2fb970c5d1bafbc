"""`changes`: how often the depth changes, or stays, from one cut to the next."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, length, limits_nothing, places
from bitting.rules.binding import each_lane
from bitting.text import plural

FREE = (-1, 0)  # whatever follows, the rule is satisfied


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, n, equal = cuts[0], rule.arguments["n"], rule.arguments["of"] == "equal"
    steps = [(i, a == b) for i, (a, b) in enumerate(zip(row, row[1:], strict=False)) if a is not None and b is not None]
    at = [i for i, same in steps if same == equal]
    said = f"{plural(len(at), 'pair')} of neighbours equal" if equal else f"the depth changes {plural(len(at), 'time')}"
    if rule.arguments["how"] == "most":
        if len(at) > n:
            yield Violation(places(sorted({j for i in at for j in (i, i + 1)})), f"{said}, at most {n} allowed")
    elif len(at) < n and len(steps) == length(rule, system) - 1 == len(row) - 1:
        yield Violation(places(range(len(row))), f"{said}, at least {n} needed")


def _automaton(rule: Rule, system: System) -> Automaton:
    n, cuts = rule.arguments["n"], length(rule, system)
    most, equal = rule.arguments["how"] == "most", rule.arguments["of"] == "equal"

    def step(state: tuple[int, int], lane: int, cut: int, depth: int) -> tuple[int, int] | None:
        del lane
        if state == FREE:
            return FREE
        last, number = state
        number += bool(cut) and (last == depth) == equal
        left = cuts - 1 - cut
        if most:
            return None if number > n else FREE if number + left <= n else (depth, number)
        return FREE if number >= n else None if number + left < n else (depth, number)

    return Automaton((0, 0), step)


KIND = Kind(
    "changes",
    (
        Form("<at most> {n:count} neighbours are equal", {"how": "most", "of": "equal"}),
        Form("<at least> {n:count} neighbours are equal", {"how": "least", "of": "equal"}),
        Form("(the|) depth changes <at least> {n:times}", {"how": "least", "of": "change"}),
        Form("(the|) depth changes <at most> {n:times}", {"how": "most", "of": "change"}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "Every change of depth is something a wrong key has to get right; equal neighbours are not.",
    ("the depth changes at least 2 times", "1 2 1", "1 2 2"),
    idle=lambda rule, system: limits_nothing(rule, 0, length(rule, system) - 1),
)
