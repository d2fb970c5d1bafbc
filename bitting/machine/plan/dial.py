"""Settings turned into turns of a control, corrected for what the machine is known to be off.

The setting of a distance is the distance plus the correction of space; that of a dimension is the dimension plus the
corrections of depth, scale and side, deepened by how much the cutter's radius falls short of the one that the
corrections were found with. A control's turns are counted from the dial's zero.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import count
from math import inf
from typing import TYPE_CHECKING, get_args

from attrs import evolve

from bitting.geometry.frame import Frame
from bitting.machine.plan.steps import Step
from bitting.systemfile.machine import Control, ControlName, Machine
from bitting.text import DIGITS, in_runs, listed

if TYPE_CHECKING:
    from bitting.machine.plan.moves import Direction
    from bitting.machine.plan.plan import TrackPlan


def setting_of(frame: Frame, step: Step, machine: Machine, control: ControlName) -> float:
    """What a control is set to for a step, corrected; in the system's unit."""
    c = machine.corrections
    if control == "space":
        return step.set_to(control) + c.space
    shallowest = frame.track.depths[0]
    aside = c.left_right if frame.hand == "left" else -c.left_right
    worn = 0.0
    if machine.cutter is not None and frame.radius:
        worn = (c.cutter or float(frame.system.need("cutting.cutter"))) / 2 - machine.cutter / 2
    scaled = c.depth_scale * (step.depth - shallowest)
    return step.set_to(control) + c.depth + scaled + aside + frame.track.deeper * worn


def with_turns(frame: Frame, steps: Sequence[Step], machine: Machine, direction: Direction) -> tuple[Step, ...]:
    """The steps with `setting` and `turns`: where the dial of the control that moves has to stand.

    On a track that is cut the other way than the zero of space was set, every space is set further by its play.
    """
    found: list[Step] = []
    stands: dict[ControlName, float] = {}
    aside = {"space": play_of(frame, machine.space, direction), "depth": 0.0}
    for previous, step in zip([None, *steps], steps, strict=False):
        parts = []
        settings: dict[ControlName, float] = {}
        for control in moved(previous, step):
            value = setting_of(frame, step, machine, control) + aside[control]
            before, dial = stands.get(control), machine.control(control)
            settings[control] = stands[control] = value
            if dial is None:
                words = f"set {value:.{DIGITS[frame.system.unit]}f}"
            else:
                words = dial_words(frame, dial, control, before, value)
                if previous is None and control == "depth" and dial.backlash:
                    words += ", come to it deepening"  # backed out to it, the play would leave the cutter too deep
            if step.play:
                words += f", which takes up the play{' towards the bow' if control == 'space' else ''}"
            parts.append(words if previous is not None else f"{control} {words}")
        found.append(evolve(step, turns="; ".join(parts), setting=settings))
    return tuple(found)


def play_of(frame: Frame, space: Control | None, direction: Direction) -> float:
    """How much further space is set on a track that is cut in a direction; 0 where nobody said how the zero was set."""
    if space is None or space.zeroed is None or direction.endswith(space.zeroed):
        return 0.0
    return space.backlash * (frame.along_sign if direction == "bow-to-tip" else -frame.along_sign)


def moved(previous: Step | None, step: Step) -> tuple[ControlName, ...]:
    """The controls that a step changes: both at the start."""
    if previous is None:
        return ("space", "depth")
    return ("space",) if step.space != previous.space else ("depth",)


def dial_words(frame: Frame, dial: Control, control: ControlName, before: float | None, value: float) -> str:
    """Where a dial ends, and which way and how far it is turned to get there.

    `dial 8 turns 15.0 cw (turn ccw 0 turns 45.0)`: it ends eight turns and fifteen divisions clockwise of its zero, and
    is turned back by forty-five divisions.
    """
    sign = clockwise_sign(frame, dial, control)
    text = f"dial {_turns(dial, value - dial.zero)}{_way(sign * (value - dial.zero))}"
    if dial.detents:
        click, past = dial.clicks(value)
        text += f", click {click:+d}" + ("" if abs(past) < 1e-9 else f" and {past:+.3f}")
    if before is None or value == before:
        return text
    return f"{text} (turn{_way(sign * (value - before))} {_turns(dial, value - before)})"


def _way(clockwise: float) -> str:
    return "" if abs(clockwise) < 1e-12 else " cw" if clockwise > 0 else " ccw"


def clockwise_sign(frame: Frame, dial: Control, control: ControlName) -> int:
    """+1 where a clockwise turn makes the setting (distance from the stop, dimension) larger."""
    if control == "space":
        return frame.along_sign if dial.clockwise == "to-tip" else -frame.along_sign
    return frame.track.deeper if dial.clockwise == "deepens" else -frame.track.deeper


def _turns(dial: Control, travel: float) -> str:
    """The size of a travel as whole turns and divisions, or as turns where the dial has no marks."""
    turns = abs(travel) / dial.per_turn
    if dial.divisions is None:
        return f"{turns:.2f} turns"
    whole, tenths = divmod(round(turns * dial.divisions * 10), dial.divisions * 10)
    return f"{whole} {'turn' if whole == 1 else 'turns'} {tenths / 10:.1f}"


def out_of_reach(tracks: Sequence[TrackPlan], machine: Machine) -> Iterator[str]:
    """Settings past a control's limits, and clicks that miss one by more than half the tolerance, by the plan's numbers.

    Of moves that are made once more on a further side the first are named.
    """
    numbers = count(1)
    once = [t for i, t in enumerate(tracks) if all((t.track, t.steps) != (u.track, u.steps) for u in tracks[:i])]
    moves = [(str(next(numbers)) if i else track.label, step) for track in once for i, step in enumerate(track.steps)]
    system = tracks[0].frame.system
    for control in get_args(ControlName):
        dial = machine.control(control)
        if dial is None:
            continue
        set_to = {where: step.setting[control] for where, step in moves if step.setting and control in step.setting}
        low, high = dial.limits or (-inf, inf)
        beyond = {where: value for where, value in set_to.items() if not low <= value <= high}
        if beyond:
            values = " to ".join(dict.fromkeys(f"{pick(beyond.values()):g}" for pick in (min, max)))
            yield f"{control} is set past the control's limits, {low:g} to {high:g} {system.unit}: {values} {_at(beyond)}"
        mills = [
            where for where, step in moves if step.action == control or (step.action, control) == ("start", "depth")
        ]
        off = {where: abs(dial.clicks(set_to[where])[1]) for where in mills if dial.detents}
        missed = {where: past for where, past in off.items() if past > (system.measuring.tolerance or inf) / 2 + 1e-9}
        if missed:
            most = system.in_own(max(missed.values()))
            yield f"no click of {control} is near enough {_at(missed)} (up to {most} off): set it by the dial"


def _at(places: Collection[str]) -> str:
    """`at the start of left and moves 3 to 5, 8`: of tracks and the numbers of moves."""
    numbers = [int(where) for where in places if where.isdigit()]
    runs = [f"{a} to {b}" if a < b else f"{a}" for a, b in in_runs(numbers)]
    starts = [where for where in places if not where.isdigit()]
    at_start = f"the start of {listed(starts)}" if starts else ""
    at_moves = f"move{'s' * (len(numbers) > 1)} {', '.join(runs)}" if runs else ""
    return f"at {' and '.join(filter(None, (at_start, at_moves)))}"
