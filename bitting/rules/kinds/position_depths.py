"""`position-depths`: which depths a certain cut may have."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, places
from bitting.rules.binding import each_lane


def _allowed(rule: Rule, depth: int) -> bool:
    return (depth in rule.arguments["depths"]) is not bool(rule.arguments["barred"])


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    names, at = labels(rule, system), rule.arguments["cut"]
    if at < len(cuts[0]) and (depth := cuts[0][at]) is not None and not _allowed(rule, depth):
        listed = " ".join(names[d] for d in rule.arguments["depths"])
        wanted = f"not allowed there: {listed}" if rule.arguments["barred"] else f"allowed there: {listed}"
        yield Violation(places((at,)), f"cut {at + 1} is {names[depth]}; {wanted}")


def _automaton(rule: Rule, system: System) -> Automaton:
    del system
    at = rule.arguments["cut"]

    def step(state: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        return None if cut == at and not _allowed(rule, depth) else state

    return Automaton(0, step)


KIND = Kind(
    "position-depths",
    (
        Form("{cut:cut} is (one of|any of|in) {depths:depths}", {"barred": False}),
        Form("{cut:cut} is (|a) {depths:depths}", {"barred": False}),
        Form("{cut:cut} is not (|a) [one] [of] {depths:depths}", {"barred": True}),
        Form("{cut:cut} is never (|a) {depths:depths}", {"barred": True}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "Some places take only some depths: next to the bow a deep cut weakens the blade, at the tip a shallow one won't let the "
    "key enter. Cuts are counted from the bow, or with `cut N from the tip` from the tip.",
    ("first cut is one of 1 2", "2 3 1", "3 3 1"),
)
