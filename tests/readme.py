"""README's commands and the pages', and what they print: run by a test, written anew with `python -m tests.readme`."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from click.testing import CliRunner

from bitting import docs
from bitting.cli import main
from bitting.rules import explanations

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
PAGES = (README, *(page.path for page in docs.pages()))
CONSOLE = re.compile(r"```console\n\$ (bitting [^\n]*)\n(.*?)```", re.S)
RULES = re.compile(r"(<!-- rules -->\n).*?(<!-- end of rules -->)", re.S)


def output(command: str, folder: Path) -> str:
    """What a `bitting …` command prints; files that it writes go to `folder`."""
    words = shlex.split(command)[1:]
    if "-o" in words:
        at = words.index("-o") + 1
        words[at] = str(folder / words[at])
    result = CliRunner().invoke(main, words, env={"COLUMNS": "100"})
    if result.exit_code not in (0, 1):
        raise RuntimeError(f"{command}: {result.stderr}")
    text = re.sub(r"[\d,]+ rows/s", "… rows/s", result.stdout.replace(f"{folder}/", ""))
    return "".join(f"{line.rstrip()}\n" for line in text.splitlines())


def rule_table() -> str:
    """The kinds of rule and their sentences, from the catalogue."""
    lines = ["| rule | sentences |", "| --- | --- |"]
    for kind in explanations():
        forms = " · ".join(f"`{form}`" for form in dict.fromkeys(kind["forms"]))
        lines.append(f"| `{kind['identifier']}` | {forms} |")
    return "\n".join(lines) + "\n"


def rewritten(text: str, folder: Path) -> str:
    """A page with every output and table as the program gives it now."""
    text = CONSOLE.sub(lambda found: f"```console\n$ {found[1]}\n{output(found[1], folder)}```", text)
    return RULES.sub(lambda found: found[1] + rule_table() + found[2], text)


if __name__ == "__main__":
    import os
    import tempfile

    os.chdir(ROOT)
    with tempfile.TemporaryDirectory() as scratch:
        for page in PAGES:
            page.write_text(rewritten(page.read_text(encoding="utf-8"), Path(scratch)), encoding="utf-8")
