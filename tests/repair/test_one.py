"""The nearest legal codes: equal to the naive posterior, named slips said in words, nothing illegal ever suggested."""

from __future__ import annotations

import subprocess
import sys
from math import prod

import attrs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import bitting
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import Code, Cut, CutList, System, code_of
from bitting.repair import Repairer, nearest
from bitting.repair.written import signs_of
from tests.make import one_track, system, track, two_sides, two_tracks
from tests.repair_oracle import posterior


def small(made: System) -> bool:
    """Few enough codes to write every one down with every pair of slips."""
    return prod(len(lane.track.labels) ** lane.track.cuts for lane in made.lanes) <= 256


def lists_code(made: System, rows: list[tuple[str | None, str | None, list[str]]]) -> Code:
    """A code of (side, track, labels) rows, as the reader of codes would make it; None: fits no track."""
    written = []
    for side, name, labels in rows:
        table = (made.track(name) if name else made.tracks[0]).labels
        cuts = tuple(Cut((table.index(t),) if t in table else (), t, (0, 0)) for t in labels)
        written.append(CutList(side, name, cuts, (0, 0)))
    return Code(made, "", tuple(written))


def compare(made: System, code: Code, expected: tuple[int, dict]) -> None:
    """The package's list, whole, against the naive one: codes, probabilities, order."""
    slips, meant = expected
    answer = Repairer(made).nearest(code, best=10**6)
    got = {found.depths: found.probability for found in answer.codes}
    assert got.keys() == meant.keys()
    for depths, probability in meant.items():
        assert got[depths] == pytest.approx(probability, abs=1e-9, rel=1e-9)
    ranked = [found.depths for found in answer.codes]
    assert ranked == sorted(ranked, key=lambda depths: (-round(meant[depths], 9), depths))
    assert (answer.slips, answer.count) == ((slips, len(meant)) if meant else (0, 0))
    assert bool(answer.note) == (not meant or slips == 2)
    for best in (1, 3):
        assert Repairer(made).nearest(code, best=best).codes == answer.codes[:best]


def scrawl(draw: st.DrawFn, labels: tuple[str, ...], cuts: int, off: int) -> list[str]:
    """A row that may be anything, a foreign sign included."""
    signs = st.sampled_from([*labels, *labels, "9"])
    size = max(1, cuts + off)
    return draw(st.lists(signs, min_size=size, max_size=size))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_one_track_equals_brute_force(data: st.DataObject) -> None:
    made = data.draw(one_track().filter(small))
    of = made.tracks[0]
    row = scrawl(data.draw, of.labels, of.cuts, data.draw(st.integers(-2, 2)))
    expected = posterior(made, [(0, None)], [row])
    compare(made, lists_code(made, [(None, "left", row)]), expected)


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_two_tracks_equal_brute_force(data: st.DataObject) -> None:
    made = data.draw(two_tracks().filter(small))
    off = data.draw(st.sampled_from([(0, 0), (0, 0), (1, 0), (0, -1), (1, -1), (-1, -1)]))
    rows = [scrawl(data.draw, t.labels, t.cuts, o) for t, o in zip(made.tracks, off, strict=True)]
    expected = posterior(made, [(0, None), (1, None)], rows)
    compare(made, lists_code(made, [(None, t.name, r) for t, r in zip(made.tracks, rows, strict=True)]), expected)


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_two_sides_equal_brute_force(data: st.DataObject) -> None:
    made = data.draw(two_sides().filter(small))
    off = data.draw(st.sampled_from([(0, 0), (0, 0), (1, 0), (0, -1)]))
    rows = [scrawl(data.draw, made.tracks[0].labels, made.tracks[0].cuts, o) for o in off]
    expected = posterior(made, [(0, "top"), (1, "bottom")], rows)
    code = lists_code(made, [("top", "edge", rows[0]), ("bottom", "edge", rows[1])])
    compare(made, code, expected)


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_a_list_that_fits_no_track_equals_brute_force(data: st.DataObject) -> None:
    made = data.draw(two_tracks().filter(small))
    total = sum(t.cuts for t in made.tracks)
    row = scrawl(data.draw, made.tracks[0].labels, total, data.draw(st.sampled_from([-2, -1, 1, 2])))
    expected = posterior(made, [(0, None), (1, None)], [tuple(row)], joined=True)
    compare(made, lists_code(made, [(None, None, row)]), expected)


