"""Legality, findings and counts of systems drawn from the whole catalogue, beside a naive oracle that lists every code."""

from __future__ import annotations

import pytest
from hypothesis import given

from bitting.checking import check
from bitting.diagram import code_space
from bitting.model import code_of
from tests.conftest import drawn
from tests.make import any_system
from tests.oracle import broken, every_code

pytestmark = pytest.mark.thorough  # every code of a hundred systems


@drawn(60)
@given(any_system)
def test_findings_and_count_equal_brute_force(system):
    space = code_space(system)
    legal = []
    for code in every_code(system):
        wrong = {text for text in system.must if broken(text, system, code)}
        report = check(code_of(system, code), suggest=False)
        assert {f.sentence for f in report.findings} == wrong, code
        assert report.legal == (not wrong)
        assert space.contains(code) == report.legal
        if not wrong:
            legal.append(code)
    assert space.count == len(legal)
    order = [tuple(code[p.lane][p.cut] for p in space.places) for code in space]
    assert order == sorted(tuple(code[p.lane][p.cut] for p in space.places) for code in legal)


@drawn(60)
@given(any_system)
def test_rank_and_unrank_are_inverse(system):
    space = code_space(system)
    for rank, code in zip(range(200), space, strict=False):
        assert space.rank(code) == rank
        assert space.unrank(rank) == code
