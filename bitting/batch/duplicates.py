"""What a table has said so far about the codes of one system: which are repeated, which differ only by a slip.

Repeated codes are found exactly at any size, at eight bytes a code (as many as it has cuts where there are over 2^63 codes).

Codes that differ only by a slip, one of which may be a slip of the pen for the other, are looked for among up to `MOST`
different legal codes; past that it isn't done, and is said. The slips are those of `bitting.repair.noise` that leave a whole
code and are likely: one cut's label is the next deeper or shallower one, or looks like it, or two different neighbours of a
lane are swapped. Exact, and without comparing every code with every other: every slip of a code is looked up among them.

>>> from bitting.systemfile import load_system
>>> system = load_system("plover")
>>> codes = ["2133345 1123421", "2133345 1123422", "2133345 1213421", "2135345 1123421"]
>>> depths = np.array([[int(sign) - 1 for sign in code.replace(" ", "")] for code in codes], np.uint8).T
>>> near = find_near(system, depths)
>>> near.count, [near.words(system, code) for code in range(4) if near.number[code]]
(3, ['right cut 7', 'right cuts 2 and 3 swapped', 'left cut 4'])
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import accumulate
from typing import cast

import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Bytes, Flags, Integers
from bitting.diagram.walk import Legality
from bitting.model import System, Track
from bitting.repair.noise import LOOK_ALIKE, OFF_BY_ONE, misreadings

LIKELY = min(OFF_BY_ONE.probability, LOOK_ALIKE.probability)
SAMPLED = 256
"""The neighbours of so many codes are tried to tell how many pairs chance makes."""


@frozen(eq=False)
class Near:
    """Pairs of codes one slip apart. Per code, about the codes before it in the table: `number` of those one slip apart,
    `first` the first of them (its place; else -1), `how` the cut in which it differs (lane after lane), or ~cut where that
    cut and the next are swapped."""

    count: int
    number: Integers
    first: Integers
    how: Integers

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
    keys = keys_of(system, depths)
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    for cut, slipped, some in _slips(system, depths[:, new:]):
        wanted = keys_of(system, slipped[:, some])
        place = np.minimum(np.searchsorted(ordered, wanted), codes - 1)
        a, b = order[place], np.flatnonzero(some) + new
        found = (ordered[place] == wanted) & (a < b)
        a, b = a[found], b[found]
        count += len(a)
        number[b] += 1
        leads = a < first[b]
        first[b[leads]], how[b[leads]] = a[leads], cut
    first[number == 0] = -1
    return Near(count, number, first, how)


def _slips(system: System, depths: Bytes) -> Iterator[tuple[int, Bytes, Flags]]:
    """Each cut (or ~cut: it and the next swapped) with the codes after a slip there, and which of them are after one."""
    last = set(accumulate(lane.track.cuts for lane in system.lanes))
    for cut, track in enumerate(lane.track for lane in system.lanes for _ in range(lane.track.cuts)):
        alike, slipped = _alike(track), depths.copy()
        for depth in range(len(track.labels)):
            slipped[cut] = depth
            yield cut, slipped, alike[depth, depths[cut]]
        if cut + 1 not in last:
            slipped[[cut, cut + 1]] = depths[[cut + 1, cut]]
            yield ~cut, slipped, depths[cut] != depths[cut + 1]


def _alike(track: Track) -> Flags:
    """Which depths of a track are easily written for which."""
    table = np.array([misreadings(track, label) for label in track.labels]) >= LIKELY
    return table | table.T


def legal_neighbours(system: System, depths: Bytes, legality: Legality) -> float:
    """How many legal codes are one slip from a code, on average over some of these (cuts, codes)."""
    some = depths[:, :: -(-depths.shape[1] // SAMPLED)]
    found = sum(int((legality.legal(slipped) & hit).sum()) for _, slipped, hit in _slips(system, some))
    return found / int(some.shape[1])


Keys = NDArray[np.int64] | NDArray[np.bytes_]
MOST = 50_000
NAMED = 3
"""So many pairs of rows are named."""
BY_CHANCE = 0.1
"""Rows get a remark where chance gives a code fewer neighbours than this among the codes of the table; else it means nothing."""


@define(eq=False)
class Seen:
    """The codes of one system that have been seen. `ahead` is how many rows the table has at most, where the rows are to
    get remarks; else 0."""

    system: System
    legality: Legality | None = None
    ahead: int = 0
    total: int = field(init=False, default=0)
    depths: list[Integers] = field(init=False)
    """How often each depth stands at each cut: an array per cut, lane after lane."""
    near: int = field(init=False, default=0)
    """Pairs of different legal codes one slip apart."""
    near_rows: list[tuple[int, int]] = field(init=False, factory=list)
    unlooked: bool = field(init=False, default=False)
    """Whether there were too many codes to look for such pairs."""
    neighbours: float | None = field(init=False, default=None)
    """How many legal codes are one slip from a code of the table, on average; None where it isn't known."""
    _keys: list[Keys] = field(init=False, factory=list)
    _rows: list[Integers] = field(init=False, factory=list)
    _open: set[str] = field(init=False, factory=set)
    _legal: Bytes = field(init=False)
    """The different legal codes (cuts, codes), the row of each, and its key."""
    _legal_rows: Integers = field(init=False, factory=lambda: np.zeros(0, np.int64))
    _legal_keys: set[int | bytes] = field(init=False, factory=set)

    def __attrs_post_init__(self) -> None:
        self.depths = [
            np.zeros(len(lane.track.labels), np.int64) for lane in self.system.lanes for _ in range(lane.track.cuts)
        ]
        self._legal = np.zeros((len(self.depths), 0), np.uint8)

    def add(self, depths: Bytes, rows: Integers, legal: NDArray[np.bool_]) -> dict[int, str]:
        """Count some exact codes (cuts, codes), their rows, and which are legal; remarks by row."""
        if not len(rows):
            return {}
        self.total += len(rows)
        for cut, table in enumerate(self.depths):
            table += np.bincount(depths[cut], minlength=len(table))
        keys = keys_of(self.system, depths)
        self._keys.append(keys)
        self._rows.append(rows)
        if self.unlooked or not legal.any():
            return {}
        if self.neighbours is None and self.legality is not None:
            self.neighbours = legal_neighbours(self.system, depths[:, legal], self.legality)
        new = []
        for at in np.flatnonzero(legal).tolist():
            key = keys[at].item()
            if key not in self._legal_keys:
                self._legal_keys.add(key)
                new.append(at)
        looked = len(self._legal_rows)
        if len(self._legal_keys) > MOST:
            self.unlooked, self.near, self.near_rows = True, 0, []
            return {}
        self._legal = np.concatenate([self._legal, depths[:, new]], axis=1)
        self._legal_rows = np.concatenate([self._legal_rows, rows[new]])
        return self._remarks(find_near(self.system, self._legal, looked))

    def add_open(self, canonical: str) -> None:
        """Count a code with cuts left open."""
        self.total += 1
        self._open.add(canonical)

    def repeated(self) -> tuple[int, list[tuple[int, int]]]:
        """How many of the codes counted had been counted before; of the first of them (among
        `MOST` rows) the row before and the row."""
        if not self._keys:
            return self.total - len(self._open), []
        keys = cast("Keys", np.concatenate(self._keys))
        ordered = cast("Keys", np.sort(keys))  # several times faster than np.unique's hashing
        distinct = 1 + int(np.count_nonzero(ordered[1:] != ordered[:-1]))
        named = []
        if distinct < len(keys):
            rows = np.concatenate(self._rows)
            again = np.flatnonzero(_again(keys[:MOST], ordered))[:NAMED].tolist()
            named = [(int(rows[np.argmax(keys == keys[place])]), int(rows[place])) for place in again]
        return self.total - distinct - len(self._open), named

    @property
    def by_chance(self) -> float | None:
        """About how many pairs one slip apart there would be if any legal code were as likely as any other."""
        return None if self.neighbours is None else self._chance(len(self._legal_rows))

    def _chance(self, codes: int) -> float:
        if self.neighbours is None or self.legality is None or self.legality.count < 2:
            return 0.0
        return codes * (codes - 1) / 2 * self.neighbours / min(self.legality.count - 1, 10**300)

    def _remarks(self, found: Near) -> dict[int, str]:
        """Count pairs, and say them in the rows of the later codes, where they mean anything."""
        self.near += found.count
        later, rows = np.flatnonzero(found.number).tolist(), self._legal_rows
        self.near_rows += [
            (int(rows[found.first[code]]), int(rows[code])) for code in later[: NAMED - len(self.near_rows)]
        ]
        remarks: dict[int, str] = {}
        if not self.ahead or self._chance(self.ahead) >= BY_CHANCE * self.ahead / 2:
            return remarks
        for code in later:
            more = int(found.number[code]) - 1
            others = f", and from {more} more" if more else ""
            words = found.words(self.system, code)
            remarks[int(rows[code])] = (
                f"advice: one slip from row {rows[found.first[code]]} ({words}){others} [near-duplicate]"
            )
        return remarks


def _again(keys: Keys, ordered: Keys) -> NDArray[np.bool_]:
    """Which keys stand earlier in the list already; `ordered` are all of them (or more) sorted. Mostly few do: only these
    are ordered with their places, which takes ten times as long as sorting."""
    again = np.zeros(len(keys), bool)
    double = np.unique(ordered[1:][ordered[1:] == ordered[:-1]])
    if len(double):
        place = np.minimum(np.searchsorted(double, keys), len(double) - 1)
        some = np.flatnonzero(double[place] == keys)
        again[some] = True
        again[some[np.unique(keys[some], return_index=True)[1]]] = False
    return again


def keys_of(system: System, depths: Bytes) -> Keys:
    """A key for each code (cuts, codes), equal where codes are: a number where all fit 64 bits, otherwise bytes."""
    sizes = [len(lane.track.labels) for lane in system.lanes for _ in range(lane.track.cuts)]
    if math.prod(sizes) >= 2**63:
        return np.ascontiguousarray((depths + 1).T).view(f"S{len(sizes)}").ravel()
    key = np.zeros(depths.shape[1], np.int64)
    for size, row in zip(sizes, depths, strict=True):
        key *= size
        key += row
    return key
