"""The legal codes nearest to many writings at once: one slip in every way there is, two only where one explains nothing.

Each move of a `Shape` makes one candidate of each writing; those that the diagram of legal codes leads through are kept. A
candidate found in several ways is one code with the sum of their probabilities, and its share of that sum over all codes found
is the probability that it was meant.

Two slips are tried for what no single one explains, and only likely ones (`noise.LIKELY`): two of single cuts that
touch no cut twice, one of whole lists and one of a cut, or two of whole lists.

Work is saved, never answers: where a writing leaves the diagram at a cut, the slip is at that cut or before it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import accumulate, pairwise

import numpy as np
from attrs import define, evolve, field, frozen

from bitting.arrays import Bytes, Flags, Floats, Indices, Integers
from bitting.diagram.walk import Legality
from bitting.repair import noise
from bitting.repair.moves import ListMove, Shape, Signs, SignTable
from bitting.repair.written import Layout

TOGETHER = 1024
"""So many writings are looked at together, and a sixteenth where two slips are tried; arrays stay at some tens of megabytes."""
BITS = 20
"""A layout, a move and a second move share one number, each in so many bits; the move undone first stands in the middle."""


@frozen(eq=False)
class Found:
    """Legal codes that writings may have been meant for: writing by writing, the likeliest first, equals shallower first.

    `which` is the writing, `depths` (cuts, codes) the code, `probability` its share among all codes found for the writing,
    `told` its likeliest slips (`Column.told`). Per writing, `slips` is how many slips away they are (2 where
    one explains nothing, also where two don't), `first` the place of its first code, and `count` how many there are.
    """

    which: Indices
    depths: Bytes
    probability: Floats
    told: Integers
    slips: Bytes
    first: Indices
    count: Indices


@frozen(eq=False)
class Candidates:
    """Legal codes found in some way: the writing, the code, how likely the way is, and the way."""

    which: Indices
    depths: Bytes
    weight: Floats
    told: Integers

    def some(self, good: Flags) -> Candidates:
        """Some of them."""
        return Candidates(self.which[good], self.depths[:, good], self.weight[good], self.told[good])

    def before(self, which: Indices, weight: Floats, told: Integers) -> Candidates:
        """The same for the writings `which` that became these writings by another slip."""
        at = self.which
        return Candidates(which[at], self.depths, weight[at] * self.weight, told[at] + self.told)


@define(eq=False)
class Column:
    """What answers for writings that share their layouts."""

    table: SignTable
    legality: Legality
    layouts: tuple[Layout, ...]
    _shapes: dict[tuple[int, tuple[int, ...]], Shape] = field(init=False, factory=dict)

    def nearest(self, signs: Signs) -> Found:
        """The nearest legal codes; `signs` is (signs, writings), in the order in which they are written."""
        every = np.arange(signs.shape[1])
        cuts = sum(lane.track.cuts for lane in self.table.system.lanes)
        none = np.zeros(0, np.intp)
        parts = [Candidates(none, np.zeros((cuts, 0), np.uint8), np.zeros(0), none)]
        parts += self._found(signs, every, self._once, TOGETHER)
        slips = np.full(len(every), 2, np.uint8)
        for part in parts:
            slips[part.which] = 1
        more = every[slips == 2]
        parts += self._found(signs, more, self._by_other_signs, TOGETHER)
        parts += self._found(signs, more, self._by_two_cuts, TOGETHER // 16)
        return _ranked(parts, slips)

    @property
    def too_long(self) -> bool:
        """Whether two slips of cuts are not looked for, because the key has too many of them."""
        return any(shape.too_long for shape in self._shapes.values())

    def told(self, number: int) -> tuple[int, int, int]:
        """The layout and the moves of a way, 0 for none: the one undone first, which happened last; and the one before it."""
        return number >> 2 * BITS, number >> BITS & (1 << BITS) - 1, number & (1 << BITS) - 1

    def shape(self, layout: int, lengths: Sequence[int]) -> Shape:
        """The moves of one layout, with rows of some lengths."""
        key = layout, tuple(lengths)
        if key not in self._shapes:
            self._shapes[key] = Shape(self.table, self.legality, self.layouts[layout].streams, key[1])
        return self._shapes[key]

    def _found(self, signs: Signs, which: Indices, look: Look, size: int) -> Iterator[Candidates]:
        """Candidates for some writings by every layout that is for them, so many at a time."""
        for rows in (which[start : start + size] for start in range(0, len(which), size)):
            for number, layout in enumerate(self.layouts):
                of = rows
                if layout.alike:
                    one, other = np.array(layout.alike).T
                    equal = (signs[np.ix_(one, rows)] == signs[np.ix_(other, rows)]).all(axis=0)
                    of = rows[equal == layout.agree]
                shape = self.shape(number, [len(row) for row in layout.rows])
                places = np.array([place for row in layout.rows for place in row], np.intp)
                some = signs[np.ix_(places, of)]
                for found in look(shape, number, some) if len(of) else ():
                    yield found.before(of, np.ones(len(of)), np.full(len(of), number << 2 * BITS))

    def _once(self, shape: Shape, layout: int, signs: Signs) -> Iterator[Candidates]:
        """No slip, a slip of a cut, a slip of whole lists."""
        every, depths = np.arange(signs.shape[1]), shape.depths(signs)
        if shape.whole:
            yield self._legal(shape, Candidates(every, depths, np.ones(len(every)), 0 * every))
        yield self._by_cut(shape, signs, depths, every)
        yield from self._by_lists(shape, layout, signs)

    def _by_cut(
        self, shape: Shape, signs: Signs, depths: Bytes, of: Indices, least: float = 0.0, allowed: Flags | bool = True
    ) -> Candidates:
        """One slip of a cut at least so likely, by the `allowed` moves; the depths are those of the writings `of`."""
        moves = shape.likely if least else len(shape.moves)
        move, which = np.nonzero(shape.worth(depths, moves) & allowed)
        share = shape.shares(signs, move, of[which])
        good = np.flatnonzero((share > 0) & (share >= least))
        move, which = move[good], which[good]
        found = Candidates(which, shape.undone(depths, move, which), share[good], move + shape.first)
        if not shape.whole or not shape.single:
            return self._legal(shape, found)
        legal = np.zeros(len(move), bool)
        for number, walk in enumerate(self.legality.walks):  # the others are passed, as `worth` says
            some = np.flatnonzero(shape.diagram[move] == number)
            legal[some] = walk.legal(found.depths, some)
        return found.some(legal)

    def _by_lists(self, shape: Shape, layout: int, signs: Signs) -> Iterator[Candidates]:
        """One slip of whole lists."""
        for number, move, after, changed, before in self._turned(shape, layout, signs):
            if after.whole:
                share = np.full(len(changed), move.slip.probability)
                told = np.full(len(changed), number)
                yield self._legal(after, Candidates(changed, after.depths(before), share, told))

    def _by_other_signs(self, shape: Shape, layout: int, signs: Signs) -> Iterator[Candidates]:
        """Two slips, the last of them other signs for all that were meant."""
        for _, move, after, changed, before in self._turned(shape, layout, signs):
            if move.slip is noise.STAND_IN:
                share, told = np.full(len(changed), move.slip.probability), np.full(len(changed), 1 << BITS)
                for found in self._once(after, layout, before):
                    yield found.before(changed, share, told)

    def _turned(self, shape: Shape, layout: int, signs: Signs) -> Iterator[Turned]:
        """Each slip of whole lists undone: its number and itself, the shape before it, which writings it changed, their signs."""
        for number, move in enumerate(shape.lists, 1):
            lengths, before = shape.before(move, signs)
            changed = np.arange(signs.shape[1])
            if lengths == shape.lengths:
                changed = np.flatnonzero((before != signs).any(axis=0))
            if len(changed):
                yield number, move, self.shape(layout, lengths), changed, before[:, changed]

    def _by_two_cuts(self, shape: Shape, _layout: int, signs: Signs) -> Iterator[Candidates]:
        """Two slips of cuts in rows as long as they should be, each pair once: one of them is before the first cut at which a
        diagram is left."""
        if not shape.pairs:
            return
        depths = shape.depths(signs)
        left, passed = shape.passed(depths)
        broken = np.argmax(left, axis=0)
        at, some = passed[broken, np.arange(len(broken))], shape.likely
        eligible = (shape.diagram[:some, None] == broken) & (shape.reached[:some, None] <= at)
        one, which = np.nonzero(eligible)
        share = shape.shares(signs, one, which)
        good = np.flatnonzero(share >= noise.LIKELY)
        one, which, share = one[good], which[good], share[good]
        allowed = shape.apart[:some, one] & ((np.arange(some)[:, None] > one) | ~eligible[:, which])
        middle = shape.undone(depths, one, which)
        found = self._by_cut(shape, signs, middle, which, noise.LIKELY, allowed)
        yield found.before(which, share, one + shape.first << BITS)

    def _legal(self, shape: Shape, found: Candidates) -> Candidates:
        """Those that say the same in all rows of a lane, and are legal; their depths come as rows."""
        if not shape.single:
            starts = [0, *accumulate(shape.cuts)]
            rows = [found.depths[start:stop] for start, stop in pairwise(starts)]
            first = {stream.lane: row for stream, row in zip(shape.streams[::-1], rows[::-1], strict=True)}
            good = [(row == first[stream.lane]).all(axis=0) for stream, row in zip(shape.streams, rows, strict=True)]
            depths = np.concatenate([first[lane] for lane in sorted(first)])
            found = evolve(found, depths=depths).some(np.logical_and.reduce(good))
        return found.some(self.legality.legal(found.depths))


Look = Callable[[Shape, int, Signs], Iterator[Candidates]]
Turned = tuple[int, ListMove, Shape, Indices, Signs]


def _ranked(parts: Sequence[Candidates], slips: Bytes) -> Found:
    """Every code once for each writing, with its probability, in order."""
    which, weight, told = (np.concatenate([getattr(p, name) for p in parts]) for name in ("which", "weight", "told"))
    depths = np.concatenate([p.depths for p in parts], axis=1)
    order = np.lexsort((told, -weight, *depths[::-1], which))
    which, weight, told, depths = which[order], weight[order], told[order], depths[:, order]
    new = np.ones(len(which), bool)
    new[1:] = (which[1:] != which[:-1]) | (depths[:, 1:] != depths[:, :-1]).any(axis=0)
    start = np.flatnonzero(new)
    weight = np.add.reduceat(weight, start) if len(start) else weight
    which, told, depths = which[start], told[start], depths[:, start]
    count = np.bincount(which, minlength=len(slips))
    whole = np.bincount(which, weight, minlength=len(slips)) + noise.ANYTHING_ELSE**slips
    probability = weight / whole[which]
    order = np.lexsort((-np.round(probability, 12), which))  # stable: equals stay shallower first
    return Found(
        which[order], depths[:, order], probability[order], told[order], slips, np.cumsum(count) - count, count
    )
