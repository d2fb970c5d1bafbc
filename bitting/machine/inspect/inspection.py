"""Is the finished key right? Every cut beside its tolerance, with what the measuring itself is uncertain by.

`inspect` compares readings of a finished key with its code. A cut *passes* when it is in tolerance with at least 95 %
probability (or another guard), *recut* when it is surely too shallow, *fail* when it is surely too deep (metal can't be
put back), and *uncertain* otherwise. Which way is deeper follows from the depth table. The probabilities are those of
JCGM 106 (`decision`), the uncertainty is put together after the GUM (`uncertainty`).

Every face of a key that was measured is judged for itself, a convenience key's faces too: a mean over two faces would
hide the one that was clamped badly. Readings `across` two tracks sharpen those of the single tracks; by themselves they
can't say which of the two is off.

The key as a whole fails if any cut fails, else is recut if any cut is, else is uncertain if any cut is (a cut that
could not be measured is), else passes. `probability_all` is a lower bound for all its cuts being in tolerance together,
whatever the errors have in common: 1 − Σ(1 − p).

>>> from bitting.model import Blade, Measuring, ReadCut, Reading, System, Track, code_of
>>> left = Track("left", "external", "far-edge", (5.0, 2.5), ("1", "2"), (8.6, 8.1))
>>> figures = Measuring(tolerance=0.05, reading_sd=0.03)
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(), (left,), measuring=figures)
>>> cuts = [ReadCut(None, "left", i, (Reading(v, 0.01, 0.01, (0, 0)),)) for i, v in enumerate((8.61, 8.21))]
>>> result = inspect(code_of(system, [[0, 1]]), Readings(system, "", "mm", tuple(cuts)), system)
>>> result.verdict, [cut.verdict for cut in result.cuts], round(result.cuts[1].recut, 2)
('recut', ['pass', 'recut'], 0.11)

What an inspection says besides its figures: notes, assumptions, how many readings would do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import attrs

from bitting.errors import BittingError
from bitting.geometry.jaw import contact_said, too_wide
from bitting.machine.inspect.decision import (
    Guard,
    Verdict,
    acceptance,
    beyond,
    conformance,
    decide,
    largest_uncertainty,
)
from bitting.machine.inspect.estimate import Estimate, Job, Key, estimates, jaw_of
from bitting.machine.inspect.pattern import Point, find
from bitting.machine.inspect.result import AcrossCheck, InspectedCut, InspectedPlace, Inspection
from bitting.machine.inspect.uncertainty import Gauge, hand_scatter, measure, reading_sd_of, split
from bitting.model import Code, Depths, ReadCut, Readings, System, Track
from bitting.model.expect import expect, expect_in_reach, expect_read_for, expect_tolerance
from bitting.notation.readings import read_coarsely
from bitting.text import fewer_decimals

MOST_READINGS = 20


def once(job: Job, readings: Readings, count: int, jaw: float = 0.0) -> float:
    """Standard uncertainty of a cut read `count` times as these readings were; `jaw` is the jaw's part."""
    values = [r for cut in readings.cuts for r in cut.readings]
    model = values[0] if values else None
    if model is None:
        return reading_sd_of(job.system)
    cut = ReadCut(None, job.system.tracks[0].name, 0, (model,) * count)
    return measure(cut, job.gauge, job.system, jaw, job.scatter)[1].total


