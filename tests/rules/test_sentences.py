"""How rules may be said, and what an unknown sentence is answered with."""

from __future__ import annotations

import pytest

from bitting.checking import check
from bitting.model import Place
from bitting.notation import parse_code
from bitting.rules import SentenceError, catalogue, explanations, read_rule, readable
from tests.make import system, track

TWO = system(track("left", 5), track("right", 5))
SIDED = system(track("edge", 5, milling="edge"), sides=("top", "bottom"))
LETTERS = system(track("left", 5, "abcF"))


VARIANTS = [
    ("adjacent cuts differ by at most 2", "adjacent-difference", "adjacent cuts differ by at most 2"),
    ("Adjacent Cuts differ by max 2", "adjacent-difference", "adjacent cuts differ by at most 2"),
    ("adjacent cut differs by no more than two", "adjacent-difference", "adjacent cuts differ by at most 2"),
    ("MACS is 2", "adjacent-difference", "MACS is 2"),
    ("macs 2", "adjacent-difference", "MACS is 2"),
    ("MACS = 2", "adjacent-difference", "MACS is 2"),
    ("adjacent cuts differ by at least 1", "adjacent-difference", "adjacent cuts differ by at least 1"),
    ("adjacent cuts differ by an even amount", "adjacent-difference", "adjacent cuts differ by an even amount"),
    (
        "a cut is at most 2 deeper than the cut before it",
        "step",
        "a cut is at most 2 deeper than the cut before it",
    ),
    (
        "each cut is max 1 shallower than the cut before",
        "step",
        "a cut is at most 1 shallower than the cut before it",
    ),
    ("first cut is one of 1 2 3", "position-depths", "first cut is one of 1 2 3"),
    ("the first cut is one of 1, 2 or 3", "position-depths", "first cut is one of 1 2 3"),
    ("last cut is 1", "position-depths", "last cut is 1"),
    ("cut 3 is not 4", "position-depths", "cut 3 is not 4"),
    ("cut 2 from the tip is one of 1 2", "position-depths", "cut 2 from the tip is one of 1 2"),
    ("no more than 2 equal cuts in a row", "equal-run", "no more than 2 equal cuts in a row"),
    ("max 2 equal cuts in a row", "equal-run", "no more than 2 equal cuts in a row"),
    ("at most 1 equal cut in a row", "equal-run", "no more than 1 equal cuts in a row"),
    ("at least 3 different depths", "distinct-depths", "at least 3 different depths"),
    ("min 3 different depths", "distinct-depths", "at least 3 different depths"),
    ("at most 1 different depth", "distinct-depths", "at most 1 different depths"),
    ("at least 2 cuts are 3 or deeper", "depth-uses", "at least 2 cuts are 3 or deeper"),
    ("depth 4 is used at most 2 times", "depth-uses", "depth 4 is used at most 2 times"),
    ("depth 4 is used at most once", "depth-uses", "depth 4 is used at most 1 time"),
    ("depth 4 is used at least 1 time", "depth-uses", "depth 4 is used at least 1 time"),
    ("no depth is used more than twice", "depth-uses", "no depth is used more than 2 times"),
    ("depths 1 4 together are used at most 2 times", "depth-uses", "depths 1 4 together are used at most 2 times"),
    ("the deepest and the shallowest cut differ by at least 2", "spread", None),
    (
        "deepest and shallowest cut differ by min 2",
        "spread",
        "the deepest and the shallowest cut differ by at least 2",
    ),
    ("the deepest and the shallowest cut differ by at most 2", "spread", None),
    ("at most 2 neighbours are equal", "changes", "at most 2 neighbours are equal"),
    ("at most 1 neighbor is equal", "changes", "at most 1 neighbours are equal"),
    ("the depth changes at least 3 times", "changes", "the depth changes at least 3 times"),
    ("cuts 2 apart differ by at most 1", "distant-difference", "cuts 2 apart differ by at most 1"),
    ("1 is never followed by 3 4", "forbidden-pair", "1 is never followed by 3 4"),
    ("1 is never followed by 3 or 4", "forbidden-pair", "1 is never followed by 3 4"),
    ("1 and 4 are never neighbours", "forbidden-pair", "1 and 4 are never neighbours"),
    ("1 2 3 never stand in a row", "forbidden-sequence", "1 2 3 never stand in a row"),
    ("when cut 1 is 1 2, cut 3 is one of 3 4", "conditional", "when cut 1 is 1 2, cut 3 is one of 3 4"),
    ("if cut 1 is 4, last cut is not 4", "conditional", "when cut 1 is 4, last cut is not 4"),
    (
        "when left cut 1 is 4, right cut 2 is one of 1",
        "conditional",
        "when left cut 1 is 4, right cut 2 is one of 1",
    ),
    ("cut 1 is deeper than cut 3", "cuts-compared", "cut 1 is deeper than cut 3"),
    ("cuts 1 and 3 are equal", "cuts-compared", "cuts 1 and 3 are equal"),
    ("cuts 1 and 3 are not equal", "cuts-compared", "cuts 1 and 3 are not equal"),
    ("cuts never get shallower", "rise-and-fall", "cuts never get shallower"),
    ("cuts get deeper at most 2 times", "rise-and-fall", "cuts get deeper at most 2 times"),
    ("cuts get shallower at least once", "rise-and-fall", "cuts get shallower at least 1 time"),
    ("no more than 2 cuts in a row get deeper", "rise-and-fall", "no more than 2 cuts in a row get deeper"),
    ("cuts change direction at least 2 times", "rise-and-fall", "cuts change direction at least 2 times"),
    ("the sum of cuts is even", "sum", "the sum of cuts is even"),
    ("the sum of the cuts is odd", "sum", "the sum of cuts is odd"),
    ("the sum of cuts is between 8 and 12", "sum", "the sum of cuts is between 8 and 12"),
    (
        "over whole key, sum of cuts is odd",
        "sum",
        "over the whole key, the sum of cuts is odd",
    ),
    (
        "on the whole key, 4 is used at most once",
        "depth-uses",
        "over the whole key, depth 4 is used at most 1 time",
    ),
    (
        "over all tracks, at least 5 cuts are 3 or deeper",
        "depth-uses",
        "over the whole key, at least 5 cuts are 3 or deeper",
    ),
    ("left and right add up to at most 6 at every cut", "opposite-sum", None),
    ("left and right differ by at least 1 at each cut", "opposite-difference", None),
    ("left and right are not the same", "tracks-differ", "left and right are not the same"),
    ("at least 1.5 stands between left and right", "metal-left", "at least 1.5 stands between left and right"),
    (
        "at least 1.5 mm stands between left and right",
        "metal-left",
        "at least 1.5 mm stands between left and right",
    ),
    ("on left, these codes are not used: 11111, 2 2 2 2 2", "excluded", None),
    ("the code is not the same read from the tip", "excluded", "the code is not the same read from the tip"),
    ("on left, first cut is one of 1 2", "position-depths", "on left, first cut is one of 1 2"),
    ("on LEFT, the first cut is one of 1 2", "position-depths", "on left, first cut is one of 1 2"),
]


