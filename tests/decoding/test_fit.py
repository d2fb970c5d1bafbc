"""What is called no-fit: the tail probability of a system's own keys is uniform, whatever their cuts share among readings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chisquare, norm

from bitting.decoding import Decoder, MeasurementModel
from bitting.decoding.fit import FIT_LIMIT
from bitting.decoding.solver import Read
from bitting.model import Across, Measuring, System
from tests.decode_oracle import make_readings, make_system

MODEL = MeasurementModel(0.02, 0.04, 0.0, 1e-7, cut_sd=0.1, cut_wrong=0.0, offset_tail=0.0)
"""What a cut has of its own is five times what one reading adds."""
CUTS = 3
PATTERNS = {
    "one track": ("left",),
    "across alone": ("across",),
    "across beside one track": ("left", "across"),
    "across beside both": ("left", "right", "across"),
}


def made() -> System:
    """Two tracks of three cuts, read singly or across."""
    return make_system(
        cuts=CUTS,
        depths=(8.6, 7.8),
        tracks=("left", "right"),
        measuring=Measuring(across=Across(("left", "right"), 1, -10.0)),
    )


def keys(names: tuple[str, ...], number: int, cut_sd: float, seed: int) -> list[np.ndarray]:
    """Keys of all shallowest cuts drawn straight from the model: what is read off them, per name and cut."""
    draw = np.random.default_rng(seed)
    found = []
    for _ in range(number):
        offset = draw.normal(0, MODEL.offset_sd)
        own = 8.6 + offset + draw.normal(0, cut_sd, (2, CUTS))
        true = {"left": own[0], "right": own[1], "across": own.sum(axis=0) - 10.0}
        found.append(np.array([true[name] + draw.normal(0, MODEL.reading_sd, CUTS) for name in names]))
    return found


def read_by(decoder: Decoder, names: tuple[str, ...], drawn: list[np.ndarray]) -> list[Read]:
    """The keys as a decoder takes them."""
    system = decoder.system
    return [
        decoder.solver.read(
            make_readings(
                system,
                {(None, name, cut): [float(rows[i, cut])] for i, name in enumerate(names) for cut in range(CUTS)},
                digit=1e-6,
            )
        )
        for rows in drawn
    ]


def tails(names: tuple[str, ...], drawn: list[np.ndarray]) -> list[float]:
    """The tail probability of each key, given its true code."""
    decoder = Decoder(made(), MODEL)
    read = read_by(decoder, names, drawn)
    code = ((0,) * CUTS, (0,) * CUTS)
    return decoder.fit_test(read[0]).p_values([(one.every, code) for one in read])


@pytest.mark.parametrize("name", PATTERNS)
def test_own_keys_have_uniform_tails_and_others_do_not(name: str) -> None:
    """A right model fails this once in a thousand seeds; keys with twice the own error are found out."""
    names = PATTERNS[name]
    found = tails(names, keys(names, 400, MODEL.cut_sd, 3))
    assert chisquare(np.histogram(found, 10, (0, 1))[0]).pvalue > 1e-3
    assert np.mean(np.array(found) < FIT_LIMIT) <= 0.03  # 1 % of 400 keys, and three standard deviations
    foreign = tails(names, keys(names, 200, 3 * MODEL.cut_sd, 4))
    assert np.mean(np.array(foreign) < FIT_LIMIT) > 0.3


def test_how_dense_readings_are_is_the_normal_density_around_the_least_squares_estimate() -> None:
    """Without wear all errors are normal: generalised least squares with the offset's prior as one more observation
    (Aitken's estimator; from memory). A reading across sees the offset and the cuts' own errors of two."""
    names = PATTERNS["across beside one track"]
    decoder = Decoder(made(), MODEL)
    drawn = keys(names, 5, MODEL.cut_sd, 6)
    read = read_by(decoder, names, drawn)
    test = decoder.fit_test(read[0])
    order = [("across" if len(cut.places) > 1 else "left", cut.places[0].cut) for cut in read[0].every]
    count = np.array([2.0 if name == "across" else 1.0 for name, _ in order])
    variance = MODEL.reading_sd**2 + count * MODEL.cut_sd**2
    for rows in drawn:
        nominal = {"left": 8.6, "across": 7.2}
        left = np.array([rows[names.index(name), cut] - nominal[name] for name, cut in order])
        offset = (count * left / variance).sum() / ((count**2 / variance).sum() + MODEL.offset_sd**-2)
        expected = norm.logpdf(left, count * offset, np.sqrt(variance)).sum() - (offset / MODEL.offset_sd) ** 2 / 2
        figure = test.statistics(left[None, :, None], np.ones((1, len(order), 1)))[0, 0]
        assert figure == pytest.approx(expected, abs=2e-4)
