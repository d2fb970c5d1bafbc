"""Readings across two opposite tracks: one number for the sum of two cuts, with the wear of both and one noise.

The stated combination is undone first, so that a reading is `first + second + noise` (dimension, shared error, wear and
own error of both). Alone it sees the sum of two wears, whose density beside normal noise is closed (a gamma density of
shape 2 folded with a normal one). Beside readings of the single tracks it shares their wear: the wear of one cut is then
integrated numerically (Gauss-Legendre panels, relative error about 1e-9) and that of the other in closed form.

The likelihood is one of pairs of depths, so both cuts are decided in one step of the diagram (`compiled.couple`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen
from scipy.special import erfcx, ndtr

from bitting.decoding.density import Array, density
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.witness import (
    ACROSS,
    MOST_TERMS,
    Read,
    Term,
    Witness,
    outlier_range,
    reading_uncertainty,
    subset_terms,
)
from bitting.errors import BittingError
from bitting.model import Place, Readings, System

NODES, REACH = 40, 8.0
"""Points per panel, and its reach in standard deviations of what it integrates: relative error about 1e-9."""
SPREAD_NODES, SPREAD_REACH = 14, 5.0
"""The same where tilt or left-right difference are integrated too, and 1e-4 is asked of the whole."""


@frozen(kw_only=True)
class PairWitness(Read):
    """All readings of two opposite cuts on one side that include some across them.

    What it has of a `Read` are the readings across, as sums of both cuts; `first` and `second` are the witnesses of the
    single cuts on the same side, where they were read too. Terms here are without the cuts' own errors.
    """

    places: tuple[Place, Place]
    first: Witness | None
    second: Witness | None

    @property
    def log_most(self) -> float:
        """log of a bound of what the readings across can add to those of the single cuts: every term at its peak."""
        peaks = [math.exp(term.log_weight) / (term.sd * math.sqrt(2 * math.pi)) for term in self.terms]
        return math.log(sum(peaks) + math.exp(self.log_floor))


def pairs_of(
    readings: Readings, system: System, model: MeasurementModel, witnesses: Sequence[Witness]
) -> tuple[tuple[PairWitness, ...], tuple[Witness, ...]]:
    """The readings across, with the single readings that share a cut and side with them; and the witnesses left over."""
    across = system.measuring.across
    given = [cut for cut in readings.cuts if cut.track == ACROSS and cut.readings]
    if not given or across is None:
        return (), tuple(witnesses)
    lanes = {(lane.side, lane.track.name): number for number, lane in enumerate(system.lanes)}
    plain = evolve(model, cut_sd=0.0)
    left = list(witnesses)
    out = []
    for cut in given:
        side = cut.side if system.sided else None
        places = [Place(lanes[side, name], cut.cut) for name in across.tracks]
        tracks = [system.lanes[place.lane].track for place in places]
        if tracks[0].deeper != tracks[1].deeper:
            raise BittingError("a reading across two tracks that are measured in opposite senses can't be used")
        if len(cut.readings) > MOST_TERMS:
            raise BittingError(
                f"{len(cut.readings)} readings across cut {cut.cut + 1}", hint=f"at most {MOST_TERMS} are taken"
            )
        lows, highs = zip(*(outlier_range(track) for track in tracks), strict=True)
        values = [(reading.value - across.amount) / across.scale for reading in cut.readings]
        sds = [reading_uncertainty(reading, model) for reading in cut.readings]
        wrong = tuple(1 / (sum(highs) - sum(lows)) if sum(lows) <= v <= sum(highs) else 0.0 for v in values)
        singles: list[Witness | None] = []
        for place in places:
            same = [w for w in left if w.place == place and w.side == (cut.side or None) and w.summed]
            singles.append(same[0] if same else None)
            left = [w for w in left if not same or w is not same[0]]
        floor = sum(math.log(model.outliers * w) if model.outliers * w > 0 else -math.inf for w in wrong)
        terms = subset_terms(values, sds, wrong, plain)
        pair = PairWitness(
            places=(places[0], places[1]), side=cut.side or None, terms=terms, log_floor=floor, values=tuple(values),
            sds=tuple(sds), wrong=wrong, first=singles[0], second=singles[1],
        )  # fmt: skip
        out.append(pair)
    return tuple(out), tuple(left)


def density_two(y: Array, sd: Array | float, scale: float) -> Array:
    """Density of N(0, sd²) noise plus two independent exponential wears of mean `scale` each.

    With z = y/sd - sd/scale it is sd/scale² · exp(-y²/2sd²) · [φ(z) + z Φ(z)] / (√2π φ(z)).
    """
    if scale == 0:
        return density(y, sd, 0.0)
    z = y / sd - sd / scale
    low = np.minimum(z, 0.0)
    near = np.exp(-0.5 * (y / sd) ** 2) / math.sqrt(2 * math.pi)
    near = near * (1.0 + low * math.sqrt(math.pi / 2) * erfcx(-low / math.sqrt(2)))
    high = np.maximum(z, 0.0)
    tilt = np.exp(np.minimum(0.5 * (sd / scale) ** 2 - y / scale, 0.0))
    far = tilt * (high * ndtr(high) + np.exp(-0.5 * high * high) / math.sqrt(2 * math.pi))
    return np.asarray(sd / scale**2 * np.where(z < 0, near, far))


def pair_logs(
    pair: PairWitness,
    system: System,
    model: MeasurementModel,
    dims: tuple[Array, Array],
    shift: tuple[Array, Array],
    scale: Array,
    *,
    spread: bool = False,
) -> Array:
    """log likelihood (first rows, second rows, points) of a pair at the dimensions `dims` of its rows.

    `shift` and `scale` (points,) are the shared error of each cut and the wear scale at each point.
    """
    turn = system.lanes[pair.places[0].lane].track.deeper
    x = [rows[:, None] + error for rows, error in zip(dims, shift, strict=True)]
    out = np.empty((dims[0].size, dims[1].size, scale.size))
    rule = (SPREAD_NODES, SPREAD_REACH) if spread else (NODES, REACH)
    piece = max(1, 200_000 // (out.shape[0] * out.shape[1]))
    for value in np.unique(scale):
        at = np.flatnonzero(scale == value)
        for start in range(0, at.size, piece):
            some = at[start : start + piece]
            total = _likelihood(pair, model, (x[0][:, some], x[1][:, some]), float(value), turn, rule)
            out[:, :, some] = np.log(np.maximum(total, 1e-300))
    return out


def _likelihood(
    pair: PairWitness, model: MeasurementModel, x: tuple[Array, Array], scale: float, turn: int, rule: tuple[int, float]
) -> Array:
    """(first depths, second depths, points): over who is wrong among the readings across and the single ones."""
    own = model.cut_sd
    singles = [_single(w, model) for w in (pair.first, pair.second)]
    alone = []
    for (terms, floor), place in zip(singles, x, strict=True):
        value = np.full(place.shape, floor)
        for term in terms:
            y = turn * (term.centre - place)
            value = value + math.exp(term.log_weight) * density(y, math.hypot(term.sd, own), scale)
        alone.append(value)
    total = math.exp(pair.log_floor) * alone[0][:, None] * alone[1][None]
    for across in pair.terms:
        weight = math.exp(across.log_weight)
        y = turn * (across.centre - x[0][:, None] - x[1][None])
        (terms_0, floor_0), (terms_1, floor_1) = singles
        both = floor_0 * floor_1 * density_two(y, math.hypot(across.sd, math.sqrt(2) * own), scale)
        for term in terms_0:
            y_0 = turn * (term.centre - x[0])[:, None]
            size = math.exp(term.log_weight)
            both = both + size * floor_1 * _shared(y_0, term.sd, y, across.sd, own, scale, None, rule)
            for other in terms_1:
                y_1 = turn * (other.centre - x[1])[None]
                size_1 = size * math.exp(other.log_weight)
                both = both + size_1 * _shared(y_0, term.sd, y, across.sd, own, scale, (y_1, other.sd), rule)
        for other in terms_1:
            y_1 = turn * (other.centre - x[1])[None]
            size = math.exp(other.log_weight)
            both = both + size * floor_0 * _shared(y_1, other.sd, y, across.sd, own, scale, None, rule)
        total = total + weight * both
    return np.asarray(total)


def _single(one: Witness | None, model: MeasurementModel) -> tuple[tuple[Term, ...], float]:
    """Terms of the single readings of a cut, without its own error, and their floor; (none, 1) where it wasn't read."""
    if one is None:
        return (), 1.0
    return subset_terms(one.values, one.sds, one.wrong, evolve(model, cut_sd=0.0)), math.exp(one.log_floor)


