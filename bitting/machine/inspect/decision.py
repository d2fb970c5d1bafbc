"""Decision rules for a measured value beside its limits, after JCGM 106:2012.

A measured value `y` with standard uncertainty `u` says of the true value: normal around `y` with sd `u` (Student's t
with `dof` degrees of freedom where the uncertainty itself was estimated from few repeats, JCGM 100:2008 G.3). No
knowledge of what keys this machine usually makes goes in. The *conformance probability* is the share of that between
the limits (JCGM 106, 7.3 and 7.4). A *guard* says when it is enough: a least probability (95 % unless told otherwise),
or a guard band of so many `u` inside the limits (JCGM 106, 8.3.2, which quotes 2u from ISO 14253-1).

Far from the other limit 95 % is a guard band of 1.64 u; the band is computed here for both limits together, so near
u = tolerance / 1.96 it is wider, and past that no reading can pass.

Source of the first example: JCGM 106:2012, 7.4 (0.66).

>>> round(conformance(13.6, 1.8, 12.5, 16.3), 2)
0.66
>>> Guard.parse("2u"), Guard.parse("90 %")
(Guard(kind='band', value=2.0), Guard(kind='probability', value=0.9))
"""

from __future__ import annotations

import math
import re
from typing import Literal

from attrs import frozen

from bitting.errors import BittingError

_GUARD = re.compile(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*(u|%|)\s*", re.IGNORECASE)


@frozen
class Guard:
    """When a verdict is certain enough: `probability` at least `value`, or `band` of `value` times u past the limit."""

    kind: Literal["probability", "band"] = "probability"
    value: float = 0.95

    @classmethod
    def parse(cls, text: str) -> Guard:
        """`95%`, `0.95` or `2u`; raises BittingError on anything else, and on a probability not above 50 %."""
        found = _GUARD.fullmatch(text)
        hint = "give a probability between 50 and 100 % (`95%`, `0.95`) or a guard band (`2u`)"
        if not found:
            raise BittingError(f"{text!r} is no guard", hint=hint)
        number, unit = float(found[1].replace(",", ".")), found[2].lower()
        if unit == "u":
            return cls("band", number)
        value = number / 100 if unit == "%" else number
        if not 0.5 < value < 1:
            raise BittingError(f"{text!r} is no guard: a probability lies between 50 and 100 %", hint=hint)
        return cls("probability", value)

    @property
    def words(self) -> str:
        return f"{self.value:.4g}u" if self.kind == "band" else f"{100 * self.value:.4g} %"

    def factor(self, dof: float | None = None) -> float:
        """The guard band beside one limit, in u, as long as the other limit is far away."""
        return self.value if self.kind == "band" else quantile(self.value, dof)


def below(z: float, dof: float | None = None) -> float:
    """Probability that a standard normal variable (Student's t with `dof`) lies below `z`."""
    if dof is None or math.isinf(dof):
        return 0.5 * math.erfc(-z / math.sqrt(2))
    from scipy.special import stdtr  # only uncertainties estimated from repeats pay for scipy

    return float(stdtr(dof, z))


def quantile(p: float, dof: float | None = None) -> float:
    """The value below which a standard normal variable (Student's t with `dof`) lies with probability `p`."""
    if dof is None or math.isinf(dof):
        from statistics import NormalDist

        return NormalDist().inv_cdf(p)
    from scipy.special import stdtrit

    return float(stdtrit(dof, p))


def beyond(y: float, u: float, limit: float, dof: float | None = None) -> float:
    """Probability that the true value lies above `limit`; with u = 0 it is 0 or 1, and on the limit 0."""
    if u <= 0:
        return 1.0 if y > limit else 0.0
    return below((y - limit) / u, dof)


def conformance(y: float, u: float, lower: float | None, upper: float | None, dof: float | None = None) -> float:
    """Probability that the true value lies between the limits; None is no limit on that side (JCGM 106, 7.3, 7.4)."""
    over = 0.0 if upper is None else beyond(y, u, upper, dof)
    under = 0.0 if lower is None else beyond(-y, u, -lower, dof)
    return max(0.0, 1.0 - over - under)


Verdict = Literal["pass", "fail", "recut", "uncertain"]


def decide(too_deep: float, u: float, tolerance: float, guard: Guard, dof: float | None = None) -> Verdict:
    """The verdict on a cut that was found `too_deep` by so much (negative: too shallow) with uncertainty `u`."""
    if guard.kind == "band":
        edge = tolerance - abs(too_deep)
        if edge >= guard.value * u:
            return "pass"
        surely_out = edge < -guard.value * u
    else:
        if conformance(too_deep, u, -tolerance, tolerance, dof) >= guard.value:
            return "pass"
        surely_out = beyond(abs(too_deep), u, tolerance, dof) >= guard.value and abs(too_deep) > tolerance
    if not surely_out:
        return "uncertain"
    return "fail" if too_deep > 0 else "recut"


def acceptance(u: float, tolerance: float, guard: Guard, dof: float | None = None) -> float | None:
    """Half the width of the window of values that pass, around the nominal; None when none does at this uncertainty."""
    if guard.kind == "band":
        half = tolerance - guard.value * u
        return half if half >= 0 else None
    if u <= 0:
        return tolerance
    if conformance(0.0, u, -tolerance, tolerance, dof) < guard.value:
        return None
    low, high = 0.0, tolerance
    for _ in range(60):  # the probability falls steadily away from the nominal; a root finder would cost an import
        middle = (low + high) / 2
        if conformance(middle, u, -tolerance, tolerance, dof) >= guard.value:
            low = middle
        else:
            high = middle
    return low


def largest_uncertainty(tolerance: float, guard: Guard) -> float:
    """The standard uncertainty above which no reading can prove this tolerance."""
    if guard.kind == "band":
        return math.inf if guard.value == 0 else tolerance / guard.value
    return tolerance / quantile((1 + guard.value) / 2)
