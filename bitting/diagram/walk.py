"""Legality of many codes at once: a walk over the diagram's child tables.

Each layer of a diagram becomes one flat table: state plus depth is the place where the next state stands, already
multiplied out. A state that nothing legal follows from, and a depth that the table of depths lacks, lead to a dead row
that leads to itself. So one cut of all codes is one addition and one look-up, whatever the rules are.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import attrs
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.arrays import Bytes, Flags, Indices, Int32s
from bitting.diagram import CodeSpace, code_space
from bitting.errors import TooLargeError
from bitting.model import System

BLOCK = 1 << 14
"""Codes walked together: small enough that states and depths stay in the processor's cache."""


@frozen(eq=False)
class Walk:
    """One diagram as flat tables: the row of depths that each step reads, and its table."""

    cuts: tuple[int, ...]
    tables: tuple[NDArray[np.int32], ...]
    free: frozenset[int] = frozenset()
    """Cuts whose depth, if it is one, makes no difference."""

    def legal(self, depths: Bytes | Int32s, some: Indices | slice = slice(None)) -> Flags:
        """Whether each code (a column of places in the depth tables), or each of some, ends where legal codes end."""
        state = np.zeros(1, np.int32)
        for cut, table in zip(self.cuts, self.tables, strict=True):
            state = table[state + depths[cut][some]]
        alive: Flags = state == 0
        return alive

    def passed(self, depths: Bytes) -> Bytes:
        """How many cuts of each code are passed, in the walk's order, before nothing legal follows; all of a legal one."""
        state = np.zeros(depths.shape[1], np.int32)
        count = np.zeros(depths.shape[1], np.uint8)
        for cut, table in zip(self.cuts, self.tables, strict=True):
            state = table[state + depths[cut]]
            count += state != table[-1]  # the dead row leads to itself
        return count


@frozen(eq=False)
class Legality:
    """All diagrams of a system. Depths are (cuts, codes): the lanes of the system one after another, bow to tip."""

    walks: tuple[Walk, ...]
    count: int = 0
    """How many codes are legal."""

    @property
    def reads(self) -> list[int]:
        """The cuts whose depths make a difference."""
        return [cut for walk in self.walks for cut in walk.cuts if cut not in walk.free]

    def legal(self, depths: Bytes | Int32s) -> Flags:
        """Which codes are legal; a depth as large as its depth table is no depth, and makes the code illegal."""
        found = np.ones(depths.shape[1], bool)
        for start in range(0, depths.shape[1], BLOCK):
            block = slice(start, start + BLOCK)
            for walk in self.walks:
                found[block] &= walk.legal(depths[:, block])
        return found


@lru_cache(maxsize=16)
def legality_of(system: System, *, advice: bool = False) -> Legality | None:
    """The same as `compile_legality`, kept for the next list of codes."""
    return compile_legality(system, advice=advice)


def compile_legality(system: System, *, advice: bool = False) -> Legality | None:
    """The tables of a system; with `advice` of its "should" rules too, as if they were obligatory.

    None where the diagram would be too large, so that each code must be judged by itself.
    """
    if advice:
        system = attrs.evolve(system, rules=tuple(attrs.evolve(rule, level="must") for rule in system.rules))
    try:
        return legality_within(code_space(system))
    except TooLargeError:
        return None


def legality_within(space: CodeSpace) -> Legality:
    """The tables of a code space that is built already."""
    first = np.cumsum([0, *(lane.track.cuts for lane in space.system.lanes)])
    walks = []
    for diagram in space.diagrams:
        layers = diagram.layers
        cuts = tuple(int(first[layer.place.lane]) + layer.place.cut for layer in layers)
        free = frozenset(
            cut for cut, layer in zip(cuts, layers, strict=True) if (layer.children == layer.children[:, :1]).all()
        )
        walks.append(Walk(cuts, _tables([layer.children for layer in layers]), free))
    return Legality(tuple(walks), space.count)


def _tables(children: Sequence[NDArray[np.int32]]) -> tuple[NDArray[np.int32], ...]:
    tables = []
    for number, rows in enumerate(children):
        last = number == len(children) - 1
        nodes, stride = (1, 1) if last else (len(children[number + 1]), children[number + 1].shape[1] + 1)
        table = np.full((rows.shape[0] + 1, rows.shape[1] + 1), nodes * stride, np.int32)
        table[:-1, :-1] = np.where(rows < 0, nodes * stride, rows * stride)
        tables.append(table.ravel())
    return tuple(tables)
