"""The command line in a process of its own, under limits of processor time and memory, so that a blow-up ends itself.

Time is the processor's, so that a busy machine changes nothing; the limits are about five times what is aimed at.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

SECONDS = 50
MEMORY = 2_500_000_000
"""Bytes of address space: five times 500 MB."""


def limited(seconds: int = SECONDS, memory: int = MEMORY) -> None:
    """Limit the process that calls this; its children inherit the limits."""
    import resource

    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def bitting(
    *arguments: str | Path, seconds: int = SECONDS, memory: int = MEMORY, **options: Any
) -> subprocess.CompletedProcess[bytes]:
    """Run `bitting` with these arguments; standard output and error are kept unless `options` say where they go."""
    return python("-c", "from bitting.cli import main; main()", *arguments, seconds=seconds, memory=memory, **options)


def python(
    *arguments: str | Path, seconds: int = SECONDS, memory: int = MEMORY, **options: Any
) -> subprocess.CompletedProcess[bytes]:
    """Run Python with these arguments, as `bitting` above."""
    options.setdefault("stdout", subprocess.PIPE)
    options.setdefault("stderr", subprocess.PIPE)
    if "input" not in options:
        options.setdefault("stdin", subprocess.DEVNULL)
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", **options.pop("env", {})}
    command = [sys.executable, *map(str, arguments)]
    before = lambda: limited(seconds, memory)  # noqa: E731 - what the child does first
    return subprocess.run(command, preexec_fn=before, env=environment, timeout=1800, check=False, **options)


def answered(done: subprocess.CompletedProcess[bytes]) -> str:
    """Standard error of a run that ended by itself with an answer or a named error: no traceback, nothing half said."""
    told = (done.stderr or b"").decode(errors="replace")
    assert done.returncode in (0, 1, 2), (done.returncode, told[-2000:])
    assert "Traceback" not in told, told[-2000:]
    assert "Warning" not in told, told[-2000:]
    if done.returncode == 2:
        assert not done.stdout, done.stdout[:500]
        assert told.strip() or done.stderr is None
    return told
