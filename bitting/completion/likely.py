"""Which candidates are likelier, when readings of the same key are given too.

The candidates are weighed by the measurement model of `bitting.decoding`, over the codes that fit what is written: the
probabilities are those of the whole answer, not of all codes of the system. They are worked out exactly for the
likeliest `RANKED` codes, best first; what little is left then is shared out evenly among the others. A lock's settings
gather the probabilities of the keys that have them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.errors import BittingError
from bitting.model import Place, Readings, System

if TYPE_CHECKING:
    from bitting.diagram import CodeSpace

RANKED = 2_000
"""Codes that are ranked one by one, where not only the first are asked for."""

ENOUGH = 1e-9
"""Probability left over at which the rest need not be ranked."""


@frozen(eq=False)
class Likely:
    """Settings of the cuts asked about, likeliest first, with their probabilities, and the chance of each depth.

    `left_over` is the probability of the keys that were not ranked: the error that any of the probabilities can have.
    """

    settings: tuple[tuple[int, ...], ...]
    probabilities: tuple[float, ...]
    chances: dict[Place, NDArray[np.float64]]
    left_over: float


def likeliest(
    space: CodeSpace, places: tuple[Place, ...], system: System, readings: Readings, wanted: int, most: int
) -> Likely:
    """Rank the settings of `places` that the codes of `space` have: at least `wanted` codes, and at most `most`."""
    from bitting.decoding import Decoder
    from bitting.decoding.kbest import codes_in_order
    from bitting.decoding.witness import witnesses_of

    decoder = Decoder(system, space=space)
    witnesses = witnesses_of(readings, system, decoder.model)
    if not witnesses:
        raise BittingError(
            "nothing was measured: every value is open",
            hint="give at least one reading, or leave the readings out",
        )
    posterior = decoder.posterior(witnesses)
    found: dict[tuple[int, ...], float] = {}
    left_over = 1.0
    for number, ranked in enumerate(codes_in_order(posterior, system)):
        setting = tuple(ranked.depths[place.lane][place.cut] for place in places)
        found[setting] = found.get(setting, 0.0) + ranked.probability
        left_over -= ranked.probability
        if number + 1 >= most or (left_over < ENOUGH and len(found) >= wanted):
            break
    settings = sorted(found, key=lambda setting: (-found[setting], setting))
    chances = {place: np.asarray(posterior.shares[place], np.float64) for place in places}
    return Likely(tuple(settings), tuple(found[s] for s in settings), chances, max(0.0, left_over))
