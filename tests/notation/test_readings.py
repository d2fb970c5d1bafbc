"""Readings: the notation sentence by sentence, units, counts, and what is refused."""

from __future__ import annotations

from math import sqrt

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from bitting.errors import BittingError, NotationError
from bitting.model import Across, Measuring, Track
from bitting.notation import parse_readings
from bitting.systemfile import load_system
from tests import strategies
from tests.conftest import drawn
from tests.make import system, track

LEFT, RIGHT = track("left", 3, "12345"), track("right", 3, "12345")  # 8.60 to 6.80 mm
SINGLE = system(track("only", 3, "12345"))
PAIR = system(LEFT, RIGHT)
CONVENIENCE = system(LEFT, RIGHT, sides=("top", "bottom"), convenience=True)
SIDED = system(LEFT, RIGHT, sides=("top", "bottom"))
ACROSS = evolve(PAIR, measuring=Measuring(across=Across(("left", "right"), 1, -10.0)))
INCH_TRACK = Track("cuts", "edge", "far-edge", (0.1, 0.2, 0.3), tuple("0123"), (0.335, 0.320, 0.305, 0.290))
INCH = evolve(system(INCH_TRACK), unit="in")


def values(text, made=SINGLE, unit=None):
    """The values of each cut in the order of the answer."""
    return [[reading.value for reading in cut.readings] for cut in parse_readings(text, made, unit).cuts]


def flat(text, made, unit=None):
    return [
        (cut.side, cut.track, cut.cut, *(reading.value for reading in cut.readings))
        for cut in parse_readings(text, made, unit).cuts
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7.42 7.05 8", [[7.42], [7.05], [8]]),
        ("7,42 7,05 8", [[7.42], [7.05], [8]]),
        ("7,42, 7,05, 8", [[7.42], [7.05], [8]]),
        ("7.42, 7.05 , 8", [[7.42], [7.05], [8]]),
        ("7.42\t7.05\n8 # done", [[7.42], [7.05], [8]]),
        ("7.40|7.41 7.05 | 7.06 |7.07 8", [[7.40, 7.41], [7.05, 7.06, 7.07], [8]]),
        ("? 7 ?", [[], [7], []]),
        ("?, 7, ?", [[], [7], []]),
        ("only: 7 7.1 7.2", [[7], [7.1], [7.2]]),
        ("on from tip: 7 7.1 7.2", [[7.2], [7.1], [7]]),
        ("7mm 7.1 7.2", [[7], [7.1], [7.2]]),
        ("7 7.1mm|7.3 mm 7.2 MM", [[7], [7.1, 7.3], [7.2]]),
        ("7.42±0.03mm, 7, ? mm", [[7.42], [7], []]),
        ("７．４２ 7 7", [[7.42], [7], [7]]),
    ],
)
def test_values(text, expected):
    assert values(text) == expected


@pytest.mark.parametrize("mark", ["±", "+-", "+/-", " ± ", " +- ", " +/- ", "+−", "+/–", "mm±"])
def test_limits_are_half_widths(mark):
    reading = parse_readings(f"7.42{mark}0.03 7 7", SINGLE).cuts[0].readings[0]
    assert reading.value == 7.42
    # JCGM 100:2008 (GUM), 4.3.7: limits ±a, anywhere between equally likely, have standard uncertainty a/√3
    assert reading.own_sd == pytest.approx(0.03 / sqrt(3), rel=1e-15)


def test_repeats_have_their_own_limits_and_slashes_still_separate_tracks():
    made = parse_readings("7.42+/-0.03|7.40 7 7/7+/-0.1 7 7", PAIR)
    assert [reading.own_sd for reading in made.cuts[0].readings] == [pytest.approx(0.03 / sqrt(3)), None]
    assert made.cuts[3].track == "right"
    assert made.cuts[3].readings[0].own_sd == pytest.approx(0.1 / sqrt(3))


