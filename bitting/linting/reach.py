"""What a cutter does to the cuts beside its own: the seats it reaches, and the walls it leaves between neighbours.

Both are asked of every pair of depths that two cuts have together in some legal code, so the largest difference that
counts is the one the rules declare, by whatever sentence.

How far a cutter spares its neighbours is `bitting/geometry/spare.py`. A square move over a step h leaves
arccos(1 - h/r), and an upright wall from h = r on (derived).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from math import acos, degrees

import numpy as np

from bitting.geometry.figures import EXACT
from bitting.geometry.frame import seat_of
from bitting.geometry.profile import EndMill
from bitting.geometry.spare import spared
from bitting.linting.facts import CUTTER, Check, Facts, is_round, is_vee
from bitting.linting.result import LintFinding
from bitting.machine.plan.moves import GRAIN_IN, GRAIN_MM, stops_between
from bitting.model import Place
from bitting.text import plural


def square_angle(h: float, r: float) -> float:
    """Degrees to the blade's length at which the wall of a square move over a step h stands at its top."""
    return 90.0 if h >= r else degrees(acos(1 - h / r))


Worst = tuple[float, Place, Place, int, int]
"""Excess, two cuts and their depths."""


def _worst(facts: Facts, flat: float) -> Worst | None:
    """The worst pair of cuts of one lane at which the cutter at one takes from a flat of the other."""
    seat = seat_of(facts.system)
    worst: Worst | None = None
    for lane in facts.lanes:
        track = facts.track(lane)
        range_ = abs(track.depths[-1] - track.depths[0])
        for i in range(track.cuts):
            for j in range(i + 1, track.cuts):
                a, b = Place(lane, i), Place(lane, j)
                apart = abs(facts.ahead(a, b))
                if apart < seat - EXACT:
                    continue  # their seats overlap, which is said already
                limit = spared(facts.system.cutting, apart, flat)
                if limit is None or limit >= range_ - EXACT:
                    continue
                for d, e in np.argwhere(facts.codes.together(a, b)).tolist():
                    excess = abs(track.depths[d] - track.depths[e]) - max(limit, 0.0)
                    if excess > EXACT and (worst is None or excess > worst[0] + EXACT):
                        worst = (excess, a, b, d, e)
    return worst


def _seats(facts: Facts) -> Iterator[LintFinding]:
    """The cutter at one cut spares the seats of the others, and a vee their flats."""
    flats = [(seat_of(facts.system), "seat")]
    if is_vee(facts.system):
        flats.append((float(facts.system.need("cutting.root")), "flat"))
    for flat, what in flats:
        worst = _worst(facts, flat)
        if worst is not None:
            yield _gouge(facts, worst, flat, what)
            return


def _gouge(facts: Facts, worst: Worst, flat: float, what: str) -> LintFinding:
    _, a, b, d, e = worst
    track = facts.track(a.lane)
    apart = abs(facts.ahead(a, b))
    limit = max(spared(facts.system.cutting, apart, flat) or 0.0, 0.0)
    deep, shallow = (a, b) if d > e else (b, a)
    differ = abs(track.depths[d] - track.depths[e])
    apart_by = ((n, zip(track.depths, track.depths[n:], strict=False)) for n in range(1, len(track.depths)))
    fits = max((n for n, pairs in apart_by if max(abs(b - a) for a, b in pairs) <= limit + EXACT), default=0)
    message = (
        f"{facts.cuts(a, b)} may differ by {abs(d - e)} depths ({facts.length(differ)}), and the cutter at cut {deep.cut + 1} "
        f"then takes metal from the {what} of cut {shallow.cut + 1}: at {facts.length(apart)} apart there is room "
        f"for {fits} ({facts.length(limit)})"
    )
    witness = facts.codes.witness({a: d, b: e})
    if what == "seat":
        return LintFinding("seat-gouged", "error", message, witness)
    return LintFinding("flat-cut", "warning", message, witness)


def _walls(facts: Facts) -> Iterator[LintFinding]:
    """Walls between neighbours are gentle enough by square moves, or at least with easing stops."""
    system, r = facts.system, facts.radius
    allowed = float(system.need("cutting.steepest"))
    grain = GRAIN_MM if system.unit == "mm" else GRAIN_IN
    seat = seat_of(system)

    @cache
    def eased(apart: float, h: float) -> float:
        return stops_between((0.0, 0.0), (apart, h), EndMill(r), seat=seat, steepest_allowed=allowed, grain=grain)[1]

    worst: dict[str, Worst] = {}
    for lane in facts.lanes:
        track = facts.track(lane)
        heights = np.abs(np.subtract.outer(track.depths, track.depths)).round(9)
        for i in range(track.cuts - 1):
            a, b = Place(lane, i), Place(lane, i + 1)
            apart, occur = round(abs(facts.ahead(a, b)), 9), facts.codes.together(a, b)
            seen: set[str] = set()
            for h in np.unique(heights[occur])[::-1].tolist():  # the highest wall of each kind is the worst
                if len(seen) == 2 or square_angle(h, r) <= allowed + EXACT:
                    break
                kind = "wall-eased" if eased(apart, h) <= allowed + EXACT else "wall-steep"
                if kind not in seen and (kind not in worst or h > worst[kind][0] + EXACT):
                    d, e = np.argwhere(occur & (heights == h))[0].tolist()
                    worst[kind] = (h, a, b, d, e)
                seen.add(kind)
    for kind, (h, a, b, d, e) in sorted(worst.items(), reverse=True):
        best = eased(round(abs(facts.ahead(a, b)), 9), h)
        cure = (
            f"easing stops (`plan --ease`) bring it to {best:.0f}°"
            if kind == "wall-eased"
            else f"easing stops don't bring it below {best:.0f}°"
        )
        message = (
            f"a square move over {plural(abs(d - e), 'depth')} ({facts.length(h)}) between {facts.cuts(a, b)} "
            f"leaves a wall of {square_angle(h, r):.0f}°, and a tumbler climbs {allowed:g}°; {cure}"
        )
        yield LintFinding(kind, "warning", message, facts.codes.witness({a: d, b: e}))


CHECKS = (
    Check("whether the cutter reaches a neighbour's seat", _seats, (CUTTER, "cutting.seat"), is_round, stops=True),
    Check("whether the cutter leaves its neighbours' flats", _seats, (CUTTER,), is_vee, stops=True),
    Check("the walls between neighbours", _walls, ("cutting.cutter", "cutting.seat", "cutting.steepest"), is_round),
)
