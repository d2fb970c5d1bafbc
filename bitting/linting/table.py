"""Checks of the file's figures by themselves: which way tables run, what fits the blade, what a caliper can tell apart."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import hypot, radians, sqrt, tan
from statistics import median

from bitting.decoding.model import model_of
from bitting.geometry.figures import EXACT, faults_of
from bitting.geometry.frame import frame_of, hand_of, reach_of, seat_of
from bitting.geometry.spare import deepest_alone
from bitting.linting.facts import CUTTER, Check, Facts, is_round, is_vee
from bitting.linting.result import LintFinding
from bitting.model import Place, System, Track


def _figures(facts: Facts) -> Iterator[LintFinding]:
    """Tables run the right way, walls lie on the blade, sizes are a key's."""
    return (LintFinding(fault.code, "error", fault.message) for fault in faults_of(facts.system))


ODD = 0.1
"""A step that differs by more than this share from the usual one stands out; rounding makes less."""


def _uneven(facts: Facts) -> Iterator[LintFinding]:
    """Figures that fall out of a table that is even otherwise: a digit may have slipped."""
    said = dict.fromkeys(words for track in facts.system.tracks for words in _standing_out(track))
    return (LintFinding("uneven", "warning", f"{words}: look again at the chart") for words in said)


def _standing_out(track: Track) -> Iterator[str]:
    names = [int(label) for label in track.labels if label.isdecimal()]
    if len(names) == len(track.labels) and names not in (sorted(names), sorted(names, reverse=True)):
        yield "the depths' names don't run in the order of their figures, so one figure is probably wrong"
    cuts = [str(number + 1) for number in range(track.cuts)]
    for what, labels, figures in (("depths", track.labels, track.depths), ("cuts", cuts, track.spaces)):
        steps = [abs(b - a) for a, b in pairwise(figures)]
        usual = median(steps) if len(steps) > 2 else 0.0
        off = [(n, step) for n, step in enumerate(steps) if abs(step - usual) > ODD * usual]
        if off and 2 * len(off) <= len(steps):
            said = ", ".join(f"{labels[n]} and {labels[n + 1]} {round(step, 4):g}" for n, step in off)
            yield f"most {what} lie {round(usual, 4):g} apart, but {said}"


def _tolerance(facts: Facts) -> Iterator[LintFinding]:
    """The tolerance leaves every cut one depth."""
    tolerance = float(facts.system.need("measuring.tolerance"))
    for track in facts.system.tracks:
        step = min(abs(b - a) for a, b in pairwise(track.depths))
        if tolerance > step / 2 + EXACT:
            message = (
                f"the tolerance of {tolerance:g} {facts.system.unit} is wider than half a step of {track.name} "
                f"({facts.length(step / 2)}): a cut could pass for two depths"
            )
            yield LintFinding("tolerance-wide", "warning", message)
            return


def _shoulder(facts: Facts) -> Iterator[LintFinding]:
    """The cutter at cut 1 stays off the shoulder, at every depth that cut 1 may have."""
    system = facts.system
    if system.stop != "shoulder":
        return  # nothing in the file says where the clamp begins
    for i in facts.lanes:
        track = facts.track(i)
        frame = frame_of(system, system.lanes[i])
        may = [d for d in range(len(track.depths)) if facts.legal is None or facts.codes.occurs(Place(i, 0))[d]]
        reach = reach_of(frame, frame.travel_of(max(may, default=0)))
        over = reach - track.spaces[0]
        if over > EXACT:
            witness = None if facts.legal is None else facts.codes.witness({Place(i, 0): max(may)})
            message = (
                f"the cutter at cut 1 of {track.name} comes {facts.length(over)} into the shoulder: it reaches "
                f"{facts.length(reach)} and the cut lies {facts.length(track.spaces[0])} from it"
            )
            yield LintFinding("shoulder-cut", "error", message, witness)
            return


