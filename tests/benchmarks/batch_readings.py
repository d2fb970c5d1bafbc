"""`batch --readings` from CSV to CSV: keys a second, for tables of one system whose keys are drawn from its own model.

    python -m tests.benchmarks.batch_readings [keys] [jobs]

Each line gives the rate of the whole run (file to file, with start of processes and the fit's simulation in it), the same
without the first keys' set-up and, with one job, by the processor's time (on a machine that others use too), and what
reading the texts alone takes.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from bitting.batch.columns import Wanted
from bitting.batch.decoder import Choices
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.model import Measuring, System
from bitting.notation import parse_readings
from tests.benchmarks.decode_common import Maker, make_system, readings_of

MEASURING = Measuring(
    reading_sd=0.03, offset_sd=0.05, tilt_sd=0.0, left_right_sd=0.0, wear=0.04, outliers=0.01, cut_sd=0.0
)
TILTED = Measuring(
    reading_sd=0.03, offset_sd=0.05, tilt_sd=0.03, left_right_sd=0.0, wear=0.04, outliers=0.01, cut_sd=0.02
)


def texts_of(system: System, count: int) -> list[str]:
    """Readings of so many keys of one track, as a table has them."""
    from bitting.decoding import model_of

    maker = Maker(system, model_of(system), 1)
    out = []
    for _ in range(count):
        cuts = readings_of(system, maker.key()).cuts
        out.append(" ".join(f"{cut.readings[0].value:.2f}" for cut in cuts))
    return out


def run(system: System, texts: list[str], jobs: int) -> tuple[float, float]:
    """Seconds from file to file, and those of the processor (of this process alone)."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "in.csv"
        source.write_text("key,caliper\n" + "".join(f"{n},{text}\n" for n, text in enumerate(texts)))
        job = Job(str(source), str(Path(folder) / "out.csv"), Wanted("caliper"), readings=Choices(), processes=jobs)
        start = time.process_time()
        seconds = run_batch(job, system).seconds
        return seconds, time.process_time() - start


def main() -> None:
    """Print the rates."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    jobs = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    from attrs import evolve

    for cuts, depths, step, measuring, said in (
        (7, 5, 0.45, MEASURING, "no tilt"),
        (10, 6, 0.45, MEASURING, "no tilt"),
        (7, 5, 0.45, TILTED, "tilt integrated"),
    ):
        system = evolve(make_system(cuts, depths, step, ("adjacent cuts differ by at most 2",)), measuring=measuring)
        texts = texts_of(system, count)
        few, _ = run(system, texts[:100], jobs)
        whole, busy = run(system, texts, jobs)
        start = time.perf_counter()
        for text in texts[:500]:
            parse_readings(text, system)
        grammar = min(500, count) / (time.perf_counter() - start)
        later = (count - 100) / max(whole - few, 1e-9)
        print(
            f"{cuts} x {depths}, {said}: {count / whole:,.0f} keys/s in all, {later:,.0f} after the first 100"
            f"{f', {count / busy:,.0f} per second of the processor' if jobs == 1 else ''}; "
            f"texts {grammar:,.0f}/s (jobs {jobs}, numpy {np.__version__})"
        )


if __name__ == "__main__":
    main()
