"""What follows from the rules, proved by counting: clashes, rules that do nothing, depths that can't be used, advice.

Every claim is an exact count on the diagram. "X rejects nothing that the others allow" means that as many codes are legal
without X as with it; "these rules clash" means that together they leave no code at all, while every smaller set of the
file's sentences leaves some. Rules are taken by the sentence, as the file has them, however many tracks one speaks of.

A depth that can't stand at a cut is reported unless sentences about single cuts (`cut 1 is not 8 9`) say so themselves:
whoever means it can say it. In turn a sentence about a single cut that only says aloud what other rules bring about is
a note, not a fault.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import combinations
from math import comb

from attrs import field, frozen

from bitting.diagram import Allowed, code_space
from bitting.diagram.occurrence import Legal
from bitting.errors import TooLargeError
from bitting.linting.result import LintFinding
from bitting.model import Place, Rule, System
from bitting.rules import read_rule

MOST_TRIES = 5000
"""Sets of rules tried for the smallest clash; past it a clash is still one from which no rule can be left out."""


@frozen(slots=False)
class Sentences:
    """The `must` sentences of a system with their rules, and what any choice of them leaves.

    `count` answers None where the codes under a choice are too many-sided to hold at once.
    """

    system: System = field(repr=False)
    texts: tuple[str, ...]
    rules: tuple[tuple[Rule, ...], ...] = field(repr=False)
    known: dict[tuple[frozenset[int], tuple[tuple[Place, int], ...]], int | None] = field(factory=dict, repr=False)

    @property
    def everything(self) -> frozenset[int]:
        """All the sentences."""
        return frozenset(range(len(self.texts)))

    def count(self, chosen: Collection[int], at: Sequence[tuple[Place, int]] = ()) -> int | None:
        """How many codes the chosen sentences leave, of those that have the given depths at the given places."""
        key = frozenset(chosen), tuple(at)
        if key not in self.known:
            allowed: Allowed = {place: (depth,) for place, depth in at}
            rules = [rule for i in sorted(key[0]) for rule in self.rules[i]]
            try:
                self.known[key] = code_space(self.system, rules=rules, allowed=allowed).count
            except TooLargeError:
                self.known[key] = None
        return self.known[key]

    def quoted(self, chosen: Collection[int]) -> str:
        """The sentences as they are told to people."""
        return listed([f"“{self.texts[i]}”" for i in sorted(chosen)])


def sentences_of(system: System) -> Sentences:
    """The sentences of a system's `must` rules."""
    return Sentences(system, system.must, tuple(read_rule(system, text, "must") for text in system.must))


def listed(items: Sequence[str]) -> str:
    """`a, b and c`."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def smallest_clash(
    sentences: Sentences, chosen: Collection[int], at: Sequence[tuple[Place, int]] = ()
) -> tuple[frozenset[int], bool]:
    """The smallest set of the chosen sentences that leaves no code, and whether it is proved to be the smallest.

    The chosen ones together must leave none. First sentences are left out one by one as long as none is legal still;
    that gives a set from which nothing can be left out. Then every smaller set is tried, by size.
    """
    kept = set(chosen)
    for i in sorted(chosen, reverse=True):
        if sentences.count(kept - {i}, at) == 0:
            kept.discard(i)
    tries = sum(comb(len(chosen), size) for size in range(1, len(kept)))
    if tries > MOST_TRIES:
        return frozenset(kept), False
    sure = True
    for size in range(1, len(kept)):
        for some in combinations(sorted(chosen), size):
            count = sentences.count(some, at)
            if count == 0:
                return frozenset(some), sure
            sure = sure and count is not None
    return frozenset(kept), sure


def contradiction(sentences: Sentences) -> LintFinding:
    """Why there is no legal code."""
    clash, smallest = smallest_clash(sentences, sentences.everything)
    if len(clash) == 1:
        said = f"the rule {sentences.quoted(clash)} leaves no code by itself"
    else:
        size = (
            f"these {len(clash)} rules clash, and no fewer do" if smallest else "these rules clash, and each is needed"
        )
        said = f"{size}: {sentences.quoted(clash)}"
    return LintFinding("contradiction", "error", f"no code is legal: {said}")


def idle_rules(sentences: Sentences) -> Iterator[LintFinding]:
    """Sentences that reject nothing that the others allow."""
    everything = sentences.everything
    total = sentences.count(everything)
    idle = [i for i in sorted(everything) if sentences.count(everything - {i}) == total]
    for i in idle:
        others = everything - {i}
        alone = sentences.count({i}) == sentences.count(())
        level, why = "warning", "it rejects nothing even by itself"
        if not alone:
            cause = next((j for j in sorted(others) if sentences.count({j}) == sentences.count({i, j})), None)
            why = "it follows from " + (f"“{sentences.texts[cause]}”" if cause is not None else "the others together")
            if _says_aloud(sentences, i):
                level, why = "note", f"{why}; it may stand, as it says aloud what they bring about"
        mutual = [j for j in idle if j != i and sentences.count(others - {j}) != total]
        if mutual:
            why += f"; keep it if you leave out {sentences.quoted(mutual)}"
        message = (
            f"the rule “{sentences.texts[i]}” never rejects a code: {total:,} are legal with it and without it; {why}"
        )
        yield LintFinding("idle-rule", "note" if level == "note" else "warning", message)


def _about_one_cut(sentences: Sentences) -> frozenset[int]:
    return frozenset(
        i for i, rules in enumerate(sentences.rules) if all(r.identifier == "position-depths" for r in rules)
    )


def _says_aloud(sentences: Sentences, sentence: int) -> bool:
    """Whether it is about single cuts and the other sentences about single cuts don't say it already."""
    about = _about_one_cut(sentences)
    return sentence in about and sentences.count(about) != sentences.count(about - {sentence})


