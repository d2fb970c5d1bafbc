"""`batch` from CSV to CSV beside plain loops that only count, in one run.

    python -m tests.benchmarks.batch_csv [rows] [share of bad rows] [suggestions]

The answer has all four columns, with a suggestion for every wrong code; `suggestions` is how many different ones are looked at
one by one where that is needed (500, as the command does; 0: no suggestions at all). Each distinct wrong code is looked at
once. The peers read the file with the csv module and count the legal codes: one by `re`, one by a plain loop. Ratios are of
processor time, which says the same on a busy machine. Peak memory is that of a process of its own.
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from bitting.batch.columns import Wanted
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.systemfile import load_system
from tests.benchmarks import batch_rows


def peak() -> int:
    """Peak memory of this process in megabytes (Linux; what a parent used doesn't count)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) // 1024


def counted(path: Path, legal: Callable[[str], bool]) -> int:
    """What a plain script does: read the rows, count the legal codes."""
    with path.open(newline="") as file:
        rows = csv.reader(file)
        next(rows)
        return sum(legal(row[1]) for row in rows)


def batch(path: Path, suggestions: int) -> int:
    """From file to file; the legal codes."""
    system = path.with_name("knot.toml")
    system.write_text(batch_rows.SYSTEM)
    order = Job(str(path), str(path.with_name("out.csv")), Wanted("code"), force=True, suggestions=suggestions)
    return run_batch(order, load_system(str(system))).legal


def main() -> None:
    """Print times, rates and peak memory."""
    if sys.argv[1:2] == ["--peak"]:
        before = peak()
        batch(Path(sys.argv[2]), int(sys.argv[3]))
        print(before, peak())
        return
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    bad = float(sys.argv[2]) if len(sys.argv) > 2 else 0.02
    suggestions = int(sys.argv[3]) if len(sys.argv) > 3 else 500
    # of 40 bad rows 10 are random, 29 slips, 1 is malformed; about 30 of 40 are illegal
    scale = bad / 0.75
    texts = batch_rows.codes(number, random=scale * 0.25, slips=scale * 0.725, malformed=scale * 0.025)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "in.csv"
        path.write_text("unit,code,remark\n" + "".join(f"{n},{text},row {n % 97}\n" for n, text in enumerate(texts)))
        jobs: dict[str, Callable[[], int]] = {
            "batch, four columns": lambda: batch(path, suggestions),
            "re, only counting": lambda: counted(path, batch_rows.regex()),
            "plain loop, only counting": lambda: counted(path, batch_rows.plain_loop),
        }
        first = 0.0
        for name, job in jobs.items():
            took, busy = [], []
            for _ in range(3):
                begun, worked = time.perf_counter(), time.process_time()
                legal = job()
                took.append(time.perf_counter() - begun)
                busy.append(time.process_time() - worked)
            middle, cpu = sorted(took)[1], sorted(busy)[1]
            first = first or cpu
            print(
                f"{name:26s} {middle:7.2f} s {number / middle:12,.0f} rows/s; processor {cpu:.2f} s, "
                f"{cpu / first:.2f} times batch; "
                f"legal {legal:,} ({100 * legal / number:.1f} %)"
            )
        command = [sys.executable, "-m", "tests.benchmarks.batch_csv", "--peak", str(path), str(suggestions)]
        told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
        print(
            f"peak memory of batch: {told[1]} MB, {told[0]} MB of it before the run; file {path.stat().st_size >> 20} MB"
        )


if __name__ == "__main__":
    main()
