"""`opposite-sum`: what opposite cuts may add up to (by their numeric labels)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, name, of_opposites
from bitting.rules.binding import Bound, need_numbers, opposite_lanes


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    bound = list(opposite_lanes(system, scope, slots))
    need_numbers(system, [i for lanes, _ in bound for i in lanes])
    return bound


def _numbers(rule: Rule, system: System, lane: int) -> tuple[int, ...]:
    return system.lanes[rule.lanes[lane]].track.numbers or ()


def _broken(rule: Rule, total: int) -> str:
    n = rule.arguments["n"]
    if rule.arguments["how"] == "most":
        return f"at most {n} is allowed" if total > n else ""
    return f"at least {n} is needed" if total < n else ""


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    left, right = _numbers(rule, system, 0), _numbers(rule, system, 1)
    for i, (a, b) in enumerate(zip(cuts[0], cuts[1], strict=False)):
        if a is None or b is None:
            continue
        if wrong := _broken(rule, left[a] + right[b]):
            where = f"at cut {i + 1} {name(rule, system)} is {left[a]} and {name(rule, system, 1)} is {right[b]}"
            said = f"{where}: together {left[a] + right[b]}, and {wrong}"
            yield Violation((Place(0, i), Place(1, i)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    left, right = _numbers(rule, system, 0), _numbers(rule, system, 1)
    return of_opposites(rule, system, lambda a, b: _broken(rule, left[a] + right[b]))


KIND = Kind(
    "opposite-sum",
    (
        Form("{a:track} and {b:track} add up to <at most> {n:count} at (every|each) cut", {"how": "most"}),
        Form("{a:track} and {b:track} add up to <at least> {n:count} at (every|each) cut", {"how": "least"}),
    ),
    _bind,
    _evaluate,
    _automaton,
    "Two deep cuts opposite each other leave too little of the blade between them (or, in a groove, too little for the cutter).",
    ("left and right add up to at most 6 at every cut", "left: 3 2 1 / right: 3 4 1", "left: 3 2 1 / right: 4 4 1"),
)
