"""Learning rules: which rules do codes known to be good follow that nobody told them to?

Every family of rules (see `families`) is taken at the tightest member that the codes bear. The member with the strongest
evidence is taken first, and the next is weighed as if the first were a rule already, and so on; then each is weighed once
more as if all the others were rules, and whatever they explain as well is left out. So a rule that follows from others is
never proposed, and one that nearly follows needs evidence of its own. A member is weighed against the next looser one
of its family: that adjacent cuts differ by at most 2 is shown by what is missing where they may differ by 3.

What is assumed: the codes were drawn independently, each legal code as likely as any other, and different rows of the same
code count once. What depends on a kind of rule that isn't looked for can't be explained, and may show as a rule
of another kind.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from functools import cache
from typing import Any

from attrs import define, field, frozen

from bitting.authoring.evidence import LIMIT, Evidence, most_breaking
from bitting.authoring.families import Family, families, merged
from bitting.diagram import Counter
from bitting.errors import BittingError, TooLargeError
from bitting.model import Depths, Rule, System
from bitting.rules import automaton, read_rule
from bitting.rules.base import in_turn

ROUNDS = 5
"""Times that the choice is gone over; it settles in two or three."""


@frozen
class LearnedRule:
    """One sentence with its evidence, the weakest of what it is made of. `breaking` are the rows that break it.

    `proposed`: past the limit; `more`: how many more codes would settle it where it isn't (None: no number of codes would).
    """

    kind: str
    sentence: str
    evidence: Evidence = field(repr=False)
    proposed: bool
    more: int | None
    breaking: tuple[int, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The JSON of one rule; `evidence` is the corrected chance."""
        found = self.evidence
        return {
            "sentence": self.sentence,
            "evidence": found.corrected,
            "proposed": self.proposed,
            "rule": self.kind,
            "chance": found.chance,
            "with": found.kept,
            "without": found.out_of,
            "codes": found.codes,
            "breaking": found.breaking,
            "more_codes": self.more,
        }


@frozen
class Learned:
    """What codes say of a system. `bad` are rows that can't be good: unreadable, or against a rule kept or proposed.

    `rules` are the proposed ones first, then the open ones, the nearest to being settled first. `codes` is how many
    different codes were weighed, `tried` the number of rules that were tried, `kept` the file's own rules.
    """

    system: str
    codes: int
    repeated: int
    tried: int
    rules: tuple[LearnedRule, ...]
    bad: tuple[tuple[int, str], ...]
    kept: tuple[str, ...] = ()
    before: int = 0
    after: int = 0

    @property
    def proposed(self) -> tuple[LearnedRule, ...]:
        return tuple(rule for rule in self.rules if rule.proposed)

    def as_dict(self) -> dict[str, Any]:
        """The JSON of `systems learn`."""
        return {
            "system": self.system,
            "codes": self.codes,
            "repeated": self.repeated,
            "tried": self.tried,
            "limit": LIMIT,
            "rules": [rule.as_dict() for rule in self.rules],
            "bad": [row for row, _ in self.bad],
            "why": {str(row): why for row, why in self.bad},
            "kept": list(self.kept),
            "legal_before": self.before,
            "legal_after": self.after,
        }


