"""From a worn key's readings to its code: the exact posterior over every legal code of a system.

`decode(readings, system)` answers for one key; a `Decoder` is made once per system and model and used for many. The
figures of the measurement model stand in `model.py`; what the readings of a cut say in `likelihood.py` (and
`across.py`, `tables.py`), what a jaw reaches in `jaw.py`; the grid of shared errors in `grid.py`; the sums over all
codes in `weigh.py` and `posterior.py`; the best codes in `kbest.py`; in which way the list was taken in `listing.py`
and `positions.py`; whether the key fits at all in `fit.py`; what to measure next in `advice.py`. `decoder.py` makes
the answer, with the cuts of `cuts.py`; `session.py` puts together what is said beside the readings, `ranking.py`
compares systems.
"""

from bitting.decoding.decoder import SURE, Decoder, decode, decode_many
from bitting.decoding.fit import FIT_LIMIT
from bitting.decoding.model import DEFAULTS, MADE, MeasurementModel, model_of
from bitting.decoding.ranking import decode_among
from bitting.decoding.result import Candidate, CutResult, Decoded, Fit, Next, Offset, SystemRank

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
