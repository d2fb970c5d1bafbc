"""Explanations of a block of writings as a table: which writing, the probability, the legal code, the slips."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.repair import slips
from bitting.repair.paths import BITS, DOUBLED, DROPPED, EXTRA, EXTRA_AFTER, MISREAD, SWAPPED, Slips, Written
from bitting.repair.search import TIE
from bitting.repair.signs import Signs

Places = NDArray[np.intp]
Floats = NDArray[np.float64]
_ALWAYS = {
    SWAPPED: slips.SWAPPED,
    DROPPED: slips.DROPPED,
    DOUBLED: slips.DOUBLED,
    EXTRA: slips.EXTRA,
    EXTRA_AFTER: slips.EXTRA,
}
_SHIFT = np.array([0, 0, 0, -1, 1, 1, 1, 0])
"""By kind: the cuts written too many because of the slip."""


@frozen(eq=False)
class Candidates:
    """A row per explanation (or per code, once `merged`). `slips` is as in `bitting.repair.paths.Ways`, 0 where it isn't
    known, or isn't one alone."""

    which: Places
    weight: Floats
    depths: Signs
    slips: Slips

    def __len__(self) -> int:
        return len(self.which)

    def some(self, rows: Places | NDArray[np.bool_]) -> Candidates:
        """Some of the rows, in that order."""
        return Candidates(self.which[rows], self.weight[rows], self.depths[rows], self.slips[rows])


def joined(parts: Sequence[Candidates], columns: int) -> Candidates:
    """All of several."""
    if not parts:
        none = np.zeros(0, np.intp)
        return Candidates(none, np.zeros(0), np.zeros((0, columns), np.uint8), np.zeros(0, np.int64))
    if len(parts) == 1:
        return parts[0]
    return Candidates(
        np.concatenate([p.which for p in parts]),
        np.concatenate([p.weight for p in parts]),
        np.concatenate([p.depths for p in parts]),
        np.concatenate([p.slips for p in parts]),
    )


def explained(which: Places, told: Slips, lanes: Sequence[Written], shares: Floats) -> Candidates:
    """The codes and probabilities that slips say; `shares` is `SignTable.shares`.

    Long because both slips are read off the same arrays: first what moved, then what each slip wrote.
    """
    if not len(which):
        return joined([], sum(lane.cuts for lane in lanes))
    weight = np.ones(len(which))
    both = [
        (told >> (BITS * number)) & ((1 << BITS) - 1) for number in range(slips.MOST if (told >> BITS).any() else 1)
    ]
    kinds, columns, depths = ([(one >> by) & 255 for one in both] for by in (16, 8, 0))
    shift = [_SHIFT[kind] for kind in kinds]
    starts = np.cumsum([0, *(lane.cuts for lane in lanes)])
    at_lane = [np.searchsorted(starts, column, "right") - 1 for column in columns]
    written = np.empty((len(which), int(starts[-1])), np.uint8)
    for number, lane in enumerate(lanes):
        own = slice(int(starts[number]), int(starts[number + 1]))
        row = lane.depths.T[which] if len(lane.depths) else np.zeros((len(which), 1), np.uint8)
        moved = [np.where(place == number, by, 0) for place, by in zip(at_lane, shift, strict=True)]
        if any(by.any() for by in moved):
            cut = np.arange(lane.cuts)
            ahead = sum(
                by[:, None] * (cut > column[:, None] - starts[number])
                for by, column in zip(moved, columns, strict=True)
            )
            row = np.take_along_axis(row, np.clip(cut + ahead, 0, row.shape[1] - 1), axis=1)
        written[:, own] = row[:, : lane.cuts]
    for number, (kind, column, depth) in enumerate(zip(kinds, columns, depths, strict=True)):
        for known, share in _ALWAYS.items():
            rows = np.flatnonzero(kind == known)
            if len(rows):
                weight[rows] *= share
        for place, lane in enumerate(lanes):
            rows = np.flatnonzero((kind == MISREAD) & (at_lane[number] == place))
            if not len(rows):
                continue
            at = column[rows] - starts[place]
            for other in range(len(kinds)):
                before = (at_lane[other][rows] == place) & (columns[other][rows] < column[rows])
                at = at + np.where(before, shift[other][rows], 0)
            base = place * (len(shares) // len(lanes))
            weight[rows] *= shares[base + lane.signs[at, which[rows]], depth[rows]]
        rows = np.flatnonzero(kind == SWAPPED)
        written[rows, column[rows] + 1] = written[rows, column[rows]]
        rows = np.flatnonzero(kind)
        written[rows, column[rows]] = depth[rows]
    return Candidates(which, weight, written, told)


def merged(some: Candidates) -> Candidates:
    """The same code of the same writing once, with the sum of the probabilities; `slips` are kept where one way alone (or
    the same one, written the same) is the likeliest, and are 0 elsewhere."""
    if not len(some):
        return some
    key = np.concatenate([some.which.astype(">u4").view(np.uint8).reshape(-1, 4), some.depths], axis=1)
    _, first, group = np.unique(_words(key), return_index=True, return_inverse=True)
    weight = np.zeros(len(first))
    np.add.at(weight, group, some.weight)
    top = np.zeros(len(first))
    np.maximum.at(top, group, some.weight)
    rows = np.flatnonzero(some.weight >= top[group] * (1 - TIE))
    lead = np.zeros(len(first), np.intp)
    lead[group[rows]] = rows
    told = some.slips[lead]
    several = np.zeros(len(first), bool)
    several[group[rows[some.slips[rows] != told[group[rows]]]]] = True
    told = np.where(several, 0, told)
    return Candidates(some.which[first], weight, some.depths[first], told)


def best_of(which: Places, weight: Floats, depths: Signs) -> Places:
    """For each writing the row of its likeliest code; of those equally likely the shallower, first cut first."""
    top = np.zeros(int(which.max()) + 1)
    np.maximum.at(top, which, weight)
    rows = np.flatnonzero(weight >= top[which] * (1 - TIE))
    number = np.bincount(which[rows])
    tied = number[which[rows]] > 1
    alone, rows = rows[~tied], rows[tied]
    if not len(rows):
        return alone
    order = rows[np.lexsort((_words(depths[rows]), which[rows]))]
    first = np.append(True, which[order][1:] != which[order][:-1])
    return np.concatenate([alone, order[first]])


def pairs(one: Places, other: Places) -> tuple[Places, Places]:
    """Every pair of a row of the one and a row of the other with the same number."""
    order = np.argsort(other, kind="stable")
    ordered = other[order]
    start, stop = np.searchsorted(ordered, one, "left"), np.searchsorted(ordered, one, "right")
    count = stop - start
    a = np.repeat(np.arange(len(one)), count)
    b = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count) + np.repeat(start, count)
    return a, order[b]


def _words(rows: NDArray[np.uint8]) -> NDArray[np.bytes_]:
    """Each row as one value that sorts as the row does."""
    return np.ascontiguousarray(rows).view(f"S{rows.shape[1]}").ravel()
