"""Chain covers: minimal, proven, covering, against theory and against networkx."""

import itertools
import random
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitting.completion.bounds import product
from bitting.completion.candidates import restrict
from bitting.completion.chains import Order, TooManyCovers, _heaviest_of, fewest, fewest_chains, first_bit, pack, unpack
from bitting.diagram import code_space
from bitting.model import Place
from tests.make import system, track

REFERENCE = Path(__file__).parents[1] / "reference" / "middle_levels.csv"


def middle_levels(most=20_000):
    """Largest coefficient of (1 + x + ... + x^k)^n; the file names the OEIS entry of each row."""
    lines = [line.split(",") for line in REFERENCE.read_text().splitlines() if not line.startswith("#")][1:]
    cases = [(int(k), int(n), int(size)) for _, k, n, size in lines if int(n) > 0 and (int(k) + 1) ** int(n) <= most]
    assert len(cases) > 40
    return cases


def box(k, n):
    return np.array(list(itertools.product(range(k + 1), repeat=n)), np.int8)


def matched(rows):
    """Fewest chains by bipartite matching over every comparable pair, with networkx."""
    graph = nx.Graph()
    graph.add_nodes_from(("from", i) for i in range(len(rows)))
    for i, j in itertools.permutations(range(len(rows)), 2):
        if (rows[i] <= rows[j]).all():
            graph.add_edge(("from", i), ("to", j))
    found = nx.bipartite.hopcroft_karp_matching(graph, [("from", i) for i in range(len(rows))])
    return len(rows) - sum(1 for side, _ in found if side == "from")


def must_hold(rows, found):
    """Each row once, every chain a chain, the rivals incomparable and as many as the chains."""
    assert sorted(i for chain in found.chains for i in chain) == list(range(len(rows)))
    for chain in found.chains:
        assert (np.diff(rows[list(chain)].astype(int), axis=0) >= 0).all()
    for i, j in itertools.combinations(found.antichain, 2):
        assert not (rows[i] <= rows[j]).all()
        assert not (rows[j] <= rows[i]).all()
    assert len(found.antichain) == len(found.chains)
    assert len(found.chains) == len(found.antichain)


@st.composite
def some_rows(draw, most=40):
    columns = draw(st.integers(1, 5))
    row = st.tuples(*[st.integers(0, 4)] * columns)
    return np.array(draw(st.lists(row, min_size=1, max_size=most, unique=True)), np.int8)


def middle_level(sizes: list[int]) -> int:
    """How many codes the middle level of a box has, given the number of depths of every cut: its chains' number."""
    lengths = {1: 1}
    for size in sizes:
        lengths = product(lengths, {size: 1})
    return sum(lengths.values())


@settings(deadline=None)
@given(some_rows())
def test_networkx_agrees(rows):
    found = fewest_chains(rows)
    must_hold(rows, found)
    assert len(found.chains) == matched(rows) == fewest(rows)


@settings(deadline=None)
@given(some_rows(), st.integers(0, 2**32))
def test_likelier_rows_come_first(rows, seed):
    weights = np.random.default_rng(seed).exponential(size=len(rows))
    found = fewest_chains(rows, weights)
    must_hold(rows, found)
    assert len(found.chains) == fewest(rows)
    heavy = [weights[list(chain)].sum() for chain in found.chains]
    assert all(a >= b - 1e-12 for a, b in itertools.pairwise(heavy))
    for number, chain in enumerate(found.chains):
        for later in found.chains[number + 1 :]:
            for i in later:
                fits = [(rows[i] <= rows[j]).all() or (rows[j] <= rows[i]).all() for j in chain]
                assert not all(fits), "a later code could be tried on an earlier blank"


@settings(deadline=None, max_examples=30)
@given(some_rows(most=8), st.integers(0, 2**32))
def test_the_heaviest_chain_is_that_of_all_subsets(rows, seed):
    rows = rows[np.argsort(rows.sum(axis=1), kind="stable")]
    heavy = np.random.default_rng(seed).exponential(size=len(rows))
    subsets = (
        list(chosen) for size in range(1, len(rows) + 1) for chosen in itertools.combinations(range(len(rows)), size)
    )
    chains = [chain for chain in subsets if (np.diff(rows[chain].astype(int), axis=0) >= 0).all()]
    assert _heaviest_of(rows, heavy) == max(chains, key=lambda chain: heavy[chain].sum())


