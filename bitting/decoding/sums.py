"""Sums over all codes of some chains at points of the grid, each point by itself.

Large diagrams are *trimmed* first. Among points of one wear scale, a code's likelihood relative to the best symbols is at
most the product of each symbol's greatest ratio there; one pass with these ratios bounds what each entry of the diagram
can add at any of the points, and entries that together can't add more than `TRIM` of the evidence are left out. That is
a proof, not a guess: readings that may be simply wrong make most of a diagram possible and hardly any of it count.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from attrs import field, frozen

from bitting.decoding.compiled import Chain, Step, restrict
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.passes import backward, forward, passes_in_logs
from bitting.decoding.tables import Tables, log_sum

UNDERFLOW = 1e-250
"""A scaled sum below this may hide the answer: the pass is taken again with logarithms."""
CHUNK = 1 << 16
"""Numbers per array in a pass; longer grids go through it piece by piece."""
LARGE = 700
"""Entries of a chain from which trimming it is quicker than passing through all of it."""
TRIM, SPREAD_TRIM = 1e-9, 1e-6
"""Share of the evidence that everything trimmed away may hold together (the second where 1e-4 is asked)."""

Index = npt.NDArray[np.intp]
Columns = Mapping[int, Index]
"""Per sign, the flat place of each point in a table's (scale, tilt, lattice) axes."""


@frozen(eq=False)
class Trimmed:
    """A chain without entries that can't matter, and the number that each entry has in the whole chain."""

    chain: Chain
    numbers: tuple[Index, ...] | None = None


