"""Posteriors of the keys of one system under one model: readings to likelihoods, grid, tables, sums. (`decoder.py` answers.)"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import field, frozen

from bitting.decoding.across import PairLikelihood, pairs_of
from bitting.decoding.grid import FINEST, grid_for
from bitting.decoding.jaw import Reach
from bitting.decoding.likelihood import CutLikelihood, likelihoods_of
from bitting.decoding.model import MeasurementModel
from bitting.decoding.posterior import Posterior, sections_of, solve
from bitting.decoding.tables import crop, cut_tables
from bitting.diagram.trellis import Trellis, couple
from bitting.errors import BittingError
from bitting.model import Place, Readings, System

COUPLED = 64
"""Sets of cuts read across whose coupled trellises are kept."""


@frozen(eq=False)
class Read:
    """What was read of one key: `cuts` of single tracks, `pairs` of cuts read across, and `alone`, those in no pair."""

    cuts: tuple[CutLikelihood, ...]
    pairs: tuple[PairLikelihood, ...]
    alone: tuple[CutLikelihood, ...]

    @property
    def every(self) -> tuple[CutLikelihood, ...]:
        """Everything that was read, of single cuts and across."""
        return (*self.cuts, *self.pairs)


@frozen(eq=False)
class Solver:
    """The legal codes of a system as `trellises`, `reach` and places `along` the blade, and what is assumed of its keys.

    `finest` is the spacing of the offset, in standard deviations of what all readings say of it.
    """

    system: System
    model: MeasurementModel
    trellises: tuple[Trellis, ...]
    reach: Reach
    along: Mapping[Place, float]
    finest: float = FINEST
    _joint: dict[frozenset[tuple[Place, ...]], tuple[Trellis, ...]] = field(factory=dict, init=False, repr=False)

    def read(self, readings: Readings) -> Read:
        """What the readings of one key say, cut by cut. Raises `BittingError` where they say nothing."""
        cuts = likelihoods_of(readings, self.system, self.model)
        pairs, alone = pairs_of(readings, self.system, self.model, cuts)
        if not cuts and not pairs:
            raise BittingError(
                "nothing was measured: every value is open",
                hint="give at least one reading; `?` stands for a cut that could not be measured",
            )
        return Read(cuts, pairs, alone)

    def posterior(self, read: Read) -> Posterior:
        """The posterior of one key."""
        known = [(one.place, one.information) for one in read.cuts]
        across = [(pair.places[0], pair.information) for pair in read.pairs]
        grid = grid_for(self.system, self.model, known, across, self.finest)
        grid = crop(grid, read.cuts, self.system, self.model, self.along, self.reach, whole=bool(read.pairs))
        tables = cut_tables(read.alone, self.system, self.model, grid, self.along, self.reach, read.pairs)
        return solve(sections_of(self._coupled(read.pairs), grid), tables, grid)

    def _coupled(self, pairs: tuple[PairLikelihood, ...]) -> tuple[Trellis, ...]:
        """The trellises, with cuts that were read across decided together."""
        places = frozenset(pair.places for pair in pairs)
        if not places:
            return self.trellises
        if places not in self._joint:
            if len(self._joint) >= COUPLED:
                self._joint.clear()
            ordered = sorted(places, key=lambda pair: (pair[0].lane, pair[0].cut))
            self._joint[places] = couple(self.trellises, [(pair[0], pair[1]) for pair in ordered])
        return self._joint[places]
