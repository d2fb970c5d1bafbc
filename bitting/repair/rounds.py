"""One block of writings on its way to its nearest legal codes.

Every explanation by the fewest slips is listed (`bitting.repair.paths`), one slip first. A code that one slip explains is
mostly far likelier than any that needs two, and what two slips add to any code at most is known (`Lists.bound`, `_by_two`),
so only codes that this could reorder are reckoned in full, each for itself. Where the bounds don't settle it, the explanations
by whole lists and a slip more are listed too, and at last those by any two slips, after which nothing is open.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from bitting.repair import slips
from bitting.repair.candidates import Candidates, best_of, explained, joined, merged, pairs
from bitting.repair.lists import LIST
from bitting.repair.paths import BITS, DOUBLED, DROPPED, legal, shares, ways
from bitting.repair.signs import Signs
from bitting.repair.writings import Before, Flags, Places, Writings

if TYPE_CHECKING:
    from bitting.repair.block import Block

Floats = NDArray[np.float64]
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


class Round:
    """One block of writings under way."""

    def __init__(self, block: Block, signs: Signs) -> None:
        self.block = block
        self.columns, self.count = block.starts[-1], signs.shape[1]
        self.rows = tuple(np.split(signs, list(accumulate(block.lengths))[:-1]))
        self.written = Writings(block, self.rows)
        self.shares = block.table.shares
        self.settled = np.zeros(self.count, bool)
        self.within = np.zeros(self.count, bool)
        self.best = np.zeros((self.count, self.columns), np.uint8)
        self.told = np.zeros(self.count, np.int64)
        groups: dict[tuple[int, ...], list[tuple[int, Flags, tuple[Signs, ...]]]] = {}
        for one in block.lists.once(self.rows):
            groups.setdefault(tuple(map(len, one[2])), []).append(one)
        self.before = [
            Before(
                np.array([number for number, _, _ in group], np.intp),
                np.array([changed for _, changed, _ in group]),
                Writings(block, [np.concatenate(r, axis=1) for r in zip(*(rows for *_, rows in group), strict=True)]),
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

    def _ways(self, of: Writings, some: Flags, budget: int) -> list[Candidates]:
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

    def _inside(self, of: Writings, diagrams: Sequence[int], some: Flags, budget: int) -> list[Candidates]:
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
        row = self.block.row_of(column)
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
        written = tuple(row[:, left] for row in self.rows)
        table, lanes = self.block.table, self.block.system.lanes
        for share, (last, first), middle, before in self.block.lists.twice(written):
            depths = [table.depth[lane.track.name][row] for lane, row in zip(lanes, before, strict=True)]
            good = np.arange(len(left))
            for layers, diagram in zip(self.block.layers, self.block.space.diagrams, strict=True):
                good = good[legal(layers, [depths[lane][:, good] for lane in diagram.lanes])]
            good = good[self.block.lists.changed(written, middle, before, good)]
            if len(good):
                told = np.full(len(good), (LIST << 16) + (last << 8) + ((LIST << 16) + (first << 8) << BITS))
                codes = np.ascontiguousarray(np.concatenate([row[:, good] for row in depths]).T)
                parts.append(Candidates(left[good], np.full(len(good), share), codes, told))
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

    def _as_written(self, of: Writings, which: Places, depths: Signs, budget: int) -> Floats:
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
