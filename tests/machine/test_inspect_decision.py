"""Decision rules and uncertainties beside the published examples of JCGM 106 and JCGM 100 (GUM).

The published values stand in `tests/reference/conformity.toml` (JCGM 106:2012), `gum.toml` and `t_table_g2.csv`
(JCGM 100:2008) and `calipers.toml` (DIN 862), each with its clause.
"""

from __future__ import annotations

import csv
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from bitting.errors import BittingError
from bitting.machine.inspect.decision import (
    Guard,
    acceptance,
    beyond,
    conformance,
    decide,
    largest_uncertainty,
    quantile,
)
from bitting.machine.inspect.uncertainty import CALIPER_LIMIT_MM, Gauge, effective_dof, hand_scatter, measure
from bitting.model import Measuring, ReadCut, Reading
from tests import make

REFERENCE = Path(__file__).parents[1] / "reference"
CONFORMITY = tomllib.loads((REFERENCE / "conformity.toml").read_text(encoding="utf-8"))
GUM = tomllib.loads((REFERENCE / "gum.toml").read_text(encoding="utf-8"))
CALIPERS = tomllib.loads((REFERENCE / "calipers.toml").read_text(encoding="utf-8"))


def row(table: str, name: str) -> dict[str, Any]:
    return next(entry for entry in CONFORMITY[table] if entry["id"] == name)


def vector(name: str) -> dict[str, Any]:
    return next(entry for entry in GUM["vector"] if entry["id"] == name)


def test_conformance_probability_of_jcgm_106_table_1() -> None:
    table = CONFORMITY["table_1"]
    for p, published, recomputed in zip(
        table["conformance_probability"], table["z_published"], table["z_recomputed"], strict=True
    ):
        z = quantile(p)
        assert z == pytest.approx(recomputed, abs=6e-7)
        assert abs(z - published) <= 0.0051
        assert conformance(-z, 1.0, None, 0.0) == pytest.approx(p, abs=1e-12)


@pytest.mark.parametrize("name", ["upper_limit_diode", "lower_limit_container", "two_sided_oil"])
def test_conformance_examples_of_jcgm_106(name: str) -> None:
    example = row("conformance", name)
    p = conformance(example["y"], example["u"], example.get("lower"), example.get("upper"))
    assert p == pytest.approx(example["p_recomputed"], abs=1e-6)
    assert round(p, 2) == example["p_published"]


def test_guard_bands_of_jcgm_106() -> None:
    # 8.3.2.3, quoting ISO 14253-1: moved inwards by 2u, at most 2.3 % of the accepted are out
    guard = Guard.parse("2u")
    half = acceptance(0.01, 1.0, guard)
    assert half == pytest.approx(1.0 - 0.02, abs=1e-12)
    assert half is not None
    worst = row("guard_band", "guarded_acceptance_default")
    assert beyond(half, 0.01, 1.0) == pytest.approx(worst["max_probability_nonconforming_recomputed"], abs=1e-6)
    # 8.3.3.2, example 1: guarded rejection, v0 (1 - 0.02 z) = limit
    speed = row("guard_band", "guarded_rejection_speed")
    v = speed["limit_km_h"] / (1 - speed["relative_u"] * Guard("probability", speed["p"]).factor())
    assert v == pytest.approx(speed["recomputed_km_h"], abs=1e-3)
    # example 2: Student's t with 9 degrees of freedom
    screen = row("guard_band", "guarded_rejection_screening")
    assert Guard().factor(screen["nu"]) * screen["s"] == pytest.approx(screen["guard_recomputed"], abs=1e-6)
    # the default, 95 %, far from the other limit (factor 1.65 in ISO 14253-1:2017: from memory)
    default = row("guard_band", "iso_14253_1_2017_default")
    assert Guard().factor() == pytest.approx(default["factor_recomputed"], abs=1e-6)
    half = acceptance(0.01, 1.0, Guard())
    assert half == pytest.approx(1.0 - default["factor_recomputed"] * 0.01, abs=1e-6)


@pytest.mark.parametrize("name", ["precision_resistors", "precision_resistors_no_guard"])
def test_global_risks_of_jcgm_106_9_5_3(name: str) -> None:
    """Consumer's and producer's risk of the resistors, with `decide` as the rule that accepts."""
    model, example = row("global_risk", "precision_resistors"), row("global_risk", name)
    u0, um = model["process_u0"], model["measuring_um"]
    tolerance = (model["upper"] - model["lower"]) / 2
    guard = Guard("band", (model["upper"] - example["accept_upper"]) / um)
    half = acceptance(um, tolerance, guard)
    assert half == pytest.approx(example["accept_upper"] - model["process_mean"], abs=1e-9)
    assert half is not None
    assert decide(half - 1e-9, um, tolerance, guard) == "pass"
    assert decide(half + 1e-9, um, tolerance, guard) != "pass"

    def accepted(true: float) -> float:
        return float(stats.norm.cdf((half - true) / um) - stats.norm.cdf((-half - true) / um))

    def joint(true: float, wanted: bool) -> float:
        p = accepted(true)
        return float(stats.norm.pdf(true, scale=u0)) * (p if wanted else 1 - p)

    far = 8 * u0
    consumer = 2 * integrate.quad(joint, tolerance, far, args=(True,))[0]
    producer = integrate.quad(joint, -tolerance, tolerance, args=(False,))[0]
    assert consumer == pytest.approx(example["consumer_risk_recomputed"], abs=1e-7)
    assert producer == pytest.approx(example["producer_risk_recomputed"], abs=1e-7)


