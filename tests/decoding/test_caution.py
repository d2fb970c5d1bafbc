"""An answer is sure only where it keeps the limit on a harder key too."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from attrs import evolve

from bitting.decoding import Decoder, MeasurementModel
from bitting.decoding.robustness import CUT_WEAR, DOUBTED, HEAVY, TIMES_WRONG
from bitting.model import Depths, Readings, System
from bitting.report.decode import render
from bitting.systemfile import load_system
from tests.benchmarks import decode_common
from tests.benchmarks.decode_common import Maker, readings_of
from tests.benchmarks.decode_worn import USUAL
from tests.decode_oracle import Brute, make_readings, make_system

PLAIN = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
ONE = make_system(cuts=4, must=("adjacent cuts differ by at most 2",))
TWO = make_system(cuts=2, depths=(8.6, 8.25, 7.9), tracks=("left", "right"))
SMALL = make_system(cuts=2, depths=(8.6, 8.2, 7.8))
SIDED = make_system(cuts=3, sides=("top", "bottom"), convenience=True)
VALUES = {
    ONE: [8.55, 8.15, 7.71, 8.16],
    TWO: [8.54, 8.22, 7.80, 8.21],
    SMALL: [8.55, 8.15],
    SIDED: [8.55, 8.15, 7.71],
}


def read(system: System, times: int, sides: tuple[str | None, ...] = (None,)) -> Readings:
    """Readings of a worn key: every cut so many times, a little apart."""
    apart = np.linspace(-0.01, 0.01, times) if times > 1 else np.zeros(1)
    places = [(track.name, cut) for track in system.tracks for cut in range(track.cuts)]
    cuts = {
        (side, track, cut): [round(value + shift, 2) for shift in apart]
        for side in sides
        for (track, cut), value in zip(places, VALUES[system], strict=True)
    }
    return make_readings(system, cuts)


def harder(key: Readings, model: MeasurementModel, shared: int = 1) -> list[Brute]:
    """Brute force on the harder keys: uneven wear and more wrong readings, and heavy wear."""
    worse = evolve(model, outliers=TIMES_WRONG * model.outliers)
    out = [Brute(key, key.system, worse, shared=shared, points=201, cut_wear=CUT_WEAR if model.wear else (1.0,))]
    if model.wear:
        out.append(Brute(key, key.system, model, shared=shared, points=201, scales=((1.0, 1.0),), cut_wear=HEAVY))
    return out


def probability(brute: Brute, code: Depths) -> float:
    """Of one code."""
    return float(dict(zip(brute.codes, brute.probabilities, strict=True))[code])


@pytest.mark.parametrize(
    ("readings", "model", "shared", "error"),
    [
        pytest.param(lambda: read(ONE, 1), PLAIN, 1, 1e-6, id="one reading a cut"),
        pytest.param(lambda: read(ONE, 3), PLAIN, 1, 1e-6, id="three readings a cut"),
        pytest.param(lambda: read(SMALL, 2), evolve(PLAIN, cut_sd=0.02), 1, 1e-6, id="a cut's own error"),
        pytest.param(lambda: read(ONE, 9), PLAIN, 1, 1e-6, id="more readings than subsets are summed"),
        pytest.param(lambda: read(ONE, 1), evolve(PLAIN, outliers=0.0), 1, 1e-6, id="wear alone"),
        pytest.param(lambda: read(ONE, 1), evolve(PLAIN, wear=0.0), 1, 1e-6, id="wrong readings alone"),
        pytest.param(lambda: read(SIDED, 1, ("top", "bottom")), PLAIN, 1, 1e-6, id="both sides of a key"),
        pytest.param(lambda: read(TWO, 1), evolve(PLAIN, tilt_sd=0.03), 25, 1e-4, id="tilt"),
        pytest.param(lambda: read(TWO, 1), evolve(PLAIN, left_right_sd=0.04), 25, 1e-4, id="left-right"),
    ],
)
def test_the_probability_on_a_harder_key_is_that_of_brute_force(
    readings: Callable[[], Readings], model: MeasurementModel, shared: int, error: float
) -> None:
    key = readings()
    answer = Decoder(key.system, model).decode(key, sure=0.5)
    expected = [probability(brute, answer.depths) for brute in harder(key, model, shared)]
    assert answer.cautious == pytest.approx(min(expected), abs=error)
    assert answer.cautious < answer.probability


def test_the_cuts_in_doubt_are_those_of_brute_force() -> None:
    """With a limit between both probabilities: the likeliest other depths, by the marginals of a harder key."""
    key = read(ONE, 1)
    decoder = Decoder(ONE, PLAIN)
    first = decoder.decode(key, sure=0.5)
    assert first.cautious is not None
    answer = decoder.decode(key, sure=(first.cautious + first.probability) / 2)
    assert (answer.verdict, answer.as_dict()["cautious"]) == ("unsure", first.cautious)
    brute = min(harder(key, PLAIN), key=lambda brute: probability(brute, answer.depths))
    others = []
    for cut, depth in enumerate(answer.depths[0]):
        rest = [(brute.marginal(0, cut, d), cut + 1, str(d + 1)) for d in range(4) if d != depth]
        others.append(max(rest))
    expected = sorted(others, reverse=True)[: len(answer.doubted)]
    assert len(expected) == DOUBTED
    assert [(d.cut, d.depth) for d in answer.doubted] == [(cut, depth) for _, cut, depth in expected]
    assert [d.probability for d in answer.doubted] == pytest.approx([p for p, _, _ in expected], abs=1e-6)
    (line,) = [line for line, _ in render(answer, 100, plain=True) if line.startswith("in doubt on a harder key: ")]
    assert all(f"{d.cut} ({d.depth} with" in line for d in answer.doubted)
    assert first.doubted == ()


def test_either_way_of_being_harder_may_be_the_least() -> None:
    """One reading a cut: wrong readings count for more. Clean cuts read often: heavy wear, which the others don't rule out."""
    least = []
    close = make_system(cuts=6, depths=(8.6, 8.3, 8.0))
    for key in (read(ONE, 1), make_readings(close, {(None, "left", c): [8.3] * 4 for c in range(6)})):
        answer = Decoder(key.system, PLAIN).decode(key, sure=0.5)
        found = [probability(brute, answer.depths) for brute in harder(key, PLAIN)]
        assert answer.cautious == pytest.approx(min(found), abs=1e-6)
        least.append(found.index(min(found)))
    assert least == [0, 1]