@settings(max_examples=12, deadline=None)
@given(st.data())
def test_a_convenience_key_written_on_both_sides_equals_brute_force(data: st.DataObject) -> None:
    base = data.draw(one_track().filter(small))
    made = attrs.evolve(base, sides=("top", "bottom"), convenience=True)
    of = made.tracks[0]
    off = data.draw(st.sampled_from([(0, 0), (0, 0), (1, 0), (0, -1)]))
    rows = [scrawl(data.draw, of.labels, of.cuts, o) for o in off]
    if rows[0] == rows[1]:
        streams, rows = [(0, None)], rows[:1]
    else:
        streams, rows = [(0, "bottom"), (0, "top")], rows
    expected = posterior(made, streams, rows)
    if len(rows) == 1:
        code = lists_code(made, [("top", "left", rows[0]), ("bottom", "left", rows[0])])
    else:
        code = lists_code(made, [("bottom", "left", rows[0]), ("top", "left", rows[1])])
    compare(made, code, expected)


PLAIN = system(track(cuts=6, labels="12345"), must=("cut 1 is not 5", "no more than 2 equal cuts in a row"))
PAIR = system(
    track("left", 4, "1234"), track("right", 4, "1234"),
    must=("on left, first cut is one of 1", "on left, last cut is one of 4", "on right, first cut is one of 3 4"),
)  # fmt: skip
LETTERS = system(track(cuts=4, labels="ABCDEF"), must=("first cut is one of A",))
ZERO = system(track(cuts=4, labels="01234"))
SIDES = system(
    track("edge", 4, "1234", "edge"), sides=("top", "bottom"), must=("on top, cuts never get shallower",)
)  # fmt: skip
BOTH = attrs.evolve(PLAIN, sides=("top", "bottom"), convenience=True)


@pytest.mark.parametrize(
    ("made", "text", "meant", "change"),
    [
        (PLAIN, "5 1 3 3 2 1", "4 1 3 3 2 1", "cut 1 is 4, not 5"),
        (PLAIN, "1 2 3 4 7 2", "1 2 3 4 1 2", "cut 5 is 1, not 7"),  # 7 looks like 1
        (PLAIN, "1 2 3 S 2 1", "1 2 3 5 2 1", "S written for 5"),
        (PLAIN, "5 4 2 1 2 3", "4 5 2 1 2 3", "neighbours 1 and 2 swapped"),
        (PLAIN, "1 2 2 2 3 1", "1 2 2 3 3 1", "cut 4 is 3, not 2"),
        (PLAIN, "1 3 3 2 4 4 1", "1 3 2 4 4 1", "cuts 2 and 3 are one cut, written twice"),
        (PLAIN, "1 2 3 3 3 2 1", "1 2 3 3 2 1", "cuts 3 and 4 are one cut, written twice"),
        (PLAIN, "0 1 3 2 4 0", "1 2 4 3 5 1", "numbering shifted by one: every label one too low"),
        (BOTH, "top(1 2 3 4 3 2); bottom(1 2 3 4 4 2)", "1 2 3 4 3 2", "bottom left cut 5 is 3, not 4"),
        (PAIR, "3 2 2 1 / 1 2 3 4", "left: 1 2 3 4 / right: 3 2 2 1", "left and right exchanged"),
        (PAIR, "4 2 3 1 / 3 1 2 1", "left: 1 3 2 4 / right: 3 1 2 1", "left read from the tip"),
        (PAIR, "4 2 3 1 / 1 2 1 3", "left: 1 3 2 4 / right: 3 1 2 1", "read from the tip"),
        (PAIR, "1 3 2 4 / 1 3 3 1", "left: 1 3 2 4 / right: 3 1 3 1", "right neighbours 1 and 2 swapped"),
        (PAIR, "1 3 2 4 / 3 1 2 / 1", "left: 1 3 2 4 / right: 3 1 2 1", "shared out as left 4, right 4"),
        (PLAIN, "1/2/3/3/2/1", "1 2 3 3 2 1", "put together"),
        (LETTERS, "P B C D", "A B C D", "cut 1 is A, not P"),
        (LETTERS, "A B C 8", "A B C B", "8 written for B"),
        (ZERO, "1 O O 2", "1 0 0 2", "O written for 0"),
        (SIDES, "top(4 3 2 1); bottom(1 2 2 3)", "top(1 2 2 3); bottom(4 3 2 1)", "top and bottom exchanged"),
    ],
)
def test_named_slips(made: System, text: str, meant: str, change: str) -> None:
    code = bitting.parse_code(text, made)
    assert not bitting.check(code, suggest=False).legal
    said = {found.code: found.change for found in nearest(code).codes}
    assert said.get(meant) == change, said


