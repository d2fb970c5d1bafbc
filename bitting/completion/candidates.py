"""The candidates as layers: what is still open, counted, listed and measured without going through it one by one.

A *part* is a list of layers over some cuts, deterministic and trimmed: from every node at least one depth leads on, and
no two paths spell the same depths. The diagram of a code space is a list of parts as it stands; a lock that reads only
some of the cuts gives the part that is left when the other cuts are projected away (the subset construction, layer by
layer). Counts are exact: machine integers while they are large enough, Python's beyond.

**Which are likelier**, when readings of the same key are given too: they are weighed by the measurement model of
`bitting.decoding`, over the codes that fit what is written: the probabilities are those of the whole answer, not of all
codes of the system. They are worked out exactly for the likeliest `RANKED` codes, best first; what little is left then is
shared out evenly among the others. A lock's settings gather the probabilities of the keys that have them.

**What is possible** (`allowed_depths`): everything the code says is met at once: a convenience code written for both
sides must be right for both, a track that was not written is open at every cut. What can't be a code of the system at all
(a wrong number of cuts, a depth that is in no table) is an error here: nothing sensible completes it.

**The cuts that a lock doesn't read** (`whole_keys`): what to cut there, so that each trial key is a legal key of the system.
Along one blank every cut can only get deeper, the unread ones too. Try by try they are set to the legal setting that
takes the least metal (the smallest sum of depths; then the shallower at the first cut where two differ) and is nowhere
shallower than the try before. Where none is left, the blank's later tries stay right for the lock and are legal at the
cuts it reads, but no whole legal key goes with them: the answer then has None there, and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import cached_property, partial
from math import prod
from typing import Any

import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.arrays import Array
from bitting.diagram import CodeSpace, Layer, completions
from bitting.diagram.space import arrivals
from bitting.errors import BittingError, Span
from bitting.model import Code, CutList, Place, Readings, System, write_cut
from bitting.notation.mend import mended

MOST_SUBSETS = 200_000
"""Nodes of one projected layer at which the answer is given up."""


Part = tuple[Layer, ...]


@define(slots=False, eq=False)
class Choices:
    """Every candidate, as independent parts; `places` are the cuts they decide, in the order of the code."""

    parts: tuple[Part, ...]
    places: tuple[Place, ...] = field(init=False)

    def __attrs_post_init__(self) -> None:
        found = [layer.place for part in self.parts for layer in part]
        self.places = tuple(sorted(found, key=lambda place: (place.lane, place.cut)))

    @cached_property
    def _counts(self) -> list[tuple[Array, ...]]:
        return [completions(part) for part in self.parts]

    @cached_property
    def count(self) -> int:
        return prod(int(counts[0][0]) for counts in self._counts)

    @cached_property
    def depths(self) -> dict[Place, tuple[int, ...]]:
        """For each cut the depths that some candidate has there."""
        return {place: tuple(d for d, n in enumerate(row) if n) for place, row in self.shares.items()}

    @cached_property
    def shares(self) -> dict[Place, tuple[int, ...]]:
        """For each cut how many candidates have each depth there."""
        out: dict[Place, tuple[int, ...]] = {}
        for part, counts in zip(self.parts, self._counts, strict=True):
            others = self.count // int(counts[0][0]) if self.count else 0
            for layer, before, after in zip(part, arrivals(part), counts[1:], strict=False):
                ways = before[:, None] * np.where(layer.children >= 0, after[layer.children], 0)
                out[layer.place] = tuple(sum(column.tolist()) * others for column in ways.T)
        return {place: out[place] for place in self.places}

    @cached_property
    def levels(self) -> tuple[int, ...]:
        """How many candidates have each sum of depths, from the sum 0 on: codes of one level never share a blank."""
        out = np.array([1], object)
        for part, counts in zip(self.parts, self._counts, strict=True):
            out = np.convolve(out, np.array(_levels(part, counts[0].dtype), object))
        return tuple(out.tolist())

    def first(self, limit: int) -> NDArray[np.int8]:
        """The first `limit` candidates in the order of the code, first cut first, shape (codes, places)."""
        if not self.count or limit < 1:
            return np.empty((0, len(self.places)), np.int8)
        ordered = sorted(self.parts, key=lambda part: min((layer.place.lane for layer in part), default=0))
        columns = [layer.place for part in ordered for layer in part]
        rows = np.empty((1, 0), np.int8)
        for part in reversed(ordered):  # the last part moves fastest
            own = _first_of(part, limit)
            own = own[: -(-limit // max(1, len(rows)))]
            rows = np.concatenate([np.repeat(own, len(rows), axis=0), np.tile(rows, (len(own), 1))], axis=1)[:limit]
        back = [columns.index(place) for place in self.places]
        rows = rows[:, back]
        return rows[np.lexsort(rows.T[::-1])] if rows.shape[1] else rows

    def only(self, places: Collection[Place]) -> Choices:
        """The distinct settings of some cuts that a candidate has, of which there must be one."""
        return Choices(tuple(project(part, places) for part in self.parts))


def _levels(part: Part, kind: Any) -> list[int]:
    """How many codes of one part have each sum of depths."""
    after: Array = np.array([[1]], kind)
    for layer in reversed(part):
        depths = layer.children.shape[1]
        here = np.zeros((len(layer.children), after.shape[1] + depths - 1), kind)
        for depth in range(depths):
            child = layer.children[:, depth]
            ok = np.flatnonzero(child >= 0)
            here[ok, depth : depth + after.shape[1]] += after[child[ok]]
        after = here
    return [int(n) for n in after[0]]


def restrict(part: Part, allowed: Mapping[Place, Collection[int]]) -> Part:
    """The part with some depths taken away, trimmed; a part without a code keeps its root and leads nowhere."""
    layers = []
    alive: NDArray[np.bool_] | None = None
    for layer in reversed(part):
        children = layer.children.copy()
        if layer.place in allowed:
            children[:, [d for d in range(children.shape[1]) if d not in allowed[layer.place]]] = -1
        if alive is not None:
            children[(children >= 0) & ~alive[children]] = -1
        alive = np.asarray((children >= 0).any(axis=1), np.bool_)
        layers.append(Layer(layer.place, children))
    return tuple(reversed(layers))


def project(part: Part, places: Collection[Place]) -> Part:
    """The part over some of its cuts only: which depths they have in some code of it."""
    nodes: list[tuple[int, ...]] = [(0,)]
    out: list[Layer] = []
    for layer in part:
        table = layer.children
        if layer.place not in places:
            merged = [_reached(table[list(node)]) for node in nodes]
            number = {node: i for i, node in enumerate(dict.fromkeys(merged))}
            if len(number) < len(nodes) and out:  # some of them became the same
                to = np.array([*(number[node] for node in merged), -1], np.int32)
                out[-1] = Layer(out[-1].place, to[out[-1].children])
            nodes = list(number)
            continue
        number = {}
        children = np.full((len(nodes), table.shape[1]), -1, np.int32)
        for i, node in enumerate(nodes):
            for depth, column in enumerate(table[list(node)].T):
                if target := _reached(column):
                    children[i, depth] = number.setdefault(target, len(number))
        if len(number) > MOST_SUBSETS:
            raise BittingError(
                "too many ways to set the other cuts to tell the settings of these apart",
                hint="leave fewer cuts open, or ask without --lock",
            )
        nodes = list(number)
        out.append(Layer(layer.place, children))
    return tuple(out)


def _reached(children: NDArray[np.int32]) -> tuple[int, ...]:
    """The nodes that some edges lead to."""
    found = np.unique(children)
    return tuple(found[found >= 0].tolist())


def _spell(part: Part, limit: int) -> NDArray[np.int8]:
    """The first codes of a part in the order of its layers, at least `limit` of them or all."""
    rows = np.empty((1, 0), np.int8)
    at: NDArray[np.integer] = np.zeros(1, np.int64)
    for layer in part:
        which, depth = np.nonzero(layer.children[at] >= 0)
        which, depth = which[:limit], depth[:limit]
        at = layer.children[at[which], depth]
        rows = np.concatenate([rows[which], depth[:, None].astype(np.int8)], axis=1)
    return rows


def _first_of(part: Part, limit: int) -> NDArray[np.int8]:
    """The first codes of a part, at most `limit`, by its lanes one after the other; columns as its layers."""
    lanes = sorted({layer.place.lane for layer in part})
    if len(lanes) < 2:
        return _spell(part, limit)
    if int(completions(part)[0][0]) <= limit:
        rows = _spell(part, limit)
        order = sorted(range(len(part)), key=lambda i: (part[i].place.lane, part[i].place.cut))
        return rows[np.lexsort(rows[:, order].T[::-1])]
    leading = np.array([layer.place.lane == lanes[0] for layer in part])
    lead = [layer.place for layer in part if layer.place.lane == lanes[0]]
    others = frozenset(layer.place for layer in part) - frozenset(lead)
    found: list[NDArray[np.int8]] = []
    left = limit
    for row in _spell(project(part, frozenset(lead)), limit).tolist():
        fixed = restrict(part, {place: (d,) for place, d in zip(lead, row, strict=True)})
        rest = _first_of(project(fixed, others), left)
        both = np.empty((len(rest), len(part)), np.int8)
        both[:, leading], both[:, ~leading] = row, rest
        found.append(both)
        left -= len(both)
        if not left:
            break
    return np.concatenate(found)


RANKED = 2_000
"""Codes that are ranked one by one, where not only the first are asked for."""

ENOUGH = 1e-9
"""Probability left over at which the rest need not be ranked."""


@frozen(eq=False)
class Likely:
    """Settings of the cuts asked about, likeliest first, with their probabilities, and the chance of each depth.

    `left_over` is the probability of the keys that were not ranked: the error that any of the probabilities can have.
    """

    settings: tuple[tuple[int, ...], ...]
    probabilities: tuple[float, ...]
    chances: dict[Place, NDArray[np.float64]]
    left_over: float


def likeliest(
    space: CodeSpace, places: tuple[Place, ...], system: System, readings: Readings, wanted: int, most: int
) -> Likely:
    """Rank the settings of `places` that the codes of `space` have: at least `wanted` codes, and at most `most`."""
    from bitting.decoding import Decoder
    from bitting.decoding.kbest import codes_in_order

    decoder = Decoder(system, space=space)
    posterior = decoder.posterior(readings)
    found: dict[tuple[int, ...], float] = {}
    left_over = 1.0
    for number, ranked in enumerate(codes_in_order(posterior, system)):
        setting = tuple(ranked.depths[place.lane][place.cut] for place in places)
        found[setting] = found.get(setting, 0.0) + ranked.probability
        left_over -= ranked.probability
        if number + 1 >= most or (left_over < ENOUGH and len(found) >= wanted):
            break
    # to nine digits, as the last ones are noise of the sums: ties keep the order in which they were found
    found = {setting: float(f"{probability:.9g}") for setting, probability in found.items()}
    settings = sorted(found, key=lambda setting: -found[setting])
    chances = {place: np.asarray(posterior.shares[place], np.float64) for place in places}
    return Likely(tuple(settings), tuple(found[s] for s in settings), chances, max(0.0, left_over))


Allowed = dict[Place, tuple[int, ...]]


def allowed_depths(code: Code) -> Allowed:
    """For every cut of every lane the depths that the code leaves possible, shallowest first."""
    system = code.system
    for written in code.written:
        _must_fit(code, written)
    out: Allowed = {}
    for number, lane in enumerate(system.lanes):
        lists = code.lists(lane)
        for cut in range(lane.track.cuts):
            depths = set(range(len(lane.track.labels)))
            for written in lists:
                depths &= set(written.cuts[cut].depths)
            if not depths:
                last = lists[-1].cuts[cut]
                raise BittingError(
                    f"{lane.label} cut {cut + 1} is written differently on the two sides, and every side of a "
                    "convenience key carries the same cuts",
                    hint="write the cut as the sides agree on it, or as a choice such as [2 3]",
                    text=code.text or None,
                    span=last.span if code.text else None,
                )
            out[Place(number, cut)] = tuple(sorted(depths))
    return out


def _must_fit(code: Code, written: CutList) -> None:
    """Refuse a list that is no list of the system's cuts."""
    system, number = code.system, len(written.cuts)

    def fault(message: str, hint: str, span: Span) -> BittingError:
        place = (code.text, span) if code.text else (None, None)
        return BittingError(
            message, hint=hint, text=place[0], span=place[1], mending=partial(mended, code.text, system)
        )

    if written.track is None:
        counts = ", ".join(f"{track.name} {track.cuts}" for track in system.tracks)
        hint = f"its tracks have these many cuts: {counts}; write ? for each open one"
        raise fault(f"{number} cuts fit no track of {system.name}", hint, written.span)
    track = system.track(written.track)
    if number != track.cuts:
        message = f"{written.track} has {track.cuts} cuts, and {number} are written"
        raise fault(message, "write ? for each open cut", written.span)
    for cut in written.cuts:
        if not cut.depths:
            hint = f"its depths are {' '.join(track.labels)}; ? stands for an open cut"
            raise fault(f"{cut.text!r} is no depth of {written.track}", hint, cut.span)


