"""An answer that leans on the wear that the system states is not called sure, and says why."""

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


def test_sure_needs_to_stand_on_a_key_worn_twice_as_much(keys: list[tuple[Drawn, Decoded]]) -> None:
    stands = [answer.if_worn is None or answer.if_worn.probability >= STANDS for _, answer in keys]
    assert {True, False} == set(stands)
    assert [answer.verdict == "sure" for _, answer in keys] == stands


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


def test_a_limit_that_is_given_is_the_only_one_but_the_doubt_is_told(keys: list[tuple[Drawn, Decoded]]) -> None:
    key = next(key for key, answer in keys if answer.verdict == "unsure")
    decoder = Decoder(SYSTEM, MODEL)
    for given, verdict in ((None, "unsure"), (0.95, "sure")):
        answer = decoder.decode(readings_of(SYSTEM, key), sure=given)
        text = "\n".join(line for line, _ in render(answer, 100, plain=True))
        assert answer.verdict == verdict
        assert answer.sure_limit == 0.95
        assert "if the key is worn twice as much as assumed (by 0.080 mm at a cut on average)" in text
        assert ("a sure code needs 90.0 % then" in text) == (verdict == "unsure")


def test_without_wear_there_is_nothing_to_ask() -> None:
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.0, outliers=0.01)
    maker = Maker(SYSTEM, model, 3)
    answer = Decoder(SYSTEM, model).decode(readings_of(SYSTEM, maker.key(2)))
    assert (answer.verdict, answer.if_worn) == ("sure", None)
