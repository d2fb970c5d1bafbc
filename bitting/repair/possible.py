"""Which readings can lead to a legal code at all: asked before anything is reckoned, since few of them do.

Most readings of a wrong code have slips of whole lists behind them and none or one left. A reading without a slip left must be
a legal code as it stands; one with a single slip left, whose rows are as long as their tracks, must become one by a cut
misread or two neighbours swapped. Both are followed down the diagram here. Other readings pass.
"""

from __future__ import annotations

from collections.abc import Sequence

from bitting.model import Place
from bitting.repair.trellis import Walk
from bitting.repair.written import Reading

Forced = tuple[Place, int] | None
"""A cut whose depth is settled by a swap under way."""


def possible(walk: Walk, reading: Reading) -> bool:
    """False only where no legal code is within the slips that the reading has left."""
    rows = _depths(walk, reading)
    if rows is None:
        return reading.budget > 0  # what has no slips left is as long as its tracks, and equal on every side
    if reading.budget > 1:
        return True
    exact = 0
    slipped: set[tuple[int, Forced]] = set()
    for table, place in zip(walk.children, walk.places, strict=True):
        row = rows[place.lane]
        here = row[place.cut]
        after: set[tuple[int, Forced]] = set()
        for node, forced in slipped:
            if forced is not None and forced[0] == place:
                after.add((table.item(forced[1], node), None))
            elif here >= 0:
                after.add((table.item(here, node), forced))
        if exact >= 0 and reading.budget:
            after.update((child, None) for child in table[:, exact].tolist())
            there = row[place.cut + 1] if place.cut + 1 < len(row) else -1
            if here >= 0 and there >= 0:
                after.add((table.item(there, exact), (Place(place.lane, place.cut + 1), here)))
        slipped = {(node, forced) for node, forced in after if node >= 0}
        exact = table.item(here, exact) if exact >= 0 and here >= 0 else -1
        if exact < 0 and not slipped:
            return False
    return True


def _depths(walk: Walk, reading: Reading) -> Sequence[Sequence[int]] | None:
    """The depth written for each cut of each lane (-1: none); None unless every lane has one row, as long as its track.

    Rows of several sides that say the same are one.
    """
    rows: list[list[int] | None] = [None] * len(walk.system.lanes)
    for stream, row in zip(reading.streams, reading.rows, strict=True):
        track = walk.system.lanes[stream.lane].track
        places = {label: place for place, label in enumerate(track.labels)}
        found = [places.get(label, -1) for label in row]
        if len(found) != track.cuts or rows[stream.lane] not in (None, found):
            return None
        if rows[stream.lane] is not None and reading.budget:
            return None
        rows[stream.lane] = found
    return [row for row in rows if row is not None] if None not in rows else None
