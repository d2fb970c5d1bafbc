"""What decoding answers: immutable values with the names of the JSON.

`probability` is the posterior probability of the whole code under the measurement model and a uniform prior over every
legal code, with offset, tilt, left-right difference, wear and its scale integrated out; the rest of it belongs to other
legal codes. `confidence` is the same for one cut, whatever the others are. `fit.p_value` is the share of keys drawn from
the model, read alike, that agree with their code no better than this one does with its best.
"""

from __future__ import annotations

from typing import Any, Literal

from attrs import field, frozen

from bitting.decoding.model import MeasurementModel
from bitting.decoding.positions import PlaceFit
from bitting.model import Depths, System

Verdict = Literal["sure", "unsure", "no-fit"]
Taken = Literal["reading", "wrong", "slip of the pen", "wrong place"]
"""What a reading was taken for."""


@frozen
class Alternative:
    """Another depth that a cut may have."""

    depth: str
    probability: float

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"depth": self.depth, "probability": self.probability}


@frozen
class CutResult:
    """One cut of the answer. `cut` counts from 1; `side` only on keys whose sides differ.

    `nominal` is the depth's dimension, `reading` the mean of its readings (None: not read), `deviation` the reading less
    the nominal and less the estimated shared error at that cut: what wear and noise must account for.
    `wrong` holds the probability of each reading to be no reading of this cut, `taken_for` what it was taken for.
    """

    track: str
    cut: int
    depth: str
    confidence: float
    alternatives: tuple[Alternative, ...]
    deviation: float | None
    side: str | None = None
    nominal: float = 0.0
    reading: float | None = None
    values: tuple[float, ...] = ()
    wrong: tuple[float, ...] = ()
    taken_for: tuple[Taken, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        out: dict[str, Any] = {
            "track": self.track,
            "cut": self.cut,
            "depth": self.depth,
            "confidence": self.confidence,
            "alternatives": [other.as_dict() for other in self.alternatives],
            "deviation": self.deviation,
            "nominal": self.nominal,
            "reading": self.reading,
            "readings": [
                {"value": value, "wrong": wrong, "taken_for": taken}
                for value, wrong, taken in zip(self.values, self.wrong, self.taken_for, strict=True)
            ],
        }
        return out if self.side is None else {"side": self.side, **out}


@frozen
class Candidate:
    """A whole code and its probability; `depths` are its places in the depth tables, a row per lane."""

    code: str
    probability: float
    depths: Depths = field(repr=False)

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"code": self.code, "probability": self.probability}


@frozen
class Offset:
    """The error shared by all readings: posterior mean and standard deviation, in the system's unit."""

    mean: float
    sd: float

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"mean": self.mean, "sd": self.sd}


@frozen
class Wear:
    """Mean material lost at a cut of this key: posterior mean and standard deviation, in the system's unit."""

    mean: float
    sd: float

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"mean": self.mean, "sd": self.sd}


@frozen
class Listed:
    """A way in which the list may have been taken (see `listing.py`) and its share of the evidence.

    `detail` names track and cut where the way has them; `number` is the list (from 0) where there are several.
    """

    name: str
    share: float
    detail: str = ""
    number: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {
            "listed": self.name, "share": self.share, "detail": self.detail,
            "list": None if self.number is None else self.number + 1,
        }  # fmt: skip


ASKED = Listed("as given", 1.0)
"""The list was taken as asked, and no other way was looked at."""


@frozen
class Doubt:
    """What keeps an answer from being sure, whatever its probability.

    `kind`: "not read" (no reading of the cut is one), "half a step off" (readings that agree lie so far from its depth),
    "wrong place" (its place along the blade is `off` mm), "listing" (another way of listing has `share`).
    """

    kind: str
    track: str = ""
    cut: int = 0
    side: str | None = None
    off: float = 0.0
    share: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"kind": self.kind, "track": self.track, "cut": self.cut, "side": self.side}


