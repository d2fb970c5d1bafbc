"""How the list of readings was taken: as asked, or in one of the ways in which people get it wrong.

A list may run from the tip, or one track of it; tracks or sides may be exchanged; one cut may be skipped (and the last then
read twice, or left open), read twice (and the last lost), or swapped with its neighbour. Each way has a small probability
beforehand (`PRIOR`, shared out evenly over tracks and places), and each is the same readings at other cuts, so its evidence
is that of the readings moved there, times that of the places along the blade. Of several lists each may have been taken
wrongly by itself; from the tip or exchanged also all of them.

The evidence of some fifty ways is first worked out roughly (`rough_evidence`): the offset alone is integrated, tilt and
left-right difference count as errors of each cut, the key's wear as each cut's own, and lists of one cut as independent.
All ways are treated alike by that. Ways that may have more than `LOOKED_AT` are then worked out as exactly as the list as
given (`decoder.py`). Where the readings are each as near to a depth of the code as they could be, no other way can have
more than its prior says, and none is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import partial
from itertools import groupby

import numpy as np
from attrs import evolve, frozen

from bitting.arrays import Array
from bitting.decoding.likelihood import ACROSS, COARSE, CutLikelihood, cut_likelihood
from bitting.decoding.model import MeasurementModel, wear_scales
from bitting.decoding.solver import Solver
from bitting.decoding.tables import log_likelihoods
from bitting.decoding.weigh import UNDERFLOW, scaled
from bitting.diagram.trellis import backward
from bitting.model import Depths, Place, ReadCut, Readings, System

AS_GIVEN = "as given"
FROM_TIP, EXCHANGED, SIDES = "from the tip", "tracks exchanged", "sides exchanged"
ENDS = (FROM_TIP, "from the bow", "from the other end")
"""What a turned list is called: said to run from the bow, from the tip, and where of several only some were."""
SKIPPED, TWICE, SWAPPED = "a cut skipped", "a cut read twice", "neighbours swapped"
PRIOR = {
    FROM_TIP: 0.03,
    "one track from the tip": 0.01,
    EXCHANGED: 0.02,
    SIDES: 0.02,
    SKIPPED: 0.01,
    TWICE: 0.01,
    SWAPPED: 0.01,
}
"""Probability beforehand of each way in which a list may be taken wrongly: our own assumption."""
NAMED = 0.2
"""Share from which another way is named, and the answer not sure."""
LOOKED_AT = 0.05
"""Rough share from which a way is worked out exactly."""
FAR = 20.0
"""Offsets at which any depths are so much (log) less likely than at a way's best offset are left out."""
MOST = 4
"""Ways that are worked out exactly, at most."""
NEAR = 1.5
"""So much less likely (log) than the likeliest depths the readings of a code may be, for no other way to be looked at."""


@frozen(eq=False)
class Way:
    """One way in which the list may have been taken: what JSON and people call it, and the readings put right.

    `detail` names track and cut where the way has them, `number` the list where there are several.
    """

    name: str
    log_prior: float
    readings: Readings
    detail: str = ""
    number: int | None = None


def ways_of(readings: Readings, system: System) -> list[Way]:
    """Every way, the list as given first; of several lists one is taken wrongly, or all of them in the same way."""
    numbers = sorted({cut.list_number for cut in readings.cuts})
    groups = [list(_of_list(readings, system, number)) for number in (numbers if len(numbers) > 1 else [None])]
    if len(numbers) > 1:
        groups.append([w for w in _of_list(readings, system, None) if w.name in (*ENDS, EXCHANGED, SIDES)])
    odds = [(way, math.exp(way.log_prior) / (1 - _share(ways))) for ways in groups for way in ways]
    whole = math.log1p(sum(odd for _, odd in odds))
    return [
        Way(AS_GIVEN, -whole, readings),
        *(evolve(way, log_prior=math.log(odd) - whole) for way, odd in odds),
    ]


def _share(ways: Sequence[Way]) -> float:
    return sum(math.exp(way.log_prior) for way in ways)


