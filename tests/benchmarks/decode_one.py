"""Milliseconds that one key takes at the bench: `Decoder.decode` with everything it answers, after set-up.

    python -m tests.benchmarks.decode_one [--keys 12] [system ...]

Every shipped system as its file stands (offset, wear, tilt, left-right difference and jaw as stated), keys drawn from its
own model, one and two readings a cut; answers that are sure apart from those that aren't, which get advice on what to
measure again. Then, where the system says what a reading across is, readings across all cuts beside those of the single
tracks, and across beside one track alone; and both ways of reading without wrong readings in the model (`outliers` 0).
Processor time, median and worst; the first key of a pattern, which also draws the fit's 4000 keys, stands apart.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from attrs import evolve

from bitting.decoding import Decoder, MeasurementModel, model_of
from bitting.model import ReadCut, Reading, Readings, System
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_common import Maker, readings_of


def with_across(system: System, readings: Readings, tracks: tuple[str, ...]) -> Readings:
    """Of two readings a cut, the first as the reading of its track (of those wanted), the second within one across."""
    across = system.measuring.across
    if across is None:
        raise ValueError(f"{system.name} doesn't say what a reading across is")
    out = []
    second: dict[tuple[str | None, int, str], Reading] = {}
    for cut in readings.cuts:
        second[cut.side, cut.cut, cut.track] = cut.readings[1]
        if cut.track in tracks:
            out.append(evolve(cut, readings=cut.readings[:1]))
    for side, number in sorted({(side or "", number) for side, number, _ in second}):
        both = [second[side or None, number, track] for track in across.tracks]
        value = across.scale * sum(reading.value for reading in both) + across.amount
        out.append(ReadCut(side or None, "across", number, (evolve(both[0], value=value),)))
    return evolve(readings, cuts=tuple(out))


def keys_of(system: System, count: int, repeats: int, seed: int = 1) -> list[Readings]:
    """Keys drawn from the system's own model."""
    maker = Maker(system, model_of(system), seed)
    return [readings_of(system, maker.key(repeats), maker.digit) for _ in range(count)]


def times(decoder: Decoder, keys: list[Readings]) -> tuple[float, dict[bool, list[float]]]:
    """Milliseconds of the first key, and those of the others by whether they were sure."""
    taken: dict[bool, list[float]] = {True: [], False: []}
    first = 0.0
    for number, readings in enumerate(keys):
        start = time.process_time()
        answer = decoder.decode(readings)
        spent = (time.process_time() - start) * 1e3
        if number == 0:
            first = spent
        else:
            taken[answer.verdict == "sure"].append(spent)
    return first, taken


def line(title: str, system: System, keys: list[Readings], model: MeasurementModel | None = None) -> None:
    """One line of the table."""
    first, taken = times(Decoder(system, model), keys)
    told = []
    for sure, word in ((True, "sure"), (False, "not sure")):
        own = taken[sure]
        told.append(
            f"{word} {np.median(own):5.0f}, worst {max(own):5.0f} ({len(own):2})" if own else f"{word}   -" + 18 * " "
        )
    print(f"{system.name:7} {title:34} {'; '.join(told)}; first {first:5.0f}", flush=True)


def main() -> None:
    """The table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("systems", nargs="*")
    options.add_argument("--keys", type=int, default=12)
    given = options.parse_args()
    print("milliseconds of processor time a key")
    for name in given.systems or shipped_systems():
        system = load_system(name)
        keys: Callable[[int], list[Readings]] = lambda n, s=system: keys_of(s, given.keys + 1, n)  # type: ignore[misc]  # noqa: E731
        certain = evolve(model_of(system), outliers=0.0)
        line("one reading", system, keys(1))
        line("two readings", system, keys(2))
        line("one reading, none wrong", system, keys(1), certain)
        across = system.measuring.across
        if across is None:
            continue
        for tracks, said in ((across.tracks, "both tracks"), (across.tracks[:1], across.tracks[0])):
            drawn = [with_across(system, readings, tracks) for readings in keys(2)]
            line(f"across beside {said}", system, drawn)
            line(f"across beside {said}, none wrong", system, drawn, certain)


if __name__ == "__main__":
    main()
