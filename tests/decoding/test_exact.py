"""The posterior equals brute force: every legal code, every integral taken separately (tests/decode_oracle.py)."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve, fields
from scipy.stats import norm

from bitting.decoding import Decoded, Decoder, MeasurementModel, decode, likelihood
from bitting.decoding.across import PairTable, pairs_of
from bitting.decoding.grid import grid_for
from bitting.decoding.likelihood import density_table, likelihoods_of
from bitting.errors import BittingError
from bitting.model import Across, Blade, Cutting, Measuring, ReadCut, Readings, System
from tests import decode_oracle
from tests.conftest import but_long
from tests.decode_oracle import Brute, brute_across, make_readings, make_system

PLAIN = MeasurementModel(reading_sd=0.05, offset_sd=0.08, wear=0.06, outliers=0.01)
THREE = (8.6, 8.2, 7.8)


def one(values: list[float | list[float] | None], side: str | None = None, track: str = "left") -> dict:
    """Readings of one list of cuts; None: not measured."""
    rows = [v if isinstance(v, list) else [v] for v in values if v is not None]
    cuts = [i for i, v in enumerate(values) if v is not None]
    return {(side, track, cut): row for cut, row in zip(cuts, rows, strict=True)}


CASES = {
    "one track": (make_system(), one([8.55, 8.02, 7.75, 7.3]), PLAIN),
    "rules": (make_system(must=("adjacent cuts differ by at most 1",)), one([8.55, 7.81, 7.75, 7.3]), PLAIN),
    "deeper is larger": (make_system(depths=(1.0, 1.4, 1.8)), one([1.05, 1.44, 1.62, 1.9]), PLAIN),
    "uneven depths": (make_system(depths=(8.6, 8.35, 7.8)), one([8.5, 8.2, 7.7, 8.33]), PLAIN),
    "repeats": (make_system(depths=THREE), one([[8.4, 8.38], [8.1, 8.15, 7.6], 7.75, [8.02, 8.06]]), PLAIN),
    "a repeat far off": (make_system(depths=THREE), one([[8.55, 7.5], [8.3, 9.9], 7.75, 8.0]), PLAIN),
    "not measured": (make_system(must=("adjacent cuts differ by at most 1",)), one([8.55, None, None, 7.3]), PLAIN),
    "offset of one increment": (make_system(depths=THREE), one([8.18, 8.22, 7.85, 7.8]), MeasurementModel(0.05, 0.2, 0.03, 0.01)),
    "no wear": (make_system(), one([8.5, 8.2, 7.7, 7.3]), MeasurementModel(0.05, 0.08, 0.0, 0.01)),
    "no offset": (make_system(), one([8.5, 8.2, 7.6, 7.2]), MeasurementModel(0.05, 0.0, 0.06, 0.01)),
    "no outliers": (make_system(), one([8.5, 8.2, [7.6, 7.5], 7.2]), MeasurementModel(0.05, 0.08, 0.06, 0.0)),
    "cuts wrong as a whole": (make_system(), one([[8.55, 8.53], [7.6, 7.62], 7.6, 7.2]), evolve(PLAIN, cut_wrong=0.2)),
    "everything wrong": (make_system(), one([8.4, 9.4, 7.0, 6.0]), PLAIN),
    "own error of a cut": (
        make_system(cuts=3, depths=THREE), one([[8.4, 8.43], [8.0, 7.98, 8.02], 7.6]),
        MeasurementModel(0.03, 0.05, 0.04, 0.01, cut_sd=0.04),
    ),
    "both faces of a convenience key": (
        make_system(cuts=3, depths=THREE, sides=("top", "bottom"), convenience=True),
        one([8.5, 8.05, 7.6], "top") | one([8.35, 8.2, None], "bottom"), PLAIN,
    ),
    "two edges": (
        make_system(cuts=3, depths=THREE, sides=("top", "bottom"), milling="edge"),
        one([8.5, 8.05, 7.6], "top") | one([8.42, 8.0, 7.9], "bottom"), PLAIN,
    ),
    "two tracks": (
        make_system(cuts=3, depths=THREE, tracks=("left", "right")),
        one([8.5, 8.05, 7.6]) | one([8.42, 8.0, 7.9], track="right"), PLAIN,
    ),
    "coupled tracks": (
        make_system(cuts=2, depths=THREE, tracks=("left", "right"), must=("left and right differ by at least 1 at every cut",)),
        one([8.5, 8.05]) | one([8.42, 8.0], track="right"), PLAIN,
    ),
    "two lists of a cut": (make_system(cuts=3, depths=THREE), one([[8.5, 8.52], 8.2, 7.75]), PLAIN),
    "an offset of one width": (make_system(depths=THREE), one([8.3, 7.9, 7.52, 8.35]), evolve(PLAIN, offset_tail=0.0)),
    "only one of two tracks": (
        make_system(cuts=3, depths=(8.6, 8.2), tracks=("left", "right")), one([8.45, 8.4, 8.1]), PLAIN,
    ),
}  # fmt: skip

NARROW = {"offset_tail": 0.0}
"""Keys whose offset is one normal density, where brute force takes several shared errors and can't have many points."""
SHARED = MeasurementModel(0.05, 0.06, 0.04, 0.01, left_right_sd=0.05, **NARROW)
SHARED_CASES = {
    "tilt and left-right": (
        make_system(cuts=2, depths=(8.6, 8.2), tracks=("left", "right")),
        one([8.5, 8.15]) | one([8.42, 8.12], track="right"),
        MeasurementModel(0.05, 0.06, 0.04, 0.01, tilt_sd=0.06, left_right_sd=0.05, **NARROW),
    ),
    "tilt": (
        make_system(depths=THREE), one([8.55, 8.02, 7.95, 7.6]), MeasurementModel(0.05, 0.06, 0.04, 0.01, tilt_sd=0.08, **NARROW),
    ),
    "tilt, readings that fit nothing": (
        make_system(depths=THREE), one([8.7, 7.85, 8.85, 7.25]), MeasurementModel(0.05, 0.06, 0.04, 0.01, tilt_sd=0.08, **NARROW),
    ),
    "left-right": (
        make_system(cuts=2, depths=THREE, tracks=("left", "right")), one([8.5, 8.0]) | one([8.42, 8.02], track="right"), SHARED,
    ),
    "left-right, coupled": (
        make_system(cuts=2, depths=THREE, tracks=("left", "right"), must=("left and right differ by at least 1 at every cut",)),
        one([8.5, 8.0]) | one([8.42, 8.02], track="right"), SHARED,
    ),
    "left-right, one track read": (
        make_system(cuts=3, depths=(8.6, 8.2), tracks=("left", "right")), one([8.45, 8.4, 8.1]), SHARED,
    ),
    "left-right without offset": (
        make_system(cuts=2, depths=THREE, tracks=("left", "right")), one([8.5, 8.0]) | one([8.42, 8.02], track="right"),
        MeasurementModel(0.05, 0.0, 0.04, 0.01, left_right_sd=0.05),
    ),
}  # fmt: skip


