"""Quick ways of decoding beside the plain ones: narrowed diagrams, the search level by level, tests of fit that are kept."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from bitting.decoding import Decoder, MeasurementModel, decoder, kbest, posterior
from bitting.decoding import kbest as levels
from bitting.decoding import weigh as narrow
from bitting.decoding.kbest import best_codes, codes_in_order
from bitting.decoding.posterior import Posterior
from bitting.model import Across, Measuring, Readings, System
from tests.decode_oracle import Brute, make_readings, make_system

SYSTEM = make_system(
    cuts=3, depths=(8.6, 8.2, 7.8), tracks=("left", "right"), must=("left and right differ by at least 1 at every cut",)
)
MODEL = MeasurementModel(0.03, 0.04, 0.02, 1e-5, left_right_sd=0.03)


def readings_of(left: list[float | None], right: list[float | None], system: System = SYSTEM) -> Readings:
    """One reading a cut; None: not measured."""
    rows = {"left": left, "right": right}
    return make_readings(
        system, {(None, name, i): [v] for name, row in rows.items() for i, v in enumerate(row) if v is not None}
    )


def solved(readings: Readings, system: System = SYSTEM, model: MeasurementModel = MODEL) -> Posterior:
    """The posterior of one key."""
    made = Decoder(system, model)
    return made.posterior(made._solver.read(readings)[2])


@pytest.fixture(scope="module")
def brute() -> tuple[Readings, Brute]:
    readings = readings_of([8.55, 8.14, 7.79], [8.02, 8.51, 8.15])
    return readings, Brute(readings, SYSTEM, MODEL, points=41, shared=23)


@pytest.mark.parametrize("faint", [narrow.FAINT, 0.5])
def test_a_narrowed_diagram_has_the_answers_of_brute_force(
    brute: tuple[Readings, Brute], faint: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries are left out; where far too many are (half of the evidence), that is found out and the diagram kept whole."""
    readings, expected = brute
    monkeypatch.setattr(narrow, "WORTH_NARROWING", 0)
    monkeypatch.setattr(posterior, "FAINT", faint)
    found = solved(readings)
    section = found.sections[0]
    entries = sum(step.entry_child.size for chain in section.chains for step in chain.steps)
    if faint < 0.1:
        assert section.whole is not None
        assert entries < section.whole.size
    else:
        assert section.whole is None
    assert found.log_evidence == pytest.approx(expected.log_evidence, abs=1e-4)
    for place, shares in found.shares.items():
        want = [expected.marginal(place.lane, place.cut, depth) for depth in range(3)]
        assert shares == pytest.approx(want, abs=1e-4)
    codes = best_codes(found, SYSTEM, 12)  # the last of them pass entries that were left out
    ranked = expected.ranked()[:12]
    assert [code.probability for code in codes] == pytest.approx([p for _, p in ranked], abs=1e-4)
    assert [code.depths for code in codes[:3]] == [depths for depths, _ in ranked[:3]]
    assert ranked[2][1] > ranked[3][1] * 1.01  # brute force tells them apart


