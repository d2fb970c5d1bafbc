"""A plan as it is read at the machine, from two metres: one move a line, numbered, with what changes.

Every line says which control moves, from what to what, and the setting in the system's unit and the other one; to the
right, for whoever steps nearer, how the cutter mills and how wide it bites. The second face of a convenience key
repeats the moves of the first under their own numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bitting.geometry.frame import Frame, frame_of
from bitting.machine.plan.plan import Plan, TrackPlan
from bitting.machine.plan.steps import Step
from bitting.machine.plan.words import length
from bitting.model import MM_PER_INCH, System

Line = tuple[str, str | None]
"""A line and its colour on a terminal (None: no colour)."""

NARROW = 60
"""Columns under which a move is told without its other unit and its bite."""

GOOD, BAD, ADVICE, HEAD = "green", "red", "yellow", "cyan"

NAMES = {"start": "START", "space": "SPACE", "depth": "DEPTH", "run-out": "RUN OUT", "retract": "BACK OUT"}


def plan_lines(plan: Plan, *, columns: int = 100, plain: bool = False) -> Iterator[Line]:
    """The whole plan, top to bottom, in lines of at most `columns` where words allow; `plain` keeps to ASCII."""
    for line, colour in _lines(plan, columns, plain):
        yield (line.replace("°", " degrees") if plain else line), colour


def _lines(plan: Plan, columns: int, plain: bool) -> Iterator[Line]:
    yield from _verdict(plan, columns)
    for warning in plan.warnings:
        loud = warning.startswith(("THIS", "NOT", "Not"))
        yield from _wrapped("! ", warning, columns, BAD if loud else ADVICE)
    yield from _listed("CAUTIONS", plan.cautions, columns)
    yield from _listed("BEFORE", plan.setup, columns)
    number = 1
    shown: dict[str, tuple[int, TrackPlan]] = {}
    between = dict(plan.between)
    side: str | None = None
    for track in plan.tracks:
        if track.side != side and side is not None:
            yield from _listed(f"TURN OVER: {track.side}", (between[str(track.side)],), columns)
        side = track.side
        yield "", None
        known = shown.get(track.track)
        if known is not None and known[1].steps == track.steps:
            first, last = known[0], known[0] + len(track.steps) - 1
            yield _title(track), HEAD
            yield f"  {number}-{number + len(track.steps) - 1}: moves {first} to {last} once more", None
        else:
            yield _title(track), HEAD
            yield from ((line, None) for line in _moves(plan.made_for, track, number, plain, columns))
            shown[track.track] = (number, track)
        number += len(track.steps)
    yield from _listed("THEN", plan.after, columns)
    yield from _listed("COPY ONTO THE FINAL BLANK", plan.copying, columns)


def _verdict(plan: Plan, columns: int) -> Iterator[Line]:
    system = plan.made_for
    simulation = plan.simulation
    eased = ", eased" if plan.eased else ""
    whole = f"{system.name}: {plan.moves} moves{eased}, widest bite {length(system, plan.widest_bite)}"
    yield from _wrapped("", whole, columns, None)
    if simulation.gouge == 0 and simulation.reached:
        yield from _wrapped("", "simulated: every cut reached, nothing cut too deep", columns, GOOD)
    else:
        found = f"simulated: gouge {length(system, simulation.gouge)}, missed {len(simulation.missed)}"
        yield from _wrapped("", found, columns, BAD)
    left = [f"{length(system, simulation.residual)} on a seat"] if simulation.residual > 0 else []
    last = simulation.stages[-1] if simulation.stages else None
    if last is not None and last.web is not None:
        left.append(f"{length(system, last.web)} of metal beside the walls")
    if last is not None and last.floor is not None:
        left.append(f"{length(system, last.floor)} under them")
    if left:
        yield from _wrapped("", f"what remains: {', '.join(left)}", columns, None)


def _title(track: TrackPlan) -> str:
    way = "from bow to tip" if track.direction == "bow-to-tip" else "from tip to bow"
    return f"{track.label.upper()}, {way}"


def _moves(system: System, track: TrackPlan, first: int, plain: bool, columns: int) -> Iterator[str]:
    """One line for each step of a track; where that is too wide, how it mills is told in fewer letters, or left out.

    On a terminal narrower still, with the letters large enough for two metres, only the system's own unit is left.
    """
    lane = next(lane for lane in system.lanes if lane.track.name == track.track and lane.side in (None, track.side))
    frame = frame_of(system, lane)
    for short in (False, True):
        rows = [
            _row(frame, previous, step, plain, short)
            for previous, step in zip([None, *track.steps], track.steps, strict=False)
        ]
        lines = _aligned(rows, first)
        if max(map(len, lines)) <= columns:
            break
    else:
        if columns < NARROW:
            rows = [(name, what, setting, "", "") for name, what, setting, _, _ in rows]
            lines = _aligned(rows, first)
            yield f"  (a wider window adds {'thou' if system.unit == 'mm' else 'mm'} and the bite)"
        else:
            yield f"  (last: conventional, climb or both ways, and the bite in {'mm' if system.unit == 'mm' else 'thou'})"
    indent = " " * (4 + len(str(first + len(rows) - 1)))
    for line, step in zip(lines, track.steps, strict=True):
        yield line
        if step.turns is not None:
            yield f"{indent}{step.turns}"


def _aligned(rows: Sequence[Sequence[str]], first: int) -> list[str]:
    """Rows as numbered lines with their cells under each other, lengths to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    wide = len(str(first + len(rows) - 1))
    lines = []
    for number, (name, what, setting, other, milling) in enumerate(rows, first):
        cells = f"{name:{widths[0]}}  {what:{widths[1]}}  {setting:>{widths[2]}}  {other:>{widths[3]}}  {milling}"
        lines.append(f"  {number:>{wide}}  {cells}".rstrip())
    return lines


