"""How the deepest cuts are told on a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.deepest import Deepest


def deepest_lines(answer: Deepest) -> Iterator[str]:
    """A line for the depth, one for every track that has it."""
    yield f"depth {answer.depth}"
    tracks: dict[str, list[int]] = {}
    for cut in answer.cuts:
        tracks.setdefault(" ".join(filter(None, (cut.side, cut.track))), []).append(cut.cut)
    for name, cuts in tracks.items():
        yield f"  {name} {', '.join(map(str, cuts))}"
