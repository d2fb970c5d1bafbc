"""`sum`: what the depths of a track, or of the whole key, add up to (by their numeric labels)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Rule, System
from bitting.rules.base import (
    Automaton,
    Cuts,
    Form,
    Kind,
    SentenceError,
    Violation,
    all_places,
    is_whole,
    still_to_come,
)
from bitting.rules.binding import WHOLE_KEY, Bound, each_lane, need_numbers, whole_key


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    need_numbers(system, scope)
    if slots["how"] == "between" and slots["low"] > slots["high"]:
        raise SentenceError(
            f"no sum is between {slots['low']} and {slots['high']}", hint="name the smaller number first"
        )
    whole = slots.pop("whole", False)
    return [(whole_key(system, scope), slots)] if whole else each_lane(system, scope, slots)


def _numbers(rule: Rule, system: System) -> list[tuple[int, ...]]:
    return [system.lanes[lane].track.numbers or () for lane in rule.lanes]


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    how = rule.arguments["how"]
    if not is_whole(rule, system, cuts):
        return
    rows = zip(_numbers(rule, system), cuts, strict=True)
    total = sum(numbers[d] for numbers, row in rows for d in row if d is not None)
    if how == "between":
        low, high = rule.arguments["low"], rule.arguments["high"]
        if not low <= total <= high:
            yield Violation(
                all_places(cuts), f"the cuts add up to {total}, and the sum must be between {low} and {high}"
            )
    elif total % 2 != (how == "odd"):
        yield Violation(all_places(cuts), f"the cuts add up to {total}, which is not {how}")


def _automaton(rule: Rule, system: System) -> Automaton:
    numbers, how = _numbers(rule, system), rule.arguments["how"]
    left = still_to_come(rule, system, [1] * len(numbers))
    if how != "between":

        def parity(state: int, lane: int, cut: int, depth: int) -> int | None:
            state = (state + numbers[lane][depth]) % 2
            return None if not left[lane, cut] and state != (how == "odd") else state

        return Automaton(0, parity)
    least = still_to_come(rule, system, [min(row) for row in numbers])
    most = still_to_come(rule, system, [max(row) for row in numbers])
    low, high = rule.arguments["low"], rule.arguments["high"]

    def step(total: int | str, lane: int, cut: int, depth: int) -> int | str | None:
        if isinstance(total, str):
            return total
        total += numbers[lane][depth]
        small, large = total + least[lane, cut], total + most[lane, cut]
        if large < low or small > high:
            return None
        return "kept" if small >= low and large <= high else total

    return Automaton(0, step)


_SUM = "(the|) (sum of|sum of the|sum of all|sum of all the|total of|total of the|total of all|total of all the) cuts"
_SENTENCES = tuple(
    (f"{said} (is|) {what}", how)
    for what, how in (("even", "even"), ("odd", "odd"), ("between {low:count} and {high:count}", "between"))
    for said in (_SUM, "(the|) (sum|total)")
)

KIND = Kind(
    "sum",
    (
        *(Form(words, {"how": how}) for words, how in _SENTENCES),
        *(Form(f"{WHOLE_KEY} {words}", {"how": how, "whole": True}) for words, how in _SENTENCES),
    ),
    _bind,
    _evaluate,
    _automaton,
    "A check on the code as a whole: every single slip by one depth changes the sum, so it shows when a code is read out wrong.",
    ("the sum of cuts is even", "1 2 3", "1 2 2"),
)
