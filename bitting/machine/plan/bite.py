"""How each move meets the metal: conventional or climb milling, and the widest bite.

**Which.** Seen along the direction of travel, a cutter that turns clockwise (from above) climbs when the metal is on
its right: its teeth there move against its travel and enter the metal at full thickness. With the metal on its left
it mills conventionally. An anticlockwise cutter is the other way round (common practice). A move that goes straight
into the metal has it on both sides.

**Bite.** The greatest thickness of metal that a move takes, across its direction: for a move along the blade how deep
the wall goes back, for a move of depth the length of blade over which the cutter finds metal, each at most the cutter's
diameter. 0 in air. What earlier moves took no longer counts; metal beyond the tip is air.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from typing import Literal

from attrs import evolve

from bitting.geometry.frame import Frame
from bitting.geometry.profile import Piece, Point, envelope, least, swept
from bitting.machine.plan.steps import Step
from bitting.machine.simulate import cutter_of

Milling = Literal["conventional", "climb", "both"]
AIR = 1e-9


def milling_of(frame: Frame, towards_tip: bool) -> Milling:
    """How a move along the blade mills this track's wall."""
    metal_on_right = (frame.inwards > 0) == towards_tip
    clockwise = frame.system.cutting.rotation == "clockwise"
    return "climb" if metal_on_right == clockwise else "conventional"


def with_bites(frame: Frame, steps: Sequence[Step], cleared: Sequence[Piece] = ()) -> tuple[Step, ...]:
    """The steps with `milling` and `bite`; `cleared` is what was cut before them."""
    done = [*cleared, Piece(-inf, inf, 0.0, frame.surface)]
    cutter = cutter_of(frame)
    at: Point = (frame.load, 0.0)
    found = []
    for step in steps:
        to = (step.x, step.w)
        bite, milling = 0.0, None
        if step.action != "start":
            along = to[0] != at[0]
            bite = _along(frame, done, at, to) if along else _across(frame, done, to)
            milling = _milling(frame, at, to, bite) if bite > 0 else None
            done += swept([at, to], cutter)
        found.append(evolve(step, bite=bite, milling=milling))
        at = to
    return tuple(found)


def _milling(frame: Frame, at: Point, to: Point, bite: float) -> Milling | None:
    if not frame.radius:
        return None
    if to[0] == at[0] or bite >= 2 * frame.radius - AIR:
        return "both"
    return milling_of(frame, to[0] > at[0])


def _along(frame: Frame, done: Sequence[Piece], at: Point, to: Point) -> float:
    """The metal that a move along the blade takes off the wall at its thickest."""
    lo, hi = min(at[0], to[0]), min(max(at[0], to[0]), frame.x_tip)
    if lo >= hi:
        return 0.0
    taken = to[1] - least(envelope(done, lo, hi))
    full = 2 * frame.radius or inf
    return min(taken, full) if taken > AIR else 0.0


def _across(frame: Frame, done: Sequence[Piece], to: Point) -> float:
    """The length of blade over which a move of depth finds metal."""
    outline = cutter_of(frame).outline(*to)
    if not outline:
        return 0.0
    lo = min(piece.lo for piece in outline)
    hi = min(max(piece.hi for piece in outline), frame.x_tip)
    if lo >= hi:
        return 0.0
    mine = {(p.x0, p.w0, p.slope) for p in outline}
    old = {(p.x0, p.w0, p.slope) for p in done}
    wall = envelope([*done, *outline], lo, hi)
    new = [p for p in wall if (p.x0, p.w0, p.slope) in mine - old]
    return sum(p.hi - p.lo for p in new) if sum(p.hi - p.lo for p in new) > AIR else 0.0
