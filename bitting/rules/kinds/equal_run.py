"""`equal-run`: how many equal cuts may stand in a row."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, length, places, runs
from bitting.rules.binding import each_lane


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    names, n, row = labels(rule, system), rule.arguments["n"], cuts[0]
    for start, end in runs(row, lambda a, b: a is not None and a == b):
        depth = row[start]
        if end - start > n and depth is not None:
            said = f"cuts {start + 1} to {end} are all {names[depth]}: {end - start} equal cuts in a row, at most {n} allowed"
            yield Violation(places(range(start, end)), said)
    if n == 0 and row:
        yield Violation(places((0,)), "no code has runs of length 0")


def _automaton(rule: Rule, system: System) -> Automaton:
    n = rule.arguments["n"]

    def step(state: tuple[int, int], lane: int, cut: int, depth: int) -> tuple[int, int] | None:
        del lane
        last, run = state
        run = run + 1 if cut and depth == last else 1
        return None if run > n else (depth, run)

    del system
    return Automaton((0, 0), step)


_EQUAL = "(equal cuts|equal|cuts the same|the same|of the same|cuts alike|alike)"

KIND = Kind(
    "equal-run",
    (
        Form(f"<no more than> {{n:count}} {_EQUAL} [stand] in a row"),
        Form(f"(no|never) {{n:over}} {_EQUAL} [stand] in a row"),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "A row of equal cuts is easy to guess and to copy by eye, and leaves several tumblers at one height.",
    ("no more than 2 equal cuts in a row", "2 2 1 2", "2 2 2 1"),
    idle=lambda rule, system: bool(rule.arguments["n"] >= length(rule, system)),
)
