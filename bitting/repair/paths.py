"""Every way to slip from a legal code to what was written, for a block of writings at once.

The same walk down the diagram as `bitting.repair.trellis` makes for one writing: the ways that are in the same state are
kept together as arrays, and each layer takes all of them one cut further. Ways that no legal code continues are dropped at
once, so that few are left: this is for small budgets of slips, where it lists every explanation. `shares` adds up the
explanations of given pairs of a writing and a code.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.diagram import Diagram
from bitting.repair import slips
from bitting.repair.signs import Signs

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]
State = tuple[int, tuple[tuple[int, bool], ...]]
"""Slips so far; per lane: cuts written too many so far, and whether a swap is open."""
Flags = NDArray[np.bool_]
Slips = NDArray[np.int64]
MISREAD, SWAPPED, DROPPED, DOUBLED, EXTRA, EXTRA_AFTER = 1, 2, 3, 4, 5, 6
"""Kinds of slips."""
BITS = 24
"""A slip takes so many."""


@frozen(eq=False)
class Layer:
    """One cut of a diagram: lane (among the diagram's own), cut, its column in a whole code, and the flat table.

    `table[state + depth]` is the state before the next layer; `dead` is the one that nothing legal follows.
    """

    lane: int
    cut: int
    column: int
    depths: int
    table: Ints
    dead: int


def layers_of(diagram: Diagram, columns: Sequence[int]) -> tuple[Layer, ...]:
    """The layers of a diagram; `columns` is where each lane of the system begins in a whole code."""
    made = []
    for number, layer in enumerate(diagram.layers):
        rows = layer.children
        below = diagram.layers[number + 1].children if number + 1 < len(diagram.layers) else np.zeros((1, 0))
        stride = below.shape[1] + 1
        dead = len(below) * stride
        table = np.full((rows.shape[0] + 1, rows.shape[1] + 1), dead, np.int32)
        table[:-1, :-1] = np.where(rows < 0, dead, rows * stride)
        lane, cut = layer.place.lane, layer.place.cut
        own = diagram.lanes.index(lane)
        made.append(Layer(own, cut, columns[lane] + cut, rows.shape[1], table.ravel(), dead))
    return tuple(made)


@frozen(eq=False)
class Written:
    """One lane of a block of writings: signs and depths (cuts written, writings), the lane's table of misreadings, and how
    many cuts there should be."""

    signs: Signs
    depths: Signs
    misread: Floats
    cuts: int

    @property
    def goal(self) -> int:
        """How many cuts are too many."""
        return len(self.signs) - self.cuts

    def some(self, which: Ints | NDArray[np.intp]) -> Written:
        """The same lane of some of the writings."""
        return Written(self.signs[:, which], self.depths[:, which], self.misread, self.cuts)


@frozen(eq=False)
class Ways:
    """Ways from legal codes to writings: which writing, the state of the diagram, and the slips (`slip`, the later one in the
    higher bits)."""

    which: Ints
    node: Ints
    slips: Slips

    def __len__(self) -> int:
        return len(self.which)

    @classmethod
    def joined(cls, parts: Sequence[Ways]) -> Ways:
        """All of several."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([p.which for p in parts]),
            np.concatenate([p.node for p in parts]),
            np.concatenate([p.slips for p in parts]),
        )


def legal(layers: Sequence[Layer], rows: Sequence[Signs]) -> NDArray[np.bool_]:
    """Which writings, given as depths per lane, are legal."""
    node = np.zeros(rows[0].shape[1], np.int32)
    for layer in layers:
        node = layer.table[node + rows[layer.lane][layer.cut]]
    alive: NDArray[np.bool_] = node == 0
    return alive


def ways(layers: Sequence[Layer], lanes: Sequence[Written], which: NDArray[np.intp], budget: int) -> Ways:
    """Every way by exactly `budget` slips of single cuts to the writings `which`; the lanes are those of one diagram."""
    start = Ways(which.astype(np.int32), np.zeros(len(which), np.int32), np.zeros(len(which), np.int64))
    goals = [lane.goal for lane in lanes]
    at: dict[State, Ways] = {(0, ((0, False),) * len(lanes)): start}
    for layer in layers:
        after: dict[State, list[Ways]] = {}
        own, lane = layer.lane, lanes[layer.lane]
        for (used, streams), some in at.items():
            away = sum(abs(goal - ahead) for goal, (ahead, _) in zip(goals, streams, strict=True))
            room = budget - used - away + abs(goals[own] - streams[own][0])
            for cost, to, moved in _onward(layer, lane, streams[own], some, room):
                if len(moved):
                    changed = (*streams[:own], to, *streams[own + 1 :])
                    after.setdefault((used + cost, changed), []).append(moved)
        at = {state: Ways.joined(parts) for state, parts in after.items()}
    none = Ways(np.zeros(0, np.int32), np.zeros(0, np.int32), np.zeros(0, np.int64))
    return at.get((budget, tuple((goal, False) for goal in goals)), none)