def _close(facts: Facts) -> Iterator[LintFinding]:
    """Neighbouring depths can be told apart by one reading."""
    model = model_of(facts.system)
    one = hypot(model.reading_sd, model.offset_sd, model.cut_sd, model.tilt_sd / 2, model.left_right_sd)
    for track in facts.system.tracks:
        steps = [abs(b - a) for a, b in pairwise(track.depths)]
        least = min(steps)
        if least < 2 * one - EXACT:
            i = steps.index(least)
            message = (
                f"depths {track.labels[i]} and {track.labels[i + 1]} of {track.name} lie {facts.length(least)} apart, and one "
                f"reading of a cut is uncertain by {facts.length(one)} (one standard deviation of caliper, zero, tilt, "
                f"left-right and the cut itself): less than twice that can't be told apart"
            )
            yield LintFinding("depths-close", "warning", message)


def _setup(facts: Facts) -> Iterator[LintFinding]:
    """The setup key is cut to the deepest depth that spares the seats beside it."""
    system, setup = facts.system, facts.system.cutting.setup
    if setup is None:
        return
    for track in system.tracks:
        fits = deepest_alone(system.cutting, track.depths, track.spaces, setup.cut, seat_of(system))
        at = f"the setup key's cut {setup.cut + 1} is at depth {track.labels[setup.depth]} on {track.name}"
        if setup.depth > fits:
            message = (
                f"{at}, where the cutter takes metal from the seats beside it: {track.labels[fits]} is the deepest that spares "
                f"them, and `align` takes what is missing for an error of the machine"
            )
            yield LintFinding("setup-gouged", "warning", message)
            return
        if setup.depth < fits:
            message = (
                f"{at}, and its deepest is {track.labels[fits]}: that one shows the most of the depth control's travel"
            )
            yield LintFinding("setup-shallow", "warning", message)
            return


def _overlap(facts: Facts) -> Iterator[LintFinding]:
    """The seats of neighbouring cuts lie apart."""
    seat = seat_of(facts.system)
    for track in facts.system.tracks:
        gaps = [abs(b - a) for a, b in pairwise(track.spaces)]
        if gaps and min(gaps) < seat - EXACT:
            i = next(i for i, gap in enumerate(gaps) if gap < seat - EXACT)
            message = (
                f"cuts {i + 1} and {i + 2} of {track.name} lie {facts.length(gaps[i])} apart, and each has a seat of "
                f"{facts.length(seat)}: the seats overlap, so the two can't differ"
            )
            yield LintFinding("seats-overlap", "error", message)


def _whole_seat(facts: Facts) -> Iterator[LintFinding]:
    """An end mill is wider than a seat."""
    seat, r = seat_of(facts.system), facts.radius
    if seat / 2 >= r - EXACT:
        message = (
            f"the seat is {facts.length(seat)} wide and the cutter {facts.length(2 * r)}: it can't cut the whole seat"
        )
        yield LintFinding("seat-residual", "error", message)


def _residual(facts: Facts) -> Iterator[LintFinding]:
    """The cutter standing at a cut leaves little at the ends of its seat: an end mill's arc, or what is wider than a root."""
    system, seat, r = facts.system, seat_of(facts.system), facts.radius
    half = float(system.need("measuring.tolerance")) / 2
    if is_vee(system):
        over = (seat - float(system.need("cutting.root"))) / 2
        left = over / tan(radians(float(system.need("cutting.angle"))) / 2)
    else:
        left = r - sqrt(r * r - seat * seat / 4) if seat / 2 < r - EXACT else 0.0  # a narrower mill is told by itself
    if left > half + EXACT:
        message = (
            f"at the ends of a seat of {facts.length(seat)} the cutter leaves {left:.3g} {system.unit}, "
            f"more than half the tolerance ({half:.3g})"
        )
        yield LintFinding("seat-residual", "warning", message)


def _flank(facts: Facts) -> Iterator[LintFinding]:
    """The flank of a vee is gentle enough for a tumbler."""
    system = facts.system
    flank, steepest = 90 - float(system.need("cutting.angle")) / 2, float(system.need("cutting.steepest"))
    if flank > steepest + EXACT:
        message = f"the vee's flanks stand at {flank:.0f}° to the blade's length, and a tumbler climbs {steepest:g}°"
        yield LintFinding("wall-steep", "warning", message)