@pytest.mark.parametrize(
    ("text", "unit", "made", "value", "digit"),
    [
        ("7.42", None, SINGLE, 7.42, 0.01),
        ("7.420", None, SINGLE, 7.42, 0.001),
        ("7", None, SINGLE, 7, 1),
        ("7,4", None, SINGLE, 7.4, 0.1),
        ("0.292 in", None, SINGLE, 7.4168, 0.0254),
        ("292 thou", None, SINGLE, 7.4168, 0.0254),
        (".292in", None, SINGLE, 7.4168, 0.0254),
        ("0.292", "in", SINGLE, 7.4168, 0.0254),
        ("7.42 mm", "in", SINGLE, 7.42, 0.01),
        ("292.5", "thou", SINGLE, 7.4295, 0.00254),
        (".335", None, INCH, 0.335, 0.001),
        ("335 thou", None, INCH, 0.335, 0.001),
        ("8.5 mm", None, INCH, 8.5 / 25.4, 0.1 / 25.4),
    ],
)
def test_units_and_digits(text, unit, made, value, digit):
    # 1 in = 25.4 mm exactly (international yard and pound agreement of 1959)
    readings = parse_readings(f"{text} ? ?", made, unit)
    reading = readings.cuts[0].readings[0]
    assert reading.value == pytest.approx(value, rel=1e-15)
    assert reading.digit == pytest.approx(digit, rel=1e-15)


def test_limits_and_places_are_converted_too():
    cut = parse_readings("0.292±0.001@0.5 ? ? ", SINGLE, "in").cuts[0]
    assert cut.readings[0].own_sd == pytest.approx(0.0254 / sqrt(3))
    assert cut.place == pytest.approx(12.7)
    assert parse_readings("7 7.1@21.4mm|7.2 7", SINGLE).cuts[1].place == 21.4


def test_the_answer_names_the_unit_of_the_text():
    assert parse_readings("7 7 7", SINGLE).unit == "mm"
    assert parse_readings("7 7 7 MM", SINGLE, "in").unit == "mm"
    assert parse_readings("? ? ?", SINGLE, "thou").unit == "thou"


@pytest.mark.parametrize(
    ("text", "made", "expected"),
    [
        ("7 ? ? 8 ? ?", PAIR, ["left0 7", "left1", "left2", "right0 8", "right1", "right2"]),
        ("7 ? ? / 8 ? ?", PAIR, ["left0 7", "left1", "left2", "right0 8", "right1", "right2"]),
        ("R: 8 ? ? / L: 7 ? ?", PAIR, ["right0 8", "right1", "right2", "left0 7", "left1", "left2"]),
        ("8 ? ? / left: 7 ? ?", PAIR, ["right0 8", "right1", "right2", "left0 7", "left1", "left2"]),
        ("left: 7 ? ?", PAIR, ["left0 7", "left1", "left2"]),
        ("from tip: ? ? 7 ? ? 8", PAIR, ["left0 7", "left1", "left2", "right0 8", "right1", "right2"]),
        ("top(left: 7 ? ?); bottom(left: 7.1 ? ?)", CONVENIENCE,
         ["top left0 7", "top left1", "top left2", "bottom left0 7.1", "bottom left1", "bottom left2"]),
        ("both(right: 8 ? ?)", CONVENIENCE,
         ["top right0 8", "top right1", "top right2", "bottom right0 8", "bottom right1", "bottom right2"]),
        ("b(left: 7 ? ?)", SIDED, ["bottom left0 7", "bottom left1", "bottom left2"]),
        ("7 ? ? / 8 ? ? / 7.1 ? ? / 8.1 ? ?", SIDED,
         ["top left0 7", "top left1", "top left2", "top right0 8", "top right1", "top right2",
          "bottom left0 7.1", "bottom left1", "bottom left2", "bottom right0 8.1", "bottom right1", "bottom right2"]),
        ("7 ? ? ? ? ? 7.1 ? ? ? ? ?", SIDED,
         ["top left0 7", "top left1", "top left2", "top right0", "top right1", "top right2",
          "bottom left0 7.1", "bottom left1", "bottom left2", "bottom right0", "bottom right1", "bottom right2"]),
        ("across: 5.1 ? 5.3", ACROSS, ["across0 5.1", "across1", "across2 5.3"]),
        ("across: 5.1 ? ? / left: 7 ? ?", ACROSS, ["left0 7", "left1", "left2", "across0 5.1", "across1", "across2"]),
        ("7 ? ? 8 ? ? / acr from tip: 5.1 ? ?", ACROSS,
         ["left0 7", "left1", "left2", "right0 8", "right1", "right2", "across0", "across1", "across2 5.1"]),
    ],
)  # fmt: skip
def test_lists_are_given_to_cuts(text, made, expected):
    shown = [
        " ".join([*([side] if side else []), f"{name}{cut}", *(f"{value:g}" for value in numbers)])
        for side, name, cut, *numbers in flat(text, made)
    ]
    assert shown == expected


