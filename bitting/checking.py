"""Is this code possible? Every fault of a code at once, with its place.

Three questions are kept apart. *Can it be read?* is `parse_code`, which raises. *Is it whole, of depths that the system
has?* and *do the rules allow it?* are answered here, as findings: all of them, none twice, and `legal` is one line on top.

One code needs no diagram: each rule looks at the cuts it speaks of.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from attrs import evolve, field, frozen

from bitting.errors import BittingError, Span
from bitting.model import Code, Cut, Finding, Place, Rule, System
from bitting.model.expect import expect
from bitting.model.value import Value
from bitting.rules import violations
from bitting.rules.builtin import all_of

Written = tuple[tuple[Cut, ...] | None, ...]
"""What was written for each lane of a system (`Code.lanes`)."""


@frozen
class Suggestion(Value):
    """A legal code that may have been meant: the slip in words, and its probability under the table of slips."""

    code: str
    change: str
    probability: float


@frozen
class Report(Value):
    """What `check` found. `legal` means that no `must` is broken; advice (`should`) never makes a code illegal."""

    derived: ClassVar = ("legal",)

    input: str = field(repr=False)
    system: str
    canonical: str | None = field(repr=False)
    findings: tuple[Finding, ...]
    suggestions: tuple[Suggestion, ...] = ()
    lock: str | None = None
    suggestions_note: str = ""
    """Why a wrong code has no suggestions, or that those it has are two slips away; else ""."""
    legal_slips: float | None = None
    """The share of single slips after which the code is legal still (see `legal_slips`); None: wrong, or not asked."""
    chance: float | None = None
    """The share of all codes of this shape that are legal in the system; None where it wasn't asked."""

    @property
    def legal(self) -> bool:
        """Whether a key of this code may be cut."""
        return not any(finding.level == "must" for finding in self.findings)


def check(code: Code, system: System | None = None, *, lock: str | None = None, suggest: bool = True) -> Report:
    """Every fault of a code. With `lock`, cuts which that lock doesn't read may be left open.

    `suggest` also asks what was meant by a wrong code, and how many slips nobody would notice in a right one.
    Raises `BittingError` for a lock that the system doesn't have, or a code that was read against another system.
    """
    expect(Code, code)
    system = code.system if system is None else system
    expect(System, system)
    if system != code.system:
        raise BittingError("the code was read against another system", hint="parse it with the system it is checked in")
    if lock is not None:
        expect(str, lock)
    unread = frozenset(unread_places(system, lock)) if lock else frozenset()
    findings = [*all_of(code, unread), *_rule_findings(code, system)]
    if lock and not any(f.level == "must" for f in findings):
        findings += _no_key(code, system)
    findings.sort(key=reading_order)
    report = Report(code.text, system.name, code.canonical, tuple(findings), lock=lock)
    if not suggest:
        return report
    if report.legal:
        return evolve(report, legal_slips=legal_slips(code))
    suggestions, note = _suggestions(code)
    return evolve(report, suggestions=suggestions, suggestions_note=note)


MOST_CUTS = 20_000
"""What may be tried for a line of the answer, in some tenths of a second; a shipped system has at most some 2,000."""


def legal_slips(code: Code) -> float | None:
    """Of all single slips in a legal code, the share that leaves a legal code, so that nobody would notice.

    A slip is one cut read as another depth, or two neighbouring cuts that differ exchanged; each counts the same. None
    for a code with open cuts, where no slip can be made, and where all of them have more than `MOST_CUTS` cuts together.
    """
    depths, system = code.depths, code.system
    slips = sum(lane.track.cuts * len(lane.track.labels) for lane in system.lanes)
    if depths is None or slips * sum(lane.track.cuts for lane in system.lanes) > MOST_CUTS:
        return None
    made = hidden = 0
    for lane, row in enumerate(depths):
        rules = [rule for rule in system.rules if rule.level == "must" and lane in rule.lanes]
        for other in _slips(row, len(system.lanes[lane].track.labels)):
            rows = [*depths[:lane], other, *depths[lane + 1 :]]
            made += 1
            hidden += not any(
                any(True for _ in violations(rule, system, [rows[i] for i in rule.lanes])) for rule in rules
            )
    return hidden / made if made else None


