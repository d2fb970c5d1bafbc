"""Do these readings come from a key of this system at all? A tail probability, calibrated by simulation.

The statistic is the log density of the readings given one code: the likelihood ratio against "anything could be read
anywhere", which is the strongest test there is against a foreign key. It depends on the readings only through what is
left of them beside the code's depths, so its distribution on true keys needs no codes: draw shared errors, wear, own
errors, noise and wrong readings from the model, and take the same density.

The statistic of the key at hand is that of its best code, which is hardly ever less than that of its true code; so of
the keys that do come from the system at most about the stated share is called no-fit, whatever the system.

Shared errors are estimated, one estimate per wear scale, where the posterior integrates them; of a cut's repeats only
"all good", "one wrong" and "all wrong" are told apart. Drawn and real readings are treated alike, so the calibration
doesn't suffer. Draws are seeded: the same readings get the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from attrs import frozen

from bitting.decode.density import Array, density
from bitting.decode.figures import MeasurementModel, wear_scales
from bitting.decode.grid import lane_signs, places_along
from bitting.decode.witness import Witness, outlier_range
from bitting.model import Depths, Place, System, Track

FIT_LIMIT = 0.01
"""Tail probability below which readings don't fit: so at most 1 % of a system's own keys are called no-fit."""

DRAWS = 4000
SEED = 20
ROUNDS = 6
"""Rounds of reweighting in which the shared error is estimated."""


@frozen
class Pattern:
    """What was read, but not what it read: per witness its place and side, and each reading's uncertainty."""

    cuts: tuple[tuple[Place, tuple[float, ...]], ...]

    @classmethod
    def of(cls, witnesses: Sequence[Witness]) -> Pattern:
        """The pattern of some witnesses."""
        return cls(tuple((witness.place, witness.sds) for witness in witnesses))