def _of_list(readings: Readings, system: System, number: int | None) -> Iterator[Way]:
    """The ways of one list (None: of all together). (Long: a plain list of them.)"""

    def way(name: str, share: float, moves: Mapping[str, Callable[[ReadCut], ReadCut]], detail: str = "") -> Way:
        cuts = tuple(
            moves[cut.track](cut) if cut.track in moves and number in (None, cut.list_number) else cut
            for cut in readings.cuts
        )
        return Way(name, math.log(share), evolve(readings, cuts=cuts), detail, number)

    counts = {track.name: track.cuts for track in system.tracks}
    across = system.measuring.across
    if across is not None:
        counts[ACROSS] = min(counts[name] for name in across.tracks)
    turned = {
        name: (lambda cut, last=count - 1: evolve(cut, cut=last - cut.cut)) for name, count in counts.items()
    }  # fmt: skip
    read = {(cut.side, cut.track) for cut in readings.cuts if cut.readings and number in (None, cut.list_number)}
    lists = sorted((one for one in read if one[1] != ACROSS), key=str)
    yield way(_turned(readings, read, number), PRIOR[FROM_TIP], turned)
    for side, name in lists if len(lists) > 1 else ():
        end = _turned(readings, {(side, name)}, number)
        yield way(
            f"{system.called(side, name)} {end}",
            PRIOR["one track from the tip"] / len(lists),
            {name: partial(_turned_side, side, turned[name])},
        )
    names = [track.name for track in system.tracks]
    if len(names) == 2 and counts[names[0]] == counts[names[1]]:
        other = dict(zip(names, reversed(names), strict=True))
        yield way(
            EXCHANGED, PRIOR[EXCHANGED], {name: (lambda cut: evolve(cut, track=other[cut.track])) for name in names}
        )
    if system.sided and len(system.sides) == 2:
        facing = dict(zip(system.sides, reversed(system.sides), strict=True))
        yield way(
            SIDES, PRIOR[SIDES], {name: (lambda cut: evolve(cut, side=facing.get(cut.side or ""))) for name in counts}
        )
    for side, name in lists:
        for kind in (SKIPPED, TWICE, SWAPPED):
            share = PRIOR[kind] / len(lists) / max(counts[name] - 1, 1)
            for at in range(counts[name] - 1):
                yield _slipped(readings, (side, name, counts[name]), number, kind, at, share)


def _turned_side(side: str | None, turn: Callable[[ReadCut], ReadCut], cut: ReadCut) -> ReadCut:
    return turn(cut) if cut.side == side else cut


def _backwards(cuts: Sequence[ReadCut]) -> bool:
    """Whether a list of one track was written from the tip."""
    spans = [(cut.cut, cut.readings[0].span[0]) for cut in cuts if cut.readings]
    return len(spans) > 1 and spans[0][1] > spans[-1][1] and spans[0][0] < spans[-1][0]


def _turned(readings: Readings, turned: Collection[tuple[str | None, str]], number: int | None) -> str:
    """What it is called when these tracks (side, name) run from the end that they weren't said to run from."""
    lists = groupby(readings.cuts, key=lambda cut: (cut.list_number, cut.side, cut.track))
    said = {_backwards([*cuts]) for (of, *track), cuts in lists if tuple(track) in turned and number in (None, of)}
    from_tip, from_bow, other = ENDS
    if len(said) > 1:
        return other
    return from_bow if True in said else from_tip


def _slipped(
    readings: Readings, of: tuple[str | None, str, int], number: int | None, kind: str, at: int, share: float
) -> Way:
    """The list with a cut skipped, read twice, or swapped with the next at `at`, counted in the order it was written."""
    side, name, count = of
    own = [
        cut for cut in readings.cuts
        if (cut.side, cut.track) == (side, name) and number in (None, cut.list_number)
    ]  # fmt: skip
    back = _backwards(own)
    last, mine = count - 1, set(map(id, own))

    def moved(cut: ReadCut) -> ReadCut:
        if id(cut) not in mine:
            return cut
        where = last - cut.cut if back else cut.cut
        if kind == SKIPPED:
            where += at <= where < last
        elif kind == TWICE:
            where -= where > at
        else:
            where += (where == at) - (where == at + 1)
        return evolve(cut, cut=last - where if back else where)

    cut = last - at if back else at
    told = {SKIPPED: f"{cut + 1}", TWICE: f"{cut + 1}", SWAPPED: f"{min(cut, cut - 1 if back else cut + 1) + 1}"}[kind]
    detail = " ".join(filter(None, (side, name, told)))
    return Way(kind, math.log(share), evolve(readings, cuts=tuple(map(moved, readings.cuts))), detail, number)


