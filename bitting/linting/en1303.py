"""The code of a system against the key-code requirements of EN 1303, by grade. No certification.

The numbers are not from the standard itself: they are quoted from a German glossary page of the trade
("Verschlusssicherheit", table of grades 1 to 6, edition not named), which quotes EN 1303. How
the standard turns a percentage into a whole number of detainers was not seen; rounding down is assumed.

What is counted. A movable detainer is taken to be one cut of one list; a key with two tracks, or with two sides that
differ, has the cuts of all its lists. Identical steps and equal neighbours are judged within each list, which asks for
no less than judging the whole key: where no depth fills more than a share of each list, none fills more of all. A code
may be used for a grade when it keeps both limits, and the codes that do are counted exactly.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from math import floor, prod
from typing import Any

from attrs import frozen

from bitting.diagram import Counter, Purse
from bitting.diagram.occurrence import must
from bitting.diagram.space import coupled
from bitting.errors import TooLargeError
from bitting.linting.result import LintFinding
from bitting.linting.rules import MOST_CELLS, MOST_STEPS
from bitting.model import Rule, System
from bitting.model.value import Value
from bitting.rules import idle, read_rule

STANDING = (
    "numbers quoted from a secondary source, not read in EN 1303 itself; a comparison of the key code alone, "
    "and no certification"
)


MOST_COUNTS = 2000
"""Counts made for one grade; past it the codes that keep its limits are not counted."""


@frozen
class Grade:
    """What a grade asks of the key code; `most_equal` is the longest run of equal neighbours, None where any is."""

    grade: int
    differs: int
    detainers: int
    identical_percent: int
    most_equal: int | None

    def most_identical(self, cuts: int) -> int:
        """How often one depth may be used on a list of so many cuts."""
        return floor(self.identical_percent * cuts / 100)


GRADES = (
    # glossary page "Verschlusssicherheit", a secondary quotation of EN 1303; the standard itself was not read
    Grade(1, 100, 2, 100, None),
    Grade(2, 300, 3, 70, 2),
    Grade(3, 15_000, 5, 60, 2),
    Grade(4, 30_000, 5, 60, 2),
    Grade(5, 30_000, 6, 60, 2),
    Grade(6, 100_000, 6, 50, 2),
)


@frozen
class Graded(Value):
    """One grade against one system.

    `usable` are the legal codes that keep the grade's limits (None: too many-sided to count); `met`: there are enough of
    them, on enough detainers; `by_rules`: every legal code keeps the limits, so the rules alone see to it.
    """

    grade: int
    met: bool | None
    by_rules: bool | None
    differs_needed: int
    usable: int | None
    detainers_needed: int
    detainers: int
    most_identical: int
    most_equal: int | None


def grades(system: System, total: int) -> Iterator[Graded]:
    """Every grade against the `total` legal codes of a system."""
    detainers = sum(lane.track.cuts for lane in system.lanes)
    longest = max(lane.track.cuts for lane in system.lanes)
    counter = Counter(system, Purse(MOST_STEPS, MOST_CELLS))
    counted: dict[tuple[int, int | None], int | None] = {}
    for grade in GRADES:
        limits = grade.identical_percent, grade.most_equal  # which several grades share
        if limits not in counted:
            counted[limits] = _usable(counter, grade)
        usable = counted[limits]
        met = None if usable is None else usable >= grade.differs and detainers >= grade.detainers
        yield Graded(
            grade=grade.grade,
            met=met if detainers >= grade.detainers else False,
            by_rules=None if usable is None else usable == total,
            differs_needed=grade.differs,
            usable=usable,
            detainers_needed=grade.detainers,
            detainers=detainers,
            most_identical=grade.most_identical(longest),
            most_equal=grade.most_equal,
        )


def _overused(system: System, grade: Grade, lane: int) -> list[Rule]:
    """For each depth the rule that it is used more often on a lane than the grade allows."""
    here = system.lanes[lane]
    most = grade.most_identical(here.track.cuts)
    if most >= here.track.cuts:
        return []
    on = " ".join(filter(None, (here.side, here.track.name)))
    texts = (f"on {on}, depth '{label}' is used at least {most + 1} times" for label in here.track.labels)
    return [rule for text in texts for rule in read_rule(system, text, "must")]


def _usable(counter: Counter, grade: Grade) -> int | None:
    """How many legal codes keep a grade's limits: exact, by inclusion and exclusion; None where that is too much.

    No grade allows less than half, so on one lane at most one depth is overused: the codes that overuse none are all codes,
    less those that overuse a depth of one lane, plus those that overuse one on each of two lanes, and so on. That needs
    one counter a lane, where a rule about every depth would need one for each. Lanes that no rule couples are taken one
    after the other.
    """
    system = counter.system
    base = list(must(system))
    if grade.most_equal is not None:
        base += read_rule(system, f"no more than {grade.most_equal} equal cuts in a row", "must")
    base = [rule for rule in base if not idle(rule, system)]
    count = 1
    try:
        for lanes in coupled(len(system.lanes), base):
            over = [[None, *_overused(system, grade, lane)] for lane in lanes]
            if prod(map(len, over)) > MOST_COUNTS:
                return None
            chosen = [[rule for rule in choice if rule is not None] for choice in product(*over)]
            count *= sum((-1) ** len(rules) * counter.of(lanes, [*base, *rules]) for rules in chosen)
    except TooLargeError:
        return None
    return count


def report(system: System, total: int) -> tuple[list[LintFinding], dict[str, Any]]:
    """What the comparison is worth, one note a grade, and the figures."""
    findings = [LintFinding("en-1303", "note", f"EN 1303 by grade: {STANDING}")]
    figures = []
    for graded in grades(system, total):
        figures.append(graded.as_dict())
        findings.append(LintFinding("en-1303", "note", _said(graded, total)))
    return findings, {"standing": STANDING, "grades": figures}


def _said(graded: Graded, total: int) -> str:
    equal = "" if graded.most_equal is None else f", at most {graded.most_equal} equal neighbours"
    asks = (
        f"{graded.differs_needed:,} differs, {graded.detainers_needed} movable detainers, a step at most "
        f"{graded.most_identical} times{equal}"
    )
    if graded.usable is None:
        has = "the codes that keep these limits are too many-sided to count"
    elif graded.by_rules:
        has = f"all {total:,} legal codes keep these limits, on {graded.detainers} cuts"
    else:
        has = f"{graded.usable:,} of {total:,} legal codes keep these limits, on {graded.detainers} cuts"
    verdict = {True: "met", False: "not met", None: "open"}[graded.met]
    if graded.met and not graded.by_rules:
        verdict = "met if only those codes are used"
    return f"EN 1303 grade {graded.grade}, as quoted at second hand: {verdict} ({asks}): {has}"