def test_students_t_of_gum_table_g2() -> None:
    with (REFERENCE / "t_table_g2.csv").open(encoding="utf-8", newline="") as file:
        rows = [r for r in csv.DictReader(file) if r["degrees_of_freedom"].isdigit()]
    assert len(rows) > 100
    # 68.27, 95.45 and 99.73 % are one, two and three standard deviations of a normal distribution
    exact = {"68.27": math.erf(1 / math.sqrt(2)), "95.45": math.erf(math.sqrt(2)), "99.73": math.erf(3 / math.sqrt(2))}
    for r in rows:
        percent = r["coverage_percent"]
        t = quantile((1 + exact.get(percent, float(percent) / 100)) / 2, int(r["degrees_of_freedom"]))
        assert t == pytest.approx(float(r["t_recomputed"]), rel=2e-6)
        if r["match"] == "yes":
            assert abs(t - float(r["t_published"])) <= 0.00501


def test_normal_factors_of_gum_table_g1() -> None:
    table = GUM["coverage_factor_normal"][0]
    for percent, k in zip(table["percent"], table["k"], strict=True):
        assert quantile((1 + percent / 100) / 2) == pytest.approx(k, abs=6e-4)


def test_welch_satterthwaite_of_gum_h1_and_g41() -> None:
    product = vector("welch_satterthwaite_product")
    dof = effective_dof([(u, n - 1) for u, n in zip(product["relative_u_percent"], product["n"], strict=True)])
    assert dof == pytest.approx(product["recomputed_nu_eff_unrounded"], abs=1e-4)
    h = GUM["end_gauge_H1"]
    u_dbar, u_d1, u_d2 = 13 / math.sqrt(5), 10 / quantile(0.975, 5), 20 / 3
    u_d = math.hypot(u_dbar, u_d1, u_d2)
    nu_d = effective_dof([(u_dbar, h["nu_dbar"]), (u_d1, h["nu_d1"]), (u_d2, h["nu_d2"])])
    assert (u_d, nu_d) == (
        pytest.approx(h["recomputed"]["u_d_nm"], abs=1e-3),
        pytest.approx(h["recomputed"]["nu_d"], abs=0.01),
    )
    length_nm = 50.000623e6
    dalpha = length_nm * abs(h["theta_degC"]) * 1e-6 / math.sqrt(3)
    dtheta = length_nm * h["alphaS_per_degC"] * 0.05 / math.sqrt(3)
    nu = effective_dof([(h["u_lS_nm"], h["nu_lS"]), (u_d, nu_d), (dalpha, h["nu_dalpha"]), (dtheta, h["nu_dtheta"])])
    assert nu == pytest.approx(h["recomputed"]["nu_eff"], abs=0.002)
    assert math.floor(nu) == h["nu_eff_truncated"]
    assert quantile(0.995, math.floor(nu)) == pytest.approx(h["t99_16"], abs=0.005)


def cut(*values: float, own: float | None = None, digit: float = 0.01) -> ReadCut:
    return ReadCut(None, "left", 0, tuple(Reading(v, own, digit, (0, 0)) for v in values))


def measuring(**figures: float) -> Any:
    import attrs

    return attrs.evolve(make.system(), measuring=Measuring(**figures))


def test_resolution_and_limits_of_the_gum() -> None:
    # F.2.2.1: a digital step dx counts dx/sqrt(12), 0.29 dx
    step = vector("resolution_1g")
    _, budget = measure(cut(5.0, digit=1.0), Gauge(), measuring(reading_sd=1e-9))
    assert budget.total == pytest.approx(step["u_g"], abs=0.0014)
    # 4.3.7: limits ±a count a/sqrt(3)
    volt = vector("voltmeter_spec")
    _, budget = measure(cut(5.0, digit=0.0), Gauge(caliper=volt["half_width_uV"], hand=0.0), measuring(reading_sd=1e-9))
    assert budget.total**2 == pytest.approx(volt["u_squared_uV2"], abs=1e-9)
    # 5.1.5: combined with a standard deviation of the mean of 12 uV
    _, budget = measure(cut(5.0, digit=0.0), Gauge(caliper=15.0, hand=volt["type_a_u_uV"]), measuring(reading_sd=1e-9))
    assert budget.total == pytest.approx(math.sqrt(219), abs=1e-9)


