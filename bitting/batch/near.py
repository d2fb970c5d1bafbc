"""Codes that differ only by a slip: different codes of one table, one of which may be a slip of the pen for the other.

Slips are those of `bitting.repair.slips` that leave a whole code and are likely: one cut's label is the next deeper or
shallower one, or looks like it, or two different neighbours of a lane are swapped. Exact, and without comparing every code
with every other: codes that are equal once a cut is left out stand together when sorted, and a swapped code is looked up.

>>> from bitting.systemfile import load_system
>>> system = load_system("plover")
>>> codes = ["2133345 1123421", "2133345 1123422", "2133345 1213421", "2135345 1123421"]
>>> depths = np.array([[int(sign) - 1 for sign in code.replace(" ", "")] for code in codes], np.uint8).T
>>> near = find_near(system, depths)
>>> near.count, [near.words(system, code) for code in range(4) if near.number[code]]
(3, ['right cut 7', 'right cuts 2 and 3 swapped', 'left cut 4'])
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import accumulate

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.batch.legality import Legality
from bitting.model import System, Track
from bitting.repair.slips import LOOK_ALIKE, OFF_BY_ONE, misreadings

Bytes = NDArray[np.uint8]
Numbers = NDArray[np.int64]
LIKELY = min(OFF_BY_ONE, LOOK_ALIKE)
FEW = 40
"""So many values are looked for one after the other, which is faster than by halving."""
SAMPLED = 256
"""The neighbours of so many codes are tried to tell how many pairs chance makes."""


@frozen(eq=False)
class Near:
    """Pairs of codes one slip apart. Per code, about the codes before it in the table: `number` of those one slip apart,
    `first` the first of them (its place; else -1), `how` the cut in which it differs (lane after lane), or ~cut where that
    cut and the next are swapped."""

    count: int
    number: Numbers
    first: Numbers
    how: Numbers

    def words(self, system: System, code: int) -> str:
        """How a code differs from the first one that it is one slip from."""
        how = int(self.how[code])
        cut = how if how >= 0 else ~how
        starts = [0, *accumulate(lane.track.cuts for lane in system.lanes)]
        lane = max(number for number, start in enumerate(starts) if start <= cut)
        name = f"{system.lanes[lane].label} " if len(system.lanes) > 1 else ""
        at = cut - starts[lane] + 1
        return f"{name}cut {at}" if how >= 0 else f"{name}cuts {at} and {at + 1} swapped"


def find_near(system: System, depths: Bytes, new: int = 0) -> Near:
    """The pairs among different codes (cuts, codes), in the order of the table, whose later code is at `new` or after."""
    codes = depths.shape[1]
    count, number = 0, np.zeros(codes, np.int64)
    first, how = np.full(codes, codes), np.full(codes, -1)
    for cut, earlier, later in _pairs(system, depths):
        fresh = later >= new
        a, b = earlier[fresh], later[fresh]
        count += len(a)
        number += np.bincount(b, minlength=codes)
        np.minimum.at(first, b, a)
        leads = first[b] == a
        how[b[leads]] = cut
    first[number == 0] = -1
    return Near(count, number, first, how)


def _pairs(system: System, depths: Bytes) -> Iterator[tuple[int, Numbers, Numbers]]:
    """Each cut (or ~cut: it and the next swapped) with the pairs that differ there: places of the earlier and the later."""
    tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
    random = np.random.default_rng(1)  # any numbers do: what they bring together is then compared in full
    tables = [random.integers(0, 2**32, len(track.labels), np.uint32) for track in tracks]
    parts = [table[row] for table, row in zip(tables, depths, strict=True)]
    hashes = np.zeros(depths.shape[1], np.uint32)
    for part in parts:
        hashes += part
    for cut, track in enumerate(tracks):
        rows, group = _together(hashes - parts[cut])
        alike = _alike(track)
        for apart in range(1, len(rows)):
            same = group[apart:] == group[:-apart]
            if not same.any():
                break
            one, other = rows[apart:][same], rows[:-apart][same]
            hit = alike[depths[cut, one], depths[cut, other]]
            hit &= (depths[:, one] != depths[:, other]).sum(axis=0) == 1
            yield cut, np.minimum(one, other)[hit], np.maximum(one, other)[hit]
    found = _Found(hashes)
    last = set(accumulate(lane.track.cuts for lane in system.lanes))
    for cut in (cut for cut in range(len(tracks)) if cut + 1 not in last):
        rising = np.flatnonzero(depths[cut] < depths[cut + 1])
        here, there = depths[cut, rising], depths[cut + 1, rising]
        one_way = tables[cut][None, :] - tables[cut][:, None]  # (depth, depth that comes instead)
        other_way = tables[cut + 1][None, :] - tables[cut + 1][:, None]
        moved = one_way + other_way.T
        one, which = found.equal(hashes[rising] + moved[here, there])
        other = rising[which]
        turned = depths[:, other]
        turned[[cut, cut + 1]] = turned[[cut + 1, cut]]
        hit = (depths[:, one] == turned).all(axis=0)
        yield ~cut, np.minimum(one, other)[hit], np.maximum(one, other)[hit]


class _Found:
    """Finds the places of hashes among many."""

    def __init__(self, hashes: NDArray[np.uint32]) -> None:
        self._order = np.argsort(hashes)
        self._ordered = hashes[self._order]
        self._shift = np.uint32(max(8, 26 - len(hashes).bit_length()))  # 64 places for each
        self._any = np.zeros((1 << 32) >> int(self._shift), bool)
        self._any[hashes >> self._shift] = True

    def equal(self, wanted: NDArray[np.uint32]) -> tuple[Numbers, Numbers]:
        """Pairs of equal ones: the place among the many, the place among those wanted."""
        some = np.flatnonzero(self._any[wanted >> self._shift])  # leaves out nearly all that are not there
        start = np.searchsorted(self._ordered, wanted[some], "left")
        count = np.searchsorted(self._ordered, wanted[some], "right") - start
        first = np.repeat(start - (np.cumsum(count) - count), count)
        return self._order[first + np.arange(len(first))], np.repeat(some, count)


def _together(hashes: NDArray[np.uint32]) -> tuple[Numbers, NDArray[np.uint32]]:
    """The places of those that are not alone with their hash, in the order of hashes, and their hashes."""
    ordered = np.sort(hashes)  # without places: several times faster, and mostly nearly all are alone
    double = ordered[1:][ordered[1:] == ordered[:-1]]
    if not len(double):
        return np.zeros(0, np.int64), double
    double = np.unique(double)
    if len(double) <= FEW:
        rows = np.flatnonzero(np.logical_or.reduce([hashes == one for one in double]))
    else:
        at = np.minimum(np.searchsorted(double, hashes), len(double) - 1)
        rows = np.flatnonzero(double[at] == hashes)
    rows = rows[np.argsort(hashes[rows], kind="stable")]
    return rows, hashes[rows]


def _alike(track: Track) -> NDArray[np.bool_]:
    """Which depths of a track are easily written for which."""
    table = np.array([misreadings(track, label) for label in track.labels]) >= LIKELY
    return table | table.T


def legal_neighbours(system: System, depths: Bytes, legality: Legality) -> float:
    """How many legal codes are one slip from a code, on average over some of these (cuts, codes)."""
    some = depths[:, :: -(-depths.shape[1] // SAMPLED)]
    found = 0
    last = set(accumulate(lane.track.cuts for lane in system.lanes))
    tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
    for cut, track in enumerate(tracks):
        alike, changed = _alike(track), some.copy()
        for depth in range(len(track.labels)):
            changed[cut] = depth
            found += int((legality.legal(changed) & alike[depth, some[cut]]).sum())
        if cut + 1 not in last:
            changed[[cut, cut + 1]] = some[[cut + 1, cut]]
            found += int((legality.legal(changed) & (some[cut] != some[cut + 1])).sum())
    return found / int(some.shape[1])