def test_a_missing_cut_is_one_suggestion_per_code() -> None:
    """Of two equal cuts either may be the missing one: the same code, so one suggestion, and twice as likely."""
    answer = nearest(bitting.parse_code("1 2 1 2 5", PLAIN), best=100)
    said = {found.code: found.change for found in answer.codes}
    assert said["1 1 2 1 2 5"] == "cut 1 is missing: 1"
    assert said["1 2 1 2 2 5"] == "cut 4 is missing: 2"
    assert said["1 2 1 4 2 5"] == "cut 4 is missing: 4"
    assert len(said) == len(answer.codes)
    assert 0.98 < sum(found.probability for found in answer.codes) < 1
    likely = {found.code: found.probability for found in answer.codes}
    assert likely["1 1 2 1 2 5"] == pytest.approx(2 * likely["1 2 1 4 2 5"])


@pytest.mark.parametrize(
    ("made", "text", "lacking"),
    [
        (PAIR, "left: 1 3 2 4", "all the cuts of right are missing"),
        (PAIR, "1 3 2 4", "all the cuts of left or of right are missing"),
        (SIDES, "top(1 2 2 3)", "all the cuts of bottom are missing"),
    ],
)
def test_a_track_that_is_missing_altogether_is_said_as_that(made: System, text: str, lacking: str) -> None:
    answer = nearest(bitting.parse_code(text, made))
    assert (answer.codes, answer.note.split(";")[0]) == ((), lacking)


def test_two_slips_are_tried_only_where_one_explains_nothing_and_said() -> None:
    one, two = (nearest(bitting.parse_code(text, PLAIN), best=99) for text in ("5 1 3 3 2 1", "5 1 1 1 1 1"))
    assert (one.slips, one.note, two.slips) == (1, "", 2)
    assert "two of the likely slips lead from these" in two.note
    assert all(" and " in found.change for found in two.codes)


def test_a_cut_too_many_anywhere() -> None:
    answer = nearest(bitting.parse_code("1 2 3 5 4 2 1", PLAIN), best=7)
    changes = {found.change for found in answer.codes}
    assert changes == {f"cut {n} is one too many" for n in range(1, 8)}


@pytest.mark.parametrize("name", ["plover", "wren", "dunlin", "siskin", "heron", "grebe"])
def test_what_is_suggested_is_legal(name: str) -> None:
    """Whatever is written; a suggestion that could not be cut would be the worst mistake."""
    made = bitting.load_system(name)
    space = code_space(made)
    for number, depths in enumerate(space.sample(6, seed=5)):
        rows = [list(row) for row in depths]
        row = rows[number % len(rows)]
        size = len(made.lanes[0].track.labels)
        row[number % len(row)] = (row[number % len(row)] + size // 2) % size
        row[-1 - number % len(row)] = (row[-1 - number % len(row)] + 1) % size
        code = code_of(made, rows)
        if bitting.check(code, suggest=False).legal:
            continue
        for found in nearest(code, best=20).codes:
            again = bitting.check(bitting.parse_code(found.code, made), suggest=False)
            assert again.legal
            assert again.canonical == found.code
            assert space.contains(found.depths)


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("1 2 ? 3 2 1", "open cuts"),
        ("5 2 [1 3] 3 2 1", "open cuts"),
        ("5 2 1..9 3 2 1", "open cuts"),
        ("1", "nor two of the likely slips"),
        ("9 9 9 9 9 9", "nor two of the likely slips"),
    ],
)
def test_why_nothing_is_suggested(text: str, note: str) -> None:
    report = bitting.check(bitting.parse_code(text, PLAIN))
    assert not report.legal
    assert report.suggestions == ()
    assert note in report.suggestions_note


def test_a_code_space_that_is_too_large_gives_the_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bitting.diagram.walk.code_space", lambda made: code_space(made, budget=3))
    monkeypatch.setattr("bitting.repair.repairer.code_space", lambda made: code_space(made, budget=3))
    made = attrs.evolve(PLAIN, name="another")  # compiled for no other test
    answer = Repairer(made).nearest(bitting.parse_code("5 1 3 3 2 1", made))
    assert answer.codes == ()
    assert "too many-sided" in answer.note


