"""The figures of the page "How good is it": its commands run again, and what they print written beneath them.

    python -m tests.figures [WORD ...]

With words, only the commands in which one of them stands are run. All of them take about an hour of one core; the
machine should have nothing else to do.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time

from bitting import docs

BLOCK = re.compile(r"(```text\n\$ (python -m [^\n]*)\n).*?(```)", re.S)


def printed(command: str) -> str:
    """What a command prints on standard output; one that fails ends this run, and the page stays as it was."""
    words = command.split()
    before = time.monotonic()
    done = subprocess.run([sys.executable, *words[1:]], capture_output=True, text=True, check=False)
    print(f"{command}: {time.monotonic() - before:.0f} s", flush=True)
    if done.returncode:
        raise SystemExit(done.stdout + done.stderr)
    return "".join(f"{line.rstrip()}\n" for line in done.stdout.strip("\n").splitlines())


def main() -> None:
    """Run what is asked for; the page is written after each command."""
    page = docs.page("how-good").path
    for head, command, _ in BLOCK.findall(page.read_text(encoding="utf-8")):
        if not sys.argv[1:] or any(word in command for word in sys.argv[1:]):
            new = head + printed(command) + "```"
            text = BLOCK.sub(lambda found: new if found[2] == command else found[0], page.read_text(encoding="utf-8"))  # noqa: B023
            page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
