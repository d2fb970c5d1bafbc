"""What stands and what doesn't: thin webs and rails, grooves narrower than their cutter, islands and slivers.

Walls are taken where square moves leave them: along the blade the cutter runs at the shallower depth of two neighbours,
and before or after the cuts it runs over the whole track at the shallowest depth of the table. So between two cuts an
end mill clears what lies within its diameter of the wall at the shallower of their depths, and within its diameter of
the shallowest wall; what else lies outboard of the wall stands, unless the blank comes prepared.

What stands between two walls is the web of `bitting/geometry/web.py`, which rules and plans use too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from bitting.geometry.figures import EXACT
from bitting.geometry.spare import groove_room
from bitting.geometry.web import Clearance, meetings
from bitting.linting.facts import CUTTER, Check, Facts, is_round
from bitting.linting.result import LintFinding
from bitting.model import Place, System

Span = tuple[float, float]


Wanted = dict[Place, int | Sequence[int]]
"""Depths of some cuts, for a witness."""
Web = tuple[float, Place, Place, Wanted]
"""What stands, between two cuts, with the depths of a witness."""


def _web(facts: Facts) -> Iterator[LintFinding]:
    """Enough metal stands between walls that face each other with the blade between them."""
    worst: Web | None = None
    for one, other in facts.facing():
        if facts.track(one).milling != "internal":
            worst = _worst_web(facts, one, other, worst)
    if worst is not None:
        stands, a, b, wanted = worst
        where = (
            f"between {facts.cuts(a, b)}" if a != b else f"between {facts.cut(a)} and the same cut of the other edge"
        )
        yield _thin(facts, stands, where, facts.codes.witness(wanted))


def _worst_web(facts: Facts, one: int, other: int, worst: Web | None) -> Web | None:
    """The thinnest place between two walls where it is thin, by depths that cuts have together there, or the one known.

    Of a run the depths are only what its cuts bound, so a code must show them.
    """
    walls = facts.system.lanes[one], facts.system.lanes[other]
    clearance = Clearance(facts.system, *walls)
    for meeting in meetings(facts.system, *walls):
        limit = facts.thin if worst is None else worst[0]
        if clearance.least(meeting.along) >= limit - EXACT:
            continue
        a, b = Place(one, meeting.one[0]), Place(other, meeting.other[0])
        stands = np.array(clearance.table(meeting.along))
        thin = stands < limit - EXACT
        single = len(meeting.one) == len(meeting.other) == 1
        if single:
            thin &= facts.codes.together(a, b)
        for d, e in np.argwhere(thin).tolist():
            if worst is not None and stands[d, e] >= worst[0] - EXACT:
                continue
            wanted: Wanted = (
                {a: d, b: e} if single else _bounded(facts, ((one, meeting.one, d), (other, meeting.other, e)))
            )
            if len(wanted) == 2 or a == b or facts.codes.witness(wanted) is not None:
                worst = (float(stands[d, e]), a, b, wanted)
    return worst


def _bounded(facts: Facts, runs: Iterable[tuple[int, tuple[int, ...], int]]) -> Wanted:
    """The depths that cuts may have in runs of some depth: a single cut has it, several are at least as deep."""
    wanted: Wanted = {}
    for lane, cuts, depth in runs:
        deeper = tuple(range(depth, len(facts.track(lane).depths)))
        wanted |= {Place(lane, cut): depth if len(cuts) == 1 else deeper for cut in cuts}
    return wanted


def _thin(facts: Facts, stands: float, where: str, witness: str | None) -> LintFinding:
    if stands <= EXACT:
        return LintFinding("metal-thin", "error", f"no metal is left {where}: the walls meet", witness)
    message = f"only {facts.length(stands)} of metal is left {where}; under {facts.length(facts.thin)} is thin"
    return LintFinding("metal-thin", "warning", message, witness)


def _edge(facts: Facts) -> Iterator[LintFinding]:
    """Enough metal stands between a groove's wall and the edge, or behind a wall that no other faces."""
    width = float(facts.system.need("blade.width"))
    faced = {i for pair in facts.facing() for i in pair}
    for lane in facts.lanes:
        internal = facts.track(lane).milling == "internal"
        if lane in faced and not internal:
            continue
        depth = facts.codes.deepest(lane)
        own = facts.own(lane, depth)
        stands = own if internal else width - own
        if EXACT < stands < facts.thin - EXACT:
            cut = next(
                Place(lane, i) for i in range(facts.track(lane).cuts) if facts.codes.occurs(Place(lane, i))[depth]
            )
            where = f"between {facts.cut(cut)} and {'its own' if internal else 'the opposite'} edge"
            yield _thin(facts, stands, where, facts.codes.witness({cut: depth}))
            return


