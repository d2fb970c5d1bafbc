"""Posteriors of the keys of one system under one model, one by one or many that were read alike.

The lattice of the shared error is made longer where the answer leans on its ends. (`decoder.py` makes answers of them.)

The posteriors of keys that were read alike, a block of keys at a time.

Keys whose cuts were read with the same uncertainties share the grid, so their tables and passes are taken together: for
a small diagram most of a key's time goes into starting array operations, and a block starts them once. The sums are those
of `posterior.solve`, every point weighed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

import numpy as np
from attrs import evolve, field, frozen

from bitting.arrays import Array
from bitting.decoding.across import PairWitness, pairs_of
from bitting.decoding.fit import Pattern
from bitting.decoding.grid import FINEST, OFFSET_REACH, Grid, grid_for
from bitting.decoding.jaw import Reach
from bitting.decoding.kbest import Ranked, best_by_level, completed, ranked, weighed
from bitting.decoding.likelihood import ACROSS, Witness, witness, witnesses_of
from bitting.decoding.model import MeasurementModel
from bitting.decoding.posterior import Posterior, Section, moments, sections_of, solve
from bitting.decoding.tables import cut_tables, have_floors, lane_logs, lane_sums
from bitting.decoding.weigh import FEW_POINTS, UNDERFLOW
from bitting.diagram.trellis import Chain, Step, backward, couple, entry_sums
from bitting.errors import BittingError
from bitting.model import Depths, Place, Readings, System

BLOCK = 16
"""Keys taken together at most."""
LIGHT = 64
"""The same where only the probability of one code is asked, which keeps fewer arrays."""
NUMBERS = 4_000_000
"""Entries times points of a block at most."""


def block_of(chains: Sequence[Chain], grid: Grid, most: int = BLOCK) -> int:
    """How many keys are taken together, `most` at most."""
    entries = sum(step.entry_child.size for chain in chains for step in chain.steps)
    return max(1, min(most, NUMBERS // (entries * grid.points)))


def can_share(grid: Grid, witnesses: Sequence[Witness]) -> bool:
    """Whether keys with such readings can be taken together: one lattice, few points, no cut read very often."""
    return grid.link is None and grid.points <= FEW_POINTS and all(one.summed for one in witnesses)


def solve_alike(
    chains: Sequence[Chain],
    keys: Sequence[Sequence[Witness]],
    system: System,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
    best: int = 0,
) -> list[tuple[Posterior, list[Ranked] | None]] | None:
    """The posterior of each key, all of whose witnesses are at the same places with the same uncertainties.

    With it the `best` most probable codes, or None where they must be looked for another way. None where a sum underflows:
    such keys are solved one by one, with logarithms. (Long: one straight line from the passes to as many answers.)
    """
    prior = grid.log_prior()
    points, count = prior.size, len(keys)
    tables = _tables(keys, system, grid, along, reach, points)
    passed = [_pass(chain, tables, points * count) for chain in chains]
    if any(one.sums.min() < UNDERFLOW for one in passed):
        return None
    every = np.tile(prior, count)
    greatest = every + sum(one.tops for one in passed)
    totals = (greatest + sum(np.log(one.sums) for one in passed)).reshape(count, points)
    top = totals.max(axis=1)
    evidence = top + np.log(np.exp(totals - top[:, None]).sum(axis=1))
    posterior = np.exp(totals - evidence[:, None])
    greatest -= np.repeat(evidence, points)
    codes = _best_codes(passed, np.exp(greatest), count, system, best)
    entries = [
        entry_sums(one.chain, one.ratios, one.follows, posterior.reshape(-1) / one.sums, count) for one in passed
    ]
    log_count = sum(math.log(chain.count) for chain in chains)
    shares = _shares(chains, entries)
    out = []
    for number in range(count):
        own = slice(number * points, (number + 1) * points)
        section = Section(
            chains=tuple(chains),
            columns={0: np.arange(points)},
            log_prior=prior,
            logs=tuple(tuple(rows[:, own] for rows in one.logs) for one in passed),
            log_sums=totals[number] - prior,
            posterior=posterior[number],
            entries=tuple(tuple(entry[:, number] for entry in found) for found in entries),
        )
        depths = {place: share[:, number] for place, share in shares.items()}
        log_evidence = float(evidence[number]) - log_count
        answer = Posterior(grid, (section,), log_evidence, log_count, depths, moments((section,), grid), reach)
        out.append((answer, codes[number] if codes else None))
    return out


def probabilities_alike(
    chains: Sequence[Chain],
    keys: Sequence[Sequence[Witness]],
    codes: Sequence[Mapping[Place, int]],
    system: System,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
) -> tuple[Array, Array] | None:
    """The probability of one code of each key, given by the row of each of its cuts, and the share at the lattice's ends.

    Keys as in `solve_alike`, and None where a sum underflows.
    """
    prior = grid.log_prior()
    points, count = prior.size, len(keys)
    tables = _tables(keys, system, grid, along, reach, points)
    tops = np.tile(prior, count)
    every, own = np.ones(points * count), np.ones((count, points))
    for chain in chains:
        scaled = [_ratios(step, tables, points * count) for step in chain.steps]
        tops += sum(top for _, top in scaled)
        sums = backward(chain, [ratios for ratios, _ in scaled])[1]
        if sums.min() < UNDERFLOW:
            return None
        every *= sums
        for step, (ratios, _) in zip(chain.steps, scaled, strict=True):
            place = step.places[0]
            symbols = np.array([step.symbol_of([code[place]]) for code in codes], dtype=np.intp)
            own *= ratios.reshape(-1, count, points)[symbols, np.arange(count)]
    weight = tops.reshape(count, points)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    whole = weight * every.reshape(count, points)
    whole /= whole.sum(axis=1, keepdims=True)
    ends = whole.reshape(count, -1, grid.lattices[0].size)[:, :, [0, -1]].sum(axis=(1, 2))
    return (whole * own / every.reshape(count, points)).sum(axis=1), ends


def _best_codes(
    passed: Sequence[_Passed], weight: Array, count: int, system: System, best: int
) -> list[list[Ranked]] | None:
    """The best codes of each of so many keys; `weight` (points of all keys) with what the best symbols have."""
    ready = completed([one.chain for one in passed], [one.ratios for one in passed]) if best else None
    if ready is None:
        return None
    levels = weighed(ready[0], weight)
    found = best_by_level(levels, weight.size // count, best, count)
    return None if found is None else [ranked(levels, one, system, best) for one in found]


@frozen(eq=False)
class _Table:
    """Likelihoods of one place (rows, keys · points), divided by a number whose log is `size` (keys · points,)."""

    likelihoods: Array
    size: Array

    def times(self, other: _Table | None) -> _Table:
        """Of both together."""
        if other is None:
            return self
        return _Table(self.likelihoods * other.likelihoods, self.size + other.size)


@frozen(eq=False)
class _Passed:
    """A chain with its log likelihoods, the greatest of all steps together, the ratios to it, what follows, and totals."""

    chain: Chain
    logs: list[Array]
    tops: Array
    ratios: list[Array]
    follows: list[Array]
    sums: Array


def _pass(chain: Chain, tables: Mapping[Place, _Table], points: int) -> _Passed:
    logs, ratios = [], []
    tops = np.zeros(points)
    for step in chain.steps:
        rows, top = _ratios(step, tables, points)
        ratios.append(rows)
        with np.errstate(divide="ignore"):
            logs.append(np.log(rows))
        logs[-1] += top
        tops += top
    follows, sums = backward(chain, ratios)
    return _Passed(chain, logs, tops, ratios, follows, sums)


def _ratios(step: Step, tables: Mapping[Place, _Table], points: int) -> tuple[Array, Array]:
    """A step's likelihoods (symbols, points) relative to its best symbol's, and the log of that (points,)."""
    table = tables.get(step.places[0])
    if table is None:
        return np.ones((step.symbols.shape[0], points)), np.zeros(points)
    rows = table.likelihoods[step.rows[:, 0]]
    top = rows.max(axis=0)
    return np.divide(rows, top, out=rows), np.log(top) + table.size


def _tables(
    keys: Sequence[Sequence[Witness]],
    system: System,
    grid: Grid,
    along: Mapping[Place, float],
    reach: Reach,
    points: int,
) -> dict[Place, _Table]:
    """What was read of every place; sides of a convenience key multiply."""
    tables: dict[Place, _Table] = {}
    count = len(keys)
    for lane in sorted({one.place.lane for one in keys[0]}):
        numbers = [number for number, one in enumerate(keys[0]) if one.place.lane == lane]
        every = [key[number] for number in numbers for key in keys]
        floors = have_floors(every)
        if floors:
            found, sizes = lane_sums(every, system, grid, along, reach)
        else:
            logs = lane_logs(every, system, grid, along, reach)
        for at, number in enumerate(numbers):
            place = keys[0][number].place
            own = slice(at * count, (at + 1) * count)
            if floors:
                rows = found[own, : reach.dims[place].size].reshape(count, -1, points)
                table = rows.swapaxes(0, 1).reshape(-1, count * points)
                size = np.repeat(sizes[own], points)
            else:
                table = np.concatenate([one.reshape(one.shape[0], points) for one in logs[own]], axis=1)
                size = table.max(axis=0)
                table = np.exp(table - size)
            tables[place] = _Table(table, size).times(tables.get(place))
    return tables


def _shares(chains: Sequence[Chain], entries: Sequence[Sequence[Array]]) -> dict[Place, Array]:
    """The share of each depth at each place, (depths, keys)."""
    shares = {}
    for chain, found in zip(chains, entries, strict=True):
        for step, entry in zip(chain.steps, found, strict=True):
            depth = step.symbols[step.entry_symbol, 0]
            table = np.zeros((int(step.symbols.max()) + 1, entry.shape[1]))
            np.add.at(table, depth, entry)
            shares[step.places[0]] = table
    return shares


T = TypeVar("T")

EDGE, SPREAD_EDGE = 1e-9, 1e-6
"""Share of the answer at the ends of the offset's lattice above which the lattice is made longer."""
FURTHEST = 4 * OFFSET_REACH
"""How far the lattice may be made longer, in standard deviations of the offset."""
COUPLED = 64
"""Sets of cuts read across whose coupled chains are kept."""