def _slips(row: tuple[int, ...], depths: int) -> Iterator[tuple[int, ...]]:
    for cut, depth in enumerate(row):
        for other in range(depths):
            if other != depth:
                yield (*row[:cut], other, *row[cut + 1 :])
        if cut and row[cut - 1] != depth:
            yield (*row[: cut - 1], depth, row[cut - 1], *row[cut + 1 :])


def reading_order(finding: Finding) -> tuple[bool, Span]:
    """Sorts findings as people read them: what makes the code illegal first, then by the place in the text."""
    return finding.level != "must", finding.span or (-1, -1)


def _suggestions(code: Code) -> tuple[tuple[Suggestion, ...], str]:
    """The five likeliest codes that may have been meant, or why there are none (see `bitting.repair`)."""
    from bitting.repair import nearest as nearest_codes  # numpy, only for a code that is wrong

    answer = nearest_codes(code, best=5)
    return tuple(Suggestion(n.code, n.change, n.probability) for n in answer.codes), answer.note


def read_places(system: System, lock: str) -> list[Place]:
    """The cuts that a lock reads, on every lane. Raises `BittingError` for a lock that the system doesn't have."""
    cuts = system.lock_cuts(lock)
    return [Place(i, cut) for i, lane in enumerate(system.lanes) for cut in cuts if cut < lane.track.cuts]


def unread_places(system: System, lock: str) -> list[Place]:
    """The cuts that a lock doesn't read."""
    read = set(read_places(system, lock))
    every = (Place(i, cut) for i, lane in enumerate(system.lanes) for cut in range(lane.track.cuts))
    return [place for place in every if place not in read]


def _rule_findings(code: Code, system: System) -> Iterator[Finding]:
    lanes = code.lanes
    rows = [tuple(cut.depth for cut in lane) if lane else () for lane in lanes]
    for rule in system.rules:
        for broken in violations(rule, system, [rows[lane] for lane in rule.lanes]):
            yield placed(lanes, system, rule, broken.places, broken.message)


def placed(written: Written, system: System, rule: Rule, own: tuple[Place, ...], message: str) -> Finding:
    """A violation as a finding: lanes of the system, cuts counted from 1, and the span from first cut to last.

    `written` are the code's lanes; the places of a violation count lanes within the rule's own.
    """
    places = tuple(Place(rule.lanes[p.lane], p.cut) for p in own)
    lanes = {p.lane for p in places} or set(rule.lanes)
    only = system.lanes[lanes.pop()] if len(lanes) == 1 else None
    cuts = tuple(sorted({p.cut + 1 for p in places}))
    side = only.side if only else None
    track = only.track.name if only else None
    return Finding(
        rule.identifier, rule.level, rule.sentence, side, track, cuts, _span(written, places), message, places
    )


def _span(written: Written, places: tuple[Place, ...]) -> Span | None:
    spans = [lane[p.cut].span for p in places if (lane := written[p.lane]) and p.cut < len(lane)]
    return (min(a for a, _ in spans), max(b for _, b in spans)) if spans else None


def _no_key(code: Code, system: System) -> list[Finding]:
    """With cuts left open: is there any whole key that carries the cuts given? Answered on the diagram, exactly."""
    from bitting.diagram import code_space  # numpy, only when a lock is named

    allowed = {Place(i, c): cut.depths for i, lane in enumerate(code.lanes) if lane for c, cut in enumerate(lane)}
    if code_space(system, allowed=allowed).count:
        return []
    message = "no whole key of this system carries these cuts, whatever the cuts left open are"
    return [Finding("unknown-cut", "must", "some legal key carries the cuts given", None, None, (), None, message)]