def _gap(facts: Facts) -> Iterator[LintFinding]:
    """A groove is as wide as its cutter wherever the cutter stands, in every legal code."""
    worst: tuple[float, float, str, Wanted] | None = None
    grooves = [pair for pair in facts.facing() if facts.track(pair[0]).milling == "internal"]
    ways = [way for one, other in grooves for way in ((one, other), (other, one))]
    for squeezed in (_at_cuts, _on_the_first_pass):
        for lane, opposite in ways:
            for found in squeezed(facts, lane, opposite):
                if worst is None or found[1] - found[0] > worst[1] - worst[0] + EXACT:
                    worst = found
        if worst is not None:
            gap, needed, where, wanted = worst
            message = (
                f"{where} the groove is {facts.length(gap)} wide and the cutter of {facts.length(2 * facts.radius)} needs "
                f"{facts.length(needed)}: it takes metal from the opposite wall"
            )
            yield LintFinding("gap-narrow", "error", message, facts.codes.witness(wanted))
            return


def _at_cuts(facts: Facts, lane: int, opposite: int) -> Iterator[tuple[float, float, str, Wanted]]:
    """(gap, needed, where, depths of a witness): the cutter standing at a cut, against the seats of the opposite wall."""
    width, r = float(facts.system.need("blade.width")), facts.radius
    for b in (Place(opposite, j) for j in range(facts.track(opposite).cuts)):
        for a in (Place(lane, i) for i in range(facts.track(lane).cuts)):
            needed = groove_room(facts.system.cutting, abs(facts.ahead(a, b)))
            if needed > r:
                for d, e in np.argwhere(facts.codes.together(a, b)).tolist():
                    gap = width - facts.own(lane, d) - facts.own(opposite, e)
                    if gap < needed - EXACT:
                        yield gap, needed, f"at {facts.cuts(a, b)}", {a: d, b: e}


def _on_the_first_pass(facts: Facts, lane: int, opposite: int) -> Iterator[tuple[float, float, str, Wanted]]:
    """The same for the pass at the shallowest depth that every track begins or ends with, from the tip to cut 1."""
    width, first = float(facts.system.need("blade.width")), Place(lane, 0)
    for b in (Place(opposite, j) for j in range(facts.track(opposite).cuts)):
        needed = groove_room(facts.system.cutting, max(facts.ahead(first, b), 0.0))
        for e in np.flatnonzero(facts.codes.occurs(b)).tolist():
            gap = width - facts.own(lane, 0) - facts.own(opposite, e)
            if gap < needed - EXACT:
                where = f"on the pass along {facts.track(lane).name} at its shallowest depth, opposite {facts.cut(b)},"
                yield gap, needed, where, {b: e}


def _levels(facts: Facts, lane: int) -> Iterator[tuple[int, Wanted, str]]:
    """Each depth at which the cutter runs along a lane between two cuts or leaves it: with a witness' depths and where."""
    track = facts.track(lane)
    seen: set[int] = set()
    for i in range(track.cuts - 1):
        a, b = Place(lane, i), Place(lane, i + 1)
        for d, e in np.argwhere(facts.codes.together(a, b)).tolist():
            if min(d, e) not in seen:
                seen.add(min(d, e))
                yield min(d, e), {a: d, b: e}, f"between {facts.cuts(a, b)}"
    last = Place(lane, track.cuts - 1)
    for d in np.flatnonzero(facts.codes.occurs(last)).tolist():
        if d not in seen:
            yield d, {last: d}, f"beyond {facts.cut(last)}"


