"""Questions that the diagram answers: how many, is it one, which comes K-th, draw some, list them in order."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator, Sequence
from functools import cached_property
from math import prod
from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from bitting.arrays import Int32s
from bitting.diagram.build import BUDGET, Allowed, Purse, build
from bitting.errors import BittingError
from bitting.model import Depths, Place, Rule, System
from bitting.model.expect import expect
from bitting.rules import idle
from bitting.rules.base import in_turn


@frozen
class Layer:
    """One cut's decision. `children[node, depth]` is a node of the next layer, -1 where no legal code goes on."""

    place: Place
    children: Int32s = field(repr=False, eq=False)


@frozen(slots=False)
class Diagram:
    """The legal cuts of some lanes. The root is node 0 of the first layer; after the last layer there is one node, 0."""

    lanes: tuple[int, ...]
    layers: tuple[Layer, ...] = field(repr=False, eq=False)

    @cached_property
    def counts(self) -> tuple[NDArray[np.int64] | NDArray[np.object_], ...]:
        """Completions of every node, per layer and for the end: int64 where that is safe, Python integers otherwise."""
        return completions(self.layers)

    @property
    def count(self) -> int:
        """The number of legal ways to cut these lanes."""
        return int(self.counts[0][0])

    @property
    def nodes(self) -> int:
        return sum(len(layer.children) for layer in self.layers) + 1


def completions(layers: Sequence[Layer]) -> tuple[NDArray[np.int64] | NDArray[np.object_], ...]:
    """How many ways lead on from every node, per layer and for the end: exact, in int64 only where that is safe."""
    most = prod(layer.children.shape[1] for layer in layers)
    kind = np.int64 if most < 2**62 else object
    counts: list[NDArray[np.int64] | NDArray[np.object_]] = [np.ones(1, kind)]
    for layer in reversed(layers):
        below = np.append(counts[-1], np.zeros(1, kind))  # -1 picks this 0
        counts.append(below[layer.children].sum(axis=1))
    counts.reverse()
    return tuple(counts)


def arrivals(layers: Sequence[Layer]) -> tuple[NDArray[np.int64] | NDArray[np.object_], ...]:
    """How many ways lead from the root to every node, per layer and for the end: as `completions`."""
    most = prod(layer.children.shape[1] for layer in layers)
    found: list[NDArray[np.int64] | NDArray[np.object_]] = [np.ones(1, np.int64 if most < 2**62 else object)]
    for layer, size in zip(layers, [*(len(layer.children) for layer in layers[1:]), 1], strict=True):
        found.append(onward(layer.children, found[-1], size))
    return tuple(found)


def onward(children: NDArray[Any], ways: NDArray[Any], size: int) -> NDArray[Any]:
    """The ways that lead to the nodes of a layer, one of `size` of them, where `ways` lead to those of the layer before."""
    after = np.zeros(size, ways.dtype)
    for column in children.T:
        on = np.flatnonzero(column >= 0)
        np.add.at(after, column[on], ways[on])
    return after


