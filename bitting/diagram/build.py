"""Building the diagram: the rules' automata run side by side, layer by layer, and nodes with equal futures are merged.

Going down, a node is the tuple of what every rule remembers, and equal tuples are one node; each rule is asked once per
state and depth, in plain Python, and the combinations are worked out in numpy. Going up again, a node from which no
legal code can be finished is dropped, and nodes whose children are the same are one. What is left is the smallest
layered diagram of the legal codes (Bryant's reduction, for layers of many-valued variables).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import define

from bitting.arrays import Array, Int32s, Integers
from bitting.errors import TooLargeError
from bitting.model import Place, Rule, System
from bitting.rules import automaton

Allowed = Mapping[Place, Collection[int]]

BUDGET = 1_000_000
"""Most nodes of one layer before merging; past it a system is too large for this way of counting."""
CELLS = 6_000_000
"""Most children of one layer (nodes times depths): what memory it takes, 100 to 400 MB with what is worked out beside it."""
WHOLE = 40_000_000
"""Most children of all layers before merging: 160 MB."""
STEPS = 2_000_000
"""Most questions put to the rules' automata, in plain Python: some seconds."""

_ROOM = 2**62


@define
class Purse:
    """What may still be spent on diagrams: questions put to the rules' automata, and children of all layers before merging."""

    steps: int
    cells: int


class _Running:
    """One rule's automaton while a diagram is built: its states so far, and what each does with each depth."""

    def __init__(self, rule: Rule, system: System) -> None:
        self.rule = rule
        self.lanes = {lane: i for i, lane in enumerate(rule.lanes)}
        made = automaton(rule, system)
        self.step = made.step
        self.states: list[Any] = [made.start]

    def table(self, place: Place, depths: int) -> Int32s | None:
        """(states, depths) -> next state, -1 for none; None when the rule has nothing to say at this place."""
        lane = self.lanes.get(place.lane)
        if lane is None:
            return None
        following: dict[Any, int] = {}
        table = np.full((len(self.states), depths), -1, np.int32)
        step, cut = self.step, place.cut
        for row, state in enumerate(self.states):
            for depth in range(depths):
                after = step(state, lane, cut, depth)
                if after is not None:
                    table[row, depth] = following.setdefault(after, len(following))
        self.states = list(following)
        return table

    def keep(self, column: Array) -> Array:
        """Forget the states that no node has; returns the column renumbered."""
        used, renumbered = np.unique(column, return_inverse=True)
        if len(used) < len(self.states):
            self.states = [self.states[i] for i in used.tolist()]
            return renumbered.astype(np.int32)
        return column


def build(
    system: System,
    places: Sequence[Place],
    rules: Sequence[Rule],
    allowed: Allowed,
    budget: int = BUDGET,
    purse: Purse | None = None,
) -> list[Int32s]:
    """The child tables of every layer, one layer per place: (nodes, depths) -> node of the next layer, -1 for none.

    Raises `TooLargeError` naming the rule that blows the diagram up, when a layer passes the budget, or would cost more
    memory or time than there is. (Long: what goes on from layer to layer is five arrays, which belong together.)
    """
    running = [_Running(rule, system) for rule in rules]
    columns: list[Array] = [np.zeros(1, np.int32) for _ in running]
    nodes = 1
    purse = Purse(STEPS, WHOLE) if purse is None else purse
    layers: list[Int32s] = []
    for place in places:
        depths = len(system.lanes[place.lane].track.labels)
        purse.cells -= nodes * depths
        purse.steps -= depths * sum(len(rule.states) for rule in running if place.lane in rule.lanes)
        if nodes * depths > CELLS or min(purse.cells, purse.steps) < 0:  # before the memory and the time are spent
            raise _too_large(system, running, columns, place, nodes)
        alive = np.zeros((nodes, depths), bool)
        alive[:, sorted(allowed.get(place, range(depths)))] = True
        moved: list[tuple[int, Int32s]] = []
        for i, rule in enumerate(running):
            table = rule.table(place, depths)
            if table is not None:
                following = table[columns[i]]
                alive &= following >= 0
                moved.append((i, following))
        parents, _ = np.nonzero(alive)
        changed = {i: following[alive] for i, following in moved}
        wide = [changed[i] if i in changed else columns[i][parents] for i in range(len(running))]
        wide = [rule.keep(column) for rule, column in zip(running, wide, strict=True)]
        number, first = _distinct(wide, [len(rule.states) for rule in running], len(parents))
        if len(first) > budget:
            raise _too_large(system, running, wide, place, budget)
        children = np.full((nodes, depths), -1, np.int32)
        children[alive] = number
        layers.append(children)
        columns = [column[first] for column in wide]
        nodes = len(first)
    return _merge(layers)


def _distinct(columns: Iterable[Array], sizes: Sequence[int], rows: int) -> tuple[Integers, Integers]:
    """Number the distinct rows of the columns: (number of each row, a row of each number)."""
    key = np.zeros(rows, np.int64)
    if rows < 2:
        return key, np.arange(rows)
    room = 1
    for column, size in zip(columns, sizes, strict=True):
        if size <= 1:
            continue
        if room * size >= _ROOM:
            _, key = np.unique(key, return_inverse=True)
            room = int(key.max(initial=0)) + 1
        key = key * size + column
        room *= size
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    return number, first


def _merge(layers: list[Int32s]) -> list[Int32s]:
    """Drop nodes that lead nowhere and make nodes with the same children one, from the last layer to the first."""
    merged: list[Int32s] = []
    renumber = np.zeros(1, np.int32)  # the end: one node
    if layers:
        renumber = np.zeros(int(layers[-1].max(initial=-1)) + 1, np.int32)
    for children in reversed(layers):
        children = np.where(children >= 0, np.append(renumber, np.int32(-1))[children], np.int32(-1))
        live = np.flatnonzero((children >= 0).any(axis=1))
        columns = children[live].T.astype(np.int64) + 1
        size = int(children.max(initial=-1)) + 2
        number, first = _distinct(columns, [size] * len(columns), len(live))
        renumber = np.full(len(children), -1, np.int32)
        renumber[live] = number
        merged.append(np.ascontiguousarray(children[live[first]]))
    merged.reverse()
    if merged and len(merged[0]) == 0:  # no legal code: keep a root that leads nowhere
        merged = [np.full((1 if i == 0 else 0, layer.shape[1]), -1, np.int32) for i, layer in enumerate(merged)]
    return merged


def _too_large(
    system: System, running: Sequence[_Running], columns: Sequence[Array], place: Place, cases: int
) -> TooLargeError:
    """Name the rule without which the layer would be smallest."""
    lane = system.lanes[place.lane]
    where = f"more than {cases:,} cases to keep apart at cut {place.cut + 1} of {lane.label}"
    if not running:  # cuts and depths alone
        hint = "single codes can still be checked"
        return TooLargeError(
            f"the codes of {system.name} are too many-sided to hold at once: {where}", rule="", hint=hint
        )
    sizes = [len(rule.states) for rule in running]
    without = []
    for i in range(len(running)):
        rest = [c for j, c in enumerate(columns) if j != i]
        _, first = _distinct(rest, [s for j, s in enumerate(sizes) if j != i], len(columns[i]))
        without.append(len(first))
    rule = running[int(np.argmin(without))].rule
    return TooLargeError(
        f"the codes of {system.name} are too many-sided to hold at once: {where}, because of the rule {rule.sentence!r}",
        rule=rule.sentence,
        hint="single codes can still be checked; to count, decode or complete, loosen that rule or leave it out",
    )
