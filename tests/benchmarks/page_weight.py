"""What a bench page weighs: one code of each shipped system, as `bitting sheet` writes it.

python -m tests.benchmarks.page_weight
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from click.testing import CliRunner

from bitting.cli import main as bitting
from bitting.counting import sample
from bitting.systemfile import load_system, shipped_systems


def main() -> None:
    """Print kilobytes a system."""
    with tempfile.TemporaryDirectory() as folder:
        for name in shipped_systems():
            code = str(sample(load_system(name), 1, seed=1)[0])
            page = Path(folder) / f"{name}.html"
            done = CliRunner().invoke(bitting, ["sheet", "-", "-s", name, "-o", str(page)], input=code + "\n")
            assert done.exit_code == 0, done.output
            print(f"{name:<8}{page.stat().st_size / 1000:5.0f} kB")


if __name__ == "__main__":
    main()
