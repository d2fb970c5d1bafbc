"""Scores for stated confidences, as tests/reference/scoring.toml defines them; used by tests and studies."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def brier(probability: ArrayLike, outcome: ArrayLike) -> float:
    """Mean of (p - o)², o 0 or 1: from 0 (best) to 1."""
    return float(np.mean((np.asarray(probability, float) - np.asarray(outcome, float)) ** 2))


def brier_of_classes(probability: ArrayLike, outcome: ArrayLike) -> float:
    """Mean over cases of the sum over classes of (p - o)², o 1 for the true class: from 0 to 2."""
    rows = np.asarray(probability, float)
    true = np.eye(rows.shape[1])[np.asarray(outcome, int)]
    return float(((rows - true) ** 2).sum(axis=1).mean())


def bin_gaps(probability: ArrayLike, outcome: ArrayLike, bins: int) -> tuple[np.ndarray, np.ndarray]:
    """Per equal bin of [0, 1]: its share of the cases, and |share that came true - mean probability| (0 when empty)."""
    p, o = np.asarray(probability, float), np.asarray(outcome, float)
    place = np.minimum((p * bins).astype(int), bins - 1)
    count = np.bincount(place, minlength=bins)
    gap = np.abs(np.bincount(place, o - p, minlength=bins)) / np.maximum(count, 1)
    return count / p.size, gap


def calibration_error(probability: ArrayLike, outcome: ArrayLike, bins: int = 10) -> float:
    """Expected calibration error: Σ over bins of share · gap."""
    share, gap = bin_gaps(probability, outcome, bins)
    return float(share @ gap)


def largest_gap(probability: ArrayLike, outcome: ArrayLike, bins: int = 10) -> float:
    """The gap of the worst bin (maximum calibration error)."""
    return float(bin_gaps(probability, outcome, bins)[1].max())


def sampling_floor(probability: ArrayLike, seed: int, bins: int = 10, draws: int = 200) -> float:
    """The calibration error that a forecaster whose probabilities are exactly right gets on average from as many cases."""
    random = np.random.default_rng(seed)
    p = np.asarray(probability, float)
    return float(np.mean([calibration_error(p, random.random(p.size) < p, bins) for _ in range(draws)]))
