"""The nearest legal code of many wrong codes at once: the same as `bitting.repair.nearest` says of each of them.

For a block of writings that have as many cuts as the key (the signs may be foreign). Every explanation by the fewest slips is
listed (`bitting.repair.paths`), one slip first. A code that one slip explains is mostly far likelier than any that needs
two, and what two slips add to any code at most is known (`Lists.bound`, `_by_two`), so only codes that this could reorder are
reckoned in full, each for itself. Where the bound doesn't settle it, the explanations by whole lists and a slip more are
listed too, and at last those by any two slips. What is still open is left to the search for one code; that is said, not
guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import accumulate, pairwise

import numpy as np
from attrs import define, evolve, field, frozen
from numpy.typing import NDArray

from bitting.diagram import CodeSpace
from bitting.model import System
from bitting.repair import slips
from bitting.repair.candidates import Candidates, best_of, explained, joined, merged, pairs
from bitting.repair.lists import LIST, Lists
from bitting.repair.paths import (
    BITS,
    DOUBLED,
    DROPPED,
    EXTRA,
    EXTRA_AFTER,
    MISREAD,
    SWAPPED,
    Layer,
    Written,
    layers_of,
    legal,
    shares,
    ways,
)
from bitting.repair.signs import Signs, SignTable
from bitting.repair.words import Told, misread, say, swapped
from bitting.repair.written import STAND_IN, Stream

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
Places = NDArray[np.intp]
Key = tuple[tuple[Stream, ...], tuple[int, ...]]
"""What writings have in common that are looked at together: the streams and their lengths."""
SLACK = 1e-6
"""Bounds are taken so much wider, for what rounding does."""


@frozen(eq=False)
class Found:
    """Of each writing of a block: whether it is `settled`, whether some legal code is `within` two slips, the likeliest
    one's `depths` (writings, cuts), and `told`: its only likeliest slips (as in `Ways.slips`), 0 where that isn't known."""

    settled: Flags
    within: Flags
    depths: Signs
    told: NDArray[np.int64]


@define(eq=False)
class Block:
    """What answers for the writings of one system that share their `streams`, one per lane, and how long these are."""

    space: CodeSpace
    table: SignTable
    streams: tuple[Stream, ...]
    lengths: tuple[int, ...]
    bounded: bool = True
    """Whether bounds may settle anything; without, everything is listed in full (to test the bounds)."""
    system: System = field(init=False)
    starts: list[int] = field(init=False)
    cuts: tuple[int, ...] = field(init=False)
    layers: list[tuple[Layer, ...]] = field(init=False)
    lists: Lists = field(init=False)
    _said: dict[int, str | None] = field(init=False, factory=dict)

    def __attrs_post_init__(self) -> None:
        self.system = self.space.system
        self.starts = [0, *accumulate(lane.track.cuts for lane in self.system.lanes)]
        self.cuts = tuple(lane.track.cuts for lane in self.system.lanes)
        self.layers = [layers_of(diagram, self.starts) for diagram in self.space.diagrams]
        self.lists = Lists(self.system, self.streams, self.table)

    @property
    def key(self) -> Key:
        """The streams and their lengths."""
        return self.streams, self.lengths

    def nearest(self, signs: Signs) -> Found:
        """The nearest legal codes of some wrong ones; `signs` is (signs, writings), numbers of the sign table."""
        return _Round(self, signs).found()

    def changes(self, signs: Signs, found: Found) -> list[str | None]:
        """The likeliest slips of each writing in words, None where a `Found` doesn't know them."""
        words = [self._words(signs, found, number) for number in range(slips.MOST)]
        both = found.told >> BITS > 0
        return [
            (one and two and f"{one} and {two}") if more else one
            for one, two, more in zip(*words, both.tolist(), strict=True)
        ]

    def _words(self, signs: Signs, found: Found, number: int) -> list[str | None]:
        """One slip of each writing in words (of several the one of the earlier cut first)."""
        told = np.where(found.within, found.told, 0)
        one, two = told & ((1 << BITS) - 1), told >> BITS
        listed = one >> 16 == LIST
        turned = (two > 0) & ~listed & (one & 0xFF00 > two & 0xFF00)
        slip = np.where(turned, (two, one)[number], (one, two)[number])
        column = np.where(slip >> 16 == LIST, 0, slip >> 8 & 255)
        kind, place = slip >> 16, np.arange(len(told))
        sign = np.where(listed, one & 255, signs[np.minimum(column, len(signs) - 1), place])
        slip = np.where(kind == LIST, slip & ~255, np.where((two > 0) & (kind >= DROPPED), 0, slip))
        if self.lengths != self.cuts:
            sign = np.where(kind == DROPPED, self._run(found.depths.T, column, self.cuts), sign)
            sign = np.where(kind == DOUBLED, self._run(signs, self._row(column), self.lengths), sign)
        keys = (slip << 8) + sign
        known = self._said
        return [known[key] if key in known else known.setdefault(key, self._say(key)) for key in keys.tolist()]

    def _say(self, key: int) -> str | None:
        kind, number, depth, sign = key >> 24, key >> 16 & 255, key >> 8 & 255, key & 255
        if kind == LIST:
            slip = self.lists.slips[number]
            return None if slip.sign == STAND_IN else slip.words(())
        if not kind:
            return None
        lane = self._lane(number)
        stream, cut = self.streams[lane], number - self.starts[lane]
        label = self.system.lanes[lane].track.labels[depth]
        if kind == SWAPPED:
            return swapped(stream, cut)
        if kind == MISREAD:
            return misread(stream, cut, self.table.texts[sign], label)
        if kind in (EXTRA, EXTRA_AFTER):
            return say(stream, [Told(lane, "extra after" if kind == EXTRA_AFTER else "extra before", cut, ())])
        word, number = ("dropped", sign) if kind == DROPPED else ("doubled", sign - 1)
        return say(stream, [Told(lane, word, at, (label,)) for at in range(cut, cut + number)])

    def _lane(self, column: int) -> int:
        return max(lane for lane, start in enumerate(self.starts[:-1]) if start <= column)

    def _row(self, column: NDArray[np.int64]) -> NDArray[np.int64]:
        """The row of signs that stands where a column of the code does."""
        lane = np.searchsorted(self.starts, column, "right") - 1
        moved = np.array([0, *accumulate(self.lengths)])[lane] - np.array(self.starts)[lane]
        rows: NDArray[np.int64] = column + moved
        return rows

    @staticmethod
    def _run(rows: Signs, first: NDArray[np.int64], lengths: Sequence[int]) -> NDArray[np.int64]:
        """How many equal ones stand in a row of a lane, from the first of them on; `rows` is (rows, writings)."""
        stops = np.array(list(accumulate(lengths)))
        stop = stops[np.minimum(np.searchsorted(stops, first, "right"), len(stops) - 1)]
        place, number = np.arange(rows.shape[1]), np.ones(rows.shape[1], np.int64)
        first = np.minimum(first, len(rows) - 1)
        going = np.ones(rows.shape[1], bool)
        for by in range(1, max(lengths)):
            going &= (first + by < stop) & (rows[np.minimum(first + by, len(rows) - 1), place] == rows[first, place])
            number += going
        return number


