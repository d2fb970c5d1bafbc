"""Finding system files: the shipped ones by name, any other by its path.

>>> load_system("Plover").name
'plover'
>>> load_system("plovr")
Traceback (most recent call last):
    ...
bitting.errors.BittingError: no system is called 'plovr'
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from bitting.errors import BittingError, SystemFileError, nearest, shown
from bitting.geometry.figures import faults_of
from bitting.grammars import folder
from bitting.model.system import System
from bitting.systemfile.build import read_system, unusable

MOST_BYTES = 1 << 20
"""A system file is a page or two; a megabyte is something else, and is not read into memory."""


def shipped_systems() -> tuple[str, ...]:
    """The names of the systems that come with the toolkit, in alphabetical order."""
    return tuple(sorted(name[:-5] for name in os.listdir(folder("systems")) if name.endswith(".toml")))


def load_system(name_or_path: str | os.PathLike[str], *, sound: bool = True) -> System:
    """The shipped system of that name, whatever its capitals, or the one in the file of that path.

    A text with a folder in it, or that ends in `.toml`, is a path; so is the name of a file that is there, where no
    shipped system is called so. A file whose figures no key can have is refused; `sound=False` takes it as it is, to look
    at what is wrong with it. Raises `BittingError` where there is no such system, `SystemFileError` for a file that
    can't be read or used.
    """
    given = os.fspath(name_or_path)
    known = shipped_systems()
    if isinstance(name_or_path, str) and given.casefold() in known:
        return _sound(_read(folder("systems") / f"{given.casefold()}.toml"), sound)
    if not isinstance(name_or_path, str) or given.endswith(".toml") or os.path.basename(given) != given:
        return _sound(_read(Path(given)), sound)
    if given and Path(given).is_file():
        return _sound(_read(Path(given)), sound)
    near = nearest(given, known)
    meant = f"did you mean {near}? " if near else ""
    hint = f"{meant}systems: {', '.join(known)}; or give the path of a system file"
    raise BittingError(f"no system is called {given!r}", hint=hint)


def _sound(system: System, asked: bool) -> System:
    """The system, unless its figures can't be meant and that was asked about."""
    faults = [f"{fault.code}: {fault.message}" for fault in faults_of(system)] if asked else []
    if faults:
        raise unusable(system.path, faults)
    return system


def _read(path: Path) -> System:
    name = shown(os.fspath(path), lines=False)
    file = shown(path.name, lines=False) or name
    try:
        with path.open("rb") as stream:
            if stat.S_ISCHR(os.fstat(stream.fileno()).st_mode):
                raise OSError(errno.EINVAL, "it is a device, not a file")
            raw = stream.read(MOST_BYTES + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        raise SystemFileError(
            f"the system file {name} can't be read: {reason}", faults=(f"{file}: {reason}",)
        ) from None
    except ValueError:  # a NUL in the path
        raise SystemFileError(
            f"{name!r} is no path of a file", faults=("the path has a character that no path has",)
        ) from None
    if len(raw) > MOST_BYTES:
        raise unusable(
            name, [f"{file}: found more than {MOST_BYTES:,} bytes; allowed: a system file is smaller than that"]
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise unusable(
            name, [f"{file}: line {line}: found a byte that is not UTF-8; allowed: text saved as UTF-8"]
        ) from None
    return read_system(text, os.fspath(path))
