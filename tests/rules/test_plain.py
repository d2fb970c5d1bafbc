"""Rule sentences beside a plain reading of each, over every code of small systems read from files.

Each row is a sentence as a system file has it and the same sentence in Python; legality, findings and the count must
follow the reading for every code there is. A depth is its place in the table, 0 the shallowest.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise, product
from typing import Any

import pytest

import bitting
from bitting.model import System
from bitting.systemfile import read_system
from tests.conftest import but_long

HEAD = 'format = 1\n[system]\nname = "finch"\nsource = "invented"\nunit = "mm"\nstop = "tip"\n'
SIDES = 'sides = ["top", "bottom"]\n'
TRACK = """
[[tracks]]
name = "{name}"
milling = "{milling}"
measured = "{measured}"
spaces = [{spaces}]
depths = {{ {depths} }}
"""
NUMBERS = ("1", "2", "3", "10")


def read(
    must: Iterable[str] = (),
    should: Iterable[str] = (),
    *,
    names: Sequence[str] = ("left",),
    cuts: int = 4,
    labels: Sequence[str] = NUMBERS,
    sides: str = "",
    milling: str = "external",
    measured: str = "far-edge",
    sizes: Sequence[float] = (8.0, 7.5, 7.0, 6.0),
) -> System:
    """A system of like tracks; the cuts stand 3, 2, 1, … apart, so that no two gaps are alike."""
    spaces = ", ".join(str(n * (n + 1) // 2) for n in range(cuts, 0, -1))
    depths = ", ".join(f'"{label}" = {size}' for label, size in zip(labels, sizes, strict=False))
    text = HEAD + sides + "[blade]\nwidth = 10\n"
    for name in names:
        text += TRACK.format(name=name, milling=milling, measured=measured, spaces=spaces, depths=depths)
    rules = {"must": list(must), "should": list(should)}
    text += "[rules]\n" + "".join(f"{level} = {json.dumps(rows)}\n" for level, rows in rules.items())
    return read_system(text, "finch.toml")


def written(system: System, rows: Sequence[Sequence[int]]) -> str:
    """The canonical text of a code, put together by hand."""
    tracks, out = system.tracks, []
    for start in range(0, len(rows), len(tracks)):
        lists = [
            " ".join(track.labels[d] for d in row)
            for track, row in zip(tracks, rows[start : start + len(tracks)], strict=True)
        ]
        named = [f"{track.name}: {text}" for track, text in zip(tracks, lists, strict=True)]
        out.append(" / ".join(named if len(tracks) > 1 else lists))
    sides = system.sides if len(out) > 1 else ()
    return "; ".join(f"{side}({text})" for side, text in zip(sides, out, strict=True)) if sides else out[0]


def compare(system: System, identifier: str, lanes: int, legal: Callable[..., bool]) -> None:
    """Every code of the system: what `check` says, and how many `count` counts, follow the plain reading."""
    total = 0
    cuts, depths = system.tracks[0].cuts, len(system.tracks[0].labels)
    every = list(product(range(depths), repeat=cuts))
    for rows in product(every, repeat=lanes):
        text = written(system, rows)
        report = bitting.check(bitting.parse_code(text, system), system, suggest=False)
        assert report.canonical == text
        assert report.legal == legal(*rows), text
        assert {finding.rule for finding in report.findings} <= {identifier}
        total += report.legal
    assert bitting.count(system) == total
    assert 0 < total < len(every) ** lanes, "the sentence must tell codes apart"


def rising(row: Sequence[int]) -> list[bool]:
    return [b > a for a, b in pairwise(row)]


def falling(row: Sequence[int]) -> list[bool]:
    return [b < a for a, b in pairwise(row)]


def longest(marks: Iterable[bool]) -> int:
    return max(map(len, "".join("x" if mark else " " for mark in marks).split()), default=0)


def turns(row: Sequence[int]) -> int:
    ways = [b > a for a, b in pairwise(row) if a != b]
    return sum(a != b for a, b in pairwise(ways))


def added(row: Sequence[int]) -> int:
    return sum(int(NUMBERS[d]) for d in row)


def opposite(x: Sequence[int], y: Sequence[int]) -> list[tuple[int, int]]:
    return list(zip(x, y, strict=True))


def runs(row: Sequence[int]) -> int:
    return longest([False, *(a == b for a, b in pairwise(row))]) + 1


ONE: list[tuple[str, str, Callable[[tuple[int, ...]], bool]]] = [
    ("adjacent-difference", "adjacent cuts differ by at most 1",
     lambda r: all(abs(a - b) <= 1 for a, b in pairwise(r))),
    ("adjacent-difference", "MACS is 2", lambda r: all(abs(a - b) <= 2 for a, b in pairwise(r))),
    ("adjacent-difference", "Adjacent CUT differ by max 2.", lambda r: all(abs(a - b) <= 2 for a, b in pairwise(r))),
    ("adjacent-difference", "adjacent cuts differ by at least 1", lambda r: all(a != b for a, b in pairwise(r))),
    ("adjacent-difference", "adjacent cuts differ by an even amount", lambda r: len({d % 2 for d in r}) == 1),
    ("step", "a cut is at most 1 deeper than the cut before it", lambda r: all(b - a <= 1 for a, b in pairwise(r))),
    ("step", "a cut is at most 1 shallower than the cut before it", lambda r: all(a - b <= 1 for a, b in pairwise(r))),
    ("step", "cuts are at most 1 shallower than the cuts before them",
     lambda r: all(a - b <= 1 for a, b in pairwise(r))),
    ("position-depths", "first cut is one of 1 10", lambda r: r[0] in (0, 3)),
    ("position-depths", "last cut is 2, 3 or 10", lambda r: r[3] in (1, 2, 3)),
    ("position-depths", "cut 3 is one of 10", lambda r: r[2] == 3),
    ("position-depths", "cut 2 is not 1 10", lambda r: r[1] not in (0, 3)),
    ("equal-run", "no more than 2 equal cuts in a row", lambda r: runs(r) <= 2),
    ("equal-run", "no more than 1 equal cut in a row", lambda r: runs(r) <= 1),
    ("distinct-depths", "at least 3 different depths", lambda r: len(set(r)) >= 3),
    ("distinct-depths", "at most 1 different depths", lambda r: len(set(r)) <= 1),
    ("depth-uses", "at least 2 cuts are 3 or deeper", lambda r: sum(d >= 2 for d in r) >= 2),
    ("depth-uses", "at least 1 cuts is 10 or deeper", lambda r: 3 in r),
    ("depth-uses", "depth 10 is used at most 1 times", lambda r: r.count(3) <= 1),
    ("depth-uses", "depth 2 is used at least 2 times", lambda r: r.count(1) >= 2),
    ("depth-uses", "no depth is used more than 2 times", lambda r: max(Counter(r).values()) <= 2),
    ("depth-uses", "depths 1 10 together are used at most 2 times", lambda r: r.count(0) + r.count(3) <= 2),
    ("spread", "the deepest and the shallowest cut differ by at least 2", lambda r: max(r) - min(r) >= 2),
    ("spread", "the deepest and the shallowest cut differ by at most 2", lambda r: max(r) - min(r) <= 2),
    ("spread", "the deepest cut and the shallowest cut differ by at most 2", lambda r: max(r) - min(r) <= 2),
    ("changes", "at most 1 neighbours are equal", lambda r: sum(a == b for a, b in pairwise(r)) <= 1),
    ("changes", "the depth changes at least 2 times", lambda r: sum(a != b for a, b in pairwise(r)) >= 2),
    ("distant-difference", "cuts 2 apart differ by at most 1",
     lambda r: abs(r[0] - r[2]) <= 1 and abs(r[1] - r[3]) <= 1),
    ("forbidden-pair", "1 is never followed by 3 10",
     lambda r: not any(a == 0 and b in (2, 3) for a, b in pairwise(r))),
    ("forbidden-pair", "1 and 10 are never neighbours", lambda r: not any({a, b} == {0, 3} for a, b in pairwise(r))),
    ("forbidden-sequence", "1 2 1 never stand in a row", lambda r: (0, 1, 0) not in (r[:3], r[1:])),
    ("conditional", "when cut 1 is 1 10, cut 3 is one of 2 3", lambda r: r[0] not in (0, 3) or r[2] in (1, 2)),
    ("conditional", "when last cut is 3, first cut is one of 1", lambda r: r[3] != 2 or r[0] == 0),
    ("cuts-compared", "cut 1 is deeper than cut 3", lambda r: r[0] > r[2]),
    ("cuts-compared", "cuts 2 and 4 are equal", lambda r: r[1] == r[3]),
    ("cuts-compared", "cuts 4 and 2 are not equal", lambda r: r[1] != r[3]),
    ("rise-and-fall", "cuts never get shallower", lambda r: list(r) == sorted(r)),
    ("rise-and-fall", "cuts never get deeper", lambda r: list(r) == sorted(r, reverse=True)),
    ("rise-and-fall", "cuts get deeper at most 1 times", lambda r: sum(rising(r)) <= 1),
    ("rise-and-fall", "cuts get deeper at least 2 times", lambda r: sum(rising(r)) >= 2),
    ("rise-and-fall", "cuts get shallower at most 1 time", lambda r: sum(falling(r)) <= 1),
    ("rise-and-fall", "no more than 2 cuts in a row get deeper", lambda r: longest(rising(r)) <= 2),
    ("rise-and-fall", "no more than 1 cut in a row gets shallower", lambda r: longest(falling(r)) <= 1),
    ("rise-and-fall", "cuts change direction at least 1 times", lambda r: turns(r) >= 1),
    ("sum", "the sum of cuts is even", lambda r: added(r) % 2 == 0),
    ("sum", "the sum of cuts is odd", lambda r: added(r) % 2 == 1),
    ("sum", "the sum of cuts is between 13 and 22", lambda r: 13 <= added(r) <= 22),
    ("excluded", "these codes are not used: 1 2 3 10, 10 10 1 1", lambda r: r not in ((0, 1, 2, 3), (3, 3, 0, 0))),
    ("excluded", "the code is not the same read from the tip", lambda r: r != r[::-1]),
]  # fmt: skip


def kinds_first(rows: list[Any]) -> list[Any]:
    """The sentences, of which all but the first of each kind are thorough."""
    first = {row[0]: row for row in reversed(rows)}
    return but_long(rows, *(row for row in rows if row is not first[row[0]]))


@pytest.mark.parametrize(("identifier", "sentence", "legal"), kinds_first(ONE), ids=[row[1] for row in ONE])
def test_one_track(identifier: str, sentence: str, legal: Callable[..., bool]) -> None:
    compare(read([sentence]), identifier, 1, legal)


def between(a: int, b: int) -> float:
    """What stands between two opposite flats of a blade of 10, by what is left beside each."""
    left = (8.0, 7.0, 6.0)
    return left[a] + left[b] - 10


Row = tuple[int, ...]
TWO: list[tuple[str, str, Callable[[Row, Row], bool]]] = [
    ("opposite-sum", "left and right add up to at most 4 at every cut",
     lambda x, y: all(a + b + 2 <= 4 for a, b in opposite(x, y))),
    ("opposite-difference", "left and right differ by at least 1 at every cut",
     lambda x, y: all(a != b for a, b in opposite(x, y))),
    ("opposite-difference", "right and left differ by at most 1 at every cut",
     lambda x, y: all(abs(a - b) <= 1 for a, b in opposite(x, y))),
    ("tracks-differ", "left and right are not the same", lambda x, y: x != y),
    ("conditional", "when left cut 1 is 3, right cut 2 is one of 1", lambda x, y: x[0] != 2 or y[1] == 0),
    ("conditional", "when RIGHT cut 3 is 1 2, Left last cut is one of 2", lambda x, y: y[2] > 1 or x[2] == 1),
    ("conditional", "when left cut 1 is 3, cut 2 is one of 1", lambda x, _y: x[0] != 2 or x[1] == 0),
    ("position-depths", "on right, first cut is one of 1 3", lambda _x, y: y[0] in (0, 2)),
    ("position-depths", "right cut 1 is one of 1 3", lambda _x, y: y[0] in (0, 2)),
    ("position-depths", "first cut is one of 1 3", lambda x, y: x[0] in (0, 2) and y[0] in (0, 2)),
    ("sum", "the sum of cuts is even", lambda x, y: (sum(x) + 3) % 2 == 0 and (sum(y) + 3) % 2 == 0),
    ("sum", "over the whole key, the sum of cuts is odd", lambda x, y: (sum(x + y) + 6) % 2 == 1),
    ("sum", "Over the whole key, the sum of the cuts is between 9 and 14.", lambda x, y: 9 <= sum(x + y) + 6 <= 14),
    ("depth-uses", "over the whole key, depth 3 is used at most twice", lambda x, y: (x + y).count(2) <= 2),
    ("depth-uses", "over all tracks, depth 1 is used at least 3 times", lambda x, y: (x + y).count(0) >= 3),
    ("depth-uses", "on the whole key, no depth is used more than 3 times",
     lambda x, y: max(Counter(x + y).values()) <= 3),
    ("depth-uses", "over the whole key, at least 4 cuts are 2 or deeper", lambda x, y: sum(d > 0 for d in x + y) >= 4),
    ("depth-uses", "over the whole key, depths 1 3 together are used at most 4 times",
     lambda x, y: sum(d != 1 for d in x + y) <= 4),
    ("excluded", "these codes are not used: left: 213 / right: 112", lambda x, y: (x, y) != ((1, 0, 2), (0, 0, 1))),
    ("excluded", "these codes are not used: right: 112 / left: 213", lambda x, y: (x, y) != ((1, 0, 2), (0, 0, 1))),
    ("excluded", "these codes are not used: 213 / 112, R from tip: 1-2-3 / L: 111.",
     lambda x, y: (x, y) not in (((1, 0, 2), (0, 0, 1)), ((0, 0, 0), (2, 1, 0)))),
    ("excluded", "on left, these codes are not used: 213, 3 1 2", lambda x, _y: x not in ((1, 0, 2), (2, 0, 1))),
    ("metal-left", "at least 4 stands between left and right",
     lambda x, y: all(between(a, b) >= 4 for a, b in opposite(x, y))
     and all((3 - i) ** 2 + between(x[j], y[k]) ** 2 >= 16 for i in (0, 1) for j, k in ((i, i + 1), (i + 1, i)))),
]  # fmt: skip


@pytest.mark.parametrize(("identifier", "sentence", "legal"), kinds_first(TWO), ids=[row[1] for row in TWO])
def test_two_tracks(identifier: str, sentence: str, legal: Callable[..., bool]) -> None:
    made = read([sentence], names=("left", "right"), cuts=3, labels="123", sizes=(8.0, 7.0, 6.0))
    compare(made, identifier, 2, legal)


EDGES: list[tuple[str, str, Callable[[Row, Row], bool]]] = [
    ("tracks-differ", "top and bottom are not the same", lambda x, y: x != y),
    ("position-depths", "on bottom, first cut is one of 1 3", lambda _x, y: y[0] in (0, 2)),
    ("conditional", "when top cut 1 is 3, bottom cut 2 is one of 1", lambda x, y: x[0] != 2 or y[1] == 0),
    ("conditional", "when bottom cut 3 is 3, top cut 1 is not 1", lambda x, y: y[2] != 2 or x[0] != 0),
    ("opposite-difference", "top and bottom differ by at most 1 at every cut",
     lambda x, y: all(abs(a - b) <= 1 for a, b in opposite(x, y))),
    ("excluded", "these codes are not used: top(213); bottom(112)", lambda x, y: (x, y) != ((1, 0, 2), (0, 0, 1))),
    ("excluded", "these codes are not used: bottom(112); top(213)", lambda x, y: (x, y) != ((1, 0, 2), (0, 0, 1))),
    ("excluded", "these codes are not used: both(213)", lambda x, y: (x, y) != ((1, 0, 2), (1, 0, 2))),
    ("excluded", "on top, these codes are not used: 213", lambda x, _y: x != (1, 0, 2)),
    ("metal-left", "at least 3 stands between top and bottom",
     lambda x, y: all(between(a, b) >= 3 for a, b in opposite(x, y))
     and all((3 - i) ** 2 + between(x[j], y[k]) ** 2 >= 9 for i in (0, 1) for j, k in ((i, i + 1), (i + 1, i)))),
]  # fmt: skip


@pytest.mark.parametrize(("identifier", "sentence", "legal"), kinds_first(EDGES), ids=[row[1] for row in EDGES])
def test_two_edges(identifier: str, sentence: str, legal: Callable[..., bool]) -> None:
    made = read([sentence], names=("edge",), cuts=3, labels="123", sides=SIDES, milling="edge", sizes=(8.0, 7.0, 6.0))
    compare(made, identifier, 2, legal)


FACES: list[tuple[str, str, Callable[..., bool]]] = [
    ("tracks-differ", "left and right are not the same", lambda a, b, c, d: a != b and c != d),
    ("tracks-differ", "top and bottom are not the same", lambda a, b, c, d: (a, b) != (c, d)),
    ("tracks-differ", "on left, top and bottom are not the same", lambda a, _b, c, _d: a != c),
    ("tracks-differ", "on top, left and right are not the same", lambda a, b, _c, _d: a != b),
    ("conditional", "when left cut 1 is 2, right cut 2 is one of 1",
     lambda a, b, c, d: all(not x[0] or not y[1] for x, y in ((a, b), (c, d)))),
    ("conditional", "on top, when left cut 1 is 2, right cut 2 is one of 1", lambda a, b, _c, _d: not a[0] or not b[1]),
    ("conditional", "when top cut 1 is 2, bottom cut 2 is one of 1",
     lambda a, b, c, d: all(not x[0] or not y[1] for x, y in ((a, c), (b, d)))),
    ("position-depths", "on bottom right, last cut is 2", lambda _a, _b, _c, d: d[1] == 1),
    ("sum", "over the whole key, the sum of cuts is between 10 and 13",
     lambda a, b, c, d: 10 <= sum(a + b + c + d) + 8 <= 13),
    ("depth-uses", "over the whole key, depth 2 is used at most 3 times", lambda a, b, c, d: sum(a + b + c + d) <= 3),
    ("excluded", "on left, these codes are not used: top(12); bottom(21)",
     lambda a, _b, c, _d: (a, c) != ((0, 1), (1, 0))),
    ("excluded", "on top, these codes are not used: right: 12 / left: 22",
     lambda a, b, _c, _d: (a, b) != ((1, 1), (0, 1))),
]  # fmt: skip


@pytest.mark.parametrize(("identifier", "sentence", "legal"), kinds_first(FACES), ids=[row[1] for row in FACES])
def test_two_tracks_on_each_of_two_faces(identifier: str, sentence: str, legal: Callable[..., bool]) -> None:
    made = read([sentence], names=("left", "right"), cuts=2, labels="12", sides=SIDES)
    compare(made, identifier, 4, legal)


@pytest.mark.parametrize("milling", ["edge", "external"])
def test_metal_between_the_sides_of_a_key_that_carries_one_row_on_both(milling: str) -> None:
    """The row stands opposite itself: cut 1 against cut 1, and against its neighbours."""
    made = read(
        ["at least 3 stands between top and bottom"],
        cuts=3,
        labels="123",
        sides=SIDES + "convenience = true\n",
        milling=milling,
        sizes=(8.0, 7.0, 6.0),
    )

    def legal(row: Row) -> bool:
        diagonals = ((3 - i) ** 2 + between(row[i], row[i + 1]) ** 2 for i in (0, 1))
        return all(between(d, d) >= 3 for d in row) and all(length >= 9 for length in diagonals)

    compare(made, "metal-left", 1, legal)


@pytest.mark.parametrize(
    ("measured", "sizes"),
    [("far-edge", (6.0, 7.5, 9.0)), ("own-edge", (4.0, 2.5, 1.0)), ("centre", (1.0, 2.5, 4.0))],
)
def test_metal_at_the_edge_whatever_the_table_measures_from(measured: str, sizes: tuple[float, ...]) -> None:
    """A groove up the middle of a blade of 10: its walls leave 4, 2.5 and 1 outside."""
    made = read(["at least 2.5 stands at the edge"], milling="internal", measured=measured, labels="123", sizes=sizes)
    compare(made, "metal-left", 1, lambda r: max(r) <= 1)


@pytest.mark.parametrize(
    ("sentence", "legal"),
    [
        ("first cut is one of 1 'or'", lambda r: r[0] in (0, 2)),
        ('first cut is one of "or" or "and"', lambda r: r[0] in (2, 3)),
        ("'or' is never followed by 'and'", lambda r: (2, 3) not in pairwise(r)),
        ('depths "or" "and" together are used at most 1 times', lambda r: r.count(2) + r.count(3) <= 1),
        ("'or' 'and' 'or' never stand in a row", lambda r: r != (2, 3, 2)),
        ("at least 2 cuts are 'or' or deeper", lambda r: sum(d >= 2 for d in r) >= 2),
        ("these codes are not used: 'or' 'and' 1, 2 2 2", lambda r: r not in ((2, 3, 0), (1, 1, 1))),
        ("these codes are not used: 'or and 1'", lambda r: r != (2, 3, 0)),
    ],
)
def test_labels_that_are_words_of_a_sentence(sentence: str, legal: Callable[..., bool]) -> None:
    made = read([sentence], cuts=3, labels=("1", "2", "or", "and"))
    compare(made, made.rules[0].identifier, 1, legal)


@pytest.mark.parametrize(("identifier", "sentence", "legal"), kinds_first(ONE), ids=[row[1] for row in ONE])
def test_advice_never_makes_a_code_illegal(identifier: str, sentence: str, legal: Callable[..., bool]) -> None:
    del identifier, legal
    made = read([], [sentence])
    assert bitting.count(made) == 4**4
    reports = [
        bitting.check(bitting.parse_code(written(made, [row]), made), made, suggest=False)
        for row in product(range(4), repeat=4)
    ]
    assert all(report.legal for report in reports)
    assert {finding.level for report in reports for finding in report.findings} == {"should"}


@pytest.mark.parametrize(
    ("sentence", "names", "sides"),
    [
        ("on left, right cut 1 is 2", ("left", "right"), ""),
        ("on left, right cut 1 is deeper than right cut 2", ("left", "right"), ""),
        ("on left, when right cut 1 is 2, right cut 2 is 1", ("left", "right"), ""),
        ("on top, bottom cut 1 is 2", ("edge",), SIDES),
        ("on top, when top cut 1 is 2, bottom cut 2 is 1", ("edge",), SIDES),
        ("on top, top and bottom are not the same", ("edge",), SIDES),
        ("on left, these codes are not used: right: 1 1 1 1", ("left", "right"), ""),
        ("these codes are not used: 1 1 1 [1 2]", ("left",), ""),
        ("these codes are not used: 1 1 1 1..2", ("left",), ""),
        ("these codes are not used: 1 1 1 9", ("left",), ""),
        ("these codes are not used: 1, 1, 1, 1", ("left",), ""),
        ("MACS is ١", ("left",), ""),
        ("first cut is one of 'and'", ("left",), ""),
        ("top and left are not the same", ("left", "right"), SIDES),
        ("top left and bottom are not the same", ("left", "right"), SIDES),
        ("left and top differ by at least 1 at every cut", ("left", "right"), SIDES),
        ("at least 1 stands between bottom and right", ("left", "right"), SIDES),
        ("when top cut 1 is 1, left cut 2 is one of 2", ("left", "right"), SIDES),
    ],
)
def test_a_sentence_that_would_forbid_nothing_is_refused(sentence: str, names: Sequence[str], sides: str) -> None:
    with pytest.raises(bitting.BittingError) as caught:
        read([sentence], names=names, sides=sides)
    assert f'rules.must[0]: found "{sentence}": ' in caught.value.message


@pytest.mark.parametrize("names", [("first", "last"), ("cut", "cuts")])
def test_tracks_may_be_called_by_words_of_a_sentence(names: tuple[str, str]) -> None:
    made = read(["first cut is 1", f"on {names[1]}, cut 2 is 2", f"{names[0]} cut 3 is 3"], names=names)
    assert [rule.lanes for rule in made.rules] == [(0,), (1,), (1,), (0,)]


def test_a_length_may_have_its_unit_in_any_letters() -> None:
    one, other = (
        read([f"at least {length} stands between left and right"], names=("left", "right"))
        for length in ("0.1 IN", "2.54MM")
    )
    assert one.rules[0].arguments["least"] == pytest.approx(other.rules[0].arguments["least"])


@pytest.mark.parametrize("sentence", ["on left MACS is 2", "on left: MACS is 2", "On left first cut is one of 1"])
def test_a_comma_ends_what_a_sentence_is_limited_to(sentence: str) -> None:
    with pytest.raises(bitting.BittingError, match=r"a comma belongs behind '[Oo]n left'"):
        read([sentence])


@pytest.mark.parametrize(
    ("sentence", "labels"),
    [
        ("A and B are never neighbours", "ABC"),
        ("'a' and b are never neighbours", "abc"),
        ("first cut is one of A C", "ABC"),
        ("depth 'last' is used at most 2 times", ("last", "b")),
        ("'or' is never followed by 'and' b", ("or", "and", "b")),
    ],
)
def test_findings_say_labels_as_the_file_does(sentence: str, labels: Sequence[str]) -> None:
    (rule,) = read([sentence], labels=labels).rules
    assert rule.sentence == sentence


@pytest.mark.parametrize(
    "sentence",
    [
        "on {}, MACS is 2",
        "{} cut 1 is deeper than cut 2",
        "when {} cut 1 is 1, {} cut 2 is 2",
        "A and {} are not the same",
    ],
)
def test_findings_say_tracks_as_the_file_does(sentence: str) -> None:
    made = read([sentence.replace("{}", name) for name in ("Links", "LINKS", "links")], names=("A", "Links"))
    assert {rule.sentence for rule in made.rules} == {sentence.replace("{}", "Links")}


# ---- codes that are not whole -------------------------------------------------------------------------------------


def opened(row: Row, at: Iterable[int]) -> tuple[int | None, ...]:
    return tuple(None if i in at else depth for i, depth in enumerate(row))


@pytest.mark.parametrize(("identifier", "sentence", "legal"), kinds_first(ONE), ids=[row[1] for row in ONE])
def test_a_rule_speaks_of_an_open_code_only_when_no_completion_keeps_it(
    identifier: str, sentence: str, legal: Callable[..., bool]
) -> None:
    made = read([sentence])
    kept = {row for row in product(range(4), repeat=4) if legal(row)}
    for at in ((0,), (3,), (0, 3), (1, 2), (2, 3)):
        possible = {opened(row, at) for row in kept}
        for row in {opened(row, at) for row in product(range(4), repeat=4)}:
            text = " ".join("?" if depth is None else NUMBERS[depth] for depth in row)
            report = bitting.check(bitting.parse_code(text, made), made, suggest=False)
            if identifier in {finding.rule for finding in report.findings}:
                assert row not in possible, text


@pytest.mark.parametrize(
    ("sentence", "sides", "text"),
    [
        ("left and right are not the same", "", "21"),
        ("left and right are not the same", "", "left: 21 / right: 21"),
        ("left and right are not the same", "", "left: 21?1 / right: 21?1"),
        ("left and right are not the same", "", "left: 21111 / right: 21111"),
        ("top and bottom are not the same", SIDES, "2111"),
        ("top and bottom are not the same", SIDES, "both(left: 21 / right: 21)"),
    ],
)
def test_lists_that_are_not_whole_are_not_called_the_same(sentence: str, sides: str, text: str) -> None:
    made = read([sentence], names=("left", "right"), labels="1234", sides=sides)
    found = bitting.check(bitting.parse_code(text, made), made, suggest=False).findings
    assert {finding.rule for finding in found} <= {"cut-count", "unknown-cut"}