def _shared(
    y_0: Array,
    sd_0: float,
    y: Array,
    sd: float,
    own: float,
    scale: float,
    other: tuple[Array, float] | None,
    rule: tuple[int, float],
) -> Array:
    """∫ p(v) N(y_0; v, sd_0²) H(y - v) dv, with p the density of own error plus wear of the first cut.

    H is what the second cut leaves of the reading across: its own error and wear, seen by the reading across alone, or by
    that and its single readings (`other`: their centre and sd).
    """
    total = np.zeros(np.broadcast_shapes(y_0.shape, y.shape))
    for v, weight in _nodes(y_0, sd_0, own, scale, rule):
        z = y - v
        if other is None:
            second = density(z, math.hypot(sd, own), scale)
        else:
            y_1, sd_1 = other
            narrow = 1 / (1 / sd_1**2 + 1 / sd**2)
            middle = narrow * (y_1 / sd_1**2 + z / sd**2)
            second = density(y_1 - z, math.hypot(sd_1, sd), 0.0) * density(middle, math.sqrt(narrow + own**2), scale)
        total = total + weight * second
    return total


def _nodes(y_0: Array, sd_0: float, own: float, scale: float, rule: tuple[int, float]) -> Sequence[tuple[Array, Array]]:
    """Places v and weights p(v) N(y_0; v, sd_0²) dv of the outer integral, each of the shape of y_0."""
    if own == 0 and scale == 0:
        return [(np.zeros_like(y_0), density(y_0, sd_0, 0.0))]
    nodes, weights = np.polynomial.legendre.leggauss(rule[0])
    width = rule[1]
    reach = width * sd_0
    top = np.maximum(y_0, 0.0) + reach + (width * own if scale == 0 else 0.0)
    if own == 0:
        panels = [(np.maximum(y_0 - reach, 0.0), top)]
    else:  # p(v) bends at the scale of the own error around 0 and fades smoothly after it
        knee = np.full_like(y_0, width * own)
        panels = [
            (np.maximum(np.minimum(y_0 - reach, 0.0), -width * own), knee),
            (np.maximum(knee, y_0 - reach), np.maximum(knee, top)),
        ]
    out = []
    for left, right in panels:
        half = (right - left) / 2
        for node, weight in zip(nodes, weights, strict=True):
            v = left + half * (node + 1)
            prior = density(v, own, scale) if own else np.exp(-v / scale) / scale
            out.append((v, weight * half * prior * density(y_0 - v, sd_0, 0.0)))
    return out