def test_every_figure_of_the_model_is_held_to_brute_force() -> None:
    models = [model for *_, model in (CASES | SHARED_CASES).values()]
    alike = [f.name for f in fields(MeasurementModel) if len({getattr(model, f.name) for model in models}) == 1]
    assert alike == [], "give each of these a case with another value"


def compare(system: System, readings: Readings, model: MeasurementModel, brute: Brute, within: float) -> Decoded:
    """Every probability, the order of the codes, the evidence and the offset against brute force."""
    wanted = min(len(brute.codes), 12)
    result = Decoder(system, model, listings=False).decode(readings, wanted)
    assert result.log_evidence == pytest.approx(brute.log_evidence, abs=within)
    expected = brute.ranked()[:wanted]
    assert [c.probability for c in result.candidates] == pytest.approx([p for _, p in expected], abs=within)
    probability = dict(zip(brute.codes, brute.probabilities, strict=True))
    listed = [c.depths for c in result.candidates]
    assert len(set(listed)) == wanted
    assert [probability[depths] for depths in listed] == pytest.approx([p for _, p in expected], rel=1e-7, abs=1e-9)
    if len(expected) < 2 or expected[0][1] > expected[1][1] * (1 + 1e-6):
        assert listed[0] == expected[0][0]
    at = iter(result.cuts)
    for lane, row in enumerate(system.lanes):
        for cut in range(row.track.cuts):
            found = next(at)
            shares = {a.depth: a.probability for a in found.alternatives} | {found.depth: found.confidence}
            want = [brute.marginal(lane, cut, d) for d in range(len(row.track.depths))]
            assert [shares[label] for label in row.track.labels] == pytest.approx(want, abs=within)
    mass, first, second = brute.offset_moments
    assert result.offset.mean == pytest.approx(first / mass, abs=within)
    assert result.offset.sd == pytest.approx(
        np.sqrt(max(second / mass - (first / mass) ** 2, 0)), abs=max(within, 3e-8)
    )
    return result


