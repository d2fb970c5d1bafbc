"""Rules learned from codes sampled from each shipped system whose rules were taken out: which are found, which are false.

    python -m tests.benchmarks.learn_rules [--codes 50 200 1000] [--bad 0 0.02] [--runs 3] [--seed 1] [SYSTEM …]

A true rule counts as found where every code that the proposed rules allow keeps it; a proposed rule is false where some
legal code of the system breaks it (both by exact counts). A bad code is a sampled one with one cut read as another depth,
whether or not that is legal.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Iterator, Sequence

from attrs import evolve

from bitting.authoring.learn import learn
from bitting.diagram import code_space
from bitting.model import Depths, Rule, System
from bitting.rules import read_rule
from bitting.systemfile import load_system, shipped_systems


def spoiled(system: System, depths: Depths, draw: random.Random) -> Depths:
    """The code with one cut at another depth."""
    lane = draw.randrange(len(system.lanes))
    row = list(depths[lane])
    cut = draw.randrange(len(row))
    row[cut] = draw.choice([d for d in range(len(system.lanes[lane].track.labels)) if d != row[cut]])
    return (*depths[:lane], tuple(row), *depths[lane + 1 :])


def drawn(system: System, number: int, bad: float, seed: int) -> Iterator[tuple[int, Depths]]:
    """Numbered codes of which a share is spoiled."""
    draw = random.Random(seed)
    for row, depths in enumerate(code_space(system).sample(number, seed), start=1):
        yield row, spoiled(system, depths, draw) if draw.random() < bad else depths


def implied(system: System, rules: Sequence[Rule], sentence: str) -> bool:
    """Whether every code that keeps the rules keeps the sentence."""
    more = read_rule(system, sentence, "must")
    return code_space(system, rules=[*rules, *more]).count == code_space(system, rules=rules).count


def main() -> None:
    """Sample, learn, compare with the truth."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("systems", nargs="*", default=list(shipped_systems()))
    options.add_argument("--codes", type=int, nargs="+", default=[50, 200, 1000])
    options.add_argument("--bad", type=float, nargs="+", default=[0.0, 0.02])
    options.add_argument("--runs", type=int, default=3)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    runs = wrong = 0
    for name in given.systems:
        system = load_system(name)
        bare = evolve(system, must=(), should=(), rules=())
        true = [rule for rule in system.rules if rule.level == "must"]
        for number in given.codes:
            for bad in given.bad:
                began = time.perf_counter()
                found = dict.fromkeys(system.must, 0)
                false: list[str] = []
                for run in range(given.runs):
                    codes = list(drawn(system, number, bad, given.seed + 1000 * run))
                    answer = learn(bare, codes, bad=bad)
                    proposed = [r for rule in answer.proposed for r in read_rule(bare, rule.sentence, "must")]
                    for sentence in system.must:
                        found[sentence] += implied(bare, proposed, sentence)
                    mistaken = [r.sentence for r in answer.proposed if not implied(bare, true, r.sentence)]
                    false += mistaken
                    runs += 1
                    wrong += bool(mistaken)
                took = (time.perf_counter() - began) / given.runs
                print(f"{name} {number} codes, {bad:.0%} bad ({took:.1f} s a run)", flush=True)
                for sentence, times in found.items():
                    print(f"    {times}/{given.runs}  {sentence}")
                for sentence in false:
                    print(f"    FALSE  {sentence}", flush=True)
    print(f"{runs} runs, {wrong} with a false rule", flush=True)


if __name__ == "__main__":
    main()
