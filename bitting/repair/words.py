"""The likeliest slips that lead from a legal code to what was written, in words.

Where the same slip at several places is equally likely (a cut left out of a run of equal ones), the places are named
together: `a cut is missing after cut 2 or 3: 1`. Cuts are numbered as they are written; behind slips of whole lists, as
they stand once those are undone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product
from math import prod

from attrs import frozen

from bitting.model import Depths, System
from bitting.repair.search import TIE, Found
from bitting.repair.trellis import Row, rows_of, steps
from bitting.repair.written import Reading, Stream


@frozen
class Told:
    """One slip of a cut: stream, which kind, the place in the written row (from 0), and the labels concerned."""

    stream: int
    slip: str
    at: int
    labels: tuple[str, ...]

    @property
    def kind(self) -> tuple[int, str, tuple[str, ...]]:
        """What stays the same when only the place is another; a swap's and a misreading's place is part of it."""
        labels = (*self.labels, str(self.at)) if self.slip in ("misread", "swapped") else self.labels
        return self.stream, self.slip, labels


Explanation = tuple[float, tuple[Told, ...]]


def change(system: System, readings: Sequence[Reading], found: Found) -> str:
    """The likeliest explanation of one code in words."""
    each = [
        (readings[number].weight * weight, told, readings[number])
        for number in sorted(found.by_reading, key=lambda n: (-float(f"{found.by_reading[n]:.9g}"), n))
        for weight, told in _explanations(system, readings[number], found.depths)
    ]
    best, told, reading = max(each, key=lambda explanation: explanation[0])
    same = [
        other
        for weight, other, of in each
        if of is reading and weight >= best * (1 - TIE) and [t.kind for t in other] == [t.kind for t in told]
    ]
    said = [say(reading.streams[told[i].stream], [other[i] for other in same]) for i in range(len(told))]
    return " and ".join((*reading.said, *said)) or reading.otherwise


def weights(system: System, readings: Sequence[Reading], depths: Depths) -> dict[int, float]:
    """What each reading adds to the probability of the writing from one code, by its number."""
    close = [(n, r) for n, r in enumerate(readings) if _close(system, r, depths)]
    sums = ((n, sum(weight for weight, _ in _explanations(system, r, depths))) for n, r in close)
    return {number: readings[number].weight * weight for number, weight in sums if weight}


def _close(system: System, reading: Reading, depths: Depths) -> bool:
    """False where a reading's rows can't come from the code: each slip that is left changes two cuts at most."""
    if reading.budget > 1 or any(
        len(row) != len(depths[s.lane]) for s, row in zip(reading.streams, reading.rows, strict=True)
    ):
        return True
    differ = 0
    for stream, row in zip(reading.streams, reading.rows, strict=True):
        labels = system.lanes[stream.lane].track.labels
        differ += sum(labels[depth] != text for depth, text in zip(depths[stream.lane], row, strict=True))
    return differ <= 2 * reading.budget


def _explanations(system: System, reading: Reading, depths: Depths) -> Iterator[Explanation]:
    """Every way to slip from the code to a reading's rows, with its probability."""
    each = []
    for number, (stream, row) in enumerate(zip(reading.streams, rows_of(system, reading), strict=True)):
        labels = system.lanes[stream.lane].track.labels
        each.append(list(_stream(number, row, depths[stream.lane], labels, (0, False), 0, reading.budget)))
    for chosen in product(*each):
        told = tuple(t for _, slips in chosen for t in slips)
        if len(told) <= reading.budget:
            yield prod(weight for weight, _ in chosen), told


def _stream(
    number: int,
    row: Row,
    depths: Sequence[int],
    labels: Sequence[str],
    state: tuple[int, bool],
    cut: int,
    left: int,
) -> Iterator[Explanation]:
    """Every way to write the rest of one row, from a cut on: probability, slips."""
    at = cut + state[0]
    if cut == len(depths):
        if at == len(row.labels):
            yield 1.0, ()
        return
    if abs(len(row.labels) - row.cuts - state[0]) > left:
        return
    for step in steps(row, cut, state, left):
        weight = dict(step.depths).get(depths[cut], 0.0)
        if not weight:
            continue
        told = (Told(number, step.slip, at, _labels(step.slip, labels[depths[cut]], row.labels, at)),)
        for rest, more in _stream(number, row, depths, labels, step.to, cut + 1, left - step.cost):
            yield weight * rest, (told if step.slip else ()) + more


def _labels(slip: str, true: str, row: Sequence[str], at: int) -> tuple[str, ...]:
    if slip == "misread":
        return row[at], true
    if slip == "dropped":
        return (true,)
    return (row[at + 1],) if slip == "extra after" else (row[at],) if slip == "extra before" else ()


def misread(stream: Stream, cut: int, sign: str, label: str) -> str:
    """One cut misread, in words; cuts are counted from 0."""
    of = f"{stream.name} " if stream.name else ""
    return f"{of}cut {cut + 1} read {sign} for {label}"


def swapped(stream: Stream, cut: int) -> str:
    """A cut and the next one swapped, in words."""
    of = f"{stream.name} " if stream.name else ""
    return f"{of}neighbours {cut + 1} and {cut + 2} swapped"


def say(stream: Stream, same: Sequence[Told]) -> str:
    """One slip in words, with every place where it may have happened."""
    told = same[0]
    name = stream.name
    of = f"{name} " if name else ""
    if told.slip == "misread":
        return misread(stream, told.at, *told.labels)
    if told.slip == "swapped":
        return swapped(stream, told.at)
    places = sorted({t.at for t in same})
    if told.slip == "dropped":
        missing = f"a cut of {name} is missing" if name else "a cut is missing"
        where = [f"after cut {_any([at for at in places if at])}"] if places[-1] else []
        if places[0] == 0:
            where.insert(0, "before cut 1")
        return f"{missing} {' or '.join(where)}: {told.labels[0]}"
    if told.slip == "doubled":
        if len(places) > 1:
            return f"one of the equal {of}cuts {places[0] + 1} to {places[-1] + 2} is written once too often"
        return f"{of}cuts {told.at + 1} and {told.at + 2} are one cut, written twice"
    extra = {t.at + (2 if t.slip == "extra after" else 1) for t in same}
    return f"{of}cut {_any(sorted(extra))} is one too many"


def _any(numbers: Sequence[int]) -> str:
    return " or ".join(map(str, numbers))
