"""Imports go one way: the drawing in DEVELOPERS.md is read, then every import in the package, and the two compared."""

from __future__ import annotations

import ast
import importlib
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import bitting

PACKAGE = Path(bitting.__file__).parent
DRAWING = PACKAGE.parent / "DEVELOPERS.md"
HEAVY = {"numpy", "scipy", "shapely", "openpyxl", "python_calamine", "jinja2", "tabulate", "pandas", "polars"}


def layers() -> list[str]:
    """The layers from top to bottom, as dotted names: `bitting.cli`, …, `bitting.errors`."""
    drawing = DRAWING.read_text(encoding="utf-8").split("```")[1]
    found = re.findall(r"^\S+ +(bitting/\S+)", drawing, re.MULTILINE)
    return [path.removesuffix("/").removesuffix(".py").replace("/", ".") for path in found]


def layer_of(module: str, known: list[str]) -> str | None:
    return next((layer for layer in known if module == layer or module.startswith(layer + ".")), None)


@cache
def modules() -> tuple[tuple[str, ast.Module], ...]:
    """Every module of the package with its tree, but the package's own front, which gathers all the layers."""
    return tuple(_modules())


def _modules() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        if name != "bitting":
            yield name, ast.parse(path.read_text(encoding="utf-8"))


def imports(module: str, tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every import of a tree, wherever it stands, as (line, absolute name)."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = module.rsplit(".", node.level)[0] if node.level else ""
            source = ".".join(part for part in (base, node.module) if part)
            # `from bitting import check` names a layer in the name that it takes.
            yield from ((node.lineno, f"{source}.{alias.name}") for alias in node.names)


def test_every_module_is_drawn() -> None:
    known = layers()
    assert known[0] == "bitting.cli"
    assert known[-1] == "bitting.errors"
    names = [name for name, _ in modules()]
    assert [name for name in names if layer_of(name, known) is None] == [], "draw these in DEVELOPERS.md"


def test_every_path_that_the_guide_names_is_there() -> None:
    """Recipes name a room's modules by their last names too."""
    root = DRAWING.parent
    there = [f"/{path.relative_to(root)}/" for part in ("bitting", "tests", "systems", "examples")
             for path in (root / part, *(root / part).rglob("*"))]  # fmt: skip
    words = {
        word.strip("/")
        for said in re.findall(r"`([^`\n]+)`", DRAWING.read_text(encoding="utf-8"))
        for word in said.split()
    }
    named = [word for word in words if re.search(r"\w/\w|\.pyi?$", word) and "NAME" not in word and word[0] != "."]
    assert len(named) > 70
    assert [word for word in named if not any(path.endswith(f"/{word}/") for path in there)] == []


def test_imports_only_go_down() -> None:
    known = layers()
    upward = []
    for module, tree in modules():
        own = layer_of(module, known)
        for line, name in imports(module, tree):
            other = layer_of(name, known)
            if own is not None and other is not None and known.index(other) < known.index(own):
                upward.append(f"{module}, line {line}: {name}")
    assert upward == [], "what imports stands above what it imports in DEVELOPERS.md, in one box too"


def test_no_layer_reaches_for_the_front_of_the_package() -> None:
    known = layers()
    front = [
        f"{module}, line {line}: {name}"
        for module, tree in modules()
        for line, name in imports(module, tree)
        if (name == "bitting" or name.startswith("bitting.")) and layer_of(name, known) is None
    ]
    assert front == []


def test_what_every_command_imports_pulls_in_no_heavy_library() -> None:
    light = (
        "bitting.errors",
        "bitting.model",
        "bitting.grammars",
        "bitting.notation",
        "bitting.rules",
        "bitting.systemfile",
    )
    found = []
    for module, tree in modules():
        if layer_of(module, list(light)) is None:
            continue
        top = ast.Module([node for node in ast.iter_child_nodes(tree) if isinstance(node, ast.stmt)], [])
        eager = [n for n in top.body if isinstance(n, ast.Import | ast.ImportFrom)]
        found += [f"{module}, line {line}: {name}" for node in eager for line, name in imports(module, node)
                  if name.split(".")[0] in HEAVY]  # fmt: skip
    assert found == []


def test_relative_imports_are_read_too() -> None:
    tree = ast.parse("from . import load\nfrom ..errors import BittingError\nimport bitting.cli")
    assert list(imports("bitting.systemfile.build", tree)) == [
        (1, "bitting.systemfile.load"),
        (2, "bitting.errors.BittingError"),
        (3, "bitting.cli"),
    ]


@pytest.mark.parametrize("name", sorted(path.stem for path in (Path(__file__).parent / "benchmarks").glob("[a-z]*.py")))
def test_a_benchmark_asks_for_nothing_that_is_gone(name: str) -> None:
    """Most are run by hand, and one had asked for a name that had moved without anybody seeing it."""
    importlib.import_module(f"tests.benchmarks.{name}")
