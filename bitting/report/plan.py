"""A plan as it is read at the machine, from two metres: one move a line, numbered, with what changes.

Every line says which control moves, from what to what, and the setting in the system's unit and the other one; to the
right, for whoever steps nearer, how the cutter mills and how wide it bites. The second face of a convenience key
repeats the moves of the first under their own numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bitting.machine.geometry import Frame, frame_of
from bitting.machine.plan import Plan, TrackPlan
from bitting.machine.plan_words import length
from bitting.machine.simulate_moves import Step
from bitting.model import MM_PER_INCH, System

Line = tuple[str, str | None]
"""A line and its colour on a terminal (None: no colour)."""

GOOD, BAD, ADVICE, HEAD = "green", "red", "yellow", "cyan"

NAMES = {"start": "START", "space": "SPACE", "depth": "DEPTH", "run-out": "RUN OUT", "retract": "BACK OUT"}


def plan_lines(plan: Plan, *, columns: int = 100, plain: bool = False) -> Iterator[Line]:
    """The whole plan, top to bottom, in lines of at most `columns` where words allow."""
    yield from _verdict(plan)
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
            yield from ((line, None) for line in _moves(plan.system, track, number, plain))
            shown[track.track] = (number, track)
        number += len(track.steps)
    yield from _listed("THEN", plan.after, columns)
    yield from _listed("COPY ONTO THE FINAL BLANK", plan.copying, columns)


def _verdict(plan: Plan) -> Iterator[Line]:
    system = plan.system
    simulation = plan.simulation
    eased = ", eased" if plan.eased else ""
    yield f"{system.name}: {plan.moves} moves{eased}, widest bite {length(system, plan.widest_bite)}", None
    if simulation.gouge == 0 and simulation.reached:
        yield "simulated: every cut reached, nothing cut too deep", GOOD
    else:
        yield f"simulated: gouge {length(system, simulation.gouge)}, missed {len(simulation.missed)}", BAD
    left = [f"{length(system, simulation.residual)} on a seat"] if simulation.residual > 0 else []
    last = simulation.stages[-1] if simulation.stages else None
    if last is not None and last.web is not None:
        left.append(f"{length(system, last.web)} of metal beside the walls")
    if last is not None and last.floor is not None:
        left.append(f"{length(system, last.floor)} under them")
    if left:
        yield f"what remains: {', '.join(left)}", None


def _title(track: TrackPlan) -> str:
    way = "from bow to tip" if track.direction == "bow-to-tip" else "from tip to bow"
    return f"{track.label.upper()}, {way}"


def _moves(system: System, track: TrackPlan, first: int, plain: bool) -> Iterator[str]:
    """One line for each step of a track."""
    lane = next(lane for lane in system.lanes if lane.track.name == track.track and lane.side in (None, track.side))
    frame = frame_of(system, lane)
    rows = [
        _row(frame, previous, step, plain) for previous, step in zip([None, *track.steps], track.steps, strict=False)
    ]
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    wide = len(str(first + len(rows) - 1))
    for number, row in enumerate(rows, first):
        cells = [
            row[0].ljust(widths[0]),
            row[1].ljust(widths[1]),
            row[2].rjust(widths[2]),
            row[3].rjust(widths[3]),
            row[4],
        ]
        yield f"  {number:>{wide}}  {'  '.join(cells)}".rstrip()
        if track.steps[number - first].turns is not None:
            yield f"  {'':>{wide}}  {'':{widths[0]}}  {track.steps[number - first].turns}"


def _row(frame: Frame, previous: Step | None, step: Step, plain: bool) -> tuple[str, str, str, str, str]:
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
        return name, f"{before} {arrow} {after}", "", "", _milling(frame.system, step)
    mm, thou = frame.system.in_mm(value), frame.system.in_mm(value) / MM_PER_INCH * 1000
    both = (f"{mm:.2f} mm", f"{thou:.1f} thou")
    main, other = both if frame.system.unit == "mm" else both[::-1]
    return name, f"{before} {arrow} {after}", main, other, _milling(frame.system, step)


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


def _milling(system: System, step: Step) -> str:
    if step.bite <= 0:
        return "air"
    bite = f"bites {system.in_mm(step.bite):.2f} mm" if system.unit == "mm" else f"bites {step.bite * 1000:.0f} thou"
    ways = {"both": "both ways", "climb": "climbs", "conventional": "conventional"}
    return bite if step.milling is None else f"{ways[step.milling]}, {bite}"


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
