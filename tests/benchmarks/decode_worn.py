"""Worn keys of a 7-cut, 5-depth system: whole-key errors of decoding, of brute-force Bayes and of rounding each cut.

    python -m tests.benchmarks.decode_worn [--keys 1000] [--seed 1] [--drawn] [--loose]

Increment 0.40 mm, reading 0.05, offset 0.08, wear exponential with mean 0.06, 1 % outliers. The wear scale of every key
is the stated one (which decoding doesn't know: to it the scale is one unknown per key); `--drawn` draws it as the model
has it, up to four times the stated one. Brute-force Bayes knows what decoding knows.
"""

from __future__ import annotations

import argparse
import time

from bitting.decoding import Decoder, MeasurementModel
from tests.benchmarks.decode_common import BruteForce, Maker, make_system, nearest, readings_of

USUAL = (
    "adjacent cuts differ by at most 2",
    "no more than 2 equal cuts in a row",
    "at least 3 different depths",
    "first cut is one of 1 2 3",
    "last cut is one of 1 2",
)
LOOSE = ("adjacent cuts differ by at most 3", "no more than 3 equal cuts in a row")


class Stated(Maker):
    """Keys of the stated mean wear."""

    def scale(self) -> float:
        """The model's own."""
        return self.model.wear


def main() -> None:
    """Draw, decode three ways, count."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=1000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--drawn", action="store_true", help="draw the wear scale of every key from the model")
    options.add_argument(
        "--loose", action="store_true", help="a system with hardly any rules, which help to tell codes apart"
    )
    given = options.parse_args()
    model = MeasurementModel(reading_sd=0.05, offset_sd=0.08, wear=0.06, outliers=0.01)
    system = make_system(7, 5, 0.40, LOOSE if given.loose else USUAL)
    maker = Maker(system, model, given.seed) if given.drawn else Stated(system, model, given.seed)
    keys = [maker.key() for _ in range(given.keys)]
    decoder = Decoder(system, model)
    start = time.perf_counter()
    answers = [decoder.decode(readings_of(system, key), 1, advise=False) for key in keys]
    took = time.perf_counter() - start
    brute = BruteForce(system, model)
    exact = [brute.best(key) for key in keys]
    errors = sum(answer.depths != key.depths for answer, key in zip(answers, keys, strict=True))
    brute_errors = sum((code,) != key.depths for (code, _), key in zip(exact, keys, strict=True))
    rounding = sum(nearest(system, key) != key.depths for key in keys)
    same = sum(answer.depths == (code,) for answer, (code, _) in zip(answers, exact, strict=True))
    apart = max(abs(answer.probability - p) for answer, (_, p) in zip(answers, exact, strict=True))
    sure = [(answer, key) for answer, key in zip(answers, keys, strict=True) if answer.verdict == "sure"]
    print(f"{given.keys} keys, seed {given.seed}: whole keys wrong")
    print(f"  decoding            {errors}   ({took / given.keys * 1e3:.2f} ms a key)")
    print(f"  brute-force Bayes   {brute_errors}   (same code on {same}; probabilities within {apart:.1e})")
    print(f"  rounding each cut   {rounding}")
    print(f"  called sure {len(sure)}, wrong among them {sum(a.depths != k.depths for a, k in sure)}")
    print(f"  own keys called no-fit {sum(answer.verdict == 'no-fit' for answer in answers)}")


if __name__ == "__main__":
    main()
