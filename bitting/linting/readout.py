"""How safe a code is to read out: the share of slips after which the code is legal still, so that nobody notices.

Three slips are counted, each over every legal code and every place where it can happen, all equally likely:

- *any depth*: one cut is read as another depth of the table;
- *off by one*: one cut is read one depth deeper or shallower;
- *swap*: two neighbouring cuts of a track that differ are exchanged.

A slip that goes unnoticed is a pair of legal codes that differ in just this way. Pairs are counted by two walks through
the diagram at once: together from the root, apart where the slip happens, each cut the same after it. Where the two
walks meet again in one node, every completion of it finishes both. So the shares are exact, and no code is listed. Where
more than `MOST_ROWS` pairs of nodes have to be followed no share is given, and the answer says so.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

import numpy as np
from attrs import frozen

from bitting.arrays import Array
from bitting.diagram import CodeSpace, Diagram
from bitting.diagram.space import arrivals, onward
from bitting.model import Place
from bitting.model.value import Value

MOST_ROWS = 5_000_000
"""Pairs of all layers before equal ones are made one: some seconds, and 300 MB where they are of one layer."""

SLIPS = ("any_depth", "off_by_one", "swap")


@frozen
class Slips(Value):
    """Of all slips of a kind, the share that another legal code hides, counted exactly; None where none can happen."""

    any_depth: float | None
    off_by_one: float | None
    swap: float | None
    exact: Literal[True] = True


class _TooMany(Exception):
    """More pairs of nodes than are kept."""


MOST_SLIPS = 300_000
"""Slips of one cut (cuts times pairs of depths) that are followed through a diagram; a key has some hundreds."""


def unnoticed(space: CodeSpace) -> Slips | None:
    """The shares for a code space with at least one code; None where there are more slips than seconds to follow them."""
    sizes = [int(layer.children.shape[1]) for diagram in space.diagrams for layer in diagram.layers]
    if sum(size**2 for size in sizes) > MOST_SLIPS:
        return None
    try:
        hidden, all_slips = exact_slips(space)
    except _TooMany:
        return None
    any_depth, off_by_one, swap = (float(h / a) if a else None for h, a in zip(hidden, all_slips, strict=True))
    return Slips(any_depth, off_by_one, swap)


def exact_slips(space: CodeSpace) -> tuple[list[Fraction], list[Fraction]]:
    """(slips that stay legal, all slips) of each kind in `SLIPS`, per legal code."""
    hidden, happen = [Fraction(0)] * 3, [Fraction(0)] * 3
    for diagram in space.diagrams:
        found, possible = _Walker(diagram).count()
        for kind in range(3):
            hidden[kind] += Fraction(found[kind], diagram.count)
            happen[kind] += Fraction(possible[kind], diagram.count)
    return hidden, happen


class _Walker:
    """Counts pairs of ways through one diagram."""

    def __init__(self, diagram: Diagram) -> None:
        self.diagram, self.rows = diagram, 0
        self.tables = [layer.children.astype(np.int64) for layer in diagram.layers]
        slips = sum(2 * table.shape[1] for table in self.tables)
        self.kind: type[np.int64] | type[object] = np.int64 if diagram.count < 2**62 // max(slips, 1) else object
        self.below = [counts.astype(self.kind) for counts in diagram.counts]
        self.above = [counts.astype(self.kind) for counts in arrivals(diagram.layers)]

    def count(self) -> tuple[list[int], list[int]]:
        """(slips that stay legal, all slips) of each kind over every code of the diagram."""
        any_depth, off_by_one = self._single()
        swapped, unlike = self._swaps()
        sizes = [table.shape[1] for table in self.tables]
        total = self.diagram.count
        ends = sum(self._codes_with(i, depth) for i, size in enumerate(sizes) for depth in (0, size - 1))
        all_single = total * sum(size - 1 for size in sizes)
        return [any_depth, off_by_one, swapped], [all_single, 2 * total * len(sizes) - ends, unlike]

    def _codes_with(self, layer: int, depth: int) -> int:
        children = self.tables[layer][:, depth]
        on = np.flatnonzero(children >= 0)
        return int((self.above[layer][on] * self.below[layer + 1][children[on]]).sum()) if len(on) else 0

    def _single(self) -> tuple[int, int]:
        """Ordered pairs of legal codes that differ in one cut; and those of them that differ by one depth there."""
        found = [0, 0]
        a = b = np.zeros(0, np.int64)
        ways = np.zeros((0, 2), self.kind)  # of any slip, of one by one depth
        for i, table in enumerate(self.tables):
            parts = [(table[a, d], table[b, d], ways) for d in range(table.shape[1])]
            above = self.above[i]
            for d in range(table.shape[1]):
                for e in range(d + 1, table.shape[1]):
                    near = above if e == d + 1 else np.zeros_like(above)
                    parts.append((table[:, d], table[:, e], np.stack([above, near], axis=1)))
            a, b, ways = self._met(parts, i + 1, found)
        return 2 * found[0], 2 * found[1]

    def _met(self, parts: list[tuple[Array, Array, Array]], layer: int, found: list[int]) -> tuple[Array, Array, Array]:
        """Keep the pairs that go on; those that meet are counted and done. Equal pairs become one."""
        self.rows += sum(len(part[0]) for part in parts)
        if self.rows > MOST_ROWS:
            raise _TooMany
        a, b = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
        ways = np.concatenate([part[2] for part in parts])
        on = (a >= 0) & (b >= 0)
        a, b, ways = a[on], b[on], ways[on]
        same = a == b
        for k in range(ways.shape[1]):
            if same.any():
                found[k] += int((ways[same, k] * self.below[layer][a[same]]).sum())
        a, b, ways = a[~same], b[~same], ways[~same]
        return self._together(np.minimum(a, b), np.maximum(a, b), ways, len(self.below[layer]))

    def _together(self, a: Array, b: Array, ways: Array, size: int) -> tuple[Array, Array, Array]:
        """Equal pairs of nodes, of layers of that size, made one."""
        key, number = np.unique(a * size + b, return_inverse=True)
        summed = np.zeros((len(key), *ways.shape[1:]), self.kind)
        np.add.at(summed, number, ways)
        return *np.divmod(key, size), summed

    def _swaps(self) -> tuple[int, int]:
        """Swaps of unlike neighbours over every code: those that stay legal, and all of them."""
        home = {layer.place: i for i, layer in enumerate(self.diagram.layers)}
        starts = {
            i: home.get(Place(layer.place.lane, layer.place.cut - 1)) for i, layer in enumerate(self.diagram.layers)
        }
        found, unlike = [0], 0
        a = b = np.zeros(0, np.int64)
        ways = np.zeros((0, 1), self.kind)
        for end, table in enumerate(self.tables):  # what was exchanged before goes on in one row with what is new here
            parts = [(table[a, d], table[b, d], ways) for d in range(table.shape[1])]
            start = starts[end]
            if start is not None:
                unlike += self.diagram.count - self._equal(start, end)
                parts += [self._exchanged(start, end, d, e) for e in range(table.shape[1]) for d in range(e)]
            a, b, ways = self._met(parts, end + 1, found)
        return 2 * found[0], unlike

    def _equal(self, start: int, end: int) -> int:
        total = 0
        for depth in range(self.tables[start].shape[1]):
            first = self.tables[start][:, depth]
            on = np.flatnonzero(first >= 0)
            ways = np.zeros(len(self.below[start + 1]), self.kind)
            np.add.at(ways, first[on], self.above[start][on])
            for i in range(start + 1, end):
                ways = onward(self.tables[i], ways, len(self.below[i + 1]))
            last = self.tables[end][:, depth]
            on = np.flatnonzero(last >= 0)
            total += int((ways[on] * self.below[end + 1][last[on]]).sum()) if len(on) else 0
        return total

    def _exchanged(self, start: int, end: int, d: int, e: int) -> tuple[Array, Array, Array]:
        """Pairs of nodes after `end`: one walk took d first and then e, the other e first and then d."""
        first = self.tables[start]
        on = np.flatnonzero((first[:, d] >= 0) & (first[:, e] >= 0))
        a, b, ways = first[on, d], first[on, e], self.above[start][on]
        for i in range(start + 1, end):
            table, size = self.tables[i], len(self.below[i + 1])
            a, b, ways = (
                np.concatenate([table[a, x] for x in range(table.shape[1])]),
                np.concatenate([table[b, x] for x in range(table.shape[1])]),
                np.concatenate([ways] * table.shape[1]),
            )
            on = np.flatnonzero((a >= 0) & (b >= 0))
            a, b, ways = self._together(a[on], b[on], ways[on], size)
        last = self.tables[end]
        return last[a, e], last[b, d], ways[:, None]
