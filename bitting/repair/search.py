"""The likeliest legal codes, best first.

A prefix of a code carries the probability of every reading and every way to slip that leads so far, all together, so
that the same code by different slips is one answer with their sum. Prefixes are taken up in the order of what they can still
come to at most (`Trellis` has the bound), so the first whole code taken up is the likeliest, the next one the second,
and nothing else needs to be looked at. Codes equally likely come in the order shallower first, first cut first.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator

from attrs import frozen

from bitting.model import Depths
from bitting.repair.trellis import State, Trellis

TIE = 1e-9
"""Probabilities that differ by less than this share are the same, and differ by rounding alone."""


@frozen
class Found:
    """A legal code, the probability of the writing from it, and what each reading adds to that."""

    depths: Depths
    weight: float
    by_reading: dict[int, float]


def mass(trellis: Trellis) -> float:
    """The probability of the writing, from every legal code within reach together."""
    first = trellis.values[0]
    return sum(trellis.readings[s.reading].weight * float(first[s][0, 0]) for s in trellis.start if s in first)


def best_first(trellis: Trellis, best: int) -> list[Found]:
    """The `best` likeliest codes, those that share the last place excepted only by the order of ties."""
    found: list[Found] = []
    for candidate in _in_order(trellis):
        if len(found) >= best and candidate.weight < found[best - 1].weight * (1 - TIE):
            break
        found.append(candidate)
    out: list[Found] = []
    while found:
        level = [f for f in found if f.weight >= found[0].weight * (1 - TIE)]
        out += sorted(level, key=lambda f: f.depths)
        found = found[len(level) :]
    return out[:best]


def _in_order(trellis: Trellis) -> Iterator[Found]:
    """Every code within reach, the likeliest first."""
    walk, values = trellis.walk, trellis.values
    start = {s: trellis.readings[s.reading].weight for s in trellis.start if s in values[0]}
    bound = sum(weight * float(values[0][state][1, 0]) for state, weight in start.items())
    heap: list[tuple[float, tuple[int, ...], int, dict[State, float]]] = [(-bound, (), 0, start)] if bound else []
    while heap:
        bound, prefix, node, states = heapq.heappop(heap)
        if len(prefix) == len(walk.places):
            yield _found(trellis, prefix, states)
            continue
        for after, depth, child, reach in _onward(trellis, len(prefix), node, states):
            heapq.heappush(heap, (-reach, (*prefix, depth), child, after))


def _onward(
    trellis: Trellis, layer: int, node: int, states: dict[State, float]
) -> Iterator[tuple[dict[State, float], int, int, float]]:
    """Each depth that may come next: (states with their probabilities, depth, node, bound)."""
    children = trellis.walk.children[layer][:, node].tolist()
    below = trellis.values[layer + 1]
    after: dict[int, dict[State, float]] = {}
    reach: dict[int, float] = {}
    for state, weight in states.items():
        for to, depths in trellis.moves[layer][state]:
            value = below.get(to)
            if value is None:
                continue
            for depth, share in depths:
                bound = float(value[1, children[depth]])
                if bound > 0.0:
                    grown = weight * share
                    reach[depth] = reach.get(depth, 0.0) + grown * bound
                    group = after.setdefault(depth, {})
                    group[to] = group.get(to, 0.0) + grown
    return ((after[depth], depth, children[depth], bound) for depth, bound in reach.items())


def _found(trellis: Trellis, prefix: tuple[int, ...], states: dict[State, float]) -> Found:
    rows = [[0] * lane.track.cuts for lane in trellis.walk.system.lanes]
    for place, depth in zip(trellis.walk.places, prefix, strict=True):
        rows[place.lane][place.cut] = depth
    by_reading: dict[int, float] = {}
    for state, weight in states.items():
        by_reading[state.reading] = by_reading.get(state.reading, 0.0) + weight
    return Found(tuple(map(tuple, rows)), sum(states.values()), by_reading)
