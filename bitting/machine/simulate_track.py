"""One wall beside its code: what the code allows on each flat, how deep the cutter went, and how steep the walls are.

The flats and their limits are described in `bitting.machine.simulate`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import inf

from attrs import frozen

from bitting.machine.geometry import Frame, seat_of
from bitting.machine.simulate_profile import (
    Cutter,
    EndMill,
    Piece,
    Vee,
    envelope,
    excess,
    greatest,
    least,
    steepest,
)

ROUNDING = 1e-12
"""Differences below this are rounding, in the system's unit."""

REACHED = 1e-9
"""A cut has its depth when the wall at its centre is within this of it."""


@frozen
class Limit:
    """One flat of a track over [lo, hi], and the pieces past which nothing may be cut there. `cut` is a seat's."""

    name: str
    lo: float
    hi: float
    allowed: tuple[Piece, ...]
    cut: int | None = None


@frozen
class Flat:
    """One flat of one track; lengths in the system's unit.

    `name` is `bow end`, `seat 3`, `wall 3-4` or `tip end`; `allowed` and `reached` are the dimensions of the deepest
    place the code allows and the cutter went to; `gouge` is how far the cutter went past the code at the worst place;
    `residual` is the metal left at the worst place of a seat, and 0 elsewhere.
    """

    side: str | None
    track: str
    name: str
    allowed: float
    reached: float
    gouge: float
    residual: float


@frozen
class Wall:
    """The wall between neighbouring cuts (numbered from 1): its steepest angle to the blade's length, in degrees."""

    side: str | None
    track: str
    cuts: tuple[int, int]
    angle: float
    too_steep: bool


def cutter_of(frame: Frame) -> Cutter:
    """The cutter of a lane's system; the flanks of a vee reach to the surface of the blank."""
    if frame.system.cutting.shape == "vee":
        need = frame.system.need
        return Vee(float(need("cutting.angle")), float(need("cutting.root")), frame.surface)
    return EndMill(frame.radius)


def limits_of(frame: Frame, depths: Sequence[int]) -> tuple[Limit, ...]:
    """The flats of a track and what its code allows on them, bow to tip; `depths` are places of the depth table."""
    half = seat_of(frame.system) / 2
    xs = [frame.x_of_cut(i) for i in range(len(depths))]
    ws = [frame.travel_of(d) for d in depths]
    found = [_bow_end(frame, xs[0], ws[0], half)]
    for i, (x, w) in enumerate(zip(xs, ws, strict=True)):
        found.append(_level(f"seat {i + 1}", x - half, x + half, w, i))
        if i + 1 < len(xs):
            found.append(_level(f"wall {i + 1}-{i + 2}", x + half, xs[i + 1] - half, max(w, ws[i + 1])))
    found.append(_level("tip end", xs[-1] + half, max(frame.x_tip, xs[-1] + half), ws[-1]))
    return tuple(limit for limit in found if limit.hi > limit.lo or limit.cut is not None)


def _level(name: str, lo: float, hi: float, w: float, cut: int | None = None) -> Limit:
    return Limit(name, lo, hi, (Piece(lo, hi, lo, w),), cut)


def _bow_end(frame: Frame, x: float, w: float, half: float) -> Limit:
    """Up to the first seat: the cutter's outline at cut 1, the shallowest depth within the blade, and no more."""
    lo, hi = frame.x_bow - 1e3 * frame.system.from_mm(1.0), x - half
    pieces = [Piece(lo, hi, lo, frame.surface), *cutter_of(frame).outline(x, w)]
    if frame.system.cutting.shape != "vee":
        pieces.append(Piece(frame.x_bow, hi, frame.x_bow, 0.0))
    return Limit("bow end", lo, hi, envelope(pieces, lo, hi))


def flats_of(frame: Frame, depths: Sequence[int], pieces: Sequence[Piece]) -> tuple[tuple[Flat, ...], tuple[str, ...]]:
    """Every flat with its gouge and residual, and the names of the seats whose cut never got its depth."""
    uncut = Piece(-inf, inf, 0.0, frame.surface)
    flats, missed = [], []
    for limit in limits_of(frame, depths):
        here = [p for p in (*pieces, uncut) if p.hi >= limit.lo and p.lo <= limit.hi]
        past = max(excess(p, allowed) for p in here for allowed in limit.allowed)
        top = max(excess(p, Piece(limit.lo, limit.hi, 0.0, 0.0)) for p in here)
        residual = 0.0
        if limit.cut is not None:
            level = limit.allowed[0].w0
            residual = level - least(envelope(here, limit.lo, limit.hi)) if limit.hi > limit.lo else level - top
            centre = frame.x_of_cut(limit.cut)
            if level - max(p.at(centre) for p in here if p.lo <= centre <= p.hi) > REACHED:
                missed.append(limit.name)
        flats.append(
            Flat(
                side=frame.lane.side,
                track=frame.track.name,
                name=limit.name,
                allowed=frame.dimension(greatest(limit.allowed)),
                reached=frame.dimension(top),
                gouge=past if past > ROUNDING else 0.0,
                residual=residual if residual > ROUNDING else 0.0,
            )
        )
    return tuple(flats), tuple(missed)


def walls_of(frame: Frame, pieces: Sequence[Piece]) -> tuple[Wall, ...]:
    """The steepest angle between each two neighbouring cuts, and whether a tumbler can't climb it any more."""
    uncut = Piece(-inf, inf, 0.0, frame.surface)
    limit = frame.system.cutting.steepest
    walls = []
    for i, (a, b) in enumerate(pairwise(frame.x_of_cut(i) for i in range(frame.track.cuts)), 1):
        angle = steepest(envelope((*pieces, uncut), a, b))
        steep = limit is not None and angle > limit + 1e-9
        walls.append(Wall(frame.lane.side, frame.track.name, (i, i + 1), angle, steep))
    return tuple(walls)
