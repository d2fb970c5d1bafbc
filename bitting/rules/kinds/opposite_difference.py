"""`opposite-difference`: how far opposite cuts differ."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, limits_nothing, name, of_opposites
from bitting.rules.binding import opposite_lanes


def _broken(rule: Rule, a: int, b: int) -> str:
    n, gap = rule.arguments["n"], abs(a - b)
    if rule.arguments["how"] == "most":
        return f"they differ by {gap}, at most {n} allowed" if gap > n else ""
    return f"they differ by {gap}, at least {n} needed" if gap < n else ""


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    left, right = labels(rule, system), labels(rule, system, 1)
    for i, (a, b) in enumerate(zip(cuts[0], cuts[1], strict=False)):
        if a is not None and b is not None and (wrong := _broken(rule, a, b)):
            said = (
                f"at cut {i + 1} {name(rule, system)} is {left[a]} and {name(rule, system, 1)} is {right[b]}: {wrong}"
            )
            yield Violation((Place(0, i), Place(1, i)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    return of_opposites(rule, system, lambda a, b: _broken(rule, a, b))


KIND = Kind(
    "opposite-difference",
    (
        Form("{a:track} and {b:track} differ by <at least> {n:count} at (every|each) cut", {"how": "least"}),
        Form("{a:track} and {b:track} differ by <at most> {n:count} at (every|each) cut", {"how": "most"}),
    ),
    opposite_lanes,
    _evaluate,
    _automaton,
    "Opposite cuts that are alike let the key be turned over, or hold the web so that it bends; this keeps them apart, or near.",
    ("left and right differ by at least 1 at every cut", "left: 1 2 3 / right: 2 1 1", "left: 1 2 3 / right: 1 1 1"),
    idle=lambda rule, system: limits_nothing(rule, 0, max(len(labels(rule, system, i)) for i in (0, 1)) - 1),
)
