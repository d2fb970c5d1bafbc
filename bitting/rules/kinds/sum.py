"""`sum`: what the depths of a track add up to (by their numeric labels)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, SentenceError, Violation, length, places
from bitting.rules.binding import Bound, each_lane, need_numbers


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    need_numbers(system, scope)
    if slots["how"] == "between" and slots["low"] > slots["high"]:
        raise SentenceError(
            f"no sum is between {slots['low']} and {slots['high']}", hint="name the smaller number first"
        )
    return each_lane(system, scope, slots)


def _numbers(rule: Rule, system: System) -> tuple[int, ...]:
    return system.lanes[rule.lanes[0]].track.numbers or ()


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, numbers, how = cuts[0], _numbers(rule, system), rule.arguments["how"]
    if None in row or len(row) != length(rule, system):
        return
    total = sum(numbers[d] for d in row if d is not None)
    if how == "between":
        low, high = rule.arguments["low"], rule.arguments["high"]
        if not low <= total <= high:
            yield Violation(
                places(range(len(row))), f"the cuts add up to {total}, and the sum must be between {low} and {high}"
            )
    elif total % 2 != (how == "odd"):
        yield Violation(places(range(len(row))), f"the cuts add up to {total}, which is not {how}")


def _automaton(rule: Rule, system: System) -> Automaton:
    numbers, cuts, how = _numbers(rule, system), length(rule, system), rule.arguments["how"]
    small, large = min(numbers), max(numbers)
    if how != "between":

        def parity(state: int, lane: int, cut: int, depth: int) -> int | None:
            del lane
            state = (state + numbers[depth]) % 2
            return None if cut == cuts - 1 and state != (how == "odd") else state

        return Automaton(0, parity)
    low, high = rule.arguments["low"], rule.arguments["high"]
    free = -1

    def step(total: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        if total == free:
            return free
        total += numbers[depth]
        left = cuts - 1 - cut
        if total + left * large < low or total + left * small > high:
            return None
        return free if total + left * small >= low and total + left * large <= high else total

    return Automaton(0, step)


KIND = Kind(
    "sum",
    (
        Form("(the|) sum of [the] cuts is even", {"how": "even"}),
        Form("(the|) sum of [the] cuts is odd", {"how": "odd"}),
        Form("(the|) sum of [the] cuts is between {low:count} and {high:count}", {"how": "between"}),
    ),
    _bind,
    _evaluate,
    _automaton,
    "A check on the code as a whole: every single slip by one depth changes the sum, so it shows when a code is read out wrong.",
    ("the sum of cuts is even", "1 2 3", "1 2 2"),
)
