"""`conditional`: when one cut has certain depths, another may have only some."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, name
from bitting.rules.binding import Bound, lanes_named, like_with_like, look_up
from bitting.rules.sentence import CutAt, Names

NOTHING = "nothing"  # no depth is being remembered


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """Two cuts of one track, of two tracks of one side, or of two sides' same track.

    A cut without a track is on every track in scope.
    """

    def lanes(cut: CutAt) -> list[int]:
        return [i for i in lanes_named(system, Names((cut.track,))) if i in scope] if cut.track else list(scope)

    one, other = slots["one"], slots["other"]
    if one.track and other.track:
        like_with_like(system, Names((one.track,)), Names((other.track,)))
    for i in lanes(one):
        for j in lanes(other):
            a, b = system.lanes[i], system.lanes[j]
            related = one.track and other.track and (a.side == b.side or a.track.name == b.track.name)
            if i != j and not related:
                continue
            arguments = {
                "one": look_up(one, system, a),
                "when": look_up(slots["when"], system, a),
                "other": look_up(other, system, b),
                "then": look_up(slots["then"], system, b),
                "barred": slots["barred"],
            }
            yield ((i,) if i == j else (i, j)), arguments


def _broken(rule: Rule, depth: int, other: int) -> bool:
    return depth in rule.arguments["when"] and (other in rule.arguments["then"]) == rule.arguments["barred"]


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    one, other = rule.arguments["one"], rule.arguments["other"]
    second = len(rule.lanes) - 1
    if one >= len(cuts[0]) or other >= len(cuts[second]):
        return
    a, b = cuts[0][one], cuts[second][other]
    if a is None or b is None or not _broken(rule, a, b):
        return
    first_labels, other_labels = labels(rule, system), labels(rule, system, second)
    where = (f"{name(rule, system)} cut", f"{name(rule, system, 1)} cut") if second else ("cut", "cut")
    listed = " ".join(other_labels[d] for d in rule.arguments["then"])
    allowed = f"may not be {listed}" if rule.arguments["barred"] else f"must be one of {listed}"
    said = f"{where[0]} {one + 1} is {first_labels[a]}, so {where[1]} {other + 1} {allowed}; it is {other_labels[b]}"
    yield Violation((Place(0, one), Place(second, other)), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    """Remembers the depth that comes first until the other is there: as whether it matters, or as which it allows."""
    second = len(rule.lanes) - 1
    first_place, other_place = (0, rule.arguments["one"]), (second, rule.arguments["other"])
    sizes = len(labels(rule, system)), len(labels(rule, system, second))

    def step(kept: Any, lane: int, cut: int, depth: int) -> Any:
        here = (lane, cut)
        if first_place == other_place == here:
            return None if _broken(rule, depth, depth) else NOTHING
        if here == first_place:
            if kept is not NOTHING:
                return None if depth in kept else NOTHING
            return frozenset(o for o in range(sizes[1]) if _broken(rule, depth, o))
        if here == other_place:
            if kept is not NOTHING:
                return None if depth in kept else NOTHING
            return frozenset(d for d in range(sizes[0]) if _broken(rule, d, depth))
        return kept

    return Automaton(NOTHING, step)


KIND = Kind(
    "conditional",
    (
        Form(
            "when {one:cut} is [one] [of] {when:depths} , {other:cut} is (one of|any of) {then:depths}",
            {"barred": False},
        ),
        Form("when {one:cut} is [one] [of] {when:depths} , {other:cut} is {then:depths}", {"barred": False}),
        Form(
            "when {one:cut} is [one] [of] {when:depths} , {other:cut} is (not|never) [one] [of] {then:depths}",
            {"barred": True},
        ),
    ),
    _bind,
    _evaluate,
    _automaton,
    "What one cut allows can depend on another, on the same track or across: `when left cut 1 is 5, right cut 1 is one of 1 2`.",
    ("when cut 1 is 1, cut 3 is one of 1 2", "1 4 2", "1 4 3"),
)
