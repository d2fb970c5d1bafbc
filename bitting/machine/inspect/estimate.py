"""The value of every measured cut with its uncertainty, readings across two tracks worked in."""

from __future__ import annotations

import math

import attrs
from attrs import frozen

from bitting.geometry.jaw import StandOff, stand_off
from bitting.machine.inspect.decision import Guard
from bitting.machine.inspect.result import AcrossCheck
from bitting.machine.inspect.uncertainty import Gauge, measure
from bitting.model import Depths, ReadCut, Readings, System, Track


@frozen
class Estimate:
    """The value of one cut, its standard uncertainty (the cut's own part and the hand's beside the whole), and whence.

    `stood_off` is what the jaw may have stood off the cut's bottom: not in `mean`, its spread in `total` and `own`.
    """

    mean: float
    total: float
    own: float
    hand: float
    dof: int | None
    stood_off: StandOff
    readings: int


@frozen
class Job:
    """Everything that stays the same from cut to cut."""

    system: System
    gauge: Gauge
    guard: Guard
    tolerance: float
    scatter: tuple[float, int] | None
    depths: Depths

    def row(self, side: str | None, track: str) -> tuple[int, ...]:
        """The places of a track's depths on a side."""
        return self.depths[self.system.lane_of(side, track)]


Key = tuple[str | None, str, int]


def estimates(job: Job, readings: Readings) -> tuple[dict[Key, Estimate], tuple[AcrossCheck, ...]]:
    """The value of every cut that was measured, readings across two tracks worked in."""
    found: dict[Key, Estimate] = {}
    for cut in readings.cuts:
        if cut.track == "across" or not cut.readings:
            continue
        track = job.system.track(cut.track)
        jaw = jaw_of(job, cut.side, track, cut.cut)
        mean, budget = measure(cut, job.gauge, job.system, jaw.sd, job.scatter)
        found[(cut.side, cut.track, cut.cut)] = Estimate(
            mean, budget.total, budget.own, budget.hand, budget.dof, jaw, len(cut.readings)
        )
    checks = [_across(job, cut, found) for cut in readings.cuts if cut.track == "across" and cut.readings]
    return found, tuple(checks)


def jaw_of(job: Job, side: str | None, track: Track, cut: int) -> StandOff:
    """What the jaw stands off one cut of the code."""
    return stand_off(job.system, track, job.row(side, track.name), cut, job.gauge.jaw)


def _across(job: Job, cut: ReadCut, found: dict[Key, Estimate]) -> AcrossCheck:
    """One reading across two tracks; where a single track was read too, both cuts of the pair are updated by it."""
    across = job.system.need("measuring.across")
    first, second = (job.system.track(name) for name in across.tracks)
    faces = across.of(cut.side)
    jaws = [jaw_of(job, side, job.system.track(name), cut.cut) for side, name in faces]
    mean, budget = measure(cut, job.gauge, job.system, math.hypot(*(jaw.sd for jaw in jaws)), job.scatter)
    stood_off = across.scale * sum(track.deeper * jaw.mean for track, jaw in zip((first, second), jaws, strict=True))
    rows = [job.row(*face)[cut.cut] for face in faces]
    nominal_sum = first.depths[rows[0]] + second.depths[rows[1]]
    total = across.scale * (mean - across.amount)
    keys: list[Key] = [(*face, cut.cut) for face in faces]
    singles = [found.get(key) for key in keys]
    for i, (key, one) in enumerate(zip(keys, singles, strict=True)):
        other = singles[1 - i]
        if other is not None:
            implied, spread = total - other.mean, budget.total**2 + other.total**2
            found[key] = _combine(one, implied, spread, other, len(cut.readings), jaws[i])
    nominal = across.scale * nominal_sum + across.amount
    combined = any(one is not None for one in singles)
    if across.sides and not combined:
        # a caliper finds nothing else there, so half the web's deviation goes to each edge
        for track, row, key, jaw in zip((first, second), rows, keys, jaws, strict=True):
            half = track.depths[row] + (total - nominal_sum) / 2
            u = [part / 2 for part in (budget.total, budget.own, budget.hand)]
            found[key] = Estimate(half, u[0], u[1], u[2], budget.dof, jaw, len(cut.readings))
    off = mean + stood_off - nominal
    return AcrossCheck(cut.side, across.names, cut.cut + 1, nominal, mean, off, budget.total, combined)


def _combine(
    one: Estimate | None, implied: float, spread: float, other: Estimate, count: int, stood_off: StandOff
) -> Estimate:
    """Weighted mean of a cut's own readings and what the reading across implies for it."""
    if one is None:
        return Estimate(implied, spread**0.5, spread**0.5, other.hand, other.dof, stood_off, count)
    gain = one.total**2 / (one.total**2 + spread) if spread + one.total > 0 else 0.0
    shrink = (1 - gain) ** 0.5
    mean = one.mean + gain * (implied - one.mean)
    return attrs.evolve(
        one,
        mean=mean,
        total=one.total * shrink,
        own=one.own * shrink,
        hand=one.hand * shrink,
        readings=one.readings + count,
    )
