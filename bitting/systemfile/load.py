"""Finding system files: the shipped ones and those in the user's folder by name, any other by its path.

The user's folder is `user_folder()`, where the operating system keeps a user's data (`bitting systems list` prints it). A
system there is called what its file says under `[system]`; two of the same name, shipped or not, are an error wherever that
name is used, so that nobody cuts by the wrong one.

>>> load_system("Plover").name
'plover'
>>> load_system("plovr")
Traceback (most recent call last):
    ...
bitting.errors.BittingError: no system is called 'plovr'
"""

from __future__ import annotations

import os
import shlex
import tomllib
from collections.abc import Iterable
from typing import NamedTuple

from bitting.errors import BittingError, SystemFileError, nearest
from bitting.files import read_whole, was_read
from bitting.geometry.figures import faults_of
from bitting.grammars import folder
from bitting.model.system import System
from bitting.systemfile.build import read_system, unusable


def shipped_systems() -> tuple[str, ...]:
    """The names of the systems that come with the toolkit, in alphabetical order."""
    return tuple(sorted(name[:-5] for name in os.listdir(folder("systems")) if name.endswith(".toml")))


class Known(NamedTuple):
    """A system that commands find by its name; `path` is its file, `shipped` whether it comes with the toolkit."""

    name: str
    path: str
    shipped: bool


def user_folder() -> str:
    """The folder for the user's own systems; it need not be there."""
    from platformdirs import user_data_dir

    return os.path.join(user_data_dir("bitting", appauthor=False), "systems")


def known_systems() -> tuple[Known, ...]:
    """Every system that has a name, the shipped ones first; a name may stand there twice (see `twice`)."""
    shipped = [Known(name, os.path.join(folder("systems"), f"{name}.toml"), True) for name in shipped_systems()]
    return (*shipped, *systems_in(user_folder()))


def systems_in(place: str | os.PathLike[str]) -> tuple[Known, ...]:
    """The systems of a folder, by the names in their files (the file's own name where it can't be read)."""
    try:
        names = sorted(os.listdir(place))
    except OSError:
        return ()
    files = (os.path.join(place, name) for name in names if name.endswith(".toml"))
    return tuple(Known(_declared(path), path, False) for path in files if os.path.isfile(path))


def twice(known: Iterable[Known]) -> dict[str, list[Known]]:
    """The names that more than one system has, whatever their capitals."""
    by_name: dict[str, list[Known]] = {}
    for system in known:
        by_name.setdefault(system.name.casefold(), []).append(system)
    return {name: found for name, found in by_name.items() if len(found) > 1}


def _declared(path: str) -> str:
    stem = os.path.basename(path).removesuffix(".toml")
    try:
        with open(path, encoding="utf-8-sig") as file:
            name = tomllib.loads(file.read())["system"]["name"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return stem
    return name if isinstance(name, str) and name else stem


def typed_as(system: System) -> str:
    """What a command is given for a system: its name, where that finds this one and no other; else its file's path, quoted."""
    paths = [known.path for known in known_systems() if known.name.casefold() == system.name.casefold()]
    return system.name if paths == [system.path] or not system.path else shlex.quote(system.path)


def load_system(name_or_path: str | os.PathLike[str], *, sound: bool = True) -> System:
    """The system of that name (shipped, or in the user's folder), whatever its capitals, or the one in the file of that path.

    A text with a folder in it, or that ends in `.toml`, is a path; so is the name of a file that is there, where no
    system is called so. A file whose figures no key can have is refused; `sound=False` takes it as it is, to look at what
    is wrong with it. Raises `BittingError` where there is no such system or there are two, `SystemFileError` for a file that
    can't be read or used.
    """
    if not isinstance(name_or_path, str | os.PathLike):
        given = f"a value of type {type(name_or_path).__name__} stands where a system's name is wanted"
        raise BittingError(given, hint="give a name or a path, as text")
    given = os.fspath(name_or_path)
    if not isinstance(name_or_path, str) or given.endswith(".toml") or os.path.basename(given) != given:
        path = given
    else:
        path = _found(given)
    system = _read(path)
    faults = [f"{fault.code}: {fault.message}" for fault in faults_of(system)] if sound else []
    if faults:
        raise unusable(system.path, faults)
    return system


def _found(given: str) -> str:
    """The path of the file of the system that is called so, or of the file of that name."""
    known = known_systems()
    found = [system for system in known if system.name.casefold() == given.casefold()]
    if len(found) > 1:
        raise BittingError(twice_said(found), hint="give the path of the one you mean, or rename one under [system]")
    if found:
        return found[0].path
    if given and os.path.isfile(given):
        return given
    names = list(dict.fromkeys(system.name for system in known))
    near = nearest(given, names)
    meant = f"did you mean {near}? " if near else ""
    hint = f"{meant}systems: {', '.join(names)}; or give the path of a system file"
    raise BittingError(f"no system is called {given!r}", hint=hint)


def twice_said(found: Iterable[Known]) -> str:
    """That several systems have one name, and where each is."""
    systems = list(found)
    places = " and ".join("shipped" if system.shipped else system.path for system in systems)
    return f"{len(systems)} systems are called {systems[0].name!r}: {places}"


def _read(path: str) -> System:
    was_read(path)
    try:
        text = read_whole(path, "the system file")
    except BittingError as fault:
        raise SystemFileError(fault.message, faults=(fault.message,), hint=fault.hint) from None
    return read_system(text, path)
