"""How the deepest cuts of a code are told on a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.deep import Deepest
from bitting.model import System
from bitting.report.table import table


def deepest_lines(answer: Deepest, system: System) -> Iterator[str]:
    """A row for each track, and what is to be said of a code that isn't legal."""
    rows = [
        [f"{one.side or ''} {one.track}".strip(), one.depth, f"{one.dimension:g}", " ".join(map(str, one.cuts))]
        for one in answer.tracks
    ]
    yield from table(rows, ["track", "deepest", system.unit, "cuts"], "lrrl")
    if not answer.legal:
        yield f"This is no legal code of {system.name}: `bitting check` says why."
