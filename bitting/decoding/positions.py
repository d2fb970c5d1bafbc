"""Places measured along the blade (`7.42@21.4`) as evidence: of which system, and whether they were read from the stop.

A place is the system's space plus one error that all places of the key share (how the caliper stood at the stop) plus
noise of its own, or, now and then, simply wrong. Mistaken for the other end of the blade (tip for shoulder) it is a
distance that nobody knows less the space (which one place alone always fits: it says nothing of the end). In millimetres:
own noise `PLACE_SD`, shared `SHIFT_SD`; places are wrong, or taken from the other end, with the probabilities below. All
figures are assumed, from common practice.

The evidence is the density of all places of a key (per millimetre each), with the shared error integrated on an even grid
of a third of its posterior's width: relative error below 1e-9.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from attrs import frozen

from bitting.arrays import Array
from bitting.decoding.likelihood import ACROSS
from bitting.model import Readings, System

PLACE_SD, SHIFT_SD = 0.25, 0.5
WRONG, OTHER_END = 0.02, 0.1
LONGEST = 60.0
"""Places that are wrong lie within so many millimetres, and so does the end of the blade beyond the last space."""
FINE = 1 / 3


@frozen
class PlaceOff:
    """A cut (from 1) whose place is off by half a pitch or more: `off` in mm, towards greater distances."""

    side: str | None
    track: str
    cut: int
    off: float


@frozen
class PlaceFit:
    """How the places of a key agree with the spaces of one system.

    `log_evidence`: log density per mm; `other_end`: probability that they were measured from the other end; `worst`: the
    cut (from 1) whose place is furthest off once the shared error is taken off (unless that is half a pitch and more), by
    `off` mm; `shift` is that error (mm);
    `wrong` are the cuts whose places are off by half a pitch.
    """

    log_evidence: float
    other_end: float
    shift: float
    worst: int
    off: float
    rms: float
    wrong: tuple[PlaceOff, ...] = ()


def place_fit(readings: Readings, system: System, place_sd: float = PLACE_SD) -> PlaceFit | None:
    """The agreement of places with the system's spaces; None where no place was measured. `place_sd` in mm."""
    given = [(cut.track, cut.cut, cut.place) for cut in readings.cuts if cut.place is not None]
    sides = [cut.side if system.sided else None for cut in readings.cuts if cut.place is not None]
    if not given:
        return None
    spaces = {track.name: track.spaces for track in system.tracks}
    if system.measuring.across is not None:
        spaces[ACROSS] = spaces[system.measuring.across.tracks[0]]
    places = np.array([system.in_mm(place) for _, _, place in given])
    nominal = np.array([system.in_mm(spaces[track][cut]) for track, cut, _ in given])
    step = FINE * place_sd / math.sqrt(places.size)
    shifts = _even(8 * SHIFT_SD, step)
    prior = -0.5 * (shifts / SHIFT_SD) ** 2 - math.log(SHIFT_SD * math.sqrt(2 * math.pi)) + math.log(step)
    stop = _log_density(places - nominal, shifts, place_sd) + prior
    ends = np.arange(nominal.max(), nominal.max() + LONGEST, step)
    other = _log_density(places + nominal, ends, place_sd) + math.log(step / LONGEST)
    from_stop = float(np.logaddexp.reduce(stop)) + math.log(1 - OTHER_END)
    from_other = float(np.logaddexp.reduce(other)) + math.log(OTHER_END) if places.size > 1 else -math.inf
    total = float(np.logaddexp(from_stop, from_other))
    shift = float(shifts[stop.argmax()])
    off = places - nominal - shift
    if from_other > from_stop:
        off = places + nominal - float(ends[other.argmax()])
    elif abs(shift) >= min(_half_pitch(spaces[track], system) for track, _, _ in given):
        off = places - nominal  # so far off together, they may as well be those of other cuts
    worst = int(np.abs(off).argmax())
    return PlaceFit(
        log_evidence=total,
        other_end=math.exp(from_other - total),
        shift=shift,
        worst=given[worst][1] + 1,
        off=float(off[worst]),
        rms=float(np.sqrt(np.mean(off**2))),
        wrong=tuple(
            PlaceOff(side, track, cut + 1, float(amount))
            for side, (track, cut, _), amount in zip(sides, given, off, strict=True)
            if abs(amount) >= _half_pitch(spaces[track], system)
        ),
    )


def _half_pitch(spaces: Sequence[float], system: System) -> float:
    """Half the least distance between neighbouring cuts, in mm."""
    gaps = [abs(b - a) for a, b in pairwise(spaces)]
    return system.in_mm(min(gaps)) / 2 if gaps else math.inf


def _even(reach: float, step: float) -> Array:
    half = math.ceil(reach / step)
    return np.arange(-half, half + 1) * step


def _log_density(differences: Array, shared: Array, sd: float) -> Array:
    """log density of all differences at each shared error: (points,)."""
    normal = np.exp(-0.5 * ((differences[:, None] - shared) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    return np.asarray(np.log((1 - WRONG) * normal + WRONG / LONGEST).sum(axis=0))
