"""`check`: every fault at once, each with its place; the built-in findings; locks that read only some cuts."""

from __future__ import annotations

import attrs
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

import bitting
from bitting.checking import _slips, check, legal_slips
from bitting.model import Code, code_of
from bitting.notation import parse_code
from tests.make import system, track

FOUR = system(
    track("left", 4, "12345"), track("right", 3, "123"), must=("MACS is 2",), sides=("top", "bottom"), convenience=True
)
ONE = system(track("left", 4, "12345"), must=("MACS is 2", "no more than 2 equal cuts in a row"))
SIDED = system(track("edge", 4, "12345", "edge"), must=("MACS is 2",), sides=("top", "bottom"))
LOCKED = attrs.evolve(ONE, locks={"door": (0, 1), "boot": (1, 2, 3)})


def findings(text: str, where=ONE, **options):
    """(rule, track, cuts, the characters under the caret) of every finding."""
    report = check(parse_code(text, where), suggest=False, **options)
    return [(f.rule, f.track, f.cuts, text[slice(*f.span)] if f.span else None) for f in report.findings]


def test_a_legal_code():
    report = bitting.check(bitting.parse_code("1 2 3 1", ONE), ONE)
    assert report.legal
    assert report.findings == report.suggestions == ()
    assert report.as_dict() == {
        "input": "1 2 3 1", "system": "dabchick", "canonical": "1 2 3 1", "legal": True, "findings": [], "suggestions": [],
        "lock": None, "suggestions_note": "", "chance": None, "legal_slips": 14 / 19,
    }  # fmt: skip
    # 3 + 2 + 2 + 4 of the 16 other depths of a cut, and all three exchanges of neighbours


@pytest.mark.parametrize(
    ("text", "where", "expected"),
    [
        ("1 4 1 1", ONE, [("adjacent-difference", "left", (1, 2), "1 4"), ("adjacent-difference", "left", (2, 3), "4 1")]),
        ("5222", ONE, [("adjacent-difference", "left", (1, 2), "52"), ("equal-run", "left", (2, 3, 4), "222")]),
        ("1 2 3", ONE, [("cut-count", "left", (), "1 2 3")]),
        ("1 2 3 2 1 1", ONE, [("cut-count", "left", (5, 6), "1 1")]),
        ("1 2 7 2", ONE, [("depth-range", "left", (3,), "7")]),
        ("1 2 [2 9] 2", ONE, [("depth-range", "left", (3,), "[2 9]")]),
        ("1 2 ? 2", ONE, [("unknown-cut", "left", (3,), "?")]),
        ("[1 2] 2 1..3 2", ONE, [("unknown-cut", "left", (1, 3), "[1 2] 2 1..3")]),
        ("left: 1 2 3 4", FOUR, [("cut-count", "right", (), None)]),
        ("left: 1 2 3 / right: 1 2 3", FOUR, [("cut-count", "left", (), "1 2 3")]),
        ("1 2 3 4 1 2", FOUR, [("cut-count", None, (), "1 2 3 4 1 2")]),
        ("1234 / 123 / 11", FOUR, [("cut-count", None, (), "11")]),
        ("left: 1234 / right: 1 2 4", FOUR, [("depth-range", "right", (3,), "4")]),
        (
            "top(left: 1234 / right: 123); bottom(left: 1244 / right: 123)",
            FOUR,
            [("side-mismatch", "left", (3,), "4")],
        ),
        (
            "top(1234); bottom(1 5 2 1)",
            SIDED,
            [("adjacent-difference", "edge", (1, 2), "1 5"), ("adjacent-difference", "edge", (2, 3), "5 2")],
        ),
        ("top(1234)", SIDED, [("cut-count", "edge", (), None)]),
        ("1234", SIDED, [("cut-count", None, (), "1234")]),
    ],
)  # fmt: skip
def test_every_fault_with_its_place(text, where, expected):
    assert findings(text, where) == expected


