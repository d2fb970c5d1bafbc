"""The moves for one track, in order, before they are simulated.

Side-milled (an end mill), after the common practice of machines set by hand: start in air beyond the tip at the
shallowest depth; if the next cut is deeper, move the space first and then the depth; if it is shallower, set the depth
first and then the space; mill from cut to cut and never plunge; run the last cut out.

- Bow to tip: travel to cut 1 at the shallowest depth, work towards the tip, leave it at the last cut's depth.
- Tip to bow: set the last cut's depth in the air, enter the tip at it, work towards the bow; at cut 1 the depth goes
  back to the shallowest, and then the cutter runs out.

Vee cuts: clear of the blade, then for each cut the space in air, the depth, and back until clear.

Backlash: a target is always approached from the same way. Backing out goes past the depth and returns to it deepening; in a
groove, where there is no room for that, the setting is moved by the play.
Worked bow to tip, the first move goes past cut 1 towards the bow, at the shallowest depth, and returns; where the
cutter would come to the shoulder or the clamp by that, it doesn't, and the plan says so.

Stops that ease the wall between two cuts of unlike depth.

A square move from one cut to the next leaves an arc of the cutter as a wall: for a step h and a cutter of radius r its
foot is gentle and its top stands at arccos(1 - h/r). Stops at intermediate depths between the two spaces turn one tall
arc into a stair of low ones. Tried in this order, fewest stops first, and held to the exact wall each leaves:

1. stops in equal parts, at 1/(n+1), 2/(n+1), … of both the step and the pitch (one stop: half depth, half a pitch);
2. stops on the line parallel to the steepest straight wall that leaves the shallower seat whole and is tangent to the
   cutter standing at the deeper cut. More stops follow that wall more closely; no stops can leave a gentler one.

Settings are rounded to a hundredth of a millimetre (half a thousandth of an inch) so that they can be set by hand.

>>> from bitting.geometry.profile import EndMill
>>> stops, angle = stops_between((0.0, 0.0), (2.3, 0.9), EndMill(1.2), seat=0.3, steepest_allowed=60.0, grain=0.01)
>>> [(round(x, 2), round(w, 2)) for x, w in stops], round(angle, 1)
([(1.15, 0.45)], 51.3)
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import asin, atan2, cos, hypot, sin
from typing import Literal

from attrs import frozen

from bitting.geometry.frame import CLEARANCE_MM, Frame, reach_of, seat_of
from bitting.geometry.profile import EndMill, Piece, Point, envelope, excess, steepest, swept
from bitting.machine.plan.steps import Step, place
from bitting.systemfile.machine import Control, ControlName, Machine

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


Direction = Literal["bow-to-tip", "tip-to-bow"]

GRAIN_MM, GRAIN_IN = 0.01, 0.0005
"""What the settings of easing stops are rounded to."""


@frozen
class Order:
    """How a track is to be worked: its direction, with easing stops or without, on which machine."""

    direction: Direction
    ease: bool = False
    machine: Machine | None = None

    def dial(self, control: ControlName) -> Control | None:
        """A control of the machine, where it is described."""
        return None if self.machine is None else self.machine.control(control)


class _Writer:
    """Moves written one after the other, each resolved to where the cutter's point then stands."""

    def __init__(self, frame: Frame, order: Order) -> None:
        self.frame, self.order = frame, order
        self.at: Point = (frame.load, 0.0)
        self.steps: list[Step] = []
        self.notes: list[str] = []
        self.play_at: float | None = None  # the place whose setting takes up the play of the space control

    def add(self, action: str, to: str, play: float = 0.0) -> None:
        x, w = place(self.frame, self.at, action, to, len(self.steps) + 1)
        if (x, w) == self.at and action != "start":
            return
        self.at = (x, w)
        if action == "space" and self.play_at is not None and abs(x - self.play_at) < 1e-9:
            dial = self.order.dial("space")
            play = -self.frame.along_sign * (0.0 if dial is None else dial.backlash)
            self.play_at = None
        self.steps.append(Step(action, to, self.frame.distance(x), self.frame.dimension(w), play=play, x=x, w=w))

    def space(self, cut: int) -> None:
        self.add("space", str(cut + 1))

    def depth(self, w: float, *, ease: bool = False) -> None:
        """Set a depth, given as travel, or an easing stop; backing out on a machine with play goes past it first."""
        dial, play = self.order.dial("depth"), 0.0
        if dial is not None and dial.overshoot and w < self.at[1]:
            if self.frame.track.milling == "internal" and w < dial.overshoot:  # past the middle stands the other wall
                play = self.frame.dimension(w - dial.backlash) - self.frame.dimension(w)
            else:
                self.to_absolute("overshoot", "depth", self.frame.dimension(w - dial.overshoot))
        at = (label for i, label in enumerate(self.frame.track.labels) if abs(self.frame.travel_of(i) - w) < 1e-9)
        label = None if ease else next(at, None)  # None: no depth of the table lies there
        if label is not None:
            self.add("depth", label, play)
        else:
            self.to_absolute("ease" if ease else "take", "depth", self.frame.dimension(w), play)

    def to_absolute(self, action: str, control: str, value: float, play: float = 0.0) -> None:
        self.add(action, f"{control} {round(value, 12)!r}", play)


def moves_for(frame: Frame, depths: Sequence[int], order: Order) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """The steps for one track whose cuts have these depths (places), and what has to be said about them."""
    return moves_at(frame, [frame.travel_of(depth) for depth in depths], order)


