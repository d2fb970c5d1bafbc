"""The grid over what the readings of one key share: offset, tilt, left-right difference and wear scale.

Sums over an even grid of a function that is smooth at the scale of the grid are exact far beyond what a rule of fixed
order reaches: for a normal density of standard deviation s and spacing h the relative error is 2 exp(-2π² (s/h)²),
which is 1e-15 at h = 3s/4. The width that counts is that of the posterior, s = 1/√(prior and readings' precisions).
The offset is taken to ±4.5 standard deviations of the widest density that it is made of, the tilt to ±4.5 with a spacing that
keeps its error under 3e-5. Points of a lattice that no code makes likely are taken out again before anything else is worked
out (`cropped`).

With a left-right difference l, lanes of the first track of a pair see `a = offset + l`, those of the second
`b = offset - l`, each over a lattice of its own; the prior of (a, b) is a two-dimensional normal density, kept as the
matrix `link`. What the left lanes say at a and the right lanes at b is worked out once each: the integral over both is a
product with that matrix.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from attrs import evolve, field, frozen

from bitting.arrays import Array, Indices
from bitting.decoding.model import TAIL_TIMES, MeasurementModel, wear_scales
from bitting.errors import BittingError
from bitting.model import Place, System

REACH, ALONE = 4.5, 7.0
"""How far a lattice reaches, in standard deviations; the second where it is of one normal density alone."""
FINEST = 0.75
"""Spacing of the offset in standard deviations of what all readings together say of it: relative error 1e-15."""
COARSEST = 1.3
MOST_POINTS = 6000
"""Steps from the middle of a lattice to its end that are still worked out, in some seconds."""
NEGLIGIBLE = 15
LATTICE_ERROR = 3e-5
"""Relative error allowed to the spacing where tilt or left-right difference are integrated too."""


@frozen(eq=False)
class Grid:
    """Points of the shared unknowns. `signs[lane]` is +1, -1 or 0: how a lane sees the left-right difference.

    `lattices[sign]` (points,) are the shared errors at mid-blade that lanes of that sign see; `tilts` (T,); `scales`
    (K,) mean wears. `log_scale` and `log_tilt` are log prior weights, `log_offset` those of `lattices[0]` where there is
    no left-right difference; otherwise `link` (points of +1, points of -1) holds the prior weights of the pair. Where
    only one track of a pair was read, the lattice is offset ± l: `offset_mean` and `offset_variance` are then those of the
    offset, given each point. `worked` says, per sign, which (tilt, point) are likely enough to be worked out.
    """

    scales: tuple[float, ...]
    log_scale: Array
    tilts: Array
    log_tilt: Array
    lattices: Mapping[int, Array]
    signs: tuple[int, ...]
    log_offset: Array | None = None
    link: Array | None = None
    offset_mean: Array | None = None
    offset_variance: Array | None = None
    worked: Mapping[int, Indices] = field(factory=dict)

    @property
    def shape(self) -> tuple[int, int]:
        """(wear scales, tilts)."""
        return len(self.scales), self.tilts.size

    @property
    def points(self) -> int:
        """Points of a table of one lattice: wear scales times tilts times lattice points."""
        return math.prod(self.shape) * next(iter(self.lattices.values())).size

    def log_prior(self) -> Array:
        """log prior weight of every point (`points`,), where there is one lattice."""
        assert self.log_offset is not None  # grids of two lattices have `link` instead
        return (self.log_scale[:, None, None] + self.log_tilt[:, None] + self.log_offset).reshape(-1)

    def cropped(self, kept: Mapping[int, Indices]) -> Grid:
        """The grid with only some points of each lattice, numbered as they are."""
        lattices = {sign: lattice[kept[sign]] for sign, lattice in self.lattices.items()}
        if self.link is not None:
            return evolve(self, lattices=lattices, link=self.link[np.ix_(kept[1], kept[-1])])
        assert self.log_offset is not None  # grids of two lattices have `link` instead
        mean, variance = (
            None if moment is None else moment[kept[0]] for moment in (self.offset_mean, self.offset_variance)
        )
        return evolve(
            self, lattices=lattices, log_offset=self.log_offset[kept[0]], offset_mean=mean, offset_variance=variance
        )

    @property
    def spread(self) -> bool:
        """Whether the grid has more dimensions than offset and wear scale, so that 1e-4 is asked of it."""
        return self.link is not None or self.tilts.size > 1


def lane_signs(system: System) -> tuple[int, ...]:
    """+1 for lanes of the first track of a pair, -1 for those of the second, 0 for a track that stands alone.

    Tracks pair off in the order of the file, a track with the next one of the same milling.
    """
    by_track: dict[str, int] = {}
    waiting = None
    for track in system.tracks:
        if track.milling == "edge":
            by_track[track.name] = 0
        elif waiting is not None and waiting.milling == track.milling:
            by_track[waiting.name], by_track[track.name] = 1, -1
            waiting = None
        else:
            by_track[track.name] = 0
            waiting = track
    return tuple(by_track[lane.track.name] for lane in system.lanes)


def places_along(system: System) -> dict[Place, float]:
    """Where each cut lies along the blade, -1/2 at the first cut to +1/2 at the last."""
    out = {}
    for index, lane in enumerate(system.lanes):
        spaces = lane.track.spaces
        span = spaces[-1] - spaces[0]
        for cut, space in enumerate(spaces):
            out[Place(index, cut)] = (space - spaces[0]) / span - 0.5 if span else 0.0
    return out


def grid_for(
    system: System,
    model: MeasurementModel,
    information: Iterable[tuple[Place, float]],
    across: Sequence[tuple[Place, float]] = (),
    finest: float = FINEST,
) -> Grid:
    """The grid for readings whose information (1/variance, per place read) is given.

    `across` gives the information of readings that see the sum of two opposite cuts, with the place of one of them;
    `finest` the offset's spacing in standard deviations of what all readings say of it, where it is integrated alone.
    (Long: each kind of grid is built where it is chosen.)
    """
    along = places_along(system)
    signs = lane_signs(system)
    rows = [(weight, along[place], signs[place.lane]) for place, weight in information]
    seen = {sign for _, _, sign in rows}
    sums = [(weight, along[place]) for place, weight in across]
    model = affordable(model, sum(weight for weight, *_ in (*rows, *sums)))
    scales = wear_scales(model)
    paired = model.left_right_sd > 0 and bool(seen - {0})
    single = 0.0
    if paired and len(seen) == 1 and not sums:  # one side of the pair alone: offset ± l is one error
        single, paired = model.left_right_sd, False
    means, log_scale = tuple(scale for scale, _ in scales), np.log([probability for _, probability in scales])
    if not rows and not sums:
        rows = [(1e-12, 0.0, 0)]
    if not paired:
        prior = [(share, math.hypot(sd, single)) for share, sd in model.offset_parts]
        step, tilt_step = _steps(
            (1,),
            [(w, (1.0, x)) for w, x, _ in rows] + [(w, (2.0, 2 * x)) for w, x in sums],
            (prior[0][1],),
            model.tilt_sd,
            finest,
        )
        tilts, log_tilt = _normal_points(model.tilt_sd, tilt_step)
        points = _even_points(prior, step)
        log_offset = _log_mixture(points, prior)
        mean, variance = _given(points, model, single) if single else (None, None)
        return Grid(
            means, log_scale, tilts, log_tilt, {0: points}, (0,) * len(signs), log_offset,
            offset_mean=mean, offset_variance=variance,
        )  # fmt: skip
    if model.offset_sd == 0:  # a = l and b = -l
        step, tilt_step = _steps(
            (1,),
            [(w, (s, x)) for w, x, s in rows] + [(w, (0.0, 2 * x)) for w, x in sums],
            (model.left_right_sd,),
            model.tilt_sd,
        )
    else:
        seen_by = {1: (1.0, 0.0), -1: (0.0, 1.0), 0: (0.5, 0.5)}
        both = [(w, (*seen_by[s], x)) for w, x, s in rows] + [(w, (1.0, 1.0, 2 * x)) for w, x in sums]
        step, tilt_step = _steps((1, 1), both, (model.offset_sd, model.left_right_sd), model.tilt_sd)
    tilts, log_tilt = _normal_points(model.tilt_sd, tilt_step)
    lattices, link = _pair_points(model, step, 0 in seen)
    return Grid(means, log_scale, tilts, log_tilt, lattices, signs, link=link)


def affordable(model: MeasurementModel, information: float) -> MeasurementModel:
    """The model without shared errors that its readings can't show; `information`: 1/variance of all readings together.

    The grid is as fine as the readings and as wide as what the key's readings share, so a slip of the unit in either would
    ask for millions of points: then BittingError is raised. An error below a fifteenth of what all readings together can
    show changes no variance by more than a part in two hundred.
    """
    sharp = 1 / math.sqrt(information + 1e-300)
    shared = {name: getattr(model, name) for name in ("offset_sd", "left_right_sd", "tilt_sd")}
    shown = {name: sd if sd > sharp / NEGLIGIBLE else 0.0 for name, sd in shared.items()}
    pair = [sd for name, sd in shown.items() if sd and name != "tilt_sd"]
    wide = REACH * (TAIL_TIMES if model.offset_tail else 1.0)
    lattice = wide * math.hypot(*pair) / (FINEST * min(sharp, *pair)) if pair else 0.0
    tilts = REACH * shown["tilt_sd"] / (COARSEST * min(2 * sharp, shown["tilt_sd"])) if shown["tilt_sd"] else 0.0
    if not (max(lattice, tilts) <= MOST_POINTS and lattice * tilts <= 40 * MOST_POINTS):
        raise BittingError(
            f"readings that together are good to {sharp:.1g} and errors shared by the key of {max(shown.values()):.3g} are too "
            "unlike to be weighed together",
            hint="are they all in one unit? See [measuring] in the system file, ± in the readings, and the options",
        )
    return evolve(model, **shown) if shown != shared else model


def _steps(
    shape: tuple[int, ...],
    rows: Sequence[tuple[float, tuple[float, ...]]],
    prior: tuple[float, ...],
    tilt_sd: float,
    finest: float = FINEST,
) -> tuple[float, float]:
    """Spacing of the offset (or of a and b) and of the tilt, as coarse as the error allowed.

    For a normal posterior of covariance S the relative error of an even grid with steps h is Σ exp(-2π² m'Sm) over the
    dual lattice, m = k/h for whole k other than 0 (Poisson's summation formula).
    """
    size = len(shape)
    precision = np.zeros((size + 1, size + 1))
    for weight, vector in rows:
        precision += weight * np.outer(vector, vector)
    if size == 1:
        precision[0, 0] += 1 / prior[0] ** 2 if prior[0] else 1e12
    else:
        o, p = (1 / sd**2 if sd else 1e12 for sd in prior)
        precision[:2, :2] += np.array([[o + p, o - p], [o - p, o + p]]) / 4
    precision[-1, -1] += 1 / tilt_sd**2 if tilt_sd else 1e12
    widths = 1 / np.sqrt(np.diag(precision))
    free = prior[0] > 0 if size == 1 else True
    if size == 1 and not tilt_sd:
        return (finest * float(widths[0]) if free else math.inf), math.inf
    covariance = np.linalg.inv(precision)
    span = [(-2, -1, 0, 1, 2)] * size + [(-1, 0, 1) if tilt_sd else (0,)]
    dual = np.array([k for k in itertools.product(*span) if any(k)], dtype=float)
    coarse = COARSEST
    while coarse > 0.3:
        wave = dual / (coarse * widths)
        if np.exp(-2 * np.pi**2 * np.einsum("ni,ij,nj->n", wave, covariance, wave)).sum() <= LATTICE_ERROR:
            break
        coarse *= 0.95
    return coarse * float(widths[:-1].min()), coarse * float(widths[-1])


Parts = Sequence[tuple[float, float]]
"""(share, standard deviation) of the normal densities around 0 that a density is made of."""


def _even_points(parts: Parts, spacing: float) -> Array:
    """Even points as far as any of some normal densities reaches; one point where all are points."""
    widest = max(sd for _, sd in parts)
    if widest == 0:
        return np.zeros(1)
    spacing = min(spacing, COARSEST * min(sd for _, sd in parts))
    half = math.ceil((REACH if len(parts) > 1 else ALONE) * widest / spacing)
    return np.asarray(np.arange(-half, half + 1) * spacing)


def _log_mixture(points: Array, parts: Parts) -> Array:
    """The logs of the weights of even points."""
    if points.size == 1:
        return np.zeros(1)
    return np.asarray(np.log(sum(share * _normal(points, sd) for share, sd in parts) * (points[1] - points[0])))


def _normal(x: Array, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2) / (sd * math.sqrt(2 * math.pi)))


def _given(points: Array, model: MeasurementModel, single: float) -> tuple[Array, Array]:
    """Mean and variance of the offset o, given o ± l."""
    weights = [share * _normal(points, math.hypot(sd, single)) for share, sd in model.offset_parts]
    ratios = [sd**2 / (sd**2 + single**2) for _, sd in model.offset_parts]
    total = sum(weights)
    mean = sum(w * r for w, r in zip(weights, ratios, strict=True)) / total * points
    square = sum(
        w * ((r * points) ** 2 + r * single**2) for w, r in zip(weights, ratios, strict=True)
    ) / total  # fmt: skip
    return np.asarray(mean), np.asarray(square - mean**2)


def _normal_points(sd: float, spacing: float) -> tuple[Array, Array]:
    """Even points of a normal density and the logs of their weights; one point where `sd` is 0."""
    if sd == 0:
        return np.zeros(1), np.zeros(1)
    spacing = min(spacing, COARSEST * sd)
    half = math.ceil(REACH * sd / spacing)
    points = np.arange(-half, half + 1) * spacing
    return points, np.log(_normal(points, sd) * spacing)


def _pair_points(model: MeasurementModel, step: float, alone: bool) -> tuple[dict[int, Array], Array]:
    """Lattices of a = offset + l and b = offset - l, and the prior weight of each pair of their points."""
    pair_sd = model.left_right_sd
    spacing = min(step, *(sd * 0.8 for sd in (model.offset_sd, pair_sd) if sd > 0))
    wide = REACH * math.hypot(max(sd for _, sd in model.offset_parts), pair_sd)
    half = math.ceil(wide / spacing)
    points = np.arange(-half, half + 1) * spacing
    first, second = points[:, None], points[None, :]
    if model.offset_sd == 0:  # a = l and b = -l exactly
        link = np.diag(_normal(points, pair_sd) * spacing)[:, ::-1]
    else:
        offset, pair = (first + second) / 2, (first - second) / 2
        link = sum(share * _normal(offset, sd) for share, sd in model.offset_parts) * _normal(pair, pair_sd)
        link = np.asarray(link * spacing**2 / 2)  # da db = 2 d(offset) dl
    lattices = {1: points, -1: points}
    if alone:
        lattices[0] = np.arange(-2 * half, 2 * half + 1) * (spacing / 2)
    return lattices, link
