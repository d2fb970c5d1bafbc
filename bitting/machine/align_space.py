"""The space setting from measured places of deep cuts.

A cut's place is midway between its two walls, measured from the stop. One place gives the offset; places at two or more
different spaces give zero and scale: `measured − nominal = zero + scale · (nominal − middle)`, where the middle is halfway
between the first and the last cut of the first track, which is where the zero is known best.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import frozen

from bitting.machine.align_fit import Row, Term, fit_terms
from bitting.machine.inspect_uncertainty import Gauge, reading_sd_of, split
from bitting.model import System


@frozen
class PlaceReading:
    """A measured place: one distance from the stop, or the distances of both walls; `sd` where a ± was given with it.

    `track` and `cut` (counted from 0) are None for the deep cut of the setup key on the first track.
    """

    values: tuple[float, ...]
    track: str | None = None
    cut: int | None = None
    sd: float | None = None


@frozen
class SpaceFit:
    """Zero (a length) and scale (a ratio, None where one place can't tell it) of the space setting."""

    zero: Term
    scale: Term | None


def middle_of(system: System) -> float:
    """Halfway between the first and the last cut of the first track."""
    spaces = system.tracks[0].spaces
    return (spaces[0] + spaces[-1]) / 2


def fit_space(places: Sequence[PlaceReading], system: System, gauge: Gauge) -> SpaceFit | None:
    """Zero and scale of the space setting; None where no place was measured. Every place names its track and cut."""
    if not places:
        return None
    instrument, hand = split(reading_sd_of(system), gauge, system)
    shared = float(np.hypot(instrument, gauge.zero))
    rows = []
    for place in places:
        nominal = system.track(place.track or system.tracks[0].name).spaces[place.cut or 0]
        own = hand if place.sd is None else place.sd
        rows.append(
            Row(
                deviation=sum(place.values) / len(place.values) - nominal,
                sd=own / len(place.values) ** 0.5,
                depth=nominal - middle_of(system),
                along=0.0,
            )
        )
    if len({round(row.depth, 9) for row in rows}) == 1:  # one place: its error is the offset, wherever the middle is
        rows = [Row(row.deviation, row.sd, 0.0, 0.0) for row in rows]
    fit = fit_terms(rows)
    sd = None if fit.zero.sd is None else float(np.hypot(fit.zero.sd, shared))
    return SpaceFit(Term(fit.zero.mean, sd), None if fit.scale.mean is None else fit.scale)
