"""The table of slips: its shares are held to published ones, its pairs of signs are pairs, and it says what it is used for."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from itertools import product
from pathlib import Path

import pytest

from bitting.repair import noise
from tests.make import track

PUBLISHED = tomllib.loads((Path(__file__).parents[1] / "reference" / "slips.toml").read_text())["share"]
DIGITS = "0123456789"


def rates(cuts: int) -> dict[str, float]:
    """How many slips of each published kind the table expects in a random decimal code: reckoned from the words of the table."""
    of = track(cuts=cuts, labels=DIGITS)
    chances = [noise.misreadings(of, sign)[place] for sign in DIGITS for place in range(10)]
    single = cuts * sum(chances) / 10
    apart, same, heard = 9 / 10, 1 / 10, 7 / 100
    each = {
        noise.SWAPPED: (cuts - 1) * apart,
        noise.ACROSS: (cuts - 2) * apart,
        noise.TWINS: (cuts - 1) * same * 9,
        noise.TEEN: (cuts - 1) * heard,
        noise.TENS: (cuts - 1) * heard,
        noise.DROPPED: cuts,
        noise.DOUBLED: cuts,
        noise.EXTRA: (cuts + 1) * 9,
    }
    found: dict[str, float] = defaultdict(float, single=single)
    for slip, instances in each.items():
        found[slip.published] += slip.probability * instances
    slips = {slip for slip in vars(noise).values() if isinstance(slip, noise.Slip)}
    assert {slip for slip in slips if slip.published not in ("", "single")} == each.keys()
    return found


@pytest.mark.parametrize("cuts", [5, 6, 7, 8, 10, 12])
def test_the_shares_of_the_kinds_are_the_published_ones(cuts: int) -> None:
    """J. Verhoeff, Error Detecting Decimal Codes, 1969, as quoted (tests/reference/slips.toml).

    Jump twins, at most 1 %, aren't tried.
    """
    found = rates(cuts)
    whole = sum(found.values())
    assert found.keys() | {"jump_twin"} == PUBLISHED.keys()
    for kind, (least, most) in PUBLISHED.items():
        share = 100 * found.get(kind, 0.0) / whole
        assert least <= share <= most, (kind, round(share, 2))


def test_every_single_error_is_thought_of() -> None:
    of = track(cuts=1, labels=DIGITS)
    for sign, label in product(DIGITS, DIGITS):
        assert (noise.misreadings(of, sign)[int(label)] > 0) == (sign != label)


def test_slips_of_the_ear_and_of_the_eye_are_ranked_together() -> None:
    """Common practice: five and nine, one and seven sound alike; 1 and 7 look alike too."""
    of = track(cuts=1, labels=DIGITS)
    heard = noise.misreadings(of, "9")
    assert heard[5] > heard[2] > 0
    assert noise.misreadings(of, "7")[1] > heard[5] > noise.ANY_OTHER.probability
    letters = track(cuts=1, labels="ABCDEFGHX")
    assert noise.misreadings(letters, "D")[letters.labels.index("B")] > noise.misreadings(letters, "D")[0]


def test_the_table_of_signs_is_of_pairs() -> None:
    for pair in (*noise.LOOKS, *noise.SOUNDS, *noise.STAND_INS):
        assert len(set(pair)) == 2
        assert pair == pair.upper()
    for table in (noise.LOOKS, noise.SOUNDS):
        assert len({frozenset(pair) for pair in table}) == len(table)


def test_rare_kinds_are_those_that_are_never_likely() -> None:
    slips = {slip for slip in vars(noise).values() if isinstance(slip, noise.Slip)}
    assert {slip for slip in slips if slip.probability < noise.LIKELY} == {*noise.RARE, noise.ANY_OTHER}
