"""How a lint looks on a terminal: the answer first, then a paragraph a finding, the gravest first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from bitting.lint import Linted, LintFinding

COLOURS = {"error": "red", "warning": "yellow", "note": None}

Line = tuple[str, str | None]
"""A line and its colour on a terminal (None: no colour)."""


def render_lint(found: Linted, columns: int = 100) -> Iterator[Line]:
    """Lines of at most `columns` where words allow."""
    number = {level: sum(f.level == level for f in found.findings) for level in COLOURS}
    if found.clean:
        yield f"{found.system}: clean", "green"
    else:
        counted = [f"{n} {level}{'s' * (n > 1)}" for level, n in number.items() if n and level != "note"]
        yield f"{found.system}: {' and '.join(counted)}", "red" if number["error"] else "yellow"
    for finding in found.findings:
        yield "", None
        yield from _paragraph(finding, columns)


def _paragraph(finding: LintFinding, columns: int) -> Iterator[Line]:
    lines = textwrap.wrap(
        f"{finding.level}: {finding.message} [{finding.code}]",
        max(columns, 30),
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    yield lines[0], COLOURS[finding.level]
    yield from ((line, None) for line in lines[1:])
    if finding.witness is not None:
        yield f"  such a code: {finding.witness}", None
