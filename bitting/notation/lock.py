"""A code, or readings, of the cuts alone that one lock reads, in order: `left: 2 1 3 3 2` for a lock that reads 1-5."""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve

from bitting.errors import NotationError
from bitting.model import Code, Cut, CutList, Readings, System


def of_lock(code: Code, lock: str) -> Code | None:
    """The code with the cuts that the lock doesn't read left open; None where its lists are not the lock's cuts.

    Raises BittingError for a lock that the system doesn't have.
    """
    from bitting.notation.code import parse_code

    read = _read_by(code.system, lock)
    try:
        short = parse_code(code.text, _short(code.system, read)) if all(read.values()) else None
    except NotationError:
        return None
    if short is None or not short.well_formed:
        return None
    written = tuple(_filled(row, code.system, read[row.track]) for row in short.written if row.track is not None)
    return Code(code.system, code.text, written, said="if whole")


def readings_of_lock(text: str, system: System, unit: str | None, lock: str) -> Readings | None:
    """The same of readings, whose other cuts were not measured."""
    from bitting.notation.readings import ACROSS, parse_readings

    read = _read_by(system, lock)
    try:
        short = parse_readings(text, _short(system, read), unit) if all(read.values()) else None
    except NotationError:
        return None
    if short is None:
        return None
    if system.measuring.across is not None:
        read[ACROSS] = min((read[name] for name in system.measuring.across.tracks), key=len)
    cuts = tuple(evolve(cut, cut=read[cut.track][cut.cut]) for cut in short.cuts)
    return evolve(short, system=system, cuts=cuts)


def _read_by(system: System, lock: str) -> dict[str, tuple[int, ...]]:
    """The cuts of each track that the lock reads."""
    cuts = system.lock_cuts(lock)
    return {track.name: tuple(cut for cut in cuts if cut < track.cuts) for track in system.tracks}


def _short(system: System, read: Mapping[str, tuple[int, ...]]) -> System:
    """The system with those cuts alone."""
    tracks = (evolve(track, spaces=tuple(track.spaces[cut] for cut in read[track.name])) for track in system.tracks)
    return evolve(system, tracks=tuple(tracks), rules=())


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
