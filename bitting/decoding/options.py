"""What can be said of a key or a caliper in a word: measuring figures from options.

`wear`: none, light (half of what the system states), heavy (twice), or a length in the system's unit. `caliper`: the
limits ±a within which it errs; a rectangular distribution of half-width a has the standard uncertainty a/√3 (JCGM
100:2008, GUM, 4.3.7), which takes the place of `reading_sd`; behind a slash the steps that it shows (0.03/0.05), where
they are coarser than the digits written down.
"""

from __future__ import annotations

import math

from attrs import evolve

from bitting.decoding.figures import Made, MeasurementModel, model_of
from bitting.errors import BittingError
from bitting.model import System

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


def length_option(text: str, name: str, system: System, most: float = 2.0) -> float:
    """A length given to --`name`, in the system's unit, from 0 to `most` millimetres."""
    words = ", ".join(WEAR) + " or " if name == "wear" else ""
    try:
        value = float(text.strip().removeprefix("±").replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value <= system.from_mm(most):
        raise BittingError(
            f"'{text}' is no amount for --{name}", hint=f"give {words}a length in {system.unit}, such as "
            f"{system.from_mm(0.05):.{2 if system.unit == 'mm' else 4}f}",
        )  # fmt: skip
    return value
