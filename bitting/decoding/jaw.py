"""What the caliper's jaw reaches in each cut: its depth's dimension, less what the jaw stands off there.

A jaw that is wider than the floor of a cut stays above it (`bitting/geometry/jaw.py`), as far as the cut's own depth and its
neighbours make it. So a cut has a short list of *reached dimensions*, one or a few per depth, and likelihoods are worked
out for each of them. Which one holds is known only with the next cut's depth. In the diagram a layer therefore decides
the depth together with what the next cut will do to the jaw, as a promise that the next layer keeps: every legal code
still is exactly one path, and `widen` is the product of a diagram with these promises.

Without a jaw, or with one that reaches every floor, there is one reached dimension per depth and nothing is widened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from attrs import field, frozen

from bitting.arrays import Array, Indices
from bitting.diagram.trellis import Trellis, TrellisLayer, compile_layer
from bitting.geometry.jaw import StandOffs, contact_said, stand_offs, too_wide
from bitting.model import Depths, Lane, Place, System
from bitting.text import DIGITS

KEPT = 512
"""Codes whose rows are kept."""

WIDE_JAW = 2.0
"""Width (mm) of a caliper's jaws away from their knife edges, for those who measure with them: common practice."""
JAW_ASKED = 0.01
"""Share of such jaws from which they keep an answer from being sure, or a sure one asks which part of the jaws was used."""


@frozen(eq=False)
class Reach:
    """Reached dimensions of every cut. Row r of place p is dimension `dims[p][r]` at the depth `depths[p][r]`.

    Rows are in the order of their depths. `largest` is the largest stand-off; `unknown` says that there is a jaw but no
    cutter it could be computed from (readings are then those of a point); `wide` that it depends on neighbours.
    """

    system: System = field(repr=False)
    dims: Mapping[Place, Array]
    depths: Mapping[Place, Indices]
    starts: Mapping[Place, Indices]
    walls: Mapping[int, StandOffs]
    largest: float
    unknown: bool
    wide: bool
    _rows: dict[Depths, Mapping[Place, int]] = field(init=False, repr=False, factory=dict)

    def rows(self, depths: Depths) -> Mapping[Place, int]:
        """The row of every cut of a whole code; those of the last codes asked for are kept."""
        if depths not in self._rows:
            if len(self._rows) >= KEPT:
                self._rows.clear()
            self._rows[depths] = self._found(depths)
        return self._rows[depths]

    def _found(self, depths: Depths) -> dict[Place, int]:
        if not self.walls:
            return {Place(lane, cut): depth for lane, row in enumerate(depths) for cut, depth in enumerate(row)}
        out = {}
        for lane, row in enumerate(depths):
            deeper = self.system.lanes[lane].track.deeper
            for cut, depth in enumerate(row):
                place = Place(lane, cut)
                aim = self.system.lanes[lane].track.depths[depth]
                aim -= deeper * self.walls[lane].of(row, cut) if lane in self.walls else 0.0
                first = int(self.starts[place][depth])
                here = self.dims[place][self.depths[place] == depth]
                out[place] = first + int(np.argmin(np.abs(here - aim)))
        return out

    def dimensions(self, depths: Depths) -> dict[Place, float]:
        """What the jaw reaches in every cut of a whole code."""
        return {place: float(self.dims[place][row]) for place, row in self.rows(depths).items()}


def reach_of(system: System) -> Reach:
    """What the jaw of a system reaches; without a jaw the depths themselves."""
    jaw, contact = system.measuring.jaw or 0.0, system.measuring.contact or 0.0
    found = {}
    if jaw or contact:
        for number, lane in enumerate(system.lanes):
            wall = stand_offs(system, lane.track, jaw, contact=contact)
            if wall is not None and wall.largest > 0:
                found[number] = wall
    unknown = bool(jaw or contact) and any(stand_offs(system, track, jaw) is None for track in system.tracks)
    dims, depths, starts = {}, {}, {}
    for number, lane in enumerate(system.lanes):
        for cut in range(lane.track.cuts):
            rows = _rows(lane, found.get(number), cut)
            place = Place(number, cut)
            dims[place] = np.array([lane.track.depths[d] - lane.track.deeper * e for d, e in rows])
            depths[place] = np.array([d for d, _ in rows], dtype=np.intp)
            starts[place] = np.searchsorted(depths[place], np.arange(len(lane.track.depths)))
    largest = max((wall.largest for wall in found.values()), default=0.0)
    wide = any(len(dims[place]) > len(starts[place]) for place in dims)
    return Reach(system, dims, depths, starts, found, largest, unknown, wide)


def _rows(lane: Lane, wall: StandOffs | None, cut: int) -> list[tuple[int, float]]:
    """(depth, stand-off) of every row of a cut."""
    if wall is None:
        return [(d, 0.0) for d in range(len(lane.track.depths))]
    return sorted(
        {(d, max(a, b)) for d in range(len(lane.track.depths)) for a in wall.before[cut][d] for b in wall.after[cut][d]}
    )