class FitTest:
    """The distribution of the statistic for one pattern of readings of one system; ready for any number of keys."""

    def __init__(self, pattern: Pattern, system: System, model: MeasurementModel) -> None:
        self._system = system
        self._model = model
        places = [place for place, _ in pattern.cuts]
        along, signs = places_along(system), lane_signs(system)
        tracks = [system.lanes[place.lane].track for place in places]
        self._design = np.array([[1.0, along[place], signs[place.lane]] for place in places])
        self._prior = np.array([model.offset_sd, model.tilt_sd, model.left_right_sd])
        self._turn = np.array([track.deeper for track in tracks])
        most = max(len(sds) for _, sds in pattern.cuts)
        self._sds = np.array([list(sds) + [np.inf] * (most - len(sds)) for _, sds in pattern.cuts])
        self._given = np.isfinite(self._sds)
        ranges = [outlier_range(track) for track in tracks]
        self._wrong = np.array([1.0 / (high - low) for low, high in ranges])
        self._drawn = np.sort(self.statistic(self._draw(ranges, tracks), np.ones((DRAWS, *self._sds.shape))))

    def p_value(self, witnesses: Sequence[Witness], depths: Depths) -> float:
        """The share of drawn keys whose readings are no more likely, given their code, than these are given `depths`."""
        residuals = np.zeros((1, *self._sds.shape))
        possible = np.ones((1, *self._sds.shape))
        for row, witness in enumerate(witnesses):
            place = witness.place
            nominal = self._system.lanes[place.lane].track.depths[depths[place.lane][place.cut]]
            residuals[0, row, : len(witness.values)] = np.array(witness.values) - nominal
            possible[0, row, : len(witness.values)] = np.array(witness.wrong) > 0
        value = self.statistic(residuals, possible)[0]
        return float((1 + np.searchsorted(self._drawn, value, side="right")) / (1 + DRAWS))

    def statistic(self, residuals: Array, possible: Array) -> Array:
        """log density (keys,) of residuals (keys, cuts, repeats); `possible`: 1 where a reading can be simply wrong."""
        precision = 1.0 / self._sds**2
        total = precision.sum(axis=1)
        centre = (residuals * precision).sum(axis=2) / total
        misfit = ((residuals - centre[:, :, None]) ** 2 * precision).sum(axis=2)
        share = self._model.outliers
        count = self._given.sum(axis=1)
        normal = np.where(self._given, math.sqrt(2 * math.pi) * self._sds, 1.0)
        agree = (1 - share) ** count * np.sqrt(2 * np.pi / total) / normal.prod(axis=1)
        weight = agree * np.exp(-0.5 * misfit)
        each = np.where(self._given, share * self._wrong[:, None] * possible, 1.0)
        floor = np.maximum(each.prod(axis=2), 1e-290)
        sd = np.sqrt(1 / total + self._model.cut_sd**2)
        terms = [(weight, centre, sd), *self._one_wrong(residuals, each)]
        out = []
        for scale, probability in wear_scales(self._model):
            shared, prior = self._estimate(centre, weight, floor, sd, scale)
            likely = floor
            for w, c, s in terms:
                likely = likely + w * density(self._turn * (c - shared), s, scale)
            out.append(np.log(likely).sum(axis=1) + prior + math.log(probability))
        return np.asarray(np.logaddexp.reduce(out))

    def _one_wrong(self, residuals: Array, each: Array) -> list[tuple[Array, Array, Array]]:
        """Terms in which one of a cut's several readings is wrong and the others are not."""
        terms = []
        share = self._model.outliers
        for left_out in range(self._sds.shape[1] if self._sds.shape[1] > 1 else 0):
            kept = self._given.copy()
            kept[:, left_out] = False
            useful = kept.any(axis=1) & self._given[:, left_out]
            precision = np.where(kept, 1.0 / self._sds**2, 0.0)
            total = np.where(useful, precision.sum(axis=1), 1.0)
            centre = (residuals * precision).sum(axis=2) / total
            misfit = ((residuals - centre[:, :, None]) ** 2 * precision).sum(axis=2)
            normal = np.where(kept, math.sqrt(2 * math.pi) * self._sds, 1.0)
            agree = (1 - share) ** kept.sum(axis=1) * np.sqrt(2 * np.pi / total) / normal.prod(axis=1)
            weight = np.where(useful, agree * np.exp(-0.5 * misfit) * each[:, :, left_out], 0.0)
            terms.append((weight, centre, np.sqrt(1 / total + self._model.cut_sd**2)))
        return terms

    def _estimate(self, centre: Array, weight: Array, floor: Array, sd: Array, scale: float) -> tuple[Array, Array]:
        """Shared error at every cut (keys, cuts) and its log prior (keys,): least squares, wrong readings weighed down."""
        free = self._prior > 0
        design = self._design[:, free]
        variance = sd**2 + scale**2
        target = centre - self._turn * scale
        shared = np.repeat(np.median(target, axis=1)[:, None], target.shape[1], axis=1) if free[0] else 0.0 * target
        ridge = np.diag(1.0 / self._prior[free] ** 2)
        found = np.zeros((centre.shape[0], design.shape[1]))
        for _ in range(ROUNDS if design.shape[1] else 0):
            good = weight * density(self._turn * (centre - shared), sd, scale)
            trust = good / (good + floor) / variance
            normal = np.einsum("ni,ia,ib->nab", trust, design, design) + ridge
            found = np.linalg.solve(normal, np.einsum("ni,ia->na", trust * target, design)[:, :, None])[:, :, 0]
            shared = found @ design.T
        return shared, -0.5 * ((found / self._prior[free]) ** 2).sum(axis=1)

    def _draw(self, ranges: Sequence[tuple[float, float]], tracks: Sequence[Track]) -> Array:
        """Residuals of `DRAWS` keys drawn from the model: (keys, cuts, repeats)."""
        random = np.random.default_rng(SEED)
        model, (cuts, repeats) = self._model, self._sds.shape
        shared = (random.standard_normal((DRAWS, 3)) * self._prior) @ self._design.T
        scales = wear_scales(model)
        scale = random.choice([s for s, _ in scales], size=DRAWS, p=[p for _, p in scales])
        wear = random.exponential(size=(DRAWS, cuts)) * scale[:, None]
        own = random.standard_normal((DRAWS, cuts)) * model.cut_sd
        noise = random.standard_normal((DRAWS, cuts, repeats)) * np.where(self._given, self._sds, 0.0)
        residuals = (shared + self._turn * wear + own)[:, :, None] + noise
        for row, ((low, high), track) in enumerate(zip(ranges, tracks, strict=True)):
            wrong = random.random((DRAWS, repeats)) < model.outliers
            anywhere = random.uniform(low, high, (DRAWS, repeats))
            nominal = random.choice(np.array(track.depths), size=(DRAWS, 1))
            residuals[:, row] = np.where(wrong, anywhere - nominal, residuals[:, row])
        return np.where(self._given, residuals, 0.0)
