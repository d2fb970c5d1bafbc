"""The most probable whole codes, in exact order, level by level: all prefixes of a length at once.

A prefix carries its likelihood at every point of the grid; that times the best completion there (one max pass), summed over
the points, bounds what any of its codes can have: no completion can weigh more than the sum of the points' best. A beam of the
best prefixes of each level first finds as many codes as are wanted; the least of them is a limit that every better code must
pass, and the search for these drops all prefixes whose bound is below it: so the list is complete and its order exact. Listing
the best codes of each point and scoring them again would not be.

Codes that differ only in ignored cuts (those that a lock doesn't read) count as one: a prefix then stands in several nodes.
Everything is relative to the best label of each layer at each point, so nothing needs a logarithm. Equal probabilities go to
the shallower code, first cut first in the order of the lanes. Where a great many codes are as likely as each other (hardly any
cut was read) the search ends with a wide beam: its codes have exact probabilities, but others may have the same.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from itertools import pairwise

import numpy as np
from attrs import evolve, frozen

from bitting.arrays import Array, Indices
from bitting.decoding.posterior import Posterior, Section
from bitting.decoding.weigh import UNDERFLOW, scaled
from bitting.diagram.trellis import TrellisLayer
from bitting.model import Depths, Place, System

TIE = 1e-10
"""Relative difference of two probabilities below which they count as equal."""
SLACK = 1e-9
"""Relative difference of two bounds that may be rounding."""
BLOCK = 256
"""Prefixes that are taken on together."""
BUDGET = 15_000_000
"""Prefixes times points after which a wide beam must do."""
HELD = 1_000_000
"""Numbers that are worked out at a time."""
WIDE = 128
"""How wide that is; and codes beyond those wanted after which it is taken too."""
LEAST = 1e-7
"""Probability from which a code is sure to be found among those that the narrowed trellis holds (`weigh.py`)."""


@frozen(eq=False)
class Ranked:
    """A whole code (places per lane) and its probability."""

    depths: Depths
    probability: float


@frozen(eq=False)
class Level:
    """One layer: `table` (labels, points) its likelihoods relative to the best label at each point.

    `after` (arcs and an empty one, points) is that times the best completion and the weight of the point; `depth` numbers
    the labels' depths. `enter` is what a front (prefixes, points) goes through before the layer (None: nothing).
    """

    layer: TrellisLayer
    table: Array
    after: Array
    depth: Indices
    ignored: bool
    enter: Callable[[Array], Array] | None = None

    @property
    def plain(self) -> bool:
        """Whether no two labels have the same depths, so that a prefix that stood in one node stands in one again."""
        return not self.ignored and int(self.depth.max()) + 1 == self.depth.size


def best_codes(
    posterior: Posterior, system: System, wanted: int, ignored: Collection[Place] = frozenset()
) -> list[Ranked]:
    """The `wanted` most probable codes (fewer where there are fewer), most probable first.

    Codes that differ only in the `ignored` cuts count as one, with the sum of their probabilities; such cuts are 0 in
    `depths`.
    """
    found: list[Ranked] = []
    narrow = not ignored and any(section.whole is not None for section in posterior.sections)
    for whole in (False, True) if narrow else (True,):
        if whole not in posterior.levels:
            posterior.levels[whole] = _levels_of(posterior, ignored, whole=whole)
        levels: Sequence[Level] = posterior.levels[whole]
        found = _ranked(levels, _search(levels, posterior.sections[0].posterior.size, wanted), system)[:wanted]
        if len(found) == wanted and found[-1].probability >= LEAST:
            break
    return found


def codes_in_order(posterior: Posterior, system: System) -> Iterator[Ranked]:
    """Every legal code, most probable first."""
    told, wanted = 0, 64
    while True:
        found = best_codes(posterior, system, wanted)
        yield from found[told:]
        if len(found) < wanted:
            return
        told, wanted = len(found), 4 * wanted


def _ranked(levels: Sequence[Level], found: tuple[Indices, Array], system: System) -> list[Ranked]:
    """Codes as depths of each lane, in order; runs of equal probabilities in the order of their depths."""
    labels, probabilities = found
    begins = np.cumsum([0] + [lane.track.cuts for lane in system.lanes])
    slots = [begins[place.lane] + place.cut for level in levels for place in level.layer.places]
    rows = np.zeros((labels.shape[0], begins[-1]), dtype=np.intp)
    depths = [level.layer.labels[labels[:, number]] * (not level.ignored) for number, level in enumerate(levels)]
    rows[:, slots] = np.concatenate(depths, axis=1)
    parts = list(pairwise(begins.tolist()))
    codes = [
        Ranked(tuple(tuple(row[first:last]) for first, last in parts), probability)
        for row, probability in zip(rows.tolist(), probabilities.tolist(), strict=True)
    ]
    codes.sort(key=lambda code: -code.probability)
    out: list[Ranked] = []
    run: list[Ranked] = []
    for code in codes:
        if run and code.probability < run[0].probability * (1 - TIE):
            out += sorted(run, key=lambda r: r.depths)
            run = []
        run.append(code)
    return out + sorted(run, key=lambda r: r.depths)


@frozen(eq=False)
class _Block:
    """Prefixes of one length with their `bounds` and `labels` so far, and the rows that they stand in.

    A row has the prefix that owns it, a node, and the prefix's likelihood there (points).
    """

    level: int
    bounds: Array
    labels: Indices
    owner: Indices
    nodes: Indices
    front: Array

    def part(self, prefixes: Indices) -> _Block:
        """Some prefixes (ascending), with their rows."""
        number = np.full(self.bounds.size, -1, dtype=np.intp)
        number[prefixes] = np.arange(prefixes.size)
        rows = np.flatnonzero(number[self.owner] >= 0)
        return _Block(
            self.level, self.bounds[prefixes], self.labels[prefixes], number[self.owner[rows]], self.nodes[rows],
            self.front[rows],
        )  # fmt: skip


def _search(levels: Sequence[Level], points: int, wanted: int) -> tuple[Indices, Array]:
    """Labels of each layer and probability of the best codes: all that are as good as the last one wanted."""
    none: Indices = np.zeros(1, dtype=np.intp)
    root = _Block(0, np.ones(1), np.zeros((1, len(levels)), dtype=np.intp), none, none, np.ones((1, points)))
    beam = _beam(levels, root, wanted)
    limit = float(beam.bounds.min()) * (1 - SLACK) if beam.bounds.size >= wanted else 0.0
    found: list[_Block] = []
    count, spent, stack = 0, 0, [root]
    while stack:
        block = stack.pop()
        if block.level == len(levels):
            found.append(block)
            count += block.bounds.size
            continue
        following = _onwards(levels[block.level], block, limit)
        spent += following.front.size
        if spent > BUDGET or count > wanted + WIDE:
            found = [_beam(levels, root, wanted + WIDE)]
            break
        each = np.arange(following.bounds.size)
        stack += [following.part(each[start : start + BLOCK]) for start in range(0, each.size, BLOCK)]
    labels, bounds = (np.concatenate([getattr(one, name) for one in found]) for name in ("labels", "bounds"))
    if bounds.size > wanted:
        least = np.sort(bounds)[-wanted] * (1 - SLACK)
        labels, bounds = labels[bounds >= least], bounds[bounds >= least]
    return labels, bounds


def _beam(levels: Sequence[Level], root: _Block, width: int) -> _Block:
    """The best codes that a beam of so many prefixes finds."""
    for level in levels:
        root = _onwards(level, root, 0.0, width)
    return root


def _onwards(level: Level, block: _Block, limit: float, most: int | None = None) -> _Block:
    """All ways on from some prefixes whose bound is at least the `limit`; of these the best `most`.

    (Long: one step of the search, in which every line needs the one before.)
    """
    layer = level.layer
    front = block.front if level.enter is None else level.enter(block.front)
    ways = layer.ways[block.nodes]
    row, way = (ways < layer.arc_child.size).nonzero()
    arc = ways[row, way]
    label, child, owner = layer.arc_label[arc], layer.arc_child[arc], block.owner[row]
    bounds = _bounds(level, front, row, arc)
    apart = level.plain and block.owner.size == block.bounds.size
    if level.ignored:
        prefix, example = owner, np.zeros(0, dtype=np.intp)
        size = block.bounds.size
    elif apart:  # every way on is a prefix of its own
        prefix = example = np.arange(owner.size)
        size = owner.size
    else:
        wide = int(level.depth.max()) + 1
        _, example, prefix = np.unique(owner * wide + level.depth[label], return_index=True, return_inverse=True)
        size = example.size
    total = np.bincount(prefix, bounds, minlength=size)
    kept = np.flatnonzero((total >= limit) & (total > 0.0))
    if most is not None and kept.size > most:
        kept = np.sort(kept[np.argsort(-total[kept], kind="stable")[:most]])
    number = np.full(size, -1, dtype=np.intp)
    number[kept] = np.arange(kept.size)
    used = np.flatnonzero(number[prefix] >= 0)
    if level.ignored:
        labels = block.labels[kept]
    else:
        labels = block.labels[owner[example[kept]]]
        labels[:, block.level] = label[example[kept]]
    after = front[row[used]]
    after *= level.table[label[used]]
    place = number[prefix[used]] * layer.next_nodes + child[used]
    places, where = (place, place) if apart else np.unique(place, return_inverse=True)
    if places.size < place.size:  # several ways into one node
        joined = np.zeros((places.size, after.shape[1]))
        np.add.at(joined, where, after)
        place, after = places, joined
    own, nodes = np.divmod(place, layer.next_nodes)
    return _Block(block.level + 1, total[kept], labels, own, nodes, after)


def _bounds(level: Level, front: Array, row: Indices, arc: Indices) -> Array:
    """What each way on (row, arc) can have at most."""
    out = np.empty(row.size)
    some = max(1, HELD // front.shape[1])
    for start in range(0, row.size, some):
        part = slice(start, start + some)
        np.einsum("rp,rp->r", front[row[part]], level.after[arc[part]], out=out[part])
    return out


def _levels_of(posterior: Posterior, ignored: Collection[Place], *, whole: bool) -> list[Level]:
    """All layers in turn, with the weight of each point in what can follow."""
    parts = [_levels(section, ignored, whole=whole) for section in posterior.sections]
    log_evidence = posterior.log_evidence + posterior.log_count
    first = posterior.sections[0]
    (levels, tops, _), *others = parts
    if not others:
        return _weighed(levels, np.exp(first.log_prior + tops - log_evidence))
    ((second, second_tops, second_best),) = others
    grid, after = posterior.grid, posterior.sections[1]
    assert grid.link is not None  # two sections come from a paired grid
    rows = (grid.log_scale[:, None] + grid.log_tilt).reshape(-1)
    one, two = first.columns[1], after.columns[-1]
    most = (float(tops.max()), float(second_tops.max()))
    table = np.zeros((rows.size, grid.link.shape[1]))
    table.reshape(-1)[two] = np.exp(second_tops - most[1]) * second_best
    follows = np.maximum((table @ grid.link.T).reshape(-1)[one], UNDERFLOW)
    weight = tops + rows[one // grid.link.shape[0]] + np.log(follows) + most[1] - log_evidence
    second_weight = second_tops + rows[two // grid.link.shape[1]] + most[0] - log_evidence
    levels = _weighed(levels, np.exp(np.minimum(weight, 700.0)))
    second = _weighed(second, np.exp(np.minimum(second_weight, 700.0)))
    second[0] = evolve(second[0], enter=_Crossing(one, np.exp(tops - most[0]), two, grid.link, rows.size))
    return levels + second


def _levels(section: Section, ignored: Collection[Place], *, whole: bool) -> tuple[list[Level], Array, Array]:
    """A section's layers in turn, the log of what each point's best labels have, and the best code's part of that."""
    tops = np.zeros(section.posterior.size)
    later = np.ones(tops.size)  # what the trellises to come have at best
    levels: list[Level] = []
    sums, logs = section.whole if whole else None, section.logs
    if sums is not None:
        logs = tuple(tuple(sums.logs(trellis, section.columns)) for trellis in sums.trellises)
    for trellis, rows in reversed(list(zip(sums.trellises if sums else section.trellises, logs, strict=True))):
        top, ratios = scaled(rows)
        tops += top
        best = np.ones((1, later.size))
        own = []
        for layer, table in zip(reversed(trellis.layers), reversed(ratios), strict=True):
            level = Level(layer, table, np.empty(0), layer.depths, set(layer.places) <= set(ignored))
            after, best = _completions(level, best, alike=bool(ignored))
            own.append(evolve(level, after=after))
        levels = _weighed(own[::-1], later) + levels
        later = later * best[0]
    return levels, tops, later


