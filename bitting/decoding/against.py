"""A key of known code, measured with the same caliper the same day: what it says of the caliper's zero and jaws.

The offset of a key is the caliper's part z, which both keys share, plus the key's own e (plating, uniform wear, how it was
made), which they don't. Of the model's `offset_sd` squared, `zero_sd` squared is the caliper's. Decoding the known key with
its code given yields mean m and standard deviation s of its whole offset o = z + e. As z and o are jointly normal
beforehand, with r = zero_sd²/offset_sd² and whatever the shape of what the readings say of o,

    E[z] = r m,   Var[z] = r (1 - r) offset_sd² + r² s²        (laws of total expectation and total variance),

which are exact; that z is normal with these is the one approximation. The other key's offset is then E[z] in the mean, with
variance Var[z] + (offset_sd² - zero_sd²) of its own.
"""

from __future__ import annotations

import math

from attrs import evolve, frozen

from bitting.decoding.decoder import Decoder
from bitting.decoding.figures import MeasurementModel
from bitting.decoding.fit import FIT_LIMIT
from bitting.errors import BittingError
from bitting.model import Code, Place, Readings, System

SHARE = 0.5
"""Share of the offset's variance that is the caliper's, where nothing is said."""


@frozen
class Zero:
    """What is known of a caliper's zero and jaws: mean and standard deviation now, and the latter before (all mm)."""

    mean: float
    sd: float
    before: float

    def offset(self, system: System, model: MeasurementModel) -> tuple[float, MeasurementModel]:
        """Mean of the offset of another key of `system`, and the model with what is left of its uncertainty."""
        mean, sd, before = (system.from_mm(length) for length in (self.mean, self.sd, self.before))
        own = model.offset_sd**2 - before**2
        if own < -1e-12:
            raise _too_large(before, model, system)
        return mean, evolve(model, offset_sd=math.sqrt(sd**2 + max(own, 0.0)))


def zero_from(
    readings: Readings,
    code: Code,
    model: MeasurementModel,
    *,
    zero_sd: float | None = None,
    unworn: bool = False,
) -> Zero:
    """What the readings of a key of known code say of the caliper.

    `zero_sd` (system's unit) is the standard uncertainty of the caliper's zero and jaws beforehand; None: half of the
    offset's variance. `unworn` says that the key is newly cut. Open cuts of the code may have any depth. The code need
    not be legal (it may be a setup key's). Raises BittingError for a code that isn't whole or doesn't fit the readings.
    """
    system = readings.system
    if zero_sd is None:
        zero_sd = math.sqrt(SHARE) * model.offset_sd
    if zero_sd > model.offset_sd * (1 + 1e-9):
        raise _too_large(zero_sd, model, system)
    if model.offset_sd == 0:
        return Zero(0.0, 0.0, 0.0)
    known = _known(code, system)
    answer = Decoder(known[0], evolve(model, wear=0.0) if unworn else model, space=known[1]).decode(
        readings, 1, advise=False
    )
    if answer.fit.p_value < FIT_LIMIT:
        raise BittingError(
            f"the key measured for comparison doesn't fit the code given for it: of such keys only "
            f"{answer.fit.p_value:.1%} read so far from their code",
            hint="check that its readings run from bow to tip, and that both are of the same key",
        )
    share = (zero_sd / model.offset_sd) ** 2
    spread = math.sqrt(share * (1 - share) * model.offset_sd**2 + share**2 * answer.offset.sd**2)
    return Zero(system.in_mm(share * answer.offset.mean), system.in_mm(spread), system.in_mm(zero_sd))


def _known(code: Code, system: System) -> tuple[System, object]:
    """The system without rules, and its codes that are the given one."""
    from bitting.diagram import code_space

    if not code.well_formed:
        raise BittingError(
            "the code of the key measured for comparison isn't whole: a cut is missing, or has no depth of the table",
            hint=f"{system.name} has {' and '.join(f'{lane.label} {lane.track.cuts}' for lane in system.lanes)} cuts",
        )
    free = evolve(system, must=(), should=(), rules=())
    allowed = {
        Place(number, i): cut.depths for number, cuts in enumerate(code.lanes) for i, cut in enumerate(cuts or ())
    }
    return free, code_space(free, allowed=allowed)


def _too_large(zero_sd: float, model: MeasurementModel, system: System) -> BittingError:
    return BittingError(
        f"the caliper's part of the offset, {zero_sd:.4g} {system.unit}, is more than the whole offset's standard "
        f"deviation of {model.offset_sd:.4g}",
        hint="give a smaller --zero, or raise offset_sd under [measuring] in the system file",
    )
