"""`distant-difference`: how far cuts that stand some places apart may differ."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, length, places
from bitting.rules.binding import each_lane


def _broken(rule: Rule, a: int, b: int) -> str:
    gap, m = abs(a - b), rule.arguments["m"]
    if rule.arguments["how"] == "most":
        return f"they differ by {gap}, at most {m} allowed" if gap > m else ""
    return f"they differ by {gap}, at least {m} needed" if gap < m else ""


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, n, names = cuts[0], rule.arguments["n"], labels(rule, system)
    for i, (a, b) in enumerate(zip(row, row[n:], strict=False)):
        if a is not None and b is not None and (wrong := _broken(rule, a, b)):
            yield Violation(places((i, i + n)), f"cut {i + 1} is {names[a]} and cut {i + n + 1} is {names[b]}: {wrong}")


def _automaton(rule: Rule, system: System) -> Automaton:
    """Remembers the depths that a later cut will be compared with, the oldest first."""
    n, cuts = rule.arguments["n"], length(rule, system)

    def step(kept: tuple[int, ...], lane: int, cut: int, depth: int) -> tuple[int, ...] | None:
        del lane
        if cut >= n:
            if _broken(rule, kept[0] if n else depth, depth):
                return None
            kept = kept[1:]
        return (*kept, depth) if n and cut + n < cuts else kept

    return Automaton((), step)


def _limits_nothing(rule: Rule, system: System) -> bool:
    m = rule.arguments["m"]
    return bool(m >= len(labels(rule, system)) - 1 if rule.arguments["how"] == "most" else m == 0)


KIND = Kind(
    "distant-difference",
    (
        Form("cuts {n:count} apart differ by <at most> {m:count}", {"how": "most"}),
        Form("cuts {n:count} apart differ by <at least> {m:count}", {"how": "least"}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "A wide cutter or a long tumbler reaches past its neighbour: then cuts two or more places apart bind each other too.",
    ("cuts 2 apart differ by at most 1", "1 4 2 4", "1 4 3 4"),
    idle=lambda rule, system: rule.arguments["n"] >= length(rule, system) or _limits_nothing(rule, system),
)
