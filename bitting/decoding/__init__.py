"""From a worn key's readings to its code: the exact posterior over every legal code of a system.

`decode(readings, system)` answers for one key; a `Decoder` is made once per system and model and used for many. The
figures of the measurement model stand in `model.py`; what the readings of a cut say in `likelihood.py` (and
`across.py`, `tables.py`), what a jaw reaches in `jaw.py`; the grid of shared errors in `grid.py`; the sums over all
codes in `weigh.py` and `posterior.py`; the best codes in `kbest.py`; in which way the list was taken in `listing.py`
and `positions.py`; whether the key fits at all in `fit.py`; what to measure next in `advice.py`. `decoder.py` makes
the answer, with the cuts of `cuts.py`; `session.py` puts together what is said beside the readings, `ranking.py`
compares systems.

What is approximated, and what that costs: densities are read off tables (1e-7 of themselves; 3e-6 where tilt or left-right
difference spread the grid); there points that hold less than 2e-6 of the evidence are left out (1e-11 elsewhere), and
diagrams are pruned to what holds all but 1e-6; of many readings of one cut, subsets a 10⁻¹³ as likely as the likeliest are;
ways of listing are first compared roughly, by the offset alone, and only those with 5 % or more worked out exactly, the most
likely cut of each kind (shares of the others are as rough as that); advice takes the shared error as it is over all codes;
and where hundreds of codes are as likely as each other, the best are those of a beam.
"""

from bitting.decoding.decoder import SURE, Decoder, decode, decode_many
from bitting.decoding.fit import FIT_LIMIT
from bitting.decoding.model import MADE, MeasurementModel, model_of
from bitting.decoding.ranking import decode_among
from bitting.decoding.result import Candidate, CutResult, Decoded, Fit, Next, Offset, SystemRank
from bitting.model.system import DEFAULTS

__all__ = [
    "Candidate",
    "CutResult",
    "DEFAULTS",
    "Decoded",
    "Decoder",
    "FIT_LIMIT",
    "Fit",
    "MADE",
    "MeasurementModel",
    "Next",
    "Offset",
    "SURE",
    "SystemRank",
    "decode",
    "decode_among",
    "decode_many",
    "model_of",
]
