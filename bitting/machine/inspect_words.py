"""What an inspection says besides its figures: notes, assumptions, how many readings would do."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bitting.machine.inspect_decision import decide, largest_uncertainty
from bitting.machine.inspect_estimate import Estimate, Job
from bitting.machine.inspect_result import AcrossCheck, InspectedCut, InspectedPlace
from bitting.machine.inspect_uncertainty import measure, reading_sd_of, split
from bitting.model import ReadCut, Readings

MOST_READINGS = 20


def once(job: Job, readings: Readings, count: int) -> float:
    """Standard uncertainty of a cut read `count` times as these readings were, without the jaw."""
    values = [r for cut in readings.cuts for r in cut.readings]
    model = values[0] if values else None
    if model is None:
        return reading_sd_of(job.system)
    cut = ReadCut(None, job.system.tracks[0].name, 0, (model,) * count)
    return measure(cut, job.gauge, job.system, 0.0, job.scatter)[1].total


def readings_needed(job: Job, readings: Readings) -> int | None:
    """The fewest readings of a cut that can prove the tolerance with this caliper; None where no number can."""
    most = largest_uncertainty(job.tolerance, job.guard)
    return next((n for n in range(1, MOST_READINGS + 1) if once(job, readings, n) <= most), None)


def readings_to_decide(job: Job, too_deep: float, u: float, got: Estimate) -> int | None:
    """How many readings like those taken would settle a cut whose mean stays where it is; None where no number would."""
    rest = max(u**2 - got.hand**2, 0.0)
    for count in range(got.readings + 1, MOST_READINGS + 1):
        then = math.sqrt(rest + got.hand**2 * got.readings / count)
        if decide(too_deep, then, job.tolerance, job.guard) != "uncertain":
            return count
    return None


def notes_on(
    job: Job,
    cuts: Sequence[InspectedCut],
    across: Sequence[AcrossCheck],
    readings: Readings,
    against: bool,
    places: Sequence[InspectedPlace],
) -> list[str]:
    """What to know about the answer before acting on it, a sentence each."""
    system, notes = job.system, []
    if any(not a.combined for a in across):
        notes.append(
            "readings across two tracks alone can't tell which of the two is off: read one of the tracks by itself too"
        )
    if system.convenience and len(system.sides) > 1:
        seen = {c.side for c in cuts if c.measured is not None}
        if len(seen) < len(system.sides):
            notes.append("only one side was measured; the other is cut in a clamping of its own: measure it too")
    if against:
        notes.append("a key that works is worn towards deeper: a new cut a little shallower than it may still be right")
    if any(c.correction for c in cuts):
        notes.append("the jaw is wider than the bottom of some cuts; half of what it can stand off was added")
    if any(p.verdict == "fail" for p in places):
        notes.append("a cut in a wrong place can't be mended by recutting: check the stop and the space setting")
    digits = {r.digit for cut in readings.cuts for r in cut.readings}
    if digits and max(digits) > job.tolerance:
        notes.append(f"readings in steps of {max(digits):g} {system.unit} are coarser than the tolerance")
    return notes


def assumptions(job: Job, readings: Readings) -> str:
    """Every figure that went in, in one line."""
    system, gauge = job.system, job.gauge
    instrument, hand = split(reading_sd_of(system), gauge, system)
    if job.scatter is not None:
        hand = job.scatter[0]
    jaw = system.measuring.jaw if gauge.jaw is None else gauge.jaw
    own = any(r.own_sd is not None for cut in readings.cuts for r in cut.readings)
    stated = "as stated" if gauge.caliper is not None else "assumed"
    reading = "; what is written with a reading (±) stands for it" if own else ""
    return (
        f"standard uncertainties in {system.unit}: caliper {instrument:.4g} ({stated}), hand {hand:.4g} a reading, "
        f"zero {gauge.zero:.4g}, jaw {'a knife edge' if not jaw else f'{jaw:.4g} wide'}{reading}; "
        "nothing known about the key beforehand"
    )
