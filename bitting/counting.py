"""How many codes a system has: exact integers of any size, counted on the diagram and never by listing.

>>> from bitting.systemfile import load_system
>>> counted = count_codes(load_system("plover"))
>>> counted.count == counted.per_track["left"] * counted.per_track["right"]  # nothing couples its tracks
True
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from math import log2, prod
from numbers import Integral
from typing import ClassVar

from attrs import frozen

from bitting.errors import BittingError
from bitting.model import Code, System, code_of
from bitting.model.expect import expect
from bitting.model.value import Answer


@frozen
class Counted(Answer):
    """`count` legal codes; `per_track` under the rules that speak of one track alone; `unruled` with no rule at all.

    `share` is count / unruled; `bits` is log2(count), None for a system without a legal code.
    """

    derived: ClassVar = ("share", "bits")

    system: str
    count: int
    per_track: Mapping[str, int]
    unruled: int
    per_track_unruled: Mapping[str, int]

    @property
    def share(self) -> float:
        """The part of all conceivable codes that is legal."""
        return self.count / self.unruled

    @property
    def bits(self) -> float | None:
        """How many yes-or-no questions a code answers."""
        return log2(self.count) if self.count else None

    @property
    def coupled(self) -> bool:
        """Whether a rule ties tracks together, so that the count is not the product of the tracks'."""
        return self.count != prod(self.per_track.values())


def count_codes(system: System) -> Counted:
    """Count a system's legal codes. Raises `TooLargeError` where a rule blows the diagram up."""
    expect(System, system)
    from bitting.diagram import code_space, lane_space

    lanes = system.lanes
    free = {lane.label: len(lane.track.labels) ** lane.track.cuts for lane in lanes}
    own = {lane.label: lane_space(system, i).count for i, lane in enumerate(lanes)}
    return Counted(system.name, code_space(system).count, own, prod(free.values()), free)


def chance(system: System) -> float:
    """The share of all codes of a system's shape that are legal: how likely one written at random is."""
    return float(count(system) / prod(len(lane.track.labels) ** lane.track.cuts for lane in system.lanes))


@frozen
class Numbered(Answer):
    """A code and its number (from 1) in the order in which codes are listed, of `count`."""

    system: str
    code: str
    number: int
    count: int


def number_of(code: Code) -> Numbered:
    """The number of a legal code. Raises `BittingError` for a code that is open, not whole, or not legal."""
    expect(Code, code)
    from bitting.diagram import code_space

    depths = code.depths
    if depths is None:
        raise BittingError("only a whole, exact code has a number", hint="`check` says what is missing")
    space = code_space(code.system)
    return Numbered(code.system.name, str(code), space.rank(depths) + 1, space.count)


def code_at(system: System, number: int) -> Numbered:
    """The code with a number, from 1. Raises `BittingError` past the last."""
    expect(System, system)
    expect(Integral, number)
    from bitting.diagram import code_space

    space = code_space(system)
    return Numbered(system.name, str(code_of(system, space.unrank(number - 1))), number, space.count)


def count(system: System) -> int:
    """The exact number of legal codes of a system."""
    from bitting.diagram import code_space

    return code_space(system).count


def sample(system: System, number: int = 1, *, seed: int | None = None) -> tuple[Code, ...]:
    """Legal codes drawn at random, each as likely as any other; a seed draws the same ones again.

    Raises `BittingError` for a system without a legal code.
    """
    from bitting.diagram import code_space

    expect(Integral, number)
    if number < 0:
        raise BittingError(f"{number} codes can't be drawn", hint="ask for 0 or more")
    if seed is None:
        seed = secrets.randbits(63)
    return tuple(code_of(system, depths) for depths in code_space(system).sample(number, seed))
