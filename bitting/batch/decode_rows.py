"""Row by row: many measured keys of a table decoded, by as many processes as are worth their start.

A `RowDecoder` serves one run, with a `KeyDecoder` per system; the first row with readings pays for the system's diagram. The
processes that help watch a pipe which only the run holds open: however it ends, they end with it.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import Pipe
from multiprocessing.connection import Connection

from attrs import define, field

from bitting.arrays import Integers
from bitting.batch.columns import Layout, Table
from bitting.batch.decoder import TOGETHER, Choices, KeyDecoder
from bitting.batch.output import READINGS, Chunk, Row, RowWorker, chunk_of, rows_without
from bitting.batch.summary import Figures, ReadingsSummary
from bitting.batch.systems import Systems
from bitting.batch.xlsx.read import reading_cell
from bitting.errors import BittingError
from bitting.model import System
from bitting.notation import parse_readings

WORTH = 4 * TOGETHER
"""Rows from which on more than one process is worth its start."""


@define(eq=False)
class RowDecoder(RowWorker):
    """Decodes the rows of one table. `folders` hold the system files that rows name; `jobs` processes at most are used."""

    columns = READINGS
    chunk = 1000
    cell = staticmethod(reading_cell)
    choices: Choices = field(factory=Choices)
    jobs: int = 1
    folders: tuple[str, ...] = ()
    _systems: Systems[KeyDecoder] = field(init=False)
    _pool: ProcessPoolExecutor | None = field(init=False, default=None)
    _ends: tuple[Connection, Connection] | None = field(init=False, default=None)

    def __attrs_post_init__(self) -> None:
        self._systems = Systems(self.default, lambda system: KeyDecoder(system, self.choices), self.folders)

    @contextmanager
    def working(self) -> Iterator[None]:
        """The default system made ready, and processes that end with the block, whatever they are doing.

        Raises BittingError where the system, or what was said of the keys, can't be used.
        """
        if self.default is not None:
            self._systems.of("")
        try:
            yield
        finally:
            if self._pool is not None and self._ends is not None:
                for end in self._ends:
                    end.close()
                self._pool.shutdown(cancel_futures=True)

    def holds(self, sample: Table, layout: Layout) -> bool:
        """Columns of readings are named, so they are what they are called."""
        return bool(layout.places and sample)

    def good(self, texts: Sequence[str]) -> list[bool]:
        return [self.default is not None and _reads(text, self.default, self.choices.unit) for text in texts]

    def answered(self, texts: Sequence[str], rows: Integers, systems: Sequence[str] | None) -> Chunk:  # noqa: ARG002
        answers = self._several(texts) if systems is None else None
        return chunk_of(READINGS, answers or self._one_by_one(texts, systems))

    def _one_by_one(self, texts: Sequence[str], systems: Sequence[str] | None) -> list[Row]:
        rows = [Row("empty")] * len(texts)
        for ready, places in self._systems.grouped(systems or [""] * len(texts)):
            some = [texts[place] for place in places]
            said = rows_without(ready, some) if isinstance(ready, str) else ready.rows(some)
            for place, row in zip(places, said, strict=True):
                rows[place] = row
        return rows

    def _several(self, texts: Sequence[str]) -> list[Row] | None:
        """The rows by several processes; None where that isn't worth it."""
        if self.jobs < 2 or len(texts) < WORTH or self.default is None:
            return None
        if self._pool is None:
            self._ends = Pipe(duplex=False)
            initial = (self.default, self.choices, *self._ends)
            self._pool = ProcessPoolExecutor(self.jobs, initializer=_start, initargs=initial)
        parts = [texts[start : start + TOGETHER] for start in range(0, len(texts), TOGETHER)]
        return [row for part in self._pool.map(_part, parts) for row in part]

    def notes(self) -> list[str]:
        return [*self._systems.doubts]

    def summary(self, figures: Figures) -> ReadingsSummary:
        return ReadingsSummary(**self.counted(figures))


def _reads(text: str, system: System, unit: str | None) -> bool:
    try:
        return any(cut.readings for cut in parse_readings(text, system, unit).cuts)
    except BittingError:
        return False


_ready: KeyDecoder | None = None
"""The decoder of a process that works for a run."""


def _start(system: System, choices: Choices, reader: Connection, writer: Connection) -> None:
    """Make a process ready, and end it when nobody holds the other end of the pipe any more."""
    global _ready  # one per process: it is what a process is started for
    writer.close()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the run itself is interrupted, and then closes the pipe

    def watch() -> None:
        try:
            reader.recv_bytes()
        except (EOFError, OSError):
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    _ready = KeyDecoder(system, choices)


def _part(texts: Sequence[str]) -> list[Row]:
    if _ready is None:
        raise RuntimeError("a process of a run was not started by it")
    return _ready.rows(texts)
