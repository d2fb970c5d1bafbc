"""Posteriors of the keys of one system under one model, one by one or many that were read alike.

The lattice of the shared error is made longer where the answer leans on its ends. (`decoder.py` makes answers of them.)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

import numpy as np
from attrs import evolve, field, frozen

from bitting.decoding.across import PairWitness, pairs_of
from bitting.decoding.alike import BLOCK, LIGHT, block_of, can_share, probabilities_alike, solve_alike
from bitting.decoding.compiled import Chain, couple
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.fit import Pattern
from bitting.decoding.grid import FINEST, OFFSET_REACH, Grid, grid_for
from bitting.decoding.kbest import Ranked
from bitting.decoding.posterior import Posterior, sections_of, solve
from bitting.decoding.reach import Reach
from bitting.decoding.tables import cut_tables
from bitting.decoding.witness import ACROSS, Witness, witness, witnesses_of
from bitting.errors import BittingError
from bitting.model import Depths, Place, Readings, System

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