def readings_near(cuts: Sequence[CutLikelihood], depths: Depths, errors: Mapping[Place, float], solver: Solver) -> bool:
    """Whether the readings of each list are as near to a code's depths as to any others, all in all.

    `errors` is the shared error at each place.
    """
    aims = solver.reach.dimensions(depths)
    total = 0.0
    for one in cuts:
        track = solver.system.lanes[one.place.lane].track
        chosen = depths[one.place.lane][one.place.cut]
        others = [depth for number, depth in enumerate(track.depths) if number != chosen]
        own = np.array([aims[one.place], *others]) + errors[one.place]
        for number in set(one.lists):
            values = [value for value, of in zip(one.values, one.lists, strict=True) if of == number]
            sds = [sd for sd, of in zip(one.sds, one.lists, strict=True) if of == number]
            width = math.hypot(min(sds), solver.model.cut_sd, 2 * solver.model.wear)
            for value in values:
                away = np.minimum(((value - own) / width) ** 2 / 2, 12.0)
                total += float(away[0] - away.min()) + (2.0 if away[0] > 4.5 else 0.0)
    return total < NEAR


def rough_evidence(ways: Sequence[Way], solver: Solver) -> Array:
    """log of a rough evidence of the readings put right in each way, places along the blade and prior apart."""
    model = solver.model
    wide = math.sqrt(model.cut_sd**2 + model.tilt_sd**2 / 12 + model.left_right_sd**2)
    rough = evolve(model, cut_sd=wide, tilt_sd=0.0, left_right_sd=0.0)
    count = max(sum(1 for cut in ways[0].readings.cuts if cut.readings), 1)
    step = math.hypot(wide, model.reading_sd) / math.sqrt(count)
    reach = 3.5 * model.offset_sd + 2 * step
    offsets = np.arange(-reach, reach + step, step)
    tables = _tables(ways, solver, rough, offsets)
    prior = np.log(sum(p * np.exp(-0.5 * (offsets / (sd or 1.0)) ** 2) / (sd or 1.0) for p, sd in model.offset_parts))
    most = prior + sum(table.max(axis=2) for table in tables.values())
    near = np.flatnonzero(most > most.max(axis=1, keepdims=True) - FAR)  # (way, offset) that may matter to the way
    found = np.zeros(near.size)
    for trellis in solver.trellises:
        logs = []
        for layer in trellis.layers:
            out = np.zeros((near.size, layer.labels.shape[0]))
            for i, place in enumerate(layer.places):
                if place in tables:
                    out += tables[place].reshape(most.size, -1)[near][:, layer.rows[:, i]]
            logs.append(np.ascontiguousarray(out.T))
        tops, ratios = scaled(logs)
        found += np.log(np.maximum(backward(trellis, ratios)[1], UNDERFLOW)) + tops
    total = np.full(most.size, -np.inf)
    total[near] = found
    return np.asarray(np.logaddexp.reduce(total.reshape(most.shape) + prior, axis=1))


def _tables(ways: Sequence[Way], solver: Solver, model: MeasurementModel, offsets: Array) -> dict[Place, Array]:
    """log likelihoods (ways, offsets, rows) of each place that any way reads; each list of a cut by itself."""
    lanes = {(lane.side, lane.track.name): index for index, lane in enumerate(solver.system.lanes)}
    known: dict[tuple[int, Place], int] = {}  # (readings, place): their number
    cuts: list[CutLikelihood] = []
    used: list[list[tuple[Place, int]]] = []
    for way in ways:
        used.append([])
        for cut in way.readings.cuts:
            if cut.track == ACROSS or not cut.readings:
                continue
            place = Place(lanes[cut.side if solver.system.sided else None, cut.track], cut.cut)
            key = (id(cut.readings), place)
            if key not in known:
                known[key] = len(cuts)
                ends = solver.system.lanes[place.lane].track.ends
                cuts.append(cut_likelihood((place,), None, [cut.readings], ends, model))
            used[-1].append((place, known[key]))
    rows = max(solver.reach.dims[cut.place].size for cut in cuts)
    dims = np.array([np.resize(solver.reach.dims[cut.place], rows) for cut in cuts])
    weights = np.array([share for _, share in wear_scales(model)])
    logs = np.empty((len(cuts), offsets.size, rows))
    for turn in (-1, 1):
        at = [i for i, cut in enumerate(cuts) if solver.system.lanes[cut.place.lane].track.deeper == turn]
        if at:
            x = turn * (dims[at][:, :, None] + offsets)
            found = log_likelihoods([cuts[i] for i in at], x, turn, model, fine=COARSE, mean=weights)[:, :, 0]
            logs[at] = np.moveaxis(found, 1, 2)
    out: dict[Place, Array] = {}
    for number, several in enumerate(used):
        for place, own in several:
            if place not in out:
                out[place] = np.zeros((len(ways), offsets.size, solver.reach.dims[place].size))
            out[place][number] += logs[own, :, : out[place].shape[2]]
    return out
