"""Reading tables whose keys are listed: every fault of a file is gathered, none stops the rest.

A `Key` says how one key is read and whether it has to be there; `Faults` gathers one line per fault, each with its
path in the file, so that a file with five slips is mended in one go.

>>> from bitting.systemfile.kinds import number
>>> faults = Faults("finch.toml")
>>> keys = (Key("width", number("a length", above=0)), Key("thickness"))
>>> read_table({"width": -1, "thicknes": 2}, "blade", keys, faults)
{}
>>> print("\\n".join(faults.lines))
finch.toml: blade.width: found -1; allowed: a length greater than 0
finch.toml: blade.thicknes: found this key; allowed: width, thickness (did you mean thickness?)
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from bitting.errors import nearest
from bitting.systemfile.kinds import Read, Wrong, describe


class Key(NamedTuple):
    """One key of a table: how its value is read (None: by the caller, later), and whether it must be there."""

    name: str
    read: Read | None = None
    required: bool = False
    example: str = ""


class Faults:
    """The faults of one file, in the order they were found."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.lines: list[str] = []

    def add(self, path: str, message: str) -> None:
        """One fault at a path such as `tracks[0].depths`; an empty path is the file as a whole."""
        self.lines.append(f"{self.file}: {path}: {message}" if path else f"{self.file}: {message}")

    def wrong(self, path: str, value: Any, allowed: str) -> None:
        """A value that isn't allowed there."""
        self.add(path, f"found {describe(value)}; allowed: {allowed}")

    def at(self, path: str) -> bool:
        """Whether a fault was found at that path or within it, so that what follows from it is not told again."""
        places = tuple(f"{self.file}: {path}{end}" for end in (":", "[", "."))
        return any(line.startswith(places) for line in self.lines)


def read_value(value: Any, path: str, read: Read, faults: Faults) -> Any:
    """The value as its reader understands it, or None and a fault."""
    try:
        return read(value)
    except Wrong as wrong:
        if wrong.item is not None:
            path, value = f"{path}[{wrong.item}]", value[wrong.item]
        faults.wrong(path, value, str(wrong))
        return None


def read_table(table: Any, path: str, keys: Sequence[Key], faults: Faults) -> dict[str, Any]:
    """What could be read of a table: the keys that are there and sound; the rest are faults.

    Keys without a reader are handed on as they are. `path` is the table's own, empty for the top of the file.
    """
    if not isinstance(table, dict):
        faults.wrong(path, table, f"a table with the keys {', '.join(key.name for key in keys)}")
        return {}
    known = {key.name: key for key in keys}
    result: dict[str, Any] = {}
    for name, value in table.items():
        where = join(path, name)
        key = known.get(name)
        if key is None:
            faults.add(where, f"found this key; allowed: {', '.join(known)}{_meant(name, list(known))}")
        elif key.read is None:
            result[name] = value
        else:
            sound = read_value(value, where, key.read, faults)
            if sound is not None:
                result[name] = sound
    for key in keys:
        if key.required and key.name not in table:
            faults.add(join(path, key.name), f"not found; add {key.example or key.name + ' = …'}")
    return result


def join(path: str, name: str) -> str:
    """The path of a key in a table; a key that isn't plain is quoted, as TOML does.

    >>> join("blade", "width"), join("", "format"), join("locks", "front door")
    ('blade.width', 'format', 'locks."front door"')
    """
    plain = len(name) <= 60 and name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    shown = name if plain else describe(name)
    return f"{path}.{shown}" if path else shown


def _meant(name: str, known: Sequence[str]) -> str:
    near = nearest(name, known)
    return f" (did you mean {near}?)" if near else ""