@pytest.mark.parametrize(("typed", "identifier", "canonical"), VARIANTS)
def test_every_sentence_and_its_variants(typed, identifier, canonical):
    rules = read_rule(TWO, typed, "must")
    assert {rule.identifier for rule in rules} == {identifier}
    if canonical is not None:
        assert {rule.sentence for rule in rules} == {canonical}
    again = read_rule(TWO, rules[0].sentence, "must")
    assert [(r.sentence, r.lanes, r.arguments) for r in again] == [(r.sentence, r.lanes, r.arguments) for r in rules]


def test_every_kind_stands_in_the_table_of_variants():
    assert sorted(set(catalogue()) - {identifier for _, identifier, _ in VARIANTS}) == []


def test_a_sentence_speaks_of_every_track_unless_limited():
    assert [r.lanes for r in read_rule(TWO, "MACS is 2", "must")] == [(0,), (1,)]
    assert [r.lanes for r in read_rule(TWO, "on right, MACS is 2", "must")] == [(1,)]
    assert [r.lanes for r in read_rule(SIDED, "MACS is 2", "must")] == [(0,), (1,)]
    assert [r.lanes for r in read_rule(SIDED, "on bottom, MACS is 2", "must")] == [(1,)]
    assert [r.lanes for r in read_rule(SIDED, "on top edge, MACS is 2", "must")] == [(0,)]
    assert [r.lanes for r in read_rule(TWO, "right and left are not the same", "must")] == [(0, 1)]
    assert [r.lanes for r in read_rule(SIDED, "top and bottom are not the same", "must")] == [(0, 1)]


