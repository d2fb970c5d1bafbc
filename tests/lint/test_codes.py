"""What the lint says about codes, held to brute force: every code listed, every claim judged by its definition."""

from __future__ import annotations

from itertools import combinations

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

import bitting
from bitting.diagram import code_space, counter
from bitting.diagram.build import STEPS
from bitting.diagram.occurrence import Legal
from bitting.linting import en1303, lint, readout, rules
from bitting.model import Place
from tests.conftest import drawn
from tests.make import any_system, one_track, read_rules, sentences, system, track
from tests.oracle import broken, every_code


def legal_codes(made):
    return [code for code in every_code(made) if not any(broken(text, made, code) for text in made.must)]


def shares(made, codes):
    """(stay legal, all) for slips in one cut, slips by one depth, and swaps of unlike neighbours, by trying each."""
    known = set(codes)
    stay, happen = [0, 0, 0], [0, 0, 0]
    for code in codes:
        for lane, row in enumerate(code):
            size = len(made.lanes[lane].track.labels)
            for cut, depth in enumerate(row):
                changed = [(0, cut, other) for other in range(size) if other != depth]
                changed += [(1, cut, other) for other in (depth - 1, depth + 1) if 0 <= other < size]
                for kind, at, other in changed:
                    slipped = list(row)
                    slipped[at] = other
                    happen[kind] += 1
                    stay[kind] += (*code[:lane], tuple(slipped), *code[lane + 1 :]) in known
                if cut + 1 < len(row) and row[cut + 1] != depth:
                    slipped = list(row)
                    slipped[cut], slipped[cut + 1] = row[cut + 1], depth
                    happen[2] += 1
                    stay[2] += (*code[:lane], tuple(slipped), *code[lane + 1 :]) in known
    return stay, happen


@drawn(60)
@given(any_system)
def test_slips_that_stay_legal_are_counted_exactly(made) -> None:
    codes = legal_codes(made)
    space = code_space(made)
    if not codes:
        assert space.count == 0
        return
    stay, happen = shares(made, codes)
    hidden, possible = readout.exact_slips(space)
    assert [h * len(codes) for h in hidden] == stay
    assert [p * len(codes) for p in possible] == happen


@drawn(60)
@given(any_system)
def test_large_counts_are_kept_as_whole_numbers_too(made) -> None:
    space = code_space(made)
    if space.count == 0:
        return
    for diagram in space.diagrams:
        small, large = readout._Walker(diagram), readout._Walker(diagram)
        large.kind = object
        large.below = [counts.astype(object) for counts in diagram.counts]
        large.above = [counts.astype(object) for counts in large.above]
        assert large.count() == small.count()


@pytest.mark.thorough
def test_a_space_of_more_codes_than_fit_a_machine_word() -> None:
    """Held to codes drawn at random."""
    made = system(track(cuts=40, labels="12345678"), must=("adjacent cuts differ by at most 3",))
    space = code_space(made)
    assert space.count > 2**64
    drawn_codes = [[list(row) for row in code] for code in space.sample(300, seed=1)]
    stay = happen = 0
    for [row] in drawn_codes:
        for cut, depth in enumerate(row):
            for other in {*range(8)} - {depth}:
                happen += 1
                stay += space.contains([[*row[:cut], other, *row[cut + 1 :]]])
    assert readout.unnoticed(space).any_depth == pytest.approx(stay / happen, abs=0.02)


@drawn(60)
@given(any_system, st.data())
def test_depths_and_pairs_that_occur(made, data) -> None:
    codes = legal_codes(made)
    if not codes:
        return
    legal = Legal(made, code_space(made))
    places = [Place(lane, cut) for lane, row in enumerate(codes[0]) for cut in range(len(row))]
    a, b = data.draw(st.sampled_from(places)), data.draw(st.sampled_from(places))
    seen = {(code[a.lane][a.cut], code[b.lane][b.cut]) for code in codes}
    table = legal.together(a, b)
    assert {(d, e) for d in range(table.shape[0]) for e in range(table.shape[1]) if table[d, e]} == seen
    assert {d for d, occurs in enumerate(legal.occurs(a)) if occurs} == {d for d, _ in seen}
    assert legal.deepest(a.lane) == max(max(code[a.lane]) for code in codes)
    for d in range(table.shape[0]):
        for e in range(table.shape[1]):
            if a == b and d != e:
                continue
            first = next((c for c in codes if c[a.lane][a.cut] == d and c[b.lane][b.cut] == e), None)
            witness = legal.witness({a: d, b: e})
            assert (witness is None) == (first is None)
            if witness is not None:
                found = bitting.parse_code(witness, made).depths
                assert found in codes
                assert (found[a.lane][a.cut], found[b.lane][b.cut]) == (d, e)


def kept(made, texts):
    return sum(1 for code in every_code(made) if not any(broken(text, made, code) for text in texts))


