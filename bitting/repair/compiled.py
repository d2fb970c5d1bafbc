"""From a wrong code to the legal codes that may have been meant."""

from __future__ import annotations

from functools import lru_cache

from attrs import frozen

from bitting.diagram import CodeSpace, code_space
from bitting.errors import BittingError, TooLargeError
from bitting.model import Code, Depths, System, code_of
from bitting.repair.block import Block, Key
from bitting.repair.possible import possible
from bitting.repair.search import Found, best_first, mass
from bitting.repair.signs import SignTable
from bitting.repair.trellis import Trellis, Walk
from bitting.repair.words import change, weights
from bitting.repair.written import readable, readings, shared_out

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
        self._space: CodeSpace | None = None
        self._why_not = ""
        self._table = SignTable(system)
        self._blocks: dict[Key, Block] = {}
        try:
            self._space = code_space(system)
            self._walk = Walk.of(self._space)
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

    def block(self, code: Code) -> Block | None:
        """What answers for many codes written like this one, each with one list per lane; None where nothing does.

        That is so where the system is too large, or the lists may be taken in several ways.
        """
        ways = list(shared_out(code))
        if self._space is None or len(ways) != 1:
            return None
        streams, rows, _ = ways[0]
        lanes = self.system.lanes
        if [stream.lane for stream in streams] != list(range(len(lanes))):
            return None
        key = streams, tuple(map(len, rows))
        if key not in self._blocks:
            self._blocks[key] = Block(self._space, self._table, *key)
        return self._blocks[key]

    def change(self, code: Code, depths: Depths) -> str:
        """The likeliest slips from a legal code to what was written, in words."""
        known = tuple(readings(code))
        by_reading = weights(self.system, known, depths)
        return change(self.system, known, Found(depths, sum(by_reading.values()), by_reading))


@lru_cache(maxsize=KEPT)
def repairer(system: System) -> Repairer:
    """The repairer of a system, made on first use and kept."""
    return Repairer(system)


def nearest(code: Code, *, best: int = 5) -> Answer:
    """The nearest legal codes to a wrong code of its own system, likeliest first."""
    return repairer(code.system).nearest(code, best=best)