def test_a_depth_that_one_track_lacks_is_counted_where_it_is():
    made = system(
        track("left", 3, "1234"), track("right", 2, "12"), must=("over the whole key, 3 is used at most once",)
    )
    assert made.rules[0].lanes == (0, 1)
    assert check(parse_code("left: 1 3 2 / right: 1 2", made), suggest=False).legal
    (finding,) = check(parse_code("left: 3 3 2 / right: 1 2", made), suggest=False).findings
    assert finding.message == "2 cuts are 3, at most 1 allowed"
    assert finding.places == (Place(0, 0), Place(0, 1))
    with pytest.raises(SentenceError, match="right has no depth '3'"):
        read_rule(made, "over the whole key, at least 2 cuts are 3 or deeper", "must")


def test_labels_are_case_sensitive_and_quoted_where_they_are_words():
    rule = read_rule(LETTERS, "depth 'a' is used at most 2 times", "must")[0]
    assert rule.arguments["depths"] == ((0,),)
    assert rule.sentence == "depth 'a' is used at most 2 times"
    assert read_rule(LETTERS, "first cut is one of b F", "must")[0].arguments["depths"] == (1, 3)
    with pytest.raises(SentenceError, match="no depth 'f'") as fault:
        read_rule(LETTERS, "first cut is one of 'f'", "must")
    assert "F" in fault.value.hint


def test_lengths_are_taken_in_the_unit_they_are_written_in():
    assert read_rule(TWO, "at least 100 thou stands between left and right", "must")[0].arguments["least"] == 2.54
    assert read_rule(TWO, "at least 0.1in stands between left and right", "must")[0].arguments["least"] == 2.54


@pytest.mark.parametrize(
    ("text", "caret", "message", "hint"),
    [
        ("adjacent cuts differ by at most many", "many", "a number", "adjacent cuts differ by at most N"),
        ("adjacent cuts are nice", "are", "expected here: differ", "adjacent cuts differ by at most N"),
        ("first cut is one of 1 2 9", "9", "no depth '9'", "1 2 3 4"),
        ("cut 8 is one of 1 2", "cut 8", "cuts 1 to 5, and no cut 8", ""),
        ("on middle, MACS is 2", "middle", "no track 'middle'", "left, right"),
        ("on rigt, MACS is 2", "rigt", "no track 'rigt'", "did you mean 'right'"),
        ("keys are pretty", "keys", "isn't understood", "what comes nearest to it"),
        ("left and right add up to at most 6", "", "expected here: at", "add up to at most N at every cut"),
        ("on left, over the whole key, the sum of cuts is even", None, "say two things", "leave one of them out"),
        ("over the whole key, depth 9 is used at least 2 times", "9", "no depth '9'", "1 2 3 4"),
        ("MACS is 2 %", "%", "'%' doesn't belong", "for example"),
        ("% MACS is 2", "%", "'%' doesn't belong", "for example"),
        ("", "", "the end", "for example"),
        ("left and left are not the same", "left", "two different tracks", ""),
        ("at least 1 stands at the edge", None, "only an internal track", "between left and right"),
        ("on left, these codes are not used: 111", "111", "5 cuts, and this one has 3", ""),
        ("cuts 2 and 2 are equal", None, "compared with itself", "two different cuts"),
        ("the sum of cuts is between 9 and 2", None, "no sum is between 9 and 2", "smaller number first"),
    ],
)
def test_a_sentence_that_is_not_understood(text, caret, message, hint):
    with pytest.raises(SentenceError) as fault:
        read_rule(TWO, text, "must")
    assert message in fault.value.message
    assert hint in fault.value.hint
    assert fault.value.text == text
    if caret is not None:
        start, end = fault.value.span
        assert text[start:end] == caret