def readings_needed(job: Job, readings: Readings, against: bool) -> int | None:
    """The fewest readings of each cut with which every perfect one passes, if any number does; None where none can.

    Cuts that no number of readings can prove, for what the jaw may stand off there, ask for none; `against` a key that
    works the jaw cancels.
    """
    most = largest_uncertainty(job.tolerance, job.guard)
    lanes = () if against else job.system.lanes
    jaws = {jaw_of(job, lane.side, lane.track, cut).sd for lane in lanes for cut in range(lane.track.cuts)} or {0.0}
    needed = [
        next((n for n in range(1, MOST_READINGS + 1) if once(job, readings, n, jaw) <= most), None) for jaw in jaws
    ]
    return max((n for n in needed if n is not None), default=None)


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
    web = web_alone(system, readings, across)
    if web and system.measuring.across:
        first, second = system.measuring.across.names
        notes.append(
            f"half of what the web is off is given to each edge; {first} too deep and {second} too shallow by as much can't be "
            f"seen between the edges: a depth gauge at one cut of each shows it"
        )
    elif any(not a.combined for a in across):
        notes.append(
            "readings across two tracks alone can't tell which of the two is off: read one of the tracks by itself too"
        )
    if system.convenience and len(system.sides) > 1 and not web:
        seen = {c.side for c in cuts if c.measured is not None}
        if len(seen) < len(system.sides):
            notes.append("only one side was measured; the other is clamped and cut by itself: measure it too")
    if against:
        notes.append("a key that works is worn towards deeper: a new cut a little shallower than it may still be right")
    if wide := too_wide(system, job.gauge.jaw):
        notes.append(wide)
    if any(c.correction for c in cuts):
        notes.append(
            "the jaw or contact doesn't reach the bottom of some cuts; what it stands off there is allowed for"
        )
    if any(p.verdict == "fail" for p in places):
        notes.append("a cut in a wrong place can't be mended by recutting: check the stop and the space setting")
    if any(c.verdict != "pass" for c in cuts if c.measured is not None) and (coarse := read_coarsely(readings)):
        notes.append(fewer_decimals(coarse))
    step = min((r.digit for cut in readings.cuts for r in cut.readings), default=0.0)
    if step > job.tolerance:
        notes.append(f"readings in steps of {step:g} {system.unit} are coarser than the tolerance")
    return notes


def web_alone(system: System, readings: Readings, across: Sequence[AcrossCheck]) -> bool:
    """Whether any two edges were read together, and neither by itself."""
    alike = any(r.share < 1 for cut in readings.cuts for r in cut.readings)
    edges = system.measuring.across is not None and system.measuring.across.sides is not None
    return alike or (edges and any(not one.combined for one in across))


def assumptions(job: Job, readings: Readings) -> str:
    """Every figure that went in, in one line."""
    system, gauge = job.system, job.gauge
    instrument, hand = split(reading_sd_of(system), gauge, system)
    if job.scatter is not None:
        hand = job.scatter[0]
    contact = contact_said(system, gauge.jaw)
    own = any(r.own_sd is not None for cut in readings.cuts for r in cut.readings)
    stated = "as stated" if gauge.caliper is not None else "assumed"
    reading = "; what is written with a reading (±) stands for it" if own else ""
    return (
        f"standard uncertainties in {system.unit}: caliper {instrument:.4g} ({stated}), hand {hand:.4g} a reading, "
        f"zero {gauge.zero:.4g}, {contact}{reading}; "
        "nothing known about the key beforehand"
    )


RECLAMP_MM = 0.03
"""What clamping a key again moves it by, where the system file is silent (common practice)."""


def inspect(
    code: Code,
    readings: Readings,
    system: System,
    *,
    gauge: Gauge = Gauge(),  # noqa: B008 - a frozen value
    guard: Guard = Guard(),  # noqa: B008
    tolerance: float | None = None,
    place_tolerance: float | None = None,
    against: Readings | None = None,
) -> Inspection:
    """Judge a finished key; lengths in the system's unit.

    `tolerance` and `place_tolerance` (default: the tolerance) override the system's. `against` are readings, with the
    same caliper, of a key that works: it takes the place of the nominal depths, and caliper, zero and jaw cancel.
    Raises BittingError when the code isn't complete, nothing was measured, or no tolerance is known.
    """
    expect(Code, code)
    expect(Readings, readings)
    expect(System, system)
    given: list[Code | Readings] = [code, readings, *([] if against is None else [against])]
    for value in given:
        expect_read_for(value, system)
    allowed = float(system.need("measuring.tolerance")) if tolerance is None else tolerance
    expect_tolerance(allowed, system)
    depths = _depths_of(code)
    if not any(cut.readings or cut.place is not None for cut in readings.cuts):
        raise BittingError("nothing was measured: every reading is `?`", hint="measure at least one cut")
    if against is None:  # a key that works was read from there too
        expect_in_reach(readings, system)
    scatter, scatter_note = hand_scatter(readings.cuts, gauge, system)
    job = Job(system, gauge, guard, allowed, scatter, depths)
    found, across = estimates(job, readings)
    working = None if against is None else estimates(_with_scatter(job, against), against)[0]
    cuts = tuple(
        _judge(job, side, track, cut, found.get((side, track.name, cut)), working)
        for side, track in _faces(system, readings)
        for cut in range(track.cuts)
    )
    places = _places(job, readings, allowed if place_tolerance is None else place_tolerance)
    return _whole(job, cuts, places, across, readings, against is not None, scatter_note, found)


