"""A plan as it is read at the machine, from two metres: one line a cut, with its moves in the order they are made.

The answer comes first, then every cut: which control goes first, where to, in the system's unit and the other one; moves
that climb are marked. The second face of a convenience key repeats the moves of the first. Set-up, cautions and what
follows are a line each. `full` tells all of it, one move a line, numbered, with what changes and how it mills; so are plans
that say more of a move than its setting: on the user's dial, eased, or with play taken up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bitting.geometry.frame import Frame
from bitting.machine.plan.plan import Plan, TrackPlan
from bitting.machine.plan.steps import Step
from bitting.machine.plan.words import UNSTOP, gauged_again, laid, length
from bitting.model import System
from bitting.report.table import Line, table, wrapped

GOOD, BAD, ADVICE, HEAD = "green", "red", "yellow", "cyan"

NAMES = {"start": "START", "space": "SPACE", "depth": "DEPTH", "run-out": "RUN OUT", "retract": "BACK OUT"}


def plan_lines(plan: Plan, *, columns: int = 100, full: bool = False, copy: bool = False) -> Iterator[Line]:
    """The plan, top to bottom, in lines of at most `columns` where words allow.

    The answer, the moves, and a line each of what comes before and after; `full` adds how each move mills and every line
    on set-up, cautions and what follows, `copy` how the key is copied onto another blank.
    """
    loud = [warning for warning in plan.warnings if warning.startswith(("THIS", "NOT", "Not"))]
    for warning in loud:
        yield from wrapped("", warning, columns, BAD)
    yield from verdict_lines(plan, columns)
    for warning in plan.warnings:
        if warning not in loud:
            yield from wrapped("! ", warning, columns, ADVICE)
    short = not full and columns >= LEAST and all(_plain(track) for track in plan.tracks)
    yield from wrapped("", _legend(plan, full, short), columns, None)
    if not full:
        yield from wrapped("", _before(plan), columns, None)
    yield from _worked(plan, columns, full, short)
    if full:
        yield from _listed("BEFORE", plan.setup, columns)
        yield from _listed("CAUTIONS", plan.cautions, columns)
        yield from _listed("THEN", plan.after, columns)
    else:
        after = "After: deburr, inspect, never force it; stuck: turn back, withdraw straight. More: --full"
        yield from wrapped("", after, columns, None)
    if copy:
        yield from _listed("COPY ONTO THE FINAL KEY", plan.copying, columns)


def _worked(plan: Plan, columns: int, full: bool, short: bool) -> Iterator[Line]:
    """The tracks in the order they are worked; those that repeat what was told before are named at the end."""
    number = 1
    shown: dict[str, tuple[int, TrackPlan]] = {}
    again: dict[str, list[str]] = {}
    between = dict(plan.between)
    side: str | None = None
    roomy = short and all(len(line) <= columns for track in plan.tracks for line in _by_cut(track, True))
    for track in plan.tracks:
        if track.side != side and side is not None and full:
            yield from _listed(f"TURN OVER: {track.side}", (between[str(track.side)],), columns)
        side = track.side
        known = shown.get(track.track)
        moves = len(track.steps) - 1
        if known is not None and known[1].steps == track.steps:
            numbers = "" if short else f" {known[0]} to {known[0] + moves - 1}"
            again.setdefault(str(side), []).append(f"{track.track}{numbers}")
        else:
            turned = (
                track.side != plan.tracks[0].side
                and not full
                and not any(t.side == track.side for _, t in shown.values())
            )
            yield from wrapped("", _title(track, turned=turned), columns, HEAD)
            told = _by_cut(track, roomy) if short else _moves(plan.made_for, track, number, columns, full)
            yield from ((line, None) for line in told)
            shown[track.track] = (number, track)
            number += moves
    for side, parts in again.items():
        turn = "" if full else f"turn over, {gauged_again(plan.made_for)}; "
        repeated = f"{side.upper()}: {turn}{'all of' if short else 'moves'} {', '.join(parts)} once more"
        yield from wrapped("", repeated, columns, HEAD)


def _before(plan: Plan) -> str:
    """Set-up in a line; how the key lies, where it isn't the first side that is milled first."""
    system = plan.made_for
    sides = [track.side for track in plan.tracks[:1] if track.side not in system.sides[:1]]
    lies = "".join(f" {laid(system, side)};" for side in sides if side is not None)
    stop = f"gauge at the tip, clamp, {UNSTOP}" if system.stop == "tip" else "gauge at the shoulder, clamp"
    return f"Before: glasses on;{lies} {stop}."


def _legend(plan: Plan, full: bool, short: bool) -> str:
    vee = plan.made_for.cutting.shape == "vee"
    if short:
        order = "One line a cut, its moves from left to right"
        where = "After each, back out clear of the blade" if vee else "Run out to the load place: in air past the tip"
        return f"{order}; space is from the {plan.made_for.stop}. {where}."
    stop = plan.made_for.stop
    where = "clear: backed out of the blade" if vee else "load place: in air past the tip"
    bite = (
        ("; bite: the width of metal that the vee touches" if vee else "; bite: the widest metal taken") if full else ""
    )
    return f"Space from the {stop}, depth as in the table; {where}{bite}."


