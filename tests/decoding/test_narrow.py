"""Quick ways of decoding beside brute force: narrowed diagrams, the search of the best codes, tests of fit that are kept."""

from __future__ import annotations

import numpy as np
import pytest

from bitting.decoding import Decoder, MeasurementModel, decoder, kbest, posterior
from bitting.decoding import weigh as narrow
from bitting.decoding.kbest import best_codes, codes_in_order
from bitting.decoding.posterior import Posterior
from bitting.model import Across, Measuring, Readings, System
from tests.decode_oracle import Brute, make_readings, make_system

SYSTEM = make_system(
    cuts=3, depths=(8.6, 8.2, 7.8), tracks=("left", "right"), must=("left and right differ by at least 1 at every cut",)
)
MODEL = MeasurementModel(0.03, 0.04, 0.02, 1e-5, left_right_sd=0.03, cut_wrong=1e-5, offset_tail=0.0)


def readings_of(left: list[float | None], right: list[float | None], system: System = SYSTEM) -> Readings:
    """One reading a cut; None: not measured."""
    rows = {"left": left, "right": right}
    return make_readings(
        system, {(None, name, i): [v] for name, row in rows.items() for i, v in enumerate(row) if v is not None}
    )


def solved(readings: Readings, system: System = SYSTEM, model: MeasurementModel = MODEL) -> Posterior:
    """The posterior of one key."""
    return Decoder(system, model).posterior(readings)


@pytest.fixture(scope="module")
def brute() -> tuple[Readings, Brute]:
    readings = readings_of([8.55, 8.14, 7.79], [8.02, 8.51, 8.15])
    return readings, Brute(readings, SYSTEM, MODEL, points=41, shared=23)


@pytest.mark.parametrize("faint", [narrow.FAINT, 0.5])
def test_a_narrowed_diagram_has_the_answers_of_brute_force(
    brute: tuple[Readings, Brute], faint: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Arcs are left out; where far too many are (half of the evidence), that is found out and the diagram kept whole."""
    readings, expected = brute
    monkeypatch.setattr(posterior, "FAINT", faint)
    found = solved(readings)
    section = found.sections[0]
    arcs = sum(layer.arc_child.size for trellis in section.trellises for layer in trellis.layers)
    if faint < 0.1:
        assert section.whole is not None
        assert arcs < section.whole.size
    else:
        assert section.whole is None
    assert found.log_evidence == pytest.approx(expected.log_evidence, abs=1e-4)
    for place, shares in found.shares.items():
        want = [expected.marginal(place.lane, place.cut, depth) for depth in range(3)]
        assert shares == pytest.approx(want, abs=1e-4)
    codes = best_codes(found, SYSTEM, 12)  # the last of them pass arcs that were left out
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


@pytest.mark.parametrize("name", TABLES)
def test_the_best_codes_are_those_of_brute_force(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """In order, and with the wide beam too that is taken where a great many codes are as likely as each other."""
    system, left, right = TABLES[name]
    model = MeasurementModel(0.05, 0.06, 0.04, 0.01)
    key = readings_of(left, right, system)
    found = solved(key, system, model)
    expected = Brute(key, system, model, points=401).ranked()[:40]
    for budget in (kbest.BUDGET, 10):
        monkeypatch.setattr(kbest, "BUDGET", budget)
        quick = best_codes(found, system, 40)
        assert [code.probability for code in quick] == pytest.approx([p for _, p in expected], rel=1e-5)
        assert len({code.depths for code in quick}) == 40
    several = [code for code, _ in zip(codes_in_order(found, system), range(100), strict=False)]
    assert [code.depths for code in several[:40]] == [code.depths for code in quick]
    assert all(a.probability >= b.probability * (1 - 1e-9) for a, b in zip(several, several[1:], strict=False))


def test_where_nearly_nothing_was_read_the_shallowest_codes_come_first() -> None:
    system = make_system(cuts=7, depths=(8.6, 8.2, 7.8, 7.4, 7.0))
    found = solved(make_readings(system, {(None, "left", 0): [8.55]}), system, MeasurementModel(0.03, 0.05, 0.04, 0.01))
    codes = best_codes(found, system, 3)
    assert [code.depths[0] for code in codes] == [(0,) * 7, (0,) * 6 + (1,), (0,) * 6 + (2,)]
    assert codes[0].probability == pytest.approx(codes[2].probability)


def test_fit_tests_are_kept_for_the_last_used_patterns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decoder, "FITS", 2)
    system = make_system(cuts=3)
    made = Decoder(system, MeasurementModel(0.05, 0.06, 0.04, 0.01))
    keys = [make_readings(system, {(None, "left", cut): [8.2] for cut in range(count)}) for count in (1, 2, 3)]
    first = made.decode(keys[0])
    kept = made.fit_test(made.solver.read(keys[0]))
    made.decode(keys[1])
    assert made.fit_test(made.solver.read(keys[0])) is kept  # used again, so the other one is the next to go
    made.decode(keys[2])
    assert len(made._fits) == 2
    assert made.fit_test(made.solver.read(keys[0])) is kept
    made.decode(keys[1])
    made.decode(keys[2])
    assert made.decode(keys[0]) == first


def test_readings_far_outside_everything_still_have_best_codes() -> None:
    """Left wants another offset than right by thousands of standard deviations; the codes still add up."""
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
    with np.errstate(all="raise", under="ignore"):
        quick = best_codes(found, system, 16)
    assert len({code.depths for code in quick}) == 16
    assert sum(code.probability for code in quick) == pytest.approx(1, abs=1e-4)
    assert Decoder(system, model).decode(key).verdict == "no-fit"


@pytest.mark.thorough
def test_readings_across_beside_impossible_ones_have_an_answer() -> None:
    """Where no point of the grid explains a pair, its bound is that of its likelihood: a number, not nothing."""
    across = Measuring(across=Across(("left", "right"), 1, -10.0))
    system = make_system(cuts=2, tracks=("left", "right"), measuring=across)
    cuts: dict[tuple[str | None, str, int], list[float]] = {(None, "left", 0): [50.0], (None, "right", 0): [7.4]}
    key = make_readings(system, {**cuts, (None, "across", 0): [4.88]})
    model = MeasurementModel(0.03, 0.05, 0.1, 0.0, tilt_sd=0.03)
    with np.errstate(divide="raise", invalid="raise"):
        assert Decoder(system, model).decode(key).verdict == "no-fit"
