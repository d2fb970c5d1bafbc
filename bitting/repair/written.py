"""What was written, as rows of labels, and every way in which whole lists may have been mixed up.

A *stream* is one written row of a lane; a convenience key written side by side has several streams of one lane. A
*reading* is what the rows were before some slips of whole lists, with what these cost and how many slips are left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations, product

from attrs import frozen

from bitting.model import Code, CutList, Lane, System, Track
from bitting.repair import slips

Rows = tuple[tuple[str, ...], ...]
STAND_IN, LOWER, HIGHER = 0, 1, 2


@frozen
class Stream:
    """One written row: the lane it belongs to, the side it was written for, and what people call it ("" if alone)."""

    lane: int
    side: str | None
    name: str


@frozen
class Reading:
    """Rows (one per stream) as they may have been before slips of whole lists.

    `weight` is the probability of those slips, `budget` how many more may follow, `said` the slips in words, and
    `otherwise` what to say where there was none.
    """

    streams: tuple[Stream, ...]
    rows: Rows
    weight: float
    budget: int
    said: tuple[str, ...]
    otherwise: str


@frozen
class ListSlip:
    """A slip of whole lists: what it is in words (told from the rows), its probability, and what undoes it.

    `sign` is `STAND_IN`, `LOWER` or `HIGHER` where every sign is replaced, each by itself; others only move rows about.
    """

    words: Callable[[Rows], str]
    probability: float
    undo: Callable[[Rows], Rows]
    sign: int | None = None


def readable(code: Code) -> bool:
    """Whether every cut is one sign; open cuts (`?`, `[1 3]`, `1..3`) are for `complete`."""
    return all(len(cut.depths) <= 1 and not set(cut.text) & set("[?.") for w in code.written for cut in w.cuts)


def readings(code: Code) -> Iterator[Reading]:
    """Every reading of a code whose rows have nearly as many cuts as their tracks."""
    system = code.system
    for streams, rows, otherwise in shared_out(code):
        whole = Reading(streams, rows, 1.0, slips.MOST, (), otherwise)
        for reading in (whole, *_undone(whole, system)):
            if _missing(system, reading) <= reading.budget:
                yield reading


def _missing(system: System, reading: Reading) -> int:
    """How many cuts too many or too few the rows have."""
    pairs = zip(reading.streams, reading.rows, strict=True)
    return sum(abs(len(row) - system.lanes[stream.lane].track.cuts) for stream, row in pairs)


def _undone(whole: Reading, system: System) -> Iterator[Reading]:
    """One slip of whole lists undone, and two of them."""
    known = list(list_slips(whole.streams, system))
    for number, last in enumerate(known):
        before = last.undo(whole.rows)
        if before == whole.rows:
            continue
        yield Reading(whole.streams, before, last.probability, slips.MOST - 1, (last.words(whole.rows),), "")
        for first in known[number + 1 :]:
            rows = first.undo(before)
            if rows not in (before, whole.rows):
                weight = last.probability * first.probability
                said = (last.words(whole.rows), first.words(before))
                yield Reading(whole.streams, rows, weight, slips.MOST - 2, said, "")


def list_slips(streams: Sequence[Stream], system: System) -> Iterator[ListSlip]:
    """Every slip of whole lists, the one that happens last first."""
    tracks = [system.lanes[stream.lane].track for stream in streams]

    def each(change: Callable[[Track, str], str]) -> Callable[[Rows], Rows]:
        def undo(rows: Rows) -> Rows:
            return tuple(tuple(change(track, t) for t in row) for track, row in zip(tracks, rows, strict=True))

        return undo

    def signs(rows: Rows) -> str:
        pairs = {(t, slips.stand_in(track, t)) for track, row in zip(tracks, rows, strict=True) for t in row}
        return " and ".join(f"{text} written for {label}" for text, label in sorted(pairs) if text != label)

    yield ListSlip(signs, slips.OTHER_SIGNS, each(slips.stand_in), STAND_IN)
    for words, pairs in _exchanges(streams, system):
        yield ListSlip(_just(words), slips.EXCHANGED, _exchange(pairs))
    if len(streams) > 1:
        for number, stream in enumerate(streams):
            yield ListSlip(_just(f"{stream.name} read from the tip"), slips.ONE_FROM_TIP, _reverse([number]))
    yield ListSlip(_just("read from the tip"), slips.FROM_TIP, _reverse(range(len(streams))))
    for by, word, sign in ((1, "high", LOWER), (-1, "low", HIGHER)):
        shifted = _just(f"numbering shifted by one: every label one too {word}")
        yield ListSlip(shifted, slips.RENUMBERED, each(_renumbering(-by)), sign)


def _just(words: str) -> Callable[[Rows], str]:
    return lambda _rows: words


def _renumbering(by: int) -> Callable[[Track, str], str]:
    return lambda track, text: slips.renumber(track, text, by)


def _reverse(numbers: Sequence[int]) -> Callable[[Rows], Rows]:
    return lambda rows: tuple(row[::-1] if i in numbers else row for i, row in enumerate(rows))


def _exchange(pairs: Sequence[tuple[int, int]]) -> Callable[[Rows], Rows]:
    def undo(rows: Rows) -> Rows:
        changed = list(rows)
        for a, b in pairs:
            changed[a], changed[b] = rows[b], rows[a]
        return tuple(changed)

    return undo


def _exchanges(streams: Sequence[Stream], system: System) -> Iterator[tuple[str, list[tuple[int, int]]]]:
    """(words, pairs of streams) for two tracks of one side, and for two sides of a key whose sides differ."""
    lanes = [system.lanes[stream.lane] for stream in streams]
    for a, b in combinations(range(len(streams)), 2):
        if streams[a].side == streams[b].side and lanes[a] != lanes[b]:
            on = f" on {streams[a].side}" if streams[a].side is not None else ""
            yield f"{lanes[a].track.name} and {lanes[b].track.name} exchanged{on}", [(a, b)]
    if system.sided:
        at = {(lane.side, lane.track.name): number for number, lane in enumerate(lanes)}
        for one, other in combinations(system.sides, 2):
            pairs = [(at[one, track.name], at[other, track.name]) for track in system.tracks]
            yield f"{one} and {other} exchanged", pairs


def shared_out(code: Code) -> Iterator[tuple[tuple[Stream, ...], Rows, str]]:
    """The streams and rows as written; a list that fits no track is cut up in every way that comes near."""
    groups: dict[str | None, list[CutList]] = {}
    for written in code.written:
        groups.setdefault(written.side, []).append(written)
    ways = [list(_group(code.system, side, lists)) for side, lists in groups.items()]
    contents = {tuple((tuple(s.lane for s in streams), rows) for streams, rows in way) for way in ways}
    if not code.system.sided and len(contents) == 1:  # sides written alike are one writing, not two
        ways = [list(_group(code.system, None, next(iter(groups.values()))))]
    again = any(w.track is None for w in code.written)
    for chosen in product(*ways):
        given = {stream: row for streams, rows in chosen for stream, row in zip(streams, rows, strict=True)}
        have = {stream.lane for stream in given}
        for number, lane in enumerate(code.system.lanes):
            if number not in have:
                given[Stream(number, lane.side, lane.label)] = ()
        streams = tuple(sorted(given, key=lambda stream: (stream.lane, stream.side or "")))
        lengths = ", ".join(f"{stream.name} {len(given[stream])}" for stream in streams)
        alone = code.system.sided or len(groups) == 1
        otherwise = f"shared out as {lengths}" if again else "as written" if alone else "the same cuts on every side"
        yield streams, tuple(given[stream] for stream in streams), otherwise


def _group(system: System, side: str | None, lists: Sequence[CutList]) -> Iterator[tuple[tuple[Stream, ...], Rows]]:
    """The streams of one written side: (streams, rows), once for each way to cut up a list that fits no track."""
    lanes = [(i, lane) for i, lane in enumerate(system.lanes) if side is None or lane.side in (None, side)]
    if all(w.track is not None for w in lists):
        by_track = {w.track: _labels(system, w) for w in lists}
        found = [(i, lane) for i, lane in lanes if lane.track.name in by_track]
        streams = tuple(Stream(i, side, _name(system, side, lane)) for i, lane in found)
        yield streams, tuple(by_track[lane.track.name] for _, lane in found)
        return
    joined = tuple(label for w in lists for label in _labels(system, w))
    streams = tuple(Stream(i, side or lane.side, _name(system, side, lane)) for i, lane in lanes)
    wanted = {tuple(lane.track.cuts for _, lane in lanes)}
    for _ in range(slips.MOST):  # exchanged lists have each other's length
        wanted |= {_swap(lengths, a, b) for lengths in wanted for a, b in combinations(range(len(lanes)), 2)}
    ways = {lengths for each in wanted for lengths in _lengths(each, len(joined), slips.MOST)}
    for lengths in sorted(ways):
        rows, start = [], 0
        for length in lengths:
            rows.append(joined[start : start + length])
            start += length
        yield streams, tuple(rows)


def _name(system: System, side: str | None, lane: Lane) -> str:
    if len(system.lanes) == 1 and side is None:
        return ""
    side = side or lane.side
    return lane.track.name if side is None else f"{side} {lane.track.name}"


def _swap(lengths: tuple[int, ...], a: int, b: int) -> tuple[int, ...]:
    changed = list(lengths)
    changed[a], changed[b] = lengths[b], lengths[a]
    return tuple(changed)


def _lengths(wanted: Sequence[int], total: int, slack: int) -> Iterator[tuple[int, ...]]:
    """Every way to cut a list of `total` cuts up, at most `slack` cuts off from what is wanted."""
    if not wanted:
        if total == 0:
            yield ()
        return
    for off in range(-slack, slack + 1):
        length = wanted[0] + off
        if 0 <= length <= total:
            for rest in _lengths(wanted[1:], total - length, slack - abs(off)):
                yield (length, *rest)


def _labels(system: System, written: CutList) -> tuple[str, ...]:
    """The labels as written; a list that belongs to no track was read by the depth table of the first one."""
    track = system.tracks[0] if written.track is None else system.track(written.track)
    return tuple(cut.text if cut.depth is None else track.labels[cut.depth] for cut in written.cuts)
