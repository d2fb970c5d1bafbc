"""The summary of a run over a table, for a terminal: what the rows are, which rules were broken, which depths are used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bitting.batch.summary import CodeSummary, CutDepths, Summary
from bitting.report.table import table
from bitting.text import percent, plural

SHADES = " ░▒▓█"
SHADES_PLAIN = " .:*#"


def summary_lines(summary: Summary, *, plain: bool = False) -> Iterator[str]:
    """The lines of the summary; `plain` keeps to ASCII."""
    counts = [
        (word, f"{number:,}", percent(number / summary.rows) if summary.rows else "")
        for word, number in summary.counts.items()
    ]
    counts.append(("rows", f"{summary.rows:,}", ""))
    yield from table(counts, align="lrr", ruled=False)
    if summary.unreadable_rows:
        lost = summary.counts["unreadable"]
        named, one = ", ".join(map(str, summary.unreadable_rows)), lost == 1
        more = ", …" if lost > len(summary.unreadable_rows) else ""
        yield f"{'row' if one else 'rows'} that can't be read: {named}{more}"
    if isinstance(summary, CodeSummary):
        yield from repeated_lines(summary)
    if summary.blank_lines:
        yield f"{summary.blank_lines:,} blank lines were kept; they are no rows"
    where = f"{'codes' if isinstance(summary, CodeSummary) else 'readings'} in {summary.column}"
    if summary.header is not None and summary.header > 1:
        where += f", header in row {summary.header}"
    yield f"{where}; {summary.encoding}; {summary.rows_per_second:,.0f} rows/s"
    for note in summary.notes:
        yield f"note: {note}"
    if summary.broken:
        yield ""
        broken = [(f"{number:,}", rule) for rule, number in summary.broken.items()]
        yield from table(broken, ("rows", "finding"), "rl", ruled=False)
    if isinstance(summary, CodeSummary):
        yield from heat_lines(summary.depths, plain=plain)


def repeated_lines(summary: CodeSummary) -> Iterator[str]:
    """Codes that are repeated; those that differ only by a slip, and how many of them chance would make."""
    if summary.duplicates:
        have = "rows have" if summary.duplicates > 1 else "row has"
        named = _pairs(summary.duplicate_rows, summary.duplicates)
        yield f"{summary.duplicates:,} {have} the code of an earlier row{named}"
    pairs = summary.near_duplicates
    if pairs is None:
        yield "note: codes that differ only by a slip were not looked for: there are too many different codes"
    elif pairs:
        said = plural(pairs, "pair of legal codes differs", "pairs of legal codes differ")
        chance = summary.near_by_chance
        reckoned = "" if chance is None else f" (chance alone would make {about(chance)})"
        yield f"{said} only by a slip{_pairs(summary.near_rows, pairs)}{reckoned}"


def about(number: float) -> str:
    """A number of things that are only reckoned."""
    return f"about {number:,.0f}" if number >= 1.5 else "about one" if number >= 0.5 else "hardly any"


def _pairs(rows: Sequence[tuple[int, int]], number: int) -> str:
    """The first rows concerned; the later row stands second."""
    if not rows:
        return ""
    more = ", …" if number > len(rows) else ""
    return ": rows " + ", ".join(f"{before} and {row}" for before, row in rows) + more


def heat_lines(depths: Sequence[CutDepths], *, plain: bool = False) -> Iterator[str]:
    """Which share of the codes has which depth at which cut: a table per lane, shaded."""
    lanes = dict.fromkeys((cut.system, cut.track) for cut in depths)
    several = len({system for system, _ in lanes}) > 1
    for system, lane in lanes:
        cuts = [cut for cut in depths if (cut.system, cut.track) == (system, lane)]
        total = sum(cuts[0].counts.values())
        if not total:
            continue
        yield ""
        yield f"{system + ' ' if several else ''}{lane}: depths by cut, per cent of {total:,} codes"
        rows = [[label, *(cell(cut.counts[label], total, plain=plain) for cut in cuts)] for label in cuts[0].counts]
        headers = ["depth", *(str(cut.cut) for cut in cuts)]
        yield from table(rows, headers, "r" * len(headers), ruled=False)


def cell(number: int, total: int, *, plain: bool = False) -> str:
    """A share in per cent with a shade in front of it."""
    shades = SHADES_PLAIN if plain else SHADES
    if not number:
        return "."
    part = number / total
    shade = shades[min(len(shades) - 1, int(part * 2 * len(shades)))]
    return f"{shade}{100 * part:.0f}"
