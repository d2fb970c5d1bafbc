"""Many wrong codes at once get the answers that each of them gets alone: the likeliest code, and the slips in words."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import cache

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitting.diagram import code_space
from bitting.model import Code, Cut, CutList, System
from bitting.repair import Repairer
from bitting.repair.block import Block
from bitting.repair.lists import Lists
from bitting.repair.rounds import Round
from bitting.systemfile import load_system
from tests.make import any_system, one_track, system, track, two_sides, two_tracks

SHIPPED = ("plover", "wren", "siskin", "heron", "dunlin", "grebe")
PAIR = ("on left, first cut is one of 1", "on left, last cut is one of 4", "on right, first cut is one of 3 4")
LETTERS = system(track(cuts=6, labels="ABCDEG"), must=("first cut is one of A B", "no more than 2 equal cuts in a row"))
MADE = {
    "letters": LETTERS,
    "two tracks": system(track("left", 4, "1234"), track("right", 4, "1234"), must=PAIR),
    "two tables": system(
        track("left", 3, "123"), track("right", 5, "ABCDE"),
        must=("left and right differ by at least 1 at every cut", "on right, last cut is one of A B"),
    ),
    "three tracks": system(
        track("left", 3, "1234"), track("middle", 3, "1234"), track("right", 3, "1234"),
        must=("adjacent cuts differ by at least 1", "left and right are not the same", "on middle, last cut is one of 1 2"),
    ),
    "two sides": system(
        track("edge", 4, "1234", "edge"), sides=("top", "bottom"),
        must=("on top, cuts never get shallower", "adjacent cuts differ by at most 2"),
    ),
    "long labels": system(track(cuts=5, labels=["8", "9", "10", "11"]), must=("MACS is 1", "first cut is one of 9")),
    "long runs": system(track(cuts=9, labels="123"), must=("at least 2 cuts are 2 or deeper", "cut 5 is one of 2 3")),
    "convenience": attrs.evolve(LETTERS, sides=("top", "bottom"), convenience=True),
}  # fmt: skip
KINDS = ["foreign", "swap", "swap", "shift", "tip", "one tip", "exchange", "renumber", "drop", "double", "extra"]
Rows = list[list[str]]


@cache
def of_name(name: str) -> tuple[System, Repairer]:
    made = MADE[name] if name in MADE else load_system(name)
    return made, Repairer(made)


def slip(made: System, rows: Rows, signs: Sequence[str], draw: random.Random) -> Rows:
    """The rows after one slip."""
    labels = [list(lane.track.labels) for lane in made.lanes]
    which = draw.randrange(len(rows))
    row, at, other = rows[which], draw.randrange(len(rows[which])), draw.randrange(len(rows[which]))
    kind = draw.choice(["misread"] * 4 + KINDS)
    if kind == "misread":
        row[at] = draw.choice(labels[which])
    elif kind == "foreign":
        row[at] = draw.choice(signs)
    elif kind == "swap" and at + 1 < len(row):
        row[at : at + 2] = row[at : at + 2][::-1]
    elif kind == "shift":
        sign = draw.choice([row[at], draw.choice(labels[which])])
        row.insert(other, row.pop(at) if sign == row[at] else (row.pop(at), sign)[1])
    elif kind == "tip":
        rows = [one[::-1] for one in rows]
    elif kind == "one tip":
        rows[which] = row[::-1]
    elif kind == "drop" and len(row) > 1:
        del row[at]
    elif kind in ("double", "extra"):
        row.insert(at, row[at] if kind == "double" else draw.choice(signs))
    elif kind == "exchange" and len(rows) > 1:
        rows[:2] = rows[1::-1]
    elif kind == "renumber":
        up = draw.choice([1, -1])
        rows = [
            [table[(table.index(t) + up) % len(table)] if t in table else t for t in one]
            for one, table in zip(rows, labels, strict=True)
        ]
    return rows


def wrong_rows(made: System, number: int, draw: random.Random) -> list[Rows]:
    """Writings that are no legal codes: legal ones after one to three slips, and any others."""
    space = code_space(made)
    signs = ["0", "7", "9", "S", "b", *(label for lane in made.lanes for label in lane.track.labels)]
    if space.count and not any(len(t) > 1 for lane in made.lanes for t in lane.track.labels):
        pool = [space.unrank(draw.randrange(space.count)) for _ in range(min(number, 50))]
    else:
        pool = list(space.sample(min(number, 50), 1)) if space.count else []
    out = []
    for _ in range(number * 3):
        if pool and draw.random() < 0.9:
            code = draw.choice(pool)
            rows = [[lane.track.labels[d] for d in row] for lane, row in zip(made.lanes, code, strict=True)]
            for _ in range(draw.choice([1, 1, 2, 2, 3])):
                rows = slip(made, rows, signs, draw)
        else:
            rows = [[draw.choice(lane.track.labels) for _ in range(lane.track.cuts)] for lane in made.lanes]
        known = all(t in lane.track.labels for lane, row in zip(made.lanes, rows, strict=True) for t in row)
        known &= all(len(row) == lane.track.cuts for lane, row in zip(made.lanes, rows, strict=True))
        labels = [lane.track.labels for lane in made.lanes]
        if not known or not space.contains(tuple(tuple(map(t.index, r)) for t, r in zip(labels, rows, strict=True))):
            out.append(rows)
    return out[:number]


def code_of_rows(made: System, rows: Rows) -> Code:
    """The code as the reader of codes would make it."""
    lists = []
    for lane, row in zip(made.lanes, rows, strict=True):
        places = {label: place for place, label in enumerate(lane.track.labels)}
        cuts = tuple(Cut((places[t],) if t in places else (), t, (0, 0)) for t in row)
        lists.append(CutList(lane.side, lane.track.name, cuts, (0, 0)))
    return Code(made, "", tuple(lists))


Answers = list[tuple[object, str | None] | None]


def together(one: Block, repairer: Repairer, codes: Sequence[Code], rows: Sequence[Rows]) -> tuple[Answers, list[bool]]:
    """What the block says of each: the code and the words, or None where nothing is near; and what it settled."""
    assert one.table.grow({t for each in rows for row in each for t in row})
    signs = np.array([[one.table.number[t] for row in each for t in row] for each in rows], np.uint8).T
    found = one.nearest(signs)
    said: Answers = []
    for number, change in enumerate(one.changes(signs, found)):
        depths = tuple(tuple(part.tolist()) for part in np.split(found.depths[number], one.starts[1:-1]))
        if not found.within[number]:
            said.append(None)
        else:
            said.append((depths, repairer.change(codes[number], depths) if change is None else change))
    return said, found.settled.tolist()


def by_length(rows: Sequence[Rows]) -> list[list[Rows]]:
    """The writings that have lists of the same lengths together."""
    groups: dict[tuple[int, ...], list[Rows]] = {}
    for each in rows:
        groups.setdefault(tuple(map(len, each)), []).append(each)
    return list(groups.values())


def compare(made: System, repairer: Repairer, rows: Sequence[Rows]) -> tuple[int, int]:
    """Hold the block to the search for one code; how many the block settled, and how many it got wrong."""
    sure, wrong = 0, 0
    for group in by_length(rows):
        codes = [code_of_rows(made, each) for each in group]
        one = repairer.block(codes[0])
        assert one is not None
        said, settled = together(one, repairer, codes, group)
        sure += sum(settled)
        for code, answer, known in zip(codes, said, settled, strict=True):
            alone = repairer.nearest(code, best=1).codes
            wrong += known and answer != ((alone[0].depths, alone[0].change) if alone else None)
    return sure, wrong


@pytest.mark.parametrize(("name", "number"), [
    *((name, 150) for name in MADE), ("plover", 150), ("wren", 150), ("dunlin", 100),
    ("grebe", 60), ("heron", 50), ("siskin", 40),
])  # fmt: skip
def test_a_block_says_what_each_gets_alone(name: str, number: int) -> None:
    made, repairer = of_name(name)
    rows = wrong_rows(made, number, random.Random(number))
    settled, wrong = compare(made, repairer, rows)
    assert (settled, wrong) == (len(rows), 0)


def test_the_words_are_of_the_likeliest_slips_of_all() -> None:
    """Read from the tip and swapped is a little less likely than misread twice, and is listed first."""
    made, repairer = of_name("two tables")
    assert compare(made, repairer, [[["1", "2", "1"], ["B", "B", "D", "B", "D"]]]) == (1, 0)


@settings(max_examples=60, deadline=None)
@given(st.one_of(one_track(), two_tracks(), two_sides(), any_system), st.integers(0, 2**32))
def test_a_block_of_any_system(made: System, seed: int) -> None:
    rows = wrong_rows(made, 12, random.Random(seed))
    if rows:
        assert compare(made, Repairer(made), rows)[1] == 0


@pytest.mark.parametrize("name", ["two tracks", "wren", "long runs"])
def test_without_bounds_everything_is_listed_in_full(name: str) -> None:
    """The bounds only save work: the same answers where they are not used ."""
    made, repairer = of_name(name)
    rows = wrong_rows(made, 100, random.Random(7))
    for group in by_length(rows):
        codes = [code_of_rows(made, each) for each in group]
        bounded = repairer.block(codes[0])
        assert bounded is not None
        full = Block(bounded.space, bounded.table, bounded.streams, bounded.lengths, bounded=False)
        assert together(bounded, repairer, codes, group) == together(full, repairer, codes, group)


def test_the_bounds_are_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    """With bounds of nothing the first guess stands, and is wrong somewhere: the studies above would notice."""
    monkeypatch.setattr(Lists, "bound", lambda *_: 0.0)
    monkeypatch.setattr(Round, "_by_two", lambda one: np.zeros(one.count))
    wrong = {name: compare(*of_name(name), wrong_rows(of_name(name)[0], 150, random.Random(150)))[1] for name in MADE}
    assert sum(number > 0 for number in wrong.values()) >= 3, wrong


def test_lists_that_may_be_taken_in_several_ways_are_looked_at_one_by_one() -> None:
    made, repairer = of_name("two tracks")
    good = code_of_rows(made, [list("1324"), list("3121")])
    assert repairer.block(good) is not None
    joined = attrs.evolve(good, written=(attrs.evolve(good.written[0], track=None, cuts=good.written[0].cuts * 2),))
    assert repairer.block(joined) is None


def test_more_signs_than_there_is_room_for() -> None:
    made, repairer = of_name("letters")
    one = repairer.block(code_of_rows(made, [list("ABCDEG")]))
    assert one is not None
    assert not one.table.grow({f"x{number}" for number in range(300)})
    assert one.table.grow({"7"})
