"""How a check looks on a terminal: the answer first, then the blade, then every fault with a caret under its cuts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bitting.checking import Report, read_places
from bitting.errors import point_at
from bitting.model import Code, Finding, Place, System
from bitting.notation import plain
from bitting.notation.hints import no_cuts
from bitting.report.blocks import blade_blocks
from bitting.report.table import Line, wrapped
from bitting.text import listed, percent, plural

ONE_SLIP = "if one slip was made, this was meant (how often people make which slip is assumed):"
REST_TOLD = 0.001
"""Probability from which it is told that none of the suggestions was meant."""
ASK_BACK = "read it back before you cut: where two slips were made, it is another code"
GOOD, BAD, ADVICE = "green", "red", "yellow"


def render(code: Code, report: Report, columns: int, plain_text: bool, *, meant: bool = False) -> Iterator[Line]:
    """Lines of the answer with the colour that a terminal may give them (None: no colour); of its faults none where it is
    certain what was meant."""
    faults = [f for f in report.findings if f.level == "must"]
    advice = [f for f in report.findings if f.level == "should"]
    read = set(read_places(code.system, report.lock)) if report.lock else set()
    unread = bool(report.lock and faults) and all(fault.places and not read & set(fault.places) for fault in faults)
    place = f"{report.system}, as the {report.lock} lock reads it" if report.lock and not unread else report.system
    if report.legal:
        yield f"legal in {place}: {code.plain}", GOOD
    elif meant:
        yield f"NOT a code of {place} as it is written", BAD
    else:
        yield f"NOT legal in {place}: {plural(len(faults), 'fault')}", BAD
        if unread:
            yield f"(in cuts that the {report.lock} lock doesn't read: write ? for those to leave them out)", None
        if report.canonical is not None:
            yield f"read as {code.plain}", None
    if meant:
        return
    if faults and no_cuts(code):
        yield faults[0].message, BAD
        return
    marks = {place for finding in faults for place in finding.places}
    placed = all(written.track is not None for written in code.written)
    if placed and (picture := blade_blocks(code, marks, columns=columns - 2, plain=plain_text)):
        yield "", None
        yield from ((f"  {line}", None) for line in picture)
    for finding in (*faults, *advice):
        yield "", None
        yield from _finding(code.text, finding, code.system)
    if report.legal_slips:
        yield "", None
        share = percent(report.legal_slips)
        kinds = "of all slips in one cut and swaps of two neighbours"
        yield f"if it came by phone, read it back: {kinds} {share} would have been a legal code too", None
    if again := _ask_again(faults, code.system):
        yield "", None
        yield f"faults apart may be slips apart: ask again for {again}", None
    yield from _suggestions(report, code.system, columns)


def _ask_again(faults: Sequence[Finding], system: System) -> str:
    """The cuts of faults that share none, where there are several such groups: more than one cut was probably said wrong."""
    groups: list[set[Place]] = []
    for places in (set(finding.places) for finding in faults):
        near = [group for group in groups if group & places]
        groups = [*(group for group in groups if not group & places), places.union(*near)]
    if len(groups) < 2 or not all(groups):
        return ""
    words = []
    for group in sorted(groups, key=lambda group: min((p.lane, p.cut) for p in group)):
        for lane in sorted({place.lane for place in group}):
            cuts = [place.cut + 1 for place in sorted(group, key=lambda p: p.cut) if place.lane == lane]
            name = f"{system.lanes[lane].label} " if len(system.lanes) > 1 else ""
            said = f"{name}cut{'s' if len(cuts) > 1 else ''} {listed(cuts)}"
            words.append(f"all of {name.strip()}" if len(cuts) == system.lanes[lane].track.cuts else said)
    return ", ".join(words)


def render_systems(text: str, rows: Sequence[tuple[System, Report | None, str]]) -> Iterator[Line]:
    """A code in several systems, a line each: where it is legal, and else why it is not."""
    legal = [(system, report) for system, report, _ in rows if report is not None and report.legal]
    lines = text.split("\n")
    yield f"{' / '.join(lines)}: legal in {len(legal)} of {len(rows)} systems", GOOD if legal else BAD
    width = max(len(system.name) for system, *_ in rows)
    for system, report in legal:
        yield f"  {system.name:<{width}}  legal; of all codes of its shape {percent(report.chance or 0)} are", GOOD
    for system, answer, fault in rows:
        if answer is None or not answer.legal:
            yield f"  {system.name:<{width}}  {fault if answer is None else _first_fault(answer, system)}", None


def _first_fault(report: Report, system: System) -> str:
    faults = [finding for finding in report.findings if finding.level == "must"]
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return f"{where(faults[0], system)}{faults[0].message}{more}"


def _suggestions(report: Report, system: System, columns: int) -> Iterator[Line]:
    """What may have been meant, or why nothing is suggested; the slip goes below the code where the line is too long."""
    if report.suggestions_note:
        yield "", None
        yield report.suggestions_note, None
    if not report.suggestions:
        return
    yield "", None
    two = bool(report.suggestions_note)
    if not two:
        yield from wrapped("", ONE_SLIP, columns, None)
    codes = [plain(suggestion.code, system) for suggestion in report.suggestions]
    width = max(map(len, codes))
    beside = all(10 + width + 2 + len(suggestion.change) <= columns for suggestion in report.suggestions)
    for suggestion, code in zip(report.suggestions, codes, strict=True):
        chance = f"  {'' if two else percent(suggestion.probability):>6}  "
        if beside:
            yield f"{chance}{code:<{width}}  {suggestion.change}", None
        else:
            yield f"{chance}{code}", None
            yield f"{'':10}{suggestion.change}", None
    left = 1 - sum(suggestion.probability for suggestion in report.suggestions)
    if not two and left >= REST_TOLD:
        yield f"  {percent(left):>6}  none of these", None
    again = "ask for the code again: there are more ways to two slips" if two else ASK_BACK
    yield from wrapped("", again, columns, None)


def _finding(text: str, finding: Finding, system: System) -> Iterator[Line]:
    kind = "fault" if finding.level == "must" else "advice"
    yield f"{kind}: {where(finding, system)}{finding.message}", BAD if finding.level == "must" else ADVICE
    if finding.span is not None:
        yield from ((line, None) for line in point_at(text, [finding.span]).split("\n"))
    yield f"    {finding.rule}: {finding.sentence}", None


def where(finding: Finding, system: System) -> str:
    """`left: ` in front of a message that doesn't name its track itself."""
    names = [name for name in (finding.side, finding.track) if name]
    if not names or all(name in finding.message for name in names):
        return ""
    name = system.called(finding.side, finding.track)
    return "" if finding.message.startswith(name) else f"{name}: "
