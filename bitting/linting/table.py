"""Checks of the file's figures by themselves: which way tables run, what fits the blade, what a caliper can tell apart."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import hypot, radians, sqrt, tan

from bitting.decoding.model import model_of
from bitting.geometry.frame import hand_of, seat_of
from bitting.linting.facts import EXACT, Check, Facts, is_round, is_vee, reversed_depths, reversed_spaces
from bitting.linting.result import LintFinding
from bitting.model import System, Track


def _order(facts: Facts) -> Iterator[LintFinding]:
    """Depth tables begin with the shallowest, spaces run from bow to tip."""
    system = facts.system
    for track in system.tracks:
        if reversed_depths(track):
            first, last = track.labels[0], track.labels[-1]
            message = (
                f"the depth table of {track.name} runs from deep to shallow: with {track.milling} milling measured from "
                f"{_FROM[track.measured]}, {first} = {track.depths[0]:g} is deeper than {last} = {track.depths[-1]:g}; "
                f"list the shallowest first, or mend `milling` or `measured`"
            )
            yield LintFinding("depths-reversed", "error", message)
        if reversed_spaces(system, track):
            goes = "grow" if system.stop == "shoulder" else "shrink"
            row = f"{track.spaces[0]:g} … {track.spaces[-1]:g}"
            message = (
                f"the spaces of {track.name} run against the stop: cuts are listed from bow to tip, so distances from the "
                f"{system.stop} {goes}, and these go {row}"
            )
            yield LintFinding("spaces-reversed", "error", message)


_FROM = {"far-edge": "the far edge", "own-edge": "its own edge", "centre": "the centre"}


def _each_track(facts: Facts) -> Iterator[tuple[int, Track]]:
    """The tracks in order, each once, with one of their lanes; tracks that run the wrong way are left out."""
    seen: set[str] = set()
    for lane in facts.lanes:
        track = facts.track(lane)
        if track.name not in seen:
            seen.add(track.name)
            yield lane, track


def _off_blade(facts: Facts) -> Iterator[LintFinding]:
    """Every wall lies on the blade."""
    width = float(facts.system.need("blade.width"))
    for lane, track in _each_track(facts):
        off = []
        for depth, label in enumerate(track.labels):
            own = facts.own(lane, depth)
            # An external or edge wall at the very edge is no cut at all; a groove's wall there has no metal behind it.
            outside = own < EXACT if track.milling == "internal" else own < -EXACT
            if outside or own > width - EXACT:
                off.append(f"{label} ({facts.length(own)} from its edge)")
        if off:
            message = f"{track.name}: on a blade of {facts.length(width)} there is no wall for depth {', '.join(off)}"
            yield LintFinding("off-blade", "error", message)


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
    """The setup key is cut to the deepest depth."""
    setup = facts.system.cutting.setup
    if setup is None:
        return
    for track in facts.system.tracks:
        if setup.depth != len(track.labels) - 1:
            message = (
                f"the setup key is cut to depth {track.labels[setup.depth]} on {track.name}, and its deepest is "
                f"{track.labels[-1]}: only the deepest cut shows the whole travel of the depth control"
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
    """An end mill standing at a cut leaves little at the ends of its seat."""
    seat, half, r = seat_of(facts.system), float(facts.system.need("measuring.tolerance")) / 2, facts.radius
    if seat / 2 < r - EXACT and (left := r - sqrt(r * r - seat * seat / 4)) > half + EXACT:
        yield _left(facts, left, half)


def _vee_residual(facts: Facts) -> Iterator[LintFinding]:
    """A vee's root is as wide as the seat, or its flanks leave little at the ends."""
    system = facts.system
    half = float(system.need("measuring.tolerance")) / 2
    over = (seat_of(system) - float(system.need("cutting.root"))) / 2
    left = over / tan(radians(float(system.need("cutting.angle"))) / 2)
    if left > half + EXACT:
        yield _left(facts, left, half)


def _left(facts: Facts, left: float, half: float) -> LintFinding:
    message = (
        f"at the ends of a seat of {facts.length(seat_of(facts.system))} the cutter leaves {left:.3g} {facts.system.unit}, "
        f"more than half the tolerance ({half:.3g})"
    )
    return LintFinding("seat-residual", "warning", message)


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


CHECKS = (
    Check("which way depths and spaces run", _order, codes=False),
    Check("whether depths fit the blade", _off_blade, ("blade.width",), codes=False),
    Check("whether depths can be told apart", _close, codes=False),
    Check("the setup key", _setup, codes=False),
    Check("whether seats overlap", _overlap, ("cutting.seat",), is_round, codes=False),
    Check("whether seats overlap", _overlap, ("cutting.root",), is_vee, codes=False),
    Check(
        "whether the cutter cuts a whole seat", _whole_seat, ("cutting.cutter", "cutting.seat"), is_round, codes=False
    ),
    Check(
        "what stays on a seat",
        _residual,
        ("cutting.cutter", "cutting.seat", "measuring.tolerance"),
        is_round,
        codes=False,
    ),
    Check(
        "what stays on a seat",
        _vee_residual,
        ("cutting.root", "cutting.angle", "measuring.tolerance"),
        is_vee,
        codes=False,
    ),
    Check("the steepness of a vee's flanks", _flank, ("cutting.angle", "cutting.steepest"), is_vee, codes=False),
    Check("the floor under the tracks", _floor, ("blade.thickness", "blade.mill_depth", "blade.width"), _on_faces),
    Check(
        "the floor under the tracks",
        _floor,
        ("blade.thickness", "blade.mill_depth", "blade.width", "cutting.cutter"),
        _has_groove,
    ),
)
