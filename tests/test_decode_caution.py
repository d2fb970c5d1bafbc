"""A sure answer that leans on the wear that the system states says so."""

from __future__ import annotations

import pytest

from bitting.decoding import Decoded, Decoder, MeasurementModel
from bitting.decoding.caution import SHARE, STANDS
from bitting.report.decode import render
from tests.benchmarks.decode_common import BruteForce, Drawn, Maker, make_system, readings_of
from tests.benchmarks.decode_worn import USUAL

MODEL = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
SYSTEM = make_system(6, 4, 0.35, USUAL[:1])


@pytest.fixture(scope="module")
def keys() -> list[tuple[Drawn, Decoded]]:
    """Keys that fit and are over the limit for sure."""
    maker, decoder = Maker(SYSTEM, MODEL, 3), Decoder(SYSTEM, MODEL)
    drawn = [maker.key() for _ in range(120)]
    answers = decoder.decode_many([readings_of(SYSTEM, key) for key in drawn])
    return [(k, a) for k, a in zip(drawn, answers, strict=True) if a.probability >= 0.95 and a.verdict != "no-fit"]


def test_the_probability_on_such_a_key_is_that_of_brute_force(keys: list[tuple[Drawn, Decoded]]) -> None:
    """Brute force that knows the mean wear to be twice the stated: every code, an integral over the offset alone."""
    brute = BruteForce(SYSTEM, MODEL, ((2.0, 1.0),))
    compared = 0
    for key, answer in keys[:40]:
        code, probability = brute.best(key)
        if answer.if_worn is not None and (code,) == answer.depths:
            assert answer.if_worn.mean == pytest.approx(0.08)
            assert answer.if_worn.share >= SHARE
            assert answer.if_worn.probability == pytest.approx(probability, abs=1e-6)
            compared += 1
    assert compared > 10


def test_what_heavy_wear_leaves_is_told_where_it_is_little(keys: list[tuple[Drawn, Decoded]]) -> None:
    told = []
    for _, answer in keys:
        text = "\n".join(line for line, _ in render(answer, 100, plain=True))
        told.append("if the key is worn twice as much as assumed (by 0.080 mm at a cut on average)" in text)
        assert answer.verdict == "sure"
    assert told == [answer.if_worn is not None and answer.if_worn.probability < STANDS for _, answer in keys]
    assert {True, False} == set(told)


def test_without_wear_there_is_nothing_to_ask() -> None:
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.0, outliers=0.01)
    maker = Maker(SYSTEM, model, 3)
    answer = Decoder(SYSTEM, model).decode(readings_of(SYSTEM, maker.key(2)))
    assert (answer.verdict, answer.if_worn) == ("sure", None)
