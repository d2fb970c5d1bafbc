"""Control charts: is the machine drifting, or is this only scatter?

Two charts of the same values, one per setup key in the order they were cut:

- *Shewhart* chart for individuals: centre ± 3 s, where s is the mean moving range of neighbours over d2(2) = 2/√π = 1.128
  (the expected range of two standard normal values; the usual rounded form of the limits is ± 2.66 mean ranges). It sees
  a sudden jump.
- *EWMA* (exponentially weighted moving average): z_i = λ x_i + (1 − λ) z_(i−1), z_0 = the centre, limits
  centre ± L s √(λ/(2 − λ) · (1 − (1 − λ)^(2i))) (λ = 0.2, L = 3). It sees a slow drift early.

Both formulas are in the textbooks and handbooks of statistical process control (from memory: NIST/SEMATECH e-Handbook,
6.3.2.2 and 6.3.2.4; the tests work its two examples).

>>> chart = shewhart([0.01, -0.01, 0.02, 0.00, 0.01, 0.15])
>>> chart.signals
(5,)
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from attrs import frozen

D2 = 2 / math.sqrt(math.pi)
"""Expected range of two standard normal values."""

BASELINE = 20
"""So many first values at most set centre and limits; those after them are only judged."""

ENOUGH = 8
"""With fewer values than this the limits are provisional."""


@frozen
class Chart:
    """A chart: the plotted points, the centre, each point's limits, and the places (from 0) of points outside them."""

    points: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]

    @property
    def signals(self) -> tuple[int, ...]:
        """Places, counted from 0, of the points outside their limits."""
        rows = zip(self.points, self.lower, self.upper, strict=True)
        return tuple(i for i, (x, low, high) in enumerate(rows) if not low <= x <= high)


def moving_sigma(values: Sequence[float]) -> float:
    """Standard deviation from the mean moving range of two; 0 for fewer than two values."""
    ranges = [abs(b - a) for a, b in zip(values, values[1:], strict=False)]
    return sum(ranges) / len(ranges) / D2 if ranges else 0.0


def _baseline(values: Sequence[float], centre: float | None, sigma: float | None) -> tuple[float, float]:
    first = values[: max(BASELINE, 1)]
    middle = sum(first) / len(first) if centre is None else centre
    return middle, moving_sigma(first) if sigma is None else sigma


def shewhart(values: Sequence[float], centre: float | None = None, sigma: float | None = None) -> Chart:
    """Individuals chart of at least one value; centre and sigma come from the first 20 values where they aren't given."""
    middle, s = _baseline(values, centre, sigma)
    count = len(values)
    return Chart(tuple(values), middle, (middle - 3 * s,) * count, (middle + 3 * s,) * count)


def ewma(
    values: Sequence[float],
    centre: float | None = None,
    sigma: float | None = None,
    weight: float = 0.2,
    width: float = 3.0,
) -> Chart:
    """EWMA chart of at least one value; `weight` is λ and `width` L in the formula above."""
    middle, s = _baseline(values, centre, sigma)
    points, limits, last = [], [], middle
    for i, value in enumerate(values, start=1):
        last = weight * value + (1 - weight) * last
        points.append(last)
        limits.append(width * s * math.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i))))
    return Chart(
        tuple(points), middle, tuple(middle - half for half in limits), tuple(middle + half for half in limits)
    )
