"""`step`: how far a cut may go deeper, or shallower, than the cut before it."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, of_neighbours, places
from bitting.rules.binding import each_lane


def _excess(rule: Rule, a: int, b: int) -> int:
    """By how much the step from a to b is too long, 0 or less if it isn't."""
    step = b - a if rule.arguments["way"] == "deeper" else a - b
    return step - int(rule.arguments["n"])


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    names, n, way = labels(rule, system), rule.arguments["n"], rule.arguments["way"]
    for i, (a, b) in enumerate(zip(cuts[0], cuts[0][1:], strict=False)):
        if a is not None and b is not None and _excess(rule, a, b) > 0:
            said = f"cut {i + 2} is {names[b]}, {abs(b - a)} {way} than cut {i + 1} ({names[a]}), and at most {n} is allowed"
            yield Violation(places((i, i + 1)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    del system
    return of_neighbours(lambda last, depth: _excess(rule, last, depth) > 0)


KIND = Kind(
    "step",
    tuple(
        Form(
            f"(a cut|each cut|every cut|cuts) is <at most> {{n:count}} {way} "
            "than the (cut before it|cut before them|cut before|one before it)",
            {"way": way},
        )
        for way in ("deeper", "shallower")
    ),
    each_lane,
    _evaluate,
    _automaton,
    "On the way from bow to tip a tumbler, or the cutter, takes one direction more easily than the other; so the step down "
    "into a cut and the step out of it can have limits of their own.",
    ("a cut is at most 1 deeper than the cut before it", "3 1 2", "1 3 2"),
    pairs=True,
    idle=lambda rule, system: bool(rule.arguments["n"] >= len(labels(rule, system)) - 1),
)
