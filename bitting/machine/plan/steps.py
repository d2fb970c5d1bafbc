"""Moves of a machine with two controls, and the path of the cutter's point that follows from them.

A move changes one control. What it is told to go to is written as people say it:

- `start` to `load`: the load place, in air beyond the tip, at the shallowest depth; to `clear`: clear of the blade
  (vee)
- `space` to a cut number, from 1 at the bow: the centre of that cut
- `depth` to a depth label: that depth
- `run-out` to `load`: along the blade to the load place, at the depth that is set
- `retract` to `clear`: backed out until it is clear of the blade
- `ease` to `space N` or `depth N`: that distance from the stop, or that dimension, in the system's unit
- `overshoot` to `space N` or `depth N`: the same; takes up the backlash of a control
- `take` to `depth N`: the same; a cut that is deepened to a dimension that is no depth of the table

Any list of moves is understood, also a wrong one; that is what a simulation is for.

>>> resolve_text("ease", "depth 7.925", 3)
('depth', 7.925)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from attrs import field, frozen

from bitting.errors import BittingError, nearest
from bitting.geometry.frame import Frame
from bitting.geometry.profile import Point
from bitting.model.value import NOT_JSON, Value
from bitting.systemfile.machine import ControlName

ACTIONS = ("start", "space", "depth", "run-out", "retract", "ease", "overshoot", "take")


@frozen
class Step(Value):
    """One move: what is done, and where both controls stand after it.

    `space` is the distance from the stop and `depth` the dimension, in the system's unit. `milling` says how the
    cutter meets the metal: conventional, climb, both (metal on both sides), or None in air. `bite` is the widest metal
    taken, across the direction of the move, in the system's unit. `setting` is what the controls that move are set to
    on the user's machine, corrected, and `turns` how to get there in words; None without a machine file. `play` is what the
    setting is moved by to take up the control's play, where there is no room to go past it and return.
    """

    json_digits = 6
    action: str
    to: str
    space: float
    depth: float
    milling: str | None = None
    bite: float = 0.0
    setting: Mapping[ControlName, float] | None = field(default=None, hash=False)
    turns: str | None = None
    play: float = field(default=0.0, metadata=NOT_JSON)
    x: float = field(default=0.0, repr=False, metadata=NOT_JSON)
    w: float = field(default=0.0, repr=False, metadata=NOT_JSON)

    def set_to(self, control: ControlName) -> float:
        """What a control is set to, uncorrected: where it stands, and the play that its own move takes up."""
        own = self.action == control or self.to.startswith(control)  # an ease goes to `depth 8.2`
        return (self.space if control == "space" else self.depth) + self.play * own

    def as_dict(self) -> dict[str, Any]:
        """The step as JSON; lengths rounded to a millionth of the unit."""
        found = super().as_dict()
        if self.setting is None:
            del found["setting"], found["turns"]
            return found
        return found | {"setting": {control: round(value, 6) for control, value in self.setting.items()}}


Move = Step | Mapping[str, Any] | tuple[str, str]
"""A step of a plan, its JSON, or a bare (action, to)."""


def place(frame: Frame, at: Point, action: str, to: str, number: int) -> Point:
    """Where a move takes the cutter's point that stood at `at`; `number` is for the error, counted from 1."""
    x, w = at
    if action == "start":
        return frame.load, frame.clear if to == "clear" else 0.0
    if action == "run-out":
        return frame.load, w
    if action == "space":
        return frame.x_of_cut(_cut(frame, to, number)), w
    if action == "depth":
        return x, frame.travel_of(_depth(frame, to, number))
    if action == "retract":
        return x, frame.clear if to == "clear" else frame.travel_of(_depth(frame, to, number))
    if action in ("ease", "overshoot", "take"):
        control, value = resolve_text(action, to, number)
        return (frame.x_of(value), w) if control == "space" else (x, frame.travel(value))
    raise BittingError(
        f"move {number}: {action!r} is no action",
        hint=f"actions are {', '.join(ACTIONS)}" + (f"; {near!r}?" if (near := nearest(action, ACTIONS)) else ""),
    )


def path_of(frame: Frame, moves: Sequence[Move]) -> list[Point]:
    """Where the cutter's point stands before the first move and after every one; straight in between.

    Before the first move it stands at the load place with the shallowest depth. Raises `BittingError` for an action, a
    cut or a depth that doesn't exist, naming the move.
    """
    path: list[Point] = [(frame.load, 0.0)]
    for number, move in enumerate(moves, 1):
        if isinstance(move, Step):
            path.append((move.x, move.w))
        else:
            path.append(place(frame, path[-1], *_said(move), number))
    return path[1:] if moves and _said(moves[0])[0] == "start" else path


def resolve_text(action: str, to: str, number: int) -> tuple[str, float]:
    """`space 12.3` or `depth 7.9` as control and value."""
    control, _, text = to.partition(" ")
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if control not in ("space", "depth") or not abs(value) < 1e6:
        raise BittingError(
            f"move {number}: {action!r} can't go to {to!r}", hint="write `space N` or `depth N`, N in the system's unit"
        )
    return control, value


def _said(move: Move) -> tuple[str, str]:
    """What is done, and where it goes."""
    if isinstance(move, Step):
        return move.action, move.to
    return (str(move["action"]), str(move["to"])) if isinstance(move, Mapping) else move


def _cut(frame: Frame, to: str, number: int) -> int:
    cuts = frame.track.cuts
    if not (to.isascii() and to.isdigit() and 1 <= int(to) <= cuts):
        raise BittingError(
            f"move {number}: there is no cut {to!r}", hint=f"track {frame.track.name} has cuts 1 to {cuts}"
        )
    return int(to) - 1


def _depth(frame: Frame, to: str, number: int) -> int:
    if to not in frame.track.labels:
        raise BittingError(
            f"move {number}: there is no depth {to!r}",
            hint=f"track {frame.track.name} has depths {' '.join(frame.track.labels)}",
        )
    return frame.track.labels.index(to)
