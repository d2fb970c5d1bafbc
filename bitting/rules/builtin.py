"""Findings that every system has, without a rule in its file: the code must be there, whole, of known depths.

Identifiers: `cut-count`, `depth-range`, `side-mismatch`, `unknown-cut`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from bitting.errors import Span
from bitting.model import Code, Cut, CutList, Finding, Lane, Place, Track
from bitting.notation.hints import depth_hint, no_cuts
from bitting.text import listed

SENTENCES = {
    "cut-count": "every track has as many cuts as the system says",
    "depth-range": "every cut is a depth of the system",
    "side-mismatch": "every side carries the same cuts",
    "unknown-cut": "a code to cut a key by has no cut left open",
}


MANY = 3
"""More cuts of a list than so many that are no depths are one finding."""


def _finding(
    rule: str,
    side: str | None,
    track: str | None,
    cuts: tuple[int, ...],
    span: Span | None,
    message: str,
    lane: int | None,
) -> Finding:
    places = () if lane is None else tuple(Place(lane, cut - 1) for cut in cuts)
    return Finding(rule, "must", SENTENCES[rule], side, track, cuts, span, message, places)


def _around(cuts: Sequence[Cut]) -> Span:
    """From the first of the cuts in the text to the last; read from the tip they stand there backwards."""
    return min(cut.span[0] for cut in cuts), max(cut.span[1] for cut in cuts)


def shape(code: Code) -> Iterator[Finding]:
    """Wrong numbers of cuts, lists that belong to no track, and depths that the system doesn't have."""
    found = list(_shape(code))
    if found and (message := no_cuts(code)):
        whole = (len(code.text) - len(code.text.lstrip()), len(code.text.rstrip()))
        yield _finding("cut-count", None, None, (), whole, message, None)
        return
    yield from found


def _shape(code: Code) -> Iterator[Finding]:
    system = code.system
    sides = system.sides if system.sided else _told(code)
    groups = (list(_unplaced(code, group)) for group in ([None] if system.sided else sides))
    yield from next((found for found in groups if found), [])  # said of one side: the others carry the same cuts
    for side in sides:
        for i, lane in enumerate(system.lanes):
            if lane.side not in (None, side):
                continue
            written = next((w for w in code.written if w.side == side and w.track == lane.track.name), None)
            yield from _lane(code, i, lane, side, written)


def _told(code: Code) -> tuple[str | None, ...]:
    """The sides of a convenience code that are told of: one where both(…) or `bottom = top` stands for several."""
    texts: dict[tuple[tuple[str | None, Span], ...], str | None] = {}
    for side in dict.fromkeys(w.side for w in code.written):
        texts.setdefault(tuple((w.track, w.span) for w in code.written if w.side == side), side)
    return tuple(texts.values())


def _unplaced(code: Code, side: str | None) -> Iterator[Finding]:
    """Lists that fit no track: of the whole code where the sides differ, else of one side."""
    system = code.system
    lists = [w for w in code.written if system.sided or w.side == side]
    lost = [w for w in lists if w.track is None]
    if lost:
        each = ", ".join(f"{lane.label} {lane.track.cuts}" for lane in system.lanes)
        total = sum(lane.track.cuts for lane in system.lanes)
        given = sum(len(w.cuts) for w in lists)
        span = (lost[0].span[0], lost[-1].span[1])
        wanted = f"{total} cuts expected" + (f" ({each})" if len(system.lanes) > 1 else "")
        rows = f" in {len(lists)} lists" if len(lists) > 1 else ""
        message = f"{wanted}, {given} given{rows}{_same_on_all(code, side)}"
        yield _finding("cut-count", side, None, (), span, message, None)


def _lane(code: Code, index: int, lane: Lane, side: str | None, written: CutList | None) -> Iterator[Finding]:
    track = lane.track
    name = code.system.called(side, track.name)
    if written is None:
        if any(w.track is None for w in code.written if w.side in (None, side)):
            return  # said once, of the list that fits no track
        where = f"for {name}, " if len(code.system.tracks) > 1 or side is not None else ""
        message = f"{where}{track.cuts} cuts expected, none given{_same_on_all(code, side)}"
        yield _finding("cut-count", side, track.name, (), None, message, None)
        return
    given = len(written.cuts)
    if given != track.cuts:
        where = f"{name}: " if len(code.system.tracks) > 1 or side is not None else ""
        extra = tuple(range(track.cuts + 1, given + 1))
        span = _around(written.cuts[track.cuts :]) if extra else written.span
        yield _finding("cut-count", side, track.name, extra, span, f"{where}{track.cuts} expected, {given} given", None)
    yield from _strangers(index, track, name, side, written)