def test_repeats_of_gum_4_4_3() -> None:
    example = vector("twenty_temperatures")
    system = measuring(reading_sd=0.01)
    read = cut(*example["observations"], digit=0.01)
    scatter, _ = hand_scatter([read], Gauge(hand="repeats"), system)
    assert scatter == (pytest.approx(example["recomputed_s"], abs=1e-6), 19)
    mean, budget = measure(read, Gauge(caliper=0.0), system, scatter=scatter)
    assert mean == pytest.approx(example["mean"], abs=5e-4)
    assert budget.hand == pytest.approx(example["recomputed_s_of_mean"], abs=1e-6)
    assert budget.dof == 19


def test_the_assumed_caliper_is_that_of_din_862() -> None:
    fine = [r for r in CALIPERS["din_862"]["row"] if 0.01 in r["scale_mm"]]
    assert [r["limit"][0] / 1000 for r in fine] == [CALIPER_LIMIT_MM]
    _, budget = measure(cut(8.6, digit=0.0), Gauge(), measuring(reading_sd=0.03))
    assert budget.caliper == pytest.approx(0.02 / math.sqrt(3))
    assert budget.total == pytest.approx(0.03)


def test_only_the_hand_is_divided_by_the_readings() -> None:
    system = measuring(reading_sd=0.03)
    for n in (1, 2, 4, 9):
        _, budget = measure(cut(*[8.6] * n), Gauge(caliper=0.02, zero=0.005), system)
        assert budget.caliper == pytest.approx(0.02 / math.sqrt(3))
        assert budget.zero == 0.005
        assert budget.rounding == pytest.approx(0.01 / math.sqrt(12))
        assert budget.hand == pytest.approx(math.sqrt(0.03**2 - 0.02**2 / 3) / math.sqrt(n))
        parts = (budget.caliper, budget.zero, budget.rounding, budget.hand)
        assert budget.total == pytest.approx(math.sqrt(sum(p * p for p in parts)))


def test_repeats_that_contradict_the_stated_hand_take_its_place() -> None:
    system = measuring(reading_sd=0.01)
    steady = [cut(8.60, 8.61), cut(8.15, 8.15)]
    wild = [cut(8.60, 8.75), cut(8.15, 8.00)]
    assert hand_scatter(steady, Gauge(), system) == (None, "")
    scatter, words = hand_scatter(wild, Gauge(), system)
    assert scatter == (pytest.approx(math.sqrt((0.15**2 / 2) * 2 / 2)), 2)
    assert "scatter" in words
    _, budget = measure(wild[0], Gauge(), system, scatter=scatter)
    assert budget.dof == 2


def test_hand_from_repeats_needs_repeats() -> None:
    with pytest.raises(BittingError, match="no cut was read twice"):
        hand_scatter([cut(8.6)], Gauge(hand="repeats"), measuring(reading_sd=0.03))


@pytest.mark.parametrize("text", ["", "u", "50%", "100%", "0.4", "95 % sure", "-2u", "1e9u", "٩٥%"])
def test_a_guard_that_is_none(text: str) -> None:
    with pytest.raises(BittingError, match="is no guard"):
        Guard.parse(text)


lengths = st.floats(0.001, 0.2)


@given(off=st.floats(-0.4, 0.4), u=lengths, tolerance=lengths, p=st.floats(0.6, 0.999))
def test_verdicts_are_the_probabilities(off: float, u: float, tolerance: float, p: float) -> None:
    """`decide` beside scipy's normal distribution; too deep is positive."""
    inside = stats.norm.cdf(tolerance, off, u) - stats.norm.cdf(-tolerance, off, u)
    deep, shallow = stats.norm.sf(tolerance, off, u), stats.norm.cdf(-tolerance, off, u)
    if min(abs(x - p) for x in (inside, deep, shallow)) < 1e-9:
        return
    expected = "pass" if inside >= p else "fail" if deep >= p else "recut" if shallow >= p else "uncertain"
    assert decide(off, u, tolerance, Guard("probability", p)) == expected
    assert conformance(off, u, -tolerance, tolerance) == pytest.approx(inside, abs=1e-12)


@given(u=lengths, tolerance=lengths, p=st.floats(0.6, 0.999))
def test_the_window_is_where_it_passes(u: float, tolerance: float, p: float) -> None:
    guard = Guard("probability", p)
    half = acceptance(u, tolerance, guard)
    if u < largest_uncertainty(tolerance, guard) * (1 - 1e-9):
        assert half is not None
        assert decide(half * 0.999999, u, tolerance, guard) == "pass"
        assert decide(half + 1e-6 * tolerance, u, tolerance, guard) != "pass"
    elif u > largest_uncertainty(tolerance, guard) * (1 + 1e-9):
        assert half is None
        assert decide(0.0, u, tolerance, guard) != "pass"


def test_without_uncertainty_the_limits_themselves_decide() -> None:
    assert [decide(x, 0.0, 0.05, Guard()) for x in (0.05, -0.05, 0.06, -0.06)] == ["pass", "pass", "fail", "recut"]
    assert acceptance(0.0, 0.05, Guard()) == 0.05