def _depths_of(code: Code) -> Depths:
    if code.depths is None:
        raise BittingError(
            "the code must be complete to inspect a key: every cut one depth of the system, as many as the track has",
            hint="`bitting check` says what is wrong with it",
        )
    return code.depths


def _with_scatter(job: Job, readings: Readings) -> Job:
    gauge = job.gauge if job.gauge.hand != "repeats" else attrs.evolve(job.gauge, hand=None)
    scatter, _ = hand_scatter(readings.cuts, gauge, job.system)
    return attrs.evolve(job, scatter=scatter or job.scatter)


def _faces(system: System, readings: Readings) -> list[tuple[str | None, Track]]:
    """Every list of cuts to judge: the tracks of each side that was measured, and of each side that must be."""
    out: list[tuple[str | None, Track]] = []
    for lane in system.lanes:
        seen = {cut.side for cut in readings.cuts if cut.track in (lane.track.name, "across")}
        if lane.side is not None:
            out.append((lane.side, lane.track))
        else:
            sides = [side for side in (None, *system.sides) if side in seen]
            out.extend((side, lane.track) for side in sides or [None])
    return out


def _judge(
    job: Job, side: str | None, track: Track, cut: int, got: Estimate | None, working: dict[Key, Estimate] | None
) -> InspectedCut:
    """One cut: its window, its probabilities and its verdict. Long because it fills every field of the answer once."""
    place = job.row(side, track.name)[cut]
    nominal, sense = track.depths[place], track.deeper
    reference = None if working is None else _reference(working, side, track.name, cut)
    if got is None or (working is not None and reference is None):
        return _unmeasured(side, track, cut, place, got)
    correction, u, dof = sense * got.stood_off.mean, got.total, got.dof
    if reference is not None:  # the same caliper and jaw on both keys: only what each cut has by itself remains
        nominal, correction = reference.mean, 0.0
        u = (_without_jaw(got) ** 2 + _without_jaw(reference) ** 2) ** 0.5
    deviation = got.mean - nominal
    too_deep = sense * (deviation + correction)
    verdict = decide(too_deep, u, job.tolerance, job.guard, dof)
    half = acceptance(u, job.tolerance, job.guard, dof)
    middle = nominal - correction
    outer = job.tolerance + job.guard.factor(dof) * u
    short = max(job.guard.factor(dof) * u - job.tolerance, 0.0)  # what more may come off than it reads is scrap
    recut = -too_deep - short if verdict == "recut" else None
    like = min(range(len(track.depths)), key=lambda p: abs(track.depths[p] - (got.mean + correction)))
    reclamp = job.system.measuring.reclamp_sd
    reclamp = job.system.from_mm(RECLAMP_MM) if reclamp is None else reclamp
    return InspectedCut(
        side=side,
        track=track.name,
        cut=cut + 1,
        depth=track.labels[place],
        nominal=nominal,
        measured=got.mean,
        deviation=deviation,
        verdict=verdict,
        probability_in_tolerance=conformance(too_deep, u, -job.tolerance, job.tolerance, dof),
        probability_too_shallow=beyond(-too_deep, u, job.tolerance, dof),
        probability_too_deep=beyond(too_deep, u, job.tolerance, dof),
        uncertainty=u,
        correction=correction,
        readings=got.readings,
        window=None if half is None else (middle - half, middle + half),
        recut_from=middle - sense * outer,
        scrap_from=middle + sense * outer,
        recut=recut,
        still_clamped=recut is not None and recut < reclamp,
        reads_like=track.labels[like] if reference is None and like != place else None,
        readings_to_decide=None if verdict != "uncertain" else readings_to_decide(job, too_deep, u, got),
    )


