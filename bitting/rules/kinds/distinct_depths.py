"""`distinct-depths`: how many different depths a code uses."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, length, limits_nothing, places
from bitting.rules.binding import each_lane
from bitting.text import plural

FREE = -1  # whatever follows, the rule is satisfied


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    n, row = rule.arguments["n"], cuts[0]
    used = {depth for depth in row if depth is not None}
    if rule.arguments["how"] == "most":
        if len(used) > n:
            yield Violation(
                places(range(len(row))), f"{plural(len(used), 'different depth')} used, at most {n} allowed"
            )
    elif len(row) == length(rule, system) and None not in row and len(used) < n:
        yield Violation(
            places(range(len(row))), f"only {plural(len(used), 'different depth')} used, at least {n} needed"
        )


def _automaton(rule: Rule, system: System) -> Automaton:
    n, cuts, most = rule.arguments["n"], length(rule, system), rule.arguments["how"] == "most"

    def step(used: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        if used == FREE:
            return FREE
        used |= 1 << depth
        number, left = used.bit_count(), cuts - 1 - cut
        if most:
            return None if number > n else FREE if number + left <= n else used
        return FREE if number >= n else None if number + left < n else used

    return Automaton(0, step)


KIND = Kind(
    "distinct-depths",
    (
        Form("<at least> {n:count} (different depths|depths|different cuts) [are used]", {"how": "least"}),
        Form("<at most> {n:count} (different depths|depths|different cuts) [are used]", {"how": "most"}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "A code of only one or two depths is hardly a code: other keys, or a worn one, turn the lock too.",
    ("at least 3 different depths", "1 2 3", "1 2 1"),
    idle=lambda rule, system: limits_nothing(rule, 1, min(length(rule, system), len(labels(rule, system)))),
)
