"""Two keys of one system: what differs, whether the first can be deepened into the second, which locks see a difference.

The first key is a code (a miscut, the customer's old key) or was measured; either code may have open cuts. A key can
only get deeper, so it can become another one when no cut of it is deeper than the other's already. With open cuts the
answer can be *perhaps*: `deepens` is then None.

A measured cut is *there* when its mean reading is within the tolerance (simple acceptance, JCGM 106:2012, 8.2), too
deep or to be deepened when it is so by more than the tolerance with at least `SURE` probability, and otherwise too
close to tell. The probability is normal, with the uncertainty of the mean of the readings; the caliper is taken to be
zeroed, as an error shared by all readings would have to be found from the whole key (`bitting.decoding` does that).

A lock (the system file's `[locks]`; without any, one lock that reads every cut) sees a difference when the two differ
at a cut it reads. One key serves a lock set to the first code and another set to the second when the cuts that both
read agree and some legal code has all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, ClassVar, Literal

from attrs import frozen

from bitting.checking import read_places
from bitting.completion.answer import choices_of
from bitting.completion.candidates import allowed_depths, shallowest, writer
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import Code, Place, ReadCut, Readings, System, Track, write_cut
from bitting.model.expect import expect
from bitting.model.value import Answer, Value

Step = Literal["same", "deepen", "too-deep", "open"]

SURE = 0.95
WHOLE = "every cut"
"""The name of the one lock of a system whose file names none."""


@frozen
class CutCompared(Value):
    """One cut of both keys, as it would be written, and what making the second of the first asks of it.

    `change` is `same`, `deepen` (a recut), `too-deep` (metal that is gone) or `open` (not known, or too close to tell).
    For a measured key `first` is the mean reading and `deviation` how much deeper than the second's depth it is, in the
    system's unit.
    """

    side: str | None
    track: str
    cut: int
    first: str
    second: str
    change: Step
    deviation: float | None = None


@frozen
class Shared(Value):
    """Whether one key serves the lock `first` set to the first code and the lock `second` set to the second.

    `key` is the one with the least metal taken; None where there is none.
    """

    first: str
    second: str
    serves: bool
    key: str | None


@frozen
class Comparison(Answer):
    """The first key beside the second.

    `deepens`: whether the first can be recut into the second (None: depends on what is open or too close to tell);
    `recuts` are the cuts to deepen for it. `legal`: whether the second is a legal code, or a legal code fits it.
    `locks` says for each lock whether it sees a difference (None: depends on open cuts); `shared` whether one key
    serves two locks; both are empty for a measured key, whose code isn't known.
    """

    derived: ClassVar = ("same", "recuts")

    first: str
    second: str
    cuts: tuple[CutCompared, ...]
    deepens: bool | None
    legal: bool
    locks: tuple[tuple[str, bool | None], ...]
    shared: tuple[Shared, ...]
    measured: bool = False

    @property
    def recuts(self) -> tuple[CutCompared, ...]:
        """The cuts to deepen, when the first key can become the second."""
        return () if self.deepens is False else tuple(cut for cut in self.cuts if cut.change == "deepen")

    @property
    def same(self) -> bool:
        """Whether nothing differs and nothing is open."""
        return all(cut.change == "same" for cut in self.cuts)

    def as_dict(self) -> dict[str, Any]:
        """As JSON; each lock as an object of its own."""
        return super().as_dict() | {"locks": [{"lock": lock, "differs": differs} for lock, differs in self.locks]}


def compare(first: Code | Readings, second: Code, system: System | None = None) -> Comparison:
    """Compare a key with a code, cut by cut. Raises BittingError where either can't be a key of the system."""
    expect(Code, second)
    if not isinstance(first, Readings):
        expect(Code, first)
    system = second.system if system is None else system
    if system != second.system or system != first.system:
        raise BittingError(
            "the keys were read against different systems", hint="parse both with the system they are compared in"
        )
    goal = allowed_depths(second)
    legal = choices_of(code_space(system, allowed=goal)).count > 0
    if isinstance(first, Readings):
        cuts = _measured_cuts(first, goal, system)
        return Comparison(first.text.strip(), _text(system, goal), cuts, _verdict(cuts), legal, (), (), measured=True)
    start = allowed_depths(first)
    cuts = tuple(_compared(place, start[place], goal[place], system) for place in goal)
    reads = _locks(system)
    return Comparison(
        first=_text(system, start),
        second=_text(system, goal),
        cuts=cuts,
        deepens=_verdict(cuts),
        legal=legal,
        locks=tuple((lock, _differs(read, start, goal)) for lock, read in reads.items()),
        shared=tuple(_shared(a, b, reads, start, goal, system) for a in reads for b in reads),
    )


def _text(system: System, allowed: dict[Place, tuple[int, ...]]) -> str:
    return writer(system, (), allowed)(())


