"""Which system is this key? The evidence of each, for the readings as given, read from the tip, or with sides exchanged.

The evidence of a system is the density of the readings under all its legal codes, each as likely as any other; systems
are as likely as each other beforehand, and within a system the readings as given have `AS_GIVEN` of it, the other ways
share the rest. Densities are compared per millimetre whatever the system's unit. A system with far more legal codes is
not favoured: its codes share the same weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence

from attrs import evolve

from bitting.decoding.decoder import SURE, Decoder
from bitting.decoding.model import Made, MeasurementModel
from bitting.decoding.positions import place_evidence
from bitting.decoding.result import Decoded, SystemRank
from bitting.errors import BittingError
from bitting.model import ReadCut, Readings, System

AS_GIVEN = 0.9
"""Probability beforehand that the readings were listed as the notation has it."""

_Way = tuple[float, str, Decoded, Readings, Decoder]
"""One way of reading of one system: its log weight, the way in words, the answer, the readings that way, the decoder."""


def decode_among(
    read: Callable[[System], Readings],
    systems: Sequence[System],
    best: int = 5,
    sure: float = SURE,
    *,
    made: Made | None = None,
    model_of: Callable[[System], MeasurementModel] | None = None,
    places: Callable[[Readings, System], float] = place_evidence,
) -> Decoded:
    """The answer of the system with the most evidence, with the ranking of all in `.systems`.

    `read` gives the readings as one system understands them and may raise `BittingError` for a system they can't belong
    to (another number of cuts, other tracks): such a system has probability 0 and its reason among `.notes`. Raises
    the first of these errors when no system is left. The verdict is unsure at best when another system, or another way
    of reading, holds more than what `sure` leaves. `places` gives the log density (per mm) of the places measured along
    the blade under a system's spaces, which counts beside that of the readings.
    """
    found: list[_Way] = []
    notes: list[str] = []
    faults: list[BittingError] = []
    for system in systems:
        try:
            readings = read(system)
            decoder = Decoder(system, model_of(system) if model_of else None, made=made)
            found += _ways_of(readings, decoder, best, sure, places)
        except BittingError as fault:
            faults.append(fault)
            notes.append(f"{system.name}: {fault.message}")
    if not found:
        raise faults[0]
    top = max(weight for weight, *_ in found)
    shares = [math.exp(weight - top) for weight, *_ in found]
    total = sum(shares)
    shares = [share / total for share in shares]
    winner = max(range(len(found)), key=lambda i: shares[i])
    _, way, _, readings, decoder = found[winner]
    answer = decoder.decode(readings, best, sure)
    verdict = answer.verdict
    if verdict == "sure" and answer.probability * shares[winner] < sure:
        verdict = "unsure"
    if way != "as given":
        notes.insert(0, f"the readings fit best {way}; the code is for the key held the usual way")
    ranks = _ranks(systems, found, shares)
    return evolve(answer, verdict=verdict, systems=ranks, notes=(*answer.notes, *notes), way=way)


def _ways_of(
    readings: Readings, decoder: Decoder, best: int, sure: float, places: Callable[[Readings, System], float]
) -> list[_Way]:
    """The answers of one system for each way in which the key may have been held."""
    turns = list(ways(readings, decoder.system))
    out = []
    for way, turned in turns:
        prior = AS_GIVEN if way == "as given" else (1 - AS_GIVEN) / (len(turns) - 1)
        answer = decoder.decode(turned, best, sure, advise=False)
        weight = per_mm(answer, turned, decoder.system) + places(turned, decoder.system) + math.log(prior)
        out.append((weight, way, answer, turned, decoder))
    return out


def per_mm(answer: Decoded, readings: Readings, system: System) -> float:
    """The log evidence with every reading's density taken per millimetre."""
    count = sum(len(cut.readings) for cut in readings.cuts)
    return answer.log_evidence - count * math.log(system.in_mm(1.0))


def _ranks(
    systems: Sequence[System],
    found: Sequence[_Way],
    shares: Sequence[float],
) -> tuple[SystemRank, ...]:
    """One rank per system, its ways of reading together, the most probable first."""
    ranks = []
    for system in systems:
        own = [i for i, row in enumerate(found) if row[4].system is system]
        if not own:
            ranks.append(SystemRank(system.name, 0.0, "can't be read", -math.inf, fits=False))
            continue
        best = max(own, key=lambda i: shares[i])
        weight, way, answer, _, _ = found[best]
        ranks.append(
            SystemRank(
                system.name, sum(shares[i] for i in own), way, weight, fits=answer.verdict != "no-fit", code=answer.code
            )
        )
    return tuple(sorted(ranks, key=lambda rank: -rank.probability))


def ways(readings: Readings, system: System) -> Iterator[tuple[str, Readings]]:
    """The ways in which a key may have been held while it was measured, each as readings of the key held right."""
    yield "as given", readings
    yield "read from the tip", _changed(readings, lambda cut: evolve(cut, cut=_cuts(system, cut.track) - 1 - cut.cut))
    if system.sided and len(system.sides) == 2:
        other = dict(zip(system.sides, reversed(system.sides), strict=True))
        yield "with the sides exchanged", _changed(readings, lambda cut: evolve(cut, side=other.get(cut.side or "")))
    if len(system.tracks) == 2 and system.tracks[0].cuts == system.tracks[1].cuts:
        names = [track.name for track in system.tracks]
        swap = dict(zip(names, reversed(names), strict=True))
        title = f"with {names[0]} and {names[1]} exchanged"
        yield title, _changed(readings, lambda cut: evolve(cut, track=swap.get(cut.track, cut.track)))


def _cuts(system: System, track: str) -> int:
    if track == "across":
        across = system.measuring.across
        return min(system.track(name).cuts for name in across.tracks) if across else 0
    return system.track(track).cuts


def _changed(readings: Readings, change: Callable[[ReadCut], ReadCut]) -> Readings:
    return evolve(readings, cuts=tuple(change(cut) for cut in readings.cuts))
