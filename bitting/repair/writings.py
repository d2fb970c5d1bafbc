"""A block of writings: their rows as signs and as depths, and which parts of them are legal as they stand."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.repair.paths import Written, legal
from bitting.repair.signs import Signs

if TYPE_CHECKING:
    from bitting.repair.block import Block

Flags = NDArray[np.bool_]
Places = NDArray[np.intp]


class Writings:
    """Rows of signs, lane by lane (signs, writings), and what they are as depths."""

    def __init__(self, block: Block, rows: Sequence[Signs]) -> None:
        table = block.table
        tracks = [lane.track for lane in block.system.lanes]
        self.lanes = [
            Written(row, table.depth[track.name][row], table.misread[track.name], track.cuts)
            for row, track in zip(rows, tracks, strict=True)
        ]
        own = [[self.lanes[lane] for lane in diagram.lanes] for diagram in block.space.diagrams]
        self.off = [sum(abs(lane.goal) for lane in lanes) for lanes in own]
        """How many cuts too many or too few each diagram has."""
        self.wrong = np.array([
            np.ones(rows[0].shape[1], bool) if off else ~legal(layers, [lane.depths for lane in lanes])
            for off, layers, lanes in zip(self.off, block.layers, own, strict=True)
        ])  # fmt: skip
        """Which diagrams (diagrams, writings) don't allow what is written."""

    @cached_property
    def depths(self) -> Signs:
        """The depths written (writings, signs)."""
        return np.ascontiguousarray(np.concatenate([lane.depths for lane in self.lanes]).T)


@frozen(eq=False)
class Before:
    """The writings before slips of whole lists that leave the rows equally long: the slips' numbers, which writings each
    changes (slips, writings), and the rows, those of one slip after those of the other."""

    numbers: Places
    changed: Flags
    rows: Writings