def writer(
    system: System, places: Sequence[Place], known: Mapping[Place, Sequence[int]]
) -> Callable[[Sequence[int]], str]:
    """What writes candidates in canonical form, quickly, given a depth for each of `places` in the order of the code; `known`
    is what is known of the other cuts."""
    wanted = frozenset(places)
    fixed = [""]
    labels: list[tuple[str, ...]] = []
    before: str | None = None
    for number, lane in enumerate(system.lanes):
        opening = ""
        if number:
            opening = " / " if lane.side == before else "); "
        if lane.side is not None and lane.side != before:
            opening += f"{lane.side}("
        before = lane.side
        if len(system.tracks) > 1:
            opening += f"{lane.track.name}: "
        fixed[-1] += opening
        for cut in range(lane.track.cuts):
            place = Place(number, cut)
            fixed[-1] += " " if cut else ""
            if place in wanted:
                labels.append(lane.track.labels)
                fixed.append("")
            else:
                fixed[-1] += write_cut(tuple(known[place]), lane.track)
    fixed[-1] += ")" if before is not None else ""

    def write(row: Sequence[int]) -> str:
        parts = [fixed[0]]
        for depth, own, after in zip(row, labels, fixed[1:], strict=True):
            parts += (own[depth], after)
        return "".join(parts)

    return write


