"""A key of known code, measured with the same caliper the same day: what it says of the caliper's zero and jaws.

The offset of a key is the caliper's part z, which both keys share, plus the key's own e (plating, uniform wear, how it was
made), which they don't. Of the model's `offset_sd` squared, `zero_sd` squared is the caliper's. Decoding the known key with
its code given yields mean m and standard deviation s of its whole offset o = z + e. As z and o are jointly normal
beforehand, with r = zero_sd²/offset_sd² and whatever the shape of what the readings say of o,

    E[z] = r m,   Var[z] = r (1 - r) offset_sd² + r² s²        (laws of total expectation and total variance),

which are exact for an offset of one normal density (a caliper measured against a known key has no wide part to fear); that z is
normal with these is the one approximation: probabilities of the other key were off by 7e-4 at most in 40 pairs of drawn keys, and
by 1.3e-2 in the worst case found, a key half way between two depths. The other key's offset is then E[z] in the mean, with
variance Var[z] + (offset_sd² - zero_sd²) of its own.

Several lists of readings of one key: two people measured it, or one measured it again after cleaning.

Every further list repeats the first: readings of one cut on one side are put together as if they had been joined with
`|`, so they share the cut's wear and own error. Where one list names a side of a convenience key and another doesn't,
both are taken to be of that side, which claims less than taking them for different sides; where two sides are named,
which one an unnamed list belongs to can't be told.

Readings moved by a known amount before they are decoded, and answers moved back.

What is known of the shared error beforehand (a caliper's zero, a blade that is narrower than the system says) is taken
off the readings of each track; the decoder then sees readings whose shared error is centred on 0. The range in which
simply wrong readings lie moves along with them. In the answer readings, thresholds and the offset are given as they were
read, so that a locksmith finds the caliper's figures again.

A blank narrower than its system says, or worn at the edges: what the measured blade width takes off the readings.

A far-edge value runs from the wall to the opposite full edge. The wall stands where the machine put it, reckoned from the
middle of the blade; an edge that lies `(nominal - measured)/2` further in makes the value smaller by as much. That both
edges give the same is an assumption (a blank narrower on one side is what the left-right difference of the measurement
model is for). Readings across two tracks don't touch the edges; own-edge and centre values are left as they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from attrs import evolve, frozen

from bitting.decoding.decoder import Decoder
from bitting.decoding.fit import FIT_LIMIT
from bitting.decoding.likelihood import ACROSS
from bitting.decoding.model import MeasurementModel
from bitting.decoding.result import CutResult, Deciding, Decoded, Next, Offset
from bitting.errors import BittingError
from bitting.model import Code, Place, Readings, System

if TYPE_CHECKING:
    from bitting.diagram import CodeSpace

SHARE = 0.5
"""Share of the offset's variance that is the caliper's, where nothing is said."""


@frozen
class Zero:
    """What is known of a caliper's zero and jaws: mean and standard deviation now, and the latter before (all mm)."""

    mean: float
    sd: float
    before: float

    def offset(self, system: System, model: MeasurementModel) -> tuple[float, MeasurementModel]:
        """Mean of the offset of another key of `system`, and the model with what is left of its uncertainty."""
        mean, sd, before = (system.from_mm(length) for length in (self.mean, self.sd, self.before))
        own = model.offset_sd**2 - before**2
        if own < -1e-12:
            raise _too_large(before, model, system)
        return mean, evolve(model, offset_sd=math.sqrt(sd**2 + max(own, 0.0)), offset_tail=0.0)


