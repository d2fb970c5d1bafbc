"""How soon `bitting check` answers, beside the bare imports that it can't do without.

    python -m tests.benchmarks.start_up [runs]

Both are processes of their own, one after the other in turn, and it is the processor's time that counts, so that a busy
machine slows both alike; the ratio is the figure.
The package has to be installed for its command to be there; a wheel carries what a checkout works out.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
from pathlib import Path

IMPORTS = [sys.executable, "-c", "import lark, attrs, click"]
CHECK = [str(Path(sys.executable).with_name("bitting")), "check", "left: 2133244 / right: 1124421", "-s", "plover"]


def seconds(command: list[str]) -> float:
    """The processor's time for one run."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print both medians and the ratio."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    seconds(IMPORTS), seconds(CHECK)  # bytecode and the disk's cache, once for all
    pairs = [(seconds(IMPORTS), seconds(CHECK)) for _ in range(runs)]
    bare, check = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(b / a for a, b in pairs)
    print(f"bare imports {1000 * bare:.0f} ms, check {1000 * check:.0f} ms: {ratio:.2f} times, medians of {runs}")


if __name__ == "__main__":
    main()