@pytest.mark.parametrize(
    ("text", "made", "span", "message"),
    [
        ("7 7", SINGLE, (0, 3), "3 readings expected, 2 given"),
        ("7 7 7 7 8", SINGLE, (6, 9), "3 readings expected, 5 given"),
        ("7 7 7 / 7 7", PAIR, (8, 11), "right: 3 readings expected, 2 given"),
        ("left: 7 7", PAIR, (6, 9), "left: 3 readings expected, 2 given"),
        ("7 7 7 7 7", PAIR, (0, 9), "6 readings expected (left 3, right 3), 5 given"),
        ("7 7 7 / 7 7 7 / 7", PAIR, (0, 17), "2 lists of readings expected (left 3, right 3), 3 given"),
        ("top(7 7 7)", CONVENIENCE, (0, 10), "6 readings expected (left 3, right 3), 3 given"),
        ("7 7 7 7 7 7", SIDED, (0, 11), "12 readings expected (top left 3, top right 3, bottom left 3, bottom right 3), 6 given"),
        ("left: 7 7 7", SIDED, (0, 11), "which side was measured?"),
        ("across: 5 5", ACROSS, (8, 11), "across: 3 readings expected, 2 given"),
        ("across: 5 5 5", PAIR, (0, 6), "the system dabchick doesn't say what a reading across two tracks means"),
        ("acr: 5 5 5", PAIR, (0, 3), "there is no track 'acr'"),
        ("lft: 5 5 5", PAIR, (0, 3), "there is no track 'lft'"),
        ("left: 7 7 7 / L: 7 7 7", PAIR, (14, 15), "left is given twice"),
        ("across: 5 5 5 / a: 5 5 5", ACROSS, (16, 17), "across is given twice"),
        ("top(7 7 7)", SINGLE, (0, 3), "there is no side 'top': the system dabchick has no sides"),
        ("7 mm 7 in 7", SINGLE, (7, 9), "'in' stands beside 'mm'"),
        ("7±0.1mm 7 7thou", SINGLE, (11, 15), "'thou' stands beside 'mm'"),
        ("2133144 7 7", SINGLE, (0, 7), "'2133144' has too many digits for one reading"),
        ("7.4@1|7.5@2 7 7", SINGLE, (9, 11), "the place of one cut is given twice"),
        ("7.4 " + "9" * 500 + " 7", SINGLE, (4, 504), "'99999999999999999999…' has too many digits for one reading"),
        ("7." + "1" * 400 + " 7 7", SINGLE, (0, 402), "'7.111111111111111111…' has too many digits for one reading"),
    ],
)  # fmt: skip
def test_what_is_refused(text, made, span, message):
    with pytest.raises(NotationError) as caught:
        parse_readings(text, made)
    assert (caught.value.message, caught.value.span, caught.value.text) == (message, span, text)
    assert caught.value.hint


@pytest.mark.parametrize(
    "text", ["7.42,7.05", "7,42,7,05", "1e400", "nan", "-7.42", "7.42 inf", "7.42x", "7.42 ?7", "7.4.2", "7."]
)
def test_anything_touching_a_number_is_an_error(text):
    with pytest.raises(NotationError) as caught:
        parse_readings(text, system(track("only", 1)))
    start, end = caught.value.span
    assert text[start:end].strip()


def test_an_unknown_unit_of_the_caller():
    with pytest.raises(BittingError, match="there is no unit 'cm'"):
        parse_readings("7 7 7", SINGLE, "cm")


