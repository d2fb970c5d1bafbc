"""`depth-uses`: how often depths are used."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, length, limits_nothing, places
from bitting.rules.binding import Bound, each_lane
from bitting.text import plural

FREE = -1  # whatever follows, the rule is satisfied


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """`A or deeper` becomes the set of those depths; a track that has too many cuts to count says so by its length."""
    reach = slots.pop("reach", "")
    for lanes, arguments in each_lane(system, scope, slots):
        depths = arguments.get("depths")
        if reach and depths is not None:
            size = len(system.lanes[lanes[0]].track.labels)
            depths = tuple(range(depths[0], size) if reach == "deeper" else range(depths[0] + 1))
        yield lanes, {**arguments, "depths": depths, "reach": reach}


def _broken(rule: Rule, number: int) -> str:
    n = rule.arguments["n"]
    if rule.arguments["how"] == "most":
        return f"at most {n} allowed" if number > n else ""
    return f"at least {n} needed" if number < n else ""


def _what(rule: Rule, names: Sequence[str]) -> str:
    depths = rule.arguments["depths"]
    if rule.arguments["reach"]:
        return f"{names[depths[0 if rule.arguments['reach'] == 'deeper' else -1]]} or {rule.arguments['reach']}"
    return " ".join(names[d] for d in depths)


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, names, depths = cuts[0], labels(rule, system), rule.arguments["depths"]
    if depths is None:
        for depth, label in enumerate(names):
            at = [i for i, d in enumerate(row) if d == depth]
            if wrong := _broken(rule, len(at)):
                yield Violation(places(at), f"depth {label} is used {plural(len(at), 'time')}, {wrong}")
        return
    at = [i for i, d in enumerate(row) if d in depths]
    wrong = _broken(rule, len(at))
    whole = len(row) == length(rule, system) and None not in row
    if wrong and (whole or rule.arguments["how"] == "most"):
        shown: Iterable[int] = at if rule.arguments["how"] == "most" else range(len(row))
        verb = "is" if len(at) == 1 else "are"
        yield Violation(places(shown), f"{plural(len(at), 'cut')} {verb} {_what(rule, names)}, {wrong}")


def _automaton(rule: Rule, system: System) -> Automaton:
    n, cuts, depths = rule.arguments["n"], length(rule, system), rule.arguments["depths"]
    if depths is None:
        return _every_depth(n, cuts, len(labels(rule, system)))
    most = rule.arguments["how"] == "most"

    def step(number: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        if number == FREE:
            return FREE
        number, left = number + (depth in depths), cuts - 1 - cut
        if most:
            return None if number > n else FREE if number + left <= n else number
        return FREE if number >= n else None if number + left < n else number

    return Automaton(0, step)


def _every_depth(n: int, cuts: int, depths: int) -> Automaton:
    """One counter per depth, packed into an integer; a counter that can't pass n any more is forgotten (set to 0)."""
    bits = (n + 1).bit_length()
    mask = (1 << bits) - 1

    def step(packed: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        left, shift = cuts - 1 - cut, depth * bits
        if (packed >> shift & mask) >= n:
            return None
        packed += 1 << shift
        if left > n:
            return packed
        kept = 0
        for other in range(depths):
            counter = packed >> other * bits & mask
            if counter + left > n:
                kept |= counter << other * bits
        return kept

    return Automaton(0, step)


KIND = Kind(
    "depth-uses",
    (
        *(
            Form(f"{limit} {{n:count}} cuts are {{depths:depth}} or {reach}", {"how": how, "reach": reach})
            for limit, how in (("<at least>", "least"), ("<at most>", "most"))
            for reach in ("deeper", "shallower")
        ),
        Form("(depth|) {depths:depth} is used <at most> {n:times}", {"how": "most"}),
        Form("(depth|) {depths:depth} is used <at least> {n:times}", {"how": "least"}),
        Form("no depth is used (more than|over) {n:times}", {"how": "most"}),
        Form("depths {depths:depths} (together|) are used [together] <at most> {n:times}", {"how": "most"}),
        Form("depths {depths:depths} (together|) are used [together] <at least> {n:times}", {"how": "least"}),
    ),
    _bind,
    _evaluate,
    _automaton,
    "A code needs some deep cuts to keep other keys out, and not too many of one depth, or it is close to its neighbours.",
    ("no depth is used more than 2 times", "1 2 1 2", "1 2 1 1"),
    idle=lambda rule, system: limits_nothing(rule, 0, length(rule, system)),
)
