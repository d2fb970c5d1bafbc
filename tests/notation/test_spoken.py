"""Codes as people say, type and paste them: each way gives the code meant, and no text that was read before changes."""

from __future__ import annotations

import re

import pytest
from attrs import evolve
from hypothesis import event, given
from hypothesis import strategies as st

from bitting import load_system
from bitting.errors import BittingError, NotationError
from bitting.model import Code, System
from bitting.notation import parse_code, parse_readings
from bitting.notation.spoken import lists_of
from tests import strategies
from tests.conftest import drawn
from tests.frozen import notation as frozen
from tests.make import system, track

PLOVER = load_system("plover")  # two tracks, both sides alike
GREBE = load_system("grebe")  # two edges that differ, one track each
SISKIN = load_system("siskin")  # two tracks, depths A to F
DUNLIN = load_system("dunlin")  # one edge, depths 0 to 9
SIDED = system(track("left", 3, "12345"), track("right", 3, "12345"), sides=("top", "bottom"))

SAME = "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"
WAYS = [
    "L:2133244 R:1124421", "left 2133244 right 1124421", "L 2133244 / R 1124421", "LEFT 2133244, RIGHT 1124421",
    "l2133244 r1124421", "right 1124421 left 2133244", "lh 2133244 rh 1124421", "LH: 2133244 RH: 1124421",
    "left side 2133244 right side 1124421", "left 2133244\nright 1124421", "left = 2133244, right = 1124421",
    "left 2 1 double 3 2 double 4 / right double 1 2 double 4 2 1", "left=2133244 right=1124421",
    "left 2133 244 right 112 4421", "Left: 2133244; Right: 1124421", "left 2133244 / 1124421",
    "left: 2133244 right: 1124421", "left-2133244 right-1124421", "left - 2133244 / right - 1124421",
    "left from bow 2133244 right from tip 1244211", "left from the bow 2133244, right from the tip 1244211",
    "from tip 4423312 1244211", "left tip to bow 4423312 right bow to tip 1124421",
    "left from the tip to the bow: 4423312 / right: bow-to-tip 1124421",
    "left: from tip 4423312 / right: 1124421", "top left 2133244 right 1124421", "top: left 2133244 right 1124421",
    "top(left 2133244 right 1124421); bottom = top", "top(left 2133244 right 1124421)", "le 2133244 ri 1124421",
    "left 2-1-3-3-2-4-4 right 1-1-2-4-4-2-1", "left 2,1,3,3,2,4,4, right 1,1,2,4,4,2,1",
    "left 2133244 and right 1124421", "left 2133244 # from the bow\nright 1124421", "both: left 2133244 right 1124421",
    "left side: 2133244 / right side: 1124421", "both sides left 2133244 right 1124421",
    "left track 2133244 right track 1124421",
    "Left2133244 Right1124421", "LHS 2133244 RHS 1124421", "left: 2133244\r\nright: 1124421\r\n", "L-2133244 R-1124421",
    "left 2133244 & right 1124421", "left\u00a02133244\u2003right\u00a01124421",
    "ｌｅｆｔ ２１３３２４４ ｒｉｇｈｔ １１２４４２１",
    "L 2 1 3 3 2 4 4, R 1 1 2 4 4 2 1", "L=2133244;R=1124421",
    "left 2133-244 right 1124-421", "2133 2441 1244 21", "left 2133244 r 1124421",
    "right: 1124421\nleft: 2133244", "left:\n2133244\nright:\n1124421",
    "left\t2133244\tright\t1124421", "left  : 2133244 /right :1124421", "21332441124421",
    "top left: 2133244 / top right: 1124421", "top 2133244 1124421",
    "two one three three two four four / one one two four four two one", "2133244 and 1124421", "l2133244r1124421",
    "left two one three three two four four right 1124421", "Two-One-Three-Three-Two-Four-Four / 1124421",
    "left 4423312 from tip / right 1244211 from tip", "left 4423312 (from tip) right 1244211 (from the tip)",
    "left (from tip) 4423312 / right (from bow) 1124421", "left: 4 4 2 3 3 1 2 (tip to bow), right: 1124421 (from bow)",
    "4423312 (from tip) / 1244211 (from tip)", "Lima 2133244 Romeo 1124421",
    "lima two one three three two four four romeo: 1124421",
    "left: left 2133244 / right: R1124421", "left: L: 2133244 / right: right from tip: 1244211",
    "two one double three two double four and double one two double four two one",
]  # fmt: skip