def test_sums_need_labels_that_are_numbers():
    with pytest.raises(SentenceError, match="labels that are numbers"):
        read_rule(LETTERS, "the sum of cuts is even", "must")


def test_sides_that_carry_the_same_cuts_are_no_lanes():
    both = system(track("left", 5), sides=("top", "bottom"), convenience=True)
    with pytest.raises(SentenceError, match="every side of dabchick carries the same cuts"):
        read_rule(both, "on top, MACS is 2", "must")
    facing = read_rule(both, "at least 2 stands between top and bottom", "must")
    assert [rule.lanes for rule in facing] == [(0,)]


@pytest.mark.parametrize("identifier", catalogue())
def test_every_kind_explains_itself_by_an_example_that_is_true(identifier):
    kind = catalogue()[identifier]
    sentence, good, bad = kind.example
    tracks = 2 if ":" in good else 1
    cuts = len(good.split("/")[0].replace("left:", "").split())
    made = system(*(track(name, cuts, "12345") for name in ("left", "right")[:tracks]), must=(sentence,))
    assert made.rules[0].identifier == identifier
    assert check(parse_code(good, made), suggest=False).legal
    findings = check(parse_code(bad, made), suggest=False).findings
    assert findings
    assert all(f.rule == identifier and f.message and f.places and f.span for f in findings)
    assert len(kind.explanation) > 40


def test_forms_are_readable():
    shown = {form for kind in explanations() for form in kind["forms"]}
    assert "adjacent cuts differ by at most N" in shown
    assert not [form for form in shown if set("{}[]()<>|") & set(form)]
    assert readable("{a:track} and {b:track} differ") == "TRACK A and TRACK B differ"


def test_places_of_a_finding_are_lanes_of_the_system():
    made = system(track("left", 3), track("right", 3), must=("on right, MACS is 1",))
    finding = check(parse_code("left: 1 1 1 / right: 1 1 4", made), suggest=False).findings[0]
    assert finding.places == (Place(1, 1), Place(1, 2))
    assert finding.cuts == (2, 3)
    assert (finding.side, finding.track) == (None, "right")


@pytest.mark.parametrize(
    ("text", "canonical", "kind"),
    [
        ("cut 3 is 3 or deeper", "cut 3 is 3 or deeper", "position-depths"),
        ("position 1 cannot be 5", "cut 1 is not 5", "position-depths"),
        ("cut 1 must not be 4 5", "cut 1 is not 4 5", "position-depths"),
        ("cut 2 can only be 1 2 3", "cut 2 is 1 2 3", "position-depths"),
        ("last cut has to be 2 or shallower", "last cut is 2 or shallower", "position-depths"),
        ("cut 3 can’t be 4 or deeper", "cut 3 is not 4 or deeper", "position-depths"),
        ("when cut 1 is 4 or deeper, cut 2 is 3 or deeper", "when cut 1 is 4 or deeper, cut 2 is 3 or deeper", "conditional"),
        ("depths 4 or deeper together are used at most 3 times",
         "depths 4 or deeper together are used at most 3 times", "depth-uses"),
        ("1 is never followed by 4 or deeper", "1 is never followed by 4 or deeper", "forbidden-pair"),
        ("at least 2 cuts are 3 or deeper", "at least 2 cuts are 3 or deeper", "depth-uses"),
    ],
)  # fmt: skip
def test_what_users_say_is_understood(text, canonical, kind):
    made = system(track("left", 4, "12345"))
    (rule,) = read_rule(made, text, "must")
    assert (rule.identifier, rule.sentence) == (kind, canonical)
    assert read_rule(made, canonical, "must") == (rule,)


