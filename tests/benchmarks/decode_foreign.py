"""Foreign keys: how many are called sure, beside how many of a system's own keys are called no-fit.

    python -m tests.benchmarks.decode_foreign [--keys 100] [--seed 1] [--part shipped|invented]

*Shipped*: keys of each of the shipped systems, read as a key of each other one. No two of them have the same shape, so
that readings in the notation can't be mistaken: a list with another number of cuts is an error. A locksmith with the wrong
system in mind may still measure what the system asks for; so the cuts are taken track by track and cut by cut, what the
system doesn't have is left out and what the key doesn't have is open (`?`). *Own* is the system's own keys.

*Invented*: keys of systems with as many cuts and other depth tables (another step, another first depth). How far they
can be told apart at all is shown by Bayes between the two: the share of these keys for which the evidence of their own
system is not even three times that of the other. Such keys read like a key of the other system to every method.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import numpy as np
from attrs import evolve

from bitting.decoding import Decoded, Decoder, MeasurementModel, model_of
from bitting.model import ReadCut, Reading, Readings, System
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_common import USUAL, Drawn, Maker, make_system, readings_of


def as_key_of(other: System, system: System, key: Drawn, digit: float) -> Readings:
    """The readings of a key of `system` as whoever takes it for one of `other` would list them, in its unit."""
    factor = system.in_mm(1.0) / other.in_mm(1.0)
    cuts = []
    for number, lane in enumerate(other.lanes):
        rows: Sequence[tuple[float, ...]] = key.values[number] if number < len(key.values) else ()
        for cut in range(lane.track.cuts):
            values = [value * factor for value in rows[cut]] if cut < len(rows) else []
            several = tuple(Reading(value, None, digit * factor, (0, 0)) for value in values)
            cuts.append(ReadCut(lane.side, lane.track.name, cut, several))
    return Readings(other, "", other.unit, tuple(cuts))


def verdicts(answers: Sequence[Decoded]) -> tuple[float, float]:
    """Shares called sure and no-fit."""
    return tuple(float(np.mean([a.verdict == word for a in answers])) for word in ("sure", "no-fit"))  # type: ignore[return-value]


def shipped(keys: int, seed: int) -> None:
    """Every shipped system's keys as keys of every shipped system, one and two readings a cut."""
    systems = [load_system(name) for name in shipped_systems()]
    makers = {system.name: Maker(system, model_of(system), seed) for system in systems}
    foreign: dict[int, list[tuple[float, float]]] = {1: [], 2: []}
    for home in systems:
        decoder = Decoder(home)
        for system in systems:
            maker = makers[system.name]
            told = []
            for repeats in (1, 2):
                drawn = [as_key_of(home, system, maker.key(repeats), maker.digit) for _ in range(keys)]
                sure, no_fit = verdicts(decoder.decode_many(drawn))
                told.append(f"{repeats} reading(s): sure {sure:6.1%}, no-fit {no_fit:6.1%}")
                if system is not home:
                    foreign[repeats].append((sure, no_fit))
            whose = "own keys" if system is home else f"keys of {system.name}"
            print(f"as {home.name:7} {whose:16} {'; '.join(told)}", flush=True)
    for repeats, shares in foreign.items():
        sure, no_fit = np.mean(shares, axis=0)
        print(
            f"all foreign, {repeats} reading(s): sure {sure:.1%} (worst pair {max(shares)[0]:.1%}), no-fit {no_fit:.1%}"
        )


def invented(keys: int, seed: int) -> None:
    """Keys of other depth tables, as many cuts."""
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
    for cuts in (7, 10):
        home = make_system(cuts, 5, 0.50, USUAL)
        decoder = Decoder(home, model)
        for step, first in ((0.50, 0.0), (0.50, 0.25), (0.45, 0.0), (0.60, 0.0), (0.35, 0.10), (0.70, 0.0)):
            other = make_system(cuts, 5, step, USUAL)
            track = other.tracks[0]
            other = evolve(other, tracks=(evolve(track, depths=tuple(d - first for d in track.depths)),))
            own = Decoder(other, model)
            whose = "own" if (step, first) == (0.50, 0.0) else f"step {step:.2f}, first depth {first:.2f} lower"
            for repeats in (1, 2):
                maker = Maker(other, model, seed)
                readings = [readings_of(other, maker.key(repeats)) for _ in range(keys)]
                answers = decoder.decode_many(readings)
                sure, no_fit = verdicts(answers)
                line = f"{cuts} cuts, {repeats} reading(s): {whose}: sure {sure:.1%}, no-fit {no_fit:.1%}"
                if whose != "own":
                    theirs = np.array([a.log_evidence for a in own.decode_many(readings)])
                    ratio = theirs - np.array([a.log_evidence for a in answers])
                    called = np.array([a.verdict == "sure" for a in answers])
                    alike = called & (ratio < np.log(3))
                    line += (
                        f"; evidence for their own system under 3 to 1: {np.mean(ratio < np.log(3)):.1%}, "
                        f"over 20 to 1: {np.mean(ratio > np.log(20)):.1%}; sure though under 3 to 1: {alike.mean():.1%}"
                    )
                print(line, flush=True)


def main() -> None:
    """Both parts."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=100)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--part", choices=("shipped", "invented"))
    given = options.parse_args()
    if given.part != "invented":
        shipped(given.keys, given.seed)
    if given.part != "shipped":
        invented(given.keys, given.seed)


if __name__ == "__main__":
    main()