@define
class _Learner:
    """One run. `codes` are the different codes that keep the file's own rules; `rows` the rows that hold each."""

    system: System
    kept: tuple[Rule, ...]
    codes: Sequence[Depths]
    bad: float
    families: tuple[Family, ...] = field(init=False)
    counter: Counter = field(init=False)
    tried: int = field(init=False)
    bearable: int = field(init=False)
    bound: dict[str, tuple[Rule, ...]] = field(factory=dict)
    broken: dict[tuple[str, int], frozenset[int] | None] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        self.families, self.counter = families(self.system), Counter(self.system)
        self.tried = sum(len(family.sentences) for family in self.families)
        self.bearable = most_breaking(len(self.codes), self.bad)

    def rules(self, family: Family, member: int) -> tuple[Rule, ...]:
        """The rules of one member; those looser than the loosest are none."""
        if member < 0:
            return ()
        said = family.said(member)
        if said not in self.bound:
            self.bound[said] = read_rule(self.system, said, "must")
        return self.bound[said]

    def breaking(self, family: Family, member: int) -> frozenset[int] | None:
        """The codes that break a member, None where they are more than the share of bad codes can account for."""
        key = family.said(member), member
        if key not in self.broken:
            rules, found = self.rules(family, member), set[int]()
            breaks = [_breaks(rule, self.system) for rule in rules]
            for number, depths in enumerate(self.codes):
                if any(breaking(depths) for breaking in breaks):
                    found.add(number)
                    if len(found) > self.bearable:
                        break
            self.broken[key] = frozenset(found) if len(found) <= self.bearable else None
        return self.broken[key]

    def tightest(self, family: Family) -> int:
        """The tightest member that the codes bear; -1 where they bear none."""
        members = range(len(family.sentences))  # nested: whoever bears one bears all looser ones
        return bisect_left(members, True, key=lambda member: self.breaking(family, member) is None) - 1

    def weigh(self, family: Family, member: int, looser: int, others: Sequence[Rule]) -> Evidence:
        """The evidence of a member over a looser one (-1: over no rule at all), others being rules."""
        breaking = self.breaking(family, member)
        return Evidence(
            self.counter.count([*others, *self.rules(family, member)]),
            self.counter.count([*others, *self.rules(family, looser)]),
            len(self.codes),
            len(breaking or ()),
            self.tried,
            self.bad,
        )

    def settle(self, family: Family, others: Sequence[Rule]) -> tuple[int, Evidence, Evidence] | None:
        """The tightest member with enough evidence, over the next looser one and over none; None where there is none."""
        with suppress(TooLargeError):
            for member in range(self.tightest(family), -1, -1):
                over_none = self.weigh(family, member, -1, others)
                if not over_none.enough:
                    return None  # a step can't be surer than all steps together, and looser members are less sure still
                over_next = self.weigh(family, member, member - 1, others)
                if over_next.enough:
                    return member, over_next, over_none
        return None

    def choose(self, progress: Callable[[str], None]) -> list[tuple[Family, int]]:
        """The members that are rules, by taking the strongest first and leaving out what the others explain."""
        borne = [family for family in self.families if self.tightest(family) >= 0]
        chosen: list[tuple[Family, int]] = []
        for _ in range(ROUNDS):
            before = list(chosen)
            progress("the strongest first")
            chosen = self._forward(borne, chosen)
            progress("what the others explain")
            chosen = self._backward(chosen)
            if {family.said(member) for family, member in chosen} == {f.said(m) for f, m in before}:
                break
        return chosen

    def _forward(self, borne: Sequence[Family], chosen: list[tuple[Family, int]]) -> list[tuple[Family, int]]:
        ranked = []
        rules = self.all_rules(chosen)
        taken = {id(family) for family, _ in chosen}
        for order, family in enumerate(borne):
            if id(family) not in taken and (found := self.settle(family, rules)):
                ranked.append((found[2].logarithm, order, family))
        for _, _, family in sorted(ranked, key=lambda item: item[:2]):
            found = self.settle(family, self.all_rules(chosen))
            if found is not None and len(self.any_broken([*chosen, (family, found[0])])) <= self.bearable:
                chosen = [*chosen, (family, found[0])]
        return chosen

    def _backward(self, chosen: list[tuple[Family, int]]) -> list[tuple[Family, int]]:
        """Leave out, the weakest first, what isn't shown beside all the others; a member may become looser."""
        while chosen:
            weak: list[tuple[float, int]] = []
            for i, (family, member) in enumerate(chosen):
                others = self.all_rules([*chosen[:i], *chosen[i + 1 :]])
                found = self.settle(family, others)
                if found is None:
                    weak.append((self.weigh(family, member, member - 1, others).logarithm, i))
                elif found[0] != member:
                    chosen[i] = family, found[0]
            if not weak:
                break
            chosen.pop(max(weak)[1])
        return chosen

    def any_broken(self, chosen: Iterable[tuple[Family, int]]) -> frozenset[int]:
        return frozenset[int]().union(*(self.breaking(family, member) or () for family, member in chosen))

    def all_rules(self, chosen: Iterable[tuple[Family, int]]) -> list[Rule]:
        """The file's own rules and those of the members."""
        return [*self.kept, *(rule for family, member in chosen for rule in self.rules(family, member))]

    def open(self, chosen: Sequence[tuple[Family, int]]) -> list[tuple[Family, int, Evidence]]:
        """What the codes bear, neither shown nor implied by the chosen."""
        rules = self.all_rules(chosen)
        taken = {id(family): member for family, member in chosen}
        found = []
        for family in self.families:
            member = self.tightest(family)
            if member < 0 or member == taken.get(id(family)):
                continue
            try:
                evidence = self.weigh(family, member, member - 1, rules)
            except TooLargeError:
                continue
            if 0 < evidence.kept < evidence.out_of:
                found.append((family, member, evidence))
        return found


