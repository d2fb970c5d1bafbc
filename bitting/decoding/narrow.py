"""A large diagram narrowed to what can matter for one key, so that tens of thousands of points are weighed in it quickly.

Of the thousands of ways through a diagram of two coupled tracks the readings leave a few hundred. The whole diagram is
passed at some pilot points; an entry stays whose part of the evidence is at least `FAINT` of the best point's at any of
them. What that loses is then found out at points drawn evenly from the posterior, where the whole diagram is passed
again: if it is more than `LOST` of the evidence, these points become pilots too and a tenth as much is taken to matter;
after `ROUNDS` such rounds the whole diagram is used. Only grids of several dimensions, of which 1e-4 is asked, are narrowed.
"""

from __future__ import annotations

import numpy as np

from bitting.decoding.compiled import restrict
from bitting.decoding.density import Array
from bitting.decoding.points import Points
from bitting.decoding.sums import Index, Sums, greatest_shares

FAINT = 1e-9
"""Part of the evidence at one point, in that of the best point, below which an entry is left out."""
LOST = 1e-5
"""Share of the evidence that narrowing may lose."""
CHECKED = 48
"""Points at which that is found out."""
ROUNDS = 3
WORTH_NARROWING = 20_000_000
"""Entries of a diagram times points of a grid from which narrowing pays (measured)."""


def worth_narrowing(points: Points, sums: Sums) -> bool:
    """Whether the diagram is large for so many points."""
    return points.grid.spread and sums.size * points.limit.size > WORTH_NARROWING


def narrowed(sums: Sums, points: Points, pilots: Index, totals: Array, faint: float = FAINT) -> Sums:
    """The sums over the codes that pass only entries which matter at some of the pilot points.

    `totals` are the log totals of the pilots with their prior.
    """
    weight = np.exp(totals - totals.max())
    used = np.flatnonzero(weight >= faint)
    columns = points.columns(pilots[used])
    chains = []
    for chain in sums.chains:
        shares = greatest_shares(chain, sums.logs(chain, columns), weight[used])
        chains.append(restrict(chain, [share >= min(faint, float(share.max())) for share in shares])[0])
    return Sums(tuple(chains), sums.tables, sums.grid)


def lost_share(whole: Sums, points: Points, where: Index, total: Array) -> tuple[Index, Array, float]:
    """Points drawn evenly from the posterior, their totals in the whole diagram, and the mean share that was lost there."""
    share = np.cumsum(np.exp(total - total.max()))
    at = np.searchsorted(share, (np.arange(CHECKED) + 0.5) / CHECKED * share[-1])
    checked = where[at]
    found = points.totals(checked, whole)
    return checked, found, float(-np.expm1(total[at] - found).mean())
