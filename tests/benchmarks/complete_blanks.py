"""Processor time and memory of the fewest blanks, from code to answer, with the proof checked again by other means.

Run `python -m tests.benchmarks.complete_blanks` from the top of the checkout. Every case runs in a process of its own, so
that its peak memory is its own (import of numpy and scipy included). Cases are codes of a shipped system with cuts
opened at random until about so many candidates are left; one more has every candidate's depths drawn at random, so that
no rule gives it a shape.
"""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import time

import numpy as np

SIZES = (1_000, 5_000, 20_000, 45_000)


def opened(size: int, seed: int):
    """A code of the example system whose candidates number from `size` to 10 % more."""
    from bitting.completion.answer import choices_of
    from bitting.completion.candidates import allowed_depths
    from bitting.diagram import code_space
    from bitting.model import code_of
    from bitting.notation import parse_code
    from bitting.systemfile import load_system

    system = load_system("plover")
    draw = random.Random(seed)
    while True:
        (depths,) = code_space(system).sample(1, draw.randrange(2**32))
        text = str(code_of(system, depths))
        spots = [i for i, character in enumerate(text) if character.isdigit()]
        draw.shuffle(spots)
        for spot in spots:
            text = text[:spot] + "?" + text[spot + 1 :]
            count = choices_of(code_space(system, allowed=allowed_depths(parse_code(text, system)))).count
            if count >= size:
                break
        if size <= count <= 1.1 * size:
            return system, parse_code(text, system)


def verify(rows, chains, rivals) -> None:
    """Every row once, every chain a chain, no two rivals comparable: by plain comparisons, none of the bits."""
    assert sorted(i for chain in chains for i in chain) == list(range(len(rows)))
    for chain in chains:
        assert (np.diff(rows[list(chain)].astype(int), axis=0) >= 0).all()
    against = rows[list(rivals)]
    for row in against:
        assert (against >= row).all(axis=1).sum() == 1
        assert (against <= row).all(axis=1).sum() == 1
    assert len(chains) == len(rivals)


def report(name: str, count: int, blanks: int, seconds: float) -> None:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"{name:<10} {count:>7,} codes  {blanks:>6,} blanks proven  {seconds:6.2f} s  {peak:>4} MB", flush=True)


def run(size: int, seed: int) -> None:
    from bitting.completion import complete

    system, code = opened(size, seed)
    started = time.process_time()
    got = complete(code, system, limit=20)
    seconds = time.process_time() - started
    report(f"opened {seed}", got.count, got.blanks, seconds)
    rows, number = [], {}
    for text in (text for blank in got.tries for text in blank):
        number[text] = len(rows)
        rows.append([int(label) for label in text if label.isdigit()])
    assert len(number) == got.count
    verify(np.array(rows), [[number[t] for t in blank] for blank in got.tries], [number[t] for t in got.rivals])


def run_random(size: int) -> None:
    from bitting.completion.chains import fewest_chains

    rows = np.unique(np.random.default_rng(size).integers(0, 6, (size, 8)), axis=0).astype(np.int8)
    started = time.process_time()
    found = fewest_chains(rows)
    seconds = time.process_time() - started
    report("random", len(rows), len(found.chains), seconds)
    verify(rows, found.chains, found.antichain)


if __name__ == "__main__":
    if len(sys.argv) == 3:
        run(int(sys.argv[1]), int(sys.argv[2])) if sys.argv[2] != "random" else run_random(int(sys.argv[1]))
    else:
        for size in SIZES:
            for what in ("0", "1", "random"):
                subprocess.run([sys.executable, "-m", "tests.benchmarks.complete_blanks", str(size), what], check=True)