@frozen(slots=False)
class CodeSpace:
    """Every legal code of a system (or of some of its lanes), ready for questions.

    Codes are ordered as they are decided: diagram by diagram, within it cut by cut (left 1, right 1, left 2, …), the
    shallower first. `rank`, `unrank` and iteration agree on that order; ranks count from 0.
    """

    system: System = field(repr=lambda system: system.name)
    diagrams: tuple[Diagram, ...]

    @cached_property
    def count(self) -> int:
        """The exact number of legal codes."""
        return prod(diagram.count for diagram in self.diagrams)

    @property
    def places(self) -> tuple[Place, ...]:
        """The cuts in the order in which they are decided."""
        return tuple(layer.place for diagram in self.diagrams for layer in diagram.layers)

    def contains(self, depths: Depths) -> bool:
        """Whether the code is legal. `depths` has a row of places for every lane of the system."""
        for diagram in self.diagrams:
            node = 0
            for layer in diagram.layers:
                depth = depths[layer.place.lane][layer.place.cut]
                if not 0 <= depth < layer.children.shape[1]:
                    return False
                node = int(layer.children[node, depth])
                if node < 0:
                    return False
        return True

    def rank(self, depths: Depths) -> int:
        """The place of a legal code in the order, from 0. Raises `BittingError` for a code that isn't legal."""
        if not self.contains(depths):
            raise BittingError("only a legal code has a number", hint="check it first")
        rank = 0
        for diagram in self.diagrams:
            within, node = 0, 0
            for layer, below in zip(diagram.layers, diagram.counts[1:], strict=True):
                depth = depths[layer.place.lane][layer.place.cut]
                before = layer.children[node, :depth]
                within += sum(int(below[child]) for child in before.tolist() if child >= 0)
                node = int(layer.children[node, depth])
            rank = rank * diagram.count + within
        return rank

    def unrank(self, rank: int) -> Depths:
        """The code at a place in the order, from 0. Raises `BittingError` outside 0 to count - 1."""
        if not 0 <= rank < self.count:
            raise BittingError(f"there are {self.count:,} codes, so there is no number {rank + 1:,}")
        found: dict[Place, int] = {}
        for diagram in reversed(self.diagrams):
            rank, within = divmod(rank, diagram.count)
            node = 0
            for layer, below in zip(diagram.layers, diagram.counts[1:], strict=True):
                for depth, child in enumerate(layer.children[node].tolist()):
                    if child < 0:
                        continue
                    size = int(below[child])
                    if within < size:
                        found[layer.place], node = depth, child
                        break
                    within -= size
        return self._depths(found)

    def sample(self, number: int, seed: int) -> Iterator[Depths]:
        """Codes drawn one by one, each equally likely; the same seed draws the same codes."""
        if self.count == 0:
            raise BittingError(f"{self.system.name} has no legal code to draw", hint="`systems lint` says why")
        draw = random.Random(seed)
        return (self.unrank(draw.randrange(self.count)) for _ in range(number))

    def listing(self, start: int = 0, limit: int | None = None) -> Iterator[Depths]:
        """Codes in order from a place in it (from 0), one at a time. Raises `BittingError` for a start past the last."""
        if start and start >= self.count:
            raise BittingError(f"there are {self.count:,} codes, so there is no number {start + 1:,}")
        return itertools.islice(self._from(start), limit)

    def __iter__(self) -> Iterator[Depths]:
        """All codes in order, one at a time."""
        return self._from(0)

    def _from(self, start: int) -> Iterator[Depths]:
        """Depth first over all layers, the diagrams one after another; the first code is found by unranking."""
        if not self.count:
            return
        layers = [(layer.place, layer.children.tolist()) for diagram in self.diagrams for layer in diagram.layers]
        roots = set(itertools.accumulate((len(diagram.layers) for diagram in self.diagrams), initial=0))
        rows = [list(row) for row in self.unrank(start)]

        def onwards(at: int, node: int, least: bool) -> Iterator[Depths]:
            """The codes behind a node; `least`: none before the first one, whose cuts still stand in the rows."""
            if at == len(layers):
                yield tuple(map(tuple, rows))
                return
            place, table = layers[at]
            first = rows[place.lane][place.cut] if least else 0
            for depth, child in enumerate(table[0 if at in roots else node]):
                if child >= 0 and depth >= first:
                    rows[place.lane][place.cut] = depth
                    yield from onwards(at + 1, child, least and depth == first)

        yield from onwards(0, 0, True)

    def _depths(self, found: dict[Place, int]) -> Depths:
        lanes = enumerate(self.system.lanes)
        return tuple(tuple(found[Place(i, cut)] for cut in range(lane.track.cuts)) for i, lane in lanes)


def code_space(
    system: System, *, allowed: Allowed | None = None, rules: Sequence[Rule] | None = None, budget: int = BUDGET
) -> CodeSpace:
    """Every legal code of a system. Raises `TooLargeError`, which names the rule, past the node budget.

    `allowed` narrows single cuts to some depths (places); `rules` replaces the system's `must` rules.
    """
    expect(System, system)
    if rules is None:
        rules = [rule for rule in system.rules if rule.level == "must"]
    rules = [rule for rule in rules if not idle(rule, system)]
    groups = coupled(len(system.lanes), rules)
    return CodeSpace(system, tuple(diagram_of(system, group, rules, allowed or {}, budget) for group in groups))


def lane_space(system: System, lane: int) -> Diagram:
    """One lane under the rules that speak of it alone."""
    must = (rule for rule in system.rules if rule.level == "must")
    own = [rule for rule in must if rule.lanes == (lane,) and not idle(rule, system)]
    return diagram_of(system, (lane,), own, {})


def diagram_of(
    system: System,
    lanes: tuple[int, ...],
    rules: Sequence[Rule],
    allowed: Allowed,
    budget: int = BUDGET,
    purse: Purse | None = None,
) -> Diagram:
    """Some lanes under those of the rules that speak of them alone. Raises `TooLargeError` past the budget or the purse."""
    places = [Place(lanes[i], cut) for i, cut in in_turn([system.lanes[lane].track.cuts for lane in lanes])]
    own = [rule for rule in rules if set(rule.lanes) <= set(lanes)]
    layers = build(system, places, own, allowed, budget, purse)
    return Diagram(lanes, tuple(Layer(place, table) for place, table in zip(places, layers, strict=True)))


def coupled(lanes: int, rules: Sequence[Rule]) -> list[tuple[int, ...]]:
    """Lanes that rules tie together, as groups in the order of their first lane."""
    group = list(range(lanes))
    for rule in rules:
        roots = {group[lane] for lane in rule.lanes}
        group = [min(roots) if root in roots else root for root in group]
    return [tuple(lane for lane in range(lanes) if group[lane] == root) for root in sorted(set(group))]
