"""How strongly codes known to be good speak for a rule.

If a rule were none, codes drawn uniformly from those that the other rules leave would break it now and then: a share
`1 - with / without` of them, where `with` and `without` are exact counts of the legal codes with the rule and without it
(with the next looser member of its family instead, where there is one). The evidence is the chance that of N such codes so
few break it, a binomial tail; of codes that may be wrong a share P is taken to tell nothing. Many rules are tried on
the same codes, so the chance is multiplied by their number (Bonferroni; from memory), and a rule is proposed only where the
product is at most `LIMIT`.

>>> abs(exp(log_chance(0, 50, 0.2)) / 0.8**50 - 1) < 1e-12
True
>>> more_codes(0, 50, 0.2, tried=100)   # so many codes on top of the 50: 0.8**42 * 100 is below 0.01 already
0
>>> more_codes(0, 50, 0.01, tried=100)
867
"""

from __future__ import annotations

from bisect import bisect_left
from math import exp, log, log1p

from attrs import frozen

LIMIT = 0.01
"""Most that the corrected chance of a proposed rule may be."""
UNLIKELY = 0.001
"""So many bad codes are too many, where the share said would bring them with less than this chance."""
MOST_CODES = 10**9
"""More codes than anyone has; an open rule that needs more is one that codes can't settle."""


def log_chance(breaking: int, codes: int, share: float) -> float:
    """The logarithm of the chance that at most `breaking` of `codes` break a rule that each breaks with chance `share`."""
    if share <= 0:
        return 0.0
    if breaking == 0:
        return codes * log1p(-share) if share < 1 else -float("inf") if codes else 0.0
    from scipy.stats import binom

    return float(binom.logcdf(breaking, codes, share))


def most_breaking(codes: int, bad: float) -> int:
    """The most of `codes` that may break a rule and be put down to a share `bad` of wrong codes."""
    if not bad:
        return 0
    from scipy.stats import binom

    return int(binom.isf(UNLIKELY, codes, bad))


def more_codes(breaking: int, codes: int, share: float, tried: int) -> int | None:
    """How many more good codes would bring the corrected chance under the limit; None where none would.

    Wrong codes are expected to break the rule as often as the given ones did.
    """
    if share <= 0:
        return None
    rate = breaking / codes if codes else 0.0

    def settled(number: int) -> bool:
        return log_chance(round(rate * number), number, share) + log(tried) <= log(LIMIT)

    low, high = codes, max(codes, 1)
    while not settled(high):
        low, high = high, high * 2
        if high > MOST_CODES:
            return None
    return low + bisect_left(range(low, high), True, key=settled) - codes


@frozen
class Evidence:
    """What speaks for one rule: `kept` of `out_of` codes are legal with it, `breaking` of `codes` break it.

    `chance` is that so few would break it if it were no rule, `corrected` that times the number of rules tried, at most 1.
    """

    kept: int
    out_of: int
    codes: int
    breaking: int
    tried: int
    bad: float = 0.0

    @property
    def share(self) -> float:
        """How often a code would break the rule if it were none; one that may be wrong tells nothing."""
        return (self.out_of - self.kept) / self.out_of * (1 - self.bad) if self.out_of else 0.0

    @property
    def logarithm(self) -> float:
        """The logarithm of the chance."""
        return log_chance(self.breaking, self.codes, self.share)

    @property
    def chance(self) -> float:
        return exp(self.logarithm)

    @property
    def corrected(self) -> float:
        return min(1.0, self.chance * self.tried)

    @property
    def enough(self) -> bool:
        """Whether the rule may be proposed."""
        return self.kept < self.out_of and self.logarithm + log(self.tried) <= log(LIMIT)

    @property
    def more(self) -> int | None:
        """How many more good codes would settle it; None where no number would."""
        return 0 if self.enough else more_codes(self.breaking, self.codes, self.share, self.tried)
