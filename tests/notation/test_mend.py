"""What a code that isn't read certainly means; and that nothing is said where it could mean something else."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitting import load_system
from bitting.errors import NotationError
from bitting.notation import parse_code
from bitting.notation.mend import mended
from tests import strategies
from tests.conftest import drawn
from tests.make import system, track

PLOVER = load_system("plover")  # two tracks, both sides alike
GREBE = load_system("grebe")  # two edges that differ, one track each
SISKIN = load_system("siskin")  # two tracks, depths A to F
DUNLIN = load_system("dunlin")  # one edge, depths 0 to 9
SAME = "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"


@pytest.mark.parametrize(
    "text",
    [
        "2.1.3.3.2.4.4 / 1.1.2.4.4.2.1", "left: 2.1.3.3.2.4.4. right: 1.1.2.4.4.2.1.", "2133244 1124421.",
        "left:2:1:3:3:2:4:4 right:1:1:2:4:4:2:1", "2133244 | 1124421", "2|1|3|3|2|4|4 / 1|1|2|4|4|2|1",
        "2_1_3_3_2_4_4 / 1124421", "2133244 \\ 1124421", "2+1+3+3+2+4+4 / 1+1+2+4+4+2+1", "2133244 > 1124421",
        "left: 2133244- / right: 1124421", "left: -2133244 / right: 1124421", "left: 2--133244 / right: 1124421",
        "2133244 // 1124421", "2133244 / 1124421 /", "left: 2133244, / right: 1124421,",
        '"2133244 / 1124421"', "left: '2133244' right: '1124421'", "(2133244 / 1124421)", "left (2133244) right (1124421)",
        "<left 2133244> <right 1124421>", "{2133244} {1124421}", "code: 2133244 1124421", "the code is 2133244 1124421",
        "cuts = 2133244 / 1124421", "bitting 2133244 1124421", "key code: left 2133244 right 1124421",
        "top(left: 2133244 / right: 1124421", "left=2133244 right=1124421 bottom=top",
        "left 2133244 right 1124421 ok", "Hi, it is 2133244 1124421, thanks!", "my key: left 2133244 right 1124421",
        "left: 2133244 / rigt: 1124421", "lfet 2133244 rihgt 1124421", "Left; 2133244 Righ 1124421",
        "left: 2133244 / right: 11244Z1", "2l33244 / 1124421",
        "left-hand 2133244 right-hand 1124421", "left hand side 2133244, right hand side 1124421", "2133244;1124421",
        "left is 2133244 and right is 1124421", "left cuts 2133244 right cuts 1124421",
        "LEFT:2133244RIGHT:1124421", "left 2133244 then right 1124421", "track left 2133244 track right 1124421",
        "left side of key 2133244 right side of key 1124421", "left 2133244 right 1124421 please",
        "left 2-1-3-3-2-4-4 - right 1-1-2-4-4-2-1", "left 2-1-3-3-2-4-4 — right 1-1-2-4-4-2-1",
        "left 2-1-3-3-2-4-4 -- right 1-1-2-4-4-2-1", "left[2133244] right[1124421]", "L:2133244 R:1124421 (2 pcs)",
        "2133244 1124421 x2", "left 2133244 right 1124421, 2 off", "2/1/3/3/2/4/4 1/1/2/4/4/2/1",
        "bow to tip left 2133244 right 1124421",
        "Z133Z44 / 11Z44Z1", "2.1.3.3.2.4.4 rihgt 1124421",
    ],
)  # fmt: skip
def test_slips_of_the_pen_that_leave_one_meaning(text):
    with suppress(NotationError):
        assert not parse_code(text, PLOVER).well_formed, "it is read, and needs no mend"
    assert mended(text, PLOVER) == SAME


@pytest.mark.parametrize(
    ("made", "text", "meant"),
    [
        (DUNLIN, "O12345", "0 1 2 3 4 5"),
        (DUNLIN, "o123l5", "0 1 2 3 1 5"),
        (PLOVER, "left two one three three too four for right won one too for four two won", SAME),
        *(
            (PLOVER, f"left 2 1 {word} 3 2 4 4 right 1124421", SAME.replace("3", "?", 1))
            for word in ("blank", "dash", "-", "_", "*", "x", "X", "missing")
        ),
        (PLOVER, "left 21*3244 right 112_421", "left: 2 1 ? 3 2 4 4 / right: 1 1 2 ? 4 2 1"),
        (DUNLIN, "0.1.2.3.4.5", "0 1 2 3 4 5"),
        (DUNLIN, "tip 0 1 2 3 4 5 bow", "5 4 3 2 1 0"),
        (DUNLIN, "bow 012345 tip", "0 1 2 3 4 5"),
        (DUNLIN, "#012345", "0 1 2 3 4 5"),
        (DUNLIN, "012345?", "0 1 2 3 4 5"),
        (DUNLIN, "01234?", None),  # an open cut is one
        (PLOVER, "1131111 1122243?", "left: 1 1 3 1 1 1 1 / right: 1 1 2 2 2 4 3"),
        (DUNLIN, "0/1/2/3/4/5", "0 1 2 3 4 5"),
        (DUNLIN, "key: 012345", "0 1 2 3 4 5"),
        (DUNLIN, "total 012345", None),
        (DUNLIN, "01/23/45", None),
        (PLOVER, "213324/41124421", None),
        (PLOVER, "213324|41124421", None),
        (PLOVER, "2 1 3 3 2 4 / 4 1 1 2 4 4 2 1", None),
        (DUNLIN, "job 012345", None),
        (GREBE, "edge top 233123 edge bottom 454254", "top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 4"),
        (GREBE, "side top 233123 side bottom 454254", "top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 4"),
        (GREBE, "tpo 233123 botom 454254", "top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 4"),
        (GREBE, "top(233123) bottom(454254)", "top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 4"),
        (GREBE, "top(233123); bottom(454254", "top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 4"),
        (SISKIN, "F.E.D.C.B.A.A.B.C / A.B.C.D.E.F.F.E.D", "left: F E D C B A A B C / right: A B C D E F F E D"),
    ],
)
def test_mends_in_other_systems(made, text, meant):
    assert mended(text, made) == meant


@pytest.mark.parametrize(
    "text",
    [
        "2 1 3", "2133244", "left: 2133244", "K-4711", "n/a", "see job 4471", "",
        "[1-3]133244 / 1124421", "left: 213324 / right: 1124421", "middle: 2133244 / 1124421", "left: 2133244 / left: 1124421",
        "2.1 3.3 2.4 4 / 1.1 2.4 4.2 1", "left double 33 2244 right 1124421", "left: 2133x44 / right: 1124421",
        "2133244 1124421", "#", "½", "2133244 / 1124421 / 1124421",
    ],
)  # fmt: skip
def test_what_is_whole_or_might_mean_something_else_gets_no_mend(text):
    assert mended(text, PLOVER) is None


def test_readings_are_not_taken_for_cuts_with_points():
    assert mended("8.5 8.1 7.7", DUNLIN) is None


def test_a_depth_that_is_a_word_stays_a_depth():
    worded = system(track("only", 3, ["one", "two", "1"]))
    assert mended("one.two.1", worded) == "one two 1"


def test_a_fault_of_the_notation_carries_its_mend():
    with pytest.raises(NotationError) as caught:
        parse_code("2133244 | 1124421", PLOVER)
    assert caught.value.mending() == SAME
    with pytest.raises(NotationError) as caught:
        parse_code("left: 2133x / rigt: 1", PLOVER)
    assert caught.value.mending() is None


@drawn(100)
@given(st.sampled_from([PLOVER, GREBE, DUNLIN]).flatmap(lambda s: st.tuples(st.just(s), strategies.scraps())))
def test_a_mend_is_a_whole_code_written_the_plain_way(made_and_text):
    made, text = made_and_text
    meant = mended(text, made)
    if meant is not None:
        code = parse_code(meant, made)
        assert code.well_formed
        assert code.plain == meant