def test_a_chain_that_filling_makes_heavier_than_the_one_before_it_is_sorted_and_filled_again():
    rows = np.array([[0, 2], [1, 1], [2, 0], [2, 2], [3, 0], [3, 1]], np.int8)
    found = fewest_chains(rows, np.array([12.0, 5.0, 22.0, 22.0, 11.0, 4.0]))
    must_hold(rows, found)
    assert found.chains == ((2, 4, 5), (0, 3), (1,))  # 37, 34 and 5; with 2 and 3 on one blank it takes four


@settings(deadline=None)
@given(some_rows(most=14), st.integers(0, 2**32))
def test_the_first_blank_is_the_likeliest_that_a_minimal_cover_holds(rows, seed):
    weights = np.random.default_rng(seed).exponential(size=len(rows))
    found = fewest_chains(rows, weights)

    def is_chain(subset):
        return all(
            (rows[i] <= rows[j]).all() or (rows[j] <= rows[i]).all() for i, j in itertools.combinations(subset, 2)
        )

    everything = range(len(rows))
    subsets = itertools.chain.from_iterable(itertools.combinations(everything, n) for n in range(1, len(rows) + 1))
    best = max((s for s in subsets if is_chain(s)), key=lambda s: weights[list(s)].sum())
    rest = [i for i in everything if i not in best]
    if 1 + fewest(rows[rest]) == len(found.chains):
        assert sorted(found.chains[0]) == sorted(best)


@settings(deadline=None)
@given(some_rows())
def test_covers_are_the_transitive_reduction(rows):
    order = Order(rows)
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(rows)))
    graph.add_edges_from(
        (i, j) for i, j in itertools.permutations(range(len(rows)), 2) if (order.rows[i] <= order.rows[j]).all()
    )
    assert sorted(map(tuple, order.covers().tolist())) == sorted(nx.transitive_reduction(graph).edges)


@pytest.mark.parametrize(("k", "n", "size"), middle_levels(5_000))
def test_a_box_takes_its_middle_level(k, n, size):
    assert fewest(box(k, n)) == size


def test_middle_levels_too_large_to_list():
    lines = [line.split(",") for line in REFERENCE.read_text().splitlines() if not line.startswith("#")][1:]
    for _, k, n, size in lines:
        assert middle_level([int(k) + 1] * int(n)) == int(size)


def test_two_groups_with_a_gap_have_too_many_covers():
    row = np.arange(40)
    flat = np.stack([row, 39 - row], axis=1)
    rows = np.concatenate([flat, flat + 100])
    assert len(Order(rows).covers()) == 1600
    with pytest.raises(TooManyCovers):
        Order(rows).covers(most=1599)


def test_one_row_and_none():
    assert fewest_chains(np.empty((0, 3), np.int8)).chains == ()
    assert fewest_chains(np.zeros((1, 3), np.int8)).chains == ((0,),)
    assert fewest_chains(np.empty((1, 0), np.int8)).chains == ((0,),)


@settings(deadline=None)
@given(st.lists(st.booleans(), min_size=1, max_size=300))
def test_bits(flags):
    packed = pack(np.array(flags), -(-len(flags) // 64))
    assert unpack(packed, len(flags)).tolist() == flags
    for word, value in enumerate(packed):
        if value:
            assert first_bit(np.array([value]))[0] == flags[word * 64 :].index(True)


@pytest.mark.parametrize("seed", range(6))
def test_a_part_with_depths_taken_away_holds_the_codes_without_them_and_no_dead_ends(seed):
    draw = random.Random(seed)
    made = system(track("left", 5, "123"), must=("adjacent cuts differ by at most 1", "at least 2 different depths"))
    (diagram,) = code_space(made).diagrams
    allowed = {Place(0, cut): draw.sample(range(3), draw.choice([1, 2])) for cut in draw.sample(range(5), 2)} | {
        Place(0, 2): {2}
    }

    def ways(part, node=0, at=0):
        if at == len(part):
            yield ()
            return
        for depth, child in enumerate(part[at].children[node].tolist()):
            if child >= 0:
                found = [(depth, *rest) for rest in ways(part, child, at + 1)]
                assert found  # nothing leads where no code goes on
                yield from found

    listed = [code for (code,) in code_space(made) if all(code[p.cut] in few for p, few in allowed.items())]
    assert list(ways(restrict(diagram.layers, allowed))) == listed
