"""What is said and what is known, as frozen values: systems, codes, findings, readings.

Every layer above this one speaks in these values, and no dictionary read from a file travels past the module that read
it. Lengths are floats in the unit of the system (`System.unit`). Depths are *places* in the track's depth table,
counted from 0 at the shallowest, so `track.labels[place]` is how the depth is written and `track.depths[place]` its
dimension; cuts are places along the blade, counted from 0 at the bow. Only what a person reads counts from 1.

A *lane* is one list of cuts that must be known to make the key: a track of a convenience key (every side carries the
same cuts) or of a key cut on one side, otherwise a track on one of its sides. A code is a list of depths per lane.
"""

from typing import TYPE_CHECKING

from bitting.model.code import Code, Cut, CutList, code_of, write_cut
from bitting.model.finding import Finding, Place
from bitting.model.system import (
    MM_PER_INCH,
    Across,
    Blade,
    Cutting,
    Depths,
    Lane,
    Level,
    Measured,
    Measuring,
    Milling,
    Rule,
    SetupCut,
    System,
    Track,
    Unit,
)

if TYPE_CHECKING:
    from bitting.model.readings import ReadCut, Reading, Readings

__all__ = [
    "Across", "Blade", "Code", "Cut", "CutList", "Cutting", "Depths", "Finding", "Lane", "Level", "MM_PER_INCH", "Measured",
    "Measuring", "Milling", "Place", "ReadCut", "Reading", "Readings", "Rule", "SetupCut", "System", "Track", "Unit",
    "code_of", "write_cut",
]  # fmt: skip


def __getattr__(name: str) -> object:
    """Values of readings, which no check of a code has to wait for."""
    if name not in ("ReadCut", "Reading", "Readings"):
        raise AttributeError(f"module 'bitting.model' has no attribute {name!r}")
    from bitting.model import readings

    return getattr(readings, name)
