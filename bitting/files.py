"""Files written whole or not at all, readable by their owner only.

What is written may hold key codes, and a half-written answer looks like a whole one. So the bytes go to a temporary file
beside the target (mode 0600, nothing of the content in its name), are flushed to the disk, and take the target's name in
one step. Where the system can make a file without a name (Linux), a killed run leaves nothing behind; elsewhere it may
leave the temporary file, never a half answer.

An existing file is replaced only when `force` says so, and a file that the run reads never: `inputs` names those, and
what stands on standard input is always one of them. A file that an option says it updates (a history, a machine file) is
written whole beside it and renamed, as every other.

>>> import tempfile, pathlib
>>> folder = tempfile.TemporaryDirectory()
>>> target = pathlib.Path(folder.name) / "answer.txt"
>>> write_whole(target, "2 1 3")
>>> target.read_text()
'2 1 3'
>>> write_whole(target, "3 1 2")
Traceback (most recent call last):
...
bitting.errors.BittingError: 'answer.txt' is there already
>>> folder.cleanup()
"""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from bitting.errors import BittingError

PRIVATE = 0o600


@contextmanager
def whole_file(path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = ()) -> Iterator[BinaryIO]:
    """A binary file to write to; it becomes `path` when the block ends well, and vanishes when it doesn't.

    `inputs` are files being read, which are never replaced. Raises BittingError where the target can't be written, is
    there already (without `force`), or is one of the inputs; an OSError inside the block (disk full) becomes one too.
    """
    target = may_write(path, force=force, inputs=inputs)
    try:
        file, name = _open_beside(target)
    except OSError as fault:
        raise _unwritable(path, fault) from None
    try:
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
            if name is None:
                name = _name_it(file.fileno(), target)
        if force:
            os.replace(name, target)
        else:  # a hard link fails where a file has appeared meanwhile; renaming would replace it
            _settle(name, target)
        name = None
    except OSError as fault:
        raise _unwritable(path, fault) from None
    finally:
        if name is not None:
            with suppress(OSError):
                os.unlink(name)


def write_whole(
    path: str | Path, content: str | bytes, *, force: bool = False, inputs: Iterable[str | Path] = ()
) -> None:
    """Write a text (as UTF-8) or bytes to `path`, whole or not at all."""
    with whole_file(path, force=force, inputs=inputs) as file:
        file.write(content.encode() if isinstance(content, str) else content)


def may_write(path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = ()) -> Path:
    """The real path of a target that may be written, or a BittingError that says why it may not."""
    target = Path(os.path.realpath(path))
    named = any(Path(os.path.realpath(source)) == target or _same(source, target) for source in inputs)
    if named or _same(0, target):  # 0: standard input, where a shell has put a file
        raise BittingError(
            f"{Path(path).name!r} is the file being read, and would be overwritten",
            hint="give the answer another name; the file you gave is never changed",
        )
    if target.is_dir():
        raise BittingError(f"{str(path)!r} is a folder", hint="name a file in it with -o")
    if not target.parent.is_dir():
        raise BittingError(f"there is no folder {str(Path(path).parent)!r}", hint="make it first, or correct the path")
    if target.exists():
        if not stat.S_ISREG(target.stat().st_mode):
            raise BittingError(f"{str(path)!r} is no ordinary file", hint="write to standard output with `-o -`")
        if not force:
            raise BittingError(
                f"{Path(path).name!r} is there already", hint="choose another name, or add --force to replace it"
            )
    return target


def _same(source: str | Path | int, target: Path) -> bool:
    """Whether a path, or the descriptor of an open file, is the target's file, by whatever name it was reached."""
    with suppress(OSError, ValueError):
        return os.path.samestat(os.stat(source), target.stat())
    return False


MOST_READ = 1 << 20
"""Bytes: a system or machine file is a page or two, and a megabyte is something else."""


def read_whole(path: str | Path, what: str, most: int = MOST_READ) -> str:
    """The text of a file that a person wrote. Raises BittingError for what can't be read, a device, and a longer file.

    A device has no end, and may wait for one who isn't there; a pipe (`<(…)` of a shell) may be read.
    """
    try:
        with open(path, "rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            raw = b"" if stat.S_ISCHR(mode) or stat.S_ISBLK(mode) else file.read(most + 1)
    except (OSError, ValueError) as fault:  # a NUL in the path is a ValueError
        reason = getattr(fault, "strerror", None) or str(fault)
        raise BittingError(f"can't read {what} {str(path)!r}: {reason}") from None
    if stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
        raise BittingError(f"can't read {what} {str(path)!r}: it is a device, not a file")
    if len(raw) > most:
        raise BittingError(f"can't read {what} {str(path)!r}: it is longer than {most:,} bytes, and no more are read")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BittingError(f"can't read {what} {str(path)!r}: it is not UTF-8 text", hint="save it as UTF-8") from None


def _open_beside(target: Path) -> tuple[BinaryIO, str | None]:
    """A private file in the target's folder: without a name where that can be had (name None), otherwise hidden."""
    if hasattr(os, "O_TMPFILE") and os.path.isdir("/proc/self/fd"):
        with suppress(OSError):
            return _private(os.open(target.parent, os.O_TMPFILE | os.O_RDWR, PRIVATE)), None
    descriptor, name = tempfile.mkstemp(prefix=".bitting-", suffix=".part", dir=target.parent)
    return _private(descriptor), name


def _private(descriptor: int) -> BinaryIO:
    """The open file, readable and writable by its owner whatever the umask takes away."""
    if hasattr(os, "fchmod"):
        os.fchmod(descriptor, PRIVATE)
    return os.fdopen(descriptor, "w+b")


def _name_it(descriptor: int, target: Path) -> str:
    """Give a nameless file a temporary name beside the target."""
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        for _ in range(100):
            name = str(target.parent / f".bitting-{os.urandom(6).hex()}.part")
            with suppress(FileExistsError):
                # src_dir_fd makes Python follow the link in /proc, which is what gives a nameless file its name
                os.link(f"/proc/self/fd/{descriptor}", name, src_dir_fd=folder, follow_symlinks=True)
                return name
    finally:
        os.close(folder)
    raise FileExistsError(f"no free temporary name in {target.parent}")


def _settle(name: str, target: Path) -> None:
    """Rename without replacing what is there; on file systems without hard links, look first and rename then."""
    try:
        os.link(name, target)
    except FileExistsError:
        raise
    except OSError:
        if target.exists():
            raise FileExistsError(17, os.strerror(17)) from None
        os.replace(name, target)
        return
    os.unlink(name)


def _unwritable(path: str | Path, fault: OSError) -> BittingError:
    reason = fault.strerror or str(fault)
    return BittingError(f"can't write {str(path)!r}: {reason}", hint="nothing was written")
