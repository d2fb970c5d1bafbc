"""One key at the bench: readings, and all that is known of caliper and blank beside them, put together and decoded.

`Bench` holds what was said beside the readings. `decode_at` reads each list of readings as each system understands them,
joins lists that repeat one key, takes off what is known beforehand, decodes (or ranks the systems), and says in the answer
what was assumed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from attrs import evolve, field, frozen

from bitting.decoding.corrections import (
    Zero,
    combined,
    offset_amounts,
    shift_back,
    shift_readings,
    width_amounts,
    width_note,
)
from bitting.decoding.decoder import SURE, decode
from bitting.decoding.model import MeasurementModel
from bitting.decoding.positions import OTHER_END, PLACE_SD, SHIFT_SD, PlaceFit, place_fit
from bitting.decoding.ranking import AS_GIVEN, decode_among, ways
from bitting.decoding.result import Decoded
from bitting.errors import BittingError
from bitting.model import Readings, System
from bitting.notation import parse_readings

DISAGREE = 3.0
"""A place off by more than so many of its standard uncertainties is named."""


@frozen
class Bench:
    """What is known beside the readings. `step` (per system name) is the caliper's resolution in the system's unit;
    `width` the blade's measured width; `zero` what a key of known code said of the caliper; `place_sd` in mm."""

    models: Mapping[str, MeasurementModel] = field(factory=dict)
    steps: Mapping[str, float] = field(factory=dict)
    unit: str | None = None
    width: float | None = None
    zero: Zero | None = None
    place_sd: float = PLACE_SD


def decode_at(
    bench: Bench,
    texts: Sequence[str],
    systems: Sequence[System],
    best: int = 5,
    sure: float = SURE,
    *,
    lock: str | None = None,
) -> Decoded:
    """The answer for one key from one or more lists of its readings; several systems are ranked.

    Raises BittingError for what can't be read, can't be a length of this blade, or can't be combined.
    """
    _check(bench, systems, lock)
    ready = {system.name: _model(bench, system) for system in systems}
    seen: dict[str, Readings] = {}

    def read(system: System) -> Readings:
        readings = read_lists(texts, system, bench.unit, bench.steps.get(system.name, 0.0))
        seen[system.name] = readings
        return shift_readings(readings, _amounts(bench, system, readings, ready[system.name][0]))

    if len(systems) == 1:
        system = systems[0]
        result = decode(read(system), system, best, ready[system.name][1], sure, lock=lock)
        result = _mind_places(bench, result, seen[system.name], system)
    else:
        result = decode_among(
            read,
            systems,
            best,
            sure,
            model_of=lambda s: ready[s.name][1],
            places=lambda readings, system: _place_evidence(readings, system, bench.place_sd),
        )
        result = evolve(result, notes=(*result.notes, *_places_ranked(bench, seen, systems)))
    system = next(s for s in systems if s.name == result.system)
    mean = ready[system.name][0]
    back = shift_back(result, _amounts(bench, system, seen[system.name], mean), mean)
    return evolve(
        back,
        notes=(*back.notes, *_notes(bench, system, len(texts))),
        assumed=tuple(_assumed(bench, system, seen[system.name], result)),
    )


def _check(bench: Bench, systems: Sequence[System], lock: str | None) -> None:
    """Raises BittingError for what can't be said of several systems."""
    if len(systems) > 1 and lock is not None:
        raise BittingError("--lock names a lock of one system, and several systems are compared", hint="name one -s")
    if len(systems) > 1 and bench.width is not None:
        raise BittingError(
            "--width is compared with the blade of one system, and several systems are compared", hint="name one -s"
        )
    if len({system.name for system in systems}) < len(systems):
        raise BittingError(
            "two of the systems have the same name", hint="give one of the files another name under [system]"
        )


def read_lists(texts: Sequence[str], system: System, unit: str | None, step: float) -> Readings:
    """All lists as readings of one key, no finer than the caliper's `step` (system's unit)."""
    lists = []
    for number, text in enumerate(texts, 1):
        try:
            lists.append(parse_readings(text, system, unit))
        except BittingError as fault:
            if len(texts) == 1:
                raise
            raise BittingError(
                f"list {number} of the readings: {fault.message}", hint=fault.hint, text=fault.text, span=fault.span
            ) from None
    readings = combined(lists)
    if not step:
        return readings
    cuts = tuple(
        evolve(cut, readings=tuple(evolve(r, digit=max(r.digit, step)) for r in cut.readings)) for cut in readings.cuts
    )
    return evolve(readings, cuts=cuts)