class _Writings:
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
class _Before:
    """The writings before slips of whole lists that leave the rows equally long: the slips' numbers, which writings each
    changes (slips, writings), and the rows, those of one slip after those of the other."""

    numbers: Places
    changed: Flags
    rows: _Writings


class _Round:
    """One block of writings under way."""

    def __init__(self, block: Block, signs: Signs) -> None:
        self.block = block
        self.columns, self.count = block.starts[-1], signs.shape[1]
        self.rows = tuple(np.split(signs, list(accumulate(block.lengths))[:-1]))
        self.written = _Writings(block, self.rows)
        self.shares = block.table.shares
        self.settled = np.zeros(self.count, bool)
        self.within = np.zeros(self.count, bool)
        self.best = np.zeros((self.count, self.columns), np.uint8)
        self.told = np.zeros(self.count, np.int64)
        groups: dict[tuple[int, ...], list[tuple[int, Flags, tuple[Signs, ...]]]] = {}
        for one in block.lists.once(self.rows):
            groups.setdefault(tuple(map(len, one[2])), []).append(one)
        self.before = [
            _Before(
                np.array([number for number, _, _ in group], np.intp),
                np.array([changed for _, changed, _ in group]),
                _Writings(block, [np.concatenate(r, axis=1) for r in zip(*(rows for *_, rows in group), strict=True)]),
            )
            for group in groups.values()
        ]

    def found(self) -> Found:
        """Settle what can be, by one slip, then by lists and one, then by any two."""
        by_two, lists = self._by_two(), self.block.lists
        one = self._once()
        self._settle(one, by_two + lists.bound(self.block.table.likeliest, self.block.lengths))
        left = ~self.settled
        if left.any():
            more = [one.some(left[one.which]), *self._lists_and_one(left), *self._lists(np.flatnonzero(left))]
            whole = joined(more, self.columns)
            both = merged(whole)
            # what two slips of single cuts say of the same code isn't listed yet, and may be likelier than what is
            self._settle(evolve(both, slips=np.where(both.slips >> BITS > 0, 0, both.slips)), by_two)
            left = ~self.settled
            every = [whole.some(left[whole.which]), *self._ways(self.written, left, 2)]
            self._choose(merged(joined(every, self.columns)), exact=True)
            self.settled[:] = True
        return Found(self.settled, self.within, self.best, self.told)

    def _by_two(self) -> Floats:
        """What two slips of single cuts can add to the probability of any writing from any one code, at most.

        Two slips that leave the lengths touch different cuts, so which cuts differ says which they are, but for three in
        a row, which two pairs may explain. A cut left out and one too many explain the same code at most once for each
        cut of a run of equal ones in the code (one longer than in the writing) and each of one in the writing, either way
        round. With a cut too many or missing, where that is says what the other slip is.
        """
        likeliest = self.block.table.likeliest
        lengths, cuts = self.block.lengths, self.block.cuts
        if lengths != cuts:
            most = sum(map(max, lengths, cuts))
            if sum(self.written.off) > 1:
                return np.full(self.count, (most * slips.DROPPED) ** 2)
            lane = next(lane for lane in self.written.lanes if lane.goal)
            if lane.goal < 0:
                return np.full(self.count, lane.cuts * slips.DROPPED * likeliest)
            equal = (lane.signs[1:] == lane.signs[:-1]).sum(axis=0)
            surplus: Floats = (equal * slips.DOUBLED + (len(lane.signs) + 1) * slips.EXTRA) * likeliest
            return surplus
        longest = np.ones(self.count, np.int64)
        for lane in self.written.lanes:
            run = np.ones(self.count, np.int64)
            for before, sign in zip(lane.signs, lane.signs[1:], strict=False):
                run = np.where(before == sign, run + 1, 1)
                longest = np.maximum(longest, run)
        shifted = 2 * (longest + 1) * ((longest - 1) * slips.DOUBLED + 2 * slips.EXTRA) * slips.DROPPED
        bound: Floats = max(likeliest**2, 2 * likeliest * slips.SWAPPED) + shifted
        return bound

    def _ways(self, of: _Writings, some: Flags, budget: int) -> list[Candidates]:
        """Every way by exactly one or two slips of single cuts, in one diagram or two; the others allow what is written."""
        parts, bad, off = [], of.wrong.sum(axis=0), sum(of.off)
        for first, wrong in enumerate(of.wrong):
            if off == of.off[first] <= budget:
                parts += self._inside(of, [first], some & (bad == wrong), budget)
            for second in range(len(of.wrong)) if budget > 1 else ():
                if first == second or off != of.off[first] + of.off[second] or max(of.off[first], of.off[second]) > 1:
                    continue
                other = of.wrong[second]
                each = some & wrong & (bad == wrong.astype(int) + other) & (~other | (first < second))
                parts += self._inside(of, [first, second], each, 1)
        return parts

    def _inside(self, of: _Writings, diagrams: Sequence[int], some: Flags, budget: int) -> list[Candidates]:
        """The ways by so many slips within each of one or two diagrams."""
        which = np.flatnonzero(some)
        parts = []
        for diagram in diagrams:
            if not len(which):
                return []
            lanes = [of.lanes[lane] for lane in self.block.space.diagrams[diagram].lanes]
            parts.append(ways(self.block.layers[diagram], lanes, which, budget))
            which = np.unique(parts[-1].which).astype(np.intp)
        at, told = parts[0].which.astype(np.intp), parts[0].slips
        if len(parts) > 1:
            a, b = pairs(at, parts[1].which.astype(np.intp))
            at, told = at[a], told[a] + (parts[1].slips[b] << BITS)
        return [explained(at, told, of.lanes, self.shares)]

    def _once(self) -> Candidates:
        """Every explanation by one slip."""
        parts = self._ways(self.written, np.ones(self.count, bool), 1)
        if self.block.lengths != self.block.cuts:
            parts = [self._leading(one) for one in parts]
        twofold = np.full(self.count, self.block.lengths != self.block.cuts)
        for before in self.before:
            if any(before.rows.off):
                continue
            good = np.flatnonzero(before.changed.ravel() & ~before.rows.wrong.any(axis=0))
            number, which = np.divmod(good, self.count)
            number = before.numbers[number]
            told = (LIST << 16) + (number << 8).astype(np.int64)
            parts.append(Candidates(which, self.block.lists.shares[number], before.rows.depths[good], told))
            twofold[which] = True
        whole = joined(parts, self.columns)
        several = twofold[whole.which]
        if not several.any():
            return whole
        return joined([whole.some(~several), merged(whole.some(several))], self.columns)

    def _leading(self, some: Candidates) -> Candidates:
        """The same with a cut left out, or written twice, told of the first of equal ones."""
        kind, column = some.slips >> 16, some.slips >> 8 & 255
        starts = np.array(self.block.starts)
        start = starts[np.searchsorted(starts, column, "right") - 1]
        signs, place = np.concatenate(self.rows), np.arange(len(some))
        row = self.block._row(column)
        back, going = np.zeros_like(column), np.ones(len(some), bool)
        for by in range(1, max(self.block.lengths)):
            inside = going & (column - by >= start)
            equal = some.depths[place, np.maximum(column - by, 0)] == some.depths[place, column]
            twice = signs[np.clip(row - by, 0, None), some.which] == signs[np.minimum(row, len(signs) - 1), some.which]
            going = inside & np.where(kind == DROPPED, equal, (kind == DOUBLED) & twice)
            back += going
        return evolve(some, slips=some.slips - (back << 8))

    def _lists_and_one(self, left: Flags) -> list[Candidates]:
        """Every explanation by a slip of whole lists and one of a cut, of some writings."""
        parts = []
        for before in self.before:
            for found in self._ways(before.rows, (before.changed & left).ravel(), 1):
                number, at = np.divmod(found.which, self.count)
                number = before.numbers[number]
                told = np.zeros_like(found.slips)
                if not any(before.rows.off):
                    # the sign that was misread stands with the slip of lists: it isn't the one that is written now
                    signs = np.concatenate([lane.signs for lane in before.rows.lanes])
                    sign = signs[found.slips >> 8 & 255, found.which]
                    told = (LIST << 16) + (number << 8) + sign + (found.slips << BITS)
                parts.append(Candidates(at, found.weight * self.block.lists.shares[number], found.depths, told))
        return parts

    def _lists(self, left: Places) -> list[Candidates]:
        """Every explanation by two slips of whole lists, of some writings."""
        parts = []
        for share, (last, first), changed, rows in self.block.lists.twice(tuple(row[:, left] for row in self.rows)):
            if changed.any():
                before = _Writings(self.block, rows)
                good = np.flatnonzero(changed & ~before.wrong.any(axis=0))
                told = np.full(len(good), (LIST << 16) + (last << 8) + ((LIST << 16) + (first << 8) << BITS))
                parts.append(Candidates(left[good], np.full(len(good), share), before.depths[good], told))
        return parts

    def _settle(self, some: Candidates, bound: Floats) -> None:
        """Choose among the codes found where no other can be likelier than the best of them."""
        if not len(some) or not self.block.bounded:
            return
        top = np.zeros(self.count)
        np.maximum.at(top, some.which, some.weight)
        good = (top > bound * (1 + SLACK)) & ~self.settled
        floor = np.where(good, (top - bound) * (1 - SLACK), np.inf)
        self._choose(some.some(some.weight >= floor[some.which]), exact=False)
        self.settled |= good

    def _choose(self, some: Candidates, *, exact: bool) -> None:
        """The likeliest code of each writing; of equals the shallower, first cut first."""
        if not len(some):
            return
        weight = some.weight
        rows = np.flatnonzero(np.bincount(some.which, minlength=self.count)[some.which] > 1)
        if not exact and len(rows):
            weight = weight.copy()
            weight[rows] = self.weigh(some.which[rows], some.depths[rows])
        chosen = best_of(some.which, weight, some.depths)
        which = some.which[chosen]
        self.within[which] = True
        self.best[which] = some.depths[chosen]
        self.told[which] = some.slips[chosen]

    def weigh(self, which: Places, depths: Signs) -> Floats:
        """The probability of some writings from the codes (pairs, cuts) beside them, by every explanation."""
        total = self._as_written(self.written, which, depths, slips.MOST)
        for before in self.before:
            for row, number in enumerate(before.numbers.tolist()):
                at = np.flatnonzero(before.changed[row, which])
                if not any(before.rows.off):  # a single slip changes two cuts at most
                    rows = which[at] + row * self.count
                    at = at[(before.rows.depths[rows] != depths[at]).sum(axis=1) <= 2]
                if len(at):
                    share = self._as_written(before.rows, which[at] + row * self.count, depths[at], 1)
                    total[at] += self.block.lists.shares[number] * share
        codes = [np.ascontiguousarray(depths[:, a:b].T) for a, b in self._spans()]
        return total + self.block.lists.twice_from(tuple(row[:, which] for row in self.rows), tuple(codes))

    def _as_written(self, of: _Writings, which: Places, depths: Signs, budget: int) -> Floats:
        """The probability of what is written by at most so many slips of single cuts, which are in lanes that differ."""
        by_slips = [np.ones(len(which)), *(np.zeros(len(which)) for _ in range(budget))]
        for lane, (start, stop) in zip(of.lanes, self._spans(), strict=True):
            code = depths[:, start:stop].T
            rows = np.arange(len(which))
            if not lane.goal:
                rows = np.flatnonzero((lane.depths[:, which] != code).any(axis=0))
            if not len(rows):
                continue
            here = shares(lane.some(which[rows]), np.ascontiguousarray(code[:, rows]), lane.misread.shape[1], budget)
            known = [part[rows] for part in by_slips]
            for number in range(budget + 1):
                by_slips[number][rows] = np.sum([known[i] * here[number - i] for i in range(number + 1)], axis=0)
        total: Floats = np.sum(by_slips, axis=0)
        return total

    def _spans(self) -> list[tuple[int, int]]:
        return list(pairwise(self.block.starts))
