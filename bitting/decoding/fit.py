"""Do these readings come from a key of this system at all? A tail probability, calibrated by simulation.

The question is put in four ways, since one simply wrong reading makes a key of the system as unlikely as a foreign one:
how dense the readings are, given one code, in all; the same without the worst cut, and without the two worst; and how
far the shared error lies from 0 for what keys have. Each is a tail probability among drawn keys, and so is the least of
the four. They depend on the readings only through what is left of them beside the code's depths, so the distribution on
true keys needs no codes: draw shared errors, wear, own errors, noise and wrong readings from the model.

The figures of the key at hand are those of its best code, which hardly ever fits worse than its true code; so of the
keys that do come from the system about the stated share is called no-fit at most, whatever the system.

Nonsense is found out before anything is decoded (`at_most`): readings that fit no depths at all, whatever rules allow,
can't fit a code.

Shared errors are estimated, one estimate per wear scale, where the posterior integrates them; of a cut's repeats only
"all good", "one wrong" and "all wrong" are told apart, and each list's readings of a cut are taken by themselves. Drawn and
real readings are treated alike, so the calibration doesn't suffer. Draws are seeded: the same readings get the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen

from bitting.arrays import Array
from bitting.decoding.grid import lane_signs, places_along
from bitting.decoding.jaw import Reach
from bitting.decoding.likelihood import COARSE, CutLikelihood, density_table
from bitting.decoding.model import CUT_WEAR, WEAR_SHAPE, MeasurementModel, wear_scales
from bitting.model import Depths, Place, System

FIT_LIMIT = 0.01
"""Tail probability below which readings don't fit: so at most 1 % of a system's own keys are called no-fit."""

DRAWS = 3000
SEED = 20
ROUNDS = 6
"""Rounds of reweighting in which the shared error is estimated."""
SHIFTS = 61
"""Offsets at which the nearest depths are looked for."""


@frozen
class Pattern:
    """What was read, but not what it read: per cut and list its places and side, and each reading's uncertainty."""

    cuts: tuple[tuple[tuple[Place, ...], str | None, tuple[float, ...]], ...]

    @classmethod
    def of(cls, cuts: Sequence[CutLikelihood]) -> Pattern:
        """The pattern of some likelihoods, of single cuts or of two at once."""
        return cls(
            tuple((cut.places, cut.side, tuple(sd for _, sd, _ in rows)) for cut in cuts for rows in _lists(cut))
        )


def _lists(cut: CutLikelihood) -> list[list[tuple[float, float, float]]]:
    """(value, standard deviation, density where wrong) of the readings of each list of a cut."""
    rows = list(zip(cut.lists, cut.values, cut.sds, cut.wrong, strict=True))
    return [[row[1:] for row in rows if row[0] == number] for number in sorted(set(cut.lists))]


