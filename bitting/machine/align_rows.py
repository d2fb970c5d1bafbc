"""The deviations of a setup key as rows to fit, and where its deep cuts were measured."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from bitting.errors import BittingError
from bitting.machine.align_fit import Row
from bitting.machine.align_space import PlaceReading
from bitting.machine.inspect_uncertainty import Gauge, hand_scatter, jaw_room, measure
from bitting.model import Code, ReadCut, Readings, System, Track

Lane = tuple[str | None, str]
SetupDepths = dict[Lane, tuple[int, ...]]
Scatter = tuple[float, int] | None


def setup_depths(system: System, code: Code | None) -> SetupDepths:
    """The places of all depths of the setup key, per lane of the system."""
    if code is not None:
        if code.depths is None:
            raise BittingError("the setup key's code must be complete", hint="`bitting check` says what is wrong")
        return {(lane.side, lane.track.name): row for lane, row in zip(system.lanes, code.depths, strict=True)}
    setup = system.need("cutting.setup")
    return {
        (lane.side, lane.track.name): tuple(setup.depth if i == setup.cut else 0 for i in range(lane.track.cuts))
        for lane in system.lanes
    }


def rows_of(keys: Sequence[Readings], system: System, depths: SetupDepths, gauge: Gauge) -> dict[Lane, list[Row]]:
    """The deviations of every track on every side that was measured, jaw allowed for.

    Readings across two tracks stand for the mean of the two (track "across"), and count where no single track was read.
    """
    out: dict[Lane, list[Row]] = {}
    for number, key in enumerate(keys):
        scatter, _ = hand_scatter(key.cuts, gauge, system)
        for cut in key.cuts:
            if cut.readings:
                make = _across_row if cut.track == "across" else _single_row
                row = make(cut, system, depths, gauge, scatter, number)
                out.setdefault((cut.side, cut.track), []).append(row)
    single = {lane: rows for lane, rows in out.items() if lane[1] != "across"}
    order = [track.name for track in system.tracks] + ["across"]
    return dict(sorted((single or out).items(), key=lambda item: (item[0][0] or "", order.index(item[0][1]))))


def _depths_on(depths: SetupDepths, side: str | None, track: str) -> tuple[int, ...]:
    return depths[(side, track)] if (side, track) in depths else depths[(None, track)]


def _single_row(cut: ReadCut, system: System, depths: SetupDepths, gauge: Gauge, scatter: Scatter, number: int) -> Row:
    track = system.track(cut.track)
    row = _depths_on(depths, cut.side, cut.track)
    room = jaw_room(track, row, cut.cut, system, gauge.jaw)
    mean, budget = measure(cut, gauge, system, room, scatter)
    nominal = track.depths[row[cut.cut]]
    return Row(
        deviation=mean + track.deeper * room / 2 - nominal,
        sd=float(np.hypot(budget.own, system.measuring.cut_sd or 0.0)),
        depth=nominal - track.depths[0],
        along=along(track, cut.cut),
        key=number,
        name=" ".join(filter(None, (cut.side, cut.track, str(cut.cut + 1)))),
    )


def _across_row(cut: ReadCut, system: System, depths: SetupDepths, gauge: Gauge, scatter: Scatter, number: int) -> Row:
    across = system.need("measuring.across")
    mean, budget = measure(cut, gauge, system, 0.0, scatter)
    tracks = [system.track(name) for name in across.tracks]
    nominal = [track.depths[_depths_on(depths, cut.side, track.name)[cut.cut]] for track in tracks]
    return Row(
        deviation=(across.scale * (mean - across.amount) - sum(nominal)) / 2,
        sd=float(np.hypot(budget.own / 2, (system.measuring.cut_sd or 0.0) / 2**0.5)),
        depth=(sum(nominal) - sum(track.depths[0] for track in tracks)) / 2,
        along=along(tracks[0], cut.cut),
        key=number,
        name=" ".join(filter(None, (cut.side, "across", str(cut.cut + 1)))),
    )


def along(track: Track, cut: int) -> float:
    """Place along the blade, −½ at the first cut to +½ at the last."""
    low, high = track.spaces[0], track.spaces[-1]
    return 0.0 if high == low else (track.spaces[cut] - low) / (high - low) - 0.5


def all_places(
    keys: Sequence[Readings], places: Sequence[PlaceReading], system: System, depths: SetupDepths
) -> list[PlaceReading]:
    """The places given with the readings and beside them; a place with no cut named is the first deep cut's."""
    written = [
        PlaceReading((cut.place,), cut.track, cut.cut) for key in keys for cut in key.cuts if cut.place is not None
    ]
    out = []
    for place in (*written, *places):
        name = place.track or system.tracks[0].name
        row = next(row for (_, track), row in depths.items() if track == name)
        cut = place.cut if place.cut is not None else next((i for i, d in enumerate(row) if d), None)
        if cut is None or not 0 <= cut < len(row):
            raise BittingError(
                f"no place can be judged at cut {'?' if cut is None else cut + 1} of {name}",
                hint=f"{name} has cuts 1 to {len(row)}; say which one was measured, as in `{name} 4: 14.52`",
            )
        spaces, value = system.track(name).spaces, sum(place.values) / len(place.values)
        nearest = min(range(len(spaces)), key=lambda i: abs(spaces[i] - value))
        if nearest != cut:
            raise BittingError(
                f"a place of {value:g} {system.unit} at {name} {cut + 1} is nearer cut {nearest + 1}, at {spaces[nearest]:g}",
                hint=f"cut {cut + 1} sits {spaces[cut]:g} from the {system.stop} stop; measure from there, midway between "
                "its walls, or say which cut it was (`left 4: 14.52`)",
            )
        out.append(attrs.evolve(place, track=name, cut=cut))
    return out
