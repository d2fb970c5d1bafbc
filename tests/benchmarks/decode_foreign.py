"""Foreign keys: how many are called sure, beside how many of the system's own keys are called no-fit.

    python -m tests.benchmarks.decode_foreign [--keys 500] [--seed 1]

A foreign key is drawn from an invented system with as many cuts but other depths (another step, another first depth), one
and two readings a cut.
"""

from __future__ import annotations

import argparse

from attrs import evolve

from bitting.decoding import Decoder, MeasurementModel
from tests.benchmarks.decode_common import Maker, make_system, readings_of
from tests.benchmarks.decode_worn import USUAL


def main() -> None:
    """Every pair of systems."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=500)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
    for cuts in (7, 10):
        home = make_system(cuts, 5, 0.50, USUAL)
        decoder = Decoder(home, model)
        for step, first in ((0.50, 0.0), (0.50, 0.25), (0.45, 0.0), (0.60, 0.0), (0.35, 0.10)):
            other = make_system(cuts, 5, step, USUAL)
            track = other.tracks[0]
            other = evolve(other, tracks=(evolve(track, depths=tuple(d - first for d in track.depths)),))
            for repeats in (1, 2):
                maker = Maker(other, model, given.seed)
                keys = [readings_of(other, maker.key(repeats)) for _ in range(given.keys)]
                answers = decoder.decode_many(keys)
                sure = sum(a.verdict == "sure" for a in answers) / given.keys
                no_fit = sum(a.verdict == "no-fit" for a in answers) / given.keys
                whose = "own" if (step, first) == (0.50, 0.0) else f"step {step:.2f}, first depth {first:.2f} lower"
                print(f"{cuts} cuts, {repeats} reading(s): {whose}: sure {sure:.1%}, no-fit {no_fit:.1%}", flush=True)


if __name__ == "__main__":
    main()
