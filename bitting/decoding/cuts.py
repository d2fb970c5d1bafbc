"""The cuts of an answer: what each reads, what its readings were taken for, and what keeps it from being sure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence

from attrs import frozen

from bitting.decoding.advice import wrong_shares
from bitting.decoding.kbest import Ranked
from bitting.decoding.likelihood import CutLikelihood
from bitting.decoding.model import MeasurementModel
from bitting.decoding.positions import PlaceFit
from bitting.decoding.posterior import Posterior
from bitting.decoding.result import ASKED, Alternative, CutResult, Doubt, Exchanged, Listed, Taken
from bitting.decoding.slips import exchanged, slip_of_pen
from bitting.decoding.solver import Read, Solver
from bitting.model import Depths, Place, Readings, System, Track
from bitting.notation.readings import UNITS


@frozen(eq=False)
class Found:
    """One key, its list taken in one way; `best` is the best code, filled where the lock doesn't read."""

    readings: Readings
    read: Read
    posterior: Posterior
    ranked: list[Ranked]
    best: Ranked
    places: PlaceFit | None = None
    listed: Listed = ASKED
    others: tuple[Listed, ...] = ()
    log_total: float = 0.0
    hopeless: bool = False


def cuts_of(found: Found, solver: Solver, ignored: Collection[Place]) -> tuple[CutResult, ...]:
    """The answer's cuts, with what each of their readings was taken for. (Long: a plain list of what a cut holds.)"""
    posterior, best = found.posterior, found.best
    read: dict[Place, list[tuple[CutLikelihood, tuple[float, ...]]]] = {}
    for one, wrong in zip(found.read.cuts, wrong_shares(found.read.cuts, posterior, best, solver), strict=True):
        read.setdefault(one.place, []).append((one, wrong))
    errors = posterior.errors(solver.along)
    reached = solver.reach.dimensions(best.depths)
    unit = unit_of(found.readings)
    steps = [digit for one in found.read.cuts for digit in one.digits]
    usual = Counter(steps).most_common(1)[0][0] if steps else 0.0
    off = {(one.side, one.track, one.cut) for one in (found.places.wrong if found.places else ())}
    out = []
    for place in solver.along:
        if place in ignored:
            continue
        lane, labels = solver.system.lanes[place.lane], solver.system.lanes[place.lane].track.labels
        depth = best.depths[place.lane][place.cut]
        shares = [min(max(share, 0.0), 1.0) for share in posterior.shares[place].tolist()]
        order = sorted((-share, d) for d, share in enumerate(shares))
        here = read.get(place, [])
        aim = reached[place] + errors[place]
        values = tuple(value for one, _ in here for value in one.values)
        wrong = tuple(share for _, rows in here for share in rows)
        elsewhere = (lane.side, lane.track.name, place.cut + 1) in off
        digits = tuple(digit for one, _ in here for digit in one.digits)
        taken: tuple[Taken, ...] = tuple(
            "wrong place"
            if elsewhere
            else _taken(value, share, _aims(value, aim, errors[place], lane.track), (digit, usual), solver.model, unit)
            for value, share, digit in zip(values, wrong, digits, strict=True)
        )
        reading = _mean([one for one, _ in here])
        out.append(
            CutResult(
                track=lane.track.name,
                cut=place.cut + 1,
                depth=labels[depth],
                confidence=shares[depth],
                alternatives=tuple(Alternative(labels[d], -minus) for minus, d in order if d != depth),
                deviation=None if reading is None else reading - aim,
                side=lane.side,
                nominal=lane.track.depths[depth],
                reading=reading,
                values=values,
                wrong=wrong,
                taken_for=taken,
            )
        )
    return tuple(out)


def _aims(value: float, aim: float, error: float, track: Track) -> tuple[float, ...]:
    """What a reading may have been meant for: the code's depth, or any where it lies outside the table and so told nothing."""
    low, high = track.ends
    return (aim,) if low <= value <= high else (aim, *(depth + error for depth in track.depths))


def unit_of(readings: Readings) -> float:
    """The unit that readings were written in, in the system's: a pen slips in the figures that it writes."""
    return float(UNITS[readings.unit] / UNITS[readings.system.unit])


def _taken(
    value: float, wrong: float, aims: Sequence[float], digits: tuple[float, float], model: MeasurementModel, unit: float
) -> Taken:
    """What one reading was taken for; `aims`: what it may be meant for but for noise and wear, `digits`: its step, the usual."""
    if wrong < 0.5:
        return "reading"
    usual, text, near = _decimals(digits[1] / unit), _written(value, digits[0], unit), _near(model) / unit
    return "slip of the pen" if any(slip_of_pen(text, aim / unit, near, usual) for aim in aims) else "wrong"