def test_two_lists_of_a_wrong_length_are_asked_for_again():
    """A cut dropped in each is none of the likely pairs of slips: that no legal code is near would be wrong."""
    for name, text, lists in (
        ("grebe", "top 21343 / bottom 44214", "top and bottom"),
        ("plover", "left 213555 / right 23343334", "left and right"),
    ):
        made = bitting.load_system(name)
        answer = Repairer(made).nearest(bitting.parse_code(text, made))
        assert not answer.codes
        assert answer.note == f"{lists} each have a cut too few or too many: ask for these lists again"


def test_no_legal_code_at_all() -> None:
    made = system(track(cuts=3), must=("cut 1 is not 1 2 3 4",))
    answer = Repairer(made).nearest(bitting.parse_code("1 2 3", made))
    assert answer.codes == ()
    assert "nor two of the likely slips" in answer.note


def test_a_legal_code_is_likeliest_as_written() -> None:
    first = nearest(bitting.parse_code("1 2 3 1 2 3", PLAIN)).codes[0]
    assert (first.code, first.change) == ("1 2 3 1 2 3", "as written")
    assert first.probability > 0.5


def test_a_side_that_lacks_a_list_is_completed_from_the_other() -> None:
    made = attrs.evolve(PAIR, sides=("top", "bottom"), convenience=True)
    first = nearest(bitting.parse_code("top(left: 1324 / right: 3121); bottom(left: 1324)", made)).codes[0]
    assert (first.code, first.change) == ("left: 1 3 2 4 / right: 3 1 2 1", "the same cuts on every side")


def test_another_systems_code_is_refused() -> None:
    with pytest.raises(BittingError, match="another system"):
        Repairer(PLAIN).nearest(bitting.parse_code("1 2 3 1", LETTERS))


def test_check_shows_five_and_the_json_has_them() -> None:
    report = bitting.check(bitting.parse_code("5 1 3 3 2 1", PLAIN))
    assert len(report.suggestions) == 5
    assert report.suggestions_note == ""
    shown = report.as_dict()["suggestions"]
    assert {"code", "change", "probability"} == set(shown[0])
    assert "4 1 3 3 2 1" in {found["code"] for found in shown}
    assert shown == [found.as_dict() for found in report.suggestions]
    probabilities = [found.probability for found in report.suggestions]
    assert probabilities == sorted(probabilities, reverse=True)
    assert 0 < sum(probabilities) <= 1


def test_a_legal_code_loads_no_arrays() -> None:
    script = (
        "import sys, bitting; s = bitting.load_system('plover'); "
        "r = bitting.check(bitting.parse_code('2133124 1124421', s)); print(r.legal, 'numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]


def test_heard_tens_equal_brute_force() -> None:
    made = system(
        track(cuts=4, labels="01356"), must=("first cut is one of 3 5 6", "adjacent cuts differ by at least 1")
    )
    for text in ("1 3 1 6", "3 0 0 1", "5 1 6 6", "1 6 1 0", "3 3 3 3"):
        row = text.split()
        compare(made, lists_code(made, [(None, "left", row)]), posterior(made, [(0, None)], [row]))
    said = {found.code: found.change for found in nearest(bitting.parse_code("1 3 1 6", made), best=99).codes}
    assert said["3 0 1 6"] == "cuts 1 and 2 are 3 0, not 1 3"
    said = {found.code: found.change for found in nearest(bitting.parse_code("3 3 0 1", made), best=99).codes}
    assert said["3 1 3 1"] == "cuts 2 and 3 are 1 3, not 3 0"


def test_a_list_of_no_track_is_written_by_the_first_ones_labels() -> None:
    made = system(track("left", 4, "1234"), track("right", 3, "ABCD"))
    code = lists_code(made, [(None, None, ["1", "3", "2", "4", "2"]), (None, "right", ["A", "D"])])
    assert signs_of(code) == ["1", "3", "2", "4", "2", "A", "D"]


def test_where_two_slips_are_too_many_to_look_for_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """The moves of a key of a thousand cuts, two by two, would fill gigabytes; here the limit comes down to a short key."""
    made = system(track(cuts=4, labels="1234"), must=("at least 4 different depths",))
    code = code_of(made, [[0] * 4])
    assert Repairer(made).nearest(code).note.endswith("(other pairs are not looked for, and may lead to one)")
    monkeypatch.setattr("bitting.repair.moves.MOST_PAIRED", 5)
    assert Repairer(made).nearest(code).note.endswith("; two are not looked for on so long a key")
