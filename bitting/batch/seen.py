"""What a table has said so far about the codes of one system: which are repeated, which differ only by a slip.

Repeated codes are found exactly at any size, at eight bytes a code (as many as it has cuts where there are over 2^63 codes).
Codes that differ only by a slip (`bitting.batch.near`) are looked for among up to `MOST` different legal codes; past
that it isn't done, and is said.
"""

from __future__ import annotations

import math
from typing import cast

import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from bitting.batch.legality import Legality
from bitting.batch.near import Near, find_near, legal_neighbours
from bitting.model import System

Bytes = NDArray[np.uint8]
Numbers = NDArray[np.int64]
Keys = NDArray[np.int64] | NDArray[np.bytes_]
MOST = 200_000
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
    depths: list[Numbers] = field(init=False)
    """How often each depth stands at each cut: an array per cut, lane after lane."""
    near: int = field(init=False, default=0)
    """Pairs of different legal codes one slip apart."""
    near_rows: list[tuple[int, int]] = field(init=False, factory=list)
    unlooked: bool = field(init=False, default=False)
    """Whether there were too many codes to look for such pairs."""
    neighbours: float | None = field(init=False, default=None)
    """How many legal codes are one slip from a code of the table, on average; None where it isn't known."""
    _keys: list[Keys] = field(init=False, factory=list)
    _rows: list[Numbers] = field(init=False, factory=list)
    _open: set[str] = field(init=False, factory=set)
    _legal: list[Bytes] = field(init=False, factory=list)
    _legal_rows: list[Numbers] = field(init=False, factory=list)
    _legal_keys: list[Keys] = field(init=False, factory=list)
    _looked: int = field(init=False, default=0)
    _distinct: int = field(init=False, default=0)

    def __attrs_post_init__(self) -> None:
        self.depths = [
            np.zeros(len(lane.track.labels), np.int64) for lane in self.system.lanes for _ in range(lane.track.cuts)
        ]

    def add(self, depths: Bytes, rows: Numbers, legal: NDArray[np.bool_]) -> dict[int, str]:
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
        self._legal.append(depths if legal.all() else depths[:, legal])
        self._legal_rows.append(rows[legal])
        self._legal_keys.append(keys if legal.all() else keys[legal])
        if self.neighbours is None and self.legality is not None:
            self.neighbours = legal_neighbours(self.system, self._legal[0], self.legality)
        if self.ahead and self._chance(self.ahead) < BY_CHANCE * self.ahead / 2:
            return self._remarks(self._look())
        if sum(map(len, self._legal_rows)) > 1.25 * MOST:
            self._settle()
        return {}

    def add_open(self, canonical: str) -> None:
        """Count a code with cuts left open."""
        self.total += 1
        self._open.add(canonical)

    def finish(self) -> None:
        """Look for what has not been looked for yet."""
        if self._legal and (len(self._legal) > 1 or not self._looked):
            self._look()

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
        return None if self.neighbours is None else self._chance(self._distinct)

    def _chance(self, codes: int) -> float:
        if self.neighbours is None or self.legality is None or self.legality.count < 2:
            return 0.0
        return codes * (codes - 1) / 2 * self.neighbours / min(self.legality.count - 1, 10**300)

    def _settle(self) -> None:
        """Keep each legal code once, with its first row; none at all where there are too many."""
        depths, rows = np.concatenate(self._legal, axis=1), np.concatenate(self._legal_rows)
        keys = cast("Keys", np.concatenate(self._legal_keys))
        ordered = cast("Keys", np.sort(keys))
        if len(rows) > MOST and np.count_nonzero(ordered[1:] != ordered[:-1]) >= MOST:
            self.unlooked, self.near, self.near_rows = True, 0, []
            self._legal, self._legal_rows, self._legal_keys = [], [], []
            return
        if (ordered[1:] == ordered[:-1]).any():
            first = ~_again(keys, ordered)
            depths, rows, keys = depths[:, first], rows[first], keys[first]
        self._distinct = len(rows)
        self._legal, self._legal_rows, self._legal_keys = [depths], [rows], [keys]

    def _look(self) -> Near | None:
        """Look for pairs whose later code is new; None where there are too many codes."""
        self._settle()
        if self.unlooked:
            return None
        found = find_near(self.system, self._legal[0], self._looked)
        self._looked = self._distinct
        self.near += found.count
        rows = self._legal_rows[0]
        for code in np.flatnonzero(found.number)[: NAMED - len(self.near_rows)].tolist():
            self.near_rows.append((int(rows[found.first[code]]), int(rows[code])))
        return found

    def _remarks(self, found: Near | None) -> dict[int, str]:
        if found is None:
            return {}
        rows, remarks = self._legal_rows[0], {}
        for code in np.flatnonzero(found.number).tolist():
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
