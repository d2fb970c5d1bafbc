"""Whether `lint` may find errors in a system: asked before every answer, so without a diagram and without numpy.

What lint calls an error is that no code is legal, or that some legal code can't be cut. `suspect` asks the same of the
file's figures, of every pair of depths that no single rule keeps apart, and whether a legal code is found in a few steps.
It never misses an error of lint's; where it suspects one that only several rules together prevent, lint is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from itertools import combinations, pairwise, product

from bitting.geometry.figures import EXACT, faults_of
from bitting.geometry.frame import frame_of, reach_of, seat_of
from bitting.geometry.spare import groove_room, spared
from bitting.geometry.web import Clearance, facing, meetings, states_cutter, straight
from bitting.model import Place, System
from bitting.rules import automaton, idle, violations
from bitting.rules.base import in_turn

STEPS = 6000
"""Questions put to the rules before a legal code is given up; some milliseconds."""


def suspect(system: System) -> bool:
    """Whether lint has to be asked for errors."""
    if faults_of(system) or not some_legal(system):
        return True
    seat = system.cutting.seat is not None or (system.cutting.shape == "vee" and system.cutting.root is not None)
    asked: list[Callable[[System], Iterator[bool]]] = [_floor, *([_seats_overlap] if seat else [])]
    if states_cutter(system.cutting):
        asked += [_shoulder, _walls_meet, _groove_narrow, *([_gouged] if seat else [])]
    return any(next(ask(system), False) for ask in asked)


def some_legal(system: System) -> bool:
    """Whether a legal code is found within `STEPS`, by going deeper wherever every rule still agrees."""
    rules = [rule for rule in system.rules if rule.level == "must" and not idle(rule, system)]
    made = [({lane: i for i, lane in enumerate(rule.lanes)}, automaton(rule, system)) for rule in rules]
    places = in_turn([lane.track.cuts for lane in system.lanes])
    dead: set[tuple[int, tuple[object, ...]]] = set()
    steps = 0

    def ways(at: int, states: tuple[object, ...]) -> Iterator[tuple[object, ...]]:
        """What the rules remember after each depth that may stand there; not always the same depth first."""
        nonlocal steps
        lane, cut = places[at]
        depths = len(system.lanes[lane].track.labels)
        for turn in range(depths):
            after, depth = list(states), (turn + cut + lane) % depths
            for i, (lanes, one) in enumerate(made):
                if lane in lanes:
                    steps += 1
                    after[i] = one.step(after[i], lanes[lane], cut, depth)
                    if after[i] is None:
                        break
            else:
                yield tuple(after)

    start = tuple(one.start for _, one in made)
    path = [(start, ways(0, start))]
    while path and steps < STEPS:
        after = next(path[-1][1], None)
        if after is None:
            dead.add((len(path) - 1, path.pop()[0]))
        elif len(path) == len(places):
            return True
        elif (len(path), after) not in dead:
            path.append((after, ways(len(path), after)))
    return False


def _may(system: System) -> Callable[[Place, int, Place, int], bool]:
    """Asks whether two cuts may have these depths, as far as each rule by itself goes."""
    must = [rule for rule in system.rules if rule.level == "must"]

    @cache
    def may(a: Place, d: int, b: Place, e: int) -> bool:
        if a == b and d != e:
            return False
        rows: list[list[int | None]] = [[None] * lane.track.cuts for lane in system.lanes]
        rows[a.lane][a.cut], rows[b.lane][b.cut] = d, e
        return not any(
            next(violations(rule, system, [rows[i] for i in rule.lanes]), None)
            for rule in must
            if a.lane in rule.lanes or b.lane in rule.lanes
        )

    return may


def _floor(system: System) -> Iterator[bool]:
    """No metal across the thickness, whichever tracks lie over each other."""
    thickness, milled = system.blade.thickness, system.blade.mill_depth
    if thickness is not None and milled is not None and any(track.milling != "edge" for track in system.tracks):
        yield thickness - min(max(len(system.sides), 1), 2) * milled <= EXACT


def _seats_overlap(system: System) -> Iterator[bool]:
    """Two seats that touch, or an end mill narrower than one."""
    seat, cutter = seat_of(system), system.cutting.cutter
    if system.cutting.shape == "round" and cutter is not None and seat >= cutter - EXACT:
        yield True
    for track in system.tracks:
        yield from (True for a, b in pairwise(track.spaces) if abs(b - a) < seat - EXACT)


def _shoulder(system: System) -> Iterator[bool]:
    """The cutter at cut 1 in the shoulder."""
    may = _may(system)
    for i, lane in enumerate(system.lanes if system.stop == "shoulder" else ()):
        frame, first = frame_of(system, lane), Place(i, 0)
        for d in range(len(lane.track.depths)):
            if reach_of(frame, frame.travel_of(d)) > lane.track.spaces[0] + EXACT and may(first, d, first, d):
                yield True


def _gouged(system: System) -> Iterator[bool]:
    """The cutter at one cut in the seat of another."""
    may, seat = _may(system), seat_of(system)
    for number, lane in enumerate(system.lanes):
        depths = lane.track.depths
        for i, j in combinations(range(lane.track.cuts), 2):
            limit = spared(system.cutting, abs(lane.track.spaces[i] - lane.track.spaces[j]), seat)
            if limit is None or limit >= abs(depths[-1] - depths[0]) - EXACT:
                continue
            for d, e in product(range(len(depths)), repeat=2):
                over = abs(depths[d] - depths[e]) > max(limit, 0.0) + EXACT
                if over and may(Place(number, i), d, Place(number, j), e):
                    yield True


def _walls_meet(system: System) -> Iterator[bool]:
    """Two walls that leave nothing between them."""
    width, may = system.blade.width, _may(system)
    if width is None:
        return
    for one, other in facing(system):
        if system.lanes[one].track.milling == "internal":
            continue
        clearance = Clearance(system, system.lanes[one], system.lanes[other])
        for meeting in meetings(system, system.lanes[one], system.lanes[other]):
            if clearance.least(meeting.along) > EXACT:
                continue
            run = len(meeting.one) + len(meeting.other) > 2
            a, b = Place(one, meeting.one[0]), Place(other, meeting.other[0])
            stands = clearance.table(meeting.along)
            for d, e in product(*clearance.depths):
                if stands[d][e] <= EXACT and (run or may(a, d, b, e)):
                    yield True


def _groove_narrow(system: System) -> Iterator[bool]:
    """A groove with less room than its cutter needs, at a cut or on the pass at the shallowest depth."""
    width, may = system.blade.width, _may(system)
    if width is None or system.cutting.shape != "round":
        return
    pairs = [pair for pair in facing(system) if system.lanes[pair[0]].track.milling == "internal"]
    for lane, opposite in (way for pair in pairs for way in (pair, pair[::-1])):
        here, there = system.lanes[lane].track, system.lanes[opposite].track
        across = straight(here, there, width)
        ahead = 1 if system.stop == "shoulder" else -1
        for i, j in product(range(here.cuts), range(there.cuts)):
            a, b, apart = Place(lane, i), Place(opposite, j), here.spaces[i] - there.spaces[j]
            room = groove_room(system.cutting, abs(apart))
            for d, e in product(range(len(here.depths)), range(len(there.depths))) if room else ():
                if across(d, e) < room - EXACT and may(a, d, b, e):
                    yield True
            if i == 0:  # the pass begins at cut 1 and runs to the tip, whatever the depth of cut 1
                room = groove_room(system.cutting, max(ahead * apart, 0.0))
                for e in range(len(there.depths)):
                    if across(0, e) < room - EXACT and may(b, e, b, e):
                        yield True
