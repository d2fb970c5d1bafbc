"""A code of which only the cuts that one lock reads were given, in order: `left: 2 1 3 3 2` for a lock that reads 1-5."""

from __future__ import annotations

from attrs import evolve

from bitting.errors import NotationError
from bitting.model import Code, Cut, CutList, System


def of_lock(code: Code, lock: str) -> Code | None:
    """The code with the cuts that the lock doesn't read left open; None where its lists are not the lock's cuts.

    Raises BittingError for a lock that the system doesn't have.
    """
    from bitting.notation.code import parse_code

    system = code.system
    cuts = system.lock_cuts(lock)
    read = {track.name: tuple(cut for cut in cuts if cut < track.cuts) for track in system.tracks}
    if not all(read.values()):
        return None
    tracks = tuple(
        evolve(track, spaces=tuple(track.spaces[cut] for cut in read[track.name])) for track in system.tracks
    )
    try:
        short = parse_code(code.text, evolve(system, tracks=tracks, rules=()))
    except NotationError:
        return None
    if not short.well_formed:
        return None
    written = tuple(_filled(row, system, read[row.track]) for row in short.written if row.track is not None)
    return Code(system, code.text, written, said="if whole")


def _filled(row: CutList, system: System, read: tuple[int, ...]) -> CutList:
    """A list of the lock's cuts as one of the whole track."""
    track = next(track for track in system.tracks if track.name == row.track)
    given = dict(zip(read, row.cuts, strict=True))
    depths = tuple(range(len(track.labels)))
    cuts: list[Cut] = []
    place = row.span[0]
    for number in range(track.cuts):
        cut = given.get(number) or Cut(depths, "?", (place, place))
        place = cut.span[1]
        cuts.append(cut)
    return CutList(row.side, row.track, tuple(cuts), row.span)