def _onward(
    layer: Layer, lane: Written, stream: tuple[int, bool], some: Ways, room: int
) -> Iterator[tuple[int, tuple[int, bool], Ways]]:
    """Each way on at a cut, as `bitting.repair.trellis.steps` has it: cost, the lane's new state, the ways.

    There is `room` for so many slips in this lane, those that bring it to its length among them.
    """
    ahead, swapping = stream
    at, length = layer.cut + ahead, len(lane.depths)
    stay, less, more = (room - abs(lane.goal - to) for to in (ahead, ahead - 1, ahead + 1))
    if swapping:
        yield 0, (ahead, False), _forced(layer, some, lane.depths[at - 1][some.which], None)
        return
    inside = 0 <= at < length
    here = lane.depths[at][some.which] if inside else None
    if here is not None and stay >= 0:
        yield 0, (ahead, False), _forced(layer, some, here, None)
    if less >= 1:
        yield 1, (ahead - 1, False), _any(layer, some, None, None)
    if here is None or max(stay, more) < 1:
        return
    signs = lane.signs[at][some.which]
    if stay >= 1:
        yield 1, (ahead, False), _any(layer, some, lane.misread > 0, signs)
    if at + 1 == length:
        return
    there = lane.depths[at + 1][some.which]
    equal = signs == lane.signs[at + 1][some.which]
    if stay >= 1 and layer.cut < lane.cuts - 1:
        both = ~equal & (here < layer.depths) & (there < layer.depths)
        yield 1, (ahead, True), _forced(layer, some, there, both, SWAPPED)
    if more >= 1:
        yield 1, (ahead + 1, False), _forced(layer, some, here, equal, DOUBLED)
        yield 1, (ahead + 1, False), _forced(layer, some, there, ~equal, EXTRA)
        if layer.cut == lane.cuts - 1:
            yield 1, (ahead + 1, False), _forced(layer, some, here, ~equal, EXTRA_AFTER)


def _forced(layer: Layer, some: Ways, depth: Signs, where: Flags | None, kind: int = 0) -> Ways:
    """The ways that go on with one depth each."""
    node = layer.table[some.node + depth]
    good = node != layer.dead
    rows = np.flatnonzero(good if where is None else good & where)
    if not kind:
        return Ways(some.which[rows], node[rows], some.slips[rows])
    return _slipped(layer, some, rows, node[rows], depth[rows], kind)


def _any(layer: Layer, some: Ways, fits: Flags | None, signs: Signs | None) -> Ways:
    """The ways that go on with any depth, or any that the sign fits."""
    node = layer.table[some.node[:, None] + np.arange(layer.depths, dtype=np.int32)]
    good = node != layer.dead
    if fits is not None:
        good &= fits[signs]
    rows, depth = np.nonzero(good)
    return _slipped(layer, some, rows, node[good], depth, DROPPED if fits is None else MISREAD)


def _slipped(layer: Layer, some: Ways, rows: NDArray[np.intp], node: Ints, depth: NDArray[Any], kind: int) -> Ways:
    new = slip(kind, layer.column) + depth.astype(np.int64)
    before = some.slips[rows]
    return Ways(some.which[rows], node, np.where(before == 0, new, before + (new << BITS)))


def slip(kind: int, column: int) -> int:
    """A slip as a number; the true depth is added to it."""
    return kind << 16 | column << 8


def shares(lane: Written, code: Signs, depths: int, budget: int = slips.MOST) -> list[Floats]:
    """The probability of each writing of a lane from the code beside it, by exactly 0, 1, … slips.

    `code` is (cuts, pairs); `depths` is the number of depths that there are.
    """
    zero = np.zeros(code.shape[1])
    at: dict[tuple[int, int, bool], Floats] = {(0, 0, False): np.ones(code.shape[1])}
    for cut, true in enumerate(code):
        after: dict[tuple[int, int, bool], Floats] = {}
        for (used, ahead, swapping), weight in at.items():
            for cost, to, swap, share in _shares_at(lane, cut, (ahead, swapping), true, depths, budget - used):
                state = (used + cost, to, swap)
                after[state] = after[state] + weight * share if state in after else weight * share
        at = after
    return [at.get((used, lane.goal, False), zero) for used in range(budget + 1)]


def _shares_at(
    lane: Written, cut: int, stream: tuple[int, bool], true: Signs, depths: int, room: int
) -> Iterator[tuple[int, int, bool, Floats | NDArray[np.bool_]]]:
    """Each way on at a cut whose true depth is given: cost, cuts ahead, whether a swap is open, the probability."""
    ahead, swapping = stream
    at, length = cut + ahead, len(lane.depths)
    stay, less, more = (room - abs(lane.goal - to) for to in (ahead, ahead - 1, ahead + 1))
    if swapping:
        yield 0, ahead, False, lane.depths[at - 1] == true
        return
    inside = 0 <= at < length
    if inside and stay >= 0:
        same = lane.depths[at] == true
        yield 0, ahead, False, same
    if less >= 1:
        yield 1, ahead - 1, False, np.full(len(true), slips.DROPPED)
    if not inside or max(stay, more) < 1:
        return
    if stay >= 1:
        yield 1, ahead, False, lane.misread[lane.signs[at], true]
    if at + 1 == length:
        return
    same = lane.depths[at] == true
    equal = lane.signs[at] == lane.signs[at + 1]
    turned = (lane.depths[at + 1] == true) & ~equal
    if stay >= 1 and cut < lane.cuts - 1:
        yield 1, ahead, True, (turned & (lane.depths[at] < depths)) * slips.SWAPPED
    if more >= 1:
        yield 1, ahead + 1, False, (same & equal) * slips.DOUBLED + turned * slips.EXTRA
        if cut == lane.cuts - 1:
            yield 1, ahead + 1, False, (same & ~equal) * slips.EXTRA
