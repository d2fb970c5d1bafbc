"""What a measured cut is uncertain by: caliper, hand, digits, zero and jaw, combined after JCGM 100:2008 (GUM).

One reading has a standard uncertainty: the one written with it (±), otherwise the system's `reading_sd`. A part of it
is the caliper's own (its error limits ±a count a/√3, GUM 4.3.7) and stays however often the cut is read; the rest is
the hand, and n readings divide it by √n. To these come half the last digit (step/√12, GUM F.2.2.1; not lessened by
repeats, which show the same digit again), the zero of the caliper where it is stated, and the jaw.

- The caliper's limits are those stated; unstated, ±0.02 mm (DIN 862, digital or 0.02 mm scale, short lengths) but at
  most half of one reading's uncertainty is taken to be its own.
- The jaw: a jaw of some width stands off the bottom of a cut that is narrower, by what cutter and neighbours leave
  standing under it (`bitting/geometry/jaw.py`): by all of it between two shallower neighbours, by something between none
  and all where it can slide away from the one that is shallower. The middle of that is added, and its extent counts as
  a rectangular distribution (/√12).
- When the repeats scatter far more than the stated hand (1 % chance), or when asked, the hand's figure is the repeats'
  own pooled standard deviation; the answer then uses Student's t with the effective degrees of freedom of the
  Welch-Satterthwaite formula, truncated (GUM G.4.1).
- `offset_sd` never goes in: it speaks of a strange key, not of the caliper.

How likely a sum of squares is to be as large as this or larger: the upper tail of the chi-square distribution.

For whole degrees of freedom it is a finite sum (NIST/SEMATECH e-Handbook, 1.3.6.6.6; M. Abramowitz and I. A. Stegun,
Handbook of Mathematical Functions, 26.4.4 and 26.4.5), so nothing is approximated, and the command need not wait for
scipy.

>>> round(upper_tail(3.841458820694124, 1), 9), round(upper_tail(18.307038053275146, 10), 9)
(0.05, 0.05)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from attrs import frozen

from bitting.errors import BittingError
from bitting.model import ReadCut, Reading, System
from bitting.model.system import DEFAULTS


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


CALIPER_LIMIT_MM = 0.02
"""Error limits of a caliper with 0.01 or 0.02 mm steps up to 100 mm (DIN 862; see tests/reference/calipers.toml)."""


@frozen
class Gauge:
    """How the key was measured; lengths in the system's unit, None: what the system file says, or the default above.

    `caliper`: half-width of the instrument's error limits. `hand`: standard uncertainty of one reading without the
    instrument, or "repeats" to estimate it from the repeated readings. `zero`: standard uncertainty of the zero. `jaw`:
    width of the jaw's edge (0: a knife edge).
    """

    caliper: float | None = None
    hand: float | Literal["repeats"] | None = None
    zero: float = 0.0
    jaw: float | None = None


@frozen
class Budget:
    """The standard uncertainties that make up one measured cut, in the system's unit, and the total.

    `dof` is the effective number of degrees of freedom, None: as good as infinite. `own` is what each cut has by
    itself, without caliper and zero, which all cuts have in common.
    """

    caliper: float
    hand: float
    rounding: float
    zero: float
    jaw: float
    dof: int | None = None

    @property
    def total(self) -> float:
        """Combined standard uncertainty (GUM eq. 10)."""
        return math.hypot(self.caliper, self.hand, self.rounding, self.zero, self.jaw)

    @property
    def own(self) -> float:
        """What each cut has by itself."""
        return math.hypot(self.hand, self.rounding, self.jaw)


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Welch-Satterthwaite (GUM eq. G.2b) for (standard uncertainty, degrees of freedom) of every part."""
    total = sum(u * u for u, _ in parts)
    weight = sum(u**4 / dof for u, dof in parts if not math.isinf(dof))
    return math.inf if weight == 0 else total * total / weight


def split(reading_sd: float, gauge: Gauge, system: System) -> tuple[float, float]:
    """The caliper's part and the hand's part of one reading that has nothing written with it."""
    if gauge.caliper is None:
        instrument = min(system.from_mm(CALIPER_LIMIT_MM) / math.sqrt(3), reading_sd / 2)
    else:
        instrument = gauge.caliper / math.sqrt(3)
    if isinstance(gauge.hand, float | int):
        return instrument, float(gauge.hand)
    return instrument, math.sqrt(max(0.0, reading_sd**2 - instrument**2))


