"""Which codes one blank can carry one after the other: the order "at least as deep everywhere", and its cover relation.

A blank can be recut only deeper, so it can go from code a to code b when b is at least as deep at every cut. Code b
*covers* a when that holds and no third candidate lies between them. The candidates need not fill a box: a rule can take
away every code between two others, so a cover can change several cuts at once and by several depths, and has to be
found among the candidates themselves.

How: the candidates stand in order of the sum of their depths, so whatever is above a code stands after it. For every
cut and depth one row of bits says which candidates are at least that deep there; the AND of a code's rows is the set of
all codes above it. The first of them covers it; take away everything above that one, and the first of the rest is the
next cover, and so on until nothing is left. Memory: n²/8 bytes (50 MB at 20,000 candidates).

>>> import numpy as np
>>> Order(np.array([[0, 0], [0, 1], [1, 0], [1, 1]])).covers().tolist()
[[0, 1], [0, 2], [1, 3], [2, 3]]
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.integer]
"""Candidates: one row per code, one column per cut, each a depth's place (deeper is larger)."""

WORD = 64
BLOCK_BYTES = 32 << 20


class Order:
    """The candidates, sorted by the sum of their depths, with the bits that answer "which are at least this deep".

    `rows` must not hold a row twice. `rows[i]` is candidate i of this order and row `given[i]` of the input.
    """

    def __init__(self, rows: Rows) -> None:
        rows = np.asarray(rows)
        sums = rows.sum(axis=1, dtype=np.int64)
        self.given = np.lexsort((*rows.T[::-1], sums)) if rows.shape[1] else np.arange(len(rows))
        self.rows = rows[self.given]
        self.sums = sums[self.given]
        self.size = len(rows)
        self.words = -(-self.size // WORD)
        moving = [j for j in range(rows.shape[1]) if self.size and self.rows[:, j].min() != self.rows[:, j].max()]
        self._columns = moving
        self._deeper = [self._bits(self.rows[:, j]) for j in moving]
        self._shallower = [self._bits(-self.rows[:, j].astype(np.int64)) for j in moving]

    def _bits(self, column: Rows) -> tuple[NDArray[np.intp], NDArray[np.uint64]]:
        """For each candidate a row number, and under that row the candidates whose value is at least as large."""
        values, which = np.unique(column, return_inverse=True)
        return which, np.stack([pack(column >= value, self.words) for value in values])

    def above(self, start: int, stop: int) -> NDArray[np.uint64]:
        """Bits of the candidates at least as deep everywhere as each of `start` to `stop`, itself among them."""
        return self._meet(self._deeper, np.arange(start, stop))

    def beside_all(self, candidates: list[int]) -> NDArray[np.uint64]:
        """Bits of the candidates that can share a blank with each of these, themselves among them when they can."""
        each = np.array(candidates)
        either = self._meet(self._deeper, each) | self._meet(self._shallower, each)
        out: NDArray[np.uint64] = np.bitwise_and.reduce(either, axis=0)
        return out

    def _meet(
        self, tables: list[tuple[NDArray[np.intp], NDArray[np.uint64]]], which: NDArray[np.intp]
    ) -> NDArray[np.uint64]:
        if not tables:
            return np.broadcast_to(pack(np.ones(self.size, bool), self.words), (len(which), self.words)).copy()
        (first, bits), *others = tables
        out: NDArray[np.uint64] = bits[first[which]]
        for index, bits in others:
            out &= bits[index[which]]
        return out

    def covers(self, most: int | None = None) -> NDArray[np.int32]:
        """Every pair (lower, upper) where upper covers lower, sorted, as an array of shape (pairs, 2).

        `most` is the number of pairs to give up at, with `TooManyCovers`: two large groups of codes, each of one
        comparable with each of the other and none between, have as many covers as pairs.
        """
        everything = np.empty((self.size, self.words), np.uint64)
        step = max(1, BLOCK_BYTES // max(1, self.words * 8))
        for start in range(0, self.size, step):
            everything[start : start + step] = self.above(start, min(self.size, start + step))
        found: list[NDArray[np.int32]] = []
        total = 0
        for start in range(0, self.size, step):
            pairs = self._covers_of(start, min(self.size, start + step), everything)
            found.append(pairs)
            total += len(pairs)
            if most is not None and total > most:
                raise TooManyCovers(total)
        out = np.concatenate(found) if found else np.empty((0, 2), np.int32)
        return out[np.lexsort((out[:, 1], out[:, 0]))]

    def _covers_of(self, start: int, stop: int, everything: NDArray[np.uint64]) -> NDArray[np.int32]:
        """The pairs whose lower code is one of `start` to `stop`."""
        skip = start // WORD  # what is above a code stands after it
        open_ = everything[start:stop, skip:].copy()
        lower = np.arange(start, stop)
        open_[lower - start, lower // WORD - skip] &= ~(np.uint64(1) << (lower % WORD).astype(np.uint64))
        found = []
        while True:
            some = open_ != 0
            left = some.any(axis=1)
            if not left.all():
                open_, lower, some = open_[left], lower[left], some[left]
            if not len(lower):
                break
            word = some.argmax(axis=1)
            upper = (word + skip) * WORD + first_bit(open_[np.arange(len(word)), word])
            found.append(np.stack([lower, upper], axis=1).astype(np.int32))
            open_ &= ~everything[upper, skip:]
        return np.concatenate(found) if found else np.empty((0, 2), np.int32)


class TooManyCovers(Exception):
    """The cover relation is larger than the caller was ready to hold; never seen by a user."""


def pack(flags: NDArray[np.bool_], words: int) -> NDArray[np.uint64]:
    """Flags as bits, the first in the lowest bit of the first word, padded to whole words."""
    packed = np.zeros(words * (WORD // 8), np.uint8)
    some = np.packbits(flags, bitorder="little")
    packed[: len(some)] = some
    return packed.view("<u8").astype(np.uint64, copy=False)


def unpack(bits: NDArray[np.uint64], size: int) -> NDArray[np.bool_]:
    """The flags that `pack` packed."""
    flags = np.unpackbits(bits.astype("<u8", copy=False).view(np.uint8), count=size, bitorder="little")
    return flags.astype(np.bool_)


def first_bit(words: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Place of the lowest set bit of each word; none may be 0."""
    lowest = words & (~words + np.uint64(1))
    return (np.frexp(lowest.astype(np.float64))[1] - 1).astype(np.int64)