def _completions(level: Level, best: Array, *, alike: bool) -> tuple[Array, Array]:
    """(arcs and an empty one, points) of likelihood times the best completion behind, and the best of each node.

    Of an ignored layer all ways together; with `alike`, the labels of the same depths.
    """
    layer = level.layer
    after = np.empty((layer.arc_label.size + 1, level.table.shape[1]))
    np.take(level.table, layer.arc_label, axis=0, out=after[:-1])
    after[:-1] *= best if layer.single else best.take(layer.arc_child, axis=0)
    after[-1] = 0.0
    if level.ignored:
        return after, after.take(layer.ways, axis=0).sum(axis=1)
    groups = int(level.depth.max()) + 1
    if not alike or groups == level.depth.size:
        return after, after.take(layer.ways, axis=0).max(axis=1)  # padded: np.maximum.reduceat takes ten times as long
    of_arc = np.append(level.depth[layer.arc_label], -1)
    most = np.zeros((layer.nodes, after.shape[1]))
    for one in range(groups):
        same = np.where((of_arc == one)[:, None], after, 0.0)
        np.maximum(most, same.take(layer.ways, axis=0).sum(axis=1), out=most)
    return after, most


def _weighed(levels: list[Level], weight: Array) -> list[Level]:
    """The layers with another weight of the points in what can follow."""
    for level in levels:
        np.multiply(level.after, weight, out=level.after)
    return levels


@frozen(eq=False)
class _Crossing:
    """Fronts of the first section (codes, points `one` with their `weight`) become fronts at the points `two` of the second."""

    one: Indices
    weight: Array
    two: Indices
    link: Array
    rows: int

    def __call__(self, front: Array) -> Array:
        table = np.zeros((front.shape[0], self.rows * self.link.shape[0]))
        table[:, self.one] = front * self.weight
        crossed = table.reshape(-1, self.link.shape[0]) @ self.link
        return np.asarray(crossed.reshape(front.shape[0], -1)[:, self.two])
