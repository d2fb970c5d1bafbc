"""The candidates as layers: what is still open, counted, listed and measured without going through it one by one.

A *part* is a list of layers over some cuts, deterministic and trimmed: from every node at least one depth leads on, and
no two paths spell the same depths. The diagram of a code space is a list of parts as it stands; a lock that reads only
some of the cuts gives the part that is left when the other cuts are projected away (the subset construction, layer by
layer). Counts are exact: machine integers while they are large enough, Python's beyond.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cached_property
from math import prod
from typing import Any

import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.diagram import Layer, completions
from bitting.errors import BittingError
from bitting.model import Place

MOST_SUBSETS = 200_000
"""Nodes of one projected layer at which the answer is given up."""

Numbers = NDArray[Any]
"""int64, or Python integers where the counts are larger than that."""


Part = tuple[Layer, ...]


@define(slots=False, eq=False)
class Choices:
    """Every candidate, as independent parts; `places` are the cuts they decide, in the order of the code."""

    parts: tuple[Part, ...]
    places: tuple[Place, ...] = field(init=False)

    def __attrs_post_init__(self) -> None:
        found = [layer.place for part in self.parts for layer in part]
        self.places = tuple(sorted(found, key=lambda place: (place.lane, place.cut)))

    @cached_property
    def _counts(self) -> list[tuple[Numbers, ...]]:
        return [completions(part) for part in self.parts]

    @cached_property
    def count(self) -> int:
        """How many candidates there are."""
        return prod(int(counts[0][0]) for counts in self._counts)

    @cached_property
    def depths(self) -> dict[Place, tuple[int, ...]]:
        """For each cut the depths that some candidate has there."""
        return {place: tuple(d for d, n in enumerate(row) if n) for place, row in self.shares.items()}

    @cached_property
    def shares(self) -> dict[Place, tuple[int, ...]]:
        """For each cut how many candidates have each depth there."""
        out: dict[Place, tuple[int, ...]] = {}
        for part, counts in zip(self.parts, self._counts, strict=True):
            others = self.count // int(counts[0][0]) if self.count else 0
            reach = np.ones(1, counts[0].dtype)
            for layer, after in zip(part, counts[1:], strict=True):
                share, onward = [], np.zeros(len(after), after.dtype)
                for depth in range(layer.children.shape[1]):
                    child = layer.children[:, depth]
                    ok = child >= 0
                    np.add.at(onward, child[ok], reach[ok])
                    share.append(sum((reach[ok] * after[child[ok]]).tolist()) * others)
                out[layer.place] = tuple(share)
                reach = onward
        return {place: out[place] for place in self.places}

    @cached_property
    def levels(self) -> tuple[int, ...]:
        """How many candidates have each sum of depths, from the sum 0 on: codes of one level never share a blank."""
        out = [1]
        for part, counts in zip(self.parts, self._counts, strict=True):
            out = _convolve(out, _levels(part, counts[0].dtype))
        return tuple(out)

    def first(self, limit: int) -> NDArray[np.int8]:
        """The first `limit` candidates in the order of the code, first cut first, shape (codes, places)."""
        if not self.count or limit < 1:
            return np.empty((0, len(self.places)), np.int8)
        ordered = sorted(self.parts, key=lambda part: min((layer.place.lane for layer in part), default=0))
        columns = [layer.place for part in ordered for layer in part]
        rows = np.empty((1, 0), np.int8)
        for part in reversed(ordered):  # the last part moves fastest
            own = _first_of(part, limit)
            own = own[: -(-limit // max(1, len(rows)))]
            rows = np.concatenate([np.repeat(own, len(rows), axis=0), np.tile(rows, (len(own), 1))], axis=1)[:limit]
        back = [columns.index(place) for place in self.places]
        rows = rows[:, back]
        return rows[np.lexsort(rows.T[::-1])] if rows.shape[1] else rows

    def only(self, places: Collection[Place]) -> Choices:
        """The distinct settings of some cuts that a candidate has, of which there must be one."""
        return Choices(tuple(project(part, places) for part in self.parts))


def _levels(part: Part, kind: Any) -> list[int]:
    """How many codes of one part have each sum of depths."""
    after: Numbers = np.array([[1]], kind)
    for layer in reversed(part):
        depths = layer.children.shape[1]
        here = np.zeros((len(layer.children), after.shape[1] + depths - 1), kind)
        for depth in range(depths):
            child = layer.children[:, depth]
            ok = np.flatnonzero(child >= 0)
            here[ok, depth : depth + after.shape[1]] += after[child[ok]]
        after = here
    return [int(n) for n in after[0]]


def _convolve(a: Sequence[int], b: Sequence[int]) -> list[int]:
    out = [0] * (len(a) + len(b) - 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            out[i + j] += x * y
    return out


def restrict(part: Part, allowed: Mapping[Place, Collection[int]]) -> Part:
    """The part with some depths taken away, trimmed; a part without a code keeps its root and leads nowhere."""
    layers = []
    alive: NDArray[np.bool_] | None = None
    for layer in reversed(part):
        children = layer.children.copy()
        if layer.place in allowed:
            children[:, [d for d in range(children.shape[1]) if d not in allowed[layer.place]]] = -1
        if alive is not None:
            children[(children >= 0) & ~alive[children]] = -1
        alive = np.asarray((children >= 0).any(axis=1), np.bool_)
        layers.append(Layer(layer.place, children))
    return tuple(reversed(layers))


def project(part: Part, places: Collection[Place]) -> Part:
    """The part over some of its cuts only: which depths they have in some code of it."""
    nodes: list[tuple[int, ...]] = [(0,)]
    out: list[Layer] = []
    for layer in part:
        table = layer.children
        if layer.place not in places:
            merged = (np.unique(table[list(node)]) for node in nodes)
            seen = dict.fromkeys(tuple(found[found >= 0].tolist()) for found in merged)
            if len(seen) < len(nodes) and out:
                number = {node: i for i, node in enumerate(seen)}
                out[-1] = _renumber(out[-1], nodes, table, number)
            nodes = list(seen)
            continue
        number = {}
        children = np.full((len(nodes), table.shape[1]), -1, np.int32)
        for i, node in enumerate(nodes):
            rows = table[list(node)]
            for depth in range(table.shape[1]):
                found = rows[:, depth]
                found = found[found >= 0]
                if len(found):
                    target = tuple(np.unique(found).tolist())
                    children[i, depth] = number.setdefault(target, len(number))
        if len(number) > MOST_SUBSETS:
            raise BittingError(
                "too many ways to set the other cuts to tell the settings of these apart",
                hint="leave fewer cuts open, or ask without --lock",
            )
        nodes = list(number)
        out.append(Layer(layer.place, children))
    return tuple(out)


def _renumber(
    layer: Layer, nodes: Sequence[tuple[int, ...]], table: NDArray[np.int32], number: Mapping[tuple[int, ...], int]
) -> Layer:
    """A layer whose children were `nodes`, now that a cut was projected away and some of them became the same."""
    to = np.empty(len(nodes) + 1, np.int32)
    to[-1] = -1
    for i, node in enumerate(nodes):
        found = np.unique(table[list(node)])
        to[i] = number[tuple(found[found >= 0].tolist())]
    return Layer(layer.place, to[layer.children])


def _spell(part: Part, limit: int) -> NDArray[np.int8]:
    """The first codes of a part in the order of its layers, at least `limit` of them or all."""
    rows = np.empty((1, 0), np.int8)
    at: NDArray[np.integer] = np.zeros(1, np.int64)
    for layer in part:
        which, depth = np.nonzero(layer.children[at] >= 0)
        which, depth = which[:limit], depth[:limit]
        at = layer.children[at[which], depth]
        rows = np.concatenate([rows[which], depth[:, None].astype(np.int8)], axis=1)
    return rows


def _first_of(part: Part, limit: int) -> NDArray[np.int8]:
    """The first codes of a part, at most `limit`, by its lanes one after the other; columns as its layers."""
    lanes = sorted({layer.place.lane for layer in part})
    if len(lanes) < 2:
        return _spell(part, limit)
    if int(completions(part)[0][0]) <= limit:
        rows = _spell(part, limit)
        order = sorted(range(len(part)), key=lambda i: (part[i].place.lane, part[i].place.cut))
        return rows[np.lexsort(rows[:, order].T[::-1])]
    lead = [layer.place for layer in part if layer.place.lane == lanes[0]]
    found: list[NDArray[np.int8]] = []
    total = 0
    for row in _spell(project(part, frozenset(lead)), limit).tolist():
        rest = _first_of_rest(
            restrict(part, {place: (d,) for place, d in zip(lead, row, strict=True)}), lanes[0], limit
        )
        found.append(rest[: limit - total])
        total += len(found[-1])
        if total >= limit:
            break
    return np.concatenate(found)


def _first_of_rest(part: Part, settled: int, limit: int) -> NDArray[np.int8]:
    """As `_first_of`, for a part in which the lane `settled` can only be one way."""
    own = [layer.place for layer in part if layer.place.lane != settled]
    rest = _first_of(project(part, frozenset(own)), limit)
    rows = np.empty((len(rest), len(part)), np.int8)
    column = 0
    fixed = _spell(part, 1)[0]
    for i, layer in enumerate(part):
        if layer.place.lane == settled:
            rows[:, i] = fixed[i]
        else:
            rows[:, i] = rest[:, column]
            column += 1
    return rows
