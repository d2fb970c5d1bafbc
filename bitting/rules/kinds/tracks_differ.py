"""`tracks-differ`: two tracks, or two sides, that may not carry the same cuts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, length, name
from bitting.rules.binding import Bound, pairs

DIFFERENT = "different"


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """One rule for two tracks of a side; one for two whole sides, whose lanes are listed first side first."""
    found = pairs(system, scope, slots["a"], slots["b"])
    sides = {(system.lanes[i].side, system.lanes[j].side) for i, j in found}
    if all(a != b for a, b in sides):
        return [(tuple(i for i, _ in found) + tuple(j for _, j in found), {})]
    return [((i, j), {}) for i, j in found]


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    half = len(rule.lanes) // 2
    for lane in range(half):
        a, b = cuts[lane], cuts[lane + half]
        whole = len(a) == length(rule, system, lane) and len(b) == length(rule, system, lane + half)
        if not whole or list(a) != list(b) or None in a:
            return
    everywhere = tuple(Place(lane, cut) for lane in range(len(rule.lanes)) for cut in range(len(cuts[lane])))
    yield Violation(everywhere, f"{name(rule, system)} and {name(rule, system, half)} carry the same cuts")


def _automaton(rule: Rule, system: System) -> Automaton:
    """Remembers the first half's depths of the cut at hand until the other half has answered, then only `different`."""
    half = len(rule.lanes) // 2
    same_length = all(length(rule, system, i) == length(rule, system, i + half) for i in range(half))
    cuts = [length(rule, system, lane) for lane in range(len(rule.lanes))]
    last = max((c - 1, lane) for lane, c in enumerate(cuts))

    def step(kept: Any, lane: int, cut: int, depth: int) -> Any:
        if kept == DIFFERENT or not same_length:
            return DIFFERENT
        if lane < half:
            return (*kept, depth)
        if kept[0] != depth:
            return DIFFERENT
        return None if (cut, lane) == last else kept[1:]

    return Automaton((), step)


KIND = Kind(
    "tracks-differ",
    (Form("{a:track} and {b:track} are (not the same|never the same|different)"),),
    _bind,
    _evaluate,
    _automaton,
    "Two tracks that carry the same cuts make the key fit turned over, and the code is only half as long as it looks.",
    ("left and right are not the same", "left: 1 2 3 / right: 1 2 2", "left: 1 2 3 / right: 1 2 3"),
)