@pytest.mark.parametrize("text", WAYS)
def test_ways_to_say_one_code_of_two_tracks(text):
    code = parse_code(text, PLOVER)
    assert code.canonical == SAME
    assert code.text == text
    assert parse_code(code.plain, PLOVER).canonical == SAME


@pytest.mark.parametrize(
    ("made", "text", "canonical"),
    [
        (GREBE, "top: 233123 / bottom: 454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "top 233123 bottom 454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "Top 233123, Bottom 454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "t233123 b454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "bottom = 454254; top = 233123", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "top edge 233123 bottom edge 454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "top(edge: top 233123); bottom(edge: bottom: 454254)", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "bottom 454254, top the same", "top(4 5 4 2 5 4); bottom(4 5 4 2 5 4)"),
        (GREBE, "top from tip: 321332 / bottom: same as top", "top(2 3 3 1 2 3); bottom(2 3 3 1 2 3)"),
        (PLOVER, "L 2133244 R same", "left: 2 1 3 3 2 4 4 / right: 2 1 3 3 2 4 4"),
        (PLOVER, "left double 1 22 333, right same as the left", "left: 1 1 2 2 3 3 3 / right: 1 1 2 2 3 3 3"),
        (SISKIN, "left fox fox F DDD CCC right same", "left: F F F D D D C C C / right: F F F D D D C C C"),
        (GREBE, "bottom 454254\ntop 233123", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "upper 233123 lower 454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "t233123b454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (GREBE, "2-3-3-1-2-3 and 4-5-4-2-5-4", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (DUNLIN, "oh one two niner four five", "0 1 2 9 4 5"),
        (DUNLIN, "tree fower fife ait niner six", "3 4 5 8 9 6"),  # as radio telephony says them: from memory
        (DUNLIN, "0 one two 3 four five", "0 1 2 3 4 5"),
        (DUNLIN, "012345 from tip", "5 4 3 2 1 0"),
        (DUNLIN, "0 1 2 3 4 5, from the tip", "5 4 3 2 1 0"),
        (DUNLIN, "012345 (from tip)", "5 4 3 2 1 0"),
        (DUNLIN, "(tip to bow) 012345", "5 4 3 2 1 0"),
        (DUNLIN, "tip to bow 012345", "5 4 3 2 1 0"),
        (DUNLIN, "012345, tip to bow", "5 4 3 2 1 0"),
        (DUNLIN, "bow to tip: 012345", "0 1 2 3 4 5"),
        (GREBE, "top tip to bow 321332 bottom tip to bow 452454", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (DUNLIN, "0 1 2 3 4 5 from bow", "0 1 2 3 4 5"),
        (SISKIN, "foxtrot Echo delta charlie bravo alfa ALPHA b c / right a b charlie d e f f echo d",
         "left: F E D C B A A B C / right: A B C D E F F E D"),
        (GREBE, "tango 233123 bravo 454254", "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
        (SISKIN, "lima fedcbaabc romeo a bravo cdeffed", "left: F E D C B A A B C / right: A B C D E F F E D"),
        (GREBE, "both 233123", "top(2 3 3 1 2 3); bottom(2 3 3 1 2 3)"),
        (SIDED, "top left: 213 / top right: 112 / bottom left: 311 / bottom right: 222",
         "top(left: 2 1 3 / right: 1 1 2); bottom(left: 3 1 1 / right: 2 2 2)"),
        (SIDED, "top left 213 right 112 bottom left 311 right 222",
         "top(left: 2 1 3 / right: 1 1 2); bottom(left: 3 1 1 / right: 2 2 2)"),
        (SIDED, "top 213 112 / bottom 311 / 222", "top(left: 2 1 3 / right: 1 1 2); bottom(left: 3 1 1 / right: 2 2 2)"),
        (SISKIN, "left fedcbaabc right abcdeffed", "left: F E D C B A A B C / right: A B C D E F F E D"),
        (SISKIN, "left: f e d c b a a b c / right: a b c d e f f e d", "left: F E D C B A A B C / right: A B C D E F F E D"),
        (SISKIN, "lfedcbaabc rABCDEFFED", "left: F E D C B A A B C / right: A B C D E F F E D"),
        (SISKIN, "fedcbaabcabcdeffed", "left: F E D C B A A B C / right: A B C D E F F E D"),
        (SISKIN, "left [a b] c..f dddddd ? right abcdeffed", "left: [B A] [F E D C] D D D D D D ? / right: A B C D E F F E D"),
    ],
)  # fmt: skip
def test_sides_and_letters(made, text, canonical):
    code = parse_code(text, made)
    assert code.canonical == canonical
    assert parse_code(code.plain, made).canonical == canonical


def test_every_cut_keeps_its_place_in_the_text():
    text = "right double 1 24421, l2133244"
    code = parse_code(text, PLOVER)
    for row in code.written:
        for cut in row.cuts:
            assert text[slice(*cut.span)] == cut.text
    assert [cut.span for cut in code.written[0].cuts[:3]] == [(13, 14), (13, 14), (15, 16)]


LETTERED = system(track("left", 3, ["1", "2", "3", "L", "R"]), track("right", 3, ["1", "2", "3", "L", "R"]))
DOUBLES = system(track("only", 4, ["double", "3"]))
HALVES = system(track("left", 3, "123"), track("leftmost", 3, "123"))
UPPER = system(track("left", 3, "123"), track("right", 3, "123"), sides=("lower", "upper"))


@pytest.mark.parametrize(
    ("made", "text", "parts"),
    [
        (LETTERED, "L 213 / R 112", ["left: 2 1 3 / right: 1 1 2", "the 8 cuts L 2 1 3 / R 1 1 2"]),
        (LETTERED, "l213 r112", ["left: 2 1 3 / right: 1 1 2", "the 8 cuts"]),
        (PLOVER, "left double 33 2244 right 1124421", ["3 3 3 or 3 3 3 3"]),
        (UPPER, "l 213 r 112", ["the track left or the side lower"]),
        (HALVES, "le 213 leftm 112", ["left or leftmost"]),
    ],
)
def test_what_may_mean_two_things_is_refused_with_both(made, text, parts):
    with pytest.raises(NotationError) as caught:
        parse_code(text, made)
    assert caught.value.hint
    for part in parts:
        assert part in caught.value.message


def test_depths_of_the_system_are_never_taken_for_words():
    assert parse_code("LRL RLR", LETTERED).canonical == "left: L R L / right: R L R"
    assert parse_code("double 3 3 double", DOUBLES).canonical == "double 3 3 double"
    assert parse_code("double 3 3", DOUBLES).canonical is None
    echo = system(track("only", 4, ["E", "C", "H", "O"]))
    assert parse_code("echo", echo).canonical == "E C H O"
    words = system(track("only", 3, ["one", "two", "1"]))
    assert parse_code("one two 1", words).canonical == "one two 1"
    named = system(track("one", 3, "123"), track("two", 3, "123"))
    assert parse_code("one 213 two 112", named).canonical == "one: 2 1 3 / two: 1 1 2"
    cases = system(track("only", 3, ["a", "A", "b"]))
    assert parse_code("aAb", cases).canonical == "a A b"
    assert parse_code("aAB", cases).canonical is None


def test_from_tip_said_once_before_the_names_is_told_how_to_be_said():
    with pytest.raises(NotationError) as caught:
        parse_code("from tip: left 2133244 right 1124421", PLOVER)
    assert caught.value.hint == "say it of each list: left from tip: … / right from tip: …"


@pytest.mark.parametrize(
    "text",
    [
        "from tip: 2133244 / 1124421",
        "from tip: 2133244 and 1124421",
        "2133244 / from tip: 1124421",
        "from tip 2133244 right 1124421",
        "from tip 2133244 / 1124421",
        "2133244 1124421 from the tip",
        "left 2133244 right 1124421 from tip",
        "2133244 / 1124421, tip to bow",
    ],
)
def test_an_end_said_of_one_of_two_lists_without_names_is_not_taken_for_that_one_alone(text):
    with pytest.raises(NotationError, match="from the tip") as caught:
        parse_code(text, PLOVER)
    that, every = "left from bow: … / right from tip: … if that one alone is", "left from tip: … / right from tip: …"
    if not text.startswith("21"):
        that = "left from tip: … / right from bow: … if that one alone is"
    assert caught.value.hint in (f"say it of each list: {every}", f"say it of each list: {that}, {every} if all are")
    values = re.sub("[1-4]", lambda depth: f"{9 - int(depth[0])} ", text)
    with pytest.raises(NotationError, match="from the tip"):
        parse_readings(values, PLOVER)
    assert parse_code("left from tip: 4423312 / right: 1124421", PLOVER).canonical == SAME
    assert parse_code("from tip: 4423312 / from tip: 1244211", PLOVER).canonical == SAME


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("left 2133244 right", "nothing stands behind 'right'"),
        ("left 2133244 left 1124421", "left is given twice"),
        ("left: 2133244 rihgt: 1124421", "there is no track 'rihgt'"),
        ("left 2133244 right 1--2", "two separators stand in a row"),
        ("left 2133244, top right 1124421", "which side is this list of?"),
    ],
)
def test_faults_of_what_is_said_stand_at_their_place(text, message):
    with pytest.raises(NotationError) as caught:
        parse_code(text, PLOVER)
    assert caught.value.message == message
    assert caught.value.text == text
    assert text[slice(*caught.value.span)].strip()


@pytest.mark.parametrize("text", ["2133244 112442l", "left: 2l33244 / right: 1124421", "left 2133244 right 11244r1"])
def test_one_wrong_letter_among_cuts_is_no_name(text):
    code = parse_code(text, PLOVER)
    assert sum(not cut.depths for row in code.written for cut in row.cuts) == 1


def test_a_missing_cut_is_told_of_the_track_that_was_named():
    code = parse_code("left 213324 right 1124421", PLOVER)
    assert [(row.track, len(row.cuts)) for row in code.written] == [("left", 6), ("right", 7)]


# ---- with a lock ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["left: 21332 / right: 11244", "left 21332 right 11244", "21332 11244", "L21332 R11244", "2133211244"]
)
def test_the_cuts_of_one_lock_alone(text):
    assert parse_code(text, PLOVER, lock="door").canonical == "left: 2 1 3 3 2 ? ? / right: 1 1 2 4 4 ? ?"
    assert parse_code(text, PLOVER, lock="steering").canonical == "left: ? ? 2 1 3 3 2 / right: ? ? 1 1 2 4 4"
    assert parse_code(text, PLOVER).canonical is None


def test_with_a_lock_a_whole_code_stays_whole_and_others_stay_wrong():
    assert parse_code("left: 2133244 / right: 1124421", PLOVER, lock="door").canonical == SAME
    assert parse_code("left: 213324 / right: 1124421", PLOVER, lock="door").canonical is None
    with pytest.raises(BittingError, match="no lock 'dor'"):
        parse_code("left: 21332 / right: 11244", PLOVER, lock="dor")


# ---- readings -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["left 2.1 2.2 2.3 right 2.4 2.5 2.6 mm", "L 2.1 2.2 2.3 / R 2.4 2.5 2.6", "left: 2.1 2.2 2.3 right: 2.4 2.5 2.6",
     "right = 2.4 2.5 2.6, left = 2.1 2.2 2.3", "left 2.1, 2.2, 2.3\nright 2.4, 2.5, 2.6", "lh 2.1 2.2 2.3 rh 2.4 2.5 2.6"],
)  # fmt: skip
def test_readings_are_said_the_same_way(text):
    made = system(track("left", 3, "123", first=2.0, step=0.3), track("right", 3, "123", first=2.0, step=0.3))
    plain = parse_readings("left: 2.1 2.2 2.3 / right: 2.4 2.5 2.6", made)
    found = parse_readings(text, made)
    values = {(cut.track, cut.cut): [reading.value for reading in cut.readings] for cut in found.cuts}
    assert values == {(cut.track, cut.cut): [reading.value for reading in cut.readings] for cut in plain.cuts}


