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
from bitting.repair.paths import BITS, MISREAD, SWAPPED, Layer, Written, layers_of, legal, shares, ways
from bitting.repair.signs import Signs, SignTable
from bitting.repair.words import misread, swapped
from bitting.repair.written import STAND_IN, Stream

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
Places = NDArray[np.intp]
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
    """What answers for the writings of one system that share their `streams`, one per lane."""

    space: CodeSpace
    table: SignTable
    streams: tuple[Stream, ...]
    bounded: bool = True
    """Whether bounds may settle anything; without, everything is listed in full (to test the bounds)."""
    system: System = field(init=False)
    starts: list[int] = field(init=False)
    layers: list[tuple[Layer, ...]] = field(init=False)
    lists: Lists = field(init=False)
    _said: dict[int, str | None] = field(init=False, factory=dict)

    def __attrs_post_init__(self) -> None:
        self.system = self.space.system
        self.starts = [0, *accumulate(lane.track.cuts for lane in self.system.lanes)]
        self.layers = [layers_of(diagram, self.starts) for diagram in self.space.diagrams]
        self.lists = Lists(self.system, self.streams, self.table)

    def nearest(self, signs: Signs) -> Found:
        """The nearest legal codes of some wrong ones; `signs` is (cuts, writings), numbers of the sign table."""
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
        sign = np.where(listed, one & 255, signs[column, np.arange(len(told))])
        keys = (np.where(slip >> 16 == LIST, slip & ~255, slip) << 8) + sign
        known = self._said
        return [known[key] if key in known else known.setdefault(key, self._say(key)) for key in keys.tolist()]

    def _say(self, key: int) -> str | None:
        kind, number, depth, sign = key >> 24, key >> 16 & 255, key >> 8 & 255, key & 255
        if kind == LIST:
            slip = self.lists.slips[number]
            return None if slip.sign == STAND_IN else slip.words(())
        if kind not in (MISREAD, SWAPPED):
            return None
        lane = max(lane for lane, start in enumerate(self.starts[:-1]) if start <= number)
        stream, cut = self.streams[lane], number - self.starts[lane]
        if kind == SWAPPED:
            return swapped(stream, cut)
        return misread(stream, cut, self.table.texts[sign], self.system.lanes[lane].track.labels[depth])


class _Writings:
    """Rows of signs, lane by lane (cuts, writings), and what they are as depths."""

    def __init__(self, block: Block, rows: Sequence[Signs]) -> None:
        table = block.table
        names = [lane.track.name for lane in block.system.lanes]
        self.lanes = [
            Written(r, table.depth[name][r], table.misread[name]) for r, name in zip(rows, names, strict=True)
        ]
        self.wrong = np.array([
            ~legal(layers, [self.lanes[lane].depths for lane in diagram.lanes])
            for layers, diagram in zip(block.layers, block.space.diagrams, strict=True)
        ])  # fmt: skip
        """Which diagrams (diagrams, writings) don't allow what is written."""
        self._size = len(table.texts)

    @cached_property
    def depths(self) -> Signs:
        """The depths written (writings, cuts)."""
        return np.ascontiguousarray(np.concatenate([lane.depths for lane in self.lanes]).T)

    @cached_property
    def signs(self) -> NDArray[np.int32]:
        """The signs (cuts, writings) as rows of `SignTable.shares`."""
        parts = [lane.signs.astype(np.int32) + number * self._size for number, lane in enumerate(self.lanes)]
        return np.concatenate(parts)


