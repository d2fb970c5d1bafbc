"""The moves for one track, in order, before they are simulated.

Side-milled (an end mill), after the common practice of machines set by hand: start in air beyond the tip at the
shallowest depth; if the next cut is deeper, move the space first and then the depth; if it is shallower, set the depth
first and then the space; mill from cut to cut and never plunge; run the last cut out.

- Bow to tip: travel to cut 1 at the shallowest depth, work towards the tip, leave it at the last cut's depth.
- Tip to bow: set the last cut's depth in the air, enter the tip at it, work towards the bow; at cut 1 the depth goes
  back to the shallowest, and then the cutter runs out.

Vee cuts: clear of the blade, then for each cut the space in air, the depth, and back until clear.

Backlash: a target is always approached from the same way. Backing out goes past the depth and returns to it deepening.
Worked bow to tip, the first move goes past cut 1 towards the bow, at the shallowest depth, and returns; where the
cutter would come to the shoulder or the clamp by that, it doesn't, and the plan says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from attrs import frozen

from bitting.machine.geometry import CLEARANCE_MM, Frame, seat_of
from bitting.machine.machinefile import Machine
from bitting.machine.plan_ease import stops_between
from bitting.machine.simulate_moves import Step, place
from bitting.machine.simulate_profile import EndMill, Point

Direction = Literal["bow-to-tip", "tip-to-bow"]

GRAIN_MM, GRAIN_IN = 0.01, 0.0005
"""What the settings of easing stops are rounded to."""


@frozen
class Order:
    """How a track is to be worked: its direction, with easing stops or without, on which machine."""

    direction: Direction
    ease: bool = False
    machine: Machine | None = None


class _Writer:
    """Moves written one after the other, each resolved to where the cutter's point then stands."""

    def __init__(self, frame: Frame, order: Order) -> None:
        self.frame, self.order = frame, order
        self.at: Point = (frame.load, 0.0)
        self.steps: list[Step] = []
        self.notes: list[str] = []

    def add(self, action: str, to: str) -> None:
        x, w = place(self.frame, self.at, action, to, len(self.steps) + 1)
        if (x, w) == self.at and action != "start":
            return
        self.at = (x, w)
        self.steps.append(Step(action, to, self.frame.distance(x), self.frame.dimension(w), x=x, w=w))

    def space(self, cut: int) -> None:
        self.add("space", str(cut + 1))

    def depth(self, depth: int) -> None:
        """Set a depth; backing out on a machine with play goes past it first."""
        label = self.frame.track.labels[depth]
        past = self.order.machine.depth.overshoot if self.order.machine else 0.0
        w = self.frame.travel_of(depth)
        if past and w < self.at[1]:
            self.to_absolute("overshoot", "depth", self.frame.dimension(w - past))
        self.add("depth", label)

    def to_absolute(self, action: str, control: str, value: float) -> None:
        self.add(action, f"{control} {round(value, 9)!r}")


def moves_for(frame: Frame, depths: Sequence[int], order: Order) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """The steps for one track whose cuts have these depths (places), and what has to be said about them."""
    writer = _Writer(frame, order)
    cuts = list(enumerate(depths))
    if order.direction == "tip-to-bow":
        cuts.reverse()
    if frame.system.cutting.shape == "vee":
        _vee(writer, cuts)
    else:
        _side_milled(writer, cuts)
    return tuple(writer.steps), tuple(writer.notes)


def _vee(writer: _Writer, cuts: Sequence[tuple[int, int]]) -> None:
    writer.add("start", "clear")
    _past_first_cut(writer, cuts[0][0])
    for cut, depth in cuts:
        writer.space(cut)
        writer.depth(depth)
        writer.add("retract", "clear")


def _side_milled(writer: _Writer, cuts: Sequence[tuple[int, int]]) -> None:
    writer.add("start", "load")
    first, depth = cuts[0]
    if writer.order.direction == "tip-to-bow":
        writer.depth(depth)
        writer.space(first)
    else:
        _past_first_cut(writer, first)
        writer.space(first)
        writer.depth(depth)
    for cut, depth in cuts[1:]:
        _next_cut(writer, cut, depth)
    if writer.order.direction == "tip-to-bow":
        writer.depth(0)  # play left in would run out deeper than the shallowest
    writer.add("run-out", "load")


def _past_first_cut(writer: _Writer, cut: int) -> None:
    """Take up the play of the space control: past the first cut towards the bow, unless something is in the way."""
    machine = writer.order.machine
    if machine is None or not machine.space.overshoot or writer.order.direction == "tip-to-bow":
        return
    frame, past = writer.frame, machine.space.overshoot
    x = frame.x_of_cut(cut) - past
    reach = frame.radius or (frame.system.cutting.root or 0.0) / 2
    stop = frame.x_bow if machine.space.clamp is None else max(frame.x_bow, frame.x_of(machine.space.clamp))
    if x - reach < stop + frame.system.from_mm(CLEARANCE_MM) / 10:
        writer.notes.append(
            f"no room to go past cut {cut + 1} towards the bow: take up the play of the space control by hand before "
            f"cut {cut + 2 if frame.track.cuts > 1 else 1}, its dial is off by {machine.space.backlash:g} until then"
        )
        return
    writer.to_absolute("overshoot", "space", frame.distance(x))


def _next_cut(writer: _Writer, cut: int, depth: int) -> None:
    """From the cut just made to its neighbour, square or over easing stops."""
    frame = writer.frame
    here, there = writer.at, (frame.x_of_cut(cut), frame.travel_of(depth))
    stops = _stops(writer, here, there)
    if there[1] > here[1]:
        for x, w in stops:
            writer.to_absolute("ease", "space", frame.distance(x))
            writer.to_absolute("ease", "depth", frame.dimension(w))
        writer.space(cut)
        writer.depth(depth)
    else:
        for x, w in reversed(stops):
            _ease_back(writer, w)
            writer.to_absolute("ease", "space", frame.distance(x))
        writer.depth(depth)
        writer.space(cut)


def _ease_back(writer: _Writer, w: float) -> None:
    """Back out to an easing stop, past it first where the depth control has play."""
    past = writer.order.machine.depth.overshoot if writer.order.machine else 0.0
    if past:
        writer.to_absolute("overshoot", "depth", writer.frame.dimension(w - past))
    writer.to_absolute("ease", "depth", writer.frame.dimension(w))


def _stops(writer: _Writer, here: Point, there: Point) -> list[Point]:
    system = writer.frame.system
    if not writer.order.ease or here[1] == there[1]:
        return []
    shallow, deep = sorted((here, there), key=lambda point: point[1])
    stops, _ = stops_between(
        shallow,
        deep,
        EndMill(writer.frame.radius),
        seat=seat_of(system),
        steepest_allowed=float(system.need("cutting.steepest")),
        grain=GRAIN_MM if system.unit == "mm" else GRAIN_IN,
    )
    return stops