# ---- lines ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "codes"),
    [
        (["left 2133244", "right 1124421"], ["left 2133244\nright 1124421"]),
        (["left 2133244", "right 1124421", "left 1", "right 2"], ["left 2133244\nright 1124421", "left 1\nright 2"]),
        (["left: 2133244", "left: 1124421"], ["left: 2133244", "left: 1124421"]),
        (["2133244 1124421", "2133244 1124422"], ["2133244 1124421", "2133244 1124422"]),
        (["left 2133244", "1124421"], ["left 2133244", "1124421"]),
        (["left 1 right 2", "left 1", "right 2"], ["left 1 right 2", "left 1\nright 2"]),
        (["left: 8.15", "right: 8.60", "left: 8.14"], ["left: 8.15\nright: 8.60", "left: 8.14"]),
        (["left: 8.15", "right: 8.60 mm", "across: 5.1"], ["left: 8.15\nright: 8.60 mm\nacross: 5.1"]),
        (["left 1 right 2", "across: 5.1"], ["left 1 right 2", "across: 5.1"]),
        (["left 1", "right 2", "left: 8.1", "right: 8.6"], ["left 1\nright 2", "left: 8.1\nright: 8.6"]),
        ([], []),
    ],
)
def test_lines_that_name_other_tracks_are_one_text(lines, codes):
    numbers = [sum(one.count("\n") + 1 for one in codes[:at]) for at in range(len(codes))]
    assert list(lists_of(enumerate(lines), PLOVER)) == list(zip(numbers, codes, strict=True))


