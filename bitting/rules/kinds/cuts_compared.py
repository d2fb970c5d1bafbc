"""`cuts-compared`: one cut against another of the same track."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.errors import Span
from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, SentenceError, Violation, labels, places
from bitting.rules.binding import Bound, each_lane
from bitting.rules.sentence import CutAt

_WORDS = {"deeper": "deeper than", "shallower": "shallower than", "equal": "equal to", "unequal": "other than"}


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    here: Span = (0, 0)
    for key in ("one", "other"):  # `cuts 2 and 5` names bare numbers
        if isinstance(slots[key], int):
            slots[key] = CutAt(slots[key], False, None, here)
    for lanes, arguments in each_lane(system, scope, slots):
        if arguments["one"] == arguments["other"]:
            raise SentenceError("a cut can't be compared with itself", hint="name two different cuts")
        yield lanes, arguments


def _holds(rule: Rule, one: int, other: int) -> bool:
    how = rule.arguments["how"]
    if how == "deeper":
        return one > other
    if how == "shallower":
        return one < other
    return (one == other) is (how == "equal")


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, names, i, j = cuts[0], labels(rule, system), rule.arguments["one"], rule.arguments["other"]
    if max(i, j) >= len(row):
        return
    a, b = row[i], row[j]
    if a is not None and b is not None and not _holds(rule, a, b):
        must = _WORDS[rule.arguments["how"]]
        said = f"cut {i + 1} is {names[a]} and cut {j + 1} is {names[b]}; cut {i + 1} must be {must} cut {j + 1}"
        yield Violation(places(sorted((i, j))), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    del system
    i, j = rule.arguments["one"], rule.arguments["other"]

    def step(kept: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        if cut not in (i, j):
            return kept
        if cut == min(i, j):
            return depth
        one, other = (kept, depth) if i < j else (depth, kept)
        return 0 if _holds(rule, one, other) else None

    return Automaton(0, step)


KIND = Kind(
    "cuts-compared",
    (
        Form("{one:cut} is deeper than {other:cut}", {"how": "deeper"}),
        Form("{one:cut} is shallower than {other:cut}", {"how": "shallower"}),
        Form("cuts {one:count} and {other:count} are equal", {"how": "equal"}),
        Form("cuts {one:count} and {other:count} are (not equal|different)", {"how": "unequal"}),
        Form("{one:cut} and {other:cut} are equal", {"how": "equal"}),
        Form("{one:cut} and {other:cut} are (not equal|different)", {"how": "unequal"}),
    ),
    _bind,
    _evaluate,
    _automaton,
    "Two places that must lie in a certain order, or be alike, for the key to enter or to fit its family.",
    ("cut 1 is deeper than cut 3", "3 4 2", "2 4 2"),
)
