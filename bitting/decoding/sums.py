"""Sums over all codes of some chains at points of the grid, each point by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from attrs import frozen

from bitting.decoding.compiled import Chain, Step
from bitting.decoding.density import Array
from bitting.decoding.grid import Grid
from bitting.decoding.passes import backward, entry_pairs, entry_sums, passes_in_logs
from bitting.decoding.tables import Tables

UNDERFLOW = 1e-250
"""A scaled sum below this may hide the answer: the pass is taken again with logarithms."""
CHUNK = 1 << 16
"""Numbers per array in a pass; longer grids go through it piece by piece."""
LEAST = 128
"""Points per piece at least."""
TABLED = 4_000_000
"""Likelihoods that are looked up at a time."""

Index = npt.NDArray[np.intp]
Columns = Mapping[int, Index]
"""Per sign, the flat place of each point in a table's (scale, tilt, lattice) axes."""


@frozen(eq=False)
class Sums:
    """The chains of a section with their tables."""

    chains: tuple[Chain, ...]
    tables: Tables
    grid: Grid

    def totals(self, columns: Columns) -> Array:
        """log of the sum over all codes at the given points."""
        out = np.zeros(next(iter(columns.values())).size)
        for chain in self.chains:
            symbols = sum(step.symbols.shape[0] for step in chain.steps)
            for part in _runs(out.size, max(LEAST, TABLED // symbols)):
                logs = self.logs(chain, {sign: where[part] for sign, where in columns.items()})
                for some in _pieces(chain, out[part].size):
                    out[part][some] += _total(chain, [rows[:, some] for rows in logs])
        return out

    @property
    def size(self) -> int:
        """Entries of all steps: what one point costs."""
        return sum(step.entry_child.size for chain in self.chains for step in chain.steps)

    def logs(self, chain: Chain, columns: Columns) -> list[Array]:
        """log likelihoods of a chain's steps at the given points: (symbols, points) each."""
        return [step_logs(step, self.tables, columns, self.grid) for step in chain.steps]


def shares(chain: Chain, logs: Sequence[Array], weight: Array) -> tuple[Array, ...]:
    """Per step, the share of each entry in the whole, points weighed by `weight`; `logs` from `Sums.logs`."""
    found = tuple(np.zeros(step.entry_child.size) for step in chain.steps)
    for some in _pieces(chain, weight.size):
        for share, more in zip(found, _shares(chain, [rows[:, some] for rows in logs], weight[some]), strict=True):
            share += more
    return found


def greatest_shares(chain: Chain, logs: Sequence[Array], weight: Array) -> list[Array]:
    """Per step, the greatest of each entry's shares at the points, each point's times its `weight`.

    Points where sums underflow are passed over.
    """
    found = [np.zeros(step.entry_child.size) for step in chain.steps]
    for some in _pieces(chain, weight.size):
        _, ratios = scaled([rows[:, some] for rows in logs])
        follows, total = backward(chain, ratios)
        root = np.where(total < UNDERFLOW, 0.0, weight[some] / np.maximum(total, UNDERFLOW))
        for most, (entering, after) in zip(found, entry_pairs(chain, ratios, follows, root), strict=True):
            np.maximum(most, (entering * after).max(axis=1), out=most)
    return found


def _pieces(chain: Chain, points: int) -> list[slice]:
    """Runs of points that a pass takes at a time."""
    return _runs(points, max(LEAST, CHUNK // max(step.entry_child.size for step in chain.steps)))


def _runs(points: int, length: int) -> list[slice]:
    return [slice(start, min(start + length, points)) for start in range(0, points, length)]


def step_logs(step: Step, tables: Tables, columns: Columns, grid: Grid) -> Array:
    """The log likelihood of each symbol of a step at the given points: (symbols, points); 0 where nothing was read."""
    out: Array | None = None
    for column, place in enumerate(step.places):
        table = tables.get(place)
        if table is not None:
            rows = table.reshape(table.shape[0], -1).take(columns[grid.signs[place.lane]], axis=1)
            rows = rows[step.rows[:, column]]
            out = rows if out is None else out + rows
    for turned, places in enumerate((step.places, step.places[::-1]) if len(step.places) == 2 else ()):
        for found in tables.pair_logs(places, columns, step.rows[:, ::-1] if turned else step.rows):
            out = found if out is None else out + found
    return np.zeros((step.symbols.shape[0], next(iter(columns.values())).size)) if out is None else out


def scaled(logs: Sequence[Array]) -> tuple[Array, list[Array]]:
    """The tables with 1 for the best symbol of each step at every point, and the log of what was taken out."""
    tops = [table.max(axis=0) for table in logs]
    return np.add.reduce(tops), [np.exp(table - top) for table, top in zip(logs, tops, strict=True)]


def _total(chain: Chain, logs: Sequence[Array]) -> Array:
    tops, ratios = scaled(logs)
    _, total = backward(chain, ratios)
    low = np.flatnonzero(total < UNDERFLOW)
    out = np.log(np.maximum(total, UNDERFLOW)) + tops
    if low.size:
        out[low] = passes_in_logs(chain, [rows[:, low] for rows in logs])[1]
    return np.asarray(out)


def _shares(chain: Chain, logs: Sequence[Array], weight: Array) -> list[Array]:
    """Per step, the share of each entry (entries,): its part of the sum over codes at every point, weighed by point."""
    _, ratios = scaled(logs)
    follows, total = backward(chain, ratios)
    if total.min() < UNDERFLOW:
        joint, log_total = passes_in_logs(chain, logs)
        return [np.exp(entry - log_total) @ weight for entry in joint]
    return entry_sums(chain, ratios, follows, weight / total)
