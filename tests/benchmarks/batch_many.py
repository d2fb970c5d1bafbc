"""check_many in memory beside general libraries on the same million codes, in one run; medians.

    python -m tests.benchmarks.batch_many [codes] [runs]

71 % of the codes are legal, 1 % malformed. Peers: polars with two regular expressions (both processors, says legal or
not), Python's `re` with the same two, and a plain loop. Each answer must equal the others'.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from statistics import median

import numpy as np
import polars

from bitting.batch import check_many
from tests.benchmarks import batch_rows


def main() -> None:
    """Print a table of medians."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    texts = batch_rows.codes(number, random=0.10, slips=0.29, malformed=0.01)
    knot = batch_rows.system()
    column = polars.Series("code", texts).to_frame()
    two = polars.col("code").str.contains(batch_rows.GOOD) & ~polars.col("code").str.contains(batch_rows.BAD)
    regex = batch_rows.regex()
    peers: dict[str, Callable[[], np.ndarray]] = {
        "check_many": lambda: check_many(knot, texts).legal,
        "polars, two regexes": lambda: column.select(two).to_series().to_numpy(),
        "re, two patterns": lambda: np.array([regex(text) for text in texts]),
        "plain loop": lambda: np.array([batch_rows.plain_loop(text) for text in texts]),
    }
    times: dict[str, list[float]] = {name: [] for name in peers}
    answers = {}
    for _ in range(runs):
        for name, peer in peers.items():
            begun = time.perf_counter()
            answers[name] = peer()
            times[name].append(time.perf_counter() - begun)
    first = median(times["check_many"])
    for name, took in times.items():
        same = np.array_equal(answers[name], answers["check_many"])
        middle = median(took)
        print(
            f"{name:22s} {middle * 1e3:9.1f} ms  {number / middle:12,.0f} codes/s  {middle / first:6.2f} times check_many"
            f"  legal {int(answers[name].sum()):,}{'' if same else '  DIFFERS'}"
        )


if __name__ == "__main__":
    main()
