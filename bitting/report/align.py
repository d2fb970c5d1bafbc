"""How a machine's setting is told on a terminal, and its control charts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bitting.machine.align.alignment import EXPANDED, Alignment
from bitting.machine.align.fit import Term
from bitting.machine.align.history import Chart, History
from bitting.model import System
from bitting.report.inspect import both, number
from bitting.report.table import table
from bitting.text import plural

WHOLE = {
    "leave": "Leave the machine as it is",
    "look": "By these readings alone, leave the machine as it is",
    "adjust": "Adjust the machine",
    "uneven": "Don't turn the dials yet: the error is uneven",
    "wait": "Don't turn the dials yet",
}


def alignment_lines(
    result: Alignment, system: System, history: History | None = None, *, corrected: str | None = None
) -> Iterator[str]:
    """The answer for a terminal; ± is twice the standard uncertainty. What the history says of it stands beside it.

    `corrected` is the machine file that takes the error off: who turned the dials as well would have it twice.
    """
    signals = () if history is None else history.signals
    settings = (result.to_depth, result.to_scale, result.to_space, result.to_space_scale, result.to_lost_motion)
    whole: str = "look" if signals and result.verdict == "leave" else result.verdict
    if whole == "adjust" and not any(settings):
        whole = "wait"
    stays = f"{corrected} corrects it now, leave the dials as they are"
    yield f"{WHOLE[whole] if corrected is None else stays}: {result.reason}."
    for signal in signals:
        yield f"Look: {signal}."
    if whole == "look":
        yield (
            "To settle it cut one more setup key, clamped anew, and give its readings with these, without --history. If you "
            "then set the machine, write yes under `adjusted` in the history's last row."
        )
    yield ""
    deep = ("too deep", "too shallow") if system.tracks[0].deeper > 0 else ("too shallow", "too deep")
    from_tip = system.stop == "tip"
    near = ("too near the bow", "too near the tip") if from_tip else ("too near the tip", "too near the bow")
    done = "set it" if corrected is None else "corrected by"
    yield from _setting("depth", result.depth_offset, result.to_depth, deep, system, done)
    if result.space_offset is None:
        yield "space  not measured: give the place of the deep cut with --place"
    else:
        yield from _setting("space", result.space_offset, result.to_space, near, system, done)
    yield from _scales(result, system)
    yield ""
    yield from _terms(result, system)
    if result.left_right is not None:
        first, second = system.tracks[0].name, system.tracks[1].name
        yield f"left-right: {first} {_term(result.left_right, system)}, {second} as much the other way"
    for cause in result.causes:
        yield f"Likely: {cause}."
    for note in result.notes:
        yield f"Note: {note}."
    yield f"Assumed: {result.assumptions}. Signs are measured − nominal; ± is {EXPANDED:g} standard uncertainties."


OPPOSITE = {
    "too deep": "shallower",
    "too shallow": "deeper",
    "too near the bow": "nearer the tip",
    "too near the tip": "nearer the bow",
}


def _setting(
    what: str, offset: Term, change: float | None, ways: tuple[str, str], system: System, done: str
) -> Iterator[str]:
    if offset.mean is None or offset.sd is None:
        yield f"{what}  can't be told from these readings"
        return
    way = ways[offset.mean < 0]
    size = abs(offset.mean)
    off = "right" if number(size, system) == number(0.0, system) else f"{both(size, system)} {way}"
    yield f"{what}  cuts are {off}, ± {both(EXPANDED * offset.sd, system)}"
    if change is not None:
        yield f"       -> {done} {both(abs(change), system)} {OPPOSITE[way]}"


def _scales(result: Alignment, system: System) -> Iterator[str]:
    if result.to_scale is not None:
        yield f"       -> and {100 * result.to_scale:+.2f} % of the depth below the shallowest"
    if result.to_lost_motion is not None:
        yield f"       -> {both(abs(result.to_lost_motion), system)} is lost between the shallowest depth and every deeper one"
    if result.to_space_scale is not None:
        yield (
            f"       -> and {100 * result.to_space_scale:+.2f} % of the distance from the middle cut; in a machine file, "
            "mend the travel per turn"
        )


def _terms(result: Alignment, system: System) -> Iterator[str]:
    rows = [("track", "zero", "scale", "tilt, first cut to last")]
    for term in result.terms:
        name = " ".join(filter(None, (term.side, term.track)))
        rows.append((name, _term(term.zero, system), _ratio(term.scale), _term(term.tilt, system)))
    return table(rows, ruled=False)


def _term(term: Term, system: System) -> str:
    if term.mean is None or term.sd is None:
        return "can't be told"
    text = number(term.mean, system)
    return f"{'' if text.startswith('-') else '+'}{text} ± {number(EXPANDED * term.sd, system)}"


def _ratio(term: Term) -> str:
    if term.mean is None or term.sd is None:
        return "can't be told"
    return f"{round(100 * term.mean, 1) + 0.0:+.1f} % ± {100 * EXPANDED * term.sd:.1f} %"


def history_lines(history: History, system: System) -> Iterator[str]:
    """The control charts of all keys since the machine was last set."""
    yield f"{plural(history.keys, 'setup key')} since the machine was last set"
    yield "  o a key, ~ the moving average, : the centre, | limits; OUT: key outside, DRIFT: average outside its own"
    if history.provisional:
        yield "  limits are provisional until there are more of them"
    yield from _chart("depth", history.dates, history.depth, history.depth_ewma, system, history.depth_to_set)
    if history.space is not None and history.space_ewma is not None:
        yield from _chart("space", history.space_dates, history.space, history.space_ewma, system, history.space_to_set)
    if history.verdicts[-1:] == ("adjust",):
        yield "When you set the machine: write yes under `adjusted` in this key's row, and the charts begin anew."
    if history.verdicts[-1:] == ("uneven",):
        yield "If this key was misread or spoilt: take its row out of the history, where it moves the charts, and give it anew."


def _chart(
    what: str, dates: Sequence[str], chart: Chart, slow: Chart, system: System, to_set: Sequence[bool]
) -> Iterator[str]:
    low, high = min(chart.lower[0], *chart.points), max(chart.upper[0], *chart.points)
    span, columns = (high - low) or 1.0, 41
    yield f"{what}: centre {number(chart.centre, system)}, limits {number(chart.lower[0], system)} to " + number(
        chart.upper[0], system
    )

    def column(value: float) -> int:
        return max(0, min(columns - 1, round((value - low) / span * (columns - 1))))

    for i, (date, value, average) in enumerate(zip(dates, chart.points, slow.points, strict=True)):
        line = [" "] * columns
        for place, mark in (
            (chart.centre, ":"), (chart.lower[i], "|"), (chart.upper[i], "|"), (average, "~"), (value, "o"),
        ):  # fmt: skip
            line[column(place)] = mark
        out = " OUT" if i in chart.signals else ""
        drift = " DRIFT" if i in slow.signals else ""
        told = "  adjust" if to_set[i] else ""
        yield f"  {date:<10}  {number(value, system):>7}  {''.join(line)}{out}{drift}{told}".rstrip()