def _decimals(step: float) -> int:
    return max(0, round(-math.log10(step))) if step > 0 else 0


def _written(value: float, step: float, unit: float) -> str:
    return f"{abs(value) / unit:.{_decimals(step / unit)}f}"


def _near(model: MeasurementModel) -> float:
    """How far a reading may lie from what it was meant for."""
    return 3 * math.hypot(model.reading_sd, model.cut_sd, model.wear)


def exchanges_of(found: Found, solver: Solver, legal: Callable[[Depths], bool]) -> Iterator[Exchanged]:
    """The cuts read once where two figures exchanged make another depth, with which the code is legal too."""
    best, errors, unit = found.best.depths, found.posterior.errors(solver.along), unit_of(found.readings)
    times = Counter(one.place for one in found.read.cuts for _ in one.values)
    times.update(place for pair in found.read.pairs for place in pair.places)  # a reading across bears it out
    for one in found.read.cuts:
        if times[one.place] > 1:
            continue
        number, cut = one.place.lane, one.place.cut
        lane, row = solver.system.lanes[number], best[number]
        for figures in exchanged(_written(one.values[0], one.digits[0], unit)):
            other = figures * unit
            away = [abs(depth + errors[one.place] - other) for depth in lane.track.depths]
            depth = away.index(min(away))
            changed = (*best[:number], (*row[:cut], depth, *row[cut + 1 :]), *best[number + 1 :])
            if depth != row[cut] and away[depth] <= _near(solver.model) and legal(changed):
                yield Exchanged(lane.track.name, cut + 1, lane.side, one.values[0], other, lane.track.labels[depth])


def doubts_of(found: Found, cuts: Sequence[CutResult], system: System) -> tuple[Doubt, ...]:
    """What keeps an answer from being sure, whatever its probability."""
    out = [Doubt("listing", share=one.share) for one in found.others]
    lanes = [(lane.side, lane.track.name) for lane in system.lanes]
    across = {(*lanes[place.lane], place.cut + 1) for pair in found.read.pairs for place in pair.places}
    lists: dict[tuple[str | None, str, int], list[int]] = {}
    for one in found.read.cuts:
        lists.setdefault((*lanes[one.place.lane], one.place.cut + 1), []).extend(one.lists)
    for cut in cuts:
        at, track = (cut.side, cut.track, cut.cut), system.track(cut.track)
        right = [value for value, taken in zip(cut.values, cut.taken_for, strict=True) if taken == "reading"]
        if not right and "wrong place" not in cut.taken_for and at not in across:
            out.append(Doubt("not read", cut.track, cut.cut, cut.side))
        elif right and cut.deviation is not None and _half_a_step(track, cut, right):
            out.append(Doubt("half a step off", cut.track, cut.cut, cut.side))
        if _lists_disagree(cut, lists.get(at, []), track.ends):
            out.append(Doubt("lists disagree", cut.track, cut.cut, cut.side))
    if found.places is not None:
        if found.places.other_end > 0.5:
            out.append(Doubt("other end", share=found.places.other_end))
        out += [Doubt("wrong place", off.track, off.cut, off.side, off=off.off) for off in found.places.wrong]
    return tuple(out)


def _lists_disagree(cut: CutResult, lists: Sequence[int], ends: tuple[float, float]) -> bool:
    """Whether as many lists or more read another depth of a cut as its own; `lists` has the list of each reading."""
    low, high = ends
    rows = list(zip(lists, cut.values, cut.taken_for, strict=True))
    agree = {number for number, _, taken in rows if taken == "reading"}
    against = {number for number, value, taken in rows if taken != "reading" and low <= value <= high} - agree
    return bool(agree) and len(against) >= len(agree)


def _half_a_step(track: Track, cut: CutResult, right: Sequence[float]) -> bool:
    """Whether its right readings of a cut lie half a step or more from its depth."""
    at, depths = track.labels.index(cut.depth), track.depths
    gaps = [abs(depths[at] - other) for other in (*depths[max(at - 1, 0) : at], *depths[at + 1 : at + 2])]
    error = (cut.reading or 0.0) - (cut.deviation or 0.0)
    away = sum(right) / len(right) - error
    return abs(away) >= min(gaps, default=math.inf) / 2


def _mean(cuts: Sequence[CutLikelihood]) -> float | None:
    """Mean of all readings of a cut, weighted by what each is worth."""
    pairs = [(1 / sd**2, value) for one in cuts for value, sd in zip(one.values, one.sds, strict=True)]
    if not pairs:
        return None
    return sum(weight * value for weight, value in pairs) / sum(weight for weight, _ in pairs)