class FitTest:
    """The distribution of the statistic for one pattern of readings of one system; ready for any number of keys."""

    def __init__(self, pattern: Pattern, system: System, model: MeasurementModel, reach: Reach) -> None:
        self._system = system
        self._reach = reach
        self._model = model
        along, signs = places_along(system), lane_signs(system)
        self._design = np.array(
            [np.sum([[1.0, along[p], signs[p.lane]] for p in places], axis=0) for places, _, _ in pattern.cuts]
        )
        self._prior = np.array([model.offset_sd, model.tilt_sd, model.left_right_sd])
        self._parts = model.offset_parts
        self._count = np.array([len(places) for places, _, _ in pattern.cuts])
        self._turn = np.array([system.lanes[places[0].lane].track.deeper for places, _, _ in pattern.cuts])
        most = max(len(sds) for _, _, sds in pattern.cuts)
        self._sds = np.array([list(sds) + [np.inf] * (most - len(sds)) for _, _, sds in pattern.cuts])
        self._given = np.isfinite(self._sds)
        ranges = [np.sum([system.lanes[p.lane].track.ends for p in places], axis=0) for places, _, _ in pattern.cuts]
        self._wrong = np.array([1.0 / (high - low) for low, high in ranges])
        drawn = self.statistics(self._draw(pattern, ranges), np.ones((DRAWS, *self._sds.shape)))
        self._drawn = np.sort(drawn, axis=0)
        self._least = np.sort(self._tails(drawn).min(axis=1))

    def p_values(self, keys: Sequence[tuple[Sequence[CutLikelihood], Depths]]) -> list[float]:
        """Per key: the share of drawn keys whose readings are no more likely given their code than these given theirs."""
        residuals = np.zeros((len(keys), *self._sds.shape))
        wrong = np.ones((len(keys), *self._sds.shape))
        for number, (cuts, depths) in enumerate(keys):
            reached = self._reach.dimensions(depths)
            rows = [(sum(reached[p] for p in cut.places), readings) for cut in cuts for readings in _lists(cut)]
            for row, (nominal, readings) in enumerate(rows):
                for repeat, (value, _, density) in enumerate(readings):
                    residuals[number, row, repeat] = value - nominal
                    wrong[number, row, repeat] = density / self._wrong[row]
        least = self._tails(self.statistics(residuals, wrong)).min(axis=1)
        return [float(p) for p in (1 + np.searchsorted(self._least, least, side="right")) / (1 + DRAWS)]

    def at_most(self, cuts: Sequence[CutLikelihood]) -> float:
        """The tail probability of the readings beside the depths nearest to them, be these legal or not and of whichever track.

        At each offset that keys may have, every cut has the depth nearest to its readings: no code, and no other way of
        listing, makes much more of them than the best of these.
        """
        every = np.unique(np.concatenate(list(self._reach.dims.values())).round(9))
        both = np.unique(np.add.outer(every, every).round(9)) if self._count.max() > 1 else every
        widest = max(sd for _, sd in self._parts)
        shifts = np.linspace(-3, 3, SHIFTS) * widest if widest else np.zeros(1)
        residuals = np.zeros((shifts.size, *self._sds.shape))
        wrong = np.ones(residuals.shape)
        rows = [(both if len(cut.places) > 1 else every, readings) for cut in cuts for readings in _lists(cut)]
        for row, (known, readings) in enumerate(rows):
            values, _, densities = np.array(readings).T
            aims = np.median(values) - shifts[:, None] * self._count[row]
            nearest = known[np.abs(aims - known).argmin(axis=1)]
            residuals[:, row, : values.size] = values - nearest[:, None]
            wrong[:, row, : values.size] = densities / self._wrong[row]
        least = self._tails(self.statistics(residuals, wrong))[:, :3].max(axis=0).min()
        return float(np.searchsorted(self._least, least, side="right") / DRAWS)

    def _tails(self, statistics: Array) -> Array:
        """The share of drawn keys that are no better, for each statistic of each key."""
        columns = [
            np.searchsorted(self._drawn[:, column], statistics[:, column], side="right")
            for column in range(statistics.shape[1])
        ]
        return np.asarray((1.0 + np.stack(columns, axis=1)) / (1 + DRAWS))

    def statistics(self, residuals: Array, possible: Array) -> Array:
        """The four figures (keys, 4) of residuals (keys, cuts, repeats); `possible`: 1, or less outside the range."""
        precision = 1.0 / self._sds**2
        total = precision.sum(axis=1)
        centre = (residuals * precision).sum(axis=2) / total
        misfit = ((residuals - centre[:, :, None]) ** 2 * precision).sum(axis=2)
        share = self._model.wrong
        count = self._given.sum(axis=1)
        normal = np.where(self._given, math.sqrt(2 * math.pi) * self._sds, 1.0)
        agree = (1 - share) ** count * np.sqrt(2 * np.pi / total) / normal.prod(axis=1)
        weight = agree * np.exp(-0.5 * misfit)
        each = np.where(self._given, share * self._wrong[:, None] * possible, 1.0)
        floor = each.prod(axis=2) + self._model.cut_wrong * weight * self._wrong * possible.min(axis=2)
        sd = np.sqrt(1 / total)
        terms = [(weight, centre, sd), *self._one_wrong(residuals, each)]
        shared, prior = self._estimate(centre, weight, floor, np.hypot(sd, np.sqrt(self._count) * self._model.cut_sd))
        out, totals = [], []
        for k, (_, probability) in enumerate(wear_scales(self._model)):
            likely = floor
            for w, c, s in terms:
                likely = likely + w * self._density(self._turn * (c - shared[k]), s, k)
            out.append(np.log(likely))
            totals.append(out[-1].sum(axis=1) + prior[k] + math.log(probability))
        best = np.argmax(totals, axis=0)
        keys = np.arange(best.size)
        cuts = np.sort(np.stack(out)[best, keys], axis=1)
        return np.stack(
            [
                np.logaddexp.reduce(totals),
                cuts[:, 1:].sum(axis=1),
                cuts[:, 2:].sum(axis=1),
                np.round(prior[best, keys], 12),
            ],
            axis=1,
        )

    def _density(self, y: Array, sds: Array, scale: int) -> Array:
        """Density of noise plus the wear of one cut or of two at one of the key's mean wears, (keys, cuts)."""
        out = np.empty(y.shape)
        for sd, count in {(round(float(sd), 9), int(count)) for sd, count in zip(sds, self._count, strict=True)}:
            at = np.flatnonzero((sds.round(9) == sd) & (self._count == count))
            table = density_table(sd, self._model, cuts=count, fine=COARSE)
            row = slice(scale, scale + 1)
            one = evolve(table, values=table.values[row], slopes=table.slopes[row])
            out[:, at] = one(y[:, at])[0]
        return out

    def _one_wrong(self, residuals: Array, each: Array) -> list[tuple[Array, Array, Array]]:
        """Terms in which one of a cut's several readings is wrong and the others are not."""
        terms = []
        share = self._model.wrong
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
            terms.append((weight, centre, np.sqrt(1 / total)))
        return terms

    def _estimate(self, centre: Array, weight: Array, floor: Array, sd: Array) -> tuple[Array, Array]:
        """Shared error at every cut (scales, keys, cuts) and its log prior (scales, keys).

        Least squares with wear taken as normal around its mean, readings that look wrong weighed down.
        """
        scales = np.array([scale for scale, _ in wear_scales(self._model)])[:, None, None]
        free = self._prior > 0
        design = self._design[:, free]
        variance = sd**2 + self._count * scales**2
        target = centre - self._turn * self._count * scales
        shared = np.zeros_like(target)
        if free[0]:
            shared += np.median(target / self._count, axis=2, keepdims=True) * self._count
        ridge = np.diag(1.0 / self._prior[free] ** 2)
        squares = (design[:, :, None] * design[:, None, :]).reshape(design.shape[0], -1)
        found = np.zeros((*target.shape[:2], design.shape[1]))
        for _ in range(ROUNDS if design.shape[1] else 0):
            good = weight * np.exp(-0.5 * (target - shared) ** 2 / variance) / np.sqrt(2 * np.pi * variance)
            trust = good / (good + floor) / variance
            normal = (trust @ squares).reshape(*found.shape, -1) + ridge
            found = np.linalg.solve(normal, ((trust * target) @ design)[..., None])[..., 0]
            shared = found @ design.T
        prior = -0.5 * ((found / self._prior[free]) ** 2)
        if free[0]:  # the offset's density has a wide part
            prior[..., 0] = np.log(
                sum(p * np.exp(-0.5 * (found[..., 0] / sd) ** 2) / sd for p, sd in self._parts) * self._parts[0][1]
            )
        return shared, prior.sum(axis=2)

    def _draw(self, pattern: Pattern, ranges: Sequence[Array]) -> Array:
        """Residuals of `DRAWS` keys drawn from the model: (keys, cuts, repeats)."""
        random = np.random.default_rng(SEED)
        model, repeats = self._model, self._sds.shape[1]
        errors = random.standard_normal((DRAWS, 3)) * self._prior
        errors[:, 0] *= random.choice([sd for _, sd in self._parts], DRAWS, p=[p for p, _ in self._parts]) / (
            model.offset_sd or 1.0
        )
        shared = errors @ self._design.T
        scales = wear_scales(model)
        scale = random.choice([s for s, _ in scales], size=DRAWS, p=[p for _, p in scales])
        own = {}
        for places, side, _ in pattern.cuts:  # what a cut on one side shares among its readings, single or across
            for place in places:
                if (place, side) not in own:
                    turn = self._system.lanes[place.lane].track.deeper
                    mean = scale * random.choice([t for t, _ in CUT_WEAR], size=DRAWS, p=[p for _, p in CUT_WEAR])
                    wear = turn * random.gamma(WEAR_SHAPE, size=DRAWS) * mean / WEAR_SHAPE
                    own[place, side] = wear + random.standard_normal(DRAWS) * model.cut_sd
        residuals = np.zeros((DRAWS, *self._sds.shape))
        for row, ((places, side, _), (low, high)) in enumerate(zip(pattern.cuts, ranges, strict=True)):
            true = shared[:, row] + sum(own[place, side] for place in places)
            spread = np.where(self._given[row], self._sds[row], 0.0)
            elsewhere = random.random(DRAWS) < model.cut_wrong
            nominal: Array = np.zeros((DRAWS, 1)) + sum(
                random.choice(np.array(self._system.lanes[place.lane].track.depths), size=(DRAWS, 1))
                for place in places
            )
            true = np.where(elsewhere, random.uniform(low, high, DRAWS) - nominal[:, 0], true)
            read = true[:, None] + random.standard_normal((DRAWS, repeats)) * spread
            wrong = random.random((DRAWS, repeats)) < model.wrong
            residuals[:, row] = np.where(wrong, random.uniform(low, high, (DRAWS, repeats)) - nominal, read)
        return np.where(self._given, residuals, 0.0)
