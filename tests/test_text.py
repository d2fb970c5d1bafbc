"""Shares in per cent never say more than is known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitting.text import percent


@given(st.floats(min_value=0, max_value=1))
def test_a_share_is_rounded_down_and_none_or_all_only_where_it_is_that(share: float) -> None:
    shown = percent(share)
    assert (shown == "100 %") == (share == 1)
    assert (shown == "0.0 %") == (share == 0)
    assert ("<" in shown) == (0 < share < 0.001)
    if shown[0] != "<":
        assert float(shown.removesuffix(" %")) / 100 == pytest.approx(share, abs=0.001)
        assert float(shown.removesuffix(" %")) <= 100 * share * (1 + 1e-12)
