"""Which system is this key? The evidence of each, over every way in which its list may have been taken.

The evidence of a system is the density of the readings (and places) under all its legal codes, each as likely as any other;
systems are as likely as each other beforehand. Densities are compared per millimetre whatever the system's unit. A system
with far more legal codes is not favoured: its codes share the same weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from attrs import evolve

from bitting.decoding.decoder import SURE, Decoder
from bitting.decoding.model import Made, MeasurementModel
from bitting.decoding.positions import PLACE_SD
from bitting.decoding.result import Decoded, SystemRank
from bitting.errors import BittingError
from bitting.model import Readings, System


def decode_among(
    read: Callable[[System], Readings],
    systems: Sequence[System],
    best: int = 5,
    sure: float = SURE,
    *,
    made: Made | None = None,
    model_of: Callable[[System], MeasurementModel] | None = None,
    place_sd: float = PLACE_SD,
    jaw_said: bool = False,
) -> Decoded:
    """The answer of the system with the most evidence, with the ranking of all in `.systems`.

    `read` gives the readings as one system understands them and may raise `BittingError` for a system they can't belong
    to (another number of cuts, other tracks): such a system is not compared, and its reason stands among `.notes`. Raises
    the first of these errors when no system is left. The verdict is unsure at best when another system holds more than
    what `sure` leaves. `place_sd` and `jaw_said` are those of a `Decoder`.
    (Long: what is found of each system goes into the ranking, the notes and the answer.)
    """
    found: list[tuple[float, Decoded, Decoder]] = []
    given: dict[str, Readings] = {}
    notes: list[str] = []
    faults: list[BittingError] = []
    for system in systems:
        try:
            readings = read(system)
            model = model_of(system) if model_of else None
            decoder = Decoder(system, model, made=made, place_sd=place_sd, jaw_said=jaw_said)
            answer = decoder.decode(readings, best, sure, advise=False)
        except BittingError as fault:
            faults.append(fault)
            notes.append(f"{system.name} not compared: {fault.message}")
            continue
        given[system.name] = readings
        found.append((per_mm(answer, readings, system), answer, decoder))
    if not found:
        raise faults[0]
    top = max(weight for weight, *_ in found)
    total = sum(math.exp(weight - top) for weight, *_ in found)
    ranks = [
        SystemRank(
            answer.system, math.exp(weight - top) / total, answer.listed, weight, fits=answer.verdict != "no-fit",
            code=answer.code,
        )
        for weight, answer, _ in found
    ]  # fmt: skip
    ranks.sort(key=lambda rank: -rank.probability)
    known = {rank.system for rank in ranks}
    ranks += [
        SystemRank(system.name, 0.0, "not compared", -math.inf, fits=False, compared=False)
        for system in systems
        if system.name not in known
    ]
    _, answer, decoder = next(row for row in found if row[1].system == ranks[0].system)
    if answer.verdict != "sure":
        answer = decoder.decode(given[answer.system], best, sure)
    verdict = answer.verdict
    if verdict == "sure" and answer.probability * ranks[0].probability < sure:
        verdict = "unsure"
    return evolve(answer, verdict=verdict, systems=tuple(ranks), notes=(*answer.notes, *notes))


def per_mm(answer: Decoded, readings: Readings, system: System) -> float:
    """The log evidence with every reading's density taken per millimetre."""
    count = sum(len(cut.readings) for cut in readings.cuts)
    return answer.log_total - count * math.log(system.in_mm(1.0))
