"""Is the answer still sure if the key and the readings are worse than the system states?

The measurement model has one mean wear for all cuts of a key, and a share of simply wrong readings that somebody put down.
On a real key the wear may differ from cut to cut: shallow cuts wear most, or those near the tip, and the mean that fits the
whole key then understates the worn ones. So an answer is sure only where it keeps the limit on *harder* keys too:

- each cut's mean wear is the key's, twice or four times as much, with the probabilities `CUT_WEAR`, and `TIMES_WRONG` as many
  readings are simply wrong;
- each cut's mean wear is the stated one or twice as much, with the probabilities `HEAVY`, whatever the other cuts say of the
  key's.

These figures are our own assumption, chosen by a study (`tests/benchmarks/decode_misspecified.py`, 200 keys a line): on keys on
which wear grows towards the tip, or with more tilt or left-right difference than stated, up to 0.9 % of the sure answers are
wrong where it was up to 2.1 %, on keys of which only the shallow cuts are worn 1.8 to 2.6 % where it was 4.4 %; while a clean
key of the shipped systems that was measured twice stays sure. Keys of another system with a slightly different depth table,
which wear would have to explain, lose most of their sure answers by it as well.

The probability on a harder key is exact for what was just said, by the same integrals, to 1e-4. Cuts that were read across
keep the key's own mean wear.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import evolve, field, frozen

from bitting.arrays import Array
from bitting.decoding.advice import weights_of
from bitting.decoding.grid import COARSEST
from bitting.decoding.kbest import Ranked, best_codes
from bitting.decoding.posterior import Posterior
from bitting.decoding.result import Doubted
from bitting.decoding.solver import Solver
from bitting.model import Place, System

CUT_WEAR = (0.45, 0.45, 0.10)
"""Probabilities that a cut of a harder key has once, twice, four times the key's mean wear."""
HEAVY = (0.65, 0.35)
"""Probabilities that it has once, twice the stated mean wear."""
TIMES_WRONG = 2.0
MOST_WRONG = 0.5
"""A harder key has so many times as many wrong readings, and no more than half."""
DOUBTED = 3
"""So many cuts that are most in doubt on a harder key are named."""
LISTED = 5
"""Where a lock reads only some of the cuts, so many of the best codes of a harder key are looked at."""


@frozen(eq=False)
class Caution:
    """The best code's `probability` on a harder key, and each depth's share of each cut there, where that was asked."""

    probability: float
    shares: Mapping[Place, Array] = field(factory=dict)

    def doubted(self, best: Ranked, system: System) -> tuple[Doubted, ...]:
        """The depths that cuts are likeliest to have instead, a depth a cut, the most likely first."""
        found = []
        for place, shares in self.shares.items():
            depth = best.depths[place.lane][place.cut]
            others = np.where(np.arange(shares.size) == depth, 0.0, shares)
            found.append((-float(others.max()), place.lane, place.cut, int(others.argmax())))
        lanes = system.lanes
        return tuple(
            Doubted(lanes[lane].track.name, cut + 1, lanes[lane].track.labels[depth], -minus, lanes[lane].side)
            for minus, lane, cut, depth in sorted(found)[:DOUBTED]
            if minus < 0
        )


def harder(solver: Solver) -> tuple[Solver, ...]:
    """What solves the same keys as harder ones, in each of the ways that the model's figures allow."""
    model = solver.model
    wrong = max(model.outliers, min(TIMES_WRONG * model.outliers, MOST_WRONG))
    uneven = evolve(solver, model=evolve(model, outliers=wrong), cut_wear=CUT_WEAR, finest=COARSEST)
    heavy = evolve(solver, cut_wear=HEAVY, key_wear=False, finest=COARSEST)
    return (uneven,) * bool(model.wear or model.outliers) + (heavy,) * bool(model.wear)


def caution_of(best: Ranked, posterior: Posterior, system: System, ignored: frozenset[Place]) -> Caution:
    """What the posterior of a harder key says of a code; `ignored` are the places that a lock doesn't read."""
    shares = {place: found for place, found in posterior.shares.items() if place not in ignored}
    return Caution(_probability(best, posterior, system, ignored), shares)


def _probability(best: Ranked, posterior: Posterior, system: System, ignored: frozenset[Place]) -> float:
    """The probability of a code under a posterior; codes that differ only at the places `ignored` count as one.

    Where some are ignored and the code is none of the posterior's `LISTED` best, that of the last of these: a bound.
    """
    if not ignored:
        section = posterior.sections[0]
        return min(float(weights_of(posterior, [best])[0].sum() / section.posterior.sum()), 1.0)
    ranked = best_codes(posterior, system, LISTED, ignored)
    same = [one for one in ranked if _read(one, ignored) == _read(best, ignored)]
    return min((same or ranked[-1:])[0].probability, 1.0)


def _read(ranked: Ranked, ignored: frozenset[Place]) -> list[int]:
    """The depths of a code at the places that count."""
    return [
        depth
        for lane, row in enumerate(ranked.depths)
        for cut, depth in enumerate(row)
        if Place(lane, cut) not in ignored
    ]
