"""The deepest cuts of a code, against a look at every cut."""

from __future__ import annotations

import pytest

from bitting.deepest import deepest
from bitting.errors import BittingError
from bitting.notation import parse_code
from bitting.systemfile import load_system


def test_the_deepest_cuts_are_those_that_no_cut_is_deeper_than() -> None:
    answer = deepest(parse_code("left: 2133244 / right: 1124421", load_system("plover")))
    assert answer.depth == "4"
    assert [(cut.track, cut.cut) for cut in answer.cuts] == [("left", 6), ("left", 7), ("right", 4), ("right", 5)]


def test_an_open_cut_is_refused() -> None:
    with pytest.raises(BittingError, match="every cut is one known depth"):
        deepest(parse_code("left: 21332?4 / right: 1124421", load_system("plover")))
