"""README's commands and the pages', and what they print: run by a test, written anew with `python -m tests.readme`."""

from __future__ import annotations

import inspect
import re
import shlex
from collections.abc import Callable
from pathlib import Path

import attrs
from click.testing import CliRunner

import bitting
from bitting import docs
from bitting.cli import main
from bitting.rules import explanations

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
PAGES = (README, *(page.path for page in docs.pages()))
CONSOLE = re.compile(r"```console\n\$ (bitting [^\n]*)\n(.*?)```", re.S)
API = re.compile(r"(<!-- api -->\n).*?(<!-- end of api -->)", re.S)
RULES = re.compile(r"(<!-- rules -->\n).*?(<!-- end of rules -->)", re.S)


def output(command: str, folder: Path) -> str:
    """What a `bitting …` command prints; files that it writes go to `folder`, where later commands find them."""
    words = shlex.split(command)[1:]
    if "-o" in words:
        at = words.index("-o") + 1
        words[at] = str(folder / words[at])
    words = [
        str(folder / word) if (folder / word).is_file() else word for word in words
    ]  # what an earlier command wrote
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


def public_page() -> str:
    """Every public name with its signature and docstring; of a value its attributes, those that stand in JSON marked."""
    parts = []
    for name in sorted(n for n in bitting.__all__ if n != "__version__"):
        thing = getattr(bitting, name)
        doc = re.sub(r"\n+>>>.*", "", inspect.getdoc(thing) or "", flags=re.S)
        if not inspect.isclass(thing):
            parts.append(f"### `{name}{_signature(thing)}`\n\n{doc}\n")
            continue
        parts.append(f"### `{name}`\n\n{doc}\n")
        if attrs.has(thing) and hasattr(thing, "as_dict"):
            names = [f.name for f in attrs.fields(thing) if not f.name.startswith("_") and f.metadata.get("json", True)]
            stated = getattr(thing, "json_names", ()) or (*names, *getattr(thing, "derived", ()))
            parts.append("As JSON: " + ", ".join(f"`{n}`" for n in stated) + ".\n")
    return "\n" + "\n".join(parts) + "\n"


def _signature(function: Callable[..., object]) -> str:
    """A signature as one writes it, without the quotes of postponed annotations."""
    parameters = [
        p.replace(default=_Default(p.default)) if attrs.has(type(p.default)) or inspect.isfunction(p.default) else p
        for p in inspect.signature(function).parameters.values()
    ]
    return str(inspect.signature(function).replace(parameters=parameters)).replace("'", "")


class _Default:
    """A default that is a value of the package, or a function: its kind is enough."""

    def __init__(self, value: object) -> None:
        self.text = "…" if inspect.isfunction(value) else f"{type(value).__name__}()"

    def __repr__(self) -> str:
        return self.text


def rewritten(text: str, folder: Path) -> str:
    """A page with every output and table as the program gives it now."""
    text = CONSOLE.sub(lambda found: f"```console\n$ {found[1]}\n{output(found[1], folder)}```", text)
    text = RULES.sub(lambda found: found[1] + rule_table() + found[2], text)
    return API.sub(lambda found: found[1] + public_page() + found[2], text)


if __name__ == "__main__":
    import os
    import tempfile

    os.chdir(ROOT)
    with tempfile.TemporaryDirectory() as scratch:
        for page in PAGES:
            page.write_text(rewritten(page.read_text(encoding="utf-8"), Path(scratch)), encoding="utf-8")
