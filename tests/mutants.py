"""Small faults put into one part of the package on purpose, drawn from a seed, to see whether its tests find them.

    python -m tests.mutants PART [--seed N] [--number N] [--seconds N]

Faults are made by cosmic-ray's operators: a place in the source is drawn, then one of the changes possible there. All of it
happens in a copy of the tree. The room's tests run once as they are, then for each fault, fastest first, until one fails; only
so many are taken as fit into the seconds. What none finds is printed, to be killed by a test or named as changing nothing.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import tempfile
from collections import defaultdict
from difflib import unified_diff
from pathlib import Path
from typing import Any

from tests.limits import python

ROOMS = {
    "rules": "tests/rules tests/test_checking.py tests/diagram/test_exact.py",
    "diagram": "tests/diagram tests/rules/test_plain.py tests/lint/test_codes.py tests/repair/test_column.py",
    "notation": "tests/notation tests/test_grammars.py tests/test_checking.py",
    "checking": "tests/test_checking.py tests/cli/test_check.py tests/rules/test_sentences.py",
    "repair": "tests/repair tests/batch/test_suggest.py",
    "machine/plan": "tests/machine/test_plan.py tests/machine/test_plan_limits.py tests/machine/test_simulate.py",
    "machine/inspect": "tests/machine/test_inspect_decision.py tests/machine/test_inspect_figures.py "
    "tests/machine/test_inspect.py tests/machine/test_chi_square.py",
    "completion": "tests/completion",
}
"""Part of the package -> the tests that a change there must pass first of all."""
TOLD, ORDER = "MUTANTS_TOLD", "MUTANTS_ORDER"
"""Names of two files in the environment of the tests: what each took and whether it failed; which run, in which order."""


def pytest_configure() -> None:
    """This module is pytest's plugin in the copy: a fault found need not be made small, and the same is found again."""
    import hypothesis

    phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
    hypothesis.settings.register_profile("found", derandomize=True, database=None, deadline=None, phases=phases)
    hypothesis.settings.load_profile("found")


def pytest_collection_modifyitems(items: list[Any]) -> None:
    """Only the tests that are named run, in that order; all where none is."""
    if (order := Path(os.environ[ORDER])).exists():
        place = {name: i for i, name in enumerate(order.read_text().splitlines())}
        items[:] = sorted((item for item in items if item.nodeid in place), key=lambda item: place[item.nodeid])


def pytest_runtest_logreport(report: Any) -> None:
    """One line for each phase of a test."""
    with Path(os.environ[TOLD]).open("a") as told:
        told.write(f"{report.duration}\t{report.failed}\t{report.nodeid}\n")


def run(copy: Path, tests: str, seconds: float, *options: str) -> tuple[int, dict[str, float], list[str]]:
    """pytest's exit status in the copy, what each test took, and which failed; `seconds` are the processor's."""
    told, order = copy / "told.txt", copy / "order.txt"
    told.write_text("")
    names = {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1", TOLD: str(told), ORDER: str(order)}
    words = [
        "-m",
        "pytest",
        *tests.split(),
        *options,
        "-p",
        "tests.mutants",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
    ]
    try:
        status = python(*words, seconds=int(seconds), memory=6_000_000_000, cwd=copy, env=names).returncode
    except subprocess.TimeoutExpired:
        status = -1
    rows = [line.split("\t") for line in told.read_text().splitlines()]
    took: dict[str, float] = defaultdict(float)
    for duration, _, name in rows:
        took[name] += float(duration)
    return status, took, [name for _, failed, name in rows if failed == "True"]


def drawn(root: Path, seed: int, number: int) -> list[tuple[Path, int, str, str]]:
    """Files, each with a line, what is done to it, and its text with the fault."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator, operator_names

    names = [
        name for name in operator_names() if "Variable" not in name and (name[-8:] == "Is_IsNot" or "Is" not in name)
    ]
    operators = {name: get_operator(name)() for name in names}
    places = defaultdict[tuple[Path, tuple[int, int]], list[tuple[str, int]]](list)
    for path in sorted(root.rglob("*.py")) if root.is_dir() else [root.with_suffix(".py")]:
        nodes = list(ast.walk(ast.parse(path.read_text())))
        notes: list[Any] = [getattr(node, name, None) for node in nodes for name in ("annotation", "returns")]
        unread = [((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset)) for n in notes if n]  # never evaluated
        tree = get_ast(path.read_text())
        for name, operator in operators.items():
            for nth, (spot, _) in enumerate(s for node in ast_nodes(tree) for s in operator.mutation_positions(node)):
                if not any(start <= spot < end for start, end in unread):
                    places[path, spot].append((name, nth))
    draw, faults = random.Random(seed), []
    for path, spot in draw.sample(sorted(places), min(number, len(places))):
        name, nth = draw.choice(places[path, spot])
        faults.append((path, spot[0], name.split("/")[1], mutate_code(path.read_text(), operators[name], nth)))
    return faults


def main() -> None:
    """Draw, run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants")
    parser.add_argument("part", choices=ROOMS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=10)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        copy, tests = Path(scratch) / "tree", ROOMS[asked.part]
        shutil.copytree(".", copy, ignore=shutil.ignore_patterns(".*cache", "__pycache__", ".git", ".hypothesis"))
        _, took, failed = run(copy, tests, 3600)
        order, spent = [], 0.0
        for name in sorted(took, key=lambda name: took[name]):
            if name not in failed and spent + took[name] <= asked.seconds:
                spent += took[name]
                order.append(name)
        (copy / "order.txt").write_text("\n".join(order))
        print(f"{len(order)} of {len(took)} tests, {spent:.0f} s", flush=True)
        lives = 0
        faults = drawn(copy / "bitting" / asked.part, asked.seed, asked.number)
        for number, (path, line, what, text) in enumerate(faults):
            whole = path.read_text()
            path.write_text(text)
            status, _, failed = run(copy, tests, max(20, 3 * spent), "-x")
            path.write_text(whole)
            fate = "SURVIVED" if status == 0 else f"killed by {failed[0] if failed else f'status {status}'}"
            print(f"{number} {path.relative_to(copy)}:{line} {what}: {fate}", flush=True)
            if status == 0:
                lives += 1
                print(
                    *list(unified_diff(whole.splitlines(), text.splitlines(), lineterm="", n=1))[2:],
                    sep="\n",
                    flush=True,
                )
        print(f"{len(faults) - lives} of {len(faults)} faults in bitting/{asked.part} killed, seed {asked.seed}")


if __name__ == "__main__":
    main()
