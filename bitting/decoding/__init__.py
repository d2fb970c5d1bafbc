"""From a worn key's readings to its code: the exact posterior over every legal code of a system.

`decode(readings, system)` answers for one key; a `Decoder` is made once per system and model and used for many. The
measurement model stands in `figures.py`; how its integrals are taken in `grid.py`, `density.py` and `witness.py`; what a
jaw reaches in `reach.py`; the sums over all codes in `passes.py`, `sums.py`, `posterior.py` and, for large diagrams,
`narrow.py`; the best codes in `kbest.py` and `levels.py`; whether the key fits at all in `fit.py`; what else a
sure answer must stand up to in `caution.py`.
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
