"""The diagram and the slips of single cuts, side by side: what every reading may have been, and how likely that is.

A *state* says, for one reading, how many slips are left and, for each stream, how far the writing has got ahead of the
true cuts and whether a swap is under way. Walking down the diagram, the true depth of the next cut decides where each
state may go (a `Move`): the cut was written as it is, misread, swapped, left out, written twice, or with a foreign one.
Two figures are worked out for every state and node, from the end up:

- *mass*: the probability of the rest of the writing, summed over every legal way to go on and every way to slip;
- *bound*: no single legal way to go on has more than this, summed over every way to slip.

So the mass at the root is what all legal codes within reach have together, exactly, and the bound leads the search.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from math import prod
from typing import NamedTuple

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.diagram import CodeSpace
from bitting.model import Place, System, Track
from bitting.repair import slips
from bitting.repair.written import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

WIDE = 20_000
"""A layer with more nodes than this is first cut down to those that the writing can lead to."""


class State(NamedTuple):
    """The reading (its number), the slips left, and per stream: cuts written too many so far, and whether a swap is open."""

    reading: int
    left: int
    streams: tuple[tuple[int, bool], ...]


class Move(NamedTuple):
    """A way on from a state: each depth that the true cut may have, and the probability of what is written for it."""

    to: State
    depths: tuple[tuple[int, float], ...]


class Step(NamedTuple):
    """One stream's way on: the slip ("" for none), its cost in slips, the stream's new state, and the depths."""

    slip: str
    cost: int
    to: tuple[int, bool]
    depths: tuple[tuple[int, float], ...]


@frozen
class Walk:
    """A code space as one chain of layers: a diagram begins where the one before it ends."""

    system: System
    places: tuple[Place, ...]
    children: tuple[Ints, ...]
    """Per layer, (depths, nodes): the node of the next layer, -1 where nothing legal follows."""

    @classmethod
    def of(cls, space: CodeSpace) -> Walk:
        """The chain of a code space."""
        tables = [layer.children for diagram in space.diagrams for layer in diagram.layers]
        return cls(space.system, space.places, tuple(np.ascontiguousarray(table.T) for table in tables))


@frozen
class Row:
    """One written row as the walk needs it: per label its depth (-1: none) and the depths it may be a slip for."""

    labels: tuple[str, ...]
    depths: tuple[int, ...]
    misread: tuple[tuple[tuple[int, float], ...], ...]
    dropped: tuple[tuple[int, float], ...]
    cuts: int

    @classmethod
    def of(cls, track: Track, labels: tuple[str, ...]) -> Row:
        """A row of labels, written for a track."""
        places = {label: place for place, label in enumerate(track.labels)}
        tables = [slips.misreadings(track, label) for label in labels]
        return cls(
            labels,
            tuple(places.get(label, -1) for label in labels),
            tuple(tuple((depth, share) for depth, share in enumerate(table) if share) for table in tables),
            tuple((depth, slips.DROPPED) for depth in range(len(places))),
            track.cuts,
        )


def rows_of(system: System, reading: Reading) -> tuple[Row, ...]:
    """The rows of a reading, one per stream."""
    pairs = zip(reading.streams, reading.rows, strict=True)
    return tuple(Row.of(system.lanes[stream.lane].track, labels) for stream, labels in pairs)


def steps(row: Row, cut: int, state: tuple[int, bool], left: int) -> Iterator[Step]:
    """What may have been written in a row for one cut."""
    ahead, swapping = state
    at, length = cut + ahead, len(row.labels)
    if swapping:
        yield Step("", 0, (ahead, False), ((row.depths[at - 1], 1.0),))
        return
    here = row.depths[at] if 0 <= at < length else -1
    if here >= 0:
        yield Step("", 0, (ahead, False), ((here, 1.0),))
    if not left:
        return
    yield Step("dropped", 1, (ahead - 1, False), row.dropped)
    if not 0 <= at < length:
        return
    if row.misread[at]:
        yield Step("misread", 1, (ahead, False), row.misread[at])
    if at + 1 == length:
        return
    there = row.depths[at + 1]
    if row.labels[at] == row.labels[at + 1]:
        if here >= 0:
            yield Step("doubled", 1, (ahead + 1, False), ((here, slips.DOUBLED),))
        return
    if there >= 0:
        yield Step("extra before", 1, (ahead + 1, False), ((there, slips.EXTRA),))
    if here >= 0 and cut == row.cuts - 1:
        yield Step("extra after", 1, (ahead + 1, False), ((here, slips.EXTRA),))
    if here >= 0 and there >= 0 and cut < row.cuts - 1:
        yield Step("swapped", 1, (ahead, True), ((there, slips.SWAPPED),))


class Trellis:
    """The moves of some readings of one code over a code space, with the mass and the bound of every state and node.

    `moves[layer][state]` are the ways on; `values[layer][state]` is (2, nodes + 1): mass and bound, and a last column
    of zeros that the child -1 picks. States from which the writing can't be finished are left out.
    """

    def __init__(self, walk: Walk, readings: Sequence[Reading], wide: int = WIDE) -> None:
        self.readings = readings
        self.rows = [rows_of(walk.system, reading) for reading in readings]
        self._goals = [tuple(len(row.labels) - row.cuts for row in rows) for rows in self.rows]
        self.start = [
            State(i, reading.budget, ((0, False),) * len(reading.streams)) for i, reading in enumerate(readings)
        ]
        self.moves: list[dict[State, list[Move]]] = []
        states = set(self.start)
        for place in walk.places:
            layer = {state: list(self._moves(state, place)) for state in states}
            self.moves.append(layer)
            states = {move.to for moves in layer.values() for move in moves}
        if max((table.shape[1] for table in walk.children), default=0) > wide:
            walk = self._within_reach(walk)
        self.walk = walk
        written = {s for s in states if s.streams == tuple((goal, False) for goal in self._goals[s.reading])}
        self.values = self._values(written)

    def _moves(self, state: State, place: Place) -> Iterator[Move]:
        """Every way on at a cut: each stream of its lane writes the same true depth."""
        rows, goals = self.rows[state.reading], self._goals[state.reading]
        mine = [i for i, stream in enumerate(self.readings[state.reading].streams) if stream.lane == place.lane]
        if len(mine) == 1:
            i = mine[0]
            away = sum(abs(goal - ahead) for goal, (ahead, _) in zip(goals, state.streams, strict=True))
            others = away - abs(goals[i] - state.streams[i][0])
            for step in steps(rows[i], place.cut, state.streams[i], state.left):
                left = state.left - step.cost
                if others + abs(goals[i] - step.to[0]) <= left:
                    yield Move(State(state.reading, left, _replace(state.streams, i, step.to)), step.depths)
            return
        for chosen in product(*(list(steps(rows[i], place.cut, state.streams[i], state.left)) for i in mine)):
            left = state.left - sum(step.cost for step in chosen)
            after = state.streams
            for i, step in zip(mine, chosen, strict=True):
                after = _replace(after, i, step.to)
            if sum(abs(goal - ahead) for goal, (ahead, _) in zip(goals, after, strict=True)) > left:
                continue
            tables = [dict(step.depths) for step in chosen]
            common = sorted(set.intersection(*map(set, tables)))
            if common:
                depths = tuple((depth, prod(table[depth] for table in tables)) for depth in common)
                yield Move(State(state.reading, left, after), depths)

    def _within_reach(self, walk: Walk) -> Walk:
        """The walk over the nodes that some reading leads to."""
        reached: dict[State, NDArray[np.bool_]] = {state: np.ones(1, bool) for state in self.start}
        tables: list[Ints] = []
        kept = np.zeros(1, np.int64)
        for number, (children, moves) in enumerate(zip(walk.children, self.moves, strict=True)):
            size = walk.children[number + 1].shape[1] if number + 1 < len(walk.children) else 1
            after: dict[State, NDArray[np.bool_]] = {}
            for state, mask in reached.items():
                nodes = np.flatnonzero(mask)
                for move in moves[state]:
                    below = children[np.ix_(np.array([depth for depth, _ in move.depths]), nodes)].ravel()
                    after.setdefault(move.to, np.zeros(size, bool))[below[below >= 0]] = True
            whole = np.logical_or.reduce(list(after.values())) if after else np.zeros(size, bool)
            if not whole.any():
                whole[0] = True  # nothing legal is in reach: keep the shape, and let every value be 0
            renumber = np.append(np.where(whole, np.cumsum(whole) - 1, -1), -1).astype(np.int32)
            tables.append(np.ascontiguousarray(renumber[children[:, kept]]))
            kept = np.flatnonzero(whole)
            reached = after
        return Walk(walk.system, walk.places, tuple(tables))

    def _values(self, finished: set[State]) -> list[dict[State, Floats]]:
        end = np.array([[1.0, 0.0], [1.0, 0.0]])
        below = dict.fromkeys(finished, end)
        values = [below]
        for children, moves in zip(reversed(self.walk.children), reversed(self.moves), strict=True):
            layer: dict[State, Floats] = {}
            for state, ways in moves.items():
                value = _value(children, [(move.depths, below[move.to]) for move in ways if move.to in below])
                if value is not None:
                    layer[state] = value
            values.append(layer)
            below = layer
        values.reverse()
        return values


def _replace(
    streams: tuple[tuple[int, bool], ...], number: int, state: tuple[int, bool]
) -> tuple[tuple[int, bool], ...]:
    return (*streams[:number], state, *streams[number + 1 :])


def _value(children: Ints, ways: Sequence[tuple[tuple[tuple[int, float], ...], Floats]]) -> Floats | None:
    """Mass and bound of one state over the nodes of a layer; None where no legal code goes on."""
    nodes = children.shape[1]
    value = np.zeros((2, nodes + 1))
    if len(ways) == 1 and len(ways[0][0]) == 1:  # only one depth can follow: nothing to add up
        (((depth, weight),), after), *_ = ways
        value[:, :nodes] = after.take(children[depth], axis=1)
        value *= weight
    else:
        parts = np.zeros((2, len(children), nodes))
        for depths, after in ways:
            if len(depths) > 1:
                weights = np.zeros((len(children), 1))
                weights[[depth for depth, _ in depths], 0] = [weight for _, weight in depths]
                parts += after.take(children, axis=1) * weights
            else:
                ((depth, weight),) = depths
                parts[:, depth] += after.take(children[depth], axis=1) * weight
        value[0, :nodes] = parts[0].sum(axis=0)
        value[1, :nodes] = parts[1].max(axis=0)
    return value if value[0].any() else None
