"""One JSON object a row on standard output, held back until the whole table has been gone through.

A fault half-way must leave standard output empty, and the rows of a large table don't fit the memory; so they wait in a
temporary file that has no name and is gone when the command ends.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

_IN_MEMORY = 1 << 26
"""Characters that wait in memory before a file is made."""


@contextmanager
def rows_in_the_end() -> Iterator[Callable[[dict[str, object]], None]]:
    """A function that takes rows; they are printed when the block ends without a fault."""
    with tempfile.SpooledTemporaryFile(_IN_MEMORY, "w+", encoding="utf-8", newline="") as spool:

        def tell(row: dict[str, object]) -> None:
            spool.write(json.dumps(row, ensure_ascii=False) + "\n")

        yield tell
        spool.seek(0)
        for line in spool:
            click.echo(line, nl=False)
