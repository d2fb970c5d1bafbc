"""The system of each row: the one of `-s`, or the one that the row names, made ready once.

A table is somebody else's text. What it names is a system that commands find by name (shipped, or in the user's own folder), or a
file beside the table or in a folder that the user gave: no other file of the machine is opened, or told about.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from typing import Generic, TypeVar

from attrs import define, field

from bitting.batch.judge import one_line
from bitting.errors import BittingError
from bitting.linting import errors_of
from bitting.model import System
from bitting.soundness import suspect
from bitting.systemfile import load_system
from bitting.systemfile.load import known_systems

T = TypeVar("T")
NAMES = 10_000
"""So many names that are none of a system are kept, with what is said of them."""


@define(eq=False)
class Systems(Generic[T]):
    """What `ready` makes of each system; `default` is the one of rows that name none, `folders` where system files are found."""

    default: System | None
    ready: Callable[[System], T]
    folders: tuple[str, ...] = ()
    labels: dict[int, str] = field(init=False, factory=dict)
    """What each ready one is called, by its id: the system's name, and the file where two systems have the same."""
    doubts: list[str] = field(init=False, factory=list)
    """What lint finds wrong with systems that rows name; that of the default is told before the answer."""
    _known: dict[str, T | str] = field(init=False, factory=dict)
    _names: frozenset[str] = field(init=False)

    @_names.default
    def _all_names(self) -> frozenset[str]:
        return frozenset(system.name.casefold() for system in known_systems())

    def of(self, name: str) -> T | str:
        """What answers for the system of that name ("" for the default), or why there is none."""
        known = self._known.get(name)
        if known is None:
            known = self._find(name)
            if not isinstance(known, str) or len(self._known) < NAMES:
                self._known[name] = known
        return known

    def grouped(self, names: Sequence[str]) -> list[tuple[T | str, list[int]]]:
        """What answers for rows that name these systems, each with the places of its rows."""
        together: dict[int | str, tuple[T | str, list[int]]] = {}
        for place, name in enumerate(names):
            ready = self.of(name.strip())
            together.setdefault(ready if isinstance(ready, str) else id(ready), (ready, []))[1].append(place)
        return list(together.values())

    def _find(self, name: str) -> T | str:
        if not name:
            if self.default is None:
                return "no system is named in this row"
            return self._made(self.default, self.default.name)
        if self.default is not None and name == self.default.name:
            return self.of("")
        key = name.casefold() if name.casefold() in self._names else next(self._files(name), "")
        if not key:
            known = "a table names systems that `bitting systems list` lists, or files beside it or in --systems-folder"
            return f"no system is called {name!r}: {known}"
        if key != name:
            return self.of(key)
        try:
            return self._made(load_system(key), key)
        except BittingError as fault:
            return one_line(fault)

    def _files(self, name: str) -> Iterator[str]:
        """System files of that name, wherever links lead, in the folders alone."""
        for folder in map(os.path.realpath, self.folders):
            for file in (name, f"{name}.toml") if "\0" not in name else ():
                path = os.path.realpath(os.path.join(folder, file))
                if path.startswith(os.path.join(folder, "")) and path.endswith(".toml") and os.path.isfile(path):
                    yield path

    def _made(self, system: System, called: str) -> T:
        """A second system of the same name is told by its path."""
        if system is not self.default and suspect(system):
            self.doubts += [finding.of(system) for finding in errors_of(system)]
        made = self.ready(system)
        self.labels[id(made)] = system.name if system.name not in self.labels.values() else f"{system.name} ({called})"
        return made