def zero_from(
    readings: Readings,
    code: Code,
    model: MeasurementModel,
    *,
    zero_sd: float | None = None,
    unworn: bool = False,
) -> Zero:
    """What the readings of a key of known code say of the caliper.

    `zero_sd` (system's unit) is the standard uncertainty of the caliper's zero and jaws beforehand; None: half of the
    offset's variance. `unworn` says that the key is newly cut. Open cuts of the code may have any depth. The code need
    not be legal (it may be a setup key's). Raises BittingError for a code that isn't whole or doesn't fit the readings.
    """
    system, model = readings.system, evolve(model, offset_tail=0.0)
    if zero_sd is None:
        zero_sd = math.sqrt(SHARE) * model.offset_sd
    if zero_sd > model.offset_sd * (1 + 1e-9):
        raise _too_large(zero_sd, model, system)
    if model.offset_sd == 0:
        return Zero(0.0, 0.0, 0.0)
    known = _known(code, system)
    answer = Decoder(known[0], evolve(model, wear=0.0) if unworn else model, space=known[1], listings=False).decode(
        evolve(readings, system=known[0]), 1, advise=False
    )
    if answer.fit.p_value < FIT_LIMIT:
        raise BittingError(
            f"the key measured for comparison doesn't fit the code given for it: of such keys only "
            f"{answer.fit.p_value:.1%} read so far from their code",
            hint="check that its readings run from bow to tip, and that both are of the same key",
        )
    share = (zero_sd / model.offset_sd) ** 2
    spread = math.sqrt(share * (1 - share) * model.offset_sd**2 + share**2 * answer.offset.sd**2)
    return Zero(system.in_mm(share * answer.offset.mean), system.in_mm(spread), system.in_mm(zero_sd))


def _known(code: Code, system: System) -> tuple[System, CodeSpace]:
    """The system without rules, and its codes that are the given one."""
    from bitting.diagram import code_space

    if not code.well_formed:
        raise BittingError(
            "the code of the key measured for comparison isn't whole: a cut is missing, or has no depth of the table",
            hint=f"{system.name} has {' and '.join(f'{lane.label} {lane.track.cuts}' for lane in system.lanes)} cuts",
        )
    free = evolve(system, must=(), should=(), rules=())
    allowed = {
        Place(number, i): cut.depths for number, cuts in enumerate(code.lanes) for i, cut in enumerate(cuts or ())
    }
    return free, code_space(free, allowed=allowed)


def _too_large(zero_sd: float, model: MeasurementModel, system: System) -> BittingError:
    return BittingError(
        f"the caliper's part of the offset, {zero_sd:.4g} {system.unit}, is more than the whole offset's standard "
        f"deviation of {model.offset_sd:.4g}",
        hint="give a smaller --zero, or raise offset_sd under [measuring] in the system file",
    )


def combined(lists: Sequence[Readings]) -> tuple[Readings, int]:
    """All lists as readings of one key, and how many were left out. Raises BittingError where a list's side can't be told.

    A list that says the same as an earlier one to the digit is a copy of it, and counts once.
    """
    first = lists[0]
    kept = [one for n, one in enumerate(lists) if not any(_copies(one, other) for other in lists[:n])]
    if len(kept) > 1 and not first.system.sided:
        kept = _on_one_side(kept)
    cuts = tuple(evolve(cut, list_number=number) for number, one in enumerate(kept) for cut in one.cuts)
    return Readings(first.system, first.text, first.unit, cuts), len(lists) - len(kept)


def _copies(one: Readings, other: Readings) -> bool:
    """Whether two lists say the same to the digit, and not of two sides."""
    sides = [{cut.side for cut in each.cuts if cut.side is not None} for each in (one, other)]
    rows = [
        {(cut.track, cut.cut, tuple(r.value for r in cut.readings)) for cut in each.cuts if cut.readings}
        for each in (one, other)
    ]
    return rows[0] == rows[1] and not (all(sides) and sides[0] != sides[1])


def _on_one_side(lists: Sequence[Readings]) -> list[Readings]:
    """The lists with a side for each, where any names one."""
    named = {cut.side for readings in lists for cut in readings.cuts if cut.side is not None}
    unnamed = any(cut.side is None for readings in lists for cut in readings.cuts)
    if not named or not unnamed:
        return list(lists)
    if len(named) > 1:
        raise BittingError(
            f"one list of readings names no side, and the others name {' and '.join(sorted(named))}",
            hint="write the side around each list, as in " + "; ".join(f"{side}(…)" for side in lists[0].system.sides),
        )
    (side,) = named
    return [evolve(r, cuts=tuple(evolve(cut, side=side) for cut in r.cuts)) for r in lists]


def shift_readings(readings: Readings, amounts: Mapping[str, float]) -> Readings:
    """The readings less `amounts` (track, or `across`, to length in the system's unit)."""
    if not any(amounts.values()):
        return readings
    cuts = []
    for cut in readings.cuts:
        less = amounts.get(cut.track, 0.0)
        moved = tuple(evolve(reading, value=reading.value - less) for reading in cut.readings)
        cuts.append(evolve(cut, readings=moved))
    return evolve(readings, cuts=tuple(cuts))


