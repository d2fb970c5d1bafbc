"""A toolkit for the locksmith who makes keys by hand from a code.

>>> import bitting
>>> system = bitting.load_system("plover")
>>> code = bitting.parse_code("left: 2133244 / right: 1124421", system)
>>> bitting.check(code, system).legal
True

Everything here is imported when it is first used, so `import bitting` costs next to nothing. The names stand in
`__init__.pyi` beside this file, once, for type checkers and for this module.
"""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

__version__ = "0.1.0"

_STUB = Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8")
_HOMES = {name: home for home, name in re.findall(r"^from (bitting\S+) import (\w+)", _STUB, re.MULTILINE)}

__all__ = [*_HOMES, "__version__"]


def __getattr__(name: str) -> object:
    """Import a public name from its home at the first use."""
    if name not in _HOMES:
        raise AttributeError(f"module 'bitting' has no attribute {name!r}")
    value: object = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
