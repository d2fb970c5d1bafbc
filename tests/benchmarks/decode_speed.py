"""Times of decoding: beside a general library's chain, and for systems small and large.

    python -m tests.benchmarks.decode_speed [--keys 200] [--rounds 3]

First the plain chain (no shared error, no wear, no wrong readings), which is all a Gaussian hidden Markov model can say:
hmmlearn's `predict_proba` for all keys in one call, against `Decoder.decode_many` for the same keys with that model, and
with the whole measurement model (205 and more points of offset and wear). hmmlearn's chain takes every depth to have as
many successors, so the rule is one where that is so ("differ by an even amount") and both answer the same question; the
largest difference of their marginals is printed. Then milliseconds a key for several systems, tilt and left-right
difference on and off, one and two readings a cut; set-up (the diagram of legal codes) stands apart. Best of `--rounds`.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from attrs import evolve
from hmmlearn.hmm import GaussianHMM

from bitting.decoding import Decoder, MeasurementModel, model_of
from bitting.model import Readings, System
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_common import USUAL, Maker, make_system, readings_of

EVEN = ("adjacent cuts differ by an even amount",)
WHOLE = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)


def best_of(rounds: int, work: Callable[[], object]) -> float:
    """Seconds of the quickest round."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def beside_hmmlearn(cuts: int, depths: int, keys: int, rounds: int) -> None:
    """One plain chain, both ways, and the whole model on the same system."""
    system = make_system(cuts, depths, 0.5, EVEN)
    plain = MeasurementModel(reading_sd=0.15, offset_sd=0.0, wear=0.0, outliers=0.0)
    maker = Maker(system, plain, 1)
    drawn = [maker.key() for _ in range(keys)]
    readings = [readings_of(system, key, digit=0.0) for key in drawn]
    chain = GaussianHMM(depths, covariance_type="spherical", init_params="", params="")
    chain.n_features = 1
    chain.startprob_ = np.full(depths, 1 / depths)
    same = np.array([[(i - j) % 2 == 0 for j in range(depths)] for i in range(depths)], float)
    chain.transmat_ = same / same.sum(axis=1, keepdims=True)
    chain.means_ = np.array(system.tracks[0].depths)[:, None]
    chain.covars_ = np.full(depths, plain.reading_sd**2)
    observed = np.array([value for key in drawn for (value,) in key.values[0]])[:, None]
    lengths = [cuts] * keys
    decoder, whole = Decoder(system, plain), Decoder(system, WHOLE)
    theirs = best_of(rounds, lambda: chain.predict_proba(observed, lengths)) / keys * 1e3
    ours = best_of(rounds, lambda: decoder.decode_many(readings)) / keys * 1e3
    full = best_of(rounds, lambda: whole.decode_many(readings)) / keys * 1e3
    marginals = chain.predict_proba(observed, lengths).max(axis=1)
    own = np.array([cut.confidence for answer in decoder.decode_many(readings) for cut in answer.cuts])
    apart = "" if depths % 2 else f"; marginals of the best depths within {np.abs(marginals - own).max():.0e}"
    print(
        f"{cuts} cuts, {depths} depths, plain chain: hmmlearn {theirs:.3f} ms a key, decoding {ours:.3f} "
        f"({ours / theirs:.1f} times: codes in order, fit and offset too), whole model {full:.3f} "
        f"({full / theirs:.1f} times){apart}",
        flush=True,
    )


def times(title: str, system: System, model: MeasurementModel, keys: int, rounds: int) -> None:
    """One line: set-up, one reading and two, without and with tilt and left-right difference."""
    start = time.perf_counter()
    decoder = Decoder(system, evolve(model, tilt_sd=0.0, left_right_sd=0.0))
    setup = time.perf_counter() - start
    spread = Decoder(system, evolve(model, tilt_sd=system.from_mm(0.03), left_right_sd=system.from_mm(0.03)))
    told = []
    for one, count in ((decoder, keys), (spread, max(keys // 8, 4))):
        for repeats in (1, 2):
            maker = Maker(system, model, 1)
            readings: list[Readings] = [readings_of(system, maker.key(repeats), maker.digit) for _ in range(count)]
            one.decode_many(readings[:1])  # the fit's draws are made once per pattern of readings
            told.append(best_of(rounds, lambda d=one, r=readings: d.decode_many(r)) / count * 1e3)  # type: ignore[misc]
    print(
        f"  {title:34} set-up {setup * 1e3:6.0f} ms; one reading {told[0]:6.2f}, two {told[1]:6.2f}; "
        f"with tilt and left-right {told[2]:6.1f}, {told[3]:6.1f}",
        flush=True,
    )


def main() -> None:
    """Both tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=200)
    options.add_argument("--rounds", type=int, default=3)
    given = options.parse_args()
    for cuts, depths in ((7, 4), (7, 5), (10, 6), (12, 10)):
        beside_hmmlearn(cuts, depths, given.keys, given.rounds)
    print("milliseconds a key, many keys at once:")
    for cuts, depths, step in ((7, 5, 0.5), (10, 6, 0.4), (12, 10, 0.35)):
        system = make_system(cuts, depths, step, USUAL[:3])
        times(f"one track, {cuts} cuts, {depths} depths", system, WHOLE, given.keys, given.rounds)
    for name in shipped_systems():
        system = load_system(name)
        cuts = sum(lane.track.cuts for lane in system.lanes)
        times(f"{name}, {cuts} cuts", system, model_of(system), given.keys, given.rounds)


if __name__ == "__main__":
    main()