@drawn(60)
@given(any_system)
def test_idle_rules_and_clashes(made) -> None:
    all_of_them = rules.sentences_of(made)
    total = kept(made, made.must)
    if total:
        idle = [i for i in range(len(made.must)) if kept(made, made.must[:i] + made.must[i + 1 :]) == total]
        told = [f.message for f in rules.idle_rules(all_of_them)]
        assert [next(i for i in idle if f"the rule “{made.must[i]}”" in message) for message in told] == idle
        return
    clash, proved = rules.smallest_clash(all_of_them, all_of_them.everything)
    assert proved == "smallest"
    assert kept(made, [made.must[i] for i in clash]) == 0
    for fewer in combinations(made.must, len(clash) - 1):
        assert kept(made, fewer) > 0
    assert [f.code for f in lint(made).findings if f.level == "error"][:1] == ["contradiction"]


@drawn(80)
@given(any_system)
def test_unused_depths(made) -> None:
    codes = legal_codes(made)
    if not codes:
        return
    all_of_them = rules.sentences_of(made)
    about = [
        t
        for t, r in zip(made.must, all_of_them.rules, strict=True)
        if all(x.identifier == "position-depths" for x in r)
    ]
    for lane, made_lane in enumerate(made.lanes):
        for depth in range(len(made_lane.track.labels)):
            dead, unsaid = rules._dead(all_of_them, Legal(made, code_space(made)), lane, depth)
            never = [cut for cut in range(made_lane.track.cuts) if all(code[lane][cut] != depth for code in codes)]
            assert [place.cut for place in dead] == never
            loose = [code for code in every_code(made) if not any(broken(text, made, code) for text in about)]
            said = [cut for cut in never if all(code[lane][cut] != depth for code in loose)]
            assert [place.cut for place in unsaid] == [cut for cut in never if cut not in said]


@drawn(60)
@given(one_track(), st.data())
def test_advice(made, data) -> None:
    labels, cuts = "".join(made.tracks[0].labels), made.tracks[0].cuts
    advice = tuple(data.draw(st.lists(sentences(cuts, labels), min_size=1, max_size=2, unique=True)))
    made = attrs.evolve(made, should=advice, rules=read_rules(made, made.must, advice))
    codes = legal_codes(made)
    if not codes:
        return
    follow = [sum(not broken(text, made, code) for code in codes) for text in advice]
    wanted = [{0: "advice-never-kept", len(codes): "advice-always-kept"}.get(n) for n in follow]
    both = sum(not any(broken(text, made, code) for text in advice) for code in codes)
    if len(advice) == 2 and all(follow) and both == 0:
        wanted.append("advice-clash")
    assert [f.code for f in rules.advice(rules.sentences_of(made), len(codes))] == [code for code in wanted if code]


def test_saying_aloud_what_other_rules_bring_about_is_no_fault() -> None:
    must = ("adjacent cuts differ by at most 1", "first cut is one of 1 2")
    found = lint(system(track(), must=must))
    assert [f.message for f in found.findings if f.code == "unused-depth"] == [
        "depth 4 can never stand at cut 2; “adjacent cuts differ by at most 1” and “first cut is one of 1 2” bar it"
    ]
    found = lint(system(track(), must=(*must, "cut 2 is not 4")))
    assert [(f.code, f.level) for f in found.findings if f.code in ("unused-depth", "idle-rule")] == [
        ("idle-rule", "note")
    ]
    # A sentence about one cut that another such sentence makes idle is a fault like any other.
    found = lint(system(track(), must=(*must, "first cut is not 4")))
    assert ("idle-rule", "warning") in [(f.code, f.level) for f in found.findings]


def test_a_rule_of_several_tracks_is_idle_only_if_it_is_so_on_all() -> None:
    both = (track("left"), track("right"))
    found = lint(
        system(*both, must=("on left, adjacent cuts differ by at most 1", "adjacent cuts differ by at most 2"))
    )
    assert [f.code for f in found.findings if f.code == "idle-rule"] == []
    found = lint(
        system(*both, must=("adjacent cuts differ by at most 1", "on left, adjacent cuts differ by at most 2"))
    )
    assert [f.code for f in found.findings if f.code == "idle-rule"] == ["idle-rule"]


def test_codes_too_many_sided_to_hold_prove_nothing(monkeypatch) -> None:
    from bitting.errors import TooLargeError

    def refuse(*_, **__):
        raise TooLargeError("the codes are too many-sided", rule="a rule")

    monkeypatch.setattr("bitting.linting.run.code_space", refuse)
    found = lint(bitting.load_system("plover"))
    assert [(f.code, f.level) for f in found.findings] == [("too-large", "warning")]
    assert "nothing about the legal codes is proved" in found.findings[0].message


