"""The figures of the measurement model, and what stands in for the ones a system file leaves out.

A reading of a cut is `depth + shared error - direction * wear + noise`, or, now and then, simply wrong. The shared error
is one draw per key: an offset, a tilt along the blade and a left-right difference. `MeasurementModel` holds the sizes of
all these, in the unit of the system; `model_of` takes them from the `[measuring]` table and fills the gaps from
`DEFAULTS`. The defaults suit a good caliper and a key that may itself be a copy (common practice: a caliper reads with
a few hundredths of a millimetre, and copies are cut a little askew or off centre); `made="original"` says that the key
was cut by code, so that it is neither.

>>> MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01).tilt_sd
0.0

What can be said of a key or a caliper in a word: measuring figures from options.

`wear`: none, light (half of what the system states), heavy (twice), or a length in the system's unit. `caliper`: the
limits ±a within which it errs; a rectangular distribution of half-width a has the standard uncertainty a/√3 (JCGM
100:2008, GUM, 4.3.7), which takes the place of `reading_sd`; behind a slash the steps that it shows (0.03/0.05), where
they are coarser than the digits written down.
"""

from __future__ import annotations

import math
from typing import Literal

from attrs import Attribute, asdict, evolve, field, frozen

from bitting.errors import BittingError
from bitting.model import Reading, Readings, System
from bitting.model.system import DEFAULTS

Made = Literal["original", "copy"]

SHARES = ("outliers", "cut_wrong", "offset_tail")
"""Figures that are no lengths."""

MADE = {
    "copy": {"offset_sd": 0.05, "tilt_sd": 0.03, "left_right_sd": 0.03},
    "original": {"offset_sd": 0.03, "tilt_sd": 0.0, "left_right_sd": 0.0},
}
"""What saying how the key was made sets, whatever the system file states: millimetres."""

WEAR_SHAPE = 3
"""Wear of one cut is gamma distributed with this shape (an Erlang density) around its own mean."""
KEY_WEAR = ((0.25, 0.35), (1.0, 0.50), (2.0, 0.15))
"""The mean wear of one key is the model's `wear` times one of the first, with these probabilities."""
CUT_WEAR = ((0.5, 0.25), (1.0, 0.50), (2.0, 0.25))
"""The mean wear of one cut is its key's times one of the first, with these probabilities."""
TAIL_TIMES = 5.0
"""How many times its usual standard deviation the offset has where the caliper wasn't zeroed or the blank is narrow."""
LEAST_WRONG = 1e-6
"""Share of readings that are simply wrong at least, whatever is stated: nothing read is ever quite impossible."""
OUTSIDE = 1e-4
"""Density of a wrong reading outside the range of its track, in that inside it."""

LARGEST = 1e6


def _not_negative(_: object, attribute: Attribute[float], value: float) -> None:
    if not (isinstance(value, (int, float)) and math.isfinite(value) and 0 <= value <= LARGEST):
        raise BittingError(
            f"{attribute.name} is {value!r} and must be a number from 0 up",
            hint="figures of the measurement model are lengths in the system's unit, and 0 leaves a term out",
        )


def _positive(_: object, attribute: Attribute[float], value: float) -> None:
    if not (isinstance(value, (int, float)) and math.isfinite(value) and 0 < value <= LARGEST):
        raise BittingError(
            f"{attribute.name} is {value!r} and must be greater than 0",
            hint="no caliper reads without error; give its standard uncertainty in the system's unit",
        )


def _share(_: object, attribute: Attribute[float], value: float) -> None:
    if not (isinstance(value, (int, float)) and 0 <= value < 1):
        raise BittingError(
            f"{attribute.name} is {value!r} and must be a share from 0 up to, not including, 1",
            hint="0.01 says that one reading in a hundred is simply wrong",
        )