def verdict_lines(plan: Plan, columns: int) -> Iterator[Line]:
    """The answer first: what is wrong, or what was simulated and what remains."""
    system = plan.made_for
    simulation = plan.simulation
    if plan.cut_through is not None:
        yield from wrapped("", f"DON'T CUT IT: the key would be cut through, {plan.cut_through}.", columns, BAD)
    for obstacle in plan.obstacles:
        yield from wrapped("", f"DON'T CUT IT: {obstacle}.", columns, BAD)
    eased = ", eased" if plan.eased else ""
    moves = plan.moves - len(plan.tracks)
    what = f"{system.name}: {moves} move{'s' * (moves != 1)}{eased}"
    if plan.taken is not None:
        what += f" that deepen {plan.taken}"
    if simulation.gouge == 0 and simulation.reached:
        found, colour = "simulated: every cut reached, nothing cut too deep", GOOD
    else:
        found, colour = f"simulated: {length(system, simulation.gouge)} too deep, {len(simulation.missed)} missed", BAD
    left = []
    last = simulation.stages[-1] if simulation.stages else None
    if last is not None and last.web is not None:
        rule = plan.rule_web
        more = plan.eased and rule is not None and abs(rule - last.web) > system.from_mm(0.005)
        count = (
            f" ({system.in_own(rule)} before its walls are eased, as rules count it)"
            if more and rule is not None
            else ""
        )
        left.append(f"{system.in_own(last.web)} across the blade{count}")
    if last is not None and last.floor is not None:
        left.append(f"{system.in_own(last.floor)} under the cuts")
    yield from wrapped("", f"{what}; {found}.", columns, colour if plan.good or colour == BAD else None)
    if left:
        yield from wrapped("", f"Metal left, at least: {', '.join(left)}.", columns, None)


def _title(track: TrackPlan, *, turned: bool) -> str:
    way = "from bow to tip" if track.direction == "bow-to-tip" else "from tip to bow"
    labels, first = track.frame.track.labels, track.steps[0]
    if first.to == "clear":
        start = "start clear of the blade"
    else:
        setting = (
            f"{track.frame.system.in_mm(first.depth):.2f} mm"
            if track.frame.system.unit == "mm"
            else f"{first.depth:.4f} in"
        )
        start = f"start at the load place, depth {labels[0]} ({setting})"
    turns = "" if first.turns is None else f"; {first.turns}"
    turn = f"turn over, {gauged_again(track.frame.system)}; " if turned else ""
    return f"{track.label.upper()}, {way}: {turn}{start}{turns}"


def _moves(system: System, track: TrackPlan, first: int, columns: int, full: bool) -> Iterator[str]:
    """One line for each step after the start; where that is too wide, only the system's own unit is left, or the dial's turns."""
    rows = [_row(track.frame, previous, step, full) for previous, step in pairwise(track.steps)]
    lines = _aligned(rows, first)
    if max(map(len, lines)) > columns and not any(step.turns for step in track.steps):
        lines = _aligned([(name, what, setting, "", "") for name, what, setting, _, _ in rows], first)
        yield f"  (a wider window adds {'thou' if system.unit == 'mm' else 'mm'} and more)"
    yield from lines


LEAST = 64
"""Columns under which there is no room for two moves on a line."""


def _plain(track: TrackPlan) -> bool:
    """Whether there is no more to any move than its setting."""
    usual = ("start", "space", "depth", "run-out", "retract")
    return all(step.action in usual and step.turns is None and not step.play for step in track.steps)


def _cuts_of(track: TrackPlan) -> Iterator[tuple[str, list[Step]]]:
    """(cut, its moves): a shallower depth is set before the space of its cut, a deeper one after it."""
    cut, moves, waiting = "", list[Step](), list[Step]()
    for before, step in pairwise(track.steps):
        if step.action == "depth" and moves and step.w > before.w and len(moves) == len(waiting) + 1:
            moves.append(step)
        elif step.action == "depth":
            if moves:
                yield cut, moves
            cut, moves, waiting = "", [], [step]
        elif step.action == "retract":
            continue
        else:
            if moves:
                yield cut, moves
                waiting = []
            cut, moves = ("" if step.action == "run-out" else step.to), [*waiting, step]
    if moves:
        yield cut, moves


def _by_cut(track: TrackPlan, roomy: bool) -> list[str]:
    """A line of two moves for each cut, and one more for a third; where there is no room, in the system's own unit alone."""
    system, rows = track.frame.system, []
    for cut, moves in _cuts_of(track):
        for start in range(0, len(moves), 2):
            pair = moves[start : start + 2]
            cells = [_cell(track.frame, step) for step in pair] + [("",) * 4] * (2 - len(pair))
            told = [f"CLIMBS {_bite(system, step)}" for step in pair if step.milling == "climb"]
            rows.append((f"cut {cut}" if cut and not start else "", *cells[0], *cells[1], ", ".join(told)))
    kept, align = (range(10), "rllrrllrrl") if roomy else ((0, 1, 2, 3, 5, 6, 7, 9), "rllrllrl")
    return [f"  {line}" for line in table([[row[i] for i in kept] for row in rows], align=align, ruled=False)]


