"""What the readings of one cut say, as a short sum of densities of noise plus wear.

Readings of a cut on one side share its wear and its own error, and each of them may be simply wrong. Over the subsets of
readings that are not wrong, the product of their normal densities is again a normal density around their weighted mean,
times a constant that says how well they agree; so the likelihood of `depth + shared error = x` is

    floor + Σ_subsets weight · f(± (mean - x); sd),   sd² = 1/Σ(1/u²) + cut_sd²,

with f the density of noise plus wear (`density.py`). The terms don't depend on the depth or the shared error and are
worked out once per cut. Past `MOST_TERMS` readings the 2^m subsets are too many and `many.py` integrates instead.

Normal noise plus exponential wear: the density of what one cut reads beside its depth.

For noise N(0, sd²) and wear that is exponential with mean `scale`, the density of noise + wear at y is

    f(y) = 1/(2 scale) exp(-y²/2sd²) erfcx(b),   b = (sd/scale - y/sd)/√2,

the exponentially modified Gaussian. The form above is stable for b ≥ 0; for b < 0, where erfcx grows without bound, the
identity erfcx(b) = 2 exp(b²) - erfcx(-b) gives two terms that can't overflow. Readings where wear lowers the dimension
are turned round by the caller, so wear is always a positive addition here.

>>> import numpy as np
>>> round(float(density(np.array([0.0]), 1.0, 0.0)[0]), 12)   # no wear: the normal density
0.398942280401
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from attrs import frozen
from scipy.special import erfcx, log_ndtr

from bitting.arrays import Array
from bitting.decoding.model import MeasurementModel
from bitting.errors import BittingError
from bitting.model import Place, Reading, Readings, System, Track

MOST_TERMS = 8
"""Readings of one cut up to which every subset is summed; above, a quadrature to the same accuracy."""

ACROSS = "across"


@frozen
class Term:
    """weight · f(±(centre - x); sd), the weight as a logarithm."""

    log_weight: float
    centre: float
    sd: float


@frozen(kw_only=True)
class Read:
    """Readings of one kind of one place or pair of places on one side: the sum of `terms`, plus exp(log_floor).

    `values`, `sds` and `wrong` (the density of a reading that is simply wrong) are the readings themselves.
    """

    side: str | None
    terms: tuple[Term, ...]
    log_floor: float
    values: tuple[float, ...]
    sds: tuple[float, ...]
    wrong: tuple[float, ...]

    @property
    def information(self) -> float:
        """1/variance of what all its readings together say of x, or of a sum of two, wear apart."""
        return 1.0 / min(term.sd for term in self.terms) ** 2


@frozen(kw_only=True)
class Witness(Read):
    """All readings of one cut on one side; `summed` says that `terms` are all of it."""

    place: Place
    summed: bool = True

    @property
    def places(self) -> tuple[Place, ...]:
        """The one place, as readings of two cuts have two."""
        return (self.place,)

    @property
    def mean(self) -> float:
        """The mean of its readings, weighted by what each is worth."""
        weights = [1 / sd**2 for sd in self.sds]
        return sum(w * v for w, v in zip(weights, self.values, strict=True)) / sum(weights)


def reading_uncertainty(reading: Reading, model: MeasurementModel) -> float:
    """Standard uncertainty of one reading: its own or the model's, combined with the rounding of its digits.

    A step d of the digits is uniform over ±d/2, standard uncertainty d/√12 (GUM, JCGM 100:2008, F.2.2.1).
    """
    own = model.reading_sd if reading.own_sd is None else reading.own_sd
    return math.sqrt(own**2 + reading.digit**2 / 12)


def outlier_range(track: Track) -> tuple[float, float]:
    """Where a wrong reading may lie: from one increment past the deepest to one past the shallowest dimension."""
    depths = track.depths
    if len(depths) == 1:
        return depths[0] - 1.0, depths[0] + 1.0
    ends = (2 * depths[0] - depths[1], 2 * depths[-1] - depths[-2])
    return min(ends), max(ends)


def witnesses_of(readings: Readings, system: System, model: MeasurementModel) -> tuple[Witness, ...]:
    """One witness per cut and side that was read, in the order of lanes and cuts; `across` readings are not among them."""
    lanes = {(lane.side, lane.track.name): index for index, lane in enumerate(system.lanes)}
    found: dict[tuple[int, int, str], list[Reading]] = {}
    for cut in readings.cuts:
        if cut.track == ACROSS or not cut.readings:
            continue
        lane = lanes.get((cut.side if system.sided else None, cut.track))
        if lane is None or not 0 <= cut.cut < system.lanes[lane].track.cuts:
            raise BittingError(
                f"a reading of cut {cut.cut + 1} of {cut.track!r} has no place on a key of {system.name!r}",
                hint="name the side and track of each list of readings, with one value per cut",
            )
        found.setdefault((lane, cut.cut, cut.side or ""), []).extend(cut.readings)
    out = []
    for (lane, place, side), several in sorted(found.items()):
        track = system.lanes[lane].track
        sds = [reading_uncertainty(reading, model) for reading in several]
        out.append(witness(Place(lane, place), side or None, [r.value for r in several], sds, track, model))
    return tuple(out)


def witness(
    place: Place, side: str | None, values: Sequence[float], sds: Sequence[float], track: Track, model: MeasurementModel
) -> Witness:
    """The witness of one cut from its readings and their standard uncertainties."""
    low, high = outlier_range(track)
    density = 1.0 / (high - low)
    wrong = tuple([density if low <= value <= high else 0.0 for value in values])
    summed = len(values) <= MOST_TERMS or model.outliers == 0
    terms = subset_terms(values, sds, wrong, model) if summed and model.outliers else ()
    terms = terms or (_subset(range(len(values)), values, sds, wrong, model),)
    floor = sum([_log(model.outliers * density) for density in wrong])
    return Witness(
        place=place, side=side, terms=terms, log_floor=floor, values=tuple(values), sds=tuple(sds), wrong=wrong,
        summed=summed,
    )  # fmt: skip


def subset_terms(
    values: Sequence[float], sds: Sequence[float], wrong: Sequence[float], model: MeasurementModel
) -> tuple[Term, ...]:
    """A term per subset of the readings that are not wrong and can be told from nothing (the empty one is the floor)."""
    count = len(values)
    if count == 1:  # by far the commonest
        return (Term(math.log1p(-model.outliers), values[0], math.hypot(sds[0], model.cut_sd)),)
    terms = []
    for mask in range(1, 1 << count):
        term = _subset([i for i in range(count) if mask >> i & 1], values, sds, wrong, model)
        if term.log_weight > -math.inf:
            terms.append(term)
    return tuple(terms)


def _subset(
    good: Sequence[int], values: Sequence[float], sds: Sequence[float], wrong: Sequence[float], model: MeasurementModel
) -> Term:
    """The term in which exactly the readings `good` are not wrong."""
    precisions = [1 / sds[i] ** 2 for i in good]
    total = sum(precisions)
    centre = sum(p * values[i] for p, i in zip(precisions, good, strict=True)) / total
    misfit = sum(p * (values[i] - centre) ** 2 for p, i in zip(precisions, good, strict=True))
    log_weight = 0.5 * math.log(2 * math.pi / total) - 0.5 * misfit
    log_weight += sum(math.log1p(-model.outliers) - math.log(sds[i]) - 0.5 * math.log(2 * math.pi) for i in good)
    kept = set(good)
    log_weight += sum(_log(model.outliers * density) for i, density in enumerate(wrong) if i not in kept)
    return Term(log_weight, centre, math.sqrt(1 / total + model.cut_sd**2))


def _log(x: float) -> float:
    return math.log(x) if x > 0 else -math.inf


_ROOT_TWO = np.sqrt(2.0)
_LOG_ROOT_TWO_PI = 0.5 * np.log(2 * np.pi)


def density(y: Array, sd: Array | float, scale: float) -> Array:
    """f(y) for noise `sd` (broadcast against y) and mean wear `scale` (0: normal); relative error near 1e-15.

    Underflows to 0 beyond about 38 sd on the side without wear; `log_density` does not.
    """
    return next(densities(y, sd, (scale,)))


def densities(y: Array, sd: Array | float, scales: Sequence[float]) -> Iterator[Array]:
    """f(y) for each of some mean wears in turn; what doesn't depend on the wear is worked out once."""
    z = y / sd
    normal = np.exp(-0.5 * z * z)
    for scale in scales:
        if scale == 0:
            yield np.asarray(normal / (sd * (_ROOT_TWO * np.sqrt(np.pi))))
            continue
        ratio = sd / scale
        b = (ratio - z) * (1 / _ROOT_TWO)
        heavy = b < 0
        near = erfcx(np.abs(b, out=b), out=b)
        near *= normal
        if heavy.any():
            far = ratio * (0.5 * ratio - z)
            far = np.exp(np.minimum(far, 0.0, out=far), out=far)
            far *= 2.0
            np.subtract(far, near, out=near, where=heavy)
        near *= 0.5 / scale
        yield near


def log_density(y: Array, sd: Array | float, scale: float) -> Array:
    """log f(y), finite for every finite y."""
    z = y / sd
    if scale == 0:
        return np.asarray(-0.5 * z * z - np.log(sd) - _LOG_ROOT_TWO_PI)
    ratio = sd / scale
    b = (ratio - z) / _ROOT_TWO
    light = np.log(erfcx(np.maximum(b, 0.0))) - 0.5 * z * z - np.log(2.0 * scale)
    wide = np.where(b < 0, z - ratio, 0.0)
    heavy = 0.5 * ratio * ratio - ratio * z + log_ndtr(wide) - np.log(scale)
    return np.asarray(np.where(b >= 0, light, heavy))