def test_a_depth_or_deeper_stands_for_every_depth_beyond_it():
    made = system(track("left", 3, ["c", "b", "a"]))
    for said, listed in (
        ("b or deeper", "b a"),
        ("b or shallower", "c b"),
        ("a or deeper", "a"),
        ("c or deeper", "c b a"),
    ):
        (short,) = read_rule(made, f"cut 2 is {said}", "must")
        (long,) = read_rule(made, f"cut 2 is one of {listed}", "must")
        assert short.arguments == long.arguments


def test_words_that_are_depths_are_not_taken_for_ways_to_say_is():
    made = system(track("left", 3, ["must", "be", "x"]))
    (rule,) = read_rule(made, "must is never followed by be", "must")
    assert rule.identifier == "forbidden-pair"
    (rule,) = read_rule(made, "cut 1 is must be", "must")
    assert rule.arguments["depths"] == (0, 1)


@pytest.mark.parametrize(
    ("said", "usual"),
    [
        ("neighbours differ by at most 2", "adjacent cuts differ by at most 2"),
        ("neighbouring cuts must not differ by more than 2", "adjacent cuts differ by at most 2"),
        ("no two neighbours may differ by more than 2", "adjacent cuts differ by at most 2"),
        ("the difference between adjacent cuts must be at most 2", "adjacent cuts differ by at most 2"),
        ("neighbours differ by at least 1", "adjacent cuts differ by at least 1"),
        ("not more than three the same in a row", "no more than 3 equal cuts in a row"),
        ("no three equal cuts in a row", "no more than 2 equal cuts in a row"),
        ("never three of the same in a row", "no more than 2 equal cuts in a row"),
        ("at least 3 depths", "at least 3 different depths"),
        ("a 5 is never followed by a 1", "5 is never followed by 1"),
        ("a 1 never follows a 5", "5 is never followed by 1"),
        ("no 1 after 5", "5 is never followed by 1"),
        ("a 5 never next to a 1", "5 and 1 are never neighbours"),
        ("no depth more than twice", "no depth is used more than 2 times"),
        ("each depth at most twice", "no depth is used more than 2 times"),
        ("depth 4 at most twice", "depth 4 is used at most 2 times"),
        ("the first cut is not a 4", "first cut is not 4"),
        ("total of all cuts must be even", "the sum of cuts is even"),
        ("sum is odd", "the sum of cuts is odd"),
        ("total between 10 and 15", "the sum of cuts is between 10 and 15"),
        ("over the whole key, total is even", "over the whole key, the sum of cuts is even"),
    ],
)
def test_the_same_said_otherwise(said, usual):
    made = system(track("left", 4, "12345"), track("right", 4, "12345"))
    rules = [
        [(rule.identifier, rule.lanes, rule.arguments) for rule in read_rule(made, text, "must")]
        for text in (said, usual)
    ]
    assert rules[0] == rules[1]
    for rule in read_rule(made, said, "must"):  # what it is called reads back as the same
        assert rule in read_rule(made, rule.sentence, "must")


def test_an_article_that_is_a_depth_is_a_depth():
    made = system(track("left", 3, ["a", "b", "c"]))
    (rule,) = read_rule(made, "cut 1 is a b", "must")
    assert rule.arguments["depths"] == (0, 1)
    (rule,) = read_rule(made, "a is never followed by a c", "must")
    assert (rule.arguments["first"], rule.arguments["then"]) == ((0,), (0, 2))


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("neighbouring cuts must not jump more than 2", "adjacent cuts differ by at most N"),
        ("each depth may occur 3 times", "each depth is used at most N times"),
        ("a 5 must not come after a 1", "A is never followed by B …"),
        ("the web between the tracks is at least 2 mm", "at least LENGTH stands between TRACK A and TRACK B"),
        ("left and right must not be identical", "TRACK A and TRACK B are not the same"),
    ],
)
def test_what_is_not_understood_gets_the_sentence_that_means_most_of_it(text, form):
    made = system(track("left", 4, "12345"), track("right", 4, "12345"))
    with pytest.raises(SentenceError) as caught:
        read_rule(made, text, "must")
    assert caught.value.hint.splitlines()[1].strip() == form
