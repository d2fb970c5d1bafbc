"""Codes: the notation sentence by sentence, resolving against systems, canonical form and round trips."""

from __future__ import annotations

import subprocess
import sys
from itertools import product

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st
from lark import Token

from bitting.errors import NotationError
from bitting.model import code_of
from bitting.model.code import Code
from bitting.notation import TABLE, normalise, parse_code, parse_tree
from bitting.notation.hints import depth_hint, look_alike, number_hint
from tests import strategies
from tests.conftest import drawn
from tests.make import system, track

LEFT, RIGHT = track("left", 3, "12345"), track("right", 3, "12345")
SINGLE = system(track("only", 4, "12345"))
PAIR = system(LEFT, RIGHT)
CONVENIENCE = system(LEFT, RIGHT, sides=("top", "bottom"), convenience=True)
SIDED = system(LEFT, RIGHT, sides=("top", "bottom"))
EDGES = system(track("edge", 3, "12345"), sides=("top", "bottom"))
LONG_LABELS = system(track("only", 3, ["a1", "a2", "b10"]))
MIXED = system(track("left", 3, "123"), track("right", 2, ["10", "11", "12"]))


def canonical(text, made=PAIR):
    return parse_code(text, made).canonical


SAME = "left: 2 1 3 / right: 1 1 2"


@pytest.mark.parametrize(
    "text",
    [
        "left: 2 1 3 / right: 1 1 2", "left: 213 / right: 112", "left:213/right:112", "213 / 112", "213112", "2 1 3 1 1 2",
        "21 31 12", "L: 213 / R: 112", "LEFT: 213 / rIgHt: 112", "right: 112 / left: 213", "le: 2-1-3 / ri: 1,1,2",
        "left: 2 - 1 - 3 / right: 1, 1 ,2", "left from bow: 213 / right from tip: 211", "from tip: 312 / from bow: 112",
        "from tip: 312211", "left FROM Tip: 312 / 112", ": 213 / : 112", "112 / left: 213",
        "left:\n213 # the first\n/ right # and\n: 112 # the second", "# x: y (z\n213112", "left: 2–1−3 / right:\u00a0112",
        "ｌｅｆｔ：２１３／ｒｉｇｈｔ：１１２", "\ufeffleft:\t213 / right: 1\u200b12", "2 1 3\r\n1 1 2", "[2] 1 3 1..1 [11] 2",
    ],
)  # fmt: skip
def test_ways_to_write_one_code(text):
    assert canonical(text) == SAME
    assert canonical(text, CONVENIENCE) == SAME
    assert str(parse_code(text, PAIR)) == SAME


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2?33", "2 ? 3 3"),
        ("2[13]33", "2 [1 3] 3 3"),
        ("[1 3]2..3 1", None),
        ("[31]2..4 1 1", "[1 3] [2 3 4] 1 1"),
        ("4..2 1 1 1", "[2 3 4] 1 1 1"),
        ("1..5 ? [12345] 2", "? ? ? 2"),
        ("[3 1 1] 1 1 1", "[1 3] 1 1 1"),
        ("2 .. 3 1 1 1", "[2 3] 1 1 1"),
        ("2-?-[12]-3", "2 ? [1 2] 3"),
        ("[1 2 3 4 5]111", "? 1 1 1"),
    ],
)
def test_open_cuts(text, expected):
    assert canonical(text, SINGLE) == expected


def test_a_range_end_is_one_label():
    cuts = parse_code("21..3 1 1 1", SINGLE).written[0].cuts
    assert [(cut.depths, cut.text, cut.span) for cut in cuts[:2]] == [((), "21..3", (0, 5)), ((0,), "1", (6, 7))]


@pytest.mark.parametrize(
    "text", ["both(213 / 112)", "BOTH(213112)", "top(213 / 112); bottom(213/112)", "top(213112); bottom = top",
             "b = T; top(left: 213 / right: 112)", "TOP(213112)", "top ( 213 / 112 ) ; bottom=top"],
)  # fmt: skip
def test_sides_of_a_convenience_key(text):
    code = parse_code(text, CONVENIENCE)
    assert code.canonical == SAME
    assert code.depths == ((1, 0, 2), (0, 0, 1))