def _cell(frame: Frame, step: Step) -> tuple[str, str, str, str]:
    """Control, depth, setting and setting in the other unit."""
    if step.action == "run-out":
        return "RUN OUT", "", "", ""
    value = step.space if step.action == "space" else step.depth
    label = step.to if step.action == "depth" else ""
    return (step.action.upper(), label, *frame.system.in_both(value))


def _aligned(rows: Sequence[Sequence[str]], first: int) -> list[str]:
    """Rows as numbered lines with their cells under each other, lengths to the right."""
    numbered = [(str(number), *row) for number, row in enumerate(rows, first)]
    return [f"  {line}" for line in table(numbered, align="rllrrl", ruled=False)]


def _row(frame: Frame, previous: Step, step: Step, full: bool) -> tuple[str, str, str, str, str]:
    """Control, what changes, the setting in both units (on a machine the dial's), and what else there is to the move."""
    name = NAMES.get(step.action)
    spaced = step.space != previous.space
    value = step.set_to("space" if spaced else "depth")
    before, after = (_stands(frame, s, spaced) for s in (previous, step))
    last = (
        milling_words(frame.system, step) if full else f"CLIMBS {_bite(frame.system, step)}" * (step.milling == "climb")
    )
    if name is None:
        name = "SPACE" if spaced else "DEPTH"
        after += {"ease": " (ease)", "overshoot": ", then back"}.get(step.action, "")
    if step.turns is not None:
        last = f"{step.turns}  {last}".rstrip()
    if step.action in ("run-out", "retract"):
        after = "load place" if step.action == "run-out" else "clear"
        return name, f"{before} → {after}", "", "", last
    main, other = frame.system.in_both(value)
    if step.turns is not None:
        other = ""
    return name, f"{before} → {after}", main, other, last


def _bite(system: System, step: Step) -> str:
    return f"{system.in_mm(step.bite):.2f}" if system.unit == "mm" else f"{step.bite * 1000:.0f} thou"


def _stands(frame: Frame, step: Step, spaced: bool) -> str:
    """Where a control stands after a step: a name, or past the one that it is about to return to."""
    if step.action != "overshoot" or not step.to.startswith("space" if spaced else "depth"):
        return space_name(frame, step.space) if spaced else depth_name(frame, step.depth)
    if spaced:
        near = min(range(frame.track.cuts), key=lambda i: abs(frame.track.spaces[i] - step.space))
        return f"past {near + 1}"
    near = min(range(len(frame.track.depths)), key=lambda i: abs(frame.track.depths[i] - step.depth))
    return f"past {frame.track.labels[near]}"


def space_name(frame: Frame, distance: float) -> str:
    """A cut, the two cuts a place lies between, or the load place."""
    x = frame.x_of(distance)
    if abs(x - frame.load) < 1e-9:
        return "load place"
    return _among([(str(i + 1), frame.x_of_cut(i)) for i in range(frame.track.cuts)], x)


def depth_name(frame: Frame, dimension: float) -> str:
    """A depth, the depth and what lies past it, or clear of the blade."""
    travel = frame.travel(dimension)
    if abs(travel - frame.clear) < 1e-9:
        return "clear"
    named = [(label, frame.travel_of(i)) for i, label in enumerate(frame.track.labels)]
    for name, at in named:
        if abs(at - travel) < 1e-9:
            return name
    passed = [(name, at) for name, at in named if at < travel]
    if not passed:
        return f"before {named[0][0]}"
    name, at = passed[-1]
    return (
        f"{name} + {frame.system.in_mm(travel - at):.2f}"
        if frame.system.unit == "mm"
        else f"{name} + {travel - at:.4f}"
    )


def _among(named: Sequence[tuple[str, float]], value: float) -> str:
    """The name of a cut, or the cuts a place lies between; `before 1` and `past 7` at the ends."""
    for name, at in named:
        if abs(at - value) < 1e-9:
            return name
    if value < named[0][1]:
        return f"before {named[0][0]}"
    for (name, _), (after, at) in pairwise(named):
        if value < at:
            return f"{name}-{after}"
    return f"past {named[-1][0]}"


def milling_words(system: System, step: Step) -> str:
    """How a move meets the metal: `conventional, bites 0.50 mm`."""
    if step.bite <= 0:
        return "air"
    ways = {"both": "both ways, ", "climb": "climbs, ", "conventional": "conventional, ", None: ""}
    return f"{ways[step.milling]}bites {_bite(system, step)}{' mm' if system.unit == 'mm' else ''}"


def _listed(title: str, lines: Sequence[str], columns: int) -> Iterator[Line]:
    if not lines:
        return
    yield "", None
    yield title.upper(), HEAD
    for line in lines:
        indent = "    " if line.startswith("  ") else ""
        yield from wrapped(f"  {indent}- " if not indent else "      ", line.strip(), columns, None)
