"""What is to be done with a table, and one run that does it."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, BinaryIO, Literal

from attrs import define, field, frozen

from bitting.batch.columns import Layout, Table, Wanted
from bitting.batch.output import Chunk, Row, RowWorker
from bitting.batch.summary import Figures

if TYPE_CHECKING:
    from bitting.batch.decoder import Choices  # a table of codes needs nothing of the decoder

Progress = Callable[[int], None]
"""Told how many bytes have been dealt with since the last time."""
Rowwise = Callable[[int, str, Row], None]
"""Told of each row: its line, its text, what is said of it."""


@frozen
class Job:
    """What is to be done. `source` and `output` are paths, or "-" for the standard streams; `output` None: no table.

    `suggestions` is for how many different wrong codes the nearest legal one is looked for (None: all). With `readings` the
    table holds measured keys, decoded by up to `processes`. `folders` are those of system files that rows may name.
    """

    source: str
    output: str | None
    wanted: Wanted = field(factory=Wanted)
    sheet: str | None = None
    delimiter: str | None = None
    only: Literal["all", "bad"] = "all"
    force: bool = False
    suggestions: int | None = None
    readings: Choices | None = None
    processes: int = 1
    folders: tuple[str, ...] = ()


@define(eq=False)
class Run:
    """One run on its way: who answers for the rows, the file that is read, who is told of what."""

    job: Job
    worker: RowWorker
    source: BinaryIO
    size: int
    figures: Figures
    progress: Progress | None = None
    rowwise: Rowwise | None = None

    @property
    def only_bad(self) -> bool:
        """Whether only bad rows are wanted."""
        return self.job.only == "bad"

    @property
    def layout(self) -> Layout:
        """Where the texts stand, once they were looked for."""
        return self.figures.layout

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the added columns, with a number behind any that the table has already."""
        return self.layout.free(self.worker.columns.names)

    def begin(self, layout: Layout, rows: int) -> None:
        """The texts stand there, in a table of so many rows at most."""
        self.worker.telling = self.rowwise is not None
        self.figures.layout = layout
        self.worker.expect(rows, layout)
        if layout.header is None:
            self.figures.notes.append("the table has no header row, so the added columns have no names")
        elif self.names != self.worker.columns.names:
            self.figures.notes.append(f"the table has columns of these names already; ours are {', '.join(self.names)}")
        if any("tip" in re.findall(r"\w+", name.casefold()) for name in layout.called):
            told = "is read from the bow, whatever its name says: write from tip: before a list that isn't"
            self.figures.notes.append(f"{layout.column} {told}")
        unread = [n for n in layout.names if layout.system is None and "system" in n.casefold().split()]
        self.figures.notes += [f"the column {n!r} isn't looked at: --system-column reads rows by it" for n in unread]

    def find(self, sample: Table, rows: int) -> None:
        """Look where the texts stand; BittingError where that isn't certain."""
        self.begin(self.worker.find(sample), rows)

    def tell(self, line: int, text: str, row: Row) -> None:
        """Tell of a row."""
        if self.rowwise is not None:
            self.rowwise(line, text, row)

    def shown(self, chunk: Chunk, number: int) -> bool:
        """Whether a row is wanted."""
        return not self.only_bad or chunk.bad(number)

    def step(self, size: int) -> None:
        """So many bytes more have been dealt with."""
        if self.progress is not None:
            self.progress(size)
