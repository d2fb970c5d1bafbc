"""What the page needs to judge a finished key by the same decision rule as `bitting inspect`.

The limits shown are those of `inspect --limits`. What the script judges by is taken from two answers of `inspect` to
readings that lie on the nominal, one with a single reading of each cut and one with two: what a cut's uncertainty is made
of follows from how the second reading lessens it. So the page follows whatever `inspect` does, and holds no figure of its
own.

u² of a cut read n times = fixed + hand² / n + (mean step of the digits)² / 12
"""

from __future__ import annotations

from attrs import frozen

from bitting.machine.inspect.decision import Guard
from bitting.machine.inspect.inspection import inspect
from bitting.machine.inspect.limits import DIGIT_MM, CutLimits, limits, nominal
from bitting.machine.inspect.result import InspectedCut, Inspection
from bitting.machine.inspect.uncertainty import Gauge
from bitting.model import Code, System
from bitting.notation.readings import UNITS, near_table

RARE = 0.01
"""Repeats that scatter as much as this seldom count as evidence that the stated figure of the hand is wrong."""


@frozen
class Limits:
    """The limits of one cut, in the system's unit, for a mean of as many readings as are needed to prove anything.

    `go` is the window that passes, None where no reading can prove it; past `recut` a cut is surely too shallow, past
    `scrap` surely too deep. `deeper` is +1 where deeper reads more, -1 where it reads less; `correction` is added to a
    reading before it is judged; `fixed` is the part of its variance that repeats don't lessen; `near` is where a reading
    may lie without being far outside the depth table.
    """

    side: str | None
    track: str
    cut: int
    depth: str
    nominal: float
    go: tuple[float, float] | None
    recut: float
    scrap: float
    deeper: int
    correction: float
    fixed: float
    near: tuple[float, float]

    @property
    def name(self) -> str:
        return " ".join(filter(None, (self.side, self.track, str(self.cut))))


@frozen
class Judging:
    """How the page judges: the rows in order, and what they share. Lengths in the system's unit.

    `readings` is how many readings of a cut the limits are for: the fewest that can prove the tolerance, or 1 where no
    number of them can (`proves` is then False). `hand` is the standard uncertainty that repeats lessen. `scatter` has, for
    1, 2, … degrees of freedom, the chi-square value past which the repeats' own scatter takes the place of the hand's.
    `units` gives the system's unit per unit that a reading may have.
    """

    rows: tuple[Limits, ...]
    unit: str
    tolerance: float
    guard: Guard
    hand: float
    readings: int
    proves: bool
    scatter: tuple[float, ...]
    units: tuple[tuple[str, float], ...]
    assumptions: str


def judging(code: Code, system: System, gauge: Gauge, guard: Guard, tolerance: float | None) -> Judging:
    """The limits of every cut of every side. Raises BittingError as `inspect` does."""
    from scipy.stats import chi2

    def asked(count: int) -> Inspection:
        return inspect(
            code, nominal(code, system, count, each_side=True), system, gauge=gauge, guard=guard, tolerance=tolerance
        )

    once, twice = asked(1), asked(2)
    hand = (2 * max(0.0, _u(once.cuts[0]) ** 2 - _u(twice.cuts[0]) ** 2)) ** 0.5
    needed = once.readings_needed
    shown = limits(code, system, needed or 1, gauge=gauge, guard=guard, tolerance=tolerance)
    stated = {(cut.side, cut.track, cut.cut): cut for cut in shown.cuts}
    rows = tuple(
        _limits(system, cut, stated[cut.side if system.sided else None, cut.track, cut.cut], hand) for cut in once.cuts
    )
    most = 3 * len(rows)  # degrees of freedom, with four readings of every cut
    return Judging(
        rows=rows,
        unit=system.unit,
        tolerance=once.tolerance,
        guard=guard,
        hand=hand,
        readings=needed or 1,
        proves=needed is not None,
        scatter=tuple(round(float(chi2.isf(RARE, dof)), 9) for dof in range(1, most + 1)),
        units=tuple((unit, system.from_mm(float(mm))) for unit, mm in UNITS.items()),
        assumptions=once.assumptions,
    )


def _u(cut: InspectedCut) -> float:
    return cut.uncertainty or 0.0


def _limits(system: System, cut: InspectedCut, stated: CutLimits, hand: float) -> Limits:
    track = system.track(cut.track)
    return Limits(
        side=cut.side,
        track=cut.track,
        cut=cut.cut,
        depth=cut.depth,
        nominal=cut.nominal,
        go=stated.go,
        recut=stated.no_go[0],
        scrap=stated.no_go[1],
        deeper=track.deeper,
        correction=cut.correction,
        fixed=max(0.0, _u(cut) ** 2 - hand**2 - system.from_mm(DIGIT_MM) ** 2 / 12),
        near=near_table(track),
    )
