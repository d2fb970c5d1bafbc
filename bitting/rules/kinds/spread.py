"""`spread`: how far the deepest and the shallowest cut lie apart."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, length, limits_nothing, places
from bitting.rules.binding import each_lane

FREE = (-1, -1)  # whatever follows, the rule is satisfied


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    n, row, names = rule.arguments["n"], cuts[0], labels(rule, system)
    known = [depth for depth in row if depth is not None]
    if not known:
        return
    low, high = min(known), max(known)
    at = places(i for i, depth in enumerate(row) if depth in (low, high))
    said = f"the deepest cut is {names[high]} and the shallowest {names[low]}: they differ by {high - low}"
    if rule.arguments["how"] == "most":
        if high - low > n:
            yield Violation(at, f"{said}, at most {n} allowed")
    elif high - low < n and len(known) == length(rule, system) == len(row):
        yield Violation(at, f"{said}, at least {n} needed")


def _automaton(rule: Rule, system: System) -> Automaton:
    n, cuts, top = rule.arguments["n"], length(rule, system), len(labels(rule, system)) - 1
    most = rule.arguments["how"] == "most"

    def step(state: tuple[int, int], lane: int, cut: int, depth: int) -> tuple[int, int] | None:
        del lane
        if state == FREE:
            return FREE
        low, high = (min(state[0], depth), max(state[1], depth)) if cut else (depth, depth)
        if most:
            return None if high - low > n else FREE if top <= n else (low, high)
        return FREE if high - low >= n else None if cut == cuts - 1 else (low, high)

    return Automaton((0, 0), step)


_WHAT = "(the|) deepest [cut] and (the|) shallowest (cut|) differ by"
KIND = Kind(
    "spread",
    (
        Form(f"{_WHAT} <at least> {{n:count}}", {"how": "least"}),
        Form(f"{_WHAT} <at most> {{n:count}}", {"how": "most"}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "A nearly flat key says little and is easily met by another worn key; a very uneven one is weak and hard to pull out.",
    ("the deepest and the shallowest cut differ by at least 2", "1 3 2", "1 2 1"),
    idle=lambda rule, system: limits_nothing(rule, 0, len(labels(rule, system)) - 1),
)
