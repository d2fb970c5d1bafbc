"""Stops that ease the wall between two cuts of unlike depth.

A square move from one cut to the next leaves an arc of the cutter as a wall: for a step h and a cutter of radius r its
foot is gentle and its top stands at arccos(1 - h/r). Stops at intermediate depths between the two spaces turn one tall
arc into a stair of low ones. Tried in this order, fewest stops first, and held to the exact wall each leaves:

1. stops in equal parts, at 1/(n+1), 2/(n+1), … of both the step and the pitch (one stop: half depth, half a pitch);
2. stops on the line parallel to the steepest straight wall that leaves the shallower seat whole and is tangent to the
   cutter standing at the deeper cut. More stops follow that wall more closely; no stops can leave a gentler one.

Settings are rounded to a hundredth of a millimetre (half a thousandth of an inch) so that they can be set by hand.

>>> from bitting.machine.simulate_profile import EndMill
>>> stops, angle = stops_between((0.0, 0.0), (2.3, 0.9), EndMill(1.2), seat=0.3, steepest_allowed=60.0, grain=0.01)
>>> [(round(x, 2), round(w, 2)) for x, w in stops], round(angle, 1)
([(1.15, 0.45)], 51.3)
"""

from __future__ import annotations

from collections.abc import Iterator
from math import asin, atan2, cos, hypot, sin

from bitting.machine.simulate_profile import EndMill, Piece, Point, envelope, excess, steepest, swept

MOST_STOPS = 6
"""More stops than this on one wall are not worth a locksmith's time; what they leave is then the best on offer."""

ROUNDING = 1e-12


def stops_between(
    shallow: Point, deep: Point, cutter: EndMill, *, seat: float, steepest_allowed: float, grain: float
) -> tuple[list[Point], float]:
    """The stops from the shallower cut's point to the deeper one's, and the steepest angle (degrees) that is left.

    No stops where a square move is gentle enough, or where none helps. The deeper cut may lie on either side. `grain`
    is what stops are rounded to; all lengths in the system's unit.
    """
    best: tuple[list[Point], float] = ([], _angle(shallow, deep, [], cutter))
    for stops in _candidates(shallow, deep, cutter, seat, grain):
        if best[1] <= steepest_allowed + 1e-9:
            break
        if _spares_seat(shallow, stops, cutter, seat):
            angle = _angle(shallow, deep, stops, cutter)
            if angle < best[1] - 1e-6:
                best = (stops, angle)
    return best


def _candidates(shallow: Point, deep: Point, cutter: EndMill, seat: float, grain: float) -> Iterator[list[Point]]:
    (x0, w0), (x1, w1) = shallow, deep
    way = 1 if x1 > x0 else -1
    for count in range(1, MOST_STOPS + 1):
        equal = [((x1 - x0) * k / (count + 1), (w1 - w0) * k / (count + 1)) for k in range(1, count + 1)]
        for stops in (equal, _tangent(abs(x1 - x0), w1 - w0, cutter.r, seat / 2 + grain, count, way)):
            rounded = [(x0 + round(dx / grain) * grain, w0 + round(dw / grain) * grain) for dx, dw in stops]
            places = [x0, *(x for x, _ in rounded), x1]
            depths = [w0, *(w for _, w in rounded), w1]
            if places == sorted(places, reverse=way < 0) and depths == sorted(depths) and rounded:
                yield rounded


def _tangent(pitch: float, h: float, r: float, edge: float, count: int, way: int) -> list[Point]:
    """Stops along the wall through the end of the shallower seat that is tangent to the cutter at the deeper cut."""
    run, rise = pitch - edge, h - r
    distance = hypot(run, rise)
    if run <= 0 or distance <= r:
        return []
    slope = asin(r / distance) + atan2(rise, run)
    first = (edge + r * sin(slope), r * (1 - cos(slope)))
    if slope <= 0 or first[0] >= pitch or first[1] >= h:
        return []
    share = [k / count for k in range(count)]
    return [(way * (first[0] + (pitch - first[0]) * s), first[1] + (h - first[1]) * s) for s in share]


def stair(shallow: Point, deep: Point, stops: list[Point]) -> list[Point]:
    """The path over the stops by square moves, deepening: along the blade first, then deeper."""
    path = [shallow]
    for x, w in [*stops, deep]:
        path += [(x, path[-1][1]), (x, w)]
    return path


def _angle(shallow: Point, deep: Point, stops: list[Point], cutter: EndMill) -> float:
    pieces = swept(stair(shallow, deep, stops), cutter)
    return steepest(envelope(pieces, *sorted((shallow[0], deep[0]))))


def _spares_seat(shallow: Point, stops: list[Point], cutter: EndMill, seat: float) -> bool:
    x, w = shallow
    limit = Piece(x - seat / 2, x + seat / 2, x, w)
    return all(excess(piece, limit) <= ROUNDING for stop in stops for piece in cutter.outline(*stop))
