"""How a system of one's own looks on a terminal: what was written, what was learned, what was fitted."""

from __future__ import annotations

from collections.abc import Iterator

from bitting.authoring.draft import Draft
from bitting.authoring.evidence import LIMIT
from bitting.authoring.fit import OFF, Estimate, Fitted
from bitting.authoring.learn import Learned, LearnedRule
from bitting.linting import Linted
from bitting.model import System
from bitting.report.systems import as_on_a_chart, render_blades, render_charts
from bitting.report.table import table
from bitting.text import DIGITS, plural

OPEN_SHOWN = 5
BAD_SHOWN = 20


def render_new(path: str, made: Draft, linted: Linted, plain: bool = False) -> Iterator[str]:
    """The file, how the chart was read, chart and blade for comparison, what lint says, what to verify."""
    system = made.system
    yield f"{path}: written, {'clean' if linted.clean else 'not clean yet'}"
    yield from (f"  {note}" for note in made.notes)
    yield from render_charts(system)
    yield ""
    yield from (f"rule: {sentence}" for sentence in dict.fromkeys(rule.sentence for rule in system.rules))
    if not system.rules:
        yield "no rules: every combination of depths is legal (--macs, --rule; `systems learn` finds rules from good codes)"
    yield ""
    yield "compare this with your chart, and the two blades with a key:"
    yield from (f"  {line}" for line in render_blades(system, plain))
    serious = [f for f in linted.findings if f.level != "note"]
    serious += [f for f in linted.findings if f.code == "not-checked"][-1:]  # the one that says what to add
    if serious:
        yield ""
        yield from (f"{finding.level}: {finding.message}" for finding in serious)
    if made.assumed:
        yield ""
        yield f"assumed, as nobody said so (marked in the file): {', '.join(dict.fromkeys(made.assumed))}"
    yield ""
    yield from verify(system)


def verify(system: System) -> Iterator[str]:
    """What to check with a caliper before a blank is cut by the file."""
    track = system.tracks[0]
    unit = system.unit
    yield "before you cut by it, take a key whose code you know and a caliper:"
    lengths = (track.depths[0], track.depths[-1], track.spaces[0], track.spaces[-1])
    shallow, deep, first, last = (as_on_a_chart(length, unit) for length in lengths)
    depths = f"depth {track.labels[0]} is {shallow} {unit}, depth {track.labels[-1]} {deep} {unit}"
    yield f"  measure two cuts of different depth: {depths}; their difference must be the chart's"
    where = f"cut 1 lies {first} {unit} from the {system.stop}, the last {last}"
    yield f"  measure where cuts lie: {where}"
    yield "  all off by the same amount: the caliper's zero or wear; more with each step: the chart (`bitting systems fit`)"


def render_learned(found: Learned, path: str | None) -> Iterator[str]:
    """The proposed rules with their evidence, the bad rows, and the open rules nearest to being settled."""
    proposed = found.proposed
    yield (
        f"{found.codes:,} different codes of {found.system}, {found.tried:,} rules tried: {len(proposed)} proposed"
        + (f"; {found.repeated:,} rows repeat a code and count once" if found.repeated else "")
    )
    if found.kept:
        yield f"kept from the file: {'; '.join(found.kept)}"
    if proposed:
        yield ""
        yield "rule, and the chance that so few of the codes would break it by accident if it were none:"
        width = max(len(rule.sentence) for rule in proposed)
        yield from (f"  {rule.sentence.ljust(width)}  {chance_said(rule)}" for rule in proposed)
        yield f"  (times the number of rules tried, at most {LIMIT:g}; {found.before:,} codes were legal, {found.after:,} now)"
    if found.bad:
        yield ""
        shown = found.bad[:BAD_SHOWN]
        yield f"{len(found.bad)} row{'s' * (len(found.bad) > 1)} that can't be good:"
        yield from (f"  row {row}: {why}" for row, why in shown)
        if len(found.bad) > len(shown):
            yield f"  … and {len(found.bad) - len(shown)} more (--json lists them)"
    waiting = [rule for rule in found.rules if not rule.proposed and rule.more is not None][:OPEN_SHOWN]
    if waiting:
        yield ""
        yield "open: these hold too, and may yet be chance; so many more good codes would settle each:"
        yield from (f"  {rule.more:>8,}  {rule.sentence}" for rule in waiting)
    yield ""
    yield "assumed: the codes were drawn independently, every legal code as likely as any other"
    if path is not None:
        yield f"{path}: written; `bitting systems lint {path}` proves what follows"


