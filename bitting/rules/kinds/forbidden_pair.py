"""`forbidden-pair`: depths that may not stand next to each other."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, of_neighbours, places
from bitting.rules.binding import each_lane


def _broken(rule: Rule, a: int, b: int) -> bool:
    first, then = rule.arguments["first"], rule.arguments["then"]
    return (a in first and b in then) or (rule.arguments["both"] and a in then and b in first)


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    names = labels(rule, system)
    for i, (a, b) in enumerate(zip(cuts[0], cuts[0][1:], strict=False)):
        if a is not None and b is not None and _broken(rule, a, b):
            said = f"cut {i + 1} is {names[a]} and cut {i + 2} is {names[b]}, which may not follow it"
            yield Violation(places((i, i + 1)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    del system
    return of_neighbours(lambda last, depth: _broken(rule, last, depth))


KIND = Kind(
    "forbidden-pair",
    (
        Form("(|a) {first:depth} is (never|not) followed by (|a) {then:depths}", {"both": False}),
        Form("(|a) {then:depth} never follows (|a) {first:depth}", {"both": False}),
        Form("no {then:depth} (after|behind) (|a) {first:depth}", {"both": False}),
        Form("{first:depth} and {then:depth} are never neighbours", {"both": True}),
        Form("(|a) {first:depth} (is|stands|) never (next to|beside) (|a) {then:depth}", {"both": True}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "Single pairs of depths that leave a wall too steep, or a point too thin, though the general rule would allow them.",
    ("1 is never followed by 3 4", "3 1 2", "1 3 2"),
    pairs=True,
)
