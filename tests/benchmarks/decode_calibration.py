"""Is "90 %" right nine times in ten? Keys drawn from the model itself, their wear scale too, at three settings.

    python -m tests.benchmarks.decode_calibration [--keys 2000] [--seed 1] [--fixed-wear] [--setting 1|2|3]

For each setting: whole-key errors beside brute-force Bayes and rounding; expected calibration error (tests/scores.py, ten
equal bins) for whole keys and per cut, beside what a perfect forecaster of the same confidences gets from as many keys
(mean of 200 draws); Brier score. `--fixed-wear` gives every key half, once and twice the stated wear, and brute force
knows which.
"""

from __future__ import annotations

import argparse

import numpy as np
from attrs import frozen

from bitting.decoding import Decoder, MeasurementModel
from bitting.model import System
from tests.benchmarks.decode_common import SCALES, USUAL, BruteForce, Drawn, Maker, make_system, nearest, readings_of
from tests.scores import brier, calibration_error, sampling_floor

SETTINGS = (
    ("7 cuts, 5 depths, step 0.40", 7, 5, 0.40, MeasurementModel(0.05, 0.08, 0.06, 0.01)),
    ("7 cuts, 5 depths, step 0.50", 7, 5, 0.50, MeasurementModel(0.03, 0.05, 0.04, 0.01)),
    ("6 cuts, 6 depths, step 0.35", 6, 6, 0.35, MeasurementModel(0.03, 0.06, 0.05, 0.02)),
)


class Fixed(Maker):
    """Keys that all have the same mean wear, `factor` times the stated one."""

    def __init__(self, system: System, model: MeasurementModel, seed: int, factor: float) -> None:
        super().__init__(system, model, seed)
        self.factor = factor

    def scale(self) -> float:
        """The same for every key."""
        return self.factor * self.model.wear


@frozen
class Compared:
    """Errors of decoding, of Bayes and of rounding; calibration errors of whole keys and cuts, with what sampling alone gives."""

    errors: int
    bayes: int
    rounding: int
    whole: float
    floor: float
    cut: float
    cut_floor: float
    brier: float
    cut_brier: float
    sure: int
    wrong: int
    no_fit: int


def compared(maker: Maker, decoder: Decoder, brute: BruteForce, keys: int) -> Compared:
    """Draw, decode, compare."""
    drawn: list[Drawn] = [maker.key() for _ in range(keys)]
    answers = decoder.decode_many([readings_of(maker.system, key) for key in drawn])
    right = np.array([a.depths == key.depths for a, key in zip(answers, drawn, strict=True)], float)
    best = [brute.best(key)[0] for key in drawn]
    whole = np.array([a.probability for a in answers])
    cut = np.array([c.confidence for a in answers for c in a.cuts])
    cut_right = np.array(
        [
            x == y
            for a, key in zip(answers, drawn, strict=True)
            for x, y in zip(a.depths[0], key.depths[0], strict=True)
        ],
        float,
    )
    sure = np.array([a.verdict == "sure" for a in answers])
    return Compared(
        errors=int(keys - right.sum()),
        bayes=sum((code,) != key.depths for code, key in zip(best, drawn, strict=True)),
        rounding=sum(nearest(maker.system, key) != key.depths for key in drawn),
        whole=calibration_error(whole, right),
        floor=sampling_floor(whole, 1),
        cut=calibration_error(cut, cut_right),
        cut_floor=sampling_floor(cut, 2),
        brier=brier(whole, right),
        cut_brier=brier(cut, cut_right),
        sure=int(sure.sum()),
        wrong=int((sure & (right == 0)).sum()),
        no_fit=sum(a.verdict == "no-fit" for a in answers),
    )


def study(title: str, found: Compared, keys: int) -> None:
    """Print it."""
    print(f"{title}: {keys} keys")
    print(
        f"  whole keys wrong: decoding {found.errors}, Bayes {found.bayes} ({found.errors / found.bayes:.3f}), "
        f"rounding {found.rounding}"
    )
    print(
        f"  calibration error: whole keys {found.whole:.4f} (floor {found.floor:.4f}), "
        f"per cut {found.cut:.4f} (floor {found.cut_floor:.4f})"
    )
    print(f"  Brier score: whole keys {found.brier:.4f}, per cut {found.cut_brier:.4f}")
    print(
        f"  sure {found.sure}, wrong among them {found.wrong}; own keys called no-fit {found.no_fit} ({found.no_fit / keys:.2%})",
        flush=True,
    )


def main() -> None:
    """All settings."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=2000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--fixed-wear", action="store_true")
    options.add_argument("--setting", type=int, choices=(1, 2, 3))
    given = options.parse_args()
    for number, (title, cuts, depths, step, model) in enumerate(SETTINGS, 1):
        if given.setting not in (None, number):
            continue
        system = make_system(cuts, depths, step, USUAL)
        decoder = Decoder(system, model)
        if not given.fixed_wear:
            brute = BruteForce(system, model, SCALES)
            study(title, compared(Maker(system, model, given.seed), decoder, brute, given.keys), given.keys)
            continue
        for factor in (0.5, 1.0, 2.0):
            maker = Fixed(system, model, given.seed, factor)
            brute = BruteForce(system, model, ((factor, 1.0),))
            found = compared(maker, decoder, brute, given.keys)
            study(f"{title}, wear {factor:g} times the stated", found, given.keys)


if __name__ == "__main__":
    main()