def shift_back(result: Decoded, amounts: Mapping[str, float], offset_mean: float) -> Decoded:
    """The answer in terms of what was read; `offset_mean` is the part of the amounts that is offset."""
    if not any(amounts.values()):
        return result
    return evolve(
        result,
        offset=Offset(result.offset.mean + offset_mean, result.offset.sd),
        exchanged=(),  # which were found in figures that nobody wrote
        cuts=tuple(_cut(cut, amounts.get(cut.track, 0.0)) for cut in result.cuts),
        measure_next=tuple(_next(following, amounts.get(following.track, 0.0)) for following in result.measure_next),
    )


def _cut(cut: CutResult, amount: float) -> CutResult:
    reading = None if cut.reading is None else cut.reading + amount
    return evolve(cut, reading=reading, values=tuple(value + amount for value in cut.values))


def _next(following: Next, amount: float) -> Next:
    def back(limit: float | None) -> float | None:
        return None if limit is None else limit + amount

    return evolve(following, deciding=tuple(Deciding(d.depth, back(d.low), back(d.high)) for d in following.deciding))


def offset_amounts(readings: Readings, mean: float) -> dict[str, float]:
    """What an offset of `mean` adds to a reading of each track, and to one across two of them."""
    system = readings.system
    amounts = {track.name: mean for track in system.tracks}
    if system.measuring.across is not None:
        amounts[ACROSS] = 2 * mean * system.measuring.across.scale
    return amounts


MOST = 0.1
"""A blade off by more than this share of its width isn't this system's."""


def width_amounts(system: System, width: float) -> dict[str, float]:
    """Track -> what a blade of this width (system's unit) adds to its readings: negative where it is narrow.

    Raises BittingError where the file states no width, this can't be that of one of its blades, or it changes nothing.
    """
    nominal: float = system.need("blade.width")
    if not abs(width - nominal) <= MOST * nominal:
        raise BittingError(
            f"a blade {width:g} {system.unit} wide is none of {system.name!r}, whose blades are {nominal:g} wide",
            hint="measure the blade where it isn't cut, and give its width in the system's unit",
        )
    if all(track.measured != "far-edge" for track in system.tracks):
        told = f"the measured width changes nothing: no track of {system.name} is read from the far edge"
        raise BittingError(told, hint="leave --width out; on a narrow blade measure each edge by itself, not across")
    half = (width - nominal) / 2
    return {track.name: half if track.measured == "far-edge" else 0.0 for track in system.tracks}


def width_note(system: System, width: float) -> str:
    """What was done with the width, for people."""
    amounts = width_amounts(system, width)
    used = [track.name for track in system.tracks if track.measured == "far-edge"]
    half = amounts[used[0]]
    others = [name for name in amounts if name not in used]
    left_out = f"; {' and '.join(others)} not measured from the far edge, unchanged" if others else ""
    return (
        f"the blade is {width:g} {system.unit} wide, not {system.need('blade.width'):g}: "
        f"readings of {' and '.join(used)} are taken {abs(half):.4g} {'shorter' if half < 0 else 'longer'} than on a "
        f"full blade, both edges alike{left_out}"
    )


def gauged(system: System, gauge: str) -> System:
    """The system with its depths as a gauge that measures from somewhere else reads them: the same walls, other numbers.

    An own-edge depth gauge reads from the track's own edge to the wall, a caliper to the far edge or (by calculation) the
    middle. Raises BittingError where the file states no width. Readings across don't go with it.
    """
    if all(track.measured == gauge for track in system.tracks):
        return system
    width: float = system.need("blade.width")

    def from_middle(measured: str, value: float) -> float:
        return {"far-edge": value - width / 2, "own-edge": width / 2 - value, "centre": value}[measured]

    def shown(middle: float) -> float:
        return {"far-edge": width / 2 + middle, "own-edge": width / 2 - middle, "centre": middle}[gauge]

    tracks = tuple(
        evolve(
            track,
            measured=gauge,  # type: ignore[arg-type]
            depths=tuple(round(shown(from_middle(track.measured, depth)), 6) for depth in track.depths),
        )
        for track in system.tracks
    )
    return evolve(system, tracks=tracks, measuring=evolve(system.measuring, across=None))
