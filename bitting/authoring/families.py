"""The rules that can be learned from codes: families of sentences, from the loosest to the tightest.

A family says one thing of one lane (or of two that face each other) with one number that can be tightened: `adjacent cuts
differ by at most 3`, `… 2`, `… 1`. Whoever breaks a loose member breaks every tighter one. Rules that bar single depths
or pairs are families of one member each, so that each has its own evidence; those that are proposed are put together
into one sentence when they are told (`merged`).

Not looked for, because there are too many of them for the evidence that codes can give: the kinds that `LEARNABLE` leaves
out, totals over the whole key; and `metal-left` where the file states no blade width.

>>> from bitting.systemfile import load_system
>>> found = families(load_system("wren"))
>>> found[0].kind, found[0].sentences[:2]
('step', ('a cut is at most 2 deeper than the cut before it', 'a cut is at most 1 deeper than the cut before it'))
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from attrs import frozen

from bitting.model import Lane, System

LEARNABLE = (
    "step", "adjacent-difference", "equal-run", "position-depths", "distinct-depths", "depth-uses", "spread", "changes",
    "distant-difference", "forbidden-pair", "rise-and-fall", "sum", "opposite-sum", "opposite-difference",
    "tracks-differ", "metal-left",
)  # fmt: skip
"""Kinds that are looked for, simplest first: of two rules that say the same, the one of the earlier kind is proposed."""


@frozen
class Family:
    """One thing that may be a rule. `sentences` run from the loosest to the tightest, without their `on LANE`.

    `lanes` are places in the system's lanes; `scope` is what `on …` says, "" where the sentence needs none. `about` and
    `item` put single depths together: families that share `about` differ in their `item` only.
    """

    kind: str
    lanes: tuple[int, ...]
    scope: str
    sentences: tuple[str, ...]
    about: str = ""
    item: str = ""

    def said(self, member: int) -> str:
        """The sentence of one member as a file has it."""
        return f"on {self.scope}, {self.sentences[member]}" if self.scope else self.sentences[member]


def families(system: System) -> tuple[Family, ...]:
    """Every family of a system, the simplest kinds first."""
    found: list[Family] = []
    for i, lane in enumerate(system.lanes):
        scope = lane.label if len(system.lanes) > 1 else ""
        found += (Family(kind, (i,), scope, tuple(said), about, item) for kind, said, about, item in _of_lane(lane))
    found += _of_pairs(system)
    return tuple(sorted((f for f in found if f.sentences), key=lambda family: LEARNABLE.index(family.kind)))


_Said = tuple[str, Iterable[str], str, str]


def _of_lane(lane: Lane) -> Iterator[_Said]:
    """(kind, sentences, about, item) for everything that can be said of one lane alone."""
    labels, cuts = [quoted(label) for label in lane.track.labels], lane.track.cuts
    yield from _alone(labels, cuts)
    for way in ("deeper", "shallower"):
        yield "step", _down(f"a cut is at most {{}} {way} than the cut before it", len(labels) - 2, 0), "", ""
        yield "rise-and-fall", _down(f"no more than {{}} cuts in a row get {way}", cuts - 1, 1), "", ""
    yield "rise-and-fall", _up("cuts change direction at least {} times", 1, cuts - 2), "", ""
    for label in labels:
        for cut in range(cuts):
            yield "position-depths", (f"{cut_words(cut, cuts)} is not {label}",), cut_words(cut, cuts), label
        for after in labels:
            yield "forbidden-pair", (f"{label} is never followed by {after}",), f"{label} is never followed by", after
        yield "depth-uses", _down(f"depth {label} is used at most {{}} times", cuts - 1, 1), "", ""
        yield "depth-uses", _up(f"depth {label} is used at least {{}} times", 1, cuts), "", ""
    for label in labels[1:-1]:
        yield "depth-uses", _up(f"at least {{}} cuts are {label} or deeper", 1, cuts), "", ""
        yield "depth-uses", _down(f"at most {{}} cuts are {label} or deeper", cuts - 1, 1), "", ""
    if lane.track.numbers is not None:
        low, high = min(lane.track.numbers) * cuts, max(lane.track.numbers) * cuts
        yield "sum", ("the sum of cuts is even",), "", ""
        yield "sum", ("the sum of cuts is odd",), "", ""
        yield "sum", _up(f"the sum of cuts is between {{}} and {high}", low + 1, high), "", ""
        yield "sum", _down(f"the sum of cuts is between {low} and {{}}", high - 1, low), "", ""


def _alone(labels: Sequence[str], cuts: int) -> Iterator[_Said]:
    """What is said of a lane's row of cuts as a whole."""
    most = len(labels) - 1
    yield "adjacent-difference", _down("adjacent cuts differ by at most {}", most - 1, 1), "", ""
    yield "adjacent-difference", _up("adjacent cuts differ by at least {}", 1, most), "", ""
    yield "adjacent-difference", ("adjacent cuts differ by an even amount",), "", ""
    yield "adjacent-difference", ("adjacent cuts differ by an odd amount",), "", ""
    yield "equal-run", _down("no more than {} equal cuts in a row", cuts - 1, 1), "", ""
    yield "distinct-depths", _up("at least {} different depths", 2, min(len(labels), cuts)), "", ""
    yield "distinct-depths", _down("at most {} different depths", min(len(labels), cuts) - 1, 2), "", ""
    yield "depth-uses", _down("no depth is used more than {} times", cuts - 1, -(-cuts // len(labels))), "", ""
    yield "spread", _up("the deepest and the shallowest cut differ by at least {}", 1, most), "", ""
    yield "spread", _down("the deepest and the shallowest cut differ by at most {}", most - 1, 1), "", ""
    yield "changes", _up("the depth changes at least {} times", 1, cuts - 1), "", ""
    yield "changes", _down("the depth changes at most {} times", cuts - 2, 1), "", ""
    if cuts > 2:
        yield "distant-difference", _down("cuts 2 apart differ by at most {}", most - 1, 1), "", ""


def _of_pairs(system: System) -> Iterator[Family]:
    """Families about two lanes that face each other: tracks of one side, or one track's two sides."""
    for i, one in enumerate(system.lanes):
        for j in range(i + 1, len(system.lanes)):
            other = system.lanes[j]
            if one.side == other.side:
                a, b, scope = one.track.name, other.track.name, one.side or ""
            elif one.track.name == other.track.name and one.side and other.side:
                a, b, scope = one.side, other.side, one.track.name if len(system.tracks) > 1 else ""
            else:
                continue
            for kind, sentences in _facing(system, one, other, f"{a} and {b}"):
                yield Family(kind, (i, j), scope, tuple(sentences))


def _facing(system: System, one: Lane, other: Lane, pair: str) -> Iterator[tuple[str, Iterable[str]]]:
    """(kind, sentences) about two lanes."""
    numbers = one.track.numbers, other.track.numbers
    if numbers[0] and numbers[1]:
        low, high = min(numbers[0]) + min(numbers[1]), max(numbers[0]) + max(numbers[1])
        yield "opposite-sum", _down(f"{pair} add up to at most {{}} at every cut", high - 1, low)
        yield "opposite-sum", _up(f"{pair} add up to at least {{}} at every cut", low + 1, high)
    most = max(len(one.track.labels), len(other.track.labels)) - 1
    yield "opposite-difference", _down(f"{pair} differ by at most {{}} at every cut", most - 1, 0)
    yield "opposite-difference", _up(f"{pair} differ by at least {{}} at every cut", 1, most)
    if one.track.labels == other.track.labels and one.track.cuts == other.track.cuts:
        yield "tracks-differ", (f"{pair} are not the same",)
    width = system.blade.width
    if width is not None and one.track.milling == other.track.milling != "internal":
        webs = [a + b - width for a in _far_edges(one, width) for b in _far_edges(other, width)]
        step = 0.1 if system.unit == "mm" else 0.004
        first, last = math.floor(max(min(webs), 0.0) / step) + 1, math.floor(max(webs) / step + 1e-9)
        least = [round(n * step, 3) for n in range(first, last + 1)]
        yield "metal-left", (f"at least {web:g} stands between {pair}" for web in least)


def _far_edges(lane: Lane, width: float) -> list[float]:
    return [lane.track.far_edge(depth, width) for depth in range(len(lane.track.labels))]


def _down(words: str, high: int, low: int) -> Iterator[str]:
    return (_fill(words, n) for n in range(high, low - 1, -1))


def _up(words: str, low: int, high: int) -> Iterator[str]:
    return (_fill(words, n) for n in range(low, high + 1))


_ONE = (("1 times", "1 time"), ("1 cuts are", "1 cut is"), ("1 cuts", "1 cut"), ("1 equal cuts", "1 equal cut"))


def _fill(words: str, n: int) -> str:
    """A sentence with its number."""
    said = words.format(n)
    for many, one in _ONE if n == 1 else ():
        said = said.replace(many, one)
    return said


def cut_words(cut: int, cuts: int) -> str:
    """A cut as sentences name it; `cut` counts from 0."""
    return "first cut" if cut == 0 else "last cut" if cut == cuts - 1 else f"cut {cut + 1}"


def quoted(label: str) -> str:
    """A depth label as a sentence has it: quoted where it might be taken for a word."""
    return label if label.isdigit() or (len(label) == 1 and label.isupper()) else f"'{label}'"


def merged(system: System, chosen: Sequence[tuple[Family, int]]) -> list[tuple[str, tuple[int, ...]]]:
    """The chosen members as few sentences, each with the places (in `chosen`) of the members it holds.

    Single depths barred at one cut become one sentence, and what holds of every lane loses its `on LANE`.
    """
    parts: list[tuple[str, str, tuple[int, ...]]] = []  # scope, sentence, members
    single = [i for i, (family, _) in enumerate(chosen) if family.about]
    key = [(chosen[i][0].kind, chosen[i][0].scope, chosen[i][0].about) for i in single]
    for (kind, scope, about), group in groupby(sorted(zip(key, single, strict=True)), lambda pair: pair[0]):
        members = tuple(i for _, i in group)
        parts.append((scope, _listed(system, kind, about, [chosen[i][0] for i in members]), members))
    for i, (family, member) in enumerate(chosen):
        if not family.about:
            parts.append((family.scope, family.sentences[member], (i,)))
    scopes = {lane.label for lane in system.lanes}
    result: list[tuple[str, tuple[int, ...]]] = []
    for sentence in dict.fromkeys(part[1] for part in parts):
        said = [part for part in parts if part[1] == sentence]
        if len(scopes) > 1 and {part[0] for part in said} == scopes:
            result.append((sentence, tuple(i for part in said for i in part[2])))
        else:
            result += [(f"on {scope}, {sentence}" if scope else sentence, members) for scope, _, members in said]
    return sorted(result, key=lambda pair: min(pair[1]))


def _listed(system: System, kind: str, about: str, group: Sequence[Family]) -> str:
    """One sentence for several single depths: what is barred, or what is left, whichever is shorter."""
    barred = [family.item for family in group]
    if kind == "position-depths":
        every = [quoted(label) for label in system.lanes[group[0].lanes[0]].track.labels]
        left = [label for label in every if label not in barred]
        if 0 < len(left) < len(barred):
            return f"{about} is one of {' '.join(left)}"
        return f"{about} is not {' '.join(barred)}"
    return f"{about} {' '.join(barred)}"