def _row(frame: Frame, previous: Step | None, step: Step, plain: bool, short: bool) -> tuple[str, str, str, str, str]:
    """Control, what changes, the setting in both units, and how it mills."""
    arrow = "->" if plain else "→"
    name = NAMES.get(step.action)
    if previous is None:
        where = "clear of the blade" if step.to == "clear" else f"load place, depth {frame.track.labels[0]}"
        return str(name), where, "", "", ""
    spaced = step.space != previous.space
    value = step.space if spaced else step.depth
    before, after = (_space(frame, s.space) if spaced else _depth(frame, s.depth) for s in (previous, step))
    if name is None:
        name = "SPACE" if spaced else "DEPTH"
        after += " (ease)" if step.action == "ease" else " (past, then back)"
    if step.action in ("run-out", "retract"):
        after = "load place" if step.action == "run-out" else "clear"
        return name, f"{before} {arrow} {after}", "", "", _milling(frame.system, step, short)
    mm, thou = frame.system.in_mm(value), frame.system.in_mm(value) / MM_PER_INCH * 1000
    both = (f"{mm:.2f} mm", f"{thou:.1f} thou")
    main, other = both if frame.system.unit == "mm" else both[::-1]
    return name, f"{before} {arrow} {after}", main, other, _milling(frame.system, step, short)


def _space(frame: Frame, distance: float) -> str:
    """A cut, the two cuts a place lies between, or the load place."""
    x = frame.x_of(distance)
    if abs(x - frame.load) < 1e-9:
        return "load place"
    return _among([(str(i + 1), frame.x_of_cut(i)) for i in range(frame.track.cuts)], x)


def _depth(frame: Frame, dimension: float) -> str:
    """A depth, the two depths a dimension lies between, or clear of the blade."""
    travel = frame.travel(dimension)
    if abs(travel - frame.clear) < 1e-9:
        return "clear"
    return _among([(label, frame.travel_of(i)) for i, label in enumerate(frame.track.labels)], travel)


def _among(named: Sequence[tuple[str, float]], value: float) -> str:
    """The name of a value, or the names it lies between; `< 1` before the first and `> 7` past the last."""
    for name, at in named:
        if abs(at - value) < 1e-9:
            return name
    if value < named[0][1]:
        return f"< {named[0][0]}"
    for (name, _), (after, at) in pairwise(named):
        if value < at:
            return f"{name}-{after}"
    return f"> {named[-1][0]}"


def _milling(system: System, step: Step, short: bool) -> str:
    """How a move meets the metal: `conventional, bites 0.50 mm`, or `conv 0.50` where room is short."""
    if step.bite <= 0:
        return "air"
    bite = f"{system.in_mm(step.bite):.2f}" if system.unit == "mm" else f"{step.bite * 1000:.0f}"
    if short:
        ways = {"both": "both ", "climb": "climb ", "conventional": "conv ", None: ""}
        return ways[step.milling] + bite
    ways = {"both": "both ways, ", "climb": "climbs, ", "conventional": "conventional, ", None: ""}
    return f"{ways[step.milling]}bites {bite} {'mm' if system.unit == 'mm' else 'thou'}"


def _listed(title: str, lines: Sequence[str], columns: int) -> Iterator[Line]:
    if not lines:
        return
    yield "", None
    yield title.upper(), HEAD
    for line in lines:
        indent = "    " if line.startswith("  ") else ""
        yield from _wrapped(f"  {indent}- " if not indent else "      ", line.strip(), columns, None)


def _wrapped(bullet: str, text: str, columns: int, colour: str | None) -> Iterator[Line]:
    import textwrap

    under = " " * len(bullet)
    for line in textwrap.wrap(text, max(columns, 40), initial_indent=bullet, subsequent_indent=under):
        yield line, colour