Read = tuple[tuple[Witness, ...], tuple[PairWitness, ...], tuple[Witness, ...]]
"""What was read: single cuts, pairs of cuts, and those of the single ones that are in no pair."""


@frozen(eq=False)
class Solver:
    """The legal codes of a system as `chains`, `reach` and places `along` the blade, and what is assumed of its keys.

    `cut_wear`: the probabilities that a cut's own mean wear is 1, 2, 4, … times the key's, and the key's is the stated one
    unless it is one unknown (`key_wear`); `finest`: the offset's spacing (see `grid.py`).
    """

    system: System
    model: MeasurementModel
    chains: tuple[Chain, ...]
    reach: Reach
    along: Mapping[Place, float]
    cut_wear: tuple[float, ...] = (1.0,)
    key_wear: bool = True
    finest: float = FINEST
    _joint: dict[frozenset[tuple[Place, Place]], tuple[Chain, ...]] = field(factory=dict, init=False, repr=False)

    def read(self, readings: Readings) -> Read:
        """What the readings of one key say, cut by cut. Raises `BittingError` where they say nothing."""
        witnesses = witnesses_of(readings, self.system, self.model)
        pairs, alone = pairs_of(readings, self.system, self.model, witnesses)
        if not witnesses and not pairs:
            raise BittingError(
                "nothing was measured: every value is open",
                hint="give at least one reading; `?` stands for a cut that could not be measured",
            )
        return witnesses, pairs, alone

    def again(self, witnesses: tuple[Witness, ...], model: MeasurementModel, readings: Readings) -> Read:
        """The same of readings of which another model has the `witnesses`: theirs under this one."""
        if any(cut.track == ACROSS and cut.readings for cut in readings.cuts):
            return self.read(readings)
        if model == self.model:
            return witnesses, (), witnesses
        lanes = self.system.lanes
        own = tuple(
            witness(one.place, one.side, one.values, one.sds, lanes[one.place.lane].track, self.model)
            for one in witnesses
        )
        return own, (), own

    def posterior(self, witnesses: tuple[Witness, ...], pairs: tuple[PairWitness, ...] = ()) -> Posterior:
        """The posterior of one key, on a lattice long enough for it."""
        reach = OFFSET_REACH
        chains = self._coupled(pairs)
        inside = [one for pair in pairs for one in (pair.first, pair.second) if one is not None]
        known = [(one.place, one.information) for one in (*witnesses, *inside)]
        across = [(pair.places[0], pair.information) for pair in pairs]
        while True:
            grid = self._grid(known, reach, across)
            tables = cut_tables(witnesses, self.system, self.model, grid, self.along, self.reach, pairs)
            posterior = solve(sections_of(chains, grid), tables, grid)
            if posterior.shared.edge <= _edge(grid) or reach > FURTHEST:
                return posterior
            reach *= 1.5

    def alike(self, read: Mapping[int, Read], best: int = 0) -> dict[int, tuple[Posterior, list[Ranked] | None]]:
        """The posteriors, and `best` codes, of those of some numbered keys that are quicker taken with others read alike."""

        def taken(numbers: Sequence[int], grid: Grid) -> list[tuple[tuple[Posterior, list[Ranked] | None], float]]:
            block = [read[number][0] for number in numbers]
            solved = solve_alike(self.chains, block, self.system, grid, self.along, self.reach, best) or ()
            return [(one, one[0].shared.edge) for one in solved]

        return self._by_pattern(read, BLOCK, taken)

    def probabilities(self, read: Mapping[int, Read], codes: Mapping[int, Depths]) -> dict[int, float]:
        """The probability of one code of each of those numbered keys that are quicker taken with others read alike."""

        def taken(numbers: Sequence[int], grid: Grid) -> list[tuple[float, float]]:
            block = [read[number][0] for number in numbers]
            rows = [self.reach.rows(codes[number]) for number in numbers]
            found = probabilities_alike(self.chains, block, rows, self.system, grid, self.along, self.reach)
            return [] if found is None else list(zip(*(column.tolist() for column in found), strict=True))

        return self._by_pattern(read, LIGHT, taken)

    def _by_pattern(
        self, read: Mapping[int, Read], most: int, taken: Callable[[Sequence[int], Grid], list[tuple[T, float]]]
    ) -> dict[int, T]:
        """What is `taken` of keys that were read alike, `most` at a time, as far as a lattice that they can share is long enough.

        `taken` gives, for each of some keys, its answer and the share of it at the lattice's ends; nothing at all where
        they must be taken one by one.
        """
        groups: dict[Pattern, list[int]] = {}
        for number, (witnesses, pairs, _) in read.items():
            if not pairs:
                groups.setdefault(Pattern.of(witnesses), []).append(number)
        out: dict[int, T] = {}
        for numbers in groups.values():
            witnesses = read[numbers[0]][0]
            information = [(one.place, one.information) for one in witnesses]
            reach = OFFSET_REACH
            while len(numbers) > 1 and reach <= FURTHEST:
                grid = self._grid(information, reach)
                if not can_share(grid, witnesses):
                    break
                limit = _edge(grid)
                size = block_of(self.chains, grid, most)
                for start in range(0, len(numbers), size):
                    some = numbers[start : start + size]
                    out |= {n: one for n, (one, edge) in zip(some, taken(some, grid), strict=False) if edge <= limit}
                numbers = [number for number in numbers if number not in out]
                reach *= 1.5
        return out

    def _grid(
        self, known: list[tuple[Place, float]], reach: float, across: list[tuple[Place, float]] | None = None
    ) -> Grid:
        grid = grid_for(self.system, self.model, known, reach, across or (), self.finest)
        if not self.model.wear:
            return grid
        if not self.key_wear:
            grid = evolve(grid, scales=(self.model.wear,), log_scale=np.zeros(1))
        return evolve(grid, cut_wear=self.cut_wear)

    def _coupled(self, pairs: tuple[PairWitness, ...]) -> tuple[Chain, ...]:
        """The chains, with cuts that were read across decided together."""
        places = frozenset(pair.places for pair in pairs)
        if not places:
            return self.chains
        if places not in self._joint:
            if len(self._joint) >= COUPLED:
                self._joint.clear()
            ordered = sorted(places, key=lambda pair: (pair[0].lane, pair[0].cut))
            self._joint[places] = couple(self.chains, ordered)
        return self._joint[places]


def _edge(grid: Grid) -> float:
    """The share that the ends of a grid's lattices may have."""
    return SPREAD_EDGE if grid.spread else EDGE
