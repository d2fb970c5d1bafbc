"""`metal-left`: how much of the blade must stand between two walls, or between a wall and the edge.

The flat of a cut lies at its depth over the width of the seat. What stands between opposite cuts is the distance of
their flats across the blade; between a cut and its neighbour's opposite (the diagonal) it is the shortest line from the
one flat to the other. Both follow from the blade's width, the depth tables and the spaces.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import hypot
from typing import Any

from bitting.model import Lane, Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, SentenceError, Violation, labels, length, name
from bitting.rules.binding import Bound, in_unit, pairs

_ENOUGH = 1e-9  # a length that is exactly the limit passes, whatever its last binary digit


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    if system.blade.width is None:
        raise SentenceError("metal that is left can't be known without the blade", hint="add `width = …` under [blade]")
    least = in_unit(slots["least"], system)
    if "a" not in slots:
        for i in scope:
            if system.lanes[i].track.milling != "internal":
                raise SentenceError(
                    "only an internal track leaves metal at the edge, "
                    f"and {system.lanes[i].label} is {system.lanes[i].track.milling}",
                    hint="say between which tracks: at least 1.5 stands between left and right",
                )
            yield (i,), {"least": least}
        return
    names = [" ".join(w.text.casefold() for w in slots[key].words) for key in ("a", "b")]
    if not system.sided and {*names} <= {side.casefold() for side in system.sides} and len({*names}) == 2:
        found = [(i,) for i in scope]  # both edges of a convenience key carry the same cuts: a track faces itself
    else:
        found = [(i, j) for i, j in pairs(system, scope, slots["a"], slots["b"])]  # type: ignore[misc]
    for lanes in found:
        if any(system.lanes[i].track.milling == "internal" for i in lanes):
            raise SentenceError(
                f"between {names[0]} and {names[1]} of a groove there is no metal",
                hint="say how much stands outside: at least 1.2 stands at the edge",
            )
        yield lanes, {"least": least, "faces": True}


def _web(system: System, a: Lane, b: Lane) -> Callable[[int, int, int, int], float]:
    """(cut of a, its depth, cut of b, its depth) -> what stands between the two flats."""
    width = system.blade.width or 0.0
    far_a = [a.track.far_edge(d, width) for d in range(len(a.track.depths))]
    far_b = [b.track.far_edge(d, width) for d in range(len(b.track.depths))]
    seat = system.cutting.seat or 0.0

    def web(i: int, depth: int, j: int, other: int) -> float:
        between = far_a[depth] + far_b[other] - width
        along = abs(a.track.spaces[i] - b.track.spaces[j])
        if i == j and along == 0:
            return between
        return hypot(max(0.0, along - seat), max(0.0, between))

    return web


def _edge(system: System, lane: Lane) -> list[float]:
    width = system.blade.width or 0.0
    return [width - lane.track.far_edge(d, width) for d in range(len(lane.track.depths))]


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    least, unit = rule.arguments["least"], system.unit
    if "faces" not in rule.arguments:
        lane = system.lanes[rule.lanes[0]]
        metal = _edge(system, lane)
        for i, depth in enumerate(cuts[0]):
            if depth is not None and metal[depth] < least - _ENOUGH:
                stands = f"{metal[depth]:.3g} {unit} stands at the edge, {least:g} needed"
                said = f"cut {i + 1} of {lane.label} is {lane.track.labels[depth]}: {stands}"
                yield Violation((Place(0, i),), said)
        return
    second = len(rule.lanes) - 1
    web = _web(system, system.lanes[rule.lanes[0]], system.lanes[rule.lanes[second]])
    for i, a in enumerate(cuts[0][: length(rule, system)]):
        for j in range(max(0, i - 1), min(i + 2, length(rule, system, second), len(cuts[second]))):
            b = cuts[second][j]
            if a is None or b is None or (second == 0 and j < i) or web(i, a, j, b) >= least - _ENOUGH:
                continue
            one = f"{name(rule, system)} cut {i + 1} ({labels(rule, system)[a]})"
            other = f"{name(rule, system, second)} cut {j + 1} ({labels(rule, system, second)[b]})"
            said = f"between {one} and {other} {web(i, a, j, b):.3g} {unit} stands, {least:g} needed"
            yield Violation(tuple(dict.fromkeys((Place(0, i), Place(second, j)))), said)


def _automaton(rule: Rule, system: System) -> Automaton:
    """Remembers the depths of the cut before on both lanes, and this cut's on the first."""
    least = rule.arguments["least"] - _ENOUGH
    if "faces" not in rule.arguments:
        metal = _edge(system, system.lanes[rule.lanes[0]])
        return Automaton(0, lambda state, _lane, _cut, depth: None if metal[depth] < least else state)
    second = len(rule.lanes) - 1
    web = _web(system, system.lanes[rule.lanes[0]], system.lanes[rule.lanes[second]])
    ends = length(rule, system), length(rule, system, second)

    def one_lane(before: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        if web(cut, depth, cut, depth) < least or (cut and web(cut - 1, before, cut, depth) < least):
            return None
        return depth

    def step(state: tuple[int, int, int], lane: int, cut: int, depth: int) -> tuple[int, int, int] | None:
        a, b, now = state  # depths of the cut before on the first and the second lane, and of this cut on the first
        if lane == 0:
            if cut and cut - 1 < ends[1] and web(cut, depth, cut - 1, b) < least:
                return None
            return (a, b, depth)
        if cut < ends[0] and web(cut, now, cut, depth) < least:
            return None
        if cut and cut - 1 < ends[0] and web(cut - 1, a, cut, depth) < least:
            return None
        return (now, depth, 0) if cut < ends[0] else (0, depth, 0)

    return Automaton(0, one_lane) if second == 0 else Automaton((0, 0, 0), step)


KIND = Kind(
    "metal-left",
    (
        Form("<at least> {least:length} stands between {a:track} and {b:track}"),
        Form("<at least> {least:length} stands at the edge"),
    ),
    _bind,
    _evaluate,
    _automaton,
    "A key breaks where its metal is thinnest. Counted are opposite cuts and the diagonals to their neighbours; for a groove "
    "milled up the middle, what stands between its wall and the edge.",
    ("at least 5.8 stands between left and right", "left: 3 2 1 / right: 1 2 2", "left: 3 2 1 / right: 5 2 1"),
)