def _compared(place: Place, start: tuple[int, ...], goal: tuple[int, ...], system: System) -> CutCompared:
    lane = system.lanes[place.lane]
    change: Step = "open"
    if min(start) > max(goal):
        change = "too-deep"
    elif max(start) < min(goal):
        change = "deepen"
    elif start == goal and len(start) == 1:
        change = "same"
    return CutCompared(
        lane.side, lane.track.name, place.cut + 1, write_cut(start, lane.track), write_cut(goal, lane.track), change
    )


def _verdict(cuts: Sequence[CutCompared]) -> bool | None:
    if any(cut.change == "too-deep" for cut in cuts):
        return False
    return None if any(cut.change == "open" for cut in cuts) else True


def _locks(system: System) -> dict[str, frozenset[Place]]:
    if system.locks:
        return {name: frozenset(read_places(system, name)) for name in system.locks}
    return {WHOLE: frozenset(Place(n, cut) for n, lane in enumerate(system.lanes) for cut in range(lane.track.cuts))}


def _differs(
    read: frozenset[Place], start: dict[Place, tuple[int, ...]], goal: dict[Place, tuple[int, ...]]
) -> bool | None:
    if any(not set(start[place]) & set(goal[place]) for place in read):
        return True
    return False if all(start[place] == goal[place] and len(goal[place]) == 1 for place in read) else None


def _shared(
    first: str,
    second: str,
    reads: dict[str, frozenset[Place]],
    start: dict[Place, tuple[int, ...]],
    goal: dict[Place, tuple[int, ...]],
    system: System,
) -> Shared:
    allowed: dict[Place, tuple[int, ...]] = {}
    for place in start:
        depths = set(range(len(system.lanes[place.lane].track.labels)))
        depths &= set(start[place]) if place in reads[first] else depths
        depths &= set(goal[place]) if place in reads[second] else depths
        if not depths:
            return Shared(first, second, False, None)
        allowed[place] = tuple(sorted(depths))
    space = choices_of(code_space(system, allowed=allowed))
    key = shallowest(space, {}, {}) if space.count else None
    if key is None:
        return Shared(first, second, False, None)
    return Shared(first, second, True, _text(system, {place: (depth,) for place, depth in key.items()}))


def _measured_cuts(readings: Readings, goal: dict[Place, tuple[int, ...]], system: System) -> tuple[CutCompared, ...]:
    if any(cut.track == "across" for cut in readings.cuts):
        raise BittingError(
            "a reading across two tracks doesn't say which of them is how deep",
            hint="measure the single tracks, or decode the key first and compare its code",
        )
    out = []
    for place, depths in goal.items():
        lane = system.lanes[place.lane]
        read = [
            cut
            for cut in readings.cuts
            if cut.track == lane.track.name and cut.cut == place.cut and lane.side in (None, cut.side)
        ]
        written = write_cut(depths, lane.track)
        values = [reading.value for cut in read for reading in cut.readings]
        if not values:
            out.append(CutCompared(lane.side, lane.track.name, place.cut + 1, "?", written, "open"))
            continue
        mean = sum(values) / len(values)
        change, deviation = _change(mean, _uncertainty(read, system), depths, lane.track, _tolerance(system))
        out.append(
            CutCompared(lane.side, lane.track.name, place.cut + 1, f"{mean:.3f}", written, change, round(deviation, 6))
        )
    return tuple(out)


def _change(mean: float, sd: float, depths: tuple[int, ...], track: Track, tolerance: float) -> tuple[Step, float]:
    """What a cut measured at `mean` needs; the deviation is from the nearest depth that the code leaves it."""
    deviations = [track.deeper * (mean - track.depths[depth]) for depth in depths]
    nearest = min(deviations, key=abs)
    if _above(min(deviations) - tolerance, sd) >= SURE:  # deeper than even the deepest depth left to it
        return "too-deep", nearest
    if _above(-max(deviations) - tolerance, sd) >= SURE:
        return "deepen", nearest
    return ("same" if len(depths) == 1 and abs(nearest) <= tolerance else "open"), nearest


def _above(margin: float, sd: float) -> float:
    """Probability that the true value exceeds the limit that the measured one exceeds by `margin`."""
    return 0.5 * math.erfc(-margin / (sd * math.sqrt(2))) if sd else float(margin > 0)


def _tolerance(system: System) -> float:
    """The system's tolerance of a finished cut; where the file is silent, a tenth of the smallest depth step."""
    stated = system.measuring.tolerance
    return system.step / 10 if stated is None else stated


def _uncertainty(read: Sequence[ReadCut], system: System) -> float:
    """Standard uncertainty of the mean reading of one cut: reading, rounding, and what its readings share."""
    from bitting.decoding.model import model_of

    model = model_of(system)
    sds = [model.uncertainty(reading) for cut in read for reading in cut.readings]
    return math.hypot(math.sqrt(sum(sd * sd for sd in sds)) / len(sds), model.cut_sd)
