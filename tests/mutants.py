"""Small faults put into one package on purpose, drawn from a seed, to see whether its tests find them.

    python -m tests.mutants PACKAGE [--seed N] [--number N] [--only K] [--seconds N]

Faults are made by cosmic-ray's operators (`pip install cosmic-ray`): a place in the source is drawn, then one of the
changes possible there. The tree is copied first and nothing outside the copy is touched. The room's tests run once as
they are, and then for each fault, fastest first, until one fails; only those are taken that fit into so many seconds.
A fault that no test finds is printed as a difference, to be killed by a test or named as one that changes nothing.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import importlib.util
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

ROOMS = {
    "rules": "tests/rules tests/test_checking.py tests/diagram/test_exact.py",
    "diagram": "tests/diagram tests/rules/test_plain.py tests/lint/test_codes.py tests/repair/test_column.py",
    "notation": "tests/notation tests/test_grammars.py tests/test_checking.py",
    "checking": "tests/test_checking.py tests/cli/test_check.py tests/rules/test_sentences.py",
    "repair": "tests/repair tests/batch/test_suggest.py",
    "machine/plan": "tests/machine/test_plan.py tests/machine/test_plan_limits.py tests/machine/test_simulate.py",
    "machine/inspect": "tests/machine/test_inspect.py tests/machine/test_inspect_decision.py tests/machine/test_chi_square.py",
    "completion": "tests/completion",
}
"""Part of the package -> the tests that a change there must pass (the table in DEVELOPERS.md)."""
MEMORY = 6_000_000_000


class Timed:
    """A pytest plugin: the tests named run in their order, the others not; keeps how long each took and what failed."""

    def __init__(self, order: list[str] | None) -> None:
        self.order, self.took, self.failed = order, defaultdict[str, float](float), set[str]()

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        if self.order is not None:
            place = {name: i for i, name in enumerate(self.order)}
            items[:] = sorted((item for item in items if item.nodeid in place), key=lambda item: place[item.nodeid])

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.took[report.nodeid] += report.duration
        if report.failed:
            self.failed.add(report.nodeid)


def tested(copy: Path, tests: str, order: list[str] | None, seconds: float) -> tuple[int | None, dict[str, Any]]:
    """pytest's exit status (None: out of time) and its notes, from a fork in which no module of the project is loaded."""
    notes = copy / "notes.json"
    notes.unlink(missing_ok=True)
    child = os.fork()
    if not child:
        os.setsid()
        for limit, most in (
            (resource.RLIMIT_CPU, int(seconds)),
            (resource.RLIMIT_AS, MEMORY),
            (resource.RLIMIT_CORE, 0),
        ):
            resource.setrlimit(limit, (most, resource.RLIM_INFINITY))  # soft: tests set limits of their own
        for name in [name for name in sys.modules if name.split(".")[0] in ("tests", "bitting")]:
            del sys.modules[name]
        os.chdir(copy)
        sys.path.insert(0, str(copy))
        os.environ.update(PYTHONPATH=str(copy), OPENBLAS_NUM_THREADS="1")
        with (copy / "output.txt").open("w") as out:
            os.dup2(out.fileno(), 1)
            os.dup2(out.fileno(), 2)
        import hypothesis
        import pytest

        phases = [phase for phase in hypothesis.Phase if phase.name in ("explicit", "generate")]
        hypothesis.settings.register_profile("mutants", derandomize=True, database=None, deadline=None, phases=phases)
        hypothesis.settings.load_profile("mutants")
        timed = Timed(order)
        first = [] if order is None else ["-x"]
        status = pytest.main([*tests.split(), *first, "-p", "no:cacheprovider", "-p", "no:xdist"], plugins=[timed])
        notes.write_text(json.dumps({"took": timed.took, "failed": sorted(timed.failed)}))
        os._exit(int(status))
    end = (
        time.monotonic() + 10 * seconds
    )  # of the clock; time is the processor's, so that a busy machine changes nothing
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status), json.loads(notes.read_text()) if notes.exists() else {}
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None, {}


