"""Compile and count beside a plain Python dynamic programme, in one run: `python -m tests.benchmarks.diagram_count`.

The system: one track, 12 cuts, 10 depths; adjacent cuts differ by at most 4, first and last cut limited, no more than 3
equal cuts in a row, at least 3 different depths. Then the same with "no depth is used more than 3 times".
"""

from __future__ import annotations

import resource
import statistics
import time
from collections import defaultdict
from collections.abc import Callable

from bitting.diagram import code_space
from tests.make import system, track

LABELS = "0123456789"
RULES = (
    "adjacent cuts differ by at most 4",
    "first cut is one of 0 1 2",
    "last cut is one of 0 1",
    "no more than 3 equal cuts in a row",
    "at least 3 different depths",
)


def plain_count(cuts: int = 12, depths: int = 10, macs: int = 4, run: int = 3, distinct: int = 3) -> int:
    """The dynamic programme a careful author writes by hand for these very rules: state (last, run, distinct set)."""
    now: dict[tuple[int, int, frozenset[int] | None], int] = {(d, 1, frozenset([d])): 1 for d in (0, 1, 2)}
    for _ in range(cuts - 1):
        following: dict[tuple[int, int, frozenset[int] | None], int] = defaultdict(int)
        for (last, length, used), number in now.items():
            for d in range(max(0, last - macs), min(depths, last + macs + 1)):
                if d == last and length == run:
                    continue
                seen = None if used is None or len(used | {d}) >= distinct else used | {d}
                following[d, length + 1 if d == last else 1, seen] += number
        now = following
    return sum(number for (last, _, used), number in now.items() if used is None and last in (0, 1))


def median(run: Callable[[], object], times: int = 9) -> float:
    """Median seconds of a call."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def main() -> None:
    """Print the ratios."""
    made = system(track(cuts=12, labels=LABELS), must=RULES)
    space = code_space(made)
    if space.count != plain_count():
        raise SystemExit("the counts differ")

    def count() -> None:
        space.diagrams[0].__dict__.pop("counts", None)
        _ = space.diagrams[0].count

    plain, counted, compiled = median(plain_count), median(count), median(lambda: code_space(made))
    print(f"{space.count:,} codes, {space.diagrams[0].nodes} nodes")
    print(f"plain dynamic programme {plain * 1e3:.2f} ms")
    print(f"count   {counted * 1e3:.2f} ms, {counted / plain:.2f} times the plain programme")
    print(f"compile {compiled * 1e3:.2f} ms, {compiled / plain:.2f} times the plain programme")
    large = system(track(cuts=12, labels=LABELS), must=(*RULES, "no depth is used more than 3 times"))
    start = time.perf_counter()
    counted_large = code_space(large)
    number = counted_large.count
    taken = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"with the usage rule: {number:,} codes, {counted_large.diagrams[0].nodes:,} nodes, {taken:.2f} s, peak {peak:.0f} MB"
    )


if __name__ == "__main__":
    main()
