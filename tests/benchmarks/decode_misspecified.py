"""Keys and calipers that are not as the model has them: how many answers are called sure, how many of those are wrong.

    python -m tests.benchmarks.decode_misspecified [--keys 40] [--seed 1] [--case WORD] [--own-error 0.0]

Every case bends one thing and leaves the rest as the model has it (the defaults: reading 0.03, offset 0.05, tilt 0.03,
left-right 0.03, mean wear 0.04, 1 % of readings simply wrong); decoding isn't told. 7 cuts are one track, 14 cuts two
tracks that no rule couples; each system has 5 depths, `step` mm apart. `--keys` is per line and number of readings;
`--case` takes the cases whose name holds a word; `--own-error` gives the model a `cut_sd`, as the shipped systems do.

Shares come with their 95 % limits (Clopper and Pearson) and with what the answers' own probabilities say of them: with one
reading a cut and 1 % of readings simply wrong, a wrong reading that lands on another legal depth can't be seen, so sure
answers are wrong now and then even where the model is right.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence

import numpy as np
from attrs import evolve

from bitting.decoding import Decoded, Decoder, MeasurementModel, model_of
from bitting.model import System, Track
from tests.benchmarks.decode_common import Drawn, Maker, make_system, readings_of
from tests.benchmarks.decode_worn import USUAL

Array = np.ndarray


class Model(Maker):
    """As the model has it: for comparison."""

    name = "as the model has it"


class ShallowWear(Maker):
    """Twice the stated wear on the two shallowest depths, none on the others."""

    name = "heavy wear on shallow cuts only (mean 0.08)"
    factor = 2.0

    def wear(self, depths: Array, scale: float) -> Array:  # noqa: ARG002 - every key is the same
        """The wear of a lane."""
        return self.random.exponential(size=depths.size) * np.where(depths < 2, self.factor * self.model.wear, 0.0)


class HardWear(ShallowWear):
    """Three times the stated."""

    name = "harder wear on shallow cuts only (mean 0.12)"
    factor = 3.0


class TipWear(Maker):
    """Wear that grows from half the stated at the bow to twice it at the tip."""

    name = "wear growing towards the tip (mean 0.02 to 0.08)"

    def wear(self, depths: Array, scale: float) -> Array:  # noqa: ARG002 - every key is the same
        """The wear of a lane."""
        return self.random.exponential(size=depths.size) * np.linspace(0.5, 2.0, depths.size) * self.model.wear


class Wrong(Maker):
    """3 % of readings simply wrong, half of them taken at the neighbouring cut."""

    name = "3 % outliers, half a neighbour's depth"

    def __init__(self, system: System, model: MeasurementModel, seed: int) -> None:
        super().__init__(system, evolve(model, outliers=0.03), seed)

    def outlier(self, track: Track, true: Array, cut: int) -> float:
        """Uniform, or the cut before or after."""
        if self.random.random() < 0.5:
            return super().outlier(track, true, cut)
        there = [c for c in (cut - 1, cut + 1) if 0 <= c < track.cuts]
        return float(true[self.random.choice(there)] + self.random.standard_normal() * self.model.reading_sd)


class Offset(Maker):
    """Every key's offset 2.5 prior standard deviations out, up or down."""

    name = "offset 2.5 sd out"

    def shared(self) -> Array:
        """(offset, tilt, left-right)."""
        drawn = super().shared()
        drawn[0] = self.random.choice([-2.5, 2.5]) * self.model.offset_sd
        return drawn


class Tilt(Maker):
    """0.15 mm more (or less) shared error at the last cut than at the first: five prior standard deviations."""

    name = "tilt of 0.15 either way"

    def shared(self) -> Array:
        """(offset, tilt, left-right)."""
        drawn = super().shared()
        drawn[1] = self.random.choice([-0.15, 0.15])
        return drawn


class LeftRight(Maker):
    """Left reads 0.08 more, right 0.08 less; where there is one track, it is a left one."""

    name = "left +0.08, right -0.08"

    def shared(self) -> Array:
        """(offset, tilt, left-right)."""
        drawn = super().shared()
        if len(self.system.tracks) == 1:
            drawn[0] += 0.08
        drawn[2] = 0.08
        return drawn