def drawn(copy: Path, part: str, seed: int, number: int) -> list[tuple[Path, int, str, str]]:
    """Files of the copy, each with a line, what is done to it, and its text with the fault."""
    from cosmic_ray.ast import ast_nodes, get_ast
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator, operator_names

    names = [
        name for name in operator_names() if "Variable" not in name and (name[-8:] == "Is_IsNot" or "Is" not in name)
    ]
    operators = {name: get_operator(name)() for name in names}
    places = defaultdict[tuple[Path, tuple[int, int]], list[tuple[str, int]]](list)
    root = copy / "bitting" / part
    for path in sorted(root.rglob("*.py")) if root.is_dir() else [root.with_suffix(".py")]:
        text = path.read_text()
        unread = [  # annotations are never evaluated
            (note.lineno, note.col_offset, note.end_lineno, note.end_col_offset)
            for node in ast.walk(ast.parse(text))
            for note in (getattr(node, "annotation", None), getattr(node, "returns", None))
            if note is not None
        ]
        tree = get_ast(text)
        for name, operator in operators.items():
            found = [spot for node in ast_nodes(tree) for spot, _ in operator.mutation_positions(node)]
            for nth, spot in enumerate(found):
                if not any(note[:2] <= spot < note[2:] for note in unread):
                    places[path, spot].append((name, nth))
    draw = random.Random(seed)
    faults = []
    for path, spot in draw.sample(sorted(places), min(number, len(places))):
        name, nth = draw.choice(places[path, spot])
        faults.append((path, spot[0], name.split("/")[1], mutate_code(path.read_text(), operators[name], nth)))
    return faults


def main() -> None:
    """Draw, run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants")
    parser.add_argument("package", choices=ROOMS)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=40)
    parser.add_argument("--only", type=int, action="append")
    parser.add_argument("--seconds", type=float, default=40)
    asked = parser.parse_args()
    import hypothesis, numpy, pytest, scipy.stats, shapely  # noqa: E401, F401, I001 - read once, not for each fault

    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / "tree"
        files = subprocess.run(["git", "ls-files", "-z"], capture_output=True, check=True, text=True).stdout.split("\0")
        for name in filter(None, files):
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(name, copy / name)
        tests, order, spent = ROOMS[asked.package], [], 0.0
        status, notes = tested(copy, tests, None, 3600)
        for name, took in sorted(notes["took"].items(), key=lambda pair: pair[1]):
            spent += took
            if spent <= asked.seconds and name not in notes["failed"]:
                order.append(name)
        print(
            f"{len(order)} of {len(notes['took'])} tests, {min(spent, asked.seconds):.0f} s, status {status}",
            flush=True,
        )
        counts = defaultdict[str, int](int)
        for k, (path, line, what, text) in enumerate(drawn(copy, asked.package, asked.seed, asked.number)):
            if asked.only and k not in asked.only:
                continue
            whole, cached = path.read_text(), Path(importlib.util.cache_from_source(str(path)))
            path.write_text(text)
            cached.unlink(missing_ok=True)
            status, notes = tested(copy, tests, order, max(20, 3 * min(spent, asked.seconds)))
            path.write_text(whole)
            cached.unlink(missing_ok=True)
            fate = "SURVIVED" if status == 0 else "killed"
            counts[fate] += 1
            by = ", ".join(notes.get("failed", [])) or (
                "out of time" if status in (None, -signal.SIGXCPU) else f"status {status}"
            )
            print(f"{k} {path.relative_to(copy)}:{line} {what}: {fate}" + (f" by {by}" if status else ""), flush=True)
            if fate == "SURVIVED":
                print(
                    *list(difflib.unified_diff(whole.splitlines(), text.splitlines(), lineterm="", n=1))[2:],
                    sep="\n",
                    flush=True,
                )
        print(dict(counts), f"of {sum(counts.values())} faults in bitting/{asked.package}, seed {asked.seed}")


if __name__ == "__main__":
    main()
