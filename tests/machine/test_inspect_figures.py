"""Figures that `inspect` is given and gives: lengths with and without a unit, guards, and how sure a pattern is."""

from __future__ import annotations

from math import sqrt

import pytest
from scipy import stats

from bitting.errors import BittingError
from bitting.machine.inspect.decision import Guard
from bitting.machine.inspect.pattern import Point, find
from bitting.notation.lengths import parse_length, parse_place
from tests.plan_systems import FOUR, VEE


@pytest.mark.parametrize(
    ("text", "mm", "inches"),
    [
        ("0.02", 0.02, 0.02),  # the system's own unit
        ("0,02", 0.02, 0.02),
        ("0.02 mm", 0.02, 0.02 / 25.4),
        ("1in", 25.4, 1.0),
        ("2 thou", 0.0508, 0.002),
    ],
)
def test_a_length_without_a_unit_is_in_the_systems(text: str, mm: float, inches: float) -> None:
    assert parse_length(text, FOUR) == pytest.approx(mm)
    assert parse_length(text, VEE) == pytest.approx(inches)


def test_a_place_and_its_limits_are_in_the_unit_behind_them() -> None:
    """Limits are half-widths: standard uncertainty a/√3 (GUM, JCGM 100:2008, 4.3.7)."""
    for text, system, value, sd in (
        ("4: 14.52±0.03", FOUR, 14.52, 0.03),
        ("4: 1 ± 0.001 in", FOUR, 25.4, 0.0254),
        ("4: 0.24", VEE, 0.24, None),
    ):
        found = parse_place(text, system)
        assert (found.cut, found.values) == (3, (pytest.approx(value),))
        assert found.sd == (None if sd is None else pytest.approx(sd / sqrt(3)))


def test_a_guard_is_a_probability_in_either_writing_or_a_band() -> None:
    assert Guard.parse("95%") == Guard.parse("0.95") == Guard.parse(" 95,0 % ") == Guard("probability", 0.95)
    assert Guard.parse("2u") == Guard("band", 2.0)
    for text in ("95", "0.95%", "0.5", "50%", "100%", "1"):
        with pytest.raises(BittingError, match="is no guard"):
            Guard.parse(text)


def test_how_sure_an_error_of_all_cuts_is_is_the_standard_error_of_their_mean() -> None:
    """Cuts that scatter more than their own uncertainty says: s/√n, with n - 1 degrees of freedom (textbook)."""
    values = [0.21, 0.18, 0.24, 0.19, 0.22, 0.17, 0.20]
    points = [Point(value, 0.001, 0.0, 0.0) for value in values]
    (pattern,) = find(points, 0.05)
    assert (pattern.kind, pattern.amount) == ("zero", pytest.approx(sum(values) / 7))
    assert pattern.sd == pytest.approx(stats.sem(values))
    calm = [Point(value, 0.1, 0.0, 0.0) for value in values]  # less than it says: their own uncertainty
    assert find(calm, 0.05)[0].sd == pytest.approx(0.1 / sqrt(7))


def test_an_error_that_grows_along_the_blade_has_the_slope_and_standard_error_of_a_straight_line() -> None:
    values = [-0.11, -0.06, -0.05, 0.01, 0.03, 0.08, 0.10]
    along = [i / 6 - 0.5 for i in range(7)]
    (pattern,) = find([Point(v, 0.001, x, 0.0) for v, x in zip(values, along, strict=True)], 0.05)
    slope = sum(v * x for v, x in zip(values, along, strict=True)) / sum(x * x for x in along)
    rest = sum((v - slope * x) ** 2 for v, x in zip(values, along, strict=True))
    assert (pattern.kind, pattern.amount) == ("tilt", pytest.approx(slope))
    assert pattern.sd == pytest.approx(sqrt(rest / 6 / sum(x * x for x in along)))