@frozen(eq=False)
class _Promises:
    """One cut's part: label k is depth `depth[k]` seen as `row[k]`; `after[context, k]` the next context or -1.

    A context is the last cut's depth with what its next neighbour is to do to the jaw.
    """

    depth: Indices
    row: Indices
    after: Indices


def _promises(lane: Lane, wall: StandOffs) -> list[_Promises]:
    """The promises of a lane, cut by cut."""
    out = []
    contexts: list[tuple[int, float]] = [(0, 0.0)]  # before the first cut: nothing promised
    for cut in range(lane.track.cuts):
        rows = {key: row for row, key in enumerate(_rows(lane, wall, cut))}
        last = cut + 1 == lane.track.cuts
        ways: dict[tuple[int, float, float], list[int]] = {}  # (depth, promise, stand-off): from these contexts
        for number_of, (before, promised) in enumerate(contexts):
            for depth in range(len(lane.track.depths)):
                if cut and wall.after[cut - 1][before][depth] != promised:
                    continue
                left = wall.before[cut][depth][before if cut else 0]
                for promise in set(wall.after[cut][depth]):
                    ways.setdefault((depth, promise, max(left, promise)), []).append(number_of)
        labels = sorted(ways)
        following = [(0, 0.0)] if last else sorted({(depth, promise) for depth, promise, _ in labels})
        after = np.full((len(contexts), len(labels)), -1, dtype=np.intp)
        for k, (depth, promise, _) in enumerate(labels):
            after[ways[labels[k]], k] = 0 if last else following.index((depth, promise))
        depth_of = np.array([depth for depth, _, _ in labels], dtype=np.intp)
        row_of = np.array([rows[depth, e] for depth, _, e in labels], dtype=np.intp)
        out.append(_Promises(depth_of, row_of, after))
        contexts = following
    return out


def widen(trellis: Trellis, reach: Reach) -> Trellis:
    """The same codes, each layer deciding what the jaw reaches along with the depth."""
    lanes = reach.system.lanes
    promises = {
        number: _promises(lanes[number], reach.walls[number]) for number in trellis.lanes if number in reach.walls
    }
    if not promises or not reach.wide:
        return trellis
    column = {number: 1 + i for i, number in enumerate(promises)}
    states = np.zeros((1, 1 + len(promises)), dtype=np.intp)
    tables: list[tuple[TrellisLayer, Indices, Indices, Indices]] = []  # layer, its labels' depths and rows, children
    for layer in trellis.layers:
        place = layer.places[0]
        if place.lane in promises:
            part = promises[place.lane][place.cut]
            depth, row = part.depth, part.row
            context = part.after[states[:, column[place.lane]]]
        else:
            depth, row, context = layer.labels[:, 0], layer.rows[:, 0], None
        moved = np.repeat(states[:, None, :], depth.size, axis=1)
        moved[:, :, 0] = layer.children[states[:, 0]][:, depth]
        if context is not None:
            moved[:, :, column[place.lane]] = context
        legal = (moved >= 0).all(axis=2)
        states, number_of = np.unique(moved[legal], axis=0, return_inverse=True)
        children = np.full(legal.shape, -1, dtype=np.intp)
        children[legal] = number_of.reshape(-1)
        tables.append((layer, depth, row, children))
    return Trellis(trellis.lanes, _pruned(tables), trellis.count)


def _pruned(tables: Sequence[tuple[TrellisLayer, Indices, Indices, Indices]]) -> tuple[TrellisLayer, ...]:
    """Layers without nodes from which nothing goes on, and with nodes of the same futures as one."""
    layers: list[TrellisLayer] = []
    number: Indices = np.zeros(1, dtype=np.intp)  # old node of the next layer: new node or -1
    for layer, depth, row, children in reversed(tables):
        kept = np.where(children >= 0, number[children], -1)
        going = (kept >= 0).any(axis=1)
        rows, new = np.unique(kept[going], axis=0, return_inverse=True)
        layers.append(compile_layer(layer.places, depth[:, None], rows, int(number.max()) + 1, row[:, None]))
        number = np.full(going.size, -1, dtype=np.intp)
        number[going] = new.reshape(-1)
    return tuple(reversed(layers))


def jaw_note(system: System, reach: Reach) -> tuple[str, ...]:
    """What must be said of a jaw that doesn't reach the floor of every cut."""
    unit, contact = system.unit, contact_said(system)
    if wide := too_wide(system):
        return (wide,)
    if reach.unknown:
        return (
            "readings are taken as those of a point, since the system doesn't say what cutter leaves the floor that "
            f"{contact} rests on",
        )
    if reach.largest == 0:
        return ()
    return (
        f"{contact} stays up to {reach.largest:.{DIGITS[unit]}f} {unit} above the floor of a cut beside "
        "a shallower one or the bow; each cut is taken to read by as much as its own neighbours make it",
    )
