"""Numbers past 64 bits stay exact, and every answer of a code space agrees with the plain list of its codes."""

from __future__ import annotations

import random
from itertools import product

import numpy as np
import pytest

from bitting.diagram import code_space
from bitting.diagram.build import _distinct
from bitting.errors import BittingError
from tests.make import system, track


@pytest.mark.parametrize("cuts", range(58, 68))
def test_counts_ranks_and_codes_around_two_to_the_sixty_third(cuts: int) -> None:
    """Two depths and no rule: 2**n codes, and the number of a code is the code read as a binary number."""
    space = code_space(system(track(cuts=cuts, labels="12")))
    assert space.count == 2**cuts
    for rank in (0, 1, 2**cuts // 3, 2**cuts - 2, 2**cuts - 1):
        code = (tuple(int(bit) for bit in f"{rank:0{cuts}b}"),)
        assert space.unrank(rank) == code
        assert space.rank(code) == rank
    for rank in (-1, 2**cuts):
        with pytest.raises(BittingError, match=f"there are {2**cuts:,} codes, so there is no number {rank + 1:,}"):
            space.unrank(rank)


def test_two_tracks_multiply_past_64_bits() -> None:
    space = code_space(system(track("left", 40, "12"), track("right", 50, "12")))
    assert space.count == 2**90
    assert space.rank(space.unrank(2**90 - 5)) == 2**90 - 5
    assert space.unrank(2**50)[0] == (0,) * 39 + (1,)


@pytest.mark.parametrize(
    "sizes",
    [
        (2**21, 2**21, 2**21),
        (2**31, 2**31, 2**5),
        (3, 2**30, 2**30, 2**30),
        (2**61, 3),
        (2**60, 2**5),
        (2**33, 2**32),
        (1, 1),
    ],
)
def test_rows_are_told_apart_however_large_their_numbers(sizes: tuple[int, ...]) -> None:
    """Rows that a key of 64 bits would take for equal: they differ in the first column alone, or in the last."""
    draw = random.Random(1)
    rows = [tuple(draw.choice([0, 1, size - 1, size // 2]) % size for size in sizes) for _ in range(60)]
    rows += [tuple(0 for _ in sizes), (*(0 for _ in sizes[1:]), sizes[-1] - 1), (sizes[0] - 1, *(0 for _ in sizes[1:]))]
    columns = [np.array(column, np.int64) for column in zip(*rows, strict=True)]
    number, first = _distinct(columns, list(sizes), len(rows))
    assert len(first) == len(set(rows))
    for i, j in product(range(len(rows)), repeat=2):
        assert (number[i] == number[j]) == (rows[i] == rows[j])
    assert [rows[i] for i in first[number]] == rows


@pytest.mark.parametrize("start", [0, 1, 5, 16, 40])
def test_listing_from_any_place_is_the_rest_of_the_list(start: int) -> None:
    made = system(
        track("left", 3, "123"), track("right", 2, "12"), must=("on left, adjacent cuts differ by at most 1",)
    )
    space = code_space(made)
    every = list(space)
    assert (
        len(every) == 17 * 4 == space.count
    )  # OEIS A001333(4) = 17 words of 3 over 3 letters, neighbours at most 1 apart
    assert list(space.listing(start)) == every[start:]
    assert list(space.listing(start, 7)) == every[start : start + 7]
    assert [space.rank(code) for code in every] == list(range(len(every)))
    with pytest.raises(BittingError):
        space.listing(space.count)


def test_an_empty_space_has_nothing_to_list_or_draw() -> None:
    space = code_space(system(must=("first cut is one of 1", "cut 1 is not 1")))
    assert (space.count, list(space), list(space.listing())) == (0, [], [])
    with pytest.raises(BittingError, match="no legal code to draw"):
        space.sample(1, 1)
    assert not space.contains(((0, 0, 0, 0),))


def test_depths_outside_the_table_are_no_code() -> None:
    space = code_space(system(track(cuts=2, labels="12")))
    assert not space.contains(((0, 2),))
    assert not space.contains(((-1, 0),))
    with pytest.raises(BittingError, match="only a legal code has a number"):
        space.rank(((0, 2),))
