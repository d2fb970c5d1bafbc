"""The lint itself: every check in turn, the findings in order of gravity.

The rules come first. Where no code is legal, or the codes can't be held at once, nothing can be said of what occurs in
legal codes, and only the checks of the file's own figures are run. A check whose figures the file doesn't state is not
run, and one note says which line to add.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from bitting.diagram import code_space
from bitting.diagram.occurrence import Legal
from bitting.errors import TooLargeError
from bitting.linting import en1303 as standard
from bitting.linting import metal, reach, readout, rules, table
from bitting.linting.facts import Check, Facts
from bitting.linting.result import CODES, Linted, LintFinding
from bitting.model import System
from bitting.model.expect import expect
from bitting.text import listed, percent

CHECKS = (*table.CHECKS, *reach.CHECKS, *metal.CHECKS)

_ORDER = {level: i for i, level in enumerate(("error", "warning", "note"))}
_RANK = {code: i for i, code in enumerate(CODES)}


def lint(system: System, *, en1303: bool = False, progress: Callable[[str], None] = lambda stage: None) -> Linted:  # noqa: ARG005
    """Everything that can be found wrong with a system, each proved; `en1303` adds a comparison by grade.

    Takes the time of a few counts of the code space: one per rule, more where rules clash; what would take more than some
    seconds is not looked at, and a note says so. `progress` is told, in words, what is being worked on.
    """
    expect(System, system)
    findings: list[LintFinding] = []
    figures: dict[str, Any] = {}
    legal = _legal(system, findings, progress)
    if legal is not None:
        progress("slips in reading out")
        slips = readout.unnoticed(legal.space)
        if slips is None:
            findings.append(
                LintFinding("not-checked", "note", "for so many cuts and depths, slips in reading out are not counted")
            )
        else:
            findings.append(LintFinding("read-out", "note", _slips_said(slips)))
            figures["read_out"] = slips.as_dict()
        if en1303:
            progress("the grades of EN 1303")
            graded, figures["en_1303"] = standard.report(system, legal.space.count)
            findings += graded
    progress("what stands and what the cutter leaves")
    findings += _checked(Facts(system, legal))
    findings.sort(key=lambda finding: (_ORDER[finding.level], _RANK[finding.code]))
    return Linted(system.name, tuple(findings), figures)


def errors_of(system: System) -> tuple[LintFinding, ...]:
    """The errors alone, which every command tells before its answer; nothing else is worked out."""
    found: list[LintFinding] = []
    try:
        space = code_space(system)
    except TooLargeError:
        legal = None
    else:
        legal = Legal(system, space) if space.count else None
        found += [] if legal else [rules.contradiction(rules.sentences_of(system))]
    found += _checked(Facts(system, legal), [check for check in CHECKS if check.stops])
    return tuple(sorted((one for one in found if one.level == "error"), key=lambda finding: _RANK[finding.code]))


def _legal(system: System, findings: list[LintFinding], progress: Callable[[str], None]) -> Legal | None:
    """The legal codes, and what is wrong with the rules; None where there are no codes to ask about."""
    progress("all legal codes")
    try:
        space = code_space(system)
    except TooLargeError as fault:
        message = f"{fault.message}; nothing about the legal codes is proved"
        findings.append(LintFinding("too-large", "warning", message))
        return None
    sentences = rules.sentences_of(system, space)
    if space.count == 0:
        progress("the smallest set of rules that clash")
        findings.append(rules.contradiction(sentences))
        return None
    legal = Legal(system, space)
    progress("each rule left out")
    findings += rules.idle_rules(sentences)
    progress("depths that can't be used")
    findings += rules.unused_depths(sentences, legal)
    progress("the advice")
    findings += rules.advice(sentences, space.count)
    return legal


def _checked(facts: Facts, checks: Sequence[Check] = CHECKS) -> Iterator[LintFinding]:
    """What the checks of the figures find, and one note for each figure that is missing."""
    lacking: dict[str, list[str]] = {}
    for check in checks:
        if not check.applies(facts.system) or (check.codes and facts.legal is None):
            continue
        missing = check.lacks(facts.system)
        for path in missing:
            lacking.setdefault(path, []).append(check.about)
        if not missing:
            yield from check.run(facts)
    tables: dict[str, list[str]] = {}
    for path, about in lacking.items():
        name, key = path.split(".")
        message = f"the file doesn't state `{key}` under [{name}], so these are not checked: {', '.join(dict.fromkeys(about))}"
        yield LintFinding("not-checked", "note", message)
        tables.setdefault(name, []).append(f"{key} = …")
    if tables:
        lines = "; ".join(f"under [{name}] {', '.join(keys)}" for name, keys in tables.items())
        yield LintFinding("not-checked", "note", f"to have everything checked, add {lines}")


def _slips_said(slips: readout.Slips) -> str:
    parts = []
    if slips.any_depth is not None:
        one = "" if slips.off_by_one is None else f" ({percent(slips.off_by_one)} of those to the next depth)"
        parts.append(f"{percent(slips.any_depth)} of the slips in one cut{one}")
    if slips.swap is not None:
        parts.append(f"{percent(slips.swap)} of the exchanges of two neighbours")
    return (
        f"when a code is read out, {listed(parts)} give another legal code, so nobody notices (exact; every legal code "
        f"and every slip equally likely)"
    )
