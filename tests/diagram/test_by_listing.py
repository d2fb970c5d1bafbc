"""What walk, occurrence and trellis say of a diagram, beside the plain list of the codes it holds."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations_with_replacement, product

import numpy as np
import pytest

from bitting.diagram import CodeSpace, code_space
from bitting.diagram.occurrence import Legal
from bitting.diagram.trellis import SPARSE_FROM, Trellis, arc_sums, backward, compile_diagram, couple, restrict
from bitting.diagram.walk import compile_legality
from bitting.errors import BittingError
from bitting.model import Place, System, code_of
from tests.make import system, track

CASES = {
    "one track": system(track("left", 4, "123"), must=("adjacent cuts differ by at most 1", "last cut is one of 1 2")),
    "counted": system(track("left", 6, "1234"), must=("at least 3 different depths", "no depth is used more than 2 times")),
    "coupled": system(
        track("left", 3, "123"), track("right", 2, "12"),
        must=("left and right differ by at least 1 at every cut", "on left, adjacent cuts differ by at most 1"),
    ),
    "one cut free": system(track("left", 3, "123"), must=("first cut is one of 1 2", "cuts 2 apart differ by at most 1")),
    "apart": system(track("left", 2, "123"), track("right", 3, "12"), must=("on right, no more than 2 equal cuts in a row",)),
}  # fmt: skip


def every(made: System, beyond: int = 0) -> list[tuple[int, ...]]:
    """Every choice of depths, lane after lane; `beyond`: so many more than each table has."""
    tracks = [lane.track for lane in made.lanes for _ in range(lane.track.cuts)]
    return list(product(*(range(len(one.labels) + beyond) for one in tracks)))


def flat(space: CodeSpace) -> list[tuple[int, ...]]:
    """The legal codes in order, lane after lane."""
    return [tuple(depth for row in code for depth in row) for code in space]


def places(made: System) -> list[Place]:
    return [Place(i, cut) for i, lane in enumerate(made.lanes) for cut in range(lane.track.cuts)]


@pytest.mark.parametrize("name", CASES)
def test_many_codes_are_walked_as_the_list_has_them(name: str) -> None:
    made = CASES[name]
    legal = set(flat(code_space(made)))
    rows = every(made, beyond=1)
    columns = np.array(rows, np.uint8).T
    legality = compile_legality(made)
    assert legality is not None
    assert legality.count == len(legal)
    assert legality.legal(columns).tolist() == [row in legal for row in rows]
    order = [cut for walk in legality.walks for cut in walk.cuts]
    assert sorted(order) == list(range(len(columns)))
    for walk in legality.walks:
        own = {tuple(row[cut] for cut in walk.cuts) for row in legal}
        asked = [tuple(row[cut] for cut in walk.cuts) for row in rows]
        heads = {row[:length] for row in own for length in range(len(row) + 1)}
        longest = [max(n for n in range(len(row) + 1) if row[:n] in heads) for row in asked]
        assert walk.passed(columns).tolist() == longest
        some = np.arange(1, len(rows), 3)
        assert walk.legal(columns, some).tolist() == [asked[i] in own for i in some]
    sizes = [len(lane.track.labels) for lane in made.lanes for _ in range(lane.track.cuts)]
    inert = [
        cut for cut, size in enumerate(sizes)
        if all((*row[:cut], depth, *row[cut + 1 :]) in legal for row in legal for depth in range(size))
    ]  # fmt: skip
    assert sorted(legality.reads) == [cut for cut in range(len(sizes)) if cut not in inert]


@pytest.mark.parametrize("name", CASES)
def test_what_occurs_is_what_some_listed_code_has(name: str) -> None:
    made = CASES[name]
    space = code_space(made)
    legal, listed, where = Legal(made, space), flat(space), places(made)
    for i, place in enumerate(where):
        depths = range(len(made.lanes[place.lane].track.labels))
        assert legal.occurs(place).tolist() == [any(row[i] == d for row in listed) for d in depths]
    for i, j in product(range(len(where)), repeat=2):
        sizes = [range(len(made.lanes[where[k].lane].track.labels)) for k in (i, j)]
        seen = {(row[i], row[j]) for row in listed}
        assert legal.together(where[i], where[j]).tolist() == [[(a, b) in seen for b in sizes[1]] for a in sizes[0]]
    for lane in range(len(made.lanes)):
        own = [i for i, place in enumerate(where) if place.lane == lane]
        assert legal.deepest(lane) == max(row[i] for row in listed for i in own)


@pytest.mark.parametrize("name", CASES)
def test_a_witness_is_the_first_listed_code_with_these_depths(name: str) -> None:
    made = CASES[name]
    space = code_space(made)
    codes, where = list(space), places(made)
    legal = Legal(made, space)
    assert legal.witness({}) == code_of(made, codes[0]).canonical
    for one, other in combinations_with_replacement(where, 2):
        for a, b in product(range(3), repeat=2):
            wanted = {one: min(a, len(made.lanes[one.lane].track.labels) - 1), other: {0, 1} if b == 2 else b}
            first = next(
                (
                    code for code in codes
                    if all(code[p.lane][p.cut] in ({w} if isinstance(w, int) else w) for p, w in wanted.items())
                ), None,
            )  # fmt: skip
            assert legal.witness(wanted) == (None if first is None else code_of(made, first).canonical)


Path = list[tuple[int, int]]
"""(label, arc) layer by layer."""


def paths(trellis: Trellis, node: int = 0, at: int = 0) -> Iterator[Path]:
    """Every way through a trellis."""
    if at == len(trellis.layers):
        yield []
        return
    layer = trellis.layers[at]
    for label, child in enumerate(layer.children[node].tolist()):
        if child >= 0:
            (arc,) = np.flatnonzero((layer.arc_child == child) & (layer.arc_label == label)).tolist()
            assert arc in layer.ways[node]
            for rest in paths(trellis, child, at + 1):
                yield [(label, arc), *rest]


def code_by_place(trellis: Trellis, path: Path) -> dict[Place, int]:
    """What a way decides."""
    return {
        place: int(depth)
        for layer, (label, _) in zip(trellis.layers, path, strict=True)
        for place, depth in zip(layer.places, layer.labels[label], strict=True)
    }


@pytest.mark.parametrize("name", CASES)
def test_sums_over_all_codes_are_those_of_the_list(name: str) -> None:
    draw = np.random.default_rng(4)
    for diagram in code_space(CASES[name]).diagrams:
        trellis = compile_diagram(diagram)
        ways = list(paths(trellis))
        assert len(ways) == trellis.count == diagram.count
        points = 6
        tables = [draw.random((len(layer.labels), points)) for layer in trellis.layers]
        root = draw.random(points)
        each = np.array(
            [np.prod([t[label] for t, (label, _) in zip(tables, way, strict=True)], axis=0) for way in ways]
        )
        follows, total = backward(trellis, tables)
        assert total == pytest.approx(each.sum(axis=0))
        sums = arc_sums(trellis, tables, follows, root)
        for at, layer in enumerate(trellis.layers):
            through = np.array([[way[at][1] == arc for way in ways] for arc in range(len(layer.arc_child))], float)
            assert sums[at] == pytest.approx(through @ (each * root).sum(axis=1))


def test_one_of_the_diagrams_is_large_enough_for_sparse_matrices() -> None:
    (diagram,) = code_space(CASES["counted"]).diagrams
    sizes = [layer.nodes * len(layer.arc_child) for layer in compile_diagram(diagram).layers]
    assert min(sizes) <= SPARSE_FROM < max(sizes)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("seed", range(4))
def test_a_restricted_trellis_has_the_ways_all_of_whose_arcs_are_kept(name: str, seed: int) -> None:
    draw = np.random.default_rng(seed)
    trellis = compile_diagram(code_space(CASES[name]).diagrams[0])
    ways = list(paths(trellis))
    kept = [draw.random(len(layer.arc_child)) < 0.6 for layer in trellis.layers]
    for keep, (_, arc) in zip(kept, ways[int(draw.integers(len(ways)))], strict=True):
        keep[arc] = True  # some code is left
    small, numbers = restrict(trellis, kept)
    left = [way for way in ways if all(keep[arc] for keep, (_, arc) in zip(kept, way, strict=True))]
    found = [[int(number[label]) for number, (label, _) in zip(numbers, way, strict=True)] for way in paths(small)]
    assert sorted(found) == sorted([label for label, _ in way] for way in left)
    assert [code_by_place(small, way) for way in paths(small)] == [code_by_place(trellis, way) for way in left]
    for layer, number in zip(small.layers, numbers, strict=True):
        assert layer.nodes == len(layer.children)
        assert layer.children.min() >= -1
        assert (layer.children >= 0).any(axis=1).all()  # nothing that leads nowhere
        assert (layer.children >= 0).any(axis=0).all()
        assert len(number) == len(layer.labels)


@pytest.mark.parametrize("name", ["coupled", "apart"])
def test_coupled_trellises_decide_both_cuts_of_a_pair_at_once_and_hold_the_same_codes(name: str) -> None:
    made = CASES[name]
    space = code_space(made)
    pairs = [(Place(0, cut), Place(1, cut)) for cut in range(2)]
    (joined,) = couple([compile_diagram(diagram) for diagram in space.diagrams], pairs)
    assert joined.count == space.count
    decided = [layer.places for layer in joined.layers if len(layer.places) > 1]
    assert decided == pairs
    codes = [code_by_place(joined, way) for way in paths(joined)]
    where = places(made)
    assert sorted(tuple(code[place] for place in where) for code in codes) == sorted(flat(space))


def test_cuts_that_are_not_decided_one_after_the_other_are_not_coupled() -> None:
    trellis = compile_diagram(code_space(CASES["coupled"]).diagrams[0])
    with pytest.raises(BittingError, match="opposite cuts are decided together"):
        couple([trellis], [(Place(0, 0), Place(1, 1))])
