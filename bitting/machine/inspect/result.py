"""The answer of an inspection as frozen values; lengths in the system's unit, cuts numbered from 1 at the bow."""

from __future__ import annotations

from attrs import frozen

from bitting.machine.inspect.decision import Verdict
from bitting.machine.inspect.pattern import Pattern
from bitting.model.value import Answer


@frozen
class InspectedCut:
    """One cut of the finished key; lengths in the system's unit, cuts numbered from 1.

    `measured` is the mean of its readings and `deviation` measured − nominal (None: not measured). `uncertainty` is the
    standard uncertainty of the cut's depth, `correction` what was added for the jaw before judging. `window` is what
    the mean reading must lie in to pass (None: no reading can prove it), `recut_from` and `scrap_from` the readings
    past which it is surely too shallow and too deep. `recut` is what is still to be taken off (no more than
    leaves it surely in tolerance towards deeper, whatever the readings are off by), `still_clamped` whether
    that is less than clamping anew would move the key. `reads_like` is the depth it was probably cut to, where that is
    another. `readings_to_decide` is, for an uncertain cut, how many readings in all would settle it if their mean stays
    (None: no number would).
    """

    side: str | None
    track: str
    cut: int
    depth: str
    nominal: float
    measured: float | None
    verdict: Verdict
    readings: int
    deviation: float | None = None
    probability_in_tolerance: float | None = None
    probability_too_shallow: float | None = None
    probability_too_deep: float | None = None
    uncertainty: float | None = None
    correction: float = 0.0
    window: tuple[float, float] | None = None
    recut_from: float | None = None
    scrap_from: float | None = None
    recut: float | None = None
    still_clamped: bool = False
    reads_like: str | None = None
    readings_to_decide: int | None = None
    note: str = ""


@frozen
class InspectedPlace:
    """Where one cut sits along the blade, judged like its depth; a cut in a wrong place can't be recut."""

    side: str | None
    track: str
    cut: int
    nominal: float
    measured: float
    deviation: float
    verdict: Verdict
    probability_in_tolerance: float


@frozen
class AcrossCheck:
    """A reading across two tracks: what the pair is off by together (measured − nominal), and within both tolerances.

    `combined` says whether it went into the single cuts; otherwise only their sum is known.
    """

    side: str | None
    tracks: tuple[str, str]
    cut: int
    nominal: float
    measured: float
    deviation: float
    uncertainty: float
    combined: bool


@frozen
class Inspection(Answer):
    """The finished key, judged.

    `unit` is that of every length here, `readings_unit` the one that the key was measured in. `readings_needed` readings
    of each cut can prove the tolerance (None: with this caliper no number of them can). `uncertainty` is that of a cut
    read once; `largest_uncertainty` the most that can still prove the tolerance; `factor` the guard band in u beside one
    limit. `web_alone` says that two edges were read together, and cuts are judged by half of what their web is off.
    """

    system: str
    unit: str
    readings_unit: str
    verdict: Verdict
    cuts: tuple[InspectedCut, ...]
    places: tuple[InspectedPlace, ...]
    across: tuple[AcrossCheck, ...]
    tolerance: float
    guard: str
    factor: float
    uncertainty: float
    largest_uncertainty: float
    readings_needed: int | None
    probability_all: float | None
    patterns: tuple[Pattern, ...]
    against: bool
    notes: tuple[str, ...]
    assumptions: str
    web_alone: bool = False
