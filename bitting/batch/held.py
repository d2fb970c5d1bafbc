"""Records that wait to be written until the suggestions of their wrong rows are there, and what stands between them.

Looking for the nearest legal codes of many rows together is several times faster than chunk by chunk, and the output must keep
its order: so some ten thousand wrong rows wait, and everything around them as plain text.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain

from attrs import define, field, frozen

from bitting.batch.desk import Desk, Judgement
from bitting.batch.records import Records
from bitting.batch.rows import Row

TOGETHER = 10_000
"""So many rows wait together for their suggestions: looked for all at once they take a third of the time."""
AT_ONCE = 512
"""So many pieces of text are joined at once: larger ones are slower to make."""
CHUNKS = 16
"""So many chunks of rows are held at most while they wait."""


@frozen(eq=False)
class _Waiting:
    """A row that waits for its suggestion: what comes before the added cells, its place in its chunk, its line end."""

    before: str
    judgement: Judgement
    place: int
    end: str


def _text(records: Records, tails: Sequence[str], start: int, stop: int) -> str:
    """Some records with their tails, as text."""
    raws, ends = records.raws[start:stop], records.ends[start:stop]
    if not raws:
        return ""
    if ends.count(ends[0]) == len(ends):
        return ends[0].join(map(str.__add__, raws, tails[start:stop])) + ends[0]
    return "".join(chain.from_iterable(zip(raws, tails[start:stop], ends, strict=True)))


@define(eq=False)
class Held:
    """What waits, in order."""

    _pieces: list[str | _Waiting] = field(init=False, factory=list)
    _judgements: list[Judgement] = field(init=False, factory=list)
    _rows: int = field(init=False, default=0)

    def add(
        self,
        records: Records,
        tails: Sequence[str],
        pads: Sequence[str] | None,
        judgement: Judgement,
        waiting: Mapping[int, int],
    ) -> None:
        """Some records with their tails; `waiting` are those without, and their places in the judgement."""
        start = 0
        for at in sorted(waiting):
            self._pieces.append(_text(records, tails, start, at))
            raw = records.raws[at] + (pads[at] if pads is not None else "")
            self._pieces.append(_Waiting(raw, judgement, waiting[at], records.ends[at]))
            start = at + 1
        self._pieces.append(_text(records, tails, start, len(records)))
        self._judgements.append(judgement)
        self._rows += len(waiting)

    @property
    def full(self) -> bool:
        """Whether enough waits."""
        return self._rows >= TOGETHER or len(self._judgements) >= CHUNKS or not self._rows

    def release(self, desk: Desk, tail: Callable[[Row], str]) -> Iterator[str]:
        """All of it as text, with suggestions; `tail` writes the cells of a row. Nothing is held any more."""
        desk.settle(self._judgements)
        pieces = self._pieces
        self._pieces, self._judgements, self._rows = [], [], 0
        for start in range(0, len(pieces), AT_ONCE):
            yield "".join(
                [
                    piece
                    if isinstance(piece, str)
                    else piece.before + tail(piece.judgement.said[piece.place]) + piece.end
                    for piece in pieces[start : start + AT_ONCE]
                ]
            )
