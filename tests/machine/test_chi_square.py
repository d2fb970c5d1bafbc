"""The chi-square tail as a finite sum, held to scipy; and places named by tracks whose names have capitals."""

from __future__ import annotations

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from bitting import load_system
from bitting.machine.inspect.uncertainty import upper_tail
from bitting.notation.lengths import parse_place


@given(st.floats(0, 2000), st.integers(1, 400))
def test_the_tail_is_that_of_scipy(value: float, dof: int) -> None:
    assert upper_tail(value, dof) == pytest.approx(float(chi2.sf(value, dof)), rel=1e-9, abs=1e-300)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 5, 6, 9, 14, 21])
def test_the_tail_of_as_many_cuts_as_a_key_has_is_that_of_scipy(dof: int) -> None:
    """Around the mean, where no term is lost among others."""
    for value in (0.01, 0.3 * dof, dof, 2.0 * dof):
        assert upper_tail(value, dof) == pytest.approx(float(chi2.sf(value, dof)), rel=1e-9)


def test_a_track_may_be_named_in_any_case_and_a_whole_name_is_clear() -> None:
    system = load_system("plover")
    left, right = system.tracks
    named = evolve(system, tracks=(evolve(left, name="Out"), evolve(right, name="Outer")))
    assert parse_place("out 4: 14.52", named).track == "Out"
    assert parse_place("oute 4: 14.52", named).track == "Outer"
