"""The steps of the page: everything before the first move, every move of the plan, the turns between, and what follows.

A move says which control to change now and which to leave, what both stand at after it, and, where the order matters, so
before it can go wrong: deepening before the space has moved cuts into the cut just made, and moving the space before the
depth is backed out cuts into the next one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

from attrs import frozen

from bitting.geometry.frame import Frame
from bitting.machine.plan.plan import Plan, TrackPlan
from bitting.machine.plan.steps import Step
from bitting.report.plan import depth_name, milling_words, space_name
from bitting.systemfile.machine import ControlName


@frozen
class Setting:
    """What one control stands at after a move.

    `value` and `other` are the setting in the system's unit and the other one, with their units, empty in air beyond the
    blade; `name` is what stands there (`cut 3`, `depth 2`); `came` is what it stood at before, empty where it stays.
    `dial` is where the dial of the user's machine then stands and `turn` how far it is turned to get there, both empty
    without a machine file.
    """

    changes: bool
    value: str
    other: str
    name: str
    came: str = ""
    dial: str = ""
    turn: str = ""


@frozen
class PageStep:
    """One step of the page.

    `number` is the move's number in the plan, None for a step that is no move and for the start of a track. `what` is the
    step in a few words, `said` the same as a screen reader says it; `warning` is what must not be mixed up, `mills` how
    the cutter meets the metal.
    `lines` are what to do where that is no move.
    """

    kind: Literal["ready", "move", "turn", "done"]
    where: str
    what: str
    said: str
    number: int | None = None
    space: Setting | None = None
    depth: Setting | None = None
    warning: str = ""
    mills: str = ""
    lines: tuple[str, ...] = ()
    track: int | None = None
    """Which of the plan's tracks it is a move of; None for a step that is no move."""


@frozen
class MoveList:
    """The moves of one track as a list to tick off; `sides` has a (side, number of its first move) for each time."""

    title: str
    sides: tuple[tuple[str, int], ...]
    moves: tuple[PageStep, ...]


def steps_of(plan: Plan) -> tuple[PageStep, ...]:
    first = PageStep(
        "ready",
        "Before the first move",
        "Get ready",
        "Get ready: go through the list above, then press Next for the first move.",
        lines=(
            "Go through the list above: cutter, stop, blank, clamp. Then press Next for the first move.",
            *plan.warnings,
        ),
    )
    last = PageStep(
        "done",
        "After the last move",
        "All moves are made",
        "All moves are made. Take the key out, deburr it, and inspect it before it meets a lock.",
        lines=plan.after,
    )
    return (first, *_moves(plan), last)


def _moves(plan: Plan) -> Iterator[PageStep]:
    between = dict(plan.between)
    side, number = plan.tracks[0].side, 1
    for index, track in enumerate(plan.tracks):
        if track.side != side:
            side = track.side
            how = between[str(side)]
            yield PageStep("turn", "Between the sides", f"Turn the key: {side}", f"Turn the key. {how}", lines=(how,))
        yield from _track(plan, index, track, number)
        number += len(track.steps) - 1


def _track(plan: Plan, index: int, track: TrackPlan, first: int) -> Iterator[PageStep]:
    frame = track.frame
    settings = _settings(track.steps)
    for i, step in enumerate(track.steps):
        before = track.steps[i - 1] if i else None
        after = track.steps[i + 1] if i + 1 < len(track.steps) else None
        space = _setting(frame, "space", before, step, settings[i])
        depth = _setting(frame, "depth", before, step, settings[i])
        what, said = _words(step, space, depth)
        warning = _warning(frame, before, step, after)
        number = first + i - 1 if i else None
        where = (
            f"Before move {first}, {track.label}"
            if number is None
            else f"Move {number} of {moves(plan)}, {track.label}"
        )
        yield PageStep(
            "move",
            where,
            what,
            f"{where}: {said} {warning}".strip(),
            number=number,
            space=space,
            depth=depth,
            warning=warning,
            mills="" if number is None else milling_words(plan.made_for, step),
            track=index,
        )


def moves(plan: Plan) -> int:
    """How many moves there are, the start of each track not counted, as `bitting plan` numbers them."""
    return plan.moves - len(plan.tracks)


def _settings(steps: Sequence[Step]) -> list[dict[ControlName, float]]:
    """What both controls stand at after each step: on the user's machine where one is known, else as the code has it."""
    found: list[dict[ControlName, float]] = []
    stands: dict[ControlName, float] = {}
    for step in steps:
        corrected = step.setting is not None
        stands = {**stands, **(dict(step.setting) if step.setting else {})}
        found.append(dict(stands) if corrected else {"space": step.space, "depth": step.depth})
    return found


