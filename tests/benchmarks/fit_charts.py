"""Charts fitted to simulated worn keys of each shipped system: how often a dimension lies within twice its uncertainty.

    python -m tests.benchmarks.fit_charts [--keys 5 20] [--runs 40] [--seed 1] [--unknown] [SYSTEM …]

Keys are drawn from the system's own measuring model (offset, tilt, left-right, wear whose level differs from key to key,
1 % of the readings simply wrong), the jaw left out; one dimension is known, that of the middle depth, and not counted.
`--unknown`: nobody knows the codes. Dimensions of one run share the known one, so the sampling error is that of the runs, not of
the dimensions: it is given as the standard deviation over the runs.
"""

from __future__ import annotations

import argparse
from math import sqrt

import numpy as np
from attrs import evolve

from bitting.authoring.fit import Anchor, Key, fit_chart
from bitting.decoding.model import model_of
from bitting.errors import BittingError
from bitting.model import code_of
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_common import Maker, readings_of


def main() -> None:
    """Draw, fit, count."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("systems", nargs="*", default=list(shipped_systems()))
    options.add_argument("--keys", type=int, nargs="+", default=[5, 20])
    options.add_argument("--runs", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--unknown", action="store_true", help="the codes of the keys are not known")
    given = options.parse_args()
    for number in given.keys:
        every: list[float] = []
        for name in given.systems:
            system = load_system(name)
            system = evolve(system, measuring=evolve(system.measuring, jaw=None))
            track = system.tracks[0]
            middle = len(track.labels) // 2
            maker = Maker(system, model_of(system), given.seed)
            shares, sizes = [], []
            skipped = 0
            for _ in range(given.runs):
                drawn = [maker.key() for _ in range(number)]
                keys = [
                    Key(
                        row,
                        readings_of(system, key, maker.digit),
                        None if given.unknown else code_of(system, key.depths),
                    )
                    for row, key in enumerate(drawn, start=1)
                ]
                try:
                    found = fit_chart(system, keys, Anchor(known=(0, middle, track.depths[middle])))
                except BittingError:  # no key has the middle depth
                    skipped += 1
                    continue
                off = [
                    abs(estimate.mean - found.chart(key)) / estimate.sd
                    for key, estimate in found.depths.items()
                    if key[1] != track.labels[middle]
                ]
                shares.append(float(np.mean([ratio < 2 for ratio in off])))
                sizes.append(
                    float(np.mean([e.sd for key, e in found.depths.items() if key[1] != track.labels[middle]]))
                )
            every += shares
            error = float(np.std(shares) / sqrt(len(shares)))
            print(
                f"{name}, {number} keys: {np.mean(shares):.1%} ± {error:.1%} within twice their uncertainty, which is "
                f"{np.mean(sizes):.4f} {system.unit} on average ({len(shares)} runs{f', {skipped} skipped' if skipped else ''})",
                flush=True,
            )
        error = float(np.std(every) / sqrt(len(every)))
        print(f"all, {number} keys: {np.mean(every):.1%} ± {error:.1%} ({len(every)} runs)", flush=True)


if __name__ == "__main__":
    main()