@pytest.mark.parametrize("name", but_long(CASES, *list(CASES)[1::2]))
def test_equals_brute_force(name: str) -> None:
    system, values, model = CASES[name]
    readings = make_readings(system, values)
    if name == "two lists of a cut":
        second = make_readings(system, one([[8.1, 8.13], 8.17, None])).cuts
        readings = evolve(readings, cuts=(*readings.cuts, *(evolve(cut, list_number=1) for cut in second)))
    compare(system, readings, model, Brute(readings, system, model, points=601), 1e-6)


@pytest.mark.thorough
@pytest.mark.parametrize("name", SHARED_CASES)
def test_equals_brute_force_with_shared_differences(name: str) -> None:
    system, values, model = SHARED_CASES[name]
    readings = make_readings(system, values)
    result = compare(system, readings, model, Brute(readings, system, model, points=31, shared=23), 1e-4)
    assert result.verdict == "no-fit" or "fit nothing" not in name


ROUND = Cutting(cutter=2.4, seat=0.3)
JAW_CASES = {
    "one track": (make_system(depths=THREE, cutting=ROUND, measuring=Measuring(jaw=1.0)), one([8.55, 8.05, 8.16, 7.75]), PLAIN),
    "rules, a cut not measured": (
        make_system(
            cuts=5, depths=THREE, cutting=ROUND, measuring=Measuring(jaw=0.8), must=("adjacent cuts differ by at most 1",)
        ),
        one([8.25, None, 8.16, 7.83, 8.3]), PLAIN,
    ),
    "deeper is larger": (
        evolve(
            make_system(depths=(1.4, 1.8, 2.1), cutting=ROUND, measuring=Measuring(jaw=1.4)), blade=Blade(10.0)
        ),
        one([1.5, 1.84, 2.02, 1.9]), PLAIN,
    ),
    "wider than the cutter": (
        make_system(depths=(8.6, 8.2, 7.9), cutting=ROUND, measuring=Measuring(jaw=2.6)), one([8.4, 8.25, 8.16, 7.75]), PLAIN,
    ),
    "vee": (
        make_system(depths=THREE, cutting=Cutting("vee", angle=100.0, root=0.3), measuring=Measuring(jaw=0.7)),
        one([8.55, 8.15, 8.26, 7.95]), PLAIN,
    ),
    "both faces, repeats": (
        make_system(
            cuts=3, depths=THREE, sides=("top", "bottom"), convenience=True, cutting=ROUND, measuring=Measuring(jaw=1.0)
        ),
        one([8.5, [8.05, 8.1], 7.6], "top") | one([8.35, 8.2, None], "bottom"), PLAIN,
    ),
    "coupled tracks": (
        make_system(
            cuts=2, depths=THREE, tracks=("left", "right"), cutting=ROUND, measuring=Measuring(jaw=1.0),
            must=("left and right differ by at least 1 at every cut",),
        ),
        one([8.5, 8.05]) | one([8.42, 8.0], track="right"), PLAIN,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", but_long(JAW_CASES, *list(JAW_CASES)[3:]))
def test_what_a_jaw_reaches_depends_on_the_neighbours(name: str) -> None:
    """Brute force samples the wall of each whole code under the jaw; the result also differs from that of a point."""
    system, values, model = JAW_CASES[name]
    readings = make_readings(system, values)
    result = compare(system, readings, model, Brute(readings, system, model, points=601), 1e-6)
    point = decode(readings, evolve(system, measuring=Measuring()), 1, model)
    assert abs(result.log_evidence - point.log_evidence) > 1e-3
    assert any("a jaw of" in note and "stays up to" in note for note in result.notes)


def test_a_lock_and_a_jaw() -> None:
    """A cut that the lock doesn't read still decides what the jaw reaches beside it."""
    bare = make_system(depths=THREE, cutting=ROUND, measuring=Measuring(jaw=1.2))
    system = evolve(bare, locks={"door": (0, 2)})
    readings = make_readings(system, one([8.33, 8.0, 7.95, 7.6]))
    brute = Brute(readings, system, PLAIN, points=601)
    sums: dict[tuple[int, int], float] = {}
    for code, probability in zip(brute.codes, brute.probabilities, strict=True):
        key = (code[0][0], code[0][2])
        sums[key] = sums.get(key, 0.0) + probability
    expected = sorted(sums.items(), key=lambda row: -row[1])
    result = decode(readings, system, len(sums), PLAIN, lock="door")
    assert [(c.depths[0][0], c.depths[0][2]) for c in result.candidates] == [pair for pair, _ in expected]
    assert [c.probability for c in result.candidates] == pytest.approx([p for _, p in expected], abs=1e-6)


def test_codes_are_in_order_where_what_the_jaw_reaches_depends_on_a_cut_that_the_lock_does_not_read() -> None:
    """The depth of a cut beside one that isn't read stands for several dimensions, whose probabilities add up."""
    bare = make_system(depths=THREE, cutting=ROUND, measuring=Measuring(jaw=1.6))
    system = evolve(bare, locks={"door": (0, 1, 2)})
    cuts: dict[tuple[str | None, str, int], list[float]] = {(None, "left", 1): [8.6], (None, "left", 2): [8.21]}
    model = evolve(PLAIN, reading_sd=0.06, outliers=0.2)
    readings = make_readings(system, cuts)
    brute = Brute(readings, system, model, points=601)
    sums: dict[tuple[int, ...], float] = {}
    for code, probability in zip(brute.codes, brute.probabilities, strict=True):
        sums[code[0][:3]] = sums.get(code[0][:3], 0.0) + float(probability)
    result = decode(readings, system, len(sums), model, lock="door")
    found = [c.probability for c in result.candidates]
    assert found == pytest.approx(sorted(sums.values(), reverse=True), abs=1e-6)
    assert decode(readings, system, 1, model, lock="door").probability == pytest.approx(max(sums.values()), abs=1e-6)


def test_a_jaw_that_reaches_every_floor_changes_nothing() -> None:
    system, values, model = JAW_CASES["vee"]
    narrow = evolve(system, measuring=Measuring(jaw=0.3))
    readings = make_readings(system, values)
    assert decode(readings, narrow, model=model) == decode(readings, evolve(system, measuring=Measuring()), model=model)
    unknown = decode(readings, evolve(system, cutting=Cutting()), model=model)
    assert "doesn't say what cutter" in unknown.notes[0]


@pytest.mark.parametrize("wear", [0.001, 0.02, 0.3])
def test_density_of_noise_and_wear(wear: float) -> None:
    """The table beside the integral over wear, for each mean that a key may have; and for two cuts, over both wears."""
    model = MeasurementModel(0.05, 0.08, wear, 0.01)
    y = np.linspace(-0.3, 1.2, 60)
    for row, (factor, _) in zip(density_table(0.05, model)(y), decode_oracle.SCALES, strict=True):
        w, weights = decode_oracle._wear_nodes(wear * factor, 30.0)
        assert row == pytest.approx(norm.pdf(y[:, None], w, 0.05) @ weights, rel=3e-5, abs=1e-6)
    w, weights = decode_oracle._wear_nodes(wear * 0.25, 30.0)
    both = norm.pdf(y[:, None, None], w[:-1, None] + w[:-1], 0.05)
    expected = np.einsum("yab,a,b->y", both, weights[:-1], weights[:-1])
    assert density_table(0.05, model, cuts=2)(y)[0] == pytest.approx(expected, rel=3e-5, abs=1e-6)


def test_density_without_wear_and_far_away() -> None:
    table = density_table(0.05, MeasurementModel(0.05, 0.08, 0.0, 0.01))
    y = np.array([-0.2, 0.0, 0.1])
    assert table(y)[0] == pytest.approx(norm.pdf(y, 0, 0.05), rel=1e-5)
    assert (table(np.array([-100.0, 100.0])) == 0).all()


def test_a_decoder_serves_many_keys() -> None:
    system, values, model = CASES["rules"]
    readings = make_readings(system, values)
    decoder = Decoder(system, model)
    first = decoder.decode(readings)
    decoder.decode(make_readings(system, one([8.6, 8.6, 8.2, 8.2])))
    assert decoder.decode(readings) == first == decode(readings, system, model=model)


def test_many_keys_are_decoded_as_one_by_one() -> None:
    system = make_system(depths=THREE, must=("adjacent cuts differ by at most 1",))
    rows: list[list[float | list[float] | None]] = [[8.3, None, 8.0, 7.9], [8.3, [8.0, 8.03], 8.0, 7.9], [9.4] * 4]
    keys = [make_readings(system, one(row)) for row in rows]
    decoder = Decoder(system, PLAIN)
    assert decoder.decode_many(keys, 3) == [decoder.decode(key, 3, advise=False) for key in keys]


def test_readings_of_another_system_are_refused() -> None:
    system, values, model = CASES["rules"]
    other = evolve(system, name="plover")
    with pytest.raises(BittingError, match="were read against 'finch'"):
        decode(make_readings(system, values), other, model=model)


@pytest.mark.thorough
def test_many_repeats_integrate_as_few_do() -> None:
    """Of nine readings of one cut only the subsets that matter are summed; brute force takes them all."""
    system = make_system(cuts=2, depths=THREE)
    values = [8.41, 8.44, 8.38, 8.42, 8.4, 8.43, 8.02, 8.41, 8.39]
    for own in (0.0, 0.03):
        model = MeasurementModel(0.05, 0.08, 0.06, 0.01, cut_sd=own)
        readings = make_readings(system, one([values, 8.1]))
        compare(system, readings, model, Brute(readings, system, model, points=401), 1e-6)


def test_many_lists_cost_no_more_than_some(monkeypatch: pytest.MonkeyPatch) -> None:
    system = make_system(cuts=2, depths=THREE)
    cuts = make_readings(system, one([[8.41, 8.44], [8.02, 8.1]])).cuts
    told = Readings(system, "", system.unit, tuple(evolve(cut, list_number=n) for n in range(5) for cut in cuts))
    few = Decoder(system, PLAIN).posterior(told)
    assert max(len(cut.components) for cut in likelihoods_of(told, system, PLAIN)) == likelihood.HEAVIEST
    monkeypatch.setattr(likelihood, "HEAVIEST", 10**6)
    every = Decoder(system, PLAIN).posterior(told)
    assert few.log_evidence == pytest.approx(every.log_evidence, abs=1e-4)
    for place, shares in every.shares.items():
        assert few.shares[place] == pytest.approx(shares, abs=1e-6)


def test_a_lock_is_decoded_by_the_cuts_it_reads() -> None:
    """Codes that differ only where the lock doesn't read count as one: brute force adds them up."""
    system = evolve(
        make_system(must=("adjacent cuts differ by at most 1", "at least 2 different depths")), locks={"door": (1, 2)}
    )
    readings = make_readings(system, one([8.33, 8.0, 7.95, 7.6]))
    result = decode(readings, system, 8, PLAIN, lock="Door")
    sums: dict[tuple[int, int], float] = {}
    brute = Brute(readings, system, PLAIN, points=601)
    for code, probability in zip(brute.codes, brute.probabilities, strict=True):
        sums[code[0][1:3]] = sums.get(code[0][1:3], 0.0) + probability
    expected = sorted(sums.items(), key=lambda row: -row[1])[:8]
    assert [c.depths[0][1:3] for c in result.candidates] == [pair for pair, _ in expected]
    assert [c.probability for c in result.candidates] == pytest.approx([p for _, p in expected], abs=1e-6)
    assert result.code == f"? {expected[0][0][0] + 1} {expected[0][0][1] + 1} ?"
    assert [cut.cut for cut in result.cuts] == [2, 3]
    with pytest.raises(BittingError, match="no lock 'boot'") as caught:
        decode(readings, system, lock="boot")
    assert "door" in caught.value.hint


ACROSS_CASES = {
    "alone": (("across", 0, [6.62]), ("across", 1, [6.1])),
    "alone, twice": (("across", 0, [6.62, 6.6]), ("across", 1, [6.1])),
    "beside one track": (("across", 0, [6.62]), ("left", 0, [8.5]), ("across", 1, [6.1])),
    "beside both": (("across", 0, [6.62]), ("left", 0, [8.5]), ("right", 0, [8.15]), ("right", 1, [7.9])),
}


@pytest.mark.parametrize("coupled", but_long([False, True], False))
@pytest.mark.parametrize("own", but_long([0.0, 0.03], 0.03))
@pytest.mark.parametrize("name", but_long(ACROSS_CASES, "alone", "alone, twice", "beside one track"))
def test_readings_across_two_tracks(name: str, own: float, coupled: bool) -> None:
    if coupled and own:
        pytest.skip("the coupling doesn't depend on the cut's own error")
    must = ("left and right differ by at least 1 at every cut",) if coupled else ()
    system = make_system(
        cuts=2, depths=(8.6, 8.1), tracks=("left", "right"), must=must,
        measuring=Measuring(across=Across(("left", "right"), 1, -10.0)),
    )  # fmt: skip
    model = MeasurementModel(0.05, 0.06, 0.05, 0.01, cut_sd=own, **NARROW)
    readings = make_readings(system, {(None, track, cut): values for track, cut, values in ACROSS_CASES[name]})
    codes, probabilities, log_evidence = brute_across(readings, system, model, points=45 if own else 61)
    result = Decoder(system, model, listings=False).decode(readings, len(codes))
    assert result.log_evidence == pytest.approx(log_evidence, abs=1e-6)
    want = dict(zip(codes, probabilities, strict=True))
    assert {c.depths for c in result.candidates} == set(want)
    for candidate in result.candidates:
        assert candidate.probability == pytest.approx(want[candidate.depths], abs=1e-6)
    if "alone" in name:
        assert "can't tell left from right" in result.notes[0]


SPREAD_ACROSS = {
    "beside one track": (("across", 0, [6.62]), ("left", 0, [8.5]), ("across", 1, [6.1])),
    "beside both, repeats": (
        ("across", 0, [6.62, 6.6]), ("left", 0, [8.5]), ("right", 0, [8.15]), ("right", 1, [7.9, 7.95]), ("across", 1, [6.0]),
    ),
}  # fmt: skip


@pytest.mark.parametrize("tilted", [0.0, 0.05])
@pytest.mark.parametrize("own", but_long([0.0, 0.03], 0.03))
@pytest.mark.parametrize("name", but_long(SPREAD_ACROSS, "beside both, repeats"))
def test_products_say_what_the_double_integral_says(name: str, own: float, tilted: float) -> None:
    """Readings across beside single ones: the sum of products beside the integral over both cuts, point by point."""
    system = make_system(
        cuts=2, depths=(8.6, 8.2, 7.9), tracks=("left", "right"),
        measuring=Measuring(across=Across(("left", "right"), 1, -10.0)),
    )  # fmt: skip
    model = MeasurementModel(0.05, 0.06, 0.05, 0.01, cut_sd=own, tilt_sd=tilted, left_right_sd=tilted)
    readings = make_readings(system, {(None, track, cut): values for track, cut, values in SPREAD_ACROSS[name]})
    pairs, _ = pairs_of(readings, system, model, likelihoods_of(readings, system, model))
    decoder = Decoder(system, model)
    known = [(one.place, one.information) for pair in pairs for one in pair.singles]
    grid = grid_for(system, model, known, [(pair.places[0], pair.information) for pair in pairs])
    random = np.random.default_rng(7)
    signs = [grid.signs[lane] for lane in (0, 1)]
    for pair in pairs:
        group: dict[str, ReadCut] = {cut.track: cut for cut in readings.cuts if cut.cut == pair.place.cut}
        table = PairTable(pair, system, model, grid, decoder.along, decoder.reach)
        bounds = table.log_bound()
        for scale in range(len(grid.scales)):
            tilt = int(random.integers(grid.tilts.size))
            row = scale * grid.tilts.size + tilt
            near = [np.flatnonzero(np.abs(grid.lattices[sign]) < 0.2) for sign in signs]
            at = [random.choice(where, 5) for where in near]
            at = at if signs[0] else [at[0], at[0]]
            columns = {sign: row * grid.lattices[sign].size + one for sign, one in zip(signs, at, strict=True)}
            errors = np.stack([
                grid.lattices[sign][one] + decoder.along[place] * grid.tilts[tilt]
                for sign, one, place in zip(signs, at, pair.places, strict=True)
            ])  # fmt: skip
            rows = np.array([(i, j) for i in range(3) for j in range(3)])
            found = np.exp(table.at(columns, rows))
            of_cut = decode_oracle._cut_errors(model, grid.scales[scale])
            exact = np.array([
                decode_oracle._both_cuts(group, (system.tracks[0], system.tracks[1]),
                                         [system.tracks[0].depths[i], system.tracks[1].depths[j]],
                                         errors, of_cut, system, model)
                for i, j in rows
            ])  # fmt: skip
            assert np.abs(found - exact).max() < (3e-6 if tilted else 3e-7) * max(exact.max(), 1.0)
            bound = bounds[scale, tilt, at[0], at[1]] if signs[0] else bounds[scale, tilt, at[0]]
            assert (bound > np.log(exact.sum(axis=0)) - 1e-3).all()
            span = (
                bounds[scale].max() - bounds[scale].min()
            )  # no less than sums may be wrong by, and yet far tells from near
            assert np.log(100) < span < -np.log(3e-6)


@pytest.mark.thorough
def test_readings_across_with_a_left_right_difference() -> None:
    system = make_system(
        cuts=2, depths=(8.6, 8.1), tracks=("left", "right"), cutting=ROUND,
        measuring=Measuring(across=Across(("left", "right"), 1, -10.0), jaw=1.2),
    )  # fmt: skip
    model = MeasurementModel(0.05, 0.06, 0.05, 0.01, cut_sd=0.03, left_right_sd=0.04, **NARROW)
    given = ACROSS_CASES["beside one track"]
    readings = make_readings(system, {(None, track, cut): values for track, cut, values in given})
    codes, probabilities, log_evidence = brute_across(readings, system, model, points=27, shared=13)
    result = Decoder(system, model, listings=False).decode(readings, len(codes))
    assert result.log_evidence == pytest.approx(log_evidence, abs=1e-4)
    want = dict(zip(codes, probabilities, strict=True))
    for candidate in result.candidates:
        assert candidate.probability == pytest.approx(want[candidate.depths], abs=1e-4)