def keeps(code, grade) -> bool:
    """Whether a code keeps the limits of a grade, in each of its lists."""
    for row in code:
        if max(row.count(d) for d in row) > grade.identical_percent * len(row) // 100:
            return False
        run = 1
        for a, b in zip(row, row[1:], strict=False):
            run = run + 1 if a == b else 1
            if grade.most_equal is not None and run > grade.most_equal:
                return False
    return True


@drawn(40)
@given(any_system)
def test_grades_by_brute_force(made) -> None:
    codes = legal_codes(made)
    if not codes:
        return
    for grade, graded in zip(en1303.GRADES, en1303.grades(made, len(codes)), strict=True):
        good = [code for code in codes if keeps(code, grade)]
        assert graded.usable == len(good)
        assert graded.by_rules == (len(good) == len(codes))
        detainers = sum(map(len, codes[0]))
        assert graded.met == (len(good) >= grade.differs and detainers >= grade.detainers)


def test_labels_that_are_rule_words_can_be_counted_for_grades() -> None:
    made = system(track(labels=["a", "b", "is", "no"], cuts=3))
    codes = legal_codes(made)
    assert [graded.usable for graded in en1303.grades(made, len(codes))] == [
        sum(keeps(code, grade) for code in codes) for grade in en1303.GRADES
    ]


def test_more_counts_than_are_made_leave_a_grade_open(monkeypatch) -> None:
    monkeypatch.setattr(en1303, "MOST_COUNTS", 2)
    made = system(track(cuts=6))
    findings, figures = en1303.report(made, code_space(made).count)
    assert figures["grades"][1]["met"] is None
    assert "open" in findings[2].message
    assert "too many-sided to count" in findings[2].message
    assert "no certification" in findings[0].message


DIRECTIONS = (
    "adjacent cuts differ by at most 9",
    "cuts change direction at least 3 times",
    "on left, first cut is one of 1",
)


def directed(cuts: int, depths: int, *must: str):
    """Two tracks under three rules, of which the first can't bind, the second counts, the third speaks of one track."""
    labels = [str(n) for n in range(1, depths + 1)]
    return system(track("left", cuts, labels), track("right", cuts, labels), must=(*DIRECTIONS, *must))


def test_each_diagram_is_built_once_however_many_rules_are_compared(monkeypatch) -> None:
    """Beside the legal codes: left without its own sentence, with that alone, and either track under no rule."""
    from bitting.diagram import space as space_module

    made, built = directed(8, 5), []
    whole = space_module.build
    monkeypatch.setattr(space_module, "build", lambda *given: built.append(given[1][0].lane) or whole(*given))
    lint(made)
    assert sorted(built) == [0, 0, 0, 0, 1, 1]


def no_time(monkeypatch) -> None:
    """Room for counts of a rule that remembers nothing (40 questions), and for no other."""
    monkeypatch.setattr(rules, "MOST_STEPS", 0)
    monkeypatch.setattr(counter, "LEAST", STEPS // 50)


def test_what_there_is_no_time_to_count_is_said_and_nothing_is_claimed_of_it(monkeypatch) -> None:
    made = attrs.evolve(directed(8, 5), should=("at least 2 different depths",))
    asked = "on left, first cut is one of 1"
    assert not [f for f in lint(made).findings if f.code == "not-checked" and "too much to count" in f.message]
    no_time(monkeypatch)
    found = [f.message for f in lint(made).findings if "too much to count" in f.message]
    assert found == [
        f"whether “{asked}” rejects anything that the other rules allow is not looked at: there is too much to count",
        "whether the advice “at least 2 different depths” can be followed is not looked at: there is too much to count",
    ]
    assert [f.message.split("”")[0] for f in lint(made).findings if f.code == "idle-rule"] == [
        f"the rule “{DIRECTIONS[0]}"  # it can't bind, so without it the codes are those that are counted already
    ]
    assert not lint(made).complete


def test_a_clash_that_there_is_no_time_to_narrow_down_claims_no_more_than_it_knows(monkeypatch) -> None:
    made = directed(8, 5, "cuts change direction at most 1 time")
    assert "these 2 rules clash, and no fewer do" in lint(made).findings[0].message
    no_time(monkeypatch)
    assert "these rules clash, perhaps fewer of them do" in lint(made).findings[0].message


def test_more_slips_than_there_is_time_to_follow_are_said_not_to_be_counted(monkeypatch) -> None:
    space = code_space(directed(8, 5))
    assert readout.unnoticed(space) is not None
    monkeypatch.setattr(readout, "MOST_ROWS", 1000)
    assert readout.unnoticed(space) is None
    notes = [f.message for f in lint(directed(8, 5)).findings if f.code == "not-checked"]
    assert "slips in reading out are not counted" in notes[0]
    assert notes[-1].startswith("to have everything checked, add")
