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

from functools import cache
from importlib import import_module

__version__ = "0.1.0"


@cache
def _homes() -> dict[str, str]:
    """Public name -> the module that it comes from."""
    import re

    with open(f"{__file__.removesuffix('.py')}.pyi", encoding="utf-8") as stub:
        return {name: home for home, name in re.findall(r"^from (bitting\S+) import (\w+)", stub.read(), re.MULTILINE)}


def __getattr__(name: str) -> object:
    """Import a public name from its home at the first use."""
    if name == "__all__":
        return [*_homes(), "__version__"]
    if name.startswith("__") or name not in _homes():
        raise AttributeError(f"module 'bitting' has no attribute {name!r}")
    value: object = getattr(import_module(_homes()[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_homes(), "__all__"})