# ---- units that can't be meant ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "made", "expected"),
    [
        ("0.292 0.31 0.27", None, SINGLE, "they fit it in inches"),
        ("0.292 0.31 0.27 mm", None, SINGLE, "they fit it in inches"),
        ("292 310 270", None, SINGLE, "they fit it in thousandths"),
        ("7.42 8.1 7.0", "in", SINGLE, "they fit it in millimetres"),
        ("7.42 8.1 7.0", None, INCH, "they fit it in millimetres"),
        ("330 ? 300", None, INCH, "they fit it in thousandths"),
        ("across: .2 .21 .22", None, ACROSS, "they fit it in inches"),
        ("742 705 810", None, SINGLE, "no key is as large"),
    ],
)
def test_readings_in_a_unit_that_cannot_be_meant(text, unit, made, expected):
    with pytest.raises(NotationError) as caught:
        parse_readings(text, made, unit)
    assert expected in caught.value.message
    assert caught.value.hint
    assert caught.value.span[0] == text.index(next(c for c in text if c.isdigit() or c == "."))


@pytest.mark.parametrize(
    "text",
    [
        "0.3 7.4 7.1",  # one wrong reading among good ones is for the measurement model
        "9.9 9.9 9.9", "5.5 5.5 5.5",  # another key, or worn beyond use: within three increments
        "3 3 3", "20 20 20",  # no depth of this table, but no other unit explains it either
        "? ? ?",
    ],
)  # fmt: skip
def test_odd_readings_that_are_still_answered(text):
    assert len(parse_readings(text, SINGLE).cuts) == 3


def test_inches_are_told_from_a_table_that_begins_near_zero():
    wall = Track("only", "external", "own-edge", (20.0, 17.0, 14.0), tuple("12345"), (0.4, 0.85, 1.3, 1.75, 2.2))
    made = evolve(SINGLE, tracks=(wall,))
    with pytest.raises(NotationError, match="they fit it in inches"):
        parse_readings("0.016 0.07 0.09", made)
    assert values("0.35 2.3 1.3", made) == [[0.35], [2.3], [1.3]]


def test_the_advice_names_the_unit_to_write():
    with pytest.raises(NotationError) as caught:
        parse_readings("0.292 0.31 0.27 mm", SINGLE)
    assert caught.value.hint == "write in instead of mm"
    assert "only: 8.60 to 6.80" in caught.value.message
    with pytest.raises(NotationError) as caught:
        parse_readings("0.292 0.31 0.27", SINGLE)
    assert caught.value.hint == "write the unit behind a reading: … in"
    assert parse_readings("0.292 0.31 0.27 in", SINGLE).unit == "in"


# ---- any text -----------------------------------------------------------------------------------------------------


@drawn(200)
@given(data=st.data(), text=strategies.scraps(), unit=st.sampled_from([None, "mm", "in", "thou"]))
def test_any_text_is_readings_or_a_fault(data, text, unit):
    made = data.draw(st.sampled_from([SINGLE, PAIR, CONVENIENCE, SIDED, ACROSS, INCH]))
    fault = strategies.fault_of(parse_readings, text, made, unit)
    if fault is not None:
        assert fault.text == text
        assert 0 <= fault.span[0] <= fault.span[1] <= len(text)
        return
    assert parse_readings(text, made, unit).cuts


@st.composite
def measured(draw):
    """A text of readings and the values that it says."""
    made = draw(strategies.systems().filter(lambda made: not made.sided))
    lists, expected = [], []
    comma = draw(st.booleans())
    for track_ in made.tracks:
        words = []
        for cut in range(track_.cuts):
            repeats = draw(st.lists(st.integers(550, 950), max_size=3))
            numbers = [f"{value / 100:.2f}".replace(".", "," if comma else ".") for value in repeats]
            words.append(draw(st.sampled_from(["|", " | "])).join(numbers) or "?")
            expected.append((track_.name, cut, [value / 100 for value in repeats]))
        lists.append(f"{track_.name}: " + draw(st.sampled_from([" ", ", ", "\n"])).join(words))
    return made, " / ".join(lists), expected


@drawn(100)
@given(case=measured())
def test_what_is_written_is_read(case):
    made, text, expected = case
    readings = parse_readings(text, evolve(made, unit="mm"))
    found = [(cut.track, cut.cut, [reading.value for reading in cut.readings]) for cut in readings.cuts]
    assert found == expected
    for cut in readings.cuts:
        for reading in cut.readings:
            assert float(text[slice(*reading.span)].replace(",", ".")) == reading.value


