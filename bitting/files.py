"""Files written whole or not at all, readable by their owner only.

What is written may hold key codes, and a half-written answer looks like a whole one. So the bytes go to a temporary file
beside the target (mode 0600, nothing of the content in its name), are flushed to the disk, and take the target's name in
one step. Where the system can make a file without a name (Linux), a killed run leaves nothing behind; elsewhere it may
leave the temporary file, never a half answer.

An existing file is replaced only when `force` says so, and a file that the run has read never, however it was reached:
whatever opens a file that a user named says so with `was_read`, and `one_run` remembers it until the command ends.

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
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from typing import TYPE_CHECKING, BinaryIO, cast

from bitting.errors import BittingError

if TYPE_CHECKING:
    from pathlib import Path

PRIVATE = 0o600
MOST_BYTES = 1_000_000_000
"""So many bytes of an input that has no end of its own (a pipe) are taken."""
SPOOL = 64 << 20
"""So many bytes of a pipe are kept in memory; more go to a nameless file that only this process can read."""
FORMULA = frozenset("=+-@\t\r")
Identity = tuple[int, int]
"""Device and number of a file: the same however it is named."""
_read: ContextVar[set[Identity] | None] = ContextVar("files read in this run", default=None)


def no_formula(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula: what would begin like one gets an apostrophe in front."""
    return "'" + cell if cell and cell[0] in FORMULA else cell


@contextmanager
def one_run() -> Iterator[None]:
    """Remember which files are read inside the block, so that none of them is written to; an outer block goes on counting."""
    if _read.get() is not None:
        yield
        return
    token = _read.set(set())
    try:
        yield
    finally:
        _read.reset(token)


def was_read(file: str | Path | int) -> None:
    """Say that a file (a path or a descriptor) is read in this run; what can't be looked at is left to whoever opens it."""
    known = _read.get()
    with suppress(OSError, ValueError):
        found = os.stat(file)
        if known is not None and stat.S_ISREG(found.st_mode):
            known.add((found.st_dev, found.st_ino))


@contextmanager
def open_input(name: str) -> Iterator[tuple[BinaryIO, int]]:
    """A file that the user named ("-": standard input), as one that can be read again, and its size in bytes.

    A pipe is taken up to `MOST_BYTES`. Raises BittingError for what isn't there, a folder or a device, which may have no end.
    """
    if name == "-":
        if sys.stdin is None:
            raise BittingError("standard input is closed", hint="name a file, or pipe one in")
        with _spooled(sys.stdin.buffer, "standard input") as both:
            yield both
        return
    try:
        mode = os.stat(name).st_mode
        if stat.S_ISDIR(mode):
            raise BittingError(f"{name!r} is a folder", hint="name a table in it")
        if stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
            raise BittingError(
                f"{name!r} is a device, which may have no end", hint="name a file; `-` reads standard input"
            )
        file = open(name, "rb")  # noqa: SIM115 - closed below
    except FileNotFoundError:
        raise BittingError(f"there is no file {name!r}", hint="check the path; `-` reads standard input") from None
    except (OSError, ValueError) as fault:
        if isinstance(fault, BittingError):
            raise
        raise BittingError(f"can't read {name!r}: {getattr(fault, 'strerror', None) or fault}") from None
    with file:
        was_read(file.fileno())
        if file.seekable():
            yield file, os.fstat(file.fileno()).st_size
            return
        with _spooled(file, repr(name)) as both:
            yield both


@contextmanager
def _spooled(source: BinaryIO, called: str) -> Iterator[tuple[BinaryIO, int]]:
    with scratch() as spool:
        size = 0
        while block := source.read(1 << 20):
            size += len(block)
            if size > MOST_BYTES:
                raise BittingError(
                    f"more than {MOST_BYTES:,} bytes came from {called}", hint="save the table to a file, or in parts"
                )
            spool.write(block)
        spool.seek(0)
        yield spool, size


@contextmanager
def scratch() -> Iterator[BinaryIO]:
    """A nameless file for what is put together on the way; small ones stay in memory."""
    import tempfile  # 10 ms that only a written answer should cost

    with tempfile.SpooledTemporaryFile(max_size=SPOOL, mode="w+b") as spool:
        yield cast(BinaryIO, spool)


@contextmanager
def whole_output(path: str | None, *, force: bool = False) -> Iterator[BinaryIO]:
    """Where an answer is written: a file, standard output ("-") or nowhere (None); it gets there only when the whole is."""
    import shutil

    if path is None:
        with open(os.devnull, "w+b") as nowhere:
            yield nowhere
    elif path == "-":
        with scratch() as spool:
            yield spool
            spool.seek(0)
            shutil.copyfileobj(spool, sys.stdout.buffer)
            sys.stdout.buffer.flush()
    else:
        with whole_file(path, force=force) as file:
            yield file


@contextmanager
def whole_file(path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = ()) -> Iterator[BinaryIO]:
    """A binary file to write to; it becomes `path` when the block ends well, and vanishes when it doesn't.

    Raises BittingError where the target can't be written, is there already (without `force`), or is one of the files read:
    `inputs`, and what `was_read` in this run. An OSError inside the block (disk full) becomes one too.
    """
    inputs = tuple(inputs)
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
            may_write(path, force=True, inputs=inputs)  # a file may have been read since the block began
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


def may_write(
    path: str | Path, *, force: bool = False, inputs: Iterable[str | Path] = (), forcible: bool = True
) -> Path:
    """The real path of a target that may be written, or a BittingError that says why it may not.

    `forcible` says whether the command has a --force that its hint can name.
    """
    from pathlib import Path  # 8 ms that only a written answer should cost

    target = Path(os.path.realpath(path))
    named = any(Path(os.path.realpath(source)) == target or _same(source, target) for source in inputs)
    if (
        named or _same(0, target) or _identity(target) in (_read.get() or ())
    ):  # 0: standard input, where a shell has put a file
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
                f"{Path(path).name!r} is there already",
                hint="choose another name, or "
                + ("add --force to replace it" if forcible else f"move {path} away first"),
            )
    return target


def _identity(file: str | Path | int) -> Identity | None:
    with suppress(OSError, ValueError):
        found = os.stat(file)
        return found.st_dev, found.st_ino
    return None


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
    import tempfile  # where a file needs a name at once

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
