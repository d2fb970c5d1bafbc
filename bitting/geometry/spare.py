"""How much deeper than its neighbour a cut may be before the cutter takes metal that has to stay.

A vee of included angle α and root f at a cut D deeper than its neighbour, s away, spares the neighbour's flat where
f/2 + D·tan(α/2) + f/2 <= s (the quotient in a wiki page on MACS that credits a handbook of 2007; the floor is derived).
An end mill of radius r spares a flat of width f there where D <= r - sqrt(r² - e²) with e = s - f/2, and always where
e >= r (derived).

>>> round(vee_limit(4.0, 1.4, 1.4, 90), 6), round(round_limit(2.0, 1.6, 0.4) or 0, 6), round_limit(1.0, 2.0, 0.4)
(2.6, 0.571714, None)
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, radians, sqrt, tan

from bitting.geometry.figures import EXACT
from bitting.model import Cutting


def vee_limit(spacing: float, flat: float, root: float, angle: float) -> float:
    """The largest difference of depth (a length) at which a vee spares a flat of its neighbour; negative: none does."""
    return (spacing - flat / 2 - root / 2) / tan(radians(angle) / 2)


def round_limit(r: float, spacing: float, flat: float) -> float | None:
    """The largest difference of depth at which an end mill spares a flat of its neighbour; None: any does."""
    e = spacing - flat / 2
    if e >= r - EXACT:  # near r the limit is so sensitive that a last binary digit would decide
        return None
    return r - sqrt(r * r - e * e) if e > 0 else 0.0


def spared(cutting: Cutting, apart: float, flat: float) -> float | None:
    """The same for the system's own cutter, which must be stated; None: any difference does."""
    if cutting.shape == "vee":
        return vee_limit(apart, flat, cutting.root or 0.0, cutting.angle or 90.0)
    return round_limit((cutting.cutter or 0.0) / 2, apart, flat)


def deepest_alone(cutting: Cutting, depths: Sequence[float], spaces: Sequence[float], cut: int, seat: float) -> int:
    """The place in the depth table of the deepest cut that spares the seats beside it where all others are the shallowest.

    `cut` counts from 0; the cutter must be stated.
    """
    limits = [spared(cutting, abs(space - spaces[cut]), seat) for i, space in enumerate(spaces) if i != cut]
    room = min((limit for limit in limits if limit is not None), default=inf)
    return max(place for place, depth in enumerate(depths) if place == 0 or abs(depth - depths[0]) <= room + EXACT)


def groove_room(cutting: Cutting, apart: float) -> float:
    """The width that an end mill needs between the wall it works and a seat of the opposite wall, so far along the blade."""
    r, beside = (cutting.cutter or 0.0) / 2, max(apart - (cutting.seat or 0.0) / 2, 0.0)
    return r + sqrt(r * r - beside * beside) if beside < r else 0.0