def _setting(
    frame: Frame, control: ControlName, before: Step | None, step: Step, stands: dict[ControlName, float]
) -> Setting:
    value = step.space if control == "space" else step.depth
    came = None if before is None else before.space if control == "space" else before.depth
    named = space_name if control == "space" else depth_name
    name = named(frame, value)
    shown, other = ("", "") if name in ("load place", "clear") else frame.system.in_both(stands[control])
    dial, turn = ("", "") if came == value else _dial(control, step)
    return Setting(
        changes=came != value,
        value=shown,
        other=other,
        name=_called(control, name),
        came="" if came is None or came == value else _called(control, named(frame, came)),
        dial=dial,
        turn=turn,
    )


def _called(control: ControlName, name: str) -> str:
    """`cut 3`, `between 3 and 4`, `depth 2`, `depth 2 + 0.10`, `load place, off the tip`."""
    word = "cut" if control == "space" else "depth"
    if name == "load place":
        return "load place, off the tip"
    if name == "clear":
        return "clear of the blade"
    way, _, beyond = name.partition(" ")
    if way in ("before", "past"):
        return f"{way} {word} {beyond}"
    low, dash, high = name.partition("-")
    return f"between {low} and {high}" if dash and control == "space" else f"{word} {name}"


def _dial(control: ControlName, step: Step) -> tuple[str, str]:
    """Where the dial of one control then stands, and how far it is turned, in the words of the plan."""
    parts = (step.turns or "").split("; ")
    own = next((part.removeprefix(f"{control} ") for part in parts if part.startswith((f"{control} ", "dial "))), "")
    dial, _, turn = own.partition(" (")
    return dial, turn.replace(")", "", 1)


def _words(step: Step, space: Setting, depth: Setting) -> tuple[str, str]:
    """The move in a few words, and as a sentence that also says what stays."""

    def at(setting: Setting) -> str:
        return f"{setting.name}, {setting.value}" if setting.value else setting.name

    if step.action == "start":
        what = "Start: clear of the blade" if step.to == "clear" else "Start at the load place"
        return what, f"Start. Space to {at(space)}; depth to {at(depth)}."
    if step.action == "run-out":
        return "SPACE: run out over the tip", f"Run out. Space from {space.came} to {space.name}. Leave depth alone."
    if step.action == "retract":
        return "DEPTH: back out", f"Back out. Depth to {depth.name}. Leave space alone."
    moved, other = (space, "depth") if space.changes else (depth, "space")
    control = "space" if space.changes else "depth"
    to = moved.name if moved.name.startswith(("between", "before", "past")) else f"to {moved.name}"
    kind = {"ease": ", an easing stop", "overshoot": ": past it first, for the play"}.get(step.action, "")
    said = f"{control} from {moved.came} to {at(moved)}{kind}. Leave {other} alone."
    return f"{control.upper()} {to}{kind}", said[0].upper() + said[1:]


def _warning(frame: Frame, before: Step | None, step: Step, after: Step | None) -> str:
    """What must not be done before this move, on the move that comes first of two whose order matters."""
    if before is None or after is None:
        return ""
    if frame.system.cutting.shape == "vee":
        if step.action == "retract":
            return "Back out first. Never move the space while the cutter is in the metal."
        return ""
    if (
        step.space != before.space
        and after.depth != step.depth
        and frame.travel(after.depth) > frame.travel(step.depth)
    ):
        return "Space first, then depth. Deepening before the space stands there cuts too deep where you are now."
    if (
        step.depth != before.depth
        and after.space != step.space
        and frame.travel(step.depth) < frame.travel(before.depth)
    ):
        return "Depth first, then space. Moving along before the depth is backed out cuts the next cut too deep."
    return ""


def lists_of(plan: Plan, steps: Sequence[PageStep]) -> tuple[MoveList, ...]:
    """The moves as lists to tick off, a track that is worked alike on another side once with a box for each time."""
    found: list[MoveList] = []
    number = 1
    for index, track in enumerate(plan.tracks):
        alike = next(
            (i for i, t in enumerate(plan.tracks[:index]) if (t.track, t.steps) == (track.track, track.steps)), None
        )
        entry = (track.side or "", number)
        if alike is None:
            way = "from bow to tip" if track.direction == "bow-to-tip" else "from tip to bow"
            named = track.label if plan.made_for.sided else track.track
            own = tuple(step for step in steps if step.track == index)
            found.append(MoveList(f"{named[:1].upper()}{named[1:]}, {way}", (entry,), own))
        else:
            place = next(i for i, listed in enumerate(found) if listed.moves[0].track == alike)
            listed = found[place]
            found[place] = MoveList(listed.title, (*listed.sides, entry), listed.moves)
        number += len(track.steps) - 1
    return tuple(found)