def reading_sd_of(system: System) -> float:
    """Standard uncertainty of one reading: the system's, or the default."""
    stated = system.measuring.reading_sd
    return system.from_mm(DEFAULTS["reading_sd"]) if stated is None else stated


def parts(reading: Reading, gauge: Gauge, system: System) -> tuple[float, float]:
    """The caliper's part and the hand's part of one reading; what was written with it stands as a whole."""
    instrument, hand = (reading.share * part for part in split(reading_sd_of(system), gauge, system))
    if reading.own_sd is None:
        return instrument, hand
    if gauge.caliper is None:
        instrument = min(system.from_mm(CALIPER_LIMIT_MM) / math.sqrt(3), reading.own_sd / 2)
    instrument = min(instrument, reading.own_sd)
    return instrument, math.sqrt(reading.own_sd**2 - instrument**2)


def measure(
    cut: ReadCut, gauge: Gauge, system: System, jaw: float = 0.0, scatter: tuple[float, int] | None = None
) -> tuple[float, Budget]:
    """Mean of the readings of one cut (weighted where their ± differ) and its budget; the cut must have a reading.

    `jaw` is the standard uncertainty of what the jaw stands off; `scatter` is the repeats' own standard deviation with
    its degrees of freedom, where that takes the place of the hand's stated figure.
    """
    split_parts = [parts(r, gauge, system) for r in cut.readings]
    if scatter is not None:
        split_parts = [(instrument, scatter[0]) for instrument, _ in split_parts]
    floor = system.from_mm(1e-9)
    weights = [1 / max(i * i + h * h, floor) for i, h in split_parts]
    whole = sum(weights)
    shares = [w / whole for w in weights]
    mean = sum(s * r.value for s, r in zip(shares, cut.readings, strict=True))
    caliper = sum(s * i for s, (i, _) in zip(shares, split_parts, strict=True))
    hand = math.sqrt(sum((s * h) ** 2 for s, (_, h) in zip(shares, split_parts, strict=True)))
    rounding = sum(s * r.digit for s, r in zip(shares, cut.readings, strict=True)) / math.sqrt(12)
    zero = gauge.zero * max(r.share for r in cut.readings)
    budget = Budget(caliper, hand, rounding, zero, jaw)
    if scatter is not None and hand > 0:
        others = math.hypot(caliper, rounding, zero, jaw)
        dof = effective_dof([(hand, scatter[1]), (others, math.inf)])
        budget = Budget(caliper, hand, rounding, zero, jaw, max(1, math.floor(dof)))
    return mean, budget


def hand_scatter(cuts: Sequence[ReadCut], gauge: Gauge, system: System) -> tuple[tuple[float, int] | None, str]:
    """Whether the repeats' own scatter takes the place of the hand's stated figure, and a sentence saying so.

    Returns (pooled standard deviation, degrees of freedom), or None where the stated figure stands. Raises
    BittingError when the scatter is asked for and no cut was read twice.
    """
    squares, dof, against = 0.0, 0, 0.0
    for cut in cuts:
        if len(cut.readings) < 2:
            continue
        middle = sum(r.value for r in cut.readings) / len(cut.readings)
        stated = [parts(r, gauge, system)[1] ** 2 + r.digit**2 / 12 for r in cut.readings]
        total = sum((r.value - middle) ** 2 for r in cut.readings)
        squares += total
        against += total / max(sum(stated) / len(stated), 1e-18)
        dof += len(cut.readings) - 1
    if gauge.hand == "repeats":
        if not dof:
            raise BittingError(
                "the hand's uncertainty can't be estimated from repeats: no cut was read twice",
                hint="join repeated readings of a cut with `|`, as in `7.42|7.40`, or state the hand's figure",
            )
        return (math.sqrt(squares / dof), dof), f"hand estimated from the repeats, {dof} degrees of freedom"
    if not dof:
        return None, ""
    if upper_tail(against, dof) >= 0.01:
        return None, ""
    return (math.sqrt(squares / dof), dof), (
        f"the repeats scatter more than the stated uncertainty of one reading allows ({against / dof:.1f} times the "
        "variance), so their own scatter is used: clean the jaws and the key, and measure again"
    )
