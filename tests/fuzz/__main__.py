"""Runs attacks in worker processes for some minutes, and prints what failed and how to see it again."""

from __future__ import annotations

import argparse
import os
import re
import secrets
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path
from types import FrameType

from tests.fuzz.attacks import Attack, attack_of
from tests.limits import MEMORY, bitting, limited

CALL_SECONDS = 50
"""Processor time of one call: five times what is aimed at."""
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")


def main() -> int:
    """The command; exit status 1 where anything failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("minutes", nargs="?", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--only", type=int, default=None, help="run the attack of this number alone, and show it")
    parser.add_argument("--worker", type=int, default=None, help=argparse.SUPPRESS)
    given = parser.parse_args()
    seed = secrets.randbelow(1_000_000) if given.seed is None else given.seed
    if given.only is not None:
        attack = attack_of(seed, given.only)
        print(attack)
        found = judge(attack, show=True)
        print("failed:" if found else "held", found)
        return int(bool(found))
    if given.worker is not None:
        return work(seed, given.worker, time.monotonic() + 60 * given.minutes)
    return drive(seed, given.minutes)


def drive(seed: int, minutes: float) -> int:
    """Keep a worker going until the time is over; one that dies names the attack that killed it."""
    print(f"seed {seed}, {minutes:g} minutes", flush=True)
    until, number, counts, failed = time.monotonic() + 60 * minutes, 0, Counter[str](), 0
    while time.monotonic() < until:
        left = (until - time.monotonic()) / 60
        command = [sys.executable, "-m", "tests.fuzz", str(left), "--seed", str(seed), "--worker", str(number)]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, errors="replace", env=environment) as worker:
            assert worker.stdout is not None
            for line in worker.stdout:
                word, _, rest = line.rstrip("\n").partition(" ")
                if word == "begin":
                    number = int(rest)
                elif word == "held":
                    counts[rest] += 1
                else:
                    failed += 1
                    print(f"FAILED --only {number}: {line.rstrip()}", flush=True)
        if worker.returncode:
            failed += 1
            print(f"FAILED --only {number}: the process ended with {worker.returncode}", flush=True)
        number += 1
    total = sum(counts.values()) + failed
    print(
        f"{total:,} attacks, {failed} failed; held by command: "
        + ", ".join(f"{k} {n:,}" for k, n in counts.most_common())
    )
    return int(failed > 0)


def work(seed: int, number: int, until: float) -> int:
    """Attack after attack in this process, each announced before it begins; ends itself after five hundred."""
    limited(20 * CALL_SECONDS, MEMORY)
    for count in range(number, number + 500):
        if time.monotonic() > until:
            break
        print("begin", count, flush=True)
        attack = attack_of(seed, count)
        found = judge(attack)
        print(f"fault {found}" if found else f"held {attack.arguments[0] if attack.arguments else ''}", flush=True)
    return 0


class Late(BaseException):
    """The processor time of one call is spent."""


def _late(signum: int, frame: FrameType | None) -> None:
    del signum, frame
    raise Late


def judge(attack: Attack, *, show: bool = False) -> str:
    """What is wrong with the answer to an attack, on one line; "" where nothing is."""
    with tempfile.TemporaryDirectory() as folder:
        for name, text in attack.files:
            Path(folder, name).write_bytes(text.encode(errors="surrogatepass"))
        words = [word.replace("{folder}", folder) for word in attack.arguments]
        before = Path.cwd()
        os.chdir(folder)
        try:
            return _of_streams(words, attack) if attack.special else _in_process(words, attack, show)
        finally:
            os.chdir(before)


def _in_process(words: list[str], attack: Attack, show: bool) -> str:
    from click.testing import CliRunner

    from bitting.cli import main as command

    signal.signal(signal.SIGPROF, _late)
    signal.setitimer(signal.ITIMER_PROF, CALL_SECONDS)
    try:
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            done = CliRunner().invoke(command, words, input=attack.stdin.encode(errors="surrogatepass"))
    except Late:
        return f"more than {CALL_SECONDS} s of processor time: {words!r:.300}"
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    if show:
        print(done.stdout, done.stderr, sep="\n---\n")
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        last = traceback.extract_tb(done.exception.__traceback__)[-1]
        if show:
            traceback.print_exception(done.exception)
        return (
            f"{type(done.exception).__name__}: {done.exception!s:.100} at {last.filename}:{last.lineno}: {words!r:.300}"
        )
    if done.exit_code not in (0, 1, 2):
        return f"status {done.exit_code}: {words!r:.300}"
    if (
        done.exit_code == 2 and done.stdout and words[0] != "check"
    ):  # of a list, the codes that can be read are answered
        return f"an answer beside status 2: {words!r:.300}"
    if obeyed := OBEYED.search(done.output):
        return f"raw {obeyed[0]!a} in the answer: {words!r:.300}"
    return f"a warning: {warned[0].message!s:.100}: {words!r:.300}" if warned else ""


def _of_streams(words: list[str], attack: Attack) -> str:
    full, endless = Path("/dev/full"), Path("/dev/zero")
    if not (full.exists() and endless.exists()):
        return ""
    match attack.special:
        case "stdin closed":
            shell = f"{sys.executable} -c 'from bitting.cli import main; main()' \"$@\" <&-"
            done = subprocess.run(["sh", "-c", shell, "sh", *words], capture_output=True, timeout=300, check=False)
        case "stdin endless":
            with endless.open("rb") as file:
                done = bitting(*words, stdin=file)
        case "stdout full":
            with full.open("wb") as file:
                done = bitting(*words, stdout=file, input=attack.stdin.encode())
        case "stderr full":
            with full.open("wb") as file:
                done = bitting(*words, stderr=file, input=attack.stdin.encode())
        case _:
            shell = f"{sys.executable} -c 'from bitting.cli import main; main()' \"$@\" >&-"
            done = subprocess.run(
                ["sh", "-c", shell, "sh", *words],
                capture_output=True,
                input=attack.stdin.encode(),
                timeout=300,
                check=False,
            )
    told = (done.stderr or b"").decode(errors="replace")
    if done.returncode not in (0, 1, 2) or "Traceback" in told or "Exception ignored" in told:
        return f"{attack.special}: status {done.returncode}: {words!r:.200}: {told[-200:]!r}"
    return ""


if __name__ == "__main__":
    sys.exit(main())
