"""One rule kind is one record: how it is said, how a code is judged, how codes are counted, and what it is for.

`Kind.evaluate` judges the cuts of one code and says what is wrong; `Kind.automaton` says the same thing as an automaton
that reads the cuts one after another, so that the diagram can hold every legal code at once. Both are plain Python, and
a property test holds them together: a code breaks a rule exactly when the automaton dies on it.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from bitting.errors import BittingError
from bitting.model import Place, Rule, System

State = Hashable
Step = Callable[[Any, int, int, int], State | None]
"""(state, lane, cut, depth) -> next state, or None when no legal code goes on that way.

`lane` counts within the rule's own lanes. The cuts come in the diagram's order: cut 1 of every lane, cut 2 of every
lane, … At the last cut the automaton must answer None unless the rule is satisfied.
"""
Cuts = Sequence[Sequence[int | None]]
"""The depths of the rule's own lanes, as places; None for a cut that is open or no depth of the table."""


class SentenceError(BittingError):
    """A rule sentence that isn't understood, or speaks of a track, cut or depth that the system doesn't have."""


class Automaton(NamedTuple):
    """What a rule remembers while the cuts go by: as little as decides the rest, so that equal futures are equal states."""

    start: State
    step: Step


class Violation(NamedTuple):
    """What is wrong: the cuts concerned (lane within the rule's lanes) and a message saying how far off."""

    places: tuple[Place, ...]
    message: str


class Form(NamedTuple):
    """One way to say a rule: a pattern of words (see `bitting.rules.sentence`) and what it fixes beyond its slots."""

    words: str
    fixed: Mapping[str, Any] = MappingProxyType({})


Evaluate = Callable[[Rule, System, Cuts], Iterator[Violation]]
Bind = Callable[[System, Sequence[int], dict[str, Any]], Iterable[tuple[tuple[int, ...], dict[str, Any]]]]
"""(system, lanes in scope, slots) -> the lanes and arguments of each rule that the sentence makes."""


class Kind(NamedTuple):
    """A kind of rule. `explanation` is for people; `example` is a sentence, a code it allows and one it forbids.

    `pairs` says that it judges each pair of neighbouring cuts of its lane by itself, whatever the others are. `idle` says of
    a rule that no code of the system can break it, so that a diagram needn't remember anything for it; it may miss some.
    """

    identifier: str
    forms: tuple[Form, ...]
    bind: Bind
    evaluate: Evaluate
    automaton: Callable[[Rule, System], Automaton]
    explanation: str
    example: tuple[str, str, str]
    pairs: bool = False
    idle: Callable[[Rule, System], bool] = lambda rule, system: False  # noqa: ARG005 - every kind is asked alike


def labels(rule: Rule, system: System, lane: int = 0) -> tuple[str, ...]:
    """The depth labels of one of the rule's lanes."""
    return system.lanes[rule.lanes[lane]].track.labels


def length(rule: Rule, system: System, lane: int = 0) -> int:
    """The number of cuts of one of the rule's lanes."""
    return system.lanes[rule.lanes[lane]].track.cuts


def name(rule: Rule, system: System, lane: int = 0) -> str:
    """What people call one of the rule's lanes."""
    return system.lanes[rule.lanes[lane]].label


def places(cuts: Iterable[int], lane: int = 0) -> tuple[Place, ...]:
    return tuple(Place(lane, cut) for cut in cuts)


def all_places(cuts: Cuts) -> tuple[Place, ...]:
    return tuple(Place(lane, cut) for lane, row in enumerate(cuts) for cut in range(len(row)))


def is_whole(rule: Rule, system: System, cuts: Cuts) -> bool:
    """Whether every lane of the rule has all its cuts and none of them is open."""
    return all(len(row) == length(rule, system, lane) and None not in row for lane, row in enumerate(cuts))


def still_to_come(rule: Rule, system: System, each: Sequence[int]) -> dict[tuple[int, int], int]:
    """By (lane, cut): what the cuts after this one add up to, in the diagram's order, if a cut of lane i adds `each[i]`."""
    lengths = [length(rule, system, lane) for lane in range(len(rule.lanes))]
    found, total = {}, 0
    for lane, cut in reversed(in_turn(lengths)):
        found[lane, cut] = total
        total += each[lane]
    return found


def in_turn(lengths: Sequence[int]) -> list[tuple[int, int]]:
    """The (lane, cut) of lanes with so many cuts, in the diagram's order: cut 1 of every lane, cut 2 of every lane, …"""
    return [(lane, cut) for cut in range(max(lengths)) for lane, cuts in enumerate(lengths) if cut < cuts]


def runs(row: Sequence[Any], same: Callable[[Any, Any], bool]) -> Iterator[tuple[int, int]]:
    """Half-open ranges of neighbours for which `same` holds all along; ranges of one are left out."""
    start = 0
    for i in range(1, len(row) + 1):
        if i == len(row) or not same(row[i - 1], row[i]):
            if i - start > 1:
                yield start, i
            start = i


def limits_nothing(rule: Rule, low: int, high: int) -> bool:
    """Whether `at most n` or `at least n` holds of every number from `low` to `high`, which are all there can be."""
    n, how = rule.arguments["n"], rule.arguments["how"]
    return bool(n <= low if how == "least" else n >= high)


def of_neighbours(broken: Callable[[int, int], object]) -> Automaton:
    """The automaton of a rule about every cut of a lane and the cut before it, which is all it remembers."""

    def step(last: int, lane: int, cut: int, depth: int) -> int | None:
        del lane
        return None if cut and broken(last, depth) else depth

    return Automaton(0, step)


def of_opposites(rule: Rule, system: System, broken: Callable[[int, int], object]) -> Automaton:
    """The automaton of a rule about opposite cuts of two lanes: it remembers the first until the second is there."""
    shared = min(length(rule, system), length(rule, system, 1))

    def step(kept: int, lane: int, cut: int, depth: int) -> int | None:
        if cut >= shared:
            return 0
        if lane == 0:
            return depth
        return None if broken(kept, depth) else 0

    return Automaton(0, step)
