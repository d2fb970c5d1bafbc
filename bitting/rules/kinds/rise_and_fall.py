"""`rise-and-fall`: how the cuts get deeper and shallower on the way from bow to tip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bitting.model import Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, Violation, labels, length, limits_nothing, places
from bitting.rules.binding import each_lane
from bitting.text import plural

# What is counted: steps that go one way ("deeper", "shallower"), the longest row of such steps ("deeper run", …), or
# turns, where the way changes; a step to an equal depth neither counts nor turns, but it ends a row.


def _steps(row: Sequence[int | None]) -> list[int]:
    """The sign of every step, 0 where it is level or unknown."""
    pairs = zip(row, row[1:], strict=False)
    return [0 if a is None or b is None else (b > a) - (b < a) for a, b in pairs]


def _sign(rule: Rule) -> int:
    return 1 if rule.arguments["of"] == "deeper" else -1


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    row, n, of, how = cuts[0], rule.arguments["n"], rule.arguments["of"], rule.arguments["how"]
    steps, names = _steps(row), labels(rule, system)
    whole = len(row) == length(rule, system) and None not in row
    if how == "run":
        start = 0
        for i in range(len(steps) + 1):
            if i == len(steps) or steps[i] != _sign(rule):
                if i - start > n:
                    said = f"cuts {start + 2} to {i + 1} get {of} one after another: {i - start} in a row, at most {n} allowed"
                    yield Violation(places(range(start, i + 1)), said)
                start = i + 1
        return
    if of == "turn":
        ways = [(i, s) for i, s in enumerate(steps) if s]
        hits = [j for (_, s), (j, t) in zip(ways, ways[1:], strict=False) if s != t]
        said = f"the cuts change direction {plural(len(hits), 'time')}"
    else:
        hits = [i for i, s in enumerate(steps) if s == _sign(rule)]
        said = f"the cuts get {of} {plural(len(hits), 'time')}"
    if how == "most" and len(hits) > n:
        if n == 0 and of != "turn":
            for i in hits:
                yield Violation(
                    places((i, i + 1)),
                    f"cut {i + 2} ({names[row[i + 1] or 0]}) is {of} than cut {i + 1} ({names[row[i] or 0]})",
                )
        else:
            yield Violation(places(sorted({j for i in hits for j in (i, i + 1)})), f"{said}, at most {n} allowed")
    elif how == "least" and whole and len(hits) < n:
        yield Violation(places(range(len(row))), f"{said}, at least {n} needed")


def _automaton(rule: Rule, system: System) -> Automaton:
    """State: (last depth, last way that was not level, count so far); what can't matter any more is dropped."""
    n, of, how, cuts = rule.arguments["n"], rule.arguments["of"], rule.arguments["how"], length(rule, system)
    free = (-1, 0, 0)

    def step(state: tuple[int, int, int], lane: int, cut: int, depth: int) -> tuple[int, int, int] | None:
        del lane
        if state == free:
            return free
        last, way, number = state
        sign = (depth > last) - (depth < last) if cut else 0
        if how == "run":
            number = number + 1 if sign == _sign(rule) else 0
            return None if number > n else (depth, 0, number)
        if of == "turn":
            number += sign != 0 and way != 0 and sign != way
            way = sign or way
        else:
            number += sign == _sign(rule)
        left = cuts - 1 - cut
        if how == "most":
            return None if number > n else free if number + left <= n else (depth, way, number)
        return free if number >= n else None if number + left < n else (depth, way, number)

    return Automaton((0, 0, 0), step)


_LIMITS = (("<at most>", "most"), ("<at least>", "least"))

KIND = Kind(
    "rise-and-fall",
    (
        Form("cuts never get shallower", {"of": "shallower", "how": "most", "n": 0}),
        Form("cuts never get deeper", {"of": "deeper", "how": "most", "n": 0}),
        *(
            Form(f"cuts get {of} {limit} {{n:times}}", {"of": of, "how": how})
            for of in ("deeper", "shallower")
            for limit, how in _LIMITS
        ),
        *(
            Form(f"<no more than> {{n:count}} cuts in a row get {of}", {"of": of, "how": "run"})
            for of in ("deeper", "shallower")
        ),
        *(
            Form(f"cuts change direction {limit} {{n:times}}", {"of": "turn", "how": how})
            for limit, how in reversed(_LIMITS)
        ),
    ),
    each_lane,
    _evaluate,
    _automaton,
    "A key whose cuts only ever go one way slides out by itself or lets a tumbler hang; one that goes up and down holds. "
    "Cuts `get deeper` where a cut is deeper than the one before it, seen from the bow.",
    ("cuts get deeper at most 1 time", "3 1 2", "1 2 3"),
    idle=lambda rule, system: limits_nothing(rule, 0, length(rule, system) - 1),
)