def unused_depths(sentences: Sentences, legal: Legal) -> Iterator[LintFinding]:
    """Depths that can't stand at a cut although no sentence about single cuts bars them there."""
    lanes = sentences.system.lanes
    found: dict[tuple[str, tuple[int, ...]], list[tuple[Place, int]]] = {}
    for i, lane in enumerate(lanes):
        for depth, label in enumerate(lane.track.labels):
            dead, unsaid = _dead(sentences, legal, i, depth)
            if len(dead) == lane.track.cuts:
                found.setdefault((label, ()), []).append(((unsaid or dead)[0], depth))
            elif unsaid:
                found.setdefault((label, tuple(place.cut for place in unsaid)), []).append((unsaid[0], depth))
    for (label, cuts), at in found.items():
        name = f" of {listed([lanes[place.lane].label for place, _ in at])}" if len(lanes) > 1 else ""
        if cuts:
            what = f"depth {label} can never stand at cut{'s' * (len(cuts) > 1)} {listed([str(c + 1) for c in cuts])}{name}"
        else:
            what = f"depth {label} is in the table{name} and no legal code uses it"
        clash, _ = smallest_clash(sentences, sentences.everything, at[:1])
        where = f" at cut {at[0][0].cut + 1}" if len(cuts) != 1 else ""
        why = f"{sentences.quoted(clash)} {'bar' if len(clash) > 1 else 'bars'} it{where}"
        yield LintFinding("unused-depth", "warning", f"{what}; {why}")


def _dead(sentences: Sentences, legal: Legal, lane: int, depth: int) -> tuple[list[Place], list[Place]]:
    """Where a depth can't stand on a lane; and those of the places of which no sentence about single cuts says so."""
    places = [Place(lane, cut) for cut in range(sentences.system.lanes[lane].track.cuts)]
    dead = [place for place in places if not legal.occurs(place)[depth]]
    about = _about_one_cut(sentences)
    return dead, [place for place in dead if sentences.count(about, [(place, depth)]) != 0]


def advice(sentences: Sentences, total: int) -> Iterator[LintFinding]:
    """Advice that every legal code follows, or none does; and advice that no code can follow all at once."""
    system = sentences.system
    must = [rule for rules in sentences.rules for rule in rules]
    followed: list[int | None] = []
    every: list[Rule] = []
    for text in system.should:
        rules = read_rule(system, text, "should")
        every += rules
        count = _count(system, [*must, *rules])
        followed.append(count)
        if count == 0:
            yield LintFinding("advice-never-kept", "warning", f"no legal code follows the advice “{text}”")
        elif count == total:
            said = f"every legal code follows the advice “{text}”, so it advises nothing"
            yield LintFinding("advice-always-kept", "warning", said)
    if len(followed) > 1 and 0 not in followed and None not in followed and _count(system, [*must, *every]) == 0:
        yield LintFinding(
            "advice-clash", "warning", "each piece of advice can be followed, but no legal code follows all"
        )


def _count(system: System, rules: Sequence[Rule]) -> int | None:
    try:
        return code_space(system, rules=rules).count
    except TooLargeError:
        return None
