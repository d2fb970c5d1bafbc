"""The grid over what the readings of one key share: offset, tilt, left-right difference and wear scale.

Sums over an even grid of a function that is smooth at the scale of the grid are exact far beyond what a rule of fixed
order reaches: for a normal density of standard deviation s and spacing h the relative error is 2 exp(-2π² (s/h)²),
which is 1e-34 at h = s/2. The width that counts is that of the posterior, s = 1/√(prior and readings' precisions).
The offset is taken to ±6 of its prior standard deviations (and further when the answer leans on the ends), the tilt to
±5 with a spacing that keeps its error under 1e-5.

With a left-right difference l, lanes of the first track of a pair see `a = offset + l`, those of the second
`b = offset - l`, each over a lattice of its own; the prior of (a, b) is a two-dimensional normal density, kept as the
matrix `link`. What the left lanes say at a and the right lanes at b is worked out once each: the integral over both is a
product with that matrix.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from attrs import frozen

from bitting.decode.density import Array
from bitting.decode.figures import MeasurementModel, wear_scales
from bitting.model import Place, System

OFFSET_REACH = 6.0
TILT_REACH = 5.0
FINEST = 0.5
"""Spacing of the offset in standard deviations of what all readings together say of it."""
LATTICE_ERROR = 2e-6
"""Relative error allowed to the tilt's spacing (a bound for a normal posterior)."""


@frozen(eq=False)
class Grid:
    """Points of the shared unknowns. `signs[lane]` is +1, -1 or 0: how a lane sees the left-right difference.

    `lattices[sign]` (points,) are the shared errors at mid-blade that lanes of that sign see; `tilts` (T,); `scales`
    (K,) mean wears. `log_scale` and `log_tilt` are log prior weights, `log_offset` those of `lattices[0]` where there is
    no left-right difference; otherwise `link` (points of +1, points of -1) holds the prior weights of the pair. Where
    only one track of a pair was read, the lattice is offset ± l: its share `offset_share` is the offset, whose
    uncertainty given the sum is `offset_rest`.
    """

    scales: tuple[float, ...]
    log_scale: Array
    tilts: Array
    log_tilt: Array
    lattices: Mapping[int, Array]
    signs: tuple[int, ...]
    log_offset: Array | None = None
    link: Array | None = None
    offset_share: float = 1.0
    offset_rest: float = 0.0

    @property
    def shape(self) -> tuple[int, int]:
        """(wear scales, tilts)."""
        return len(self.scales), self.tilts.size


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
    reach: float = OFFSET_REACH,
) -> Grid:
    """The grid for readings whose information (1/variance, per place read) is given. `reach` in prior sds of the offset."""
    along = places_along(system)
    signs = lane_signs(system)
    rows = [(weight, along[place], signs[place.lane]) for place, weight in information]
    seen = {sign for _, _, sign in rows}
    scales = wear_scales(model)
    paired = model.left_right_sd > 0 and bool(seen - {0})
    prior_sd, share, rest = model.offset_sd, 1.0, 0.0
    if paired and len(seen) == 1:  # one side of the pair alone: offset ± l is one normal error
        prior_sd, paired = math.hypot(model.offset_sd, model.left_right_sd), False
        share = (model.offset_sd / prior_sd) ** 2
        rest = model.offset_sd * model.left_right_sd / prior_sd
    scale_values = tuple(scale for scale, _ in scales)
    log_scale = np.log([probability for _, probability in scales])
    total = sum(weight for weight, _, _ in rows)
    tilts, log_tilt = _tilt_points(model.tilt_sd, prior_sd, rows)
    if not paired:
        offsets, log_offset = _normal_points(prior_sd, FINEST / math.sqrt(total) if total else math.inf, reach)
        return Grid(
            scales=scale_values,
            log_scale=log_scale,
            tilts=tilts,
            log_tilt=log_tilt,
            lattices={0: offsets},
            signs=(0,) * len(signs),
            log_offset=log_offset,
            offset_share=share,
            offset_rest=rest,
        )
    lattices, link = _pair_points(model, rows, reach, 0 in seen)
    return Grid(
        scales=scale_values,
        log_scale=log_scale,
        tilts=tilts,
        log_tilt=log_tilt,
        lattices=lattices,
        signs=signs,
        link=link,
    )


def _normal_points(sd: float, spacing: float, reach: float) -> tuple[Array, Array]:
    """Even points over ±reach·sd and the logs of their normal weights; one point where sd is 0."""
    if sd == 0:
        return np.zeros(1), np.zeros(1)
    spacing = min(spacing, sd / 2)
    half = math.ceil(reach * sd / spacing)
    points = np.arange(-half, half + 1) * spacing
    return points, -0.5 * (points / sd) ** 2 + math.log(spacing / (sd * math.sqrt(2 * math.pi)))


def _tilt_points(sd: float, offset_sd: float, rows: Sequence[tuple[float, float, int]]) -> tuple[Array, Array]:
    if sd == 0:
        return np.zeros(1), np.zeros(1)
    precision = np.zeros((2, 2))
    for weight, x, _ in rows:
        precision += weight * np.outer((1.0, x), (1.0, x))
    precision += np.diag((1 / offset_sd**2 if offset_sd else 1e12, 1 / sd**2))
    covariance = np.linalg.inv(precision)
    offset_step = FINEST / math.sqrt(precision[0, 0])
    step = 1.3 / math.sqrt(precision[1, 1])
    steps = [(i, j) for i in (-2, -1, 0, 1, 2) for j in (-1, 0, 1) if (i, j) != (0, 0)]
    while step > 0.3 / math.sqrt(precision[1, 1]):
        dual = np.array([(i / offset_step, j / step) for i, j in steps])
        if np.exp(-2 * np.pi**2 * np.einsum("ni,ij,nj->n", dual, covariance, dual)).sum() <= LATTICE_ERROR:
            break
        step *= 0.92
    return _normal_points(sd, step, TILT_REACH)


def _pair_points(
    model: MeasurementModel, rows: Sequence[tuple[float, float, int]], reach: float, alone: bool
) -> tuple[dict[int, Array], Array]:
    """Lattices of a = offset + l and b = offset - l, and the prior weight of each pair of their points."""
    offset_sd, pair_sd = model.offset_sd, model.left_right_sd
    most = max(sum(w for w, _, s in rows if s == sign) for sign in (1, -1))
    if alone:
        most = max(most, sum(w for w, _, _ in rows))
    narrow = min(sd for sd in (offset_sd, pair_sd) if sd > 0)
    spacing = min(FINEST / math.sqrt(most), narrow / 2)
    wide = math.hypot(offset_sd, pair_sd)
    half = math.ceil(reach * wide / spacing)
    points = np.arange(-half, half + 1) * spacing
    first, second = points[:, None], points[None, :]
    if offset_sd == 0:  # a = l and b = -l exactly
        density = np.exp(-0.5 * (points / pair_sd) ** 2) * spacing / (pair_sd * math.sqrt(2 * math.pi))
        link = np.diag(density)[:, ::-1]
    else:
        offset, pair = (first + second) / 2, (first - second) / 2
        link = np.exp(-0.5 * (offset / offset_sd) ** 2 - 0.5 * (pair / pair_sd) ** 2)
        link *= spacing**2 / 2 / (2 * math.pi * offset_sd * pair_sd)  # da db = 2 d(offset) dl
    lattices = {1: points, -1: points}
    if alone:
        lattices[0] = np.arange(-2 * half, 2 * half + 1) * (spacing / 2)
    return lattices, link