def test_messages_say_what_was_found_and_what_is_allowed():
    report = check(parse_code("1 4 1 O", ONE), suggest=False)
    assert [f.message for f in report.findings] == [
        "cut 1 is 1 and cut 2 is 4: they differ by 3, and at most 2 is allowed",
        "cut 2 is 4 and cut 3 is 1: they differ by 3, and at most 2 is allowed",
        "cut 4 of left is 'O': the depths of left are 1 2 3 4 5",
    ]
    assert not report.legal
    assert report.canonical is None
    few = check(parse_code("left: 123", FOUR), suggest=False)
    assert [f.message for f in few.findings] == ["for right, 3 cuts expected, none given", "left: 4 expected, 3 given"]


def test_text_that_looks_like_a_code_number_is_told_so():
    report = check(parse_code("B4711", FOUR), suggest=False)
    assert "'B4711' looks like a code number" in report.findings[0].message
    assert "wants 7 cuts" in report.findings[0].message
    assert [finding.cuts for finding in report.findings] == [()]


def test_the_places_of_a_finding_are_its_cuts_on_its_lane():
    """What a picture marks is what the words name, for the built-in findings as for rules."""
    for text in (
        "left: 1 2 9 4 / right: 1 4 ?",
        "top(left: 1234 / right: 123); bottom(left: 1243 / right: 121)",
        "left: [1 2] 2 3 ? / right: 1 2 4",
    ):
        for finding in check(parse_code(text, FOUR), suggest=False).findings:
            lane = ["left", "right"].index(finding.track)
            assert finding.cuts
            assert [(place.lane, place.cut + 1) for place in finding.places] == [(lane, cut) for cut in finding.cuts]


def test_sides_that_differ_are_told_by_the_cuts_where_they_do():
    for bottom, said in (("1243", "differ at cuts 3, 4, and"), ("1233", "differ at cut 4, and")):
        report = check(parse_code(f"top(1234 / 123); bottom({bottom} / 123)", FOUR), suggest=False)
        assert said in next(f.message for f in report.findings if f.rule == "side-mismatch")


def test_a_convenience_code_may_be_written_for_one_side_or_both():
    for text in (
        "left: 1234 / right: 123",
        "top(left: 1234 / right: 123)",
        "both(1234 / 123)",
        "top(1234/123); bottom = top",
    ):
        report = check(parse_code(text, FOUR), suggest=False)
        assert report.legal, text
        assert report.canonical == "left: 1 2 3 4 / right: 1 2 3"


def test_advice_never_makes_a_code_illegal():
    advised = system(track("left", 4), must=("MACS is 2",), should=("at least 3 different depths",))
    report = check(parse_code("1 1 2 2", advised), suggest=False)
    assert report.legal
    assert [(f.rule, f.level) for f in report.findings] == [("distinct-depths", "should")]


def test_a_lock_that_reads_some_cuts_leaves_the_others_open():
    assert findings("1 2 ? ?", LOCKED, lock="door") == []
    assert findings("1 2 ? ?", LOCKED, lock="boot") == [("unknown-cut", "left", (3, 4), "? ?")]
    assert findings("1 4 ? ?", LOCKED, lock="DOOR") == [("adjacent-difference", "left", (1, 2), "1 4")]


def test_a_lock_is_answered_for_the_whole_key_that_must_carry_its_cuts():
    # Cuts 2 to 4 alone break nothing, but cut 1 can be neither 1 (next to 4) nor anything else.
    strict = system(track("left", 4, "12345"), must=("MACS is 2", "first cut is one of 1"))
    strict = attrs.evolve(strict, locks={"boot": (1, 2, 3)})
    report = check(parse_code("? 4 4 4", strict), lock="boot", suggest=False)
    assert not report.legal
    assert [f.message for f in report.findings] == [
        "no whole key of this system carries these cuts, whatever the cuts left open are"
    ]
    assert check(parse_code("? 3 4 4", strict), lock="boot", suggest=False).legal
    # Advice that is broken as well changes nothing of that.
    advised = system(
        track("left", 4, "12345"),
        must=("MACS is 2", "first cut is one of 1"),
        should=("no more than 2 equal cuts in a row",),
    )
    advised = attrs.evolve(advised, locks={"boot": (1, 2, 3)})
    assert not check(parse_code("? 4 4 4", advised), lock="boot", suggest=False).legal
    assert check(parse_code("? 3 3 3", advised), lock="boot", suggest=False).legal


