"""A text, a number or None where a value of this package is wanted: said in words, with the function that makes one."""

from __future__ import annotations

from bitting.errors import BittingError
from bitting.model.code import Code
from bitting.model.readings import Readings
from bitting.model.system import System

MAKERS: dict[type, str] = {
    Code: "parse_code(text, system)",
    Readings: "parse_readings(text, system)",
    System: "load_system(name or path)",
}


def expect(kind: type, value: object) -> None:
    """Raises BittingError, which names the maker but never repeats a text that may be a secret, for another type."""
    if not isinstance(value, kind):
        found = "a text" if isinstance(value, str) else f"a value of type {type(value).__name__}"
        raise BittingError(
            f"{found} stands where a {kind.__name__} is wanted", hint=f"`bitting.{MAKERS[kind]}` makes one"
        )