def test_sides_that_differ_keep_their_wrappers_and_have_no_depths():
    code = parse_code("top(213112); bottom(213113)", CONVENIENCE)
    assert code.canonical == "top(left: 2 1 3 / right: 1 1 2); bottom(left: 2 1 3 / right: 1 1 3)"
    assert code.depths is None
    assert [(row.side, row.track) for row in code.lists(CONVENIENCE.lanes[0])] == [("top", "left"), ("bottom", "left")]


@pytest.mark.parametrize(
    "text",
    ["top(213 / 112); bottom(311 / 222)", "bottom(left: 311 / right: 222); top(213112)", "213/112/311/222", "213112311222",
     "from tip: 312211113222"],
)  # fmt: skip
def test_a_sided_code(text):
    code = parse_code(text, SIDED)
    assert code.canonical == "top(left: 2 1 3 / right: 1 1 2); bottom(left: 3 1 1 / right: 2 2 2)"
    assert code.depths == ((1, 0, 2), (0, 0, 1), (2, 0, 0), (1, 1, 1))


def test_a_sided_code_with_the_same_cuts_keeps_its_wrappers():
    same = "top(left: 2 1 3 / right: 1 1 2); bottom(left: 2 1 3 / right: 1 1 2)"
    assert canonical("both(213112)", SIDED) == canonical("bottom(213/112); top = bottom", SIDED) == same
    assert canonical("213 / 311", EDGES) == "top(2 1 3); bottom(3 1 1)"
    assert canonical("213311", EDGES) == "top(2 1 3); bottom(3 1 1)"


@pytest.mark.parametrize("text", ["213 / 112", "213", "left: 213 / right: 112", "21311231122", "213/112/311/222/111"])
def test_a_sided_code_without_its_sides_is_given_to_none(text):
    code = parse_code(text, SIDED)
    assert {(row.side, row.track) for row in code.written} == {(None, None)}
    assert code.canonical is None


def test_copies_follow_one_another():
    three = system(track("edge", 2), sides=("a", "b", "c"))
    assert canonical("a = b; b = c; c(12)", three) == "a(1 2); b(1 2); c(1 2)"


def lists(text, made):
    return [(row.side, row.track, "".join(cut.text for cut in row.cuts)) for row in parse_code(text, made).written]


THREE = system(track("a", 2), track("b", 2), track("c", 2))


@pytest.mark.parametrize(
    ("text", "made", "expected"),
    [
        ("21", SINGLE, [(None, "only", "21")]),
        ("213141", SINGLE, [(None, "only", "213141")]),
        ("only: 21", SINGLE, [(None, "only", "21")]),
        ("21 / 31", SINGLE, [(None, "only", "21"), (None, None, "31")]),
        ("21311", PAIR, [(None, None, "21311")]),
        ("left: 21", PAIR, [(None, "left", "21")]),
        ("213 / 1 / 12", PAIR, [(None, "left", "213"), (None, "right", "1"), (None, None, "12")]),
        ("12 / b: 11 / 22", THREE, [(None, "a", "12"), (None, "b", "11"), (None, "c", "22")]),
        ("12 / b: 11", THREE, [(None, "a", "12"), (None, "b", "11")]),
        ("12 / 11", THREE, [(None, None, "12"), (None, None, "11")]),
        ("b: 11 / 1222", THREE, [(None, "b", "11"), (None, "a", "12"), (None, "c", "22")]),
        ("213 10 11", MIXED, [(None, "left", "213"), (None, "right", "1011")]),
        ("top(21)", CONVENIENCE, [("top", None, "21")]),
    ],
)  # fmt: skip
def test_lists_are_given_to_tracks(text, made, expected):
    assert lists(text, made) == expected


def test_a_list_read_from_the_tip_is_turned_with_its_spans():
    code = parse_code("left from tip: 312 / right: 112", PAIR)
    assert [(cut.text, cut.span) for cut in code.written[0].cuts] == [("2", (17, 18)), ("1", (16, 17)), ("3", (15, 16))]
    assert code.written[0].span == (15, 18)