def test_what_narrowing_loses_is_measured(brute: tuple[Readings, Brute], monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit that leaves out much is tried again with a tenth of it, until little enough is lost."""
    readings, expected = brute
    tried = []
    true_lost = narrow.lost_share

    def lost(*given: object) -> object:
        tried.append(true_lost(*given)[2])  # type: ignore[arg-type]
        return true_lost(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(narrow, "WORTH_NARROWING", 0)
    monkeypatch.setattr(posterior, "FAINT", 3e-3)
    monkeypatch.setattr(posterior, "lost_share", lost)
    found = solved(readings)
    assert tried[0] > narrow.LOST
    assert len(tried) == narrow.ROUNDS or tried[-1] <= narrow.LOST
    assert found.log_evidence == pytest.approx(expected.log_evidence, abs=1e-4)


TABLES: dict[str, tuple[System, list[float | None], list[float | None]]] = {
    "left and right apart": (make_system(cuts=3, tracks=("left", "right")), [8.55, 8.12, 7.83], [8.02, 8.41, 8.2]),
    "together": (SYSTEM, [8.4, 8.14, 7.83], [8.02, 8.51, 8.0]),
    "cuts not measured": (SYSTEM, [8.4, None, 7.83], [None, 8.51, 8.0]),
}


@pytest.mark.parametrize("tilted", [0.0, 0.05])
@pytest.mark.parametrize("name", TABLES)
def test_level_by_level_finds_what_the_queue_finds(name: str, tilted: float, monkeypatch: pytest.MonkeyPatch) -> None:
    system, left, right = TABLES[name]
    found = solved(
        readings_of(left, right, system), system, MeasurementModel(0.05, 0.06, 0.04, 0.01, left_right_sd=tilted)
    )
    queue = list(islice(codes_in_order(found, system), 40))
    quick = best_codes(found, system, 40)
    assert [code.probability for code in quick] == pytest.approx([code.probability for code in queue], rel=1e-9)
    told_apart = [
        code.probability > 1.000001 * after.probability for code, after in zip(queue, queue[1:], strict=False)
    ]
    for number, (one, other) in enumerate(zip(quick, queue, strict=True)):
        if all(told_apart[max(number - 1, 0) : number + 1]):
            assert one.depths == other.depths
    assert len({code.depths for code in quick}) == 40
    monkeypatch.setattr(levels, "BUDGET", 10)  # given up at once: the queue takes over
    again = kbest.best_codes(found, system, 40)
    assert [code.probability for code in again] == pytest.approx([code.probability for code in queue], rel=1e-9)


def test_fit_tests_are_kept_for_the_last_used_patterns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoder, "FITS", 2)
    system = make_system(cuts=3)
    made = Decoder(system, MeasurementModel(0.05, 0.06, 0.04, 0.01))
    keys = [make_readings(system, {(None, "left", cut): [8.2] for cut in range(count)}) for count in (1, 2, 3)]
    first = made.decode(keys[0])
    kept = made.fit_test(made._found(keys[0], 1))
    made.decode(keys[1])
    assert made.fit_test(made._found(keys[0], 1)) is kept  # used again, so the other one is the next to go
    made.decode(keys[2])
    assert len(made._fits) == 2
    assert made.fit_test(made._found(keys[0], 1)) is kept
    made.decode(keys[1])
    made.decode(keys[2])
    assert made.decode(keys[0]) == first


def test_readings_far_outside_everything_still_have_best_codes() -> None:
    """Left wants another offset than right by thousands of standard deviations; the search level by level gives up."""
    system = make_system(cuts=2, depths=(1.4, 1.65), tracks=("left", "right"))
    key = make_readings(
        system,
        {
            (None, "left", 0): [1.7, 999.99],
            (None, "left", 1): [50.0],
            (None, "right", 0): [1.43],
            (None, "right", 1): [0.01],
        },
    )
    model = MeasurementModel(0.02, 0.05, 0.0, 0.01, tilt_sd=0.03, left_right_sd=0.03)
    found = solved(key, system, model)
    queue = list(islice(codes_in_order(found, system), 16))
    with np.errstate(all="raise", under="ignore"):
        quick = best_codes(found, system, 16)
    assert [code.probability for code in quick] == pytest.approx([code.probability for code in queue], rel=1e-9)
    assert Decoder(system, model).decode(key).verdict == "no-fit"


def test_readings_across_beside_impossible_ones_have_an_answer() -> None:
    """Where no point of the grid explains a pair, its bound is that of its likelihood: a number, not nothing."""
    across = Measuring(across=Across(("left", "right"), 1, -10.0))
    system = make_system(cuts=2, tracks=("left", "right"), measuring=across)
    cuts: dict[tuple[str | None, str, int], list[float]] = {(None, "left", 0): [50.0], (None, "right", 0): [7.4]}
    key = make_readings(system, {**cuts, (None, "across", 0): [4.88]})
    model = MeasurementModel(0.03, 0.05, 0.1, 0.0, tilt_sd=0.03)
    with np.errstate(divide="raise", invalid="raise"):
        assert Decoder(system, model).decode(key).verdict == "no-fit"
