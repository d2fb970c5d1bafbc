"""The wall that a cutter leaves, exactly: arcs and straight pieces, no polygons standing in for circles.

A wall is a function of the place along the blade: how deep (travel, see `frame`) the metal is gone there. Every part
of a cutter's path contributes pieces of such a function, and the wall is their upper envelope, the deepest at each
place:

- an end mill of radius r whose point (its deepest point, where it is tangent to the wall) stands at (x0, w0) reaches
  w0 - r + sqrt(r² - (x - x0)²);
- moved along a straight line it also reaches the parallel of that line at the distance r from the path of its centre;
- a vee reaches w0 within half its root of x0 and falls off along its flanks, w0 - (|x - x0| - root/2) / tan(angle/2).

Two pieces cross where two circles, a circle and a line or two lines do, so the envelope's corners, its least and
greatest values over an interval, and its slopes all have closed forms. They are right to rounding error (about 1e-15
of a blade).

>>> seat = envelope(swept([(5.0, 0.0), (7.0, 0.0), (7.0, 1.0)], EndMill(1.2)), 4.9, 7.0)
>>> [(round(p.lo, 4), round(p.hi, 4), "arc" if p.r else "line") for p in seat]
[(4.9, 5.0, 'arc'), (5.0, 5.8168, 'line'), (5.8168, 7.0, 'arc')]
>>> round(steepest(seat), 1)  # arccos(1 - 1.0 / 1.2)
80.4
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations, pairwise
from math import asin, atan, degrees, hypot, inf, radians, sqrt, tan

from attrs import frozen

Point = tuple[float, float]
"""Along the blade (x) and travel (w) of the point of the cutter."""

CONTACT = 1e-9
"""Two walls nearer than this meet; a step higher than this is upright."""


@frozen
class Piece:
    """A piece of wall over [lo, hi].

    With r > 0 an arc of that radius whose deepest point is (x0, w0); with r = 0 a line through (x0, w0) of that slope.
    """

    lo: float
    hi: float
    x0: float
    w0: float
    slope: float = 0.0
    r: float = 0.0

    def cut(self, lo: float, hi: float) -> Piece:
        """The same curve over [lo, hi]."""
        return Piece(lo, hi, self.x0, self.w0, self.slope, self.r)

    def at(self, x: float) -> float:
        """Travel of the wall at x."""
        if self.r:
            return self.w0 - self.r + sqrt(max(self.r * self.r - (x - self.x0) ** 2, 0.0))
        return self.w0 + self.slope * (x - self.x0)

    def angle(self, x: float) -> float:
        """Degrees between the wall at x and the length of the blade."""
        if self.r:
            return degrees(asin(min(abs(x - self.x0) / self.r, 1.0)))
        return degrees(atan(abs(self.slope)))


@frozen
class EndMill:
    """An end mill seen along its spindle: a circle."""

    r: float

    def outline(self, x: float, w: float) -> tuple[Piece, ...]:
        """What it reaches when its point stands at (x, w)."""
        return (Piece(x - self.r, x + self.r, x, w, r=self.r),)

    def along(self, start: Point, end: Point) -> tuple[Piece, ...]:
        """What it reaches between the two ends of a straight move, beyond what it reaches at them."""
        (x0, w0), (x1, w1) = sorted([start, end])
        if x1 == x0:
            return ()
        slope = (w1 - w0) / (x1 - x0)
        q = sqrt(1 + slope * slope)
        shift = -self.r * slope / q
        top = w0 - self.r + self.r / q
        return (Piece(x0 + shift, x1 + shift, x0 + shift, top, slope),)


@frozen
class Vee:
    """A vee cutter seen across the blade: a flat root between two flanks that end at the travel `floor`."""

    angle: float
    root: float
    floor: float

    @property
    def flank(self) -> float:
        """How much the wall falls per length along the blade."""
        return 1 / tan(radians(self.angle / 2))

    def outline(self, x: float, w: float) -> tuple[Piece, ...]:
        """What it reaches when the middle of its root stands at (x, w)."""
        half = self.root / 2
        if w <= self.floor:
            return ()
        reach = (w - self.floor) / self.flank
        left, right = x - half, x + half
        flanks = (Piece(left - reach, left, left, w, self.flank), Piece(right, right + reach, right, w, -self.flank))
        return (*flanks, Piece(left, right, x, w)) if self.root else flanks

    def along(self, start: Point, end: Point) -> tuple[Piece, ...]:
        """What its root reaches between the two ends of a straight move, beyond what it reaches at them."""
        (x0, w0), (x1, w1) = sorted([start, end])
        if x1 == x0:
            return ()
        slope = (w1 - w0) / (x1 - x0)
        half = self.root / 2
        if slope == 0:
            return (Piece(x0 - half, x1 + half, x0, w0),)
        corner = -half if slope > 0 else half
        return (Piece(x0 + corner, x1 + corner, x0 + corner, w0, slope),)


Cutter = EndMill | Vee


def swept(path: Sequence[Point], cutter: Cutter) -> list[Piece]:
    """Every piece that the cutter contributes whose point follows the path, moving straight from point to point."""
    deepest: dict[float, float] = {}
    for x, w in path:
        deepest[x] = max(w, deepest.get(x, -inf))
    pieces = [piece for x, w in deepest.items() for piece in cutter.outline(x, w)]
    for move in {tuple(sorted(pair)) for pair in pairwise(path)}:
        pieces += cutter.along(*move)
    return pieces


def envelope(pieces: Iterable[Piece], lo: float, hi: float) -> tuple[Piece, ...]:
    """The deepest piece at every place of [lo, hi], bow to tip, each cut to where it is the deepest.

    Places that no piece covers are left out. Neighbouring results meet, or the wall is upright between them.
    """
    over = _worthwhile([p.cut(max(p.lo, lo), min(p.hi, hi)) for p in pieces if p.hi > lo and p.lo < hi])
    breaks = {lo, hi, *(p.lo for p in over), *(p.hi for p in over)}
    for p, q in combinations(over, 2):
        a, b = max(p.lo, q.lo), min(p.hi, q.hi)
        breaks.update(x for x in _crossings(p, q) if a < x < b)
    result: list[Piece] = []
    source: Piece | None = None
    for a, b in pairwise(sorted(breaks)):
        middle = (a + b) / 2
        here = [p for p in over if p.lo <= middle <= p.hi]
        best = max(here, key=lambda p: p.at(middle), default=None)
        if best is None:
            source = None
        elif best is source:
            result[-1] = best.cut(result[-1].lo, b)
        else:
            result.append(best.cut(a, b))
            source = best
    return tuple(result)


def _worthwhile(pieces: list[Piece]) -> list[Piece]:
    """Without the pieces that lie wholly under another one that spans them."""
    bounds = [(p, least([p]), greatest([p])) for p in dict.fromkeys(pieces)]
    return [
        p
        for p, _, top in bounds
        if not any(q is not p and q.lo <= p.lo and p.hi <= q.hi and bottom > top for q, bottom, _ in bounds)
    ]


def _crossings(p: Piece, q: Piece) -> Iterator[float]:
    """Every x at which the curves of two pieces may cross (more than do is harmless)."""
    if p.r and q.r:
        dx, dw = q.x0 - p.x0, (q.w0 - q.r) - (p.w0 - p.r)
        distance = hypot(dx, dw)
        if distance == 0 or distance > p.r + q.r:
            return
        towards = (distance**2 + p.r**2 - q.r**2) / (2 * distance)
        aside = sqrt(max(p.r**2 - towards**2, 0.0))
        for sign in (1, -1):
            yield p.x0 + (towards * dx - sign * aside * dw) / distance
    elif p.r or q.r:
        arc, line = (p, q) if p.r else (q, p)
        # the line relative to the arc's centre: w = offset + slope * u with u = x - x0, and u² + w² = r²
        offset = line.at(arc.x0) - (arc.w0 - arc.r)
        a, b, c = 1 + line.slope**2, offset * line.slope, offset**2 - arc.r**2
        root = b * b - a * c
        if root >= 0:
            yield arc.x0 + (-b - sqrt(root)) / a
            yield arc.x0 + (-b + sqrt(root)) / a
    elif p.slope != q.slope:
        yield p.x0 + (q.at(p.x0) - p.w0) / (p.slope - q.slope)


def greatest(pieces: Iterable[Piece]) -> float:
    """The deepest travel of the pieces."""
    return max(p.at(min(max(p.x0, p.lo), p.hi)) if p.r else max(p.at(p.lo), p.at(p.hi)) for p in pieces)


def least(wall: Iterable[Piece]) -> float:
    """The shallowest travel of the pieces: pieces are concave, so it lies at an end of one."""
    return min(min(p.at(p.lo), p.at(p.hi)) for p in wall)


def excess(piece: Piece, limit: Piece) -> float:
    """How far a piece goes past a limit at the worst place that both cover; -inf where they cover none.

    Pieces that only touch end to end (within `CONTACT`) cover none together: beside an upright wall the one ends where
    the other begins. An arc against a line is worst where it is parallel to it; the difference of two arcs of one
    radius is monotone and that of a line and an arc convex, so otherwise the worst is at an end.
    """
    lo, hi = max(piece.lo, limit.lo), min(piece.hi, limit.hi)
    if hi - lo <= min(CONTACT, (limit.hi - limit.lo) / 2) and not lo == hi == limit.lo == limit.hi:
        return -inf
    places = [lo, hi]
    if piece.r and not limit.r:
        parallel = piece.x0 - piece.r * limit.slope / sqrt(1 + limit.slope**2)
        places.append(min(max(parallel, lo), hi))
    return max(piece.at(x) - limit.at(x) for x in places)


def steepest(wall: Sequence[Piece]) -> float:
    """The steepest angle of a wall (degrees to the blade's length): 90 where one piece ends above the next."""
    angle = max((p.angle(x) for p in wall for x in (p.lo, p.hi)), default=0.0)
    upright = any(abs(p.at(p.hi) - q.at(q.lo)) > CONTACT for p, q in pairwise(wall))
    return 90.0 if upright else angle