def _slivers(facts: Facts) -> Iterator[LintFinding]:
    """Nothing stands outboard of the wall of an external or edge track."""
    wide = 2 * facts.radius
    prepared = facts.system.blade.prepared or 0.0
    for lane in facts.lanes:
        track = facts.track(lane)
        if track.milling == "internal":
            continue
        first = facts.own(lane, 0)
        worst: tuple[float, int, Wanted, str] | None = None
        for depth, wanted, where in _levels(facts, lane):
            own = facts.own(lane, depth)
            stands = _uncovered((0.0, own), [(0.0, prepared), (own - wide, own), (first - wide, first)])
            if stands > EXACT and (worst is None or stands > worst[0] + EXACT):
                worst = stands, depth, wanted, where
        if worst is not None:
            stands, depth, wanted, where = worst
            own = facts.own(lane, depth)
            message = (
                f"a sliver of {facts.length(stands)} stands outboard of the wall {where}: at depth {track.labels[depth]} the "
                f"wall lies {facts.length(own)} in from its edge, and the cutter clears {facts.length(wide)}; a wider cutter, "
                f"or a blank that comes `prepared` further in, leaves none"
            )
            yield LintFinding("sliver", "warning", message, facts.codes.witness(wanted))
            return
    yield from _only_cleared_by_the_first_pass(facts, wide, prepared)


def _only_cleared_by_the_first_pass(facts: Facts, wide: float, prepared: float) -> Iterator[LintFinding]:
    for lane in facts.lanes:
        track, depth = facts.track(lane), facts.codes.deepest(lane)
        over = facts.own(lane, depth) - wide - prepared
        if track.milling != "internal" and over > EXACT:
            message = (
                f"at depth {track.labels[depth]} of {track.name} the wall lies {facts.length(facts.own(lane, depth))} in from "
                f"its edge, and the cutter clears {facts.length(wide)}: only the pass at the shallowest depth takes the "
                f"{facts.length(over)} outboard; on a machine that follows the wall alone it stands as a sliver"
            )
            yield LintFinding("sliver", "note", message)
            return


def _uncovered(span: Span, covers: Sequence[Span]) -> float:
    """The length of a span that no cover covers."""
    at, left = span[0], 0.0
    for low, high in sorted(covers):
        if high > at:
            left += max(min(low, span[1]) - at, 0.0)
            at = max(at, min(high, span[1]))
    return left + max(span[1] - at, 0.0)


def _islands(facts: Facts) -> Iterator[LintFinding]:
    """Nothing stands inside a groove between its walls."""
    width, wide = float(facts.system.need("blade.width")), 2 * facts.radius
    faced = dict(facts.facing())
    for lane in facts.lanes:
        if facts.track(lane).milling != "internal":
            continue
        first = facts.own(lane, 0)
        passes = [(first, first + wide)]
        other = faced.get(lane)
        if other is not None:
            opposite = width - facts.own(other, 0)
            passes.append((opposite - wide, opposite))
        end = max(high for _, high in passes)
        for depth, wanted, where in _levels(facts, lane):
            own = facts.own(lane, depth)
            stands = _uncovered((own, end), [*passes, (own, own + wide)])
            if stands > EXACT:
                message = (
                    f"an island of {facts.length(stands)} stands in the groove {where}: the cutter clears {facts.length(wide)} "
                    f"along the wall at depth {facts.track(lane).labels[depth]} and along the shallowest walls, and no more"
                )
                yield LintFinding("island", "warning", message, facts.codes.witness(wanted))
                return


def _is_milled(system: System) -> bool:
    return is_round(system) and any(track.milling != "internal" for track in system.tracks)


def _is_groove(system: System) -> bool:
    return is_round(system) and any(track.milling == "internal" for track in system.tracks)


CHECKS = (
    Check("the metal between walls", _web, ("blade.width", CUTTER), stops=True),
    Check("the metal between walls and edges", _edge, ("blade.width",)),
    Check("the width of the groove", _gap, ("blade.width", "cutting.cutter"), _is_groove, stops=True),
    Check("islands in the groove", _islands, ("blade.width", "cutting.cutter"), _is_groove),
    Check("slivers outboard of the walls", _slivers, ("blade.width", "cutting.cutter"), _is_milled),
)