def moves_at(frame: Frame, travels: Sequence[float], order: Order) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """The same for cuts that go in by these travels."""
    writer = _Writer(frame, order)
    if frame.system.cutting.shape == "vee":
        _vee(writer, list(enumerate(travels)))
    else:
        _mill(writer, [range(len(travels))], travels)
    return tuple(writer.steps), tuple(writer.notes)


def change_for(
    frame: Frame, have: Sequence[float], want: Sequence[float], order: Order
) -> tuple[tuple[Step, ...], tuple[str, ...]]:
    """The steps that deepen a track which is cut already; both lists are travels, and no cut of `want` is shallower.

    Nothing is touched but the cuts that get deeper and the runs between them: the cutter goes from one to the next at the
    shallowest depth, where everything is cut already. No steps where nothing gets deeper.
    """
    deeper = [i for i, (old, new) in enumerate(zip(have, want, strict=True)) if new > old + ROUNDING]
    if not deeper:
        return (), ()
    writer = _Writer(frame, order)
    if frame.system.cutting.shape == "vee":
        _vee(writer, [(i, want[i]) for i in deeper])
        return tuple(writer.steps), tuple(writer.notes)
    groups: list[list[int]] = []
    for i in range(len(want)):
        run_deepens = i > 0 and min(want[i - 1], want[i]) > min(have[i - 1], have[i]) + ROUNDING
        if run_deepens and groups and groups[-1][-1] == i - 1:
            groups[-1].append(i)
        elif run_deepens:
            groups.append([i - 1, i])
        elif i in deeper:
            groups.append([i])
    _mill(writer, groups, want)
    return tuple(writer.steps), tuple(writer.notes)


def _mill(writer: _Writer, groups: Sequence[Sequence[int]], want: Sequence[float]) -> None:
    """From group to group of cuts (a whole track is one) at the shallowest depth, and through each from cut to cut."""
    last, backwards = len(want) - 1, writer.order.direction == "tip-to-bow"
    writer.add("start", "load")
    for group in reversed(groups) if backwards else groups:
        first, *rest = reversed(group) if backwards else group
        if backwards and first == last:
            writer.depth(want[first])  # the tip is entered at the last cut's depth
            writer.space(first)
        else:
            if not backwards and writer.at[0] == writer.frame.load:
                _past_first_cut(writer, first)
            writer.space(first)
            writer.depth(want[first])
        for cut in rest:
            _next_cut(writer, cut, want[cut])
        if backwards or group[-1] != last:
            writer.depth(0.0)  # play left in would run out deeper than the shallowest
    writer.add("run-out", "load")


def _vee(writer: _Writer, cuts: Sequence[tuple[int, float]]) -> None:
    cuts = cuts[::-1] if writer.order.direction == "tip-to-bow" else cuts
    writer.add("start", "clear")
    _past_first_cut(writer, cuts[0][0])
    for cut, depth in cuts:
        writer.space(cut)
        writer.depth(depth)
        writer.add("retract", "clear")


def _past_first_cut(writer: _Writer, cut: int) -> None:
    """Take up the play of the space control: past the first cut towards the bow, unless something is in the way."""
    dial = writer.order.dial("space")
    if dial is None or not dial.overshoot or writer.order.direction == "tip-to-bow":
        return
    frame = writer.frame
    x = frame.x_of_cut(cut) - dial.overshoot
    if x - reach_of(frame, 0.0) < end_of_reach(frame, dial) + frame.system.from_mm(CLEARANCE_MM) / 10:
        writer.notes.append(
            f"no room to go past cut {cut + 1} towards the bow, so the move there comes from the tip and the setting printed "
            f"at it goes {dial.backlash:g} further towards the bow, which takes up the play"
        )
        writer.play_at = frame.x_of_cut(cut)
        return
    writer.to_absolute("overshoot", "space", frame.distance(x))


def end_of_reach(frame: Frame, space: Control | None) -> float:
    """The place towards the bow that no cutter may come to: the shoulder, or where the clamp begins."""
    clamp = None if space is None else space.clamp
    return frame.x_bow if clamp is None else max(frame.x_bow, frame.x_of(clamp))


def obstacles(frame: Frame, steps: Sequence[Step], machine: Machine | None) -> list[str]:
    """Where the cutter comes to the shoulder or the clamp; one sentence, or none."""
    space = None if machine is None else machine.space
    clamped = space is not None and space.clamp is not None
    if frame.system.stop == "tip" and not clamped:
        return []  # nothing says where the clamp begins
    end = end_of_reach(frame, space)
    over = end - min(step.x - reach_of(frame, step.w) for step in steps)
    what = "the clamp" if frame.system.stop == "tip" or (clamped and end > frame.x_bow + ROUNDING) else "the shoulder"
    return [f"the cutter comes {over:.3g} {frame.system.unit} into {what}"] if over > 1e-9 else []


def _next_cut(writer: _Writer, cut: int, depth: float) -> None:
    """From the cut just made to its neighbour, square or over easing stops."""
    frame = writer.frame
    here, there = writer.at, (frame.x_of_cut(cut), depth)
    stops = _stops(writer, here, there)
    if there[1] > here[1]:
        for x, w in stops:
            writer.to_absolute("ease", "space", frame.distance(x))
            writer.depth(w, ease=True)
        writer.space(cut)
        writer.depth(depth)
    else:
        for x, w in reversed(stops):
            writer.depth(w, ease=True)
            writer.to_absolute("ease", "space", frame.distance(x))
        writer.depth(depth)
        writer.space(cut)


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