@frozen
class Fit:
    """How well the readings agree with the best legal code; see `fit.py`. `limit`: below it, they don't."""

    p_value: float
    limit: float

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"p_value": self.p_value, "limit": self.limit}


@frozen
class Deciding:
    """A new reading from `low` up to `high` would make `depth` the answer's depth for the cut; None: without end."""

    depth: str
    low: float | None
    high: float | None

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {"depth": self.depth, "low": self.low, "high": self.high}


@frozen
class Next:
    """A cut worth another reading: the probability of a wrong code falls to `risk` on average; what would decide it."""

    track: str
    cut: int
    side: str | None
    risk: float
    deciding: tuple[Deciding, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        out: dict[str, Any] = {
            "track": self.track,
            "cut": self.cut,
            "risk": self.risk,
            "deciding": [d.as_dict() for d in self.deciding],
        }
        return out if self.side is None else {"side": self.side, **out}


@frozen
class SystemRank:
    """One system, read one way, among those compared: its share of the evidence, each as likely as any other before."""

    system: str
    probability: float
    reading: str = "as given"
    log_evidence: float = 0.0
    fits: bool = True
    code: str = ""
    compared: bool = True

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {
            "system": self.system,
            "probability": self.probability,
            "reading": self.reading,
            "fits": self.fits,
            "code": self.code,
            "compared": self.compared,
        }


@frozen
class Decoded:
    """The answer for one key. `log_evidence`: log density of the readings (system's unit) under all its legal codes.

    `assumed` is what was assumed beside the figures of `model`; `notes` what else has to be said. `listing` is the way in
    which the list was taken, `other_listings` those that have enough to be named; `probability` is the code's, given the
    listing. `doubts` keep the answer from being sure. `log_total` is the evidence with every way of listing and the places
    along the blade (`places`).
    `lists`: how many there were, `copied` of which were left out because they repeat another to the digit.
    """

    system: str
    verdict: Verdict
    code: str
    probability: float
    cuts: tuple[CutResult, ...]
    candidates: tuple[Candidate, ...]
    offset: Offset
    fit: Fit
    measure_next: tuple[Next, ...] = ()
    systems: tuple[SystemRank, ...] = ()
    wear: Wear = Wear(0.0, 0.0)
    tilt: Offset = Offset(0.0, 0.0)
    left_right: float = 0.0
    log_evidence: float = 0.0
    sure_limit: float = 0.95
    model: MeasurementModel | None = None
    notes: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    log_total: float = 0.0
    listing: Listed = ASKED
    other_listings: tuple[Listed, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    places: PlaceFit | None = None
    lists: int = 1
    copied: int = 0
    of: System | None = field(default=None, repr=False, eq=False)

    @property
    def depths(self) -> Depths:
        """The best code as places in the depth tables."""
        return self.candidates[0].depths

    @property
    def listed(self) -> str:
        """How the list was taken."""
        return self.listing.name

    def as_dict(self) -> dict[str, Any]:
        """The JSON: plain values, under the attributes' names."""
        return {
            "system": self.system,
            "verdict": self.verdict,
            "code": self.code,
            "probability": self.probability,
            "cuts": [cut.as_dict() for cut in self.cuts],
            "candidates": [candidate.as_dict() for candidate in self.candidates],
            "offset": self.offset.as_dict(),
            "fit": self.fit.as_dict(),
            "measure_next": [cut.as_dict() for cut in self.measure_next],
            "systems": [rank.as_dict() for rank in self.systems],
            "wear": self.wear.as_dict(),
            "tilt": self.tilt.as_dict(),
            "left_right": self.left_right,
            "log_evidence": self.log_evidence,
            "sure_limit": self.sure_limit,
            "model": None if self.model is None else self.model.as_dict(),
            "notes": list(self.notes),
            "assumed": list(self.assumed),
            "listed": self.listed,
            "listing": self.listing.as_dict(),
            "other_listings": [one.as_dict() for one in self.other_listings],
            "doubts": [doubt.as_dict() for doubt in self.doubts],
        }