def _unmeasured(side: str | None, track: Track, cut: int, place: int, got: Estimate | None) -> InspectedCut:
    """A cut that can't be judged because it, or its like on the working key, was not measured."""
    return InspectedCut(
        side=side,
        track=track.name,
        cut=cut + 1,
        depth=track.labels[place],
        nominal=track.depths[place],
        measured=None if got is None else got.mean,
        verdict="uncertain",
        readings=0 if got is None else got.readings,
        note="not measured" if got is None else "not measured on the key that works",
    )


def _reference(working: dict[Key, Estimate], side: str | None, track: str, cut: int) -> Estimate | None:
    """The cut of the working key: of the same side if it was measured, else of any (a convenience key's agree)."""
    exact = working.get((side, track, cut))
    return exact or next((e for (_, t, c), e in working.items() if (t, c) == (track, cut)), None)


def _without_jaw(estimate: Estimate) -> float:
    return math.sqrt(max(0.0, estimate.own**2 - estimate.stood_off.sd**2))


def _places(job: Job, readings: Readings, tolerance: float) -> tuple[InspectedPlace, ...]:
    u = math.hypot(*split(reading_sd_of(job.system), job.gauge, job.system))
    out = []
    for cut in readings.cuts:
        if cut.place is None or cut.track == "across":
            continue
        nominal = job.system.track(cut.track).spaces[cut.cut]
        off = cut.place - nominal
        verdict = decide(abs(off), u, tolerance, job.guard)
        inside = conformance(off, u, -tolerance, tolerance)
        out.append(InspectedPlace(cut.side, cut.track, cut.cut + 1, nominal, cut.place, off, verdict, inside))
    return tuple(out)


def _whole(
    job: Job,
    cuts: tuple[InspectedCut, ...],
    places: tuple[InspectedPlace, ...],
    across: tuple[AcrossCheck, ...],
    readings: Readings,
    against: bool,
    scatter_note: str,
    found: dict[Key, Estimate],
) -> Inspection:
    verdicts: list[Verdict] = [c.verdict for c in cuts] + [p.verdict for p in places]
    order: tuple[Verdict, ...] = ("fail", "recut", "uncertain")
    names = [track.name for track in job.system.tracks]
    worst: Verdict = next((v for v in order if v in verdicts), "pass")
    inside = [c.probability_in_tolerance for c in cuts]
    bound = None if None in inside else max(0.0, 1 - sum(1 - p for p in inside if p is not None))
    notes = tuple(n for n in (scatter_note, *notes_on(job, cuts, across, readings, against, places)) if n)
    return Inspection(
        system=job.system.name,
        unit=job.system.unit,
        readings_unit=readings.unit,
        verdict=worst,
        cuts=cuts,
        places=places,
        across=across,
        tolerance=job.tolerance,
        guard=job.guard.words,
        factor=job.guard.factor(),
        uncertainty=once(job, readings, 1),
        largest_uncertainty=largest_uncertainty(job.tolerance, job.guard),
        readings_needed=readings_needed(job, readings, against),
        probability_all=bound,
        patterns=find(_points(job, cuts, found), job.tolerance, (names[0], names[-1])),
        against=against,
        notes=notes,
        assumptions=assumptions(job, readings),
        web_alone=web_alone(job.system, readings, across),
    )


def _points(job: Job, cuts: Sequence[InspectedCut], found: dict[Key, Estimate]) -> list[Point]:
    """The deviations towards deeper, with where each cut stands, for the search for patterns."""
    system = job.system
    names = [track.name for track in system.tracks]
    out = []
    for cut in cuts:
        if cut.deviation is None:
            continue
        track = system.track(cut.track)
        span = abs(track.depths[-1] - track.depths[0])
        down = abs(track.depths[track.labels.index(cut.depth)] - track.depths[0]) / span if span else 0.0
        hand = (1, -1)[names.index(cut.track)] if len(names) == 2 else 0
        face = (1, -1)[system.sides.index(cut.side)] if cut.side and len(system.sides) == 2 else 0
        own = found[(cut.side, cut.track, cut.cut - 1)].own
        too_deep = track.deeper * (cut.deviation + cut.correction)
        out.append(Point(too_deep, own, track.along(cut.cut - 1), down, hand, face))
    return out