def test_keys_read_alike_have_the_same_as_one_by_one() -> None:
    system = decode_common.make_system(6, 4, 0.35, USUAL[:1])
    maker, decoder = Maker(system, PLAIN, 3), Decoder(system, PLAIN)
    keys = [readings_of(system, maker.key()) for _ in range(60)]
    together = decoder.decode_many(keys)
    for key, answer in zip(keys, together, strict=True):
        alone = decoder.decode(key, best=1, advise=False)
        assert (alone.verdict, alone.cautious is None) == (answer.verdict, answer.cautious is None)
        assert (alone.cautious or 0.0) == pytest.approx(answer.cautious or 0.0, abs=1e-9)


def test_an_answer_is_sure_where_both_probabilities_reach_the_limit() -> None:
    system = decode_common.make_system(6, 4, 0.35, USUAL[:1])
    maker, decoder = Maker(system, PLAIN, 3), Decoder(system, PLAIN)
    seen = set()
    for answer in decoder.decode_many([readings_of(system, maker.key()) for _ in range(150)], sure=0.9):
        over = answer.probability >= 0.9
        assert (answer.cautious is not None) == over
        if answer.verdict != "no-fit":
            both = over and (answer.cautious or 0.0) >= 0.9
            assert answer.verdict == ("sure" if both else "unsure")
            seen.add((over, both))
            text = "\n".join(line for line, _ in render(answer, 100, plain=True))
            assert ("on a harder key" in text) == over
            assert ("which must reach the limit too and doesn't" in text) == (over and not both)
    assert seen == {(False, False), (True, False), (True, True)}


def test_without_wear_and_wrong_readings_there_is_nothing_to_ask() -> None:
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.0, outliers=0.0)
    answer = Decoder(ONE, model).decode(make_readings(ONE, {(None, "left", c): [8.2] for c in range(4)}))
    assert (answer.verdict, answer.cautious) == ("sure", None)


def test_with_a_lock_codes_count_as_one_that_it_reads_alike() -> None:
    """Codes are listed and their probabilities on a harder key added up, cut by cut that the lock reads."""
    system = evolve(ONE, locks={"door": (0, 1, 2)})
    key = read(ONE, 1)
    key = evolve(key, system=system)
    answer = Decoder(system, PLAIN, lock="door").decode(key, sure=0.5)
    same = [
        sum(p for c, p in zip(brute.codes, brute.probabilities, strict=True) if c[0][:3] == answer.depths[0][:3])
        for brute in harder(key, PLAIN)
    ]
    assert answer.cautious == pytest.approx(min(same), abs=1e-6)


@pytest.mark.parametrize("name", ["plover", "wren", "grebe"])
def test_a_clean_key_measured_twice_is_sure(name: str) -> None:
    system = load_system(name)
    maker = Maker(system, MeasurementModel(1e-9, 0.0, 0.0, 0.0), 4)
    answer = Decoder(system).decode(readings_of(system, maker.key(2)))
    assert answer.verdict == "sure"
    assert answer.cautious is not None
    assert answer.probability > answer.cautious > 0.97
