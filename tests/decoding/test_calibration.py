"""Simulation-based calibration: on keys drawn from the model, where the truth lies in the posterior is uniform.

Method: S. Talts, M. Betancourt, D. Simpson, A. Vehtari, A. Gelman, Validating Bayesian inference algorithms with
simulation-based calibration, arXiv:1804.06788 (from memory); posteriors are exact here, so the rank is the posterior's own
distribution function. Seeds are fixed, so the outcome is too; the same tests must and do fail for keys of another model.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from scipy.special import sici
from scipy.stats import chisquare
from sklearn.metrics import brier_score_loss

from bitting.decoding import Decoder, MeasurementModel
from bitting.decoding.kbest import best_codes
from bitting.decoding.posterior import Posterior
from bitting.diagram import code_space
from tests import scores
from tests.benchmarks.decode_common import Maker, make_system, readings_of

pytestmark = pytest.mark.thorough  # hundreds of simulated keys

SCORING = tomllib.loads((Path(__file__).parents[1] / "reference" / "scoring.toml").read_text("utf-8"))
"""Definitions and vectors with their sources: see the `source` and `status` of each."""

MODEL = MeasurementModel(reading_sd=0.06, offset_sd=0.08, wear=0.06, outliers=0.03, cut_sd=0.03)
TILTED = evolve(MODEL, tilt_sd=0.1)
SYSTEM = make_system(4, 3, 0.35, ("adjacent cuts differ by at most 1",))
KEYS = 600
BINS = 10
SMALL = 1e-3
"""A right model fails a test at this level once in a thousand seeds."""


class Truth:
    """Where the truth of each key lies: ranks of code, offset and tilt, each uniform on [0, 1] for a right model."""

    def __init__(self, drawn: MeasurementModel, model: MeasurementModel, keys: int = KEYS, seed: int = 7) -> None:
        decoder, maker = Decoder(SYSTEM, model), Remembering(SYSTEM, drawn, seed)
        random = np.random.default_rng(seed)
        self.code, self.offset, self.tilt = [], [], []
        self.probability, self.right = [], []
        for number in range(keys):
            key = maker.key(1 + number % 2)
            posterior = decoder.posterior(readings_of(SYSTEM, key))
            ranked = best_codes(posterior, SYSTEM, code_space(SYSTEM).count)
            own = next(one.probability for one in ranked if one.depths == key.depths)
            better = sum(one.probability for one in ranked if one.probability > own)
            self.code.append(better + random.random() * own)
            offset, tilt = cumulated(posterior, *maker.last[:2])
            self.offset.append(offset)
            self.tilt.append(tilt)
            self.probability.append(ranked[0].probability)
            self.right.append(ranked[0].depths == key.depths)


class Remembering(Maker):
    """Remembers the shared errors of the last key; the caliper's steps are fine enough not to show."""

    def shared(self) -> np.ndarray:
        """(offset, tilt, left-right)."""
        self.last = super().shared()
        return self.last


def cumulated(posterior: Posterior, offset: float, tilt: float) -> tuple[float, float]:
    """The posterior's distribution function at the true offset and tilt.

    Posterior densities at even points are the samples of a function that the points' spacing resolves; its integral is
    that of the cardinal series, ∫ sinc = 1/2 + Si(π x)/π (exact up to what the spacing leaves unresolved).
    """
    section, grid = posterior.sections[0], posterior.grid
    lattice = grid.lattices[0]
    row, at = np.divmod(section.columns[0], lattice.size)
    out = []
    for points, where, value in ((lattice, at, offset), (grid.tilts, row % grid.tilts.size, tilt)):
        if points.size == 1:
            out.append(0.5)
            continue
        mass = np.bincount(where, section.posterior, minlength=points.size)
        reach = (value - points) / (points[1] - points[0])
        out.append(float(mass @ (0.5 + sici(np.pi * reach)[0] / np.pi) / mass.sum()))
    return out[0], out[1]


def uniform(ranks: Sequence[float]) -> float:
    """p-value of the chi-square test that ranks are uniform on [0, 1]."""
    counts, _ = np.histogram(np.clip(ranks, 0, 1), BINS, (0, 1))
    return float(chisquare(counts).pvalue)


@pytest.fixture(scope="module")
def plain() -> Truth:
    return Truth(MODEL, MODEL)


@pytest.fixture(scope="module")
def tilted() -> Truth:
    return Truth(TILTED, TILTED, 300)


def test_the_true_codes_rank_is_uniform(plain: Truth, tilted: Truth) -> None:
    assert uniform(plain.code) > SMALL
    assert uniform(tilted.code) > SMALL


def test_the_true_offsets_and_tilts_rank_is_uniform(plain: Truth, tilted: Truth) -> None:
    assert uniform(plain.offset) > SMALL
    assert uniform(tilted.offset) > SMALL
    assert uniform(tilted.tilt) > SMALL


@pytest.mark.parametrize(
    ("drawn", "quantity"),
    [
        (evolve(MODEL, reading_sd=0.12), "code"),
        (evolve(MODEL, wear=0.0), "offset"),
        (evolve(MODEL, offset_sd=0.16), "offset"),
        (evolve(MODEL, offset_sd=0.01), "offset"),
    ],
)
def test_keys_of_another_model_are_found_out(drawn: MeasurementModel, quantity: str) -> None:
    assert uniform(getattr(Truth(drawn, MODEL, 300), quantity)) < SMALL


def test_keys_with_more_tilt_than_stated_are_found_out() -> None:
    assert uniform(Truth(evolve(TILTED, tilt_sd=0.3), TILTED, 200).tilt) < SMALL


def test_nine_in_ten_are_right_of_those_called_so(plain: Truth) -> None:
    """The calibration error is what as many keys of a perfect forecaster give, not more; a boaster's is more."""
    error = scores.calibration_error(plain.probability, plain.right)
    limit = 2 * scores.sampling_floor(plain.probability, seed=1)
    assert error < limit
    boasted = np.asarray(plain.probability) ** 0.5
    assert scores.calibration_error(boasted, plain.right) > limit


def test_scores_are_those_of_the_definitions() -> None:
    for vector in SCORING["brier_binary"]["vector"]:
        assert scores.brier(vector["probability"], vector["outcome"]) == pytest.approx(vector["score"])
    for vector in SCORING["expected_calibration_error"]["vector"]:
        given = (vector["probability"], vector["outcome"], vector["bins"])
        assert scores.calibration_error(*given) == pytest.approx(vector["ece"])
        assert scores.largest_gap(*given) == pytest.approx(vector["mce"])


def test_brier_scores_are_those_of_a_general_library() -> None:
    random = np.random.default_rng(3)
    p = random.random(200)
    outcome = random.random(200) < p
    assert scores.brier(p, outcome) == pytest.approx(brier_score_loss(outcome, p))
    both = np.stack([1 - p, p], axis=1)
    assert scores.brier_of_classes(both, outcome) == pytest.approx(2 * scores.brier(p, outcome))
    classes = random.dirichlet(np.ones(4), 50)
    true = random.integers(0, 4, 50)
    assert scores.brier_of_classes(classes, true) == pytest.approx(
        brier_score_loss(true, classes, labels=range(4), scale_by_half=False)
    )
