"""What occurs in the legal codes of a system, asked of its diagram: single depths, pairs of depths, and a code that shows
them.

Every node of a diagram lies on a legal code, so a depth occurs at a cut exactly when some node there has a child for
it, and two depths occur together exactly when a way leads from the one to the other. Nothing is listed or tried.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cached_property

import numpy as np
from attrs import field, frozen

from bitting.arrays import Flags
from bitting.diagram import CodeSpace
from bitting.model import Place, Rule, System, code_of


@frozen(slots=False)
class Legal:
    """The legal codes of a system that has at least one."""

    system: System = field(repr=False)
    space: CodeSpace = field(repr=False)

    @cached_property
    def _home(self) -> dict[Place, tuple[int, int]]:
        return {
            layer.place: (d, i)
            for d, diagram in enumerate(self.space.diagrams)
            for i, layer in enumerate(diagram.layers)
        }

    @cached_property
    def _occurring(self) -> dict[Place, Flags]:
        layers = (layer for diagram in self.space.diagrams for layer in diagram.layers)
        return {layer.place: np.asarray((layer.children >= 0).any(axis=0), bool) for layer in layers}

    def occurs(self, place: Place) -> Flags:
        """(depths,): whether any legal code has that depth there."""
        return self._occurring[place]

    def together(self, a: Place, b: Place) -> Flags:
        """(depths at a, depths at b): whether any legal code has both."""
        if a == b:
            return np.diag(self.occurs(a))
        (one, i), (other, j) = self._home[a], self._home[b]
        if one != other:
            return np.outer(self.occurs(a), self.occurs(b))
        if i > j:
            return self.together(b, a).T
        layers = self.space.diagrams[one].layers
        first = layers[i].children
        ahead = np.zeros((self._width(one, i + 1), first.shape[1]), bool)  # node -> depths at a that lead to it
        for depth in range(first.shape[1]):
            ahead[first[first[:, depth] >= 0, depth], depth] = True
        for k in range(i + 1, j):
            children = layers[k].children
            following = np.zeros((self._width(one, k + 1), first.shape[1]), bool)
            for depth in range(children.shape[1]):
                on = np.flatnonzero(children[:, depth] >= 0)
                np.logical_or.at(following, children[on, depth], ahead[on])
            ahead = following
        return np.asarray((ahead.T.astype(np.int64) @ (layers[j].children >= 0)) > 0, bool)

    def _width(self, diagram: int, layer: int) -> int:
        layers = self.space.diagrams[diagram].layers
        return len(layers[layer].children) if layer < len(layers) else 1

    def deepest(self, lane: int) -> int:
        """The deepest depth that any legal code has on a lane."""
        cuts = range(self.system.lanes[lane].track.cuts)
        return max(int(np.flatnonzero(self.occurs(Place(lane, cut)))[-1]) for cut in cuts)

    def witness(self, wanted: Mapping[Place, int | Collection[int]]) -> str | None:
        """The first legal code with these depths, in canonical notation; None where there is none."""
        rows = [[0] * lane.track.cuts for lane in self.system.lanes]
        for diagram in self.space.diagrams:
            alive: Flags = np.array([True, False])  # the end, and what -1 picks
            ways: list[Flags] = []
            for layer in reversed(diagram.layers):
                asked = wanted.get(layer.place)
                open_to = np.ones(layer.children.shape[1], bool)
                if asked is not None:
                    open_to[:] = False
                    open_to[[asked] if isinstance(asked, int) else sorted(asked)] = True
                ways.append(alive[layer.children] & open_to)
                alive = np.append(ways[-1].any(axis=1), False)
            node = 0
            for layer, way in zip(diagram.layers, reversed(ways), strict=True):
                if not way[node].any():
                    return None
                depth = int(np.argmax(way[node]))
                rows[layer.place.lane][layer.place.cut] = depth
                node = int(layer.children[node, depth])
        return write(self.system, rows)


def write(system: System, depths: Sequence[Sequence[int]]) -> str:
    return code_of(system, depths).canonical or ""


def must(system: System) -> tuple[Rule, ...]:
    """The rules that make a code legal."""
    return tuple(rule for rule in system.rules if rule.level == "must")