@frozen
class MeasurementModel:
    """Sizes of everything that stands between a depth and a reading of it, as standard deviations in the system's unit.

    `reading_sd`: one reading of one cut (a reading's own `±` takes its place). `offset_sd`: the error shared by all
    readings of a key. `wear`: mean material lost at one cut, always towards deeper (0: none; its scale is one unknown
    per key). `outliers`: share of readings that are simply wrong. `tilt_sd`: difference of the shared error from first
    cut to last. `left_right_sd`: half its difference between left and right. `cut_sd`: error of one cut that its
    repeated readings share. `cut_wrong`: share of cuts of a list that are measured wrongly as a whole, so that all readings
    of the cut there agree and are of no depth, or of another. `offset_tail`: share of keys whose offset has `TAIL_TIMES` the
    standard deviation. Raises `BittingError` for a figure that can't be.
    """

    reading_sd: float = field(validator=_positive)
    offset_sd: float = field(validator=_not_negative)
    wear: float = field(validator=_not_negative)
    outliers: float = field(validator=_share)
    tilt_sd: float = field(default=0.0, validator=_not_negative)
    left_right_sd: float = field(default=0.0, validator=_not_negative)
    cut_sd: float = field(default=0.0, validator=_not_negative)
    cut_wrong: float = field(default=DEFAULTS["cut_wrong"], validator=_share)
    offset_tail: float = field(default=DEFAULTS["offset_tail"], validator=_share)

    @property
    def wrong(self) -> float:
        """The share of readings that are simply wrong, as it is reckoned with."""
        return max(self.outliers, LEAST_WRONG)

    @property
    def spread(self) -> bool:
        """Whether cuts share more than an offset, which makes a key dear to decode."""
        return self.tilt_sd > 0 or self.left_right_sd > 0

    @property
    def offset_parts(self) -> tuple[tuple[float, float], ...]:
        """(share, standard deviation) of the normal densities that the offset's is made of."""
        if self.offset_sd == 0 or self.offset_tail == 0:
            return ((1.0, self.offset_sd),)
        return (1 - self.offset_tail, self.offset_sd), (self.offset_tail, TAIL_TIMES * self.offset_sd)

    def uncertainty(self, reading: Reading) -> float:
        """Standard uncertainty of one reading: its own or its share of the model's, combined with the rounding of its digits.

        A step d of the digits is uniform over ±d/2, standard uncertainty d/√12 (GUM, JCGM 100:2008, F.2.2.1).
        """
        own = self.reading_sd * reading.share if reading.own_sd is None else reading.own_sd
        return math.hypot(own, reading.digit / math.sqrt(12))

    def as_dict(self) -> dict[str, float]:
        """The figures by name."""
        return asdict(self)


def model_of(system: System, made: Made | None = None) -> MeasurementModel:
    """The model of a system: what its file states, `DEFAULTS` where it is silent, `MADE` over both when it is said."""
    if made is not None and made not in MADE:
        raise BittingError(f"{made!r} is no way a key is made", hint="say 'original' or 'copy'")
    figures = {}
    for name, default in DEFAULTS.items():
        stated = getattr(system.measuring, name, None)
        figures[name] = stated if stated is not None else default if name in SHARES else system.from_mm(default)
    model = MeasurementModel(**figures)
    if made is None:
        return model
    over = {name: system.from_mm(value) for name, value in MADE[made].items()}
    return evolve(model, offset_sd=over["offset_sd"], tilt_sd=over["tilt_sd"], left_right_sd=over["left_right_sd"])


def wear_scales(model: MeasurementModel) -> tuple[tuple[float, float], ...]:
    """The mean wears a key may have and their probabilities; one of 0 where the model has no wear."""
    if model.wear == 0:
        return ((0.0, 1.0),)
    return tuple((model.wear * times, share) for times, share in KEY_WEAR)


WEAR = {"none": 0.0, "light": 0.5, "heavy": 2.0}


def model_with(
    system: System, *, made: Made | None = None, wear: str | None = None, caliper: str | None = None
) -> MeasurementModel:
    """The system's model (`model_of`) with what the options say. Raises `BittingError` for a word or length that isn't."""
    model = model_of(system, made)
    if wear is not None:
        word = wear.strip().casefold()
        model = evolve(model, wear=model.wear * WEAR[word] if word in WEAR else length_option(wear, "wear", system))
    if caliper is not None:
        limits = length_option(caliper.partition("/")[0], "caliper", system)
        if limits == 0:
            raise BittingError("a caliper without error limits can't be", hint="±0.02 mm is usual for a digital one")
        model = evolve(model, reading_sd=limits / math.sqrt(3))
    return model


def caliper_step(caliper: str | None, system: System) -> float:
    """The steps a caliper shows, in the system's unit; 0 where nothing is said of them."""
    _, slash, step = (caliper or "").partition("/")
    return length_option(step, "caliper", system) if slash else 0.0


def as_shown(readings: Readings, step: float) -> Readings:
    """The readings, no finer than a caliper shows that has such steps (0: as fine as they are written)."""
    if not step:
        return readings
    cuts = (
        evolve(cut, readings=tuple(evolve(r, digit=max(r.digit, step)) for r in cut.readings)) for cut in readings.cuts
    )
    return evolve(readings, cuts=tuple(cuts))


def length_option(text: str, name: str, system: System, most: float = 2.0) -> float:
    """A length given to --`name`, in the system's unit or another that it names, from 0 to `most` millimetres."""
    from bitting.notation.lengths import parse_length

    words = ", ".join(WEAR) + " or " if name == "wear" else ""
    try:
        value = parse_length(text.strip().removeprefix("±"), system)
    except BittingError:
        value = math.nan
    if not 0 <= value <= system.from_mm(most):
        raise BittingError(
            f"'{text}' is no amount for --{name}", hint=f"give {words}a length in {system.unit}, such as "
            f"{system.from_mm(0.05):.{2 if system.unit == 'mm' else 4}f}",
        )  # fmt: skip
    return value