def _model(bench: Bench, system: System) -> tuple[float, MeasurementModel]:
    """Mean of the offset beforehand, and the model with what is left of its uncertainty."""
    model = bench.models[system.name]
    return (0.0, model) if bench.zero is None else bench.zero.offset(system, model)


def _amounts(bench: Bench, system: System, readings: Readings, mean: float) -> dict[str, float]:
    """What is taken off the readings of each track."""
    amounts = offset_amounts(readings, mean)
    for name, amount in (width_amounts(system, bench.width) if bench.width is not None else {}).items():
        amounts[name] += amount
    return amounts


def _place_evidence(readings: Readings, system: System, place_sd: float) -> float:
    fit = place_fit(readings, system, place_sd)
    return 0.0 if fit is None else fit.log_evidence


def _mind_places(bench: Bench, result: Decoded, readings: Readings, system: System) -> Decoded:
    """The answer of one system with what places along the blade say of how its readings were listed."""
    here = place_fit(readings, system, bench.place_sd)
    if here is None:
        return result
    turned = dict(ways(readings, system))["read from the tip"]
    backwards = _place_evidence(turned, system, bench.place_sd)
    odds = math.exp(min(backwards - here.log_evidence, 700.0)) * (1 - AS_GIVEN) / AS_GIVEN
    notes = [*result.notes, _place_note(system.name, here, bench.place_sd)]
    verdict = result.verdict
    if odds > 1:
        notes.append(
            "the places along the blade say that the list runs from the tip: if it does, write `from tip` before the colon"
        )
        verdict = "unsure" if verdict == "sure" else verdict
    return evolve(result, notes=tuple(notes), verdict=verdict)


def _places_ranked(bench: Bench, seen: Mapping[str, Readings], systems: Sequence[System]) -> list[str]:
    """A note per system on how its spaces agree with the places that were measured."""
    notes = []
    for system in systems:
        fit = place_fit(seen[system.name], system, bench.place_sd) if system.name in seen else None
        if fit is not None:
            notes.append(_place_note(system.name, fit, bench.place_sd))
    return notes


def _place_note(name: str, fit: PlaceFit, place_sd: float) -> str:
    if fit.other_end > 0.5:
        return f"places along the blade fit {name} only as measured from its other end: was tip taken for shoulder?"
    if abs(fit.off) > DISAGREE * place_sd:
        return f"places along the blade don't agree with {name}: that of cut {fit.worst} is {fit.off:+.2f} mm off"
    return f"places along the blade agree with {name} within {fit.rms:.2f} mm, {fit.shift:+.2f} mm shared by all"


def _notes(bench: Bench, system: System, lists: int) -> list[str]:
    """What was done with the readings before they were decoded."""
    notes = []
    if lists > 1:
        notes.append(f"{lists} lists of readings of the same key, joined cut by cut as repeats")
    if bench.width is not None:
        notes.append(width_note(system, bench.width))
    if bench.zero is not None:
        mean, sd = system.from_mm(bench.zero.mean), system.from_mm(bench.zero.sd)
        notes.append(f"the key of known code puts zero and jaws of the caliper at {mean:+.4f} ± {sd:.4f} {system.unit}")
    return notes


def _assumed(bench: Bench, system: System, readings: Readings, result: Decoded) -> list[str]:
    """What was assumed beside the model's figures."""
    parts = []
    step = bench.steps.get(system.name, 0.0)
    if step:
        parts.append(f"a caliper that shows steps of {step:.4g}")
    if bench.zero is not None:
        before = system.from_mm(bench.zero.before)
        parts.append(
            f"the caliper's zero and jaws (±{before:.4g} before, ±{system.from_mm(bench.zero.sd):.4g} now) shared with the "
            "key of known code and normally distributed, each key's own error not shared"
        )
    if bench.width is not None and any(track.measured == "far-edge" for track in system.tracks):
        parts.append("both edges of the blank in as far as each other")
    if any(cut.place is not None for cut in readings.cuts):
        parts.append(
            f"places along the blade ±{system.from_mm(bench.place_sd):.4g}, ±{system.from_mm(SHIFT_SD):.4g} shared, "
            f"from the other end in {OTHER_END:.0%} of cases"
        )
    if result.systems:
        parts.append(f"systems as likely as each other, readings listed as asked in {AS_GIVEN:.0%} of cases")
    return parts
