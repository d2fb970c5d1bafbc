"""The picture of a decoded key on a terminal: each reading between the depths it might be.

The depths stand where the estimated shared error moves them, `o` is the mean of the cut's readings, and what lies between
it and its depth is wear and noise.
"""

from __future__ import annotations

from collections.abc import Iterator

from bitting.decoding.result import Decoded
from bitting.model import Lane, System


def picture(result: Decoded, system: System, columns: int, *, plain: bool) -> Iterator[str]:
    """Per lane, one line per cut: depths on an axis, the reading between them."""
    reading, bar, dot = ("o", "|", ".") if plain else ("●", "│", "·")
    width = min(columns, 100) - 12
    for lane in system.lanes:
        cuts = [cut for cut in result.cuts if (cut.side, cut.track) == (lane.side, lane.track.name)]
        values = [*lane.track.depths, *(cut.reading for cut in cuts if cut.reading is not None)]
        low, high = min(values), max(values)
        low, high = low - 0.04 * (high - low), high + 0.04 * (high - low)
        flip = lane.track.deeper < 0

        def at(value: float, low: float = low, high: float = high, flip: bool = flip) -> int:
            place = (value - low) / (high - low)
            return round((1 - place if flip else place) * (width - 1))

        yield from _axis(lane, at, width)
        for cut in cuts:
            row = [" "] * width
            error = 0.0 if cut.reading is None or cut.deviation is None else cut.reading - cut.deviation - cut.nominal
            for label, depth in zip(lane.track.labels, lane.track.depths, strict=True):
                place = min(max(at(depth + error), 0), width - 1)
                row[place] = bar if label == cut.depth else dot
            if cut.reading is not None:
                row[at(cut.reading)] = reading
            yield f"  {cut.cut:>4}  {''.join(row).rstrip()}"
    yield f"        {bar} the depth found, {dot} other depths (moved by the shared error), {reading} reading"


def _axis(lane: Lane, at: object, width: int) -> Iterator[str]:
    row = [" "] * width
    for label, depth in zip(lane.track.labels, lane.track.depths, strict=True):
        place = at(depth)  # type: ignore[operator]
        for i, letter in enumerate(label):
            if place + i < width:
                row[place + i] = letter
    yield f"{lane.label[:7]:<7} {''.join(row).rstrip()}   deeper ->"
