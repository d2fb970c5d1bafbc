"""`adjacent-difference`: how far neighbouring cuts may, or must, differ (MACS)."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, limits_nothing, of_neighbours, places
from bitting.rules.binding import each_lane


def _broken(rule: Rule, a: int, b: int) -> str:
    """What is wrong with two neighbours, "" if nothing."""
    gap, n = abs(a - b), rule.arguments.get("n", 0)
    how = rule.arguments["how"]
    if how == "most" and gap > n:
        return f"they differ by {gap}, and at most {n} is allowed"
    if how == "least" and gap < n:
        return f"they differ by {gap}, and at least {n} is needed"
    if how in ("even", "odd") and gap % 2 != (how == "odd"):
        return f"they differ by {gap}, which is not {how}"
    return ""


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    names = labels(rule, system)
    for i, (a, b) in enumerate(zip(cuts[0], cuts[0][1:], strict=False)):
        if a is not None and b is not None and (wrong := _broken(rule, a, b)):
            yield Violation(places((i, i + 1)), f"cut {i + 1} is {names[a]} and cut {i + 2} is {names[b]}: {wrong}")


def _automaton(rule: Rule, system: System) -> Automaton:
    del system
    return of_neighbours(lambda last, depth: _broken(rule, last, depth))


_NEAR = "(adjacent cuts|neighbouring cuts|neighboring cuts|neighbours|cuts next to each other)"

KIND = Kind(
    "adjacent-difference",
    (
        Form(f"{_NEAR} differ by <at most> {{n:count}}", {"how": "most"}),
        Form("(MACS is|MACS|MACS of|MACS =|MACS :|the MACS is) {n:count}", {"how": "most"}),
        Form(f"{_NEAR} never differ by more than {{n:count}}", {"how": "most"}),
        Form(f"no [two] {_NEAR} differ by more than {{n:count}}", {"how": "most"}),
        Form(f"the difference (between|of) {_NEAR} is <at most> {{n:count}}", {"how": "most"}),
        Form(f"{_NEAR} differ by <at least> {{n:count}}", {"how": "least"}),
        Form(f"{_NEAR} differ by an even amount", {"how": "even"}),
        Form(f"{_NEAR} differ by an odd amount", {"how": "odd"}),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "Neighbouring cuts that differ too much cut into each other, or leave a wall too steep for a tumbler to climb: this is "
    "the maximum adjacent cut specification (MACS). Depths compare by their place in the depth table.",
    ("adjacent cuts differ by at most 2", "1 3 2", "1 4 2"),
    pairs=True,
    idle=lambda rule, system: (
        rule.arguments["how"] in ("most", "least") and limits_nothing(rule, 0, len(labels(rule, system)) - 1)
    ),
)
