"""Rows for the benchmarks of `batch`: codes of two tracks of ten cuts, six depths, some share of them wrong.

Rules: adjacent cuts differ by at most 3, first cut 1 to 3, last cut 1 or 2, no more than 3 equal cuts in a row, at least 3
different depths. The plain peers below hard-code these rules, as a script for one job would.
"""

from __future__ import annotations

import re
import tempfile
import textwrap
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bitting.diagram import code_space
from bitting.model import System, code_of
from bitting.systemfile import load_system

SYSTEM = """
format = 1
[system]
name = "knot"
about = "two tracks of ten cuts, for benchmarks"
source = "invented for the benchmarks"
unit = "mm"
stop = "tip"
[[tracks]]
name = "L"
milling = "external"
measured = "far-edge"
spaces = { first = 30.0, pitch = -2.5, count = 10 }
depths = { 1 = 8.6, 2 = 8.2, 3 = 7.8, 4 = 7.4, 5 = 7.0, 6 = 6.6 }
[[tracks]]
name = "R"
like = "L"
[rules]
must = [
    "adjacent cuts differ by at most 3",
    "first cut is one of 1 2 3",
    "last cut is one of 1 2",
    "no more than 3 equal cuts in a row",
    "at least 3 different depths",
]
"""


def system() -> System:
    """The system of these rows."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "knot.toml"
        path.write_text(textwrap.dedent(SYSTEM))
        return load_system(str(path))


def codes(number: int, *, random: float, slips: float, malformed: float, seed: int = 2) -> list[str]:
    """Codes, most of them legal: a share random, a share with one cut changed to any digit, a share written otherwise
    than the others, most of those so that they can't be read."""
    rng = np.random.default_rng(seed)
    knot = system()
    pool = [str(code_of(knot, depths)) for depths in code_space(knot).sample(min(number, 40_000), seed)]
    halves = [text.split(" / ") for text in pool]
    left = [half[0] for half in halves]
    right = [half[1] for half in halves]
    picks = rng.integers(0, len(pool), (number, 2)).tolist()
    texts = [f"{left[a]} / {right[b]}" for a, b in picks]
    kinds = rng.random(number)
    for row in np.flatnonzero(kinds < random).tolist():
        digits = rng.integers(1, 7, 20).tolist()
        texts[row] = f"L: {' '.join(map(str, digits[:10]))} / R: {' '.join(map(str, digits[10:]))}"
    for row in np.flatnonzero((kinds >= random) & (kinds < random + slips)).tolist():
        track, cut, depth = rng.integers(0, 2), rng.integers(0, 10), rng.integers(0, 10)
        at = 3 + 2 * cut + 28 - 3 if track else 3 + 2 * cut
        at = (texts[row].index("R: ") + 3 + 2 * cut) if track else at
        texts[row] = texts[row][:at] + str(depth) + texts[row][at + 1 :]
    for row in np.flatnonzero(kinds > 1 - malformed).tolist():
        text = texts[row]
        texts[row] = [
            text[:-2],
            text.replace(" / ", " "),
            text[:5] + "x" + text[6:],
            text + " 1",
            text.replace("L", "Q"),
        ][row % 5]
    return texts


SHAPE = re.compile(r"L:((?: \d{1,2}){10})(?: /)? R:((?: \d{1,2}){10})").fullmatch


def _track(cuts: list[int]) -> bool:
    if cuts[0] > 3 or cuts[-1] > 2 or max(cuts) > 6 or min(cuts) < 1 or len(set(cuts)) < 3:
        return False
    last, run = cuts[0], 1
    for cut in cuts[1:]:
        if cut == last:
            run += 1
            if run > 3:
                return False
        else:
            if cut - last > 3 or last - cut > 3:
                return False
            run, last = 1, cut
    return True


def plain_loop(text: str) -> bool:
    """Whether a code is legal, as a plain script would say it, leaving at the first fault."""
    found = SHAPE(text)
    return bool(found) and all(_track([*map(int, group.split())]) for group in found.groups())


PAIRS = "|".join(f"{a} {b}" for a in range(1, 7) for b in range(1, 7) if abs(a - b) > 3)
GOOD = r"^L: [1-3](?: [1-6]){8} [12](?: /)? R: [1-3](?: [1-6]){8} [12]$"
FEW = "|".join(f"[LR]:(?: [{a}{b}]){{10}}" for a in range(1, 7) for b in range(a + 1, 7))
BAD = PAIRS + "|" + "|".join(" ".join([str(d)] * 4) for d in range(1, 7)) + "|" + FEW


def regex() -> Callable[[str], bool]:
    """The same by two regular expressions: one that must fit, one that must not be found."""
    fits, finds = re.compile(GOOD).fullmatch, re.compile(BAD).search
    return lambda text: fits(text) is not None and finds(text) is None
