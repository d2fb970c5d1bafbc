"""What follows from the rules, proved by counting: clashes, rules that do nothing, depths that can't be used, advice.

Every claim is an exact count on the diagram. "X rejects nothing that the others allow" means that as many codes are legal
without X as with it; "these rules clash" means that together they leave no code at all, while every smaller set of the
file's sentences leaves some. Rules are taken by the sentence, as the file has them, however many tracks one speaks of.

A depth that can't stand at a cut is reported unless sentences about single cuts (`cut 1 is not 8 9`) say so themselves:
whoever means it can say it. In turn a sentence about a single cut that only says aloud what other rules bring about is
a note, not a fault.

All the counts together cost no more than some seconds. What isn't counted is claimed neither way, and a note says so.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import combinations
from math import comb
from typing import Literal

from attrs import field, frozen

from bitting.diagram import CodeSpace, Counter, Purse
from bitting.diagram.occurrence import Legal
from bitting.errors import TooLargeError
from bitting.linting.result import LintFinding
from bitting.model import Place, Rule, System
from bitting.rules import automaton, read_rule
from bitting.text import listed

MOST_TRIES = 5000
"""Sets of rules tried for the smallest clash; past it a clash is still one from which no rule can be left out."""
MOST_STEPS, MOST_CELLS = 1_500_000, 15_000_000
"""What all the counts together may cost (`Purse`): some seconds."""


@frozen(slots=False)
class Sentences:
    """The sentences of a system, obligatory ones first, with their rules, and how many codes any choice of them leaves."""

    system: System = field(repr=False)
    texts: tuple[str, ...]
    rules: tuple[tuple[Rule, ...], ...] = field(repr=False)
    counter: Counter = field(repr=False)

    @property
    def everything(self) -> frozenset[int]:
        """All the obligatory sentences."""
        return frozenset(range(len(self.system.must)))

    @property
    def advice(self) -> range:
        """The others."""
        return range(len(self.system.must), len(self.texts))

    def count(self, chosen: Collection[int], at: Sequence[tuple[Place, int]] = ()) -> int | None:
        """How many codes the chosen sentences leave, of those that have the given depths at the given places.

        None where the codes are too many-sided to hold at once, or more was counted before than there is time for.
        """
        rules = [rule for i in sorted(set(chosen)) for rule in self.rules[i]]
        try:
            return self.counter.count(rules, {place: (depth,) for place, depth in at})
        except TooLargeError:
            return None

    def alike(self, chosen: Collection[int], others: Collection[int]) -> bool | None:
        """Whether two choices of sentences, one of them within the other, leave the same codes; None where not counted."""
        one, other = self.count(chosen), self.count(others)
        return None if one is None or other is None else one == other

    def quoted(self, chosen: Collection[int]) -> str:
        """The sentences as they are told to people."""
        return listed([f"“{self.texts[i]}”" for i in sorted(chosen)])


def sentences_of(system: System, space: CodeSpace | None = None) -> Sentences:
    """The sentences of a system; `space` is its legal codes, where they are built already."""
    counter = Counter(system, Purse(MOST_STEPS, MOST_CELLS))
    if space is not None:
        counter.knows(space)
    rules = [read_rule(system, text, "must") for text in system.must]
    rules += [read_rule(system, text, "should") for text in system.should]
    return Sentences(system, (*system.must, *system.should), tuple(rules), counter)


def smallest_clash(
    sentences: Sentences, chosen: Collection[int], at: Sequence[tuple[Place, int]] = ()
) -> tuple[frozenset[int], Literal["smallest", "each needed", ""]]:
    """A set of the chosen sentences that leaves no code, and what is proved of it: that no smaller one does, or part of it.

    The chosen ones together must leave none. First sentences are left out one by one as long as none is legal still;
    that gives a set from which nothing can be left out. Then every smaller set is tried, by size.
    """
    kept, needed = set(chosen), True
    for i in sorted(chosen, reverse=True):
        without = sentences.count(kept - {i}, at)
        needed = needed and without is not None
        if without == 0:
            kept.discard(i)
    tries = sum(comb(len(chosen), size) for size in range(1, len(kept)))
    smallest = tries <= MOST_TRIES
    for size in range(1, len(kept) if smallest else 0):
        for some in combinations(sorted(chosen), size):
            count = sentences.count(some, at)
            if count is None:
                return frozenset(kept), "each needed" if needed else ""
            if count == 0:
                return frozenset(some), "smallest"
    return frozenset(kept), "smallest" if smallest else "each needed" if needed else ""


def contradiction(sentences: Sentences) -> LintFinding:
    """Why there is no legal code."""
    clash, proved = smallest_clash(sentences, sentences.everything)
    if len(clash) == 1:
        said = f"the rule {sentences.quoted(clash)} leaves no code by itself"
    else:
        rules = {
            "smallest": f"these {len(clash)} rules clash, and no fewer do",
            "each needed": "these rules clash, and each is needed",
            "": "these rules clash, perhaps fewer of them do",
        }
        said = f"{rules[proved]}: {sentences.quoted(clash)}"
    return LintFinding("contradiction", "error", f"no code is legal: {said}")


def idle_rules(sentences: Sentences) -> Iterator[LintFinding]:
    """Sentences that reject nothing that the others allow, and a note of those of which that isn't known."""
    everything = sentences.everything
    total = sentences.count(everything)
    same = {i: sentences.alike(everything - {i}, everything) for i in sorted(everything)}
    idle = [i for i, found in same.items() if found]
    for i in idle:
        others = everything - {i}
        level, why = "warning", "it rejects nothing even by itself"
        if not sentences.alike({i}, ()):
            cause = next((j for j in sorted(others) if sentences.alike({i, j}, {j})), None)
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
    if unknown := [i for i, found in same.items() if found is None]:
        message = (
            f"whether {sentences.quoted(unknown)} {'reject' if len(unknown) > 1 else 'rejects'} anything that the other "
            f"rules allow is not looked at: there is too much to count"
        )
        yield LintFinding("not-checked", "note", message)


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
    about = [rule for i in _about_one_cut(sentences) for rule in sentences.rules[i] if rule.lanes == (lane,)]
    return dead, [place for place in dead if not any(_barred(sentences.system, rule, place, depth) for rule in about)]


def _barred(system: System, rule: Rule, place: Place, depth: int) -> bool:
    """Whether a rule about single cuts rejects every code with a depth at a place."""
    made = automaton(rule, system)
    return made.step(made.start, 0, place.cut, depth) is None


def advice(sentences: Sentences, total: int) -> Iterator[LintFinding]:
    """Advice that every legal code follows, or none does; advice that no code can follow all at once; what isn't known."""
    must = sentences.everything
    followed = {i: sentences.count({*must, i}) for i in sentences.advice}
    for i, count in followed.items():
        text = sentences.texts[i]
        if count == 0:
            yield LintFinding("advice-never-kept", "warning", f"no legal code follows the advice “{text}”")
        elif count == total:
            said = f"every legal code follows the advice “{text}”, so it advises nothing"
            yield LintFinding("advice-always-kept", "warning", said)
    unknown = [i for i, count in followed.items() if count is None]
    if len(followed) > 1 and 0 not in followed.values() and not unknown:
        every = sentences.count({*must, *sentences.advice})
        if every == 0:
            yield LintFinding(
                "advice-clash", "warning", "each piece of advice can be followed, but no legal code follows all"
            )
        elif every is None:
            unknown = list(sentences.advice)
    if unknown:
        message = f"whether the advice {sentences.quoted(unknown)} can be followed is not looked at: there is too much to count"
        yield LintFinding("not-checked", "note", message)
