"""Every slip of `bitting.repair.noise` as a move: how rows of signs are put back to what they were before it.

A move says for each cut that was meant which written sign it comes from, or which depth it is. A `Shape` has all of them for
rows of given lengths, as arrays, and undoes them in many writings at once; one writing is a column of one.

*Slips of a cut* touch one cut or two neighbours. *Slips of whole lists* (`lists`) come after them: rows turned, exchanged, or
every sign replaced. The numbers of moves: 0 is none, then the lists, then the cuts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, combinations

import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Array, Bytes, Flags, Floats, Indices
from bitting.diagram.walk import Legality
from bitting.model import System, Track
from bitting.repair import noise
from bitting.repair.noise import Slip
from bitting.repair.written import Stream

Signs = NDArray[np.uint16]
"""(signs, writings): numbers of `SignTable.texts`."""
MOST_PAIRED = 4000
"""Two moves are looked for where there are no more likely ones: some 500 cuts; a shipped system has about a hundred."""
KEPT, STANDS_FOR, LOWER, HIGHER = 0, 1, 2, 3
"""What every sign is replaced by where a slip of whole lists is undone."""


@define(eq=False)
class SignTable:
    """The signs met so far, by number (0 is "", what can't have been written), and what each may be in every track."""

    system: System
    texts: list[str] = field(init=False, factory=lambda: [""])
    number: dict[str, int] = field(init=False, factory=lambda: {"": 0})
    depth: dict[str, Bytes] = field(init=False, factory=dict)
    """By track: the depth that each sign is; as many as there are depths where it is none."""
    before: dict[str, Signs] = field(init=False, factory=dict)
    """By track, (4, signs): the sign itself, what it stands for, the sign one lower and one higher."""
    weights: Floats = field(init=False)
    """(tables, signs, depths): 1; 1 for three to nine; per track how likely the sign is written for the depth, and 1 where it is
    any other."""

    def __attrs_post_init__(self) -> None:
        self.numbers(["0", "1", *(label for track in self.system.tracks for label in track.labels)])

    def numbers(self, texts: Iterable[str]) -> list[int]:
        """The numbers of signs, new ones among them."""
        wanted = list(texts)
        new = set(wanted) - self.number.keys()
        if new or not self.depth:
            reached = set(new) | self.number.keys()
            for _ in range(2):  # two slips of whole lists may lie before a sign
                reached |= {was for text in reached for track in self.system.tracks for was in _before(track, text)}
            for text in sorted(reached - self.number.keys()):
                self.number[text] = len(self.texts)
                self.texts.append(text)
            self._tabulate()
        return [self.number[text] for text in wanted]

    def _tabulate(self) -> None:
        widest = max(len(track.labels) for track in self.system.tracks)
        weights = np.zeros((2 + 2 * len(self.system.tracks), len(self.texts), widest))
        weights[0] = 1.0
        weights[1, [self.number[text] for text in "3456789" if text in self.number]] = 1.0
        for i, track in enumerate(self.system.tracks):
            size, places = len(track.labels), {label: place for place, label in enumerate(track.labels)}
            self.depth[track.name] = np.array([places.get(text, size) for text in self.texts], np.uint8)
            was = [[self.number.get(before, 0) for before in (text, *_before(track, text))] for text in self.texts]
            self.before[track.name] = np.array(was, np.uint16).T
            weights[2 + 2 * i, :, :size] = [noise.misreadings(track, text) for text in self.texts]
            weights[3 + 2 * i, :, :size] = self.depth[track.name][:, None] != np.arange(size)
        self.weights = weights


def _before(track: Track, text: str) -> tuple[str, str, str]:
    return noise.stand_in(track, text), noise.renumber(track, text, -1), noise.renumber(track, text, 1)


Same = tuple[int, int, bool]
ALWAYS: Same = (0, 0, True)


@frozen
class Move:
    """One slip of a cut, undone.

    It is at the written sign `at` of a stream's row (from 0). Of each cut that was meant, `source` is the place of its sign
    among those of all rows, or beyond them a depth. It is as likely as its kind, times `weights[weigh, sign there, depth]`,
    where two signs are the `same`, or are not: (place, place or beyond them a sign, whether).
    """

    slip: Slip
    stream: int
    at: int
    source: tuple[int, ...]
    same: Same = ALWAYS
    weigh: int = 0
    depth: int = 0


@frozen
class ListMove:
    """A slip of whole lists, undone: each row's stream before, and whether it is turned; what replaces every sign."""

    slip: Slip
    words: str
    rows: tuple[tuple[int, bool], ...]
    replaced: int = KEPT


class Shape:
    """Rows of given lengths, one for each stream, and the moves that lead from them to a whole key.

    `lists` are slips of whole lists, `moves` those of a cut: first the `likely` ones, as many as may be as likely as
    `noise.LIKELY`. `first` is the number of the first of these. `whole` says whether every row is as long as its track, `single`
    whether every lane has one row, `pairs` whether two of the likely moves are looked for, `too_long` that they are too many.
    """

    def __init__(
        self, table: SignTable, legality: Legality, streams: tuple[Stream, ...], lengths: tuple[int, ...]
    ) -> None:
        self.table, self.walks, self.streams, self.lengths = table, legality.walks, streams, lengths
        self.tracks = [table.system.lanes[stream.lane].track for stream in streams]
        self.cuts = tuple(track.cuts for track in self.tracks)
        self.whole = self.cuts == lengths
        self.single = len({stream.lane for stream in streams}) == len(streams)
        self.starts = [0, *accumulate(lengths)]
        self.lists = list(_list_moves(table.system, streams))
        self.moves = sorted(self._moves(), key=lambda move: move.slip in noise.RARE)
        self.likely = sum(move.slip not in noise.RARE for move in self.moves)
        self.too_long = self.likely > MOST_PAIRED
        self.pairs = self.whole and self.single and not self.too_long
        self.first = len(self.lists) + 1
        self._tabulate()

    def _tabulate(self) -> None:
        """The moves as arrays."""
        moves, cuts = self.moves, sum(self.cuts)
        self._source = np.array([m.source for m in moves], np.intp).reshape(len(moves), cuts).T
        self._at = np.array([self.starts[m.stream] + m.at for m in moves], np.intp)
        self._weigh = np.array([m.weigh for m in moves], np.intp)
        self._depth = np.array([m.depth for m in moves], np.intp)
        self._base = np.array([1.0 if m.slip is noise.ANY_OTHER else m.slip.probability for m in moves])
        self._same = np.array([m.same for m in moves], np.intp).reshape(-1, 3).T
        changed = self._source != np.arange(cuts)[:, None]
        touched = changed[:, : self.likely if self.pairs else 0].astype(np.uint8)
        self.apart = touched.T @ touched == 0
        """(likely moves, likely moves): whether two of them touch no cut in common."""
        self.diagram = self.reached = np.zeros(len(moves), np.intp)
        """The diagram that each move is in, and the first cut that it changes, as its diagram counts."""
        if self.whole and self.single:
            within = [changed[list(walk.cuts)] for walk in self.walks]
            self.diagram = np.argmax([one.any(axis=0) for one in within], axis=0)
            self.reached = np.choose(self.diagram, [one.argmax(axis=0) for one in within])

    def depths(self, signs: Signs) -> Bytes:
        """The depth that each sign is in its row's track."""
        parts = np.split(signs, self.starts[1:-1])
        return np.concatenate([self.table.depth[t.name][part] for t, part in zip(self.tracks, parts, strict=True)])

    def before(self, move: ListMove, signs: Signs) -> tuple[tuple[int, ...], Signs]:
        """The lengths of the rows and their signs before a slip of whole lists."""
        parts = np.split(signs, self.starts[1:-1])
        rows = [parts[row][::-1] if turned else parts[row] for row, turned in move.rows]
        rows = [self.table.before[t.name][move.replaced][row] for t, row in zip(self.tracks, rows, strict=True)]
        return tuple(map(len, rows)), np.concatenate(rows)

    def shares(self, signs: Signs, move: Indices, which: Indices) -> Floats:
        """How likely each of some moves is in the writing beside it, given what is written; 0 where it is none."""
        known = _and_constants(signs, len(self.table.texts))
        weight: Floats = self.table.weights[self._weigh[move], known[self._at[move], which], self._depth[move]]
        one, other, wanted = self._same[:, move]
        equal = known[one, which] == known[other, which]
        return np.where(equal == wanted, self._base[move] * weight, 0.0)

    def undone(self, depths: Bytes, move: Indices, which: Indices) -> Bytes:
        """The cuts that were meant, (cuts, moves), before some moves in the writings beside them."""
        known = _and_constants(depths, self.table.weights.shape[2])
        found = np.empty((len(self._source), len(move)), np.uint8)
        for row, of in zip(found, self._source * depths.shape[1], strict=True):
            known.ravel().take(of[move] + which, out=row, mode="clip")
        return found

    def passed(self, depths: Bytes) -> tuple[Flags, Indices]:
        """(diagrams, writings): whether a diagram of the legal codes is left, and how many cuts are passed before."""
        passed = np.array([walk.passed(depths) for walk in self.walks], np.intp)
        return passed < np.array([[len(walk.cuts)] for walk in self.walks]), passed

    def worth(self, depths: Bytes, moves: int) -> Flags:
        """(moves, writings): False where one of so many moves can't make the writing legal: it comes too late, or another
        diagram is left too."""
        if not self.whole or not self.single:
            return np.ones((moves, depths.shape[1]), bool)
        left, passed = self.passed(depths)
        passed[left.sum(axis=0) > left] = -1
        found: Flags = self.reached[:moves, None] <= passed[self.diagram[:moves]]
        return found

    def _moves(self) -> Iterator[Move]:
        """The moves of single cuts, where one of them makes the rows as long as their tracks."""
        off = [length - cuts for length, cuts in zip(self.lengths, self.cuts, strict=True)]
        for number in range(len(off)):
            if not any(off):
                yield from self._same_length(number)
            elif off[number] and sum(map(abs, off)) == 1:
                yield from self._one_less(number) if off[number] > 0 else self._one_more(number)

    def _same_length(self, number: int) -> Iterator[Move]:
        """Cuts written for others, the row as long as it should be."""
        start, stop, total = self.starts[number], self.starts[number + 1], self.starts[-1]
        labels = self.tracks[number].labels
        table = 2 + 2 * self.table.system.tracks.index(self.tracks[number])

        def move(slip: Slip, at: int, new: dict[int, int], same: Same = ALWAYS, weigh: int = 0, depth: int = 0) -> Move:
            source = tuple(new.get(place, place) for place in range(total))
            return Move(slip, number, at - start, source, same, weigh, depth)

        for at in range(start, stop):
            beside, across = at + 1, at + 2
            for depth in range(len(labels)):
                yield move(noise.ANY_OTHER, at, {at: total + depth}, weigh=table, depth=depth)
                if beside < stop:
                    both = {at: total + depth, beside: total + depth}
                    yield move(noise.TWINS, at, both, (at, beside, True), table + 1, depth)
            if beside < stop:
                yield move(noise.SWAPPED, at, {at: beside, beside: at}, (at, beside, False))
            if across < stop:
                yield move(noise.ACROSS, at, {at: across, across: at}, (at, across, False))
            if beside < stop and {"0", "1"} <= set(labels):
                one, nought = (total + self.table.number[digit] for digit in "10")
                ten, zero = (total + labels.index(digit) for digit in "10")
                yield move(noise.TEEN, beside, {at: beside, beside: zero}, (at, one, True), 1)
                yield move(noise.TENS, at, {at: ten, beside: at}, (beside, nought, True), 1)

    def _one_less(self, number: int) -> Iterator[Move]:
        """A row with a cut too many: written twice, or a foreign one."""
        start, stop, every = self.starts[number], self.starts[number + 1], range(self.starts[-1])
        for at in range(start, stop):
            source = tuple(place for place in every if place != at)
            beside = at + 1 if at + 1 < stop else max(at - 1, start)
            if beside > at:
                yield Move(noise.DOUBLED, number, at - start, source, (at, beside, True))
            yield Move(noise.EXTRA, number, at - start, source, (at, beside, beside == at))

    def _one_more(self, number: int) -> Iterator[Move]:
        """A row with a cut missing."""
        start, stop, total = self.starts[number], self.starts[number + 1], self.starts[-1]
        for at in range(start, stop + 1):
            for depth in range(len(self.tracks[number].labels)):
                source = (*range(at), total + depth, *range(at, total))
                yield Move(noise.DROPPED, number, at - start, source, depth=depth)


def _and_constants(rows: Array, number: int) -> Array:
    """Rows with 0, 1, … below them, each all the way: what places beyond the rows stand for."""
    return np.vstack([rows, np.repeat(np.arange(number, dtype=rows.dtype)[:, None], rows.shape[1], 1)])


def _list_moves(system: System, streams: Sequence[Stream]) -> Iterator[ListMove]:
    """Every slip of whole lists, the one that happens last first."""
    as_is = tuple((row, False) for row in range(len(streams)))
    yield ListMove(noise.STAND_IN, "", as_is, STANDS_FOR)
    for words, pairs in _exchanges(system, streams):
        rows = list(as_is)
        for a, b in pairs:
            rows[a], rows[b] = as_is[b], as_is[a]
        yield ListMove(noise.EXCHANGED, words, tuple(rows))
    if len(streams) > 1:
        for number, stream in enumerate(streams):
            rows = [(row, row == number) for row in range(len(streams))]
            yield ListMove(noise.ONE_FROM_TIP, f"{stream.name} read from the tip", tuple(rows))
    yield ListMove(noise.FROM_TIP, "read from the tip", tuple((row, True) for row, _ in as_is))
    for word, sign in (("high", LOWER), ("low", HIGHER)):
        yield ListMove(noise.RENUMBERED, f"numbering shifted by one: every label one too {word}", as_is, sign)


def _exchanges(system: System, streams: Sequence[Stream]) -> Iterator[tuple[str, list[tuple[int, int]]]]:
    """(words, pairs of rows) for two tracks of one side, and for two sides of a key whose sides differ."""
    lanes = [system.lanes[stream.lane] for stream in streams]
    for a, b in combinations(range(len(streams)), 2):
        if streams[a].side == streams[b].side and lanes[a] != lanes[b]:
            on = f" on {streams[a].side}" if streams[a].side is not None else ""
            yield f"{lanes[a].track.name} and {lanes[b].track.name} exchanged{on}", [(a, b)]
    if system.sided:
        at = {(lane.side, lane.track.name): number for number, lane in enumerate(lanes)}
        for one, other in combinations(system.sides, 2):
            yield f"{one} and {other} exchanged", [(at[one, t.name], at[other, t.name]) for t in system.tracks]