def test_the_second_face_of_a_convenience_key_is_named() -> None:
    """What the answer to two lists of one track says is itself understood."""
    wren = load_system("wren")
    row = "8.3 8.3 8.3 6.65 8.3 8.3 8.3 8.3"
    with pytest.raises(NotationError, match="1 list of readings expected") as found:
        parse_readings(f"{row} / {row}", wren)
    form = "top: … / bottom: …"
    assert str(found.value.hint).endswith(form)
    assert {cut.side for cut in parse_readings(form.replace("…", row), wren).cuts} == {"top", "bottom"}


# ---- with a lock ----------------------------------------------------------------------------------------------------

DOOR, STEERING = range(5), range(2, 7)


@pytest.mark.parametrize(("lock", "cuts"), [("door", DOOR), ("steering", STEERING), ("Door", DOOR)])
@pytest.mark.parametrize(
    "text",
    [
        "left: 8.15 8.60 7.70 7.70 8.15 / right: 8.60 8.60 8.15 7.25 7.26 mm",
        "8.15 8.60 7.70 7.70 8.15 8.60 8.60 8.15 7.25 7.26",
        "L 8.15 8.60 7.70 7.70 8.15 R 8.60 8.60 8.15 7.25 7.26",
        "left from tip: 8.15 7.70 7.70 8.60 8.15 / right: 8.60 8.60 8.15 7.25 7.26",
    ],
)
def test_readings_of_the_cuts_of_one_lock_alone(text: str, lock: str, cuts: range) -> None:
    plover = load_system("plover")
    found = parse_readings(text, plover, lock=lock)
    values = (8.15, 8.60, 7.70, 7.70, 8.15, 8.60, 8.60, 8.15, 7.25, 7.26)
    places = [(name, cut) for name in ("left", "right") for cut in cuts]
    read = {(cut.track, cut.cut): cut.readings[0].value for cut in found.cuts if cut.readings}
    assert read == dict(zip(places, values, strict=True))
    assert (found.system, found.text) == (plover, text)
    first = min(found.cuts, key=lambda cut: cut.readings[0].span).readings[0]
    assert text[slice(*first.span)] == "8.15"


def test_readings_across_of_the_cuts_of_one_lock() -> None:
    plover = load_system("plover")
    made = evolve(plover, measuring=evolve(plover.measuring, across=Across(("left", "right"), -10.0, 1.0)))
    found = parse_readings("across: 6.75 7.20 5.85 4.95 5.40 / left: 8.15 ? 7.70 ? ?", made, lock="steering")
    assert [cut.cut for cut in found.cuts if cut.track == "across"] == [*STEERING]
    assert [cut.cut for cut in found.cuts if cut.track == "left" and cut.readings] == [2, 4]


def test_with_a_lock_whole_readings_stay_whole_and_others_stay_wrong() -> None:
    plover = load_system("plover")
    whole = "left: 8.15 8.60 7.70 7.70 8.15 7.25 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
    assert parse_readings(whole, plover, lock="door") == parse_readings(whole, plover)
    for text, words in (
        ("left: 8.15 8.60 7.70 7.70 8.15 7.25 / right: 8.60 8.60 8.15 7.25 7.25", "left: 7 readings expected, 6 given"),
        ("left: 8.15 8.60 7.70 7.70 8.15 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60", "left: 7 readings expected, 5"),
        ("left: 8.15 8.60 7.70 7.70 8.15 / rigt: 1", "rigt"),
    ):
        with pytest.raises(NotationError, match=words):
            parse_readings(text, plover, lock="door")
    with pytest.raises(NotationError, match="7 readings expected, 5 given"):
        parse_readings("left: 8.15 8.60 7.70 7.70 8.15", plover)
    with pytest.raises(BittingError, match="no lock 'dor'"):
        parse_readings("left: 8.15 8.60 7.70 7.70 8.15", plover, lock="dor")
    with pytest.raises(NotationError, match="7 readings expected, 5 given"):
        parse_readings("left: 8.15 8.60 7.70 7.70 8.15", evolve(plover, locks={"none": (9,)}), lock="none")
