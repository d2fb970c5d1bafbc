"""What was written, as rows of signs: one for each track named, or every way to share out a list that fits none.

A *sign* is what stands for one cut. A `Layout` says which of a code's signs, counted in the order in which they are written,
make up each row; it doesn't look at what they are, so one layout serves every code that is written alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

from attrs import evolve, frozen

from bitting.model import Code, CutList, Lane, System

Row = tuple[int, ...]
"""Places of signs among all that are written."""


@frozen
class Stream:
    """One written row: the lane it belongs to, the side it was written for, and what people call it ("" if alone)."""

    lane: int
    side: str | None
    name: str


@frozen
class Layout:
    """One way to take what is written: a row of places for each stream.

    `alike` are pairs of places that stand for the same cut on two sides; the layout is for codes in which all of them are
    written alike (`agree`), or not all. `otherwise` is what to say where no slip was made.
    """

    streams: tuple[Stream, ...]
    rows: tuple[Row, ...]
    otherwise: str = "as written"
    alike: tuple[tuple[int, int], ...] = ()
    agree: bool = True


Lists = Sequence[tuple[CutList, Row]]


def readable(code: Code) -> bool:
    """Whether every cut is one sign; open cuts (`?`, `[1 3]`, `1..3`) are for `complete`."""
    return all(len(cut.depths) <= 1 and not set(cut.text) & set("[?.") for w in code.written for cut in w.cuts)


def signs_of(code: Code) -> list[str]:
    """The signs of a code in the order in which they are written; a list of no track is read by the first one's depths."""
    out = []
    for written in code.written:
        track = code.system.tracks[0] if written.track is None else code.system.track(written.track)
        out += [cut.text if cut.depth is None else track.labels[cut.depth] for cut in written.cuts]
    return out


def layouts(code: Code) -> tuple[Layout, ...]:
    """Every way to take a code that is at most one cut too long or too short."""
    groups: dict[str | None, list[tuple[CutList, Row]]] = {}
    start = 0
    for written in code.written:
        row = tuple(range(start, start + len(written.cuts)))
        groups.setdefault(written.side, []).append((written, row))
        start += len(row)
    first, *others = groups.values()
    if code.system.sided or not others:
        return tuple(_ways(code.system, groups))
    if all([(w.track, w.cuts) for w, _ in first] == [(w.track, w.cuts) for w, _ in other] for other in others):
        return tuple(_ways(code.system, {None: first}))
    apart = tuple(evolve(way, otherwise="the same cuts on every side") for way in _ways(code.system, groups))
    shapes = [[(w.track, len(w.cuts)) for w, _ in lists] for lists in (first, *others)]
    if any(shape != shapes[0] for shape in shapes):
        return apart
    alike = tuple(
        pair for other in others for (_, a), (_, b) in zip(first, other, strict=True) for pair in zip(a, b, strict=True)
    )
    once = _ways(code.system, {None: first})
    return (
        *(evolve(way, alike=alike) for way in once),
        *(evolve(way, alike=alike, agree=False) for way in apart),
    )


def missing(code: Code) -> str:
    """What to say where nothing at all is written for a track; else ""."""
    lanes = code.system.lanes
    if any(w.track is None for w in code.written):
        given = sum(len(w.cuts) for w in code.written)
        rest = [lane.label for lane in lanes if given == sum(one.track.cuts for one in lanes) - lane.track.cuts > 0]
    else:
        rest = [lane.label for lane in lanes if not any(w.cuts for w in code.lists(lane))]
        given = len(lanes) - len(rest)
    if not given or not rest:
        return ""
    return f"all the cuts of {' or of '.join(rest)} are missing"


def miscounted(code: Code) -> list[str]:
    """The lists that have more cuts than their track, or fewer."""
    named = [(w, w.track) for w in code.written if w.track is not None]
    return [code.system.called(w.side, track) for w, track in named if len(w.cuts) != code.system.track(track).cuts]


def _ways(system: System, groups: dict[str | None, list[tuple[CutList, Row]]]) -> Iterator[Layout]:
    """The layouts of lists by side; a list that fits no track is cut up in every way that comes near."""
    again = any(w.track is None for lists in groups.values() for w, _ in lists)
    for chosen in product(*(list(_group(system, side, lists)) for side, lists in groups.items())):
        given = dict(pair for way in chosen for pair in way)
        have = {stream.lane for stream in given}
        for number, lane in enumerate(system.lanes):
            if number not in have:
                given[Stream(number, lane.side, lane.label)] = ()
        streams = tuple(sorted(given, key=lambda stream: (stream.lane, stream.side or "")))
        rows = tuple(given[stream] for stream in streams)
        shares = ", ".join(f"{stream.name} {len(row)}" for stream, row in zip(streams, rows, strict=True))
        put = f"shared out as {shares}" if len(rows) > 1 else "put together"
        yield Layout(streams, rows, put if again else "as written")


def _group(system: System, side: str | None, lists: Lists) -> Iterator[list[tuple[Stream, Row]]]:
    """The rows of one written side, once for each way to cut up a list that fits no track."""
    lanes = [(i, lane) for i, lane in enumerate(system.lanes) if side is None or lane.side in (None, side)]
    streams = [Stream(i, side or lane.side, _name(system, side, lane)) for i, lane in lanes]
    if all(w.track is not None for w, _ in lists):
        rows = {w.track: row for w, row in lists}
        yield [
            (stream, rows[lane.track.name])
            for stream, (_, lane) in zip(streams, lanes, strict=True)
            if lane.track.name in rows
        ]
        return
    joined = [place for _, row in lists for place in row]
    cuts = [lane.track.cuts for _, lane in lanes]
    off = len(joined) - sum(cuts)
    if abs(off) > 1:
        return
    near = {(*cuts[:i], cuts[i] + off, *cuts[i + 1 :]) for i in range(len(cuts))}
    for lengths in sorted(near):
        each = iter(joined)
        yield [
            (stream, tuple(next(each) for _ in range(length))) for stream, length in zip(streams, lengths, strict=True)
        ]


def _name(system: System, side: str | None, lane: Lane) -> str:
    if len(system.lanes) == 1 and side is None:
        return ""
    side = side or lane.side
    return lane.track.name if side is None else f"{side} {lane.track.name}"
