"""Posteriors of the keys of one system under one model, one by one or many that were read alike.

The lattice of the shared error is made longer where the answer leans on its ends. (`decoder.py` makes answers of them.)
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve, field, frozen

from bitting.decoding.across import PairWitness, pairs_of
from bitting.decoding.alike import block_of, can_share, solve_alike
from bitting.decoding.compiled import Chain, couple
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.fit import Pattern
from bitting.decoding.grid import OFFSET_REACH, Grid, grid_for
from bitting.decoding.kbest import Ranked
from bitting.decoding.posterior import Posterior, sections_of, solve
from bitting.decoding.reach import Reach
from bitting.decoding.tables import cut_tables
from bitting.decoding.witness import Witness, witnesses_of
from bitting.errors import BittingError
from bitting.model import Place, Readings, System

EDGE, SPREAD_EDGE = 1e-9, 1e-6
"""Share of the answer at the ends of the offset's lattice above which the lattice is made longer."""
COUPLED = 64
"""Sets of cuts read across whose coupled chains are kept."""

Read = tuple[tuple[Witness, ...], tuple[PairWitness, ...], tuple[Witness, ...]]
"""What was read: single cuts, pairs of cuts, and those of the single ones that are in no pair."""


@frozen(eq=False)
class Solver:
    """The legal codes of a system as `chains`, `reach` and places `along` the blade, and what is assumed of its keys.

    `cut_wear`: the probabilities that a cut's own mean wear is 1, 2, 4, … times the key's (see `grid.py`).
    """

    system: System
    model: MeasurementModel
    chains: tuple[Chain, ...]
    reach: Reach
    along: Mapping[Place, float]
    cut_wear: tuple[float, ...] = (1.0,)
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
            if posterior.shared.edge <= (SPREAD_EDGE if grid.spread else EDGE) or reach > 4 * OFFSET_REACH:
                return posterior
            reach *= 1.5

    def alike(self, read: Mapping[int, Read], best: int = 0) -> dict[int, tuple[Posterior, list[Ranked] | None]]:
        """The posteriors, and `best` codes, of those of some numbered keys that are quicker taken with others read alike."""
        groups: dict[Pattern, list[int]] = {}
        for number, (witnesses, pairs, _) in read.items():
            if not pairs:
                groups.setdefault(Pattern.of(witnesses), []).append(number)
        out: dict[int, tuple[Posterior, list[Ranked] | None]] = {}
        for numbers in groups.values():
            out |= self._together({number: read[number][0] for number in numbers}, best)
        return out

    def _together(
        self, keys: dict[int, tuple[Witness, ...]], best: int
    ) -> dict[int, tuple[Posterior, list[Ranked] | None]]:
        """Posteriors and best codes of keys that were read alike, as far as a lattice that they can share is long enough."""
        out: dict[int, tuple[Posterior, list[Ranked] | None]] = {}
        witnesses = next(iter(keys.values()))
        information = [(one.place, one.information) for one in witnesses]
        reach = OFFSET_REACH
        while len(keys) > 1 and reach <= 4 * OFFSET_REACH:
            grid = self._grid(information, reach)
            if not can_share(grid, witnesses):
                break
            numbers = list(keys)
            limit = SPREAD_EDGE if grid.spread else EDGE
            size = block_of(self.chains, grid)
            for start in range(0, len(numbers), size):
                some = numbers[start : start + size]
                block = [keys[number] for number in some]
                solved = solve_alike(self.chains, block, self.system, grid, self.along, self.reach, best) or ()
                out |= {n: one for n, one in zip(some, solved, strict=False) if one[0].shared.edge <= limit}
            keys = {number: rest for number, rest in keys.items() if number not in out}
            reach *= 1.5
        return out

    def _grid(
        self, known: list[tuple[Place, float]], reach: float, across: list[tuple[Place, float]] | None = None
    ) -> Grid:
        grid = grid_for(self.system, self.model, known, reach, across or ())
        return evolve(grid, cut_wear=self.cut_wear) if self.model.wear else grid

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