@frozen(eq=False)
class Sums:
    """The chains of a section with their tables; `trims[c]` per wear scale, where chain c was trimmed."""

    chains: tuple[Chain, ...]
    tables: Tables
    grid: Grid
    trims: Mapping[int, tuple[Trimmed, ...]] = field(factory=dict)

    @property
    def large(self) -> bool:
        """Whether trimming would pay."""
        return any(_size(chain) > LARGE for chain in self.chains)

    def totals(self, columns: Columns) -> Array:
        """log of the sum over all codes at the given points."""
        points = next(iter(columns.values())).size
        out = np.zeros(points)
        for number in range(len(self.chains)):
            for trimmed, some in self._parts(number, columns):
                logs = self.logs(trimmed.chain, {sign: where[some] for sign, where in columns.items()})
                out[some] += _total(trimmed.chain, logs)
        return out

    def logs(self, chain: Chain, columns: Columns) -> list[Array]:
        """log likelihoods of a chain's steps at the given points: (symbols, points) each."""
        return [step_logs(step, self.tables, columns, self.grid) for step in chain.steps]

    def shares(self, number: int, columns: Columns, logs: Sequence[Array], weight: Array) -> tuple[Array, ...]:
        """Per step of a chain, the share of each entry in the whole, points weighed by `weight`."""
        found = [np.zeros(step.entry_child.size) for step in self.chains[number].steps]
        for trimmed, some in self._parts(number, columns):
            more = _shares(trimmed.chain, [rows[:, some] for rows in logs], weight[some])
            for index, share in enumerate(more):
                if trimmed.numbers is None:
                    found[index] += share
                else:
                    found[index][trimmed.numbers[index]] += share
        return tuple(found)

    def _parts(self, number: int, columns: Columns) -> list[tuple[Trimmed, Index]]:
        """The chain to use for each piece of the points."""
        sign, where = next(iter(columns.items()))
        trims = self.trims.get(number)
        if trims is None:
            groups = [(Trimmed(self.chains[number]), np.arange(where.size))]
        else:
            scale = where // (self.grid.tilts.size * self.grid.lattices[sign].size)
            groups = [(trimmed, np.flatnonzero(scale == k)) for k, trimmed in enumerate(trims)]
        out = []
        for trimmed, all_of in groups:
            piece = max(64, CHUNK // max(step.entry_child.size for step in trimmed.chain.steps))
            out += [(trimmed, all_of[start : start + piece]) for start in range(0, all_of.size, piece)]
        return out

    def trimmed(self, columns: Columns, log_prior: Array, known: float) -> Sums:
        """The same sums but for what can't matter at the given points; the evidence is known to be `known` (log) or more."""
        sign, where = next(iter(columns.items()))
        scale = where // (self.grid.tilts.size * self.grid.lattices[sign].size)
        scales = len(self.grid.scales)
        tops = np.zeros(where.size)
        ratios: list[list[Array]] = []
        for chain in self.chains:
            rows = []
            for step in chain.steps:
                best, ratio = self._ratios(step, columns, scale)
                tops += best
                rows.append(ratio)
            ratios.append(rows)
        share = math.log(SPREAD_TRIM if self.grid.spread else TRIM) - math.log(scales * len(self.chains))
        passed = [(forward(c, r), *backward(c, r)) for c, r in zip(self.chains, ratios, strict=True)]
        trims = {}
        for number, chain in enumerate(self.chains):
            if _size(chain) <= LARGE:
                continue
            found = []
            for k in range(scales):
                here = scale == k
                others = sum(math.log(total[k]) for i, (_, _, total) in enumerate(passed) if i != number)
                most = log_sum(tops[here] + log_prior[here]) + others
                reached, follows, _ = passed[number]
                adds = [a[:, k] * b[:, k] for a, b in zip(reached, follows, strict=True)]
                found.append(_trim(chain, adds, math.exp(min(known + share - most, 0.0)) if here.any() else 1.0))
            trims[number] = tuple(found)
        return Sums(self.chains, self.tables, self.grid, trims)

    def _ratios(self, step: Step, columns: Columns, scale: Index) -> tuple[Array, Array]:
        """The best symbol's log at every point, and per wear scale every symbol's greatest ratio to it."""
        scales = len(self.grid.scales)
        ratio = np.zeros((step.symbols.shape[0], scales))
        if len(step.places) == 1:  # the same for all points with the same column: worked out once for each
            sign = self.grid.signs[step.places[0].lane]
            size = self.grid.tilts.size * self.grid.lattices[sign].size
            used = np.flatnonzero(np.bincount(columns[sign], minlength=scales * size))
            logs = step_logs(step, self.tables, {sign: used}, self.grid)
            top = logs.max(axis=0)
            place = np.zeros(scales * size)
            place[used] = top
            best, scale = place[columns[sign]], used // size
        else:
            logs = step_logs(step, self.tables, columns, self.grid)
            best = top = logs.max(axis=0)
        for k in range(scales):
            here = scale == k
            if here.any():
                ratio[:, k] = np.exp((logs[:, here] - top[here]).max(axis=1))
        return best, ratio


def _size(chain: Chain) -> int:
    return sum(step.entry_child.size for step in chain.steps)


def _trim(chain: Chain, adds: Sequence[Array], budget: float) -> Trimmed:
    """The chain without the entries that add least, as many as add no more than `budget` together.

    Half of everything stays at least, so that some code does.
    """
    every = np.concatenate(adds)
    order = np.argsort(every)
    dropped = np.zeros(every.size, dtype=bool)
    limit = min(budget, float(adds[0].sum()) / 2)
    dropped[order[: np.searchsorted(np.cumsum(every[order]), limit)]] = True
    parts = np.split(~dropped, np.cumsum([one.size for one in adds])[:-1])
    return Trimmed(*restrict(chain, parts))


def step_logs(step: Step, tables: Tables, columns: Columns, grid: Grid) -> Array:
    """The log likelihood of each symbol of a step at the given points: (symbols, points); 0 where nothing was read."""
    out: Array | None = None
    for column, place in enumerate(step.places):
        table = tables.get(place)
        if table is not None:
            rows = table.reshape(table.shape[0], -1)[:, columns[grid.signs[place.lane]]][step.rows[:, column]]
            out = rows if out is None else out + rows
    for pair in tables.pairs.get(step.places, ()) or tables.pairs.get(step.places[::-1], ()):
        found = tables.pair_at(pair, columns)
        if pair.places != step.places:  # the step decides the second cut first
            found = found.swapaxes(0, 1)
        rows = found[step.rows[:, 0], step.rows[:, 1]]
        out = rows if out is None else out + rows
    return np.zeros((step.symbols.shape[0], next(iter(columns.values())).size)) if out is None else out


def _scaled(logs: Sequence[Array]) -> tuple[Array, list[Array]]:
    """The tables with 1 for the best symbol of each step at every point, and the log of what was taken out."""
    tops = [table.max(axis=0) for table in logs]
    return np.add.reduce(tops), [np.exp(table - top) for table, top in zip(logs, tops, strict=True)]


def _total(chain: Chain, logs: Sequence[Array]) -> Array:
    tops, scaled = _scaled(logs)
    _, total = backward(chain, scaled)
    if total.size and total.min() < UNDERFLOW:
        return passes_in_logs(chain, logs)[1]
    return np.asarray(np.log(total) + tops)


def _shares(chain: Chain, logs: Sequence[Array], weight: Array) -> list[Array]:
    """Per step, the share of each entry (entries,): its part of the sum over codes at every point, weighed by point."""
    _, scaled = _scaled(logs)
    follows, total = backward(chain, scaled)
    if total.min() < UNDERFLOW:
        joint, log_total = passes_in_logs(chain, logs)
        return [np.exp(entry - log_total) @ weight for entry in joint]
    ratio = weight / total
    reached = forward(chain, scaled)
    return [np.einsum("ep,ep,p->e", front, after, ratio) for front, after in zip(reached, follows, strict=True)]