class _Round:
    """One block of writings under way."""

    def __init__(self, block: Block, signs: Signs) -> None:
        self.block = block
        self.columns, self.count = signs.shape
        self.rows = tuple(signs[a:b] for a, b in zip(block.starts, block.starts[1:], strict=False))
        self.written = _Writings(block, self.rows)
        self.shares = block.table.shares
        self.settled = np.zeros(self.count, bool)
        self.within = np.zeros(self.count, bool)
        self.best = np.zeros((self.count, self.columns), np.uint8)
        self.told = np.zeros(self.count, np.int64)
        every = list(block.lists.once(self.rows))
        self.before = _Writings(
            block, [np.concatenate(r, axis=1) for r in zip(*(rows for *_, rows in every), strict=True)]
        )
        """The writings before each slip of whole lists, one slip after the other."""
        self.changed = np.array([changed for _, changed, _ in every])

    def found(self) -> Found:
        """Settle what can be, by one slip, then by lists and one, then by any two."""
        by_two, lists = self._by_two(), self.block.lists
        one = self._once()
        self._settle(one, by_two + lists.bound(self.block.table.likeliest))
        left = np.flatnonzero(~self.settled)
        if len(left):
            more = [one.some(~self.settled[one.which]), *self._lists_and_one(left), *self._lists(left)]
            whole = joined(more, self.columns)
            both = merged(whole)
            # what two slips of single cuts say of the same code isn't listed yet, and may be likelier than what is
            self._settle(evolve(both, slips=np.where(both.slips >> BITS > 0, 0, both.slips)), by_two)
            self._by_any_two(whole, np.flatnonzero(~self.settled & self._alone(one)))
        return Found(self.settled, self.within, self.best, self.told)

    def _alone(self, one: Candidates) -> Flags:
        """Writings of which `_by_any_two` lists everything: one diagram, or nothing that one slip of a cut explains."""
        alone = np.ones(self.count, bool)
        if len(self.block.layers) > 1:
            alone[one.which[one.slips >> 16 != LIST]] = False
        return alone

    def _by_two(self) -> Floats:
        """What two slips of single cuts can add to the probability of any writing from any one code, at most.

        Two slips that leave the lengths touch different cuts, so which cuts differ says which they are, but for three in
        a row, which two pairs may explain. A cut left out and one too many explain the same code at most once for each
        cut of a run of equal ones in the code (one longer than in the writing) and each of one in the writing, either way
        round.
        """
        likeliest = self.block.table.likeliest
        longest = np.ones(self.count, np.int64)
        for lane in self.written.lanes:
            run = np.ones(self.count, np.int64)
            for before, sign in zip(lane.signs, lane.signs[1:], strict=False):
                run = np.where(before == sign, run + 1, 1)
                longest = np.maximum(longest, run)
        shifted = 2 * (longest + 1) * ((longest - 1) * slips.DOUBLED + 2 * slips.EXTRA) * slips.DROPPED
        bound: Floats = max(likeliest**2, 2 * likeliest * slips.SWAPPED) + shifted
        return bound

    def _ways(self, of: _Writings, diagram: int, which: Places, budget: int) -> Candidates:
        """The ways by exactly `budget` slips within one diagram; other lanes as they are written."""
        lanes = [of.lanes[lane] for lane in self.block.space.diagrams[diagram].lanes]
        found = ways(self.block.layers[diagram], lanes, which, budget)
        at = found.which.astype(np.intp)
        return explained(at, found.slips, of.signs, of.depths[at], self.shares)

    def _once(self) -> Candidates:
        """Every explanation by one slip."""
        parts = []
        alone = self.written.wrong.sum(axis=0) == 1
        for diagram, wrong in enumerate(self.written.wrong):
            which = np.flatnonzero(wrong & alone)
            if len(which):
                parts.append(self._ways(self.written, diagram, which, 1))
        good = np.flatnonzero(self.changed.ravel() & ~self.before.wrong.any(axis=0))
        if not len(good):
            return joined(parts, self.columns)
        number, which = np.divmod(good, self.count)
        told = ((LIST << 16) + (number << 8)).astype(np.int64)
        parts.append(Candidates(which, self.block.lists.shares[number], self.before.depths[good], told))
        whole = joined(parts, self.columns)
        listed = np.zeros(self.count, bool)
        listed[which] = True
        twofold = listed[whole.which]
        return joined([whole.some(~twofold), merged(whole.some(twofold))], self.columns)

    def _lists_and_one(self, left: Places) -> list[Candidates]:
        """Every explanation by a slip of whole lists and one of a cut, of some writings."""
        parts = []
        some = np.zeros(self.count, bool)
        some[left] = True
        bad = self.before.wrong.sum(axis=0)
        for diagram, own in enumerate(self.before.wrong):
            which = np.flatnonzero((self.changed & some).ravel() & (bad == own))
            if len(which):
                found = self._ways(self.before, diagram, which, 1)
                number, at = np.divmod(found.which, self.count)
                share = self.block.lists.shares[number]
                # the sign that was misread stands with the slip of lists, since it isn't the one that is written now
                sign = self.before.signs[found.slips >> 8 & 255, found.which] % len(self.block.table.texts)
                told = (LIST << 16) + (number << 8) + sign + (found.slips << BITS)
                parts.append(Candidates(at, found.weight * share, found.depths, told))
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

    def _by_any_two(self, more: Candidates, left: Places) -> None:
        """What is left, with every explanation by two slips of single cuts beside `more`; nothing is open after it."""
        if not len(left):
            return
        wrong = self.written.wrong
        bad = wrong[:, left].sum(axis=0)
        parts = [more.some(np.isin(more.which, left))]
        for diagram in range(len(wrong)):
            which = left[(bad == 1) & wrong[diagram, left]]
            if len(which):
                parts.append(self._ways(self.written, diagram, which, 2))
            for other in range(diagram):
                which = left[(bad == 2) & wrong[diagram, left] & wrong[other, left]]
                if len(which):
                    first = self._ways(self.written, other, which, 1)
                    second = self._ways(self.written, diagram, np.unique(first.which), 1)
                    parts.append(self._pairs(first, second, diagram))
        self._choose(merged(joined(parts, self.columns)), exact=True)
        self.settled[left] = True

    def _pairs(self, first: Candidates, second: Candidates, diagram: int) -> Candidates:
        """Each way within one diagram with each of the same writing within another one."""
        a, b = pairs(first.which, second.which)
        depths = first.depths[a]
        for lane in self.block.space.diagrams[diagram].lanes:
            own = slice(self.block.starts[lane], self.block.starts[lane + 1])
            depths[:, own] = second.depths[b, own]
        told = first.slips[a] + (second.slips[b] << BITS)
        return Candidates(first.which[a], first.weight[a] * second.weight[b], depths, told)

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
        for number, share in enumerate(self.block.lists.shares.tolist()):
            at = np.flatnonzero(self.changed[number, which])
            differ = (self.before.depths[which[at] + number * self.count] != depths[at]).sum(axis=1)
            at = at[differ <= 2]  # a single slip changes two cuts at most
            if len(at):
                total[at] += share * self._as_written(self.before, which[at] + number * self.count, depths[at], 1)
        codes = [np.ascontiguousarray(depths[:, a:b].T) for a, b in self._spans()]
        return total + self.block.lists.twice_from(tuple(row[:, which] for row in self.rows), tuple(codes))

    def _as_written(self, of: _Writings, which: Places, depths: Signs, budget: int) -> Floats:
        """The probability of what is written by at most so many slips of single cuts, which are in lanes that differ."""
        by_slips = [np.ones(len(which)), *(np.zeros(len(which)) for _ in range(budget))]
        differ = of.depths[which] != depths
        for lane, (start, stop) in zip(of.lanes, self._spans(), strict=True):
            rows = np.flatnonzero(differ[:, start:stop].any(axis=1))
            if not len(rows):
                continue
            code = np.ascontiguousarray(depths[rows, start:stop].T)
            here = shares(lane.some(which[rows]), code, lane.misread.shape[1], budget)
            known = [part[rows] for part in by_slips]
            for number in range(budget + 1):
                by_slips[number][rows] = np.sum([known[i] * here[number - i] for i in range(number + 1)], axis=0)
        total: Floats = np.sum(by_slips, axis=0)
        return total

    def _spans(self) -> list[tuple[int, int]]:
        return list(pairwise(self.block.starts))
