"""How likely a sum of squares is to be as large as this or larger: the upper tail of the chi-square distribution.

For whole degrees of freedom it is a finite sum (NIST/SEMATECH e-Handbook, 1.3.6.6.6; M. Abramowitz and I. A. Stegun,
Handbook of Mathematical Functions, 26.4.4 and 26.4.5), so nothing is approximated, and the command need not wait for
scipy.

>>> round(upper_tail(3.841458820694124, 1), 9), round(upper_tail(18.307038053275146, 10), 9)
(0.05, 0.05)
"""

from __future__ import annotations

import math


def upper_tail(value: float, dof: int) -> float:
    """Probability that a chi-square variable with `dof` (at least 1) degrees of freedom exceeds `value` (at least 0)."""
    half = value / 2
    if half == 0:
        return 1.0
    if dof % 2:
        total, k = math.erfc(math.sqrt(half)), 0.5
    else:
        total, k = math.exp(-half), 1.0
    while k < dof / 2:
        total += math.exp(k * math.log(half) - half - math.lgamma(k + 1))
        k += 1
    return min(1.0, total)