def _floor(facts: Facts) -> Iterator[LintFinding]:
    """Metal stands across the thickness, under one track or between two that are milled from both faces."""
    system = facts.system
    thickness, milled = float(system.need("blade.thickness")), float(system.need("blade.mill_depth"))
    pair = _over_each_other(facts)
    floor = thickness - (2 if pair else 1) * milled
    if floor >= facts.thin - EXACT:
        return
    where = f"between {pair}, which are milled from both faces over each other" if pair else "under a track"
    if floor <= EXACT:
        yield LintFinding(
            "floor-thin", "error", f"no metal is left {where}: {thickness:g} thick, milled {milled:g} deep"
        )
    else:
        message = f"only {facts.length(floor)} of metal is left {where}; under {facts.length(facts.thin)} is thin"
        yield LintFinding("floor-thin", "warning", message)


def _over_each_other(facts: Facts) -> str:
    """Two tracks of two faces that lie over each other somewhere, in words; nothing where none do."""
    system = facts.system
    if len(system.sides) < 2 or facts.legal is None:
        return ""
    width = float(system.need("blade.width"))
    top = [i for i in facts.lanes if system.lanes[i].side in (None, system.sides[0])]
    bottom = [i for i in facts.lanes if system.lanes[i].side in (None, system.sides[1])]
    for i in top:
        for j in bottom:
            low, high = _band(facts, i)
            a, b = _band(facts, j)
            if low < width - a - EXACT and width - b < high - EXACT:  # the other face, seen through this one
                names = (system.lanes[i].track.name, system.lanes[j].track.name)
                return f"{names[0]} of one face and {names[1]} of the other"
    return ""


def _band(facts: Facts, lane: int) -> tuple[float, float]:
    """Least and greatest distance from the left edge that a track's milling comes to, on its own face."""
    track, width = facts.track(lane), float(facts.system.need("blade.width"))
    deep, shallow = facts.own(lane, facts.codes.deepest(lane)), facts.own(lane, 0)
    band = (deep, shallow + 2 * facts.radius) if track.milling == "internal" else (0.0, deep)
    return band if hand_of(facts.system, facts.system.lanes[lane]) == "left" else (width - band[1], width - band[0])


def _on_faces(system: System) -> bool:
    return any(track.milling == "external" for track in system.tracks) and not _has_groove(system)


def _has_groove(system: System) -> bool:
    return any(track.milling == "internal" for track in system.tracks)


FLOOR = ("blade.thickness", "blade.mill_depth", "blade.width")
CHECKS = (
    Check("the figures by themselves", _figures, codes=False, stops=True),
    Check("whether the tables are even", _uneven, codes=False),
    Check("whether depths fit the blade", lambda facts: iter(()), ("blade.width",), codes=False),  # noqa: ARG005
    Check("whether the tolerance tells depths apart", _tolerance, ("measuring.tolerance",), codes=False),
    Check("whether the cutter stays off the shoulder", _shoulder, (CUTTER,), codes=False, stops=True),
    Check("whether depths can be told apart", _close, codes=False),
    Check("the setup key", _setup, (CUTTER, "cutting.seat"), is_round, codes=False),
    Check("the setup key", _setup, (CUTTER,), is_vee, codes=False),
    Check("whether seats overlap", _overlap, ("cutting.seat",), is_round, codes=False, stops=True),
    Check("whether seats overlap", _overlap, ("cutting.root",), is_vee, codes=False, stops=True),
    Check(
        "whether the cutter cuts a whole seat", _whole_seat, (CUTTER, "cutting.seat"), is_round, codes=False, stops=True
    ),
    Check("what stays on a seat", _residual, (CUTTER, "cutting.seat", "measuring.tolerance"), is_round, codes=False),
    Check("what stays on a seat", _residual, (CUTTER, "measuring.tolerance"), is_vee, codes=False),
    Check("the steepness of a vee's flanks", _flank, ("cutting.angle", "cutting.steepest"), is_vee, codes=False),
    Check("the floor under the tracks", _floor, FLOOR, _on_faces, stops=True),
    Check("the floor under the tracks", _floor, (*FLOOR, "cutting.cutter"), _has_groove, stops=True),
)
