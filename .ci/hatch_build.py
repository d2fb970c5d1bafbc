"""While a wheel is built: add the finished tables of every grammar, so that an installed `bitting` starts faster."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class TablesHook(BuildHookInterface):  # type: ignore[type-arg]
    """Writes `bitting/data/tables/NAME.py` into the wheel; an editable install builds its parsers from the grammars."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by hatchling before the wheel is written."""
        if version == "editable":
            return
        sys.path.insert(0, self.root)
        from bitting.grammars import NAMES, tables

        self.scratch = tempfile.TemporaryDirectory()
        for name in NAMES:
            path = Path(self.scratch.name) / f"{name}.py"
            path.write_text(tables(name), encoding="utf-8")
            build_data["force_include"][str(path)] = f"bitting/data/tables/{name}.py"