def whole_keys(
    space: Choices,
    read: Sequence[Place],
    blanks: Sequence[NDArray[np.int8]],
    system: System,
    known: Mapping[Place, Sequence[int]],
) -> tuple[tuple[str | None, ...], ...]:
    """For each blank and try the canonical text of the whole key, None where none can be reached.

    `blanks` hold rows over the cuts of `read`; `space` holds the whole legal keys.
    """
    text = writer(system, space.places, known)
    out = []
    for rows in blanks:
        keys: list[str | None] = []
        floor: dict[Place, int] = {}
        for row in rows.tolist():
            exact = dict(zip(read, row, strict=True))
            key = shallowest(space, exact, floor)
            if key is not None:
                floor = key
            keys.append(None if key is None else text([key[place] for place in space.places]))
        out.append(tuple(keys))
    return tuple(out)


def shallowest(space: Choices, exact: Mapping[Place, int], floor: Mapping[Place, int]) -> dict[Place, int] | None:
    """The legal key of the least sum of depths with these exact cuts, and no other cut shallower than its floor."""
    out: dict[Place, int] = {}
    for part in space.parts:
        found = _shallowest_of(part, exact, floor)
        if found is None:
            return None
        out |= found
    return out


def _shallowest_of(part: Part, exact: Mapping[Place, int], floor: Mapping[Place, int]) -> dict[Place, int] | None:
    never = np.iinfo(np.int64).max // 2
    after = np.zeros(1, np.int64)
    costs: list[NDArray[np.int64]] = []
    for layer in reversed(part):
        children = layer.children
        cost = np.where(children >= 0, after[children], never) + np.arange(children.shape[1])
        if layer.place in exact:
            other = np.arange(children.shape[1]) != exact[layer.place]
            cost[:, other] = never
        cost[:, : floor.get(layer.place, 0)] = never
        costs.append(cost)
        after = cost.min(axis=1)
    if after[0] >= never:
        return None
    node, out = 0, {}
    for layer, cost in zip(part, reversed(costs), strict=True):
        depth = int(cost[node].argmin())
        out[layer.place] = depth
        node = int(layer.children[node, depth])
    return out
