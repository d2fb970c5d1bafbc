"""How often `inspect` passes a cut that is exactly as much too deep as the tolerance allows, case by case.

Each cut is made 0.05 too deep (plover, tolerance 0.05) and read four times with a jaw of 0.5 mm: caliper, hand and digits
drawn from the stated uncertainties, the jaw where the case puts it. A guard of 95 % is meant to pass 5 % of them.

    python -m tests.benchmarks.jaw_rates [KEYS]
"""

from __future__ import annotations

import math
import sys

import numpy as np

import bitting
from bitting.machine.inspect.inspection import inspect
from bitting.machine.inspect.uncertainty import Gauge, reading_sd_of, split
from bitting.model import ReadCut, Reading, Readings, code_of

CASES = {
    "no stand-off (a knife edge)": ([2, 2, 2, 2, 2, 2, 2], 3, 0.0),
    "lone deep cut, between two shallower": ([0, 0, 0, 2, 0, 0, 0], 3, 0.5),
    "first cut, beside a shallower one and the bow": ([2, 0, 0, 0, 0, 0, 0], 0, 0.5),
    "one shallower neighbour (the jaw slides)": ([0, 0, 0, 2, 2, 0, 0], 3, 0.5),
}
REPEATS = 4


def share(row: list[int], cut: int, jaw: float, keys: int) -> float:
    """The share of keys whose cut passes."""
    system = bitting.load_system("plover")
    code, track = code_of(system, [row, row]), system.tracks[0]
    gauge = Gauge(jaw=jaw)
    caliper, hand = split(reading_sd_of(system), gauge, system)
    chance = np.random.default_rng(11)
    radius = system.need("cutting.cutter") / 2
    e = radius - math.sqrt(radius**2 - (jaw / 2) ** 2)  # written down here, not taken from the package
    bow = cut == 0
    sides = [row[cut - 1] < row[cut] if cut else bow, row[cut + 1] < row[cut]]
    passed = 0
    for _ in range(keys):
        stands = e if all(sides) else chance.uniform(0, e) if any(sides) else 0.0
        true = track.depths[row[cut]] - 0.05
        mean = true + stands + chance.normal(0, caliper)
        values = [round(mean + chance.normal(0, hand), 2) for _ in range(REPEATS)]
        read = tuple(Reading(value, None, 0.01, (0, 0)) for value in values)
        found = inspect(code, Readings(system, "", "mm", (ReadCut(None, "left", cut, read),)), system, gauge=gauge)
        passed += found.cuts[cut].verdict == "pass"
    return passed / keys


def main() -> None:
    keys = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for name, (row, cut, jaw) in CASES.items():
        print(f"{share(row, cut, jaw, keys):6.1%}  {name}")


if __name__ == "__main__":
    main()