def learn(
    system: System,
    codes: Sequence[tuple[int, Depths]],
    *,
    bad: float = 0.0,
    unusable: Sequence[tuple[int, str]] = (),
    progress: Callable[[str], None] = lambda stage: None,  # noqa: ARG005
) -> Learned:
    """The rules that codes known to be good follow; the file's own rules are kept and taken as given.

    `codes` are (row, depths) with a place for every cut of every lane; `bad` is the share of them that may be wrong;
    `unusable` are rows that hold no whole code, with the reason. Raises `BittingError` where nothing is left to learn from.
    """
    if not 0 <= bad < 0.5:
        raise BittingError(f"a share of {bad:g} bad codes tells nothing", hint="name one from 0 to less than 0.5")
    kept = tuple(rule for rule in system.rules if rule.level == "must")
    rows, against = _grouped(system, kept, codes)
    wrong = [*unusable, *against]
    if not rows:
        raise BittingError(
            "no row holds a whole code that the file allows", hint="name the column of codes with --column"
        )
    learner = _Learner(system, kept, tuple(rows), bad)
    chosen = learner.choose(progress)
    progress("what is open")
    rules = _told(learner, chosen, list(rows.values()))
    for rule in rules:
        wrong += ((row, f"against: {rule.sentence}") for row in rule.breaking if rule.proposed)
    count = learner.counter.count
    return Learned(
        system.name,
        len(rows),
        sum(len(same) - 1 for same in rows.values()),
        learner.tried,
        tuple(rules),
        tuple(sorted(dict(reversed(wrong)).items())),
        tuple(dict.fromkeys(rule.sentence for rule in kept)),
        count(kept),
        count(learner.all_rules(chosen)),
    )


def _grouped(
    system: System, kept: Sequence[Rule], codes: Sequence[tuple[int, Depths]]
) -> tuple[dict[Depths, list[int]], list[tuple[int, str]]]:
    """The rows of each different code that keeps the file's own rules, and the other rows with the rule they break."""
    rows: dict[Depths, list[int]] = {}
    wrong: list[tuple[int, str]] = []
    own = [(rule, _breaks(rule, system)) for rule in kept]
    for row, depths in codes:
        if broken := [rule for rule, breaks in own if breaks(depths)]:
            wrong.append((row, f"against the file's own rule: {broken[0].sentence}"))
        else:
            rows.setdefault(depths, []).append(row)
    return rows, wrong


def _told(learner: _Learner, chosen: Sequence[tuple[Family, int]], rows: Sequence[Sequence[int]]) -> list[LearnedRule]:
    """The chosen members as sentences with the evidence of each beside all the others, then what is open."""
    each = []
    for i, (family, member) in enumerate(chosen):
        others = learner.all_rules([*chosen[:i], *chosen[i + 1 :]])
        each.append(learner.weigh(family, member, member - 1, others))
    told = []
    for sentence, members in merged(learner.system, chosen):
        weakest = max((each[i] for i in members), key=lambda evidence: evidence.logarithm)
        numbers = learner.any_broken(chosen[i] for i in members)
        breaking = tuple(sorted(row for number in numbers for row in rows[number]))
        told.append(LearnedRule(chosen[members[0]][0].kind, sentence, weakest, True, 0, breaking))
    waiting = [
        LearnedRule(family.kind, family.said(member), evidence, False, evidence.more)
        for family, member, evidence in learner.open(chosen)
    ]
    return told + sorted(waiting, key=lambda rule: (rule.more is None, rule.more or 0))


def _breaks(rule: Rule, system: System) -> Callable[[Depths], bool]:
    """Whether a code breaks one rule, for many codes: by its automaton, with every step that was taken remembered."""
    made = automaton(rule, system)
    step = cache(made.step)
    turns = in_turn([system.lanes[lane].track.cuts for lane in rule.lanes])
    places = [(i, rule.lanes[i], cut) for i, cut in turns]

    def breaks(depths: Depths) -> bool:
        state: Any = made.start
        for i, lane, cut in places:
            state = step(state, i, cut, depths[lane][cut])
            if state is None:
                return True
        return False

    return breaks
