"""Many wrong codes at once get the answers that each of them gets alone, and pruning saves work, never answers."""

from __future__ import annotations

import random
from collections.abc import Sequence

import attrs
import numpy as np
import pytest

from bitting.diagram import code_space
from bitting.model import Code, Cut, CutList, System
from bitting.repair import Repairer
from bitting.repair.moves import Shape
from bitting.repair.search import BITS, Column, Found
from bitting.repair.words import change
from bitting.systemfile import load_system
from tests.conftest import but_long
from tests.make import system, track

PAIR = ("on left, first cut is one of 1", "on left, last cut is one of 4", "on right, first cut is one of 3 4")
LETTERS = system(track(cuts=6, labels="ABCDEG"), must=("first cut is one of A B", "no more than 2 equal cuts in a row"))
MADE = {
    "letters": LETTERS,
    "two tracks": system(track("left", 4, "1234"), track("right", 4, "1234"), must=PAIR),
    "two tables": system(
        track("left", 3, "123"), track("right", 5, "ABCDE"),
        must=("left and right differ by at least 1 at every cut", "on right, last cut is one of A B"),
    ),
    "two sides": system(
        track("edge", 4, "1234", "edge"), sides=("top", "bottom"),
        must=("on top, cuts never get shallower", "adjacent cuts differ by at most 2"),
    ),
    "long labels": system(track(cuts=5, labels=["8", "9", "10", "11"]), must=("MACS is 1", "first cut is one of 9")),
}  # fmt: skip
SHIPPED = ("plover", "wren", "siskin", "heron", "dunlin", "grebe")
Rows = list[list[str]]


def wrong_rows(made: System, number: int, draw: random.Random) -> list[Rows]:
    """Legal codes after one slip or two, of the same lengths."""
    out = []
    labels = [lane.track.labels for lane in made.lanes]
    for code in code_space(made).sample(number, 7):
        rows = [[table[depth] for depth in row] for table, row in zip(labels, code, strict=True)]
        for _ in range(draw.choice([1, 1, 1, 2])):
            which = draw.randrange(len(rows))
            at = draw.randrange(len(rows[which]))
            kind = draw.choice(["misread", "misread", "foreign", "swap", "tip", "exchange"])
            if kind == "misread":
                rows[which][at] = draw.choice(labels[which])
            elif kind == "foreign":
                rows[which][at] = draw.choice("079SOb")
            elif kind == "swap":
                rows[which][at : at + 2] = rows[which][at : at + 2][::-1]
            elif kind == "tip":
                rows = [row[::-1] for row in rows]
            elif len({len(row) for row in rows}) == 1:
                rows.reverse()
        out.append(rows)
    return out


def code_of_rows(made: System, rows: Rows) -> Code:
    """The code as the reader of codes would make it."""
    lists = []
    for lane, row in zip(made.lanes, rows, strict=True):
        places = {label: place for place, label in enumerate(lane.track.labels)}
        cuts = tuple(Cut((places[t],) if t in places else (), t, (0, 0)) for t in row)
        lists.append(CutList(lane.side, lane.track.name, cuts, (0, 0)))
    return Code(made, "", tuple(lists))


def together(repairer: Repairer, rows: Sequence[Rows]) -> tuple[Column, np.ndarray, Found]:
    column = repairer.column(code_of_rows(repairer.system, rows[0]))
    assert column is not None
    numbers = [repairer.table.numbers([t for row in each for t in row]) for each in rows]
    signs = np.array(numbers, np.uint16).T
    return column, signs, column.nearest(signs)


@pytest.mark.parametrize("name", but_long([*MADE, *SHIPPED], *SHIPPED[2:]))
def test_a_column_says_what_each_gets_alone(name: str) -> None:
    made = MADE[name] if name in MADE else load_system(name)
    repairer = Repairer(made)
    rows = wrong_rows(made, 40, random.Random(3))
    column, signs, found = together(repairer, rows)
    for which, each in enumerate(rows):
        alone = Repairer(made).nearest(code_of_rows(made, each), best=10)
        assert found.count[which] == alone.count
        assert not alone.count or found.slips[which] == alone.slips
        texts = [repairer.table.texts[sign] for sign in signs[:, which].tolist()]
        for by, one in enumerate(alone.codes):
            place = int(found.first[which]) + by
            assert found.which[place] == which
            assert tuple(found.depths[:, place].tolist()) == sum(one.depths, ())
            assert found.probability[place] == pytest.approx(one.probability)
            assert change(column, int(found.told[place]), texts) == one.change


@pytest.mark.parametrize("name", ["two tracks", "letters", "wren", "dunlin"])
def test_without_pruning_the_same_codes_are_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made = MADE[name] if name in MADE else load_system(name)
    rows = wrong_rows(made, 150, random.Random(5))
    *_, pruned = together(Repairer(made), rows)
    monkeypatch.setattr("bitting.repair.search.TOGETHER", 64)
    monkeypatch.setattr(Shape, "worth", lambda _, depths, moves: np.ones((moves, depths.shape[1]), bool))
    monkeypatch.setattr(Column, "_by_cut", _whole_way)
    *_, whole = together(Repairer(made), rows)
    for one, other in zip(attrs.astuple(pruned), attrs.astuple(whole), strict=True):
        assert np.allclose(one, other)


def _whole_way(self: Column, shape: Shape, signs, depths, of, least=0.0, allowed=True):
    """A slip of a cut with every move tried, and every diagram walked."""
    from bitting.repair.search import Candidates

    move, which = np.nonzero(np.ones((len(shape.moves), depths.shape[1]), bool))
    share = shape.shares(signs, move, of[which])
    share[share < least] = 0
    if allowed is not True:
        some = move < shape.likely
        some[some] = allowed[move[some], which[some]]
        share = np.where(some, share, 0)
    found = Candidates(which, shape.undone(depths, move, which), share, move + shape.first)
    return self._legal(shape, found.some(share > 0))


@pytest.mark.parametrize("way", [(0, 0, 1), (1, 1, 2), (3, 2, 1), (0, 2**BITS - 1, 2**BITS - 1)])
def test_a_way_is_one_number_of_a_layout_and_two_moves(way: tuple[int, int, int]) -> None:
    layout, first, second = way
    repairer = Repairer(LETTERS)
    column = Column(repairer.table, repairer._legality, ())
    assert column.told(((layout << BITS) + first << BITS) + second) == way