def _same_on_all(code: Code, side: str | None) -> str:
    """That the sides of a convenience key don't differ, for whoever names one and writes too few cuts for it."""
    system = code.system
    if side is None or system.sided or len(system.tracks) == 1:
        return ""
    return f"; {' and '.join(system.sides)} carry the same cuts here: write {system.form}"


def _strangers(index: int, track: Track, name: str, side: str | None, written: CutList) -> Iterator[Finding]:
    """Cuts that are no depths: those written alike in one finding, and all of them where they are many."""
    groups: dict[str, list[int]] = {}
    strange = [number for number, cut in enumerate(written.cuts, 1) if not cut.depths]
    for number in strange:
        groups.setdefault("" if len(strange) > MANY else written.cuts[number - 1].text, []).append(number)
    for text, numbers in groups.items():
        cuts = [written.cuts[number - 1] for number in numbers]
        hint = depth_hint(text, track)
        if len(numbers) == 1:
            message = f"cut {numbers[0]} of {name} is {text!r}: {hint}"
        elif text:
            message = f"cuts {listed(numbers)} of {name} are {text!r}: {hint}"
        else:
            which = f"all {len(numbers)} cuts" if len(numbers) == len(written.cuts) else f"cuts {listed(numbers)}"
            message = f"{which} of {name} are no depths of it: {hint}"
        lane = index if numbers[-1] <= track.cuts else None
        yield _finding("depth-range", side, track.name, tuple(numbers), _around(cuts), message, lane)


def sides_agree(code: Code) -> Iterator[Finding]:
    """Cuts that differ between the sides of a convenience key; one that a side leaves open doesn't."""
    system = code.system
    if system.sided:
        return
    for index, lane in enumerate(system.lanes):
        lists = code.lists(lane)
        for other in lists[1:]:
            pairs = enumerate(zip(lists[0].cuts, other.cuts, strict=False))
            differ = [i for i, (a, b) in pairs if a.depths != b.depths and not {*a.depths} & {*b.depths}]
            if differ:
                span = _around([other.cuts[i] for i in differ])
                cuts = tuple(i + 1 for i in differ)
                numbers = ", ".join(map(str, cuts))
                message = (
                    f"{lane.label}: {lists[0].side} and {other.side} differ at cut{'s' if len(cuts) > 1 else ''} {numbers}, "
                    "and this key carries the same cuts on every side"
                )
                yield _finding("side-mismatch", other.side, lane.track.name, cuts, span, message, index)


def open_cuts(code: Code, ignored: Collection[Place] = ()) -> Iterator[Finding]:
    """Cuts that may still be several depths; `ignored` are those that need not be known."""
    for index, lane in enumerate(code.system.lanes):
        texts = {written.span: written for written in reversed(code.lists(lane))}
        for written in texts.values():
            found = [i for i, cut in enumerate(written.cuts) if len(cut.depths) > 1 and Place(index, i) not in ignored]
            if found:
                span = _around([written.cuts[i] for i in found])
                cuts = tuple(i + 1 for i in found)
                noun = "cut" if len(cuts) == 1 else "cuts"
                where = f"{written.side} {lane.label}" if len(texts) > 1 else lane.label
                message = f"{where}: {noun} {', '.join(map(str, cuts))} left open; `complete` lists what fits"
                yield _finding("unknown-cut", written.side, lane.track.name, cuts, span, message, index)


def all_of(code: Code, ignored: Collection[Place] = ()) -> Iterator[Finding]:
    """Every built-in finding of a code."""
    yield from shape(code)
    yield from sides_agree(code)
    yield from open_cuts(code, ignored)


__all__ = ["SENTENCES", "all_of", "open_cuts", "shape", "sides_agree"]