def test_unknown_depths_are_kept_and_break_the_canonical_form_only():
    code = parse_code("left: 2O3 / right: 1 [19] A", PAIR)
    assert code.canonical is None
    assert str(code) == "left: 2O3 / right: 1 [19] A"
    assert [cut.depths for row in code.written for cut in row.cuts] == [(1,), (), (2,), (0,), (), ()]
    assert code.written[1].cuts[1].text == "[19]"


def test_depth_labels_keep_their_case_where_two_differ_by_it():
    both = system(track("only", 3, ["a1", "A1", "b10"]))
    assert [cut.depths for cut in parse_code("a1 A1 B10", both).written[0].cuts] == [(0,), (1,), ()]
    assert (
        canonical("a1 A1 B10", LONG_LABELS) == "a1 a1 b10"
    )  # where no two labels differ by case only, it can't mislead


def test_labels_of_several_characters():
    assert canonical("a1, [a1 b10] - a1..a2", LONG_LABELS) == "a1 [a1 b10] [a1 a2]"
    assert lists("a1a2 b10", LONG_LABELS) == [(None, "only", "a1a2b10")]
    assert [cut.depths for cut in parse_code("a1a2 b10", LONG_LABELS).written[0].cuts] == [(), (2,)]


def test_words_are_names_only_where_names_stand():
    odd = system(track("left", 4, ["from", "tip", "bow", "both"]), sides=("top", "bottom"), convenience=True)
    assert canonical("from tip bow both", odd) == "from tip bow both"
    assert canonical("left from tip: both bow tip from", odd) == "from tip bow both"
    assert canonical("both(from tip bow both)", odd) == "from tip bow both"
    digits = system(track("1", 2), track("2", 2))
    assert canonical("2: 12 / 1: 33", digits) == "1: 3 3 / 2: 1 2"


def test_an_exact_name_beats_longer_ones():
    made = system(track("left", 2), track("leftmost", 2))
    assert canonical("leftm: 11 / left: 22", made) == "left: 2 2 / leftmost: 1 1"


APART = "separate the cuts with blanks: this system has depths of more than one character"
TWICE = "write each side once"
NO_NAME = "'from' can't be a name; write from bow: or from tip: where the cuts are counted from there"


@pytest.mark.parametrize(
    ("text", "made", "span", "message", "hint"),
    [
        ("lfet: 213", PAIR, (0, 4), "there is no track 'lfet'", "did you mean left? the tracks are left, right"),
        ("zz: 213", PAIR, (0, 2), "there is no track 'zz'", "the tracks are left, right"),
        ("x: 213", SINGLE, (0, 1), "there is no track 'x'", "the only track is only"),
        ("le: 1", system(track("left"), track("leg")), (0, 2), "'le' may be left or leg", "write more of the name"),
        ("left: 1 / LE: 2", PAIR, (10, 12), "left is given twice", "write each track once: left: … / right: …"),
        ("top: 213", PAIR, (0, 3), "there is no track 'top'", "the tracks are left, right"),
        ("left(213)", CONVENIENCE, (0, 4), "there is no side 'left'", "left is a track: write left: …"),
        (
            "left(213)",
            PAIR,
            (0, 4),
            "there is no side 'left': the system dabchick has no sides",
            "left is a track: write left: …",
        ),
        (
            "both(213)",
            PAIR,
            (0, 4),
            "there is no side 'both': the system dabchick has no sides",
            "leave out the name and its round brackets",
        ),
        ("topp(213)", CONVENIENCE, (0, 4), "there is no side 'topp'", "did you mean top? the sides are top, bottom"),
        ("top(1); T(2)", CONVENIENCE, (8, 9), "the side top is given twice", TWICE),
        ("both(1); top(2)", CONVENIENCE, (9, 12), "the side top is given twice", TWICE),
        (
            "top = bottom",
            SIDED,
            (6, 12),
            "the side bottom has no cuts of its own to take over",
            "write the cuts of bottom out",
        ),
        ("top = top", SIDED, (6, 9), "the side top has no cuts of its own to take over", "write the cuts of top out"),
        (
            "top = b; b = top",
            SIDED,
            (6, 7),
            "the side top has no cuts of its own to take over",
            "write the cuts of top out",
        ),
        ("from: 213", PAIR, (0, 4), "there is no track 'from'", NO_NAME),
        ("a1[a2 b10]a1", LONG_LABELS, (0, 10), "'a1[a2 b10]' runs cuts together", APART),
        ("a1?", LONG_LABELS, (0, 3), "'a1?' runs cuts together", APART),
    ],
)
def test_names_that_cannot_be_resolved(text, made, span, message, hint):
    with pytest.raises(NotationError) as caught:
        parse_code(text, made)
    fault = caught.value
    assert (fault.message, fault.hint, fault.span, fault.text) == (message, hint, span, text)