def test_an_unknown_lock_and_a_foreign_system_are_refused():
    with pytest.raises(bitting.BittingError, match="no lock 'dor'") as fault:
        check(parse_code("1 2 3 1", LOCKED), lock="dor")
    assert "did you mean 'door'" in fault.value.hint
    with pytest.raises(bitting.BittingError, match="another system"):
        check(parse_code("1 2 3 1", ONE), FOUR)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
@given(data=st.data())
def test_the_share_of_legal_slips_is_that_of_every_slip_tried(data):
    depths = [
        tuple(data.draw(st.integers(0, 4)) for _ in range(4)),
        tuple(data.draw(st.integers(0, 2)) for _ in range(3)),
    ]
    code = code_of(FOUR, depths)
    assume(check(code, suggest=False).legal)
    slips = []
    for lane, row in enumerate(depths):
        for cut in range(len(row)):
            slips += [(lane, (*row[:cut], d, *row[cut + 1 :])) for d in range(5 - 2 * lane) if d != row[cut]]
            if cut and row[cut] != row[cut - 1]:
                slips.append((lane, (*row[: cut - 1], row[cut], row[cut - 1], *row[cut + 1 :])))
    codes = [code_of(FOUR, [row if i == lane else depths[i] for i in range(2)]) for lane, row in slips]
    legal = sum(check(parse_code(str(other), FOUR), suggest=False).legal for other in codes)
    assert legal_slips(code) == pytest.approx(legal / len(codes))


def test_a_slip_changes_one_cut_or_exchanges_two_neighbours():
    changed = [(1, 2, 1), (2, 2, 1), (0, 0, 1), (0, 1, 1), (0, 2, 0), (0, 2, 2)]
    assert sorted(_slips((0, 2, 1), 3)) == sorted([*changed, (2, 0, 1), (0, 1, 2)])


def test_advice_has_no_part_in_the_share_of_legal_slips():
    advised = system(track(cuts=4), should=("no more than 1 equal cuts in a row",))
    assert legal_slips(code_of(advised, [[0, 1, 2, 3]])) == 1


def test_a_code_with_open_cuts_has_no_share_of_legal_slips():
    assert legal_slips(parse_code("1 2 ? 1", ONE)) is None


def test_nor_has_one_of_so_many_cuts_that_trying_all_slips_takes_long():
    long = system(track(cuts=80, labels="123456789"))
    assert legal_slips(code_of(long, [[0] * 80])) is None
    for name in bitting.shipped_systems():
        made = bitting.load_system(name)
        assert legal_slips(code_of(made, next(iter(bitting.code_space(made))))) is not None


def test_a_report_does_not_show_the_code_where_it_is_logged():
    """A key code is a secret: what stands in a trace or a log by accident has no cuts in it."""
    for text in ("2 2 3 1", "2 5 3 1", "2 2 ? 1"):
        code = parse_code(text, ONE)
        for shown in (repr(code), repr(check(code))):
            assert text not in shown
            assert (code.canonical or text) not in shown


def test_values_are_immutable_and_json_has_their_names():
    report = check(parse_code("1 4 1 1", ONE), suggest=False)
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        report.findings[0].message = "fine"  # type: ignore[misc]
    finding = report.as_dict()["findings"][0]
    assert set(finding) == {"rule", "level", "sentence", "side", "track", "cuts", "span", "message"}
    for name, value in finding.items():
        shown = getattr(report.findings[0], name)
        assert (list(shown) if isinstance(shown, tuple) else shown) == value
    assert isinstance(parse_code("1 2 3 1", ONE), Code)
