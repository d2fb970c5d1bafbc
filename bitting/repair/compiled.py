"""From a wrong code to the legal codes that may have been meant."""

from __future__ import annotations

from functools import lru_cache

from attrs import frozen

from bitting.diagram import code_space
from bitting.errors import BittingError, TooLargeError
from bitting.model import Code, Depths, System, code_of
from bitting.repair.possible import possible
from bitting.repair.search import best_first, mass
from bitting.repair.trellis import Trellis, Walk
from bitting.repair.words import change
from bitting.repair.written import readable, readings

KEPT = 8
"""So many systems are kept compiled."""


@frozen
class Nearest:
    """A legal code that may have been meant.

    `code` is its canonical form, `depths` the same as places, `change` the likeliest slips from it to what was written,
    and `probability` its share of the probability of the writing among all legal codes within reach of the slips.
    """

    code: str
    depths: Depths
    change: str
    probability: float


@frozen
class Answer:
    """The nearest legal codes, likeliest first; `note` says why there is none, and is "" where there are some."""

    codes: tuple[Nearest, ...]
    note: str = ""


class Repairer:
    """One system, compiled once; ready for any number of wrong codes."""

    def __init__(self, system: System) -> None:
        self.system = system
        self._walk: Walk | None = None
        self._why_not = ""
        try:
            self._walk = Walk.of(code_space(system))
        except TooLargeError as fault:
            self._why_not = f"no legal code is suggested: {fault.message}"

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
        if self._walk is None:
            return Answer((), self._why_not)
        walk = self._walk
        known = tuple(reading for reading in readings(code) if possible(walk, reading))
        trellis = Trellis(walk, known)
        whole = mass(trellis)
        if not whole:
            return Answer((), "no legal code is within two slips of this one")
        found = best_first(trellis, best)
        return Answer(
            tuple(
                Nearest(str(code_of(self.system, f.depths)), f.depths, change(self.system, known, f), f.weight / whole)
                for f in found
            )
        )


@lru_cache(maxsize=KEPT)
def repairer(system: System) -> Repairer:
    """The repairer of a system, made on first use and kept."""
    return Repairer(system)


def nearest(code: Code, *, best: int = 5) -> Answer:
    """The nearest legal codes to a wrong code of its own system, likeliest first."""
    return repairer(code.system).nearest(code, best=best)