def test_both_is_a_keyword_only_when_whole():
    assert lists("bot(213112)", CONVENIENCE)[0][0] == "bottom"


# ---- the tree -----------------------------------------------------------------------------------------------------


def test_the_tree_has_the_span_of_every_node():
    text = "top(left: 21[34] / 1..3); bottom = top"
    tree = parse_tree(text)
    found = [(str(node.data), text[node.meta.start_pos : node.meta.end_pos]) for node in tree.iter_subtrees_topdown()]
    assert found == [
        ("text", text), ("sides", text), ("side", "top(left: 21[34] / 1..3)"), ("tracks", "left: 21[34] / 1..3"),
        ("track", "left: 21[34]"), ("row", "21[34]"), ("exact", "21"), ("one_of", "[34]"),
        ("track", "1..3"), ("row", "1..3"), ("range", "1..3"), ("copy", "bottom = top"),
    ]  # fmt: skip


@given(text=strategies.scraps())
def test_tokens_are_where_they_say(text):
    try:
        tree = parse_tree(text)
    except NotationError:
        return
    for token in tree.scan_values(lambda value: isinstance(value, Token)):
        assert normalise(text)[token.start_pos : token.end_pos] == token


# ---- characters ---------------------------------------------------------------------------------------------------


def test_normalising_keeps_positions_and_changes_nothing_unlisted():
    for code in range(0x110000):
        assert len(normalise(chr(code))) == 1
        assert code in TABLE or normalise(chr(code)) == chr(code)
    assert set(TABLE.values()) <= {chr(code) for code in range(0x20, 0x7F)} | {"\n"}
    assert not any(0x20 <= code < 0x7F for code in TABLE)


@pytest.mark.parametrize("dash", "-‐‑‒–—―−⁃﹘﹣－")
def test_dashes(dash):
    assert canonical(f"left: 2{dash}1 {dash} 3 / 112") == SAME


# Unicode white space (property White_Space, https://www.unicode.org/Public/UCD/latest/ucd/PropList.txt) and blanks of no width
BLANKS = [
    *"\t\n\v\f\r \x85\xa0\u1680\u2028\u2029\u202f\u205f\u3000",
    *map(chr, range(0x2000, 0x200E)),
    "\u2060",
    "\ufeff",
]


@pytest.mark.parametrize("blank", BLANKS, ids=ascii)
def test_blanks(blank):
    assert canonical(f"{blank}left:{blank}2{blank}13 /{blank}{blank}112{blank}") == SAME
    assert canonical(f"a1{blank}a2{blank}b10", LONG_LABELS) == "a1 a2 b10"


# ---- canonical form -----------------------------------------------------------------------------------------------


def shape(code: Code):
    return [(row.side, row.track, [cut.depths for cut in row.cuts]) for row in code.written]


@drawn(150)
@given(data=st.data())
def test_reading_a_canonical_form_gives_the_code_back(data):
    made = data.draw(strategies.systems())
    code = data.draw(strategies.codes(made))
    text = code.canonical
    again = parse_code(text, made)
    assert again.canonical == text
    assert str(again) == text
    assert again.depths == code.depths
    if code.written[0].side == again.written[0].side:
        assert shape(again) == shape(code)
    for row in again.written:
        for cut in row.cuts:
            assert text[slice(*cut.span)] == cut.text


