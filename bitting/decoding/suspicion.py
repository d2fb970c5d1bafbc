"""How likely is each single reading to be simply wrong?

A reading is wrong on its own account, so the joint density with reading j wrong is `outliers · wrong_j` times the density
of the cut's other readings; divided by the density of all of them it is the probability wanted. It is averaged over the
shared errors and wear scales that the best code leaves possible, and taken given that code.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from bitting.decoding.advice import binned, densities, views_of
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.kbest import Ranked
from bitting.decoding.posterior import Posterior
from bitting.decoding.witness import Witness, witness
from bitting.model import Place, System


def wrong_shares(
    witnesses: Sequence[Witness],
    posterior: Posterior,
    best: Ranked,
    system: System,
    model: MeasurementModel,
    along: Mapping[Place, float],
) -> list[tuple[float, ...]]:
    """Per witness, the probability of each of its readings to be wrong, given the best code."""
    if model.outliers == 0:
        return [(0.0,) * len(one.values) for one in witnesses]
    views = views_of(posterior, [best])
    reached = posterior.reach.dimensions(best.depths)
    out = []
    for one in witnesses:
        track = system.lanes[one.place.lane].track
        view = binned(views[posterior.grid.signs[one.place.lane]], along[one.place], min(one.sds) / 4)
        x = reached[one.place] + view.shift
        weight = view.weights[0] / view.weights[0].sum()
        if not one.summed:
            out.append((0.0,) * len(one.values))
            continue
        whole = np.maximum(densities([one], x, view.scale, track.deeper)[0], 1e-300)
        shares = []
        for j, wrong in enumerate(one.wrong):
            values, sds = list(one.values), list(one.sds)
            del values[j], sds[j]
            rest = np.ones(x.size)
            if values:
                others = witness(one.place, one.side, values, sds, track, model)
                rest = densities([others], x, view.scale, track.deeper)[0]
            shares.append(min(float(model.outliers * wrong * (rest / whole) @ weight), 1.0))
        out.append(tuple(shares))
    return out
