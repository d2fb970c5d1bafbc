"""Where the grammars and the shipped system files are found.

In a wheel both folders lie inside the package (`bitting/data/grammars`, `bitting/data/systems`); in a checkout and in
an editable install they stand beside it, where people look for them and edit them.

>>> (folder("systems") / "plover.toml").is_file()
True
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

_HERE = Path(__file__).resolve().parent


def folder(name: Literal["grammars", "systems"]) -> Path:
    """The folder of that name: the package's own copy where there is one, otherwise the one beside the package."""
    inside = _HERE / "data" / name
    return inside if inside.is_dir() else _HERE.parent / name