@drawn(100)
@given(data=st.data())
def test_code_of_is_the_code_of_its_depths(data):
    made = data.draw(strategies.systems())
    rows = [
        data.draw(st.lists(st.integers(0, len(lane.track.labels) - 1), min_size=lane.track.cuts, max_size=lane.track.cuts))
        for lane in made.lanes
    ]  # fmt: skip
    code = code_of(made, rows)
    assert code.well_formed
    assert code.depths == tuple(map(tuple, rows))
    assert parse_code(code.canonical, made).depths == code.depths


@drawn(150)
@given(data=st.data(), text=strategies.scraps())
def test_any_text_is_a_code_or_a_fault(data, text):
    made = data.draw(st.sampled_from([SINGLE, PAIR, CONVENIENCE, SIDED, EDGES, LONG_LABELS, MIXED]))
    fault = strategies.fault_of(parse_code, text, made)
    if fault is not None:
        assert 0 <= fault.span[0] <= fault.span[1] <= len(text)
        assert fault.text == text
        return
    code = parse_code(text, made)
    assert code.written
    for row in code.written:
        for cut in row.cuts:
            assert text[slice(*cut.span)] == cut.text or len(cut.text) == 1
    if code.canonical is not None:
        assert parse_code(code.canonical, made).canonical == code.canonical


def test_well_formed_wants_every_list_once():
    whole = parse_code(SAME, PAIR)
    assert whole.well_formed
    assert not evolve(whole, written=whole.written[:1]).well_formed
    assert not evolve(whole, written=whole.written * 2).well_formed
    assert not evolve(whole, written=()).well_formed
    assert not parse_code("top(213112); bottom(213)", CONVENIENCE).well_formed
    assert not parse_code("top(213112)", SIDED).well_formed
    assert parse_code("top(213112)", CONVENIENCE).well_formed
    assert parse_code("? ? ? ? ? ?", PAIR).well_formed


def test_every_small_code_survives():
    made = system(track("a", 2, "12"), track("b", 1, "12"))
    seen = set()
    for places in product(range(2), repeat=3):
        code = code_of(made, (places[:2], places[2:]))
        assert parse_code("".join("12"[place] for place in places), made).canonical == code.canonical
        seen.add(code.canonical)
    assert len(seen) == 8


# ---- hints --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("label", "labels", "meant"),
    [("O", "0123", "0"), ("l", "123", "1"), ("I", "123", "1"), ("0", "NOPQ", None), ("S", "12345", "5"), ("A", "123", None),
     ("O", "123", None)],
)  # fmt: skip
def test_look_alikes(label, labels, meant):
    assert look_alike(label, tuple(labels)) == meant


@pytest.mark.parametrize(
    ("text", "labels", "start"),
    [
        ("O", "012", "did you mean the digit 0 instead of the letter O?"),
        ("[1l]", "023", "the depths"),
        ("[2l]", "12", "did you mean the digit 1 instead of the letter l?"),
        ("a", "ABC", "did you mean A? depths are written as in the system file"),
        ("21..3", "123", "range ends are single depths: separate 21"),
        ("9", "123", "the depths of left are 1 2 3"),
    ],
)
def test_hints_for_unknown_depths(text, labels, start):
    assert depth_hint(text, track("left", 3, labels)).startswith(start)


@pytest.mark.parametrize(
    ("text", "looks"),
    [("A1234", True), ("kx 7731", True), ("9904", True), ("2133144", False), ("213314411244212", False), ("2 1 3", False),
     ("left: A1234", False), ("21331441124421", False)],
)  # fmt: skip
def test_code_numbers_are_told_from_cuts(text, looks):
    long = system(track("left", 7, "12345"), track("right", 7, "12345"))
    hint = number_hint(parse_code(text, long))
    assert (hint is not None) == looks
    assert hint is None or "14 cuts" in hint


# ---- what a check may cost ----------------------------------------------------------------------------------------


def test_reading_a_code_builds_no_readings_and_loads_no_slips():
    script = (
        "import sys; from bitting.notation import parse_code; from bitting.notation.tree import parser;"
        "from tests.make import system; parse_code('1 2 3 4', system());"
        "assert parser.cache_info().currsize == 1;"
        "print([m for m in ('mend', 'readings', 'hints') if 'bitting.notation.' + m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