# ---- nothing is read otherwise than before --------------------------------------------------------------------------

NAMES = ("left", "right", "L", "a", "Rim", "double", "lh")


@st.composite
def awkward_systems(draw: st.DrawFn) -> System:
    """Systems whose depths look like names and the other words people use."""
    names = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=3, unique_by=str.casefold))
    pool = draw(
        st.sampled_from([list("12lLrRaA"), list("123"), ["double", "3", "left", "l", "a", "side"], list("LRab")])
    )
    made = []
    for name in names:
        labels = draw(st.lists(st.sampled_from(pool), min_size=2, max_size=5, unique=True))
        made.append(track(name, draw(st.integers(1, 4)), labels))
    sides = draw(st.sampled_from([(), ("top",), ("top", "bottom"), ("lower", "upper")]))
    return evolve(system(*made), sides=sides, convenience=draw(st.booleans()))


@st.composite
def texts(draw: st.DrawFn, made: System) -> str:
    """Texts of the system's own labels and names, with what people put between them."""
    labels = [label for t in made.tracks for label in t.labels]
    names = [t.name for t in made.tracks] + list(made.sides)
    words = labels * 3 + names + [name[:1] for name in names] + [name.upper() for name in names]
    words += ["double", "triple", "lh", "rh", "side", "from tip", "from bow", "both", "?", "[", "]", "..", "x"]
    between = ["", "", " ", " ", " ", ", ", " / ", ": ", ":", " = ", "; ", "-", "\n", "(", ")"]
    parts = draw(st.lists(st.tuples(st.sampled_from(words), st.sampled_from(between)), max_size=14))
    return "".join(word + sign for word, sign in parts)


