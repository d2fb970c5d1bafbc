"""The deepest cuts of a code beside a plain look at what was typed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitting import BittingError, deepest, load_system, parse_code

PLOVER = load_system("plover")


@given(st.lists(st.sampled_from("1234"), min_size=14, max_size=14))
def test_deepest_cuts_are_those_of_the_largest_label(row: list[str]) -> None:
    left, right = row[:7], row[7:]
    answer = deepest(parse_code(f"left: {' '.join(left)} / right: {' '.join(right)}", PLOVER), PLOVER)
    for one, given_row in zip(answer.tracks, (left, right), strict=True):
        assert one.depth == max(given_row)
        assert [given_row[cut - 1] for cut in one.cuts] == [one.depth] * given_row.count(one.depth)
        assert one.dimension == PLOVER.tracks[0].depths[int(one.depth) - 1]


def test_an_open_cut_is_refused() -> None:
    with pytest.raises(BittingError, match="deepest cuts"):
        deepest(parse_code("left: 21?3134 / right: 1124421", PLOVER), PLOVER)