def chance_said(rule: LearnedRule) -> str:
    """`1 in 23,000`, and how many codes break it."""
    found = rule.evidence.corrected
    said = "less than 1 in a billion" if found < 1e-9 else f"1 in {1 / found:,.0f}"
    breaking = rule.evidence.breaking
    return said + (f"; {plural(breaking, 'code breaks', 'codes break')} it" if breaking else "")


WIDER = 1.5
"""So many times the scatter of the readings, what is reckoned with instead is told."""


def render_fitted(found: Fitted, path: str | None) -> Iterator[str]:
    """The figures with their uncertainties beside the chart's, what the level stands on, what was left out."""
    system, digits = found.system, DIGITS[found.system.unit]
    scatter, noise = (f"± {figure:.{digits}f} {system.unit}" for figure in (found.scatter, found.noise))
    wide = f"; {noise} is reckoned with, as [measuring] states more" if found.noise > WIDER * found.scatter else ""
    yield f"{found.keys} keys, {found.readings} cuts read: they lie {scatter} about their depths{wide}"
    yield (
        f"level: {found.anchor}"
        if found.anchor
        else (
            "level: not known, as wear and the caliper's zero move all readings alike; so only steps are given. "
            "Add a dimension that is known (--known), a new key (--new) or a key of known code (--against)"
        )
    )
    yield ""
    yield from _depth_table(found, digits)
    if found.spaces:
        yield ""
        rows = [
            [f"{track} {cut + 1}", *_figures(estimate, system.track(track).spaces[cut], digits)]
            for (track, cut), estimate in found.spaces.items()
        ]
        yield from (f"  {line}" for line in table(rows, ["cut", "found", "±", "chart", "differs"], "lrrrr"))
    yield ""
    if found.off_chart():
        yield f"OFF: more than {OFF:g} times its uncertainty from the chart"
    yield from (
        f"left out, as it fits nothing: row {row}, {track} cut {cut + 1}, {away:+.{digits}f}"
        for row, track, cut, away in found.left_out
    )
    yield from (f"note: {note}" for note in found.notes)
    yield "±: standard uncertainty; twice it holds the true value in about 95 of 100"
    if path is not None:
        yield f"{path}: written; `bitting systems lint {path}` proves what follows"


def _depth_table(found: Fitted, digits: int) -> Iterator[str]:
    """Depths beside the chart's; steps between them where the level isn't known."""
    several = len({track for track, _ in (*found.depths, *found.steps)}) > 1
    step = not found.depths
    off = {key for key, _, _ in found.off_chart()}
    rows = []
    for key, estimate in (found.depths or found.steps).items():
        name = f"{key[0]} {key[1]}" if several else key[1]
        if step:
            labels = found.system.track(key[0]).labels
            name = f"{labels[labels.index(key[1]) - 1]} to {name}"
        rows.append([name, *_figures(estimate, found.chart(key, step=step), digits), "OFF" if key in off else ""])
    headers = ["step" if step else "depth", "found", "±", "chart", "differs", ""]
    return (f"  {line}" for line in table(rows, headers, "lrrrrl"))


def _figures(found: Estimate, chart: float, digits: int) -> list[str]:
    return [
        f"{found.mean:.{digits}f}",
        f"{found.sd:.{digits}f}",
        f"{chart:.{digits}f}",
        f"{found.mean - chart:+.{digits}f}",
    ]
