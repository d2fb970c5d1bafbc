"""From the slots of a sentence to the lanes and places of one system: what every kind's `bind` is made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from bitting.errors import did_you_mean
from bitting.model import MM_PER_INCH, Lane, System, Track
from bitting.rules.base import SentenceError
from bitting.rules.sentence import CutAt, Labels, Length, Names, Word

Bound = Iterable[tuple[tuple[int, ...], dict[str, Any]]]


def each_lane(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """One rule per lane in scope, every cut and depth looked up in that lane's track."""
    named = [v for v in slots.values() if isinstance(v, CutAt) and v.track]
    if named:
        lanes = [i for i in scope if _fits(system.lanes[i], (named[0].track,))]  # type: ignore[arg-type]
        if len({w.text.casefold() for v in named if (w := v.track)}) > 1:
            raise SentenceError("this sentence compares cuts of one track", span=named[1].span)
        scope = lanes
    return [((i,), {key: look_up(value, system, system.lanes[i]) for key, value in slots.items()}) for i in scope]


WHOLE_KEY = "(over the whole key|over whole key|over all tracks|over the key) ,"
"""Begins a form that takes the cuts of all tracks together."""


def whole_key(system: System, scope: Sequence[int]) -> tuple[int, ...]:
    """The lanes of a rule about the whole key. Raises where `on …,` leaves some of them out."""
    if len(scope) < len(system.lanes):
        raise SentenceError(
            "`on …,` and `over the whole key,` say two things", hint="leave one of them out: a part, or the whole"
        )
    return tuple(scope)


def opposite_lanes(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """One rule per pair of opposite lanes: `a` and `b` are two tracks (on every side) or two sides (of every track)."""
    rest = {key: value for key, value in slots.items() if key not in ("a", "b")}
    return [
        (pair, {k: look_up(v, system, system.lanes[pair[0]]) for k, v in rest.items()})
        for pair in pairs(system, scope, slots["a"], slots["b"])
    ]


def pairs(system: System, scope: Sequence[int], a: Names, b: Names) -> list[tuple[int, int]]:
    """Lanes named by `a` beside those named by `b`: the same side if tracks are named, the same track if sides are.

    Each pair stands in the order of the system, which is the order in which the diagram decides a cut's lanes.
    """
    first, second = lanes_named(system, a), lanes_named(system, b)
    like_with_like(system, a, b)
    found: list[tuple[int, int]] = []
    for i in first:
        for j in second:
            x, y = system.lanes[i], system.lanes[j]
            if i != j and i in scope and j in scope and (x.side == y.side or x.track.name == y.track.name):
                found.append((min(i, j), max(i, j)))
    if not found:
        raise SentenceError("two different tracks (or sides) are needed", span=b.words[-1].span)
    return found


def lanes_named(system: System, names: Names) -> list[int]:
    """The lanes that a track, a side, or a side and a track name. Raises where a name means nothing here."""
    found = [i for i, lane in enumerate(system.lanes) if _fits(lane, names.words)]
    if not found:
        word = names.words[0]
        if word.text.casefold() in (side.casefold() for side in system.sides):
            raise SentenceError(
                f"{word.text!r} is a side, and every side of {system.name} carries the same cuts",
                hint="name a track instead",
                span=word.span,
            )
        known = [track.name for track in system.tracks] + (list(system.sides) if system.sided else [])
        hint = f"{did_you_mean(word.text, known)}known here: {', '.join(known)}"
        raise SentenceError(f"no track {word.text!r}", hint=hint, span=word.span)
    return found


def like_with_like(system: System, a: Names, b: Names) -> None:
    """Raise where one name is a side's and the other a track's: which cuts are meant can't be told."""
    sides = {side.casefold() for side in system.sides}
    one, other = ({word.text.casefold() in sides for word in names.words} for names in (a, b))
    if one != other:
        said = [" ".join(word.text for word in names.words) for names in (a, b)]
        raise SentenceError(
            f"{said[0]} and {said[1]} are a side and a track",
            hint="name two tracks, or two sides; `on …,` limits a sentence to a side or a track",
            span=b.words[0].span,
        )


def _fits(lane: Lane, words: Sequence[Word]) -> bool:
    return all(word.text.casefold() in (lane.track.name.casefold(), (lane.side or "").casefold()) for word in words)


def look_up(value: object, system: System, lane: Lane) -> object:
    """A slot's value for one lane: places instead of labels and cuts, lengths in the system's unit."""
    if isinstance(value, CutAt):
        return cut_place(value, lane)
    if isinstance(value, Labels):
        return depth_places(value, lane.track)
    if isinstance(value, Length):
        return in_unit(value, system)
    return value


def in_unit(value: Length, system: System) -> float:
    if value.unit is None or value.unit == system.unit:
        return value.value
    return system.from_mm(value.value) if value.unit == "mm" else system.from_mm(value.value * _MM[value.unit])


def depth_places(labels: Labels, track: Track) -> tuple[int, ...]:
    """The places of depths in a track's table, all from the one named on where they reach."""
    found = tuple(depth_place(word, track) for word in labels.words)
    if not labels.reach:
        return found
    return tuple(range(found[0], len(track.labels)) if labels.reach == "deeper" else range(found[0] + 1))


_MM = {"in": MM_PER_INCH, "thou": MM_PER_INCH / 1000}


def cut_place(cut: CutAt, lane: Lane) -> int:
    """The cut's place on a lane, from 0 at the bow."""
    cuts = lane.track.cuts
    if not 1 <= cut.number <= cuts:
        raise SentenceError(f"{lane.label} has cuts 1 to {cuts}, and no cut {cut.number}", span=cut.span)
    return cuts - cut.number if cut.from_tip else cut.number - 1


def depth_place(word: Word, track: Track) -> int:
    """The depth's place in a track's table."""
    if word.text in track.labels:
        return track.labels.index(word.text)
    case = [label for label in track.labels if label.casefold() == word.text.casefold()]
    hint = f"labels are written as in the file: {case[0]}" if case else f"its depths are {' '.join(track.labels)}"
    raise SentenceError(f"{track.name} has no depth {word.text!r}", hint=hint, span=word.span)


def need_numbers(system: System, lanes: Iterable[int]) -> None:
    """Sums need depth labels that are whole numbers."""
    for i in lanes:
        track = system.lanes[i].track
        if track.numbers is None:
            raise SentenceError(
                f"sums need depth labels that are numbers, and {track.name} has {' '.join(track.labels)}",
                hint="add a line to that track: numbers = { "
                + ", ".join(f"{label} = {n}" for n, label in enumerate(track.labels, start=1))
                + " }, with what each counts as",
            )
