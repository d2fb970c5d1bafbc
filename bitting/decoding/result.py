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
from bitting.model.value import NOT_JSON, Answer, Value

Verdict = Literal["sure", "unsure", "no-fit"]
Taken = Literal["reading", "wrong", "slip of the pen", "wrong place"]
"""What a reading was taken for."""

Kind = Literal["listing", "not read", "half a step off", "lists disagree", "wrong place", "other end", "jaw"]
"""What keeps an answer from being sure (see `Doubt`)."""


class OfCut(Value):
    """What is said of one cut; its JSON has a side only on keys whose sides differ."""

    def as_dict(self) -> dict[str, Any]:
        """Its JSON."""
        return {name: value for name, value in super().as_dict().items() if (name, value) != ("side", None)}


@frozen
class Alternative(Value):
    """Another depth that a cut may have."""

    depth: str
    probability: float


@frozen
class CutResult(OfCut):
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
    values: tuple[float, ...] = field(default=(), metadata=NOT_JSON)
    wrong: tuple[float, ...] = field(default=(), metadata=NOT_JSON)
    taken_for: tuple[Taken, ...] = field(default=(), metadata=NOT_JSON)
    derived = ("readings",)

    @property
    def readings(self) -> tuple[dict[str, Any], ...]:
        """Each reading, the probability that it is none of this cut, and what it was taken for."""
        rows = zip(self.values, self.wrong, self.taken_for, strict=True)
        return tuple({"value": value, "wrong": wrong, "taken_for": taken} for value, wrong, taken in rows)


@frozen
class Candidate(Value):
    """A whole code and its probability; `depths` are its places in the depth tables, a row per lane."""

    code: str
    probability: float
    depths: Depths = field(repr=False, metadata=NOT_JSON)


@frozen
class Offset(Value):
    """The error shared by all readings: posterior mean and standard deviation, in the system's unit."""

    mean: float
    sd: float


@frozen
class Wear(Value):
    """Mean material lost at a cut of this key: posterior mean and standard deviation, in the system's unit."""

    mean: float
    sd: float


@frozen
class Listed(Value):
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
class Doubt(Value):
    """What keeps an answer from being sure, whatever its probability.

    `kind`: "not read" (no reading of the cut is one), "half a step off" (readings that agree lie so far from its depth),
    "lists disagree" (as many lists or more read another depth there),
    "wrong place" (its place along the blade is `off` mm), "listing" (another way of listing has `share`), "jaw" (jaws wider
    than stated have `share`), "other end" (that places were measured from the other end has `share`).
    """

    kind: Kind
    track: str = ""
    cut: int = 0
    side: str | None = None
    off: float = field(default=0.0, metadata=NOT_JSON)
    share: float = field(default=0.0, metadata=NOT_JSON)


@frozen
class Exchanged(OfCut):
    """A cut read once whose `reading`, with two of its figures exchanged (`other`), is one of `depth`, in a code legal too."""

    track: str
    cut: int
    side: str | None
    reading: float
    other: float
    depth: str


@frozen
class Fit(Value):
    """How well the readings agree with the best legal code; see `fit.py`. `limit`: below it, they don't."""

    p_value: float
    limit: float


@frozen
class Deciding(Value):
    """A new reading from `low` up to `high` would make `depth` the answer's depth for the cut; None: without end."""

    depth: str
    low: float | None
    high: float | None


@frozen
class Next(OfCut):
    """A cut worth another reading: the probability of a wrong code falls to `risk` on average; what would decide it."""

    track: str
    cut: int
    side: str | None
    risk: float
    deciding: tuple[Deciding, ...] = ()


@frozen
class SystemRank(Value):
    """One system, read one way, among those compared: its share of the evidence, each as likely as any other before."""

    system: str
    probability: float
    reading: str = "as given"
    log_evidence: float = field(default=0.0, metadata=NOT_JSON)
    fits: bool = True
    code: str = ""
    compared: bool = True


@frozen
class Decoded(Answer):
    """The answer for one key. `log_evidence`: log density of the readings (system's unit) under all its legal codes.

    `assumed` is what was assumed beside the figures of `model`; `notes` what else has to be said. `listing` is the way in
    which the list was taken, `other_listings` those that have enough to be named; `probability` is the code's, given the
    listing. `doubts` keep the answer from being sure; `exchanged` are slips that a sure answer may hide, and `wide_jaws`
    the share that a caliper with jaws 2 mm wide has. `log_total` is the evidence with every way of listing and the places
    along the blade (`places`).
    `lists`: how many there were, `copied` of which were left out because they repeat another to the digit. Lengths are in
    the system's unit; `readings_unit` is the one that the key was measured in. `coarse` names the cuts with a reading of fewer
    decimals than the others have.
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
    log_total: float = field(default=0.0, metadata=NOT_JSON)
    listing: Listed = ASKED
    other_listings: tuple[Listed, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    exchanged: tuple[Exchanged, ...] = ()
    wide_jaws: float = 0.0
    readings_unit: str = "mm"
    coarse: tuple[str, ...] = ()
    places: PlaceFit | None = field(default=None, metadata=NOT_JSON)
    lists: int = field(default=1, metadata=NOT_JSON)
    copied: int = field(default=0, metadata=NOT_JSON)
    of: System | None = field(default=None, repr=False, eq=False, metadata=NOT_JSON)
    derived = ("listed",)

    @property
    def depths(self) -> Depths:
        """The best code as places in the depth tables."""
        return self.candidates[0].depths

    @property
    def listed(self) -> str:
        """How the list was taken."""
        return self.listing.name