def known(code: Code) -> bool:
    return all(cut.depths for row in code.written for cut in row.cuts)


def held_to_before(text: str, made: System) -> bool:
    """Whether the text was a code before; it must be the same one now (or refused, where its length was wrong)."""
    try:
        before = frozen.parse_code(text, made)
    except NotationError:
        return False
    if not known(before):
        return False
    fault = strategies.fault_of(parse_code, text, made)
    if fault is not None:
        assert fault.ambiguous
        assert not before.well_formed
        return True
    now = parse_code(text, made)
    assert now.written == before.written
    assert now.canonical == before.canonical
    return True


@drawn(300)
@given(data=st.data(), made=awkward_systems())
def test_no_text_that_was_a_code_is_another_one_now(data, made):
    event(f"a code before: {held_to_before(data.draw(texts(made)), made)}")


@drawn(150)
@given(data=st.data(), made=strategies.systems(), text=strategies.scraps())
def test_no_canonical_text_and_no_scrap_is_read_otherwise(data, made, text):
    held_to_before(text, made)
    canonical = data.draw(strategies.codes(made)).canonical
    assert canonical is not None
    assert held_to_before(canonical, made)


@drawn(100)
@given(data=st.data(), made=st.one_of(strategies.systems(), awkward_systems()))
def test_the_plain_way_is_read_back(data, made):
    code = data.draw(strategies.codes(made))
    again = parse_code(code.plain, made)
    assert again.canonical == code.canonical
    assert again.plain == code.plain


@drawn(200)
@given(data=st.data(), made=awkward_systems())
def test_any_text_is_a_code_or_a_fault_inside_it(data, made):
    text = data.draw(texts(made))
    fault = strategies.fault_of(parse_code, text, made)
    if fault is not None:
        start, end = fault.span
        assert 0 <= start <= end <= len(text)
        assert fault.text == text
