"""`forbidden-sequence`: depths that may not stand in a row, in that order."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, places
from bitting.rules.binding import each_lane


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, names, wanted = tuple(cuts[0]), labels(rule, system), rule.arguments["depths"]
    for i in range(len(row) - len(wanted) + 1):
        if row[i : i + len(wanted)] == wanted:
            said = f"cuts {i + 1} to {i + len(wanted)} are {' '.join(names[d] for d in wanted)}, which may not stand in a row"
            yield Violation(places(range(i, i + len(wanted))), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    """How much of the sequence the last cuts match; after a miss, the longest start that they still match."""
    del system
    wanted = rule.arguments["depths"]

    def step(matched: int, lane: int, cut: int, depth: int) -> int | None:
        del lane, cut
        seen = (*wanted[:matched], depth)
        length = next(n for n in range(len(seen), -1, -1) if seen[len(seen) - n :] == wanted[:n])
        return None if length == len(wanted) else length

    return Automaton(0, step)


KIND = Kind(
    "forbidden-sequence",
    (Form("{depths:depths} never stand in a row"),),
    each_lane,
    _evaluate,
    _automaton,
    "A sequence that other keys of the family share, or that a maker reserves.",
    ("1 2 3 never stand in a row", "1 2 2 3", "4 1 2 3"),
)