class Jaw(Maker):
    """A cut with a shallower neighbour reads up to 0.05 shallow, the same at every reading of it."""

    name = "jaw up to 0.05 shallow on ramps"

    def extra(self, track: Track, row: Array) -> Array:
        """Towards shallower, where a neighbour is shallower."""
        before, after = np.roll(row, 1), np.roll(row, -1)
        before[0], after[-1] = row[0], row[-1]
        narrow = (before < row) | (after < row)
        return np.asarray(-track.deeper * self.random.uniform(0, 0.05, row.size) * narrow)


class Coarse(Maker):
    """A caliper that shows steps of 0.05, its readings written with two decimals."""

    name = "caliper in steps of 0.05"

    def rounded(self, value: float) -> float:
        """To a whole number of steps."""
        return round(round(value / 0.05) * 0.05, 2)


CASES = (Model, ShallowWear, HardWear, TipWear, Wrong, Offset, Tilt, LeftRight, Jaw, Coarse)


def limits(wrong: int, sure: int) -> tuple[float, float]:
    """95 % limits of a share (Clopper and Pearson 1934, by the beta distribution)."""
    from scipy.stats import beta

    low = float(beta.ppf(0.025, wrong, sure - wrong + 1)) if wrong else 0.0
    high = float(beta.ppf(0.975, wrong + 1, sure - wrong)) if wrong < sure else 1.0
    return low, high


class Tally:
    """Answers called sure at one limit, those of them that are wrong, and how many would be if all were as stated."""

    def __init__(self, limit: float) -> None:
        self.limit, self.sure, self.wrong, self.expected = limit, 0, 0, 0.0

    def add(self, answers: Sequence[Decoded], drawn: Sequence[Drawn]) -> str:
        """Count some keys; `sure, wrong` of these alone."""
        sure = wrong = 0
        for answer, key in zip(answers, drawn, strict=True):
            if answer.verdict == "sure" and answer.probability >= self.limit:
                sure += 1
                wrong += answer.depths != key.depths
                self.expected += 1 - answer.probability
        self.sure, self.wrong = self.sure + sure, self.wrong + wrong
        return f"{sure / len(drawn):6.1%} {wrong:3}/{sure:<4}"

    def __str__(self) -> str:
        low, high = limits(self.wrong, self.sure)
        share = self.wrong / max(self.sure, 1)
        stated = self.expected / max(self.sure, 1)
        return f"at {self.limit:.0%}: {self.wrong}/{self.sure} wrong, {share:.2%} ({low:.2%} to {high:.2%}), stated {stated:.2%}"


def line(case: type[Maker], decoders: dict[tuple[int, float], Decoder], keys: int, seed: int) -> None:
    """One case at every number of cuts and step, one and two readings a cut, and all of them together."""
    start = time.perf_counter()
    print(getattr(case, "name", ""), flush=True)
    tallies = {repeats: [Tally(0.95), Tally(0.99)] for repeats in (1, 2)}
    for (tracks, step), decoder in decoders.items():
        parts = []
        for repeats, several in tallies.items():
            maker = case(decoder.system, decoder.model, seed + 1000 * tracks + round(100 * step) + 7 * repeats)
            drawn = [maker.key(repeats) for _ in range(keys)]
            answers = decoder.decode_many([readings_of(decoder.system, key) for key in drawn])
            no_fit = sum(a.verdict == "no-fit" for a in answers) / keys
            right = sum(a.depths == k.depths for a, k in zip(answers, drawn, strict=True)) / keys
            told = ", ".join(f"sure at {t.limit:.0%} {t.add(answers, drawn)} wrong" for t in several)
            parts.append(f"{told}, no-fit {no_fit:5.1%}, right {right:6.1%}")
        print(f"  {7 * tracks:2} cuts, step {step:.2f}:  one reading: {parts[0]};  two: {parts[1]}", flush=True)
    for repeats, several in tallies.items():
        print(f"  {repeats} reading(s) a cut, together: {'; '.join(map(str, several))}")
    print(f"  [{time.perf_counter() - start:.0f} s]", flush=True)


def main() -> None:
    """Every case."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--case", default="")
    options.add_argument("--own-error", type=float, default=0.0)
    given = options.parse_args()
    decoders = {}
    for tracks in (1, 2):
        for step in (0.30, 0.45, 0.60):
            system = make_system(7, 5, step, USUAL, tracks)
            model = evolve(model_of(system), cut_sd=given.own_error)
            decoders[tracks, step] = Decoder(system, model)
    for case in CASES:
        if given.case in getattr(case, "name", ""):
            line(case, decoders, given.keys, given.seed)


if __name__ == "__main__":
    main()
