"""`metal-left`: how much of the blade must stand between two walls, or between a wall and the edge.

What stands between two walls is the web of `bitting/geometry/web.py`: what the cutter leaves at the cuts and between them
where `[cutting]` states it, otherwise what stands between the seats of opposite cuts and their neighbours. Both follow from
the blade's width, the depth tables and the spaces.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from bitting.model import Lane, Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, SentenceError, Violation, labels, name
from bitting.rules.binding import Bound, in_unit, pairs

if TYPE_CHECKING:
    from bitting.geometry.web import Meeting  # where it is used, so that only a system with such a rule pays for it

_ENOUGH = 1e-9  # a length that is exactly the limit passes, whatever its last binary digit


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    if system.blade.width is None:
        raise SentenceError("metal that is left can't be known without the blade", hint="add `width = …` under [blade]")
    least = in_unit(slots["least"], system)
    if least > system.blade.width + _ENOUGH:
        raise SentenceError(
            f"{least:g} {system.unit} can't stand anywhere: the blade is {system.blade.width:g} {system.unit} wide",
            hint="say how much metal must be left, no more than the width under [blade]",
        )
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


class _Check(NamedTuple):
    """Two parts that face each other, the cuts they are made of (in the diagram's order) and what stands between them.

    `stands[a][b]` is for a part of the first wall at depth a and one of the second at depth b.
    """

    meeting: Meeting
    places: tuple[Place, ...]
    stands: tuple[tuple[float, ...], ...]

    def level(self, second: bool, depths: dict[Place, int | None], lane: int) -> int | None:
        """The depth of one of the parts: the shallowest of its cuts; None where one is open."""
        cuts = self.meeting.other if second else self.meeting.one
        found = [depths.get(Place(lane, cut)) for cut in cuts]
        return None if None in found else min(d for d in found if d is not None)

    def found(self, depths: dict[Place, int | None], second: int) -> float | None:
        """What stands here with these depths; None where a cut is open."""
        a, b = self.level(False, depths, 0), self.level(True, depths, second)
        return None if a is None or b is None else self.stands[a][b]


@lru_cache(maxsize=16)
def _checks(least: float, lanes: tuple[int, ...], system: System) -> tuple[_Check, ...]:
    """The parts of the walls of some lanes between which some depths leave too little, the deepest at least."""
    second = len(lanes) - 1
    one, other = system.lanes[lanes[0]], system.lanes[lanes[second]]
    found = []
    from bitting.geometry.web import Clearance, meetings

    clearance = Clearance(system, one, other)
    for meeting in meetings(system, one, other):
        if clearance.least(meeting.along) >= least:
            continue  # enough between the deepest
        places = {*(Place(0, cut) for cut in meeting.one), *(Place(second, cut) for cut in meeting.other)}
        found.append(_Check(meeting, tuple(sorted(places, key=_order)), clearance.table(meeting.along)))
    return tuple(found)


def _order(place: Place) -> tuple[int, int]:
    """Cuts as they come in the diagram: cut 1 of every lane, then cut 2 of every lane."""
    return place.cut, place.lane


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
    depths = {Place(lane, cut): depth for lane, row in enumerate(cuts) for cut, depth in enumerate(row)}
    checks = _checks(least - _ENOUGH, rule.lanes, system)
    found = [(left, check) for check in checks if (left := check.found(depths, second)) is not None]
    told: set[Place] = set()
    kept = []
    for left, check in sorted(found, key=lambda pair: pair[0]):  # thinnest first; what lies beside it need not be said
        if left < least - _ENOUGH and not told.issuperset(check.places):
            told.update(check.places)
            kept.append((check.places, _said(rule, system, check, depths, max(left, 0.0))))
    for places, message in sorted(kept, key=lambda pair: _order(pair[0][0])):
        yield Violation(places, message)


def _said(rule: Rule, system: System, check: _Check, depths: dict[Place, int | None], stands: float) -> str:
    second = len(rule.lanes) - 1

    def part(lane: int, cuts: tuple[int, ...]) -> str:
        shown = [f"{cut + 1} ({labels(rule, system, lane)[depths[Place(lane, cut)] or 0]})" for cut in cuts]
        return f"{name(rule, system, lane)} cut{'s' if len(cuts) > 1 else ''} {' to '.join(shown)}"

    from bitting.geometry.web import states_cutter

    where = "as the cutter leaves it" if states_cutter(system.cutting) else "at their seats (no cutter is stated)"
    least = rule.arguments["least"]
    return (
        f"between {part(0, check.meeting.one)} and {part(second, check.meeting.other)} {stands:.3g} {system.unit} stands "
        f"{where}, {least:g} needed"
    )


def _automaton(rule: Rule, system: System) -> Automaton:
    """For walls see `_walls`; at the edge every cut is judged by itself."""
    least = rule.arguments["least"] - _ENOUGH
    if "faces" not in rule.arguments:
        metal = _edge(system, system.lanes[rule.lanes[0]])
        return Automaton(0, lambda state, _lane, _cut, depth: None if metal[depth] < least else state)
    return _walls(_checks(least, rule.lanes, system), len(rule.lanes) - 1, least)


def _thick(stands: Sequence[Sequence[float]], least: float) -> list[int]:
    """How many depths of the first wall, and of the second, leave enough whatever faces them."""
    both = [min(row) for row in stands], [min(column) for column in zip(*stands, strict=True)]
    return [next((depth for depth, left in enumerate(rows) if left < least), len(rows)) for rows in both]


def _walls(checks: Sequence[_Check], second: int, least: float) -> Automaton:
    """Remembers the depths of the cuts that have still to be held to a later one, harmless ones as the shallowest.

    A depth is harmless where no part at that depth leaves too little, whatever faces it; a run is at least as shallow.
    """
    due: dict[Place, list[_Check]] = {}
    harmless: dict[Place, int] = {}
    last: dict[Place, Place] = {}  # the last place that each is held to
    thick: dict[int, list[int]] = {}  # of each table
    for check in checks:
        due.setdefault(check.places[-1], []).append(check)
        if id(check.stands) not in thick:
            thick[id(check.stands)] = _thick(check.stands, least)
        for side, cuts in enumerate((check.meeting.one, check.meeting.other)):
            first = thick[id(check.stands)][side]
            for cut in cuts:
                place = Place(side * second, cut)
                harmless[place] = min(first, harmless.get(place, first))
        for place in check.places:
            last[place] = max(check.places[-1], last.get(place, place), key=_order)
    every = sorted(harmless, key=_order)
    kept: dict[Place, tuple[Place, ...]] = {}  # after each cut: those of it and before it that are still needed
    needed: tuple[Place, ...] = ()
    for place in every:
        needed = tuple(p for p in (*needed, place) if _order(last[p]) > _order(place))
        kept[place] = needed

    def step(state: tuple[tuple[Place, int], ...], lane: int, cut: int, depth: int) -> Any:
        place = Place(lane, cut)
        if place not in harmless:
            return state
        depths: dict[Place, int | None] = dict(state)
        depths[place] = depth if depth >= harmless[place] else 0
        for check in due.get(place, ()):
            stands = check.found(depths, second)
            if stands is not None and stands < least:
                return None
        return tuple((p, depths[p]) for p in kept[place])

    return Automaton((), step)


KIND = Kind(
    "metal-left",
    (
        Form("<at least> {least:length} stands between {a:track} and {b:track}"),
        Form("<at least> {least:length} stands at the edge"),
    ),
    _bind,
    _evaluate,
    _automaton,
    "A key breaks where its metal is thinnest: between two walls that is what the cutter leaves at the cuts and between them "
    "(at the seats of opposite cuts and their neighbours, where no cutter is stated); for a groove milled up the middle, what "
    "stands between its wall and the edge.",
    ("at least 5.8 stands between left and right", "left: 3 2 1 / right: 1 2 2", "left: 3 2 1 / right: 5 2 1"),
)
