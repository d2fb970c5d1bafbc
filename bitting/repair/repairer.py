"""From a wrong code to the legal codes that may have been meant; one code is a column of one."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from attrs import frozen

from bitting.diagram import code_space
from bitting.diagram.walk import Legality, legality_of
from bitting.errors import BittingError, TooLargeError
from bitting.model import Code, Depths, System, code_of
from bitting.repair.moves import SignTable
from bitting.repair.search import Column
from bitting.repair.words import change
from bitting.repair.written import Layout, layouts, miscounted, missing, readable, signs_of

KEPT = 8
"""So many systems are kept compiled."""
CLOSE = 60
"""So many columns are kept."""


@frozen
class Nearest:
    """A legal code that may have been meant.

    `code` is its canonical form, `depths` the same as places, `change` the likeliest slips from it to what was written,
    and `probability` its share of the probability of the writing among all legal codes as many slips away.
    """

    code: str
    depths: Depths
    change: str
    probability: float


@frozen
class Answer:
    """The nearest legal codes, likeliest first.

    `slips` is how many slips away they are, `count` how many there are in all. `note` says why there is none, or that they
    are two slips away; else it is "".
    """

    codes: tuple[Nearest, ...]
    note: str = ""
    slips: int = 0
    count: int = 0


class Repairer:
    """One system, compiled once; ready for any number of wrong codes."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.table = SignTable(system)
        self._legality: Legality | None = legality_of(system)
        self._columns: dict[tuple[Layout, ...], Column] = {}

    def nearest(self, code: Code, *, best: int = 5) -> Answer:
        """The `best` likeliest legal codes for what was written.

        Raises BittingError for a code that was read against another system.
        """
        if code.system is not self.system and code.system != self.system:
            raise BittingError(
                "the code was read against another system", hint="parse it with the system it is mended in"
            )
        if not readable(code):
            return Answer((), "no legal code is suggested for a code with open cuts; `complete` lists what fits")
        if tracks := missing(code):
            return Answer((), f"{tracks}; `complete` lists the codes that fit, with a ? for each of them")
        column = self.column(code)
        if column is None:
            return Answer((), self._why_not())
        signs = signs_of(code)
        found = column.nearest(np.array([self.table.numbers(signs)], np.uint16).T)
        slips, count = found.slips.item(0), found.count.item(0)
        if not count and len(wrong := miscounted(code)) > 1:
            return Answer((), f"{' and '.join(wrong)} each have a cut too few or too many: ask for these lists again")
        if not count:
            pairs = ", nor two of the likely slips (other pairs are not looked for, and may lead to one)"
            two = "; two are not looked for on so long a key" if column.too_long else pairs
            return Answer((), f"no legal code is one slip away from this one{two}")
        starts = np.cumsum([lane.track.cuts for lane in self.system.lanes])[:-1]
        codes = []
        for place in range(min(best, count)):
            depths = tuple(tuple(part.tolist()) for part in np.split(found.depths[:, place], starts))
            words = change(column, found.told.item(place), signs)
            codes.append(Nearest(str(code_of(self.system, depths)), depths, words, found.probability.item(place)))
        note = (
            "no single slip leads from a legal code to this one; two of the likely slips lead from these"
            if slips > 1
            else ""
        )
        return Answer(tuple(codes), note, slips, count)

    def _why_not(self) -> str:
        try:
            code_space(self.system)
        except TooLargeError as fault:
            return f"no legal code is suggested: {fault.message}"
        return ""

    def column(self, code: Code) -> Column | None:
        """What answers for all codes written like this one; None where the system is too large."""
        ways = layouts(code)
        if self._legality is None:
            return None
        if ways not in self._columns:
            if len(self._columns) >= CLOSE:
                self._columns.clear()
            self._columns[ways] = Column(self.table, self._legality, ways)
        return self._columns[ways]


@lru_cache(maxsize=KEPT)
def _repairer(system: System) -> Repairer:
    """The repairer of a system, made on first use and kept."""
    return Repairer(system)


def nearest(code: Code, *, best: int = 5) -> Answer:
    """The nearest legal codes to a wrong code of its own system, likeliest first."""
    return _repairer(code.system).nearest(code, best=best)
