"""Does the answer stand if the key is worn more than the system states?

The wear of a key's cuts is one unknown mean in the model; on a real key it may differ from cut to cut (shallow cuts wear
most, or those near the tip), and then the mean that fits the whole key understates the worn ones. Such keys were found to
make up most of the sure answers that were wrong (`tests/benchmarks/decode_misspecified.py`). So an answer that is sure also
carries what would be left of it with twice the stated wear, and where that is less than `STANDS` it is told beside the
verdict. It doesn't change the verdict: asking for `STANDS` was tried, and cost far more right answers than wrong ones.
Where the readings themselves all but rule out such wear (less than `SHARE`), nothing is said.

With `--lock` cuts that aren't read are summed over, and nothing is said either.
"""

from __future__ import annotations

import numpy as np

from bitting.decoding.advice import weights_of
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.kbest import Ranked
from bitting.decoding.posterior import Posterior
from bitting.decoding.result import IfWorn

TIMES = 2.0
"""How much more worn than stated: what `--wear heavy` says."""
SHARE = 0.01
"""Probability of such wear below which the readings rule it out."""
STANDS = 0.90
"""Probability of the code with such wear below which it is told."""


def if_worn(posterior: Posterior, best: Ranked, model: MeasurementModel) -> IfWorn | None:
    """The answer for a key with `TIMES` the stated wear; None where the model knows none or the readings none such."""
    grid = posterior.grid
    found = np.flatnonzero(np.isclose(grid.scales, TIMES * model.wear))
    if model.wear == 0 or found.size == 0:
        return None
    section = posterior.sections[0]
    sign = next(iter(section.columns))
    here = section.columns[sign] // (grid.lattices[sign].size * grid.tilts.size) == found[0]
    share = float(section.posterior[here].sum() / section.posterior.sum())
    if share < SHARE:
        return None
    weight = float(weights_of(posterior, [best])[0][0][here].sum() / section.posterior.sum())
    return IfWorn(TIMES * model.wear, share, min(weight / share, 1.0))
