"""How a decoded key is told on a terminal: the answer, cut by cut why, and what to do where it isn't sure.

(Long: every line of one answer, from the first to the last, stands here; the picture has its own module.)

What a decoded key's answer assumes, in one line: every figure of the measurement model and what was said beside it.

The picture of a decoded key on a terminal: each reading between the depths it might be.

The depths stand where the estimated shared error moves them, `o` is the mean of the cut's readings, and what lies between
it and its depth is wear and noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from bitting.decoding.likelihood import outlier_range
from bitting.decoding.model import model_of
from bitting.decoding.result import Candidate, CutResult, Decoded, Next
from bitting.model import Lane, System


def assumptions(result: Decoded, system: System) -> str:
    """Every figure of the measurement model in one line."""
    model = result.model
    if model is None:
        return ""
    unit = system.unit

    def length(value: float) -> str:
        return f"{value:.4g}"

    parts = [
        f"one reading ±{length(model.reading_sd)}",
        f"offset ±{length(model.offset_sd)}",
        f"tilt ±{length(model.tilt_sd)}",
        f"left-right ±{length(model.left_right_sd)}",
        f"a cut's own error ±{length(model.cut_sd)} (standard deviations)",
        f"mean wear {length(model.wear)}",
    ]
    return (
        f"assumed, in {unit}: {', '.join(parts)}; {model.outliers:.1%} of readings simply wrong; "
        f"{'; '.join((*result.assumed, 'every legal code as likely as any other'))}"
    )


def picture(result: Decoded, system: System, columns: int, *, plain: bool) -> Iterator[str]:
    """Per lane, one line per cut: depths on an axis, the reading between them."""
    reading, bar, dot = ("o", "|", ".") if plain else ("●", "│", "·")
    width = min(columns, 100) - 12
    for lane in system.lanes:
        cuts = [cut for cut in result.cuts if (cut.side, cut.track) == (lane.side, lane.track.name)]
        values = [*lane.track.depths, *(cut.reading for cut in cuts if cut.reading is not None)]
        low, high = min(values), max(values)
        low, high = low - 0.04 * (high - low), high + 0.04 * (high - low)
        flip = lane.track.deeper < 0

        def at(value: float, low: float = low, high: float = high, flip: bool = flip) -> int:
            place = (value - low) / (high - low)
            return round((1 - place if flip else place) * (width - 1))

        yield from _axis(lane, at, width)
        for cut in cuts:
            row = [" "] * width
            error = 0.0 if cut.reading is None or cut.deviation is None else cut.reading - cut.deviation - cut.nominal
            for label, depth in zip(lane.track.labels, lane.track.depths, strict=True):
                place = min(max(at(depth + error), 0), width - 1)
                row[place] = bar if label == cut.depth else dot
            if cut.reading is not None:
                row[at(cut.reading)] = reading
            yield f"  {cut.cut:>4}  {''.join(row).rstrip()}"
    yield f"        {bar} the depth found, {dot} other depths (moved by the shared error), {reading} reading"


def _axis(lane: Lane, at: object, width: int) -> Iterator[str]:
    row = [" "] * width
    for label, depth in zip(lane.track.labels, lane.track.depths, strict=True):
        place = at(depth)  # type: ignore[operator]
        for i, letter in enumerate(label):
            if place + i < width:
                row[place + i] = letter
    yield f"{lane.label[:7]:<7} {''.join(row).rstrip()}   deeper ->"


GOOD, DOUBT, BAD = "green", "yellow", "red"
FAR = 2.5
"""Standard deviations of the offset past which it is named as what doesn't fit."""
Line = tuple[str, str | None]


def render(result: Decoded, columns: int, *, plain: bool) -> Iterator[Line]:
    """Lines of the answer with the colour that a terminal may give them (None: no colour)."""
    system = result.of
    if system is None:
        raise ValueError("a result to render carries its system")
    yield from headline(result, system)
    for note in result.notes:
        yield f"note: {note}", None
    if len(result.systems) > 1:
        yield "", None
        yield from _systems(result)
    yield "", None
    yield from ((line, None) for line in _table(result, system).split("\n"))
    if columns >= 56:
        yield "", None
        yield from ((line, None) for line in picture(result, system, columns, plain=plain))
    yield "", None
    yield from _shared(result, system)
    if len(result.candidates) > 1:
        yield "", None
        yield from _candidates(result, system)
    if result.verdict == "unsure":
        yield "", None
        yield from _what_next(result, system)
    yield "", None
    yield assumptions(result, system), None


def percent(probability: float) -> str:
    """A probability rounded down, so that nothing uncertain reads as 100 %."""
    if 0 < probability < 0.001:
        return "<0.1 %"
    return f"{math.floor(probability * 1000) / 10:.1f} %" if probability < 1 else "100 %"


def number(length: float, system: System) -> str:
    """A length with one digit more than a caliper shows."""
    return f"{length:.{3 if system.unit == 'mm' else 4}f}"


def headline(result: Decoded, system: System) -> Iterator[Line]:
    """The code, whether it is sure, and how probable it is."""
    whole = len(result.cuts) == sum(lane.track.cuts for lane in system.lanes)
    what = (
        f"this is the whole code of the {result.system} key"
        if whole
        else f"all cuts of the {result.system} key that this lock reads are these"
    )
    likely = f"{percent(result.probability)} that {what}; the limit for sure is {percent(result.sure_limit)}"
    if result.verdict == "sure":
        yield f"sure: {result.code}", GOOD
        yield likely, None
        yield from _cautious(result)
    elif result.verdict == "unsure":
        yield f"NOT SURE, most probable: {result.code}", DOUBT
        yield likely, None
        yield from _cautious(result)
    else:
        yield f"DOESN'T FIT {result.system}; nearest legal code, not to be cut: {result.code}", BAD
        yield (
            (
                f"no legal code of {result.system} explains these readings: of its own keys only "
                f"{percent(result.fit.p_value)} read so far from their code (limit {percent(result.fit.limit)}); "
                "measure again, check how the key was held, or try other systems"
            ),
            None,
        )


def _cautious(result: Decoded) -> Iterator[Line]:
    """What is left of the code on a harder key."""
    if result.cautious is None:
        return
    wear, wrong = "wear that differs from cut to cut", "twice as many wrong readings"
    model = result.model
    told = " and ".join(
        text for text, known in ((wear, model and model.wear), (wrong, model and model.outliers)) if known
    )
    kept = result.cautious >= result.sure_limit
    yield (
        f"{percent(result.cautious)} on a harder key ({told}), which must reach the limit too"
        + ("" if kept else " and doesn't"),
        None if kept else DOUBT,
    )


def _systems(result: Decoded) -> Iterator[Line]:
    from tabulate import tabulate

    rows = [[r.system, percent(r.probability) if r.fits else "doesn't fit", r.reading, r.code] for r in result.systems]
    yield from ((line, None) for line in _lines(tabulate(rows, ["system", "probability", "readings", "best code"])))
    if not any(rank.fits for rank in result.systems):
        yield "none of these systems fits", BAD


HEADS = ("cut", "depth", "confidence", "nominal", "reading", "deviation", "or else")


def table_rows(result: Decoded, system: System) -> list[tuple[str, ...]]:
    """The table of a decoded key, a row per cut, with the headings `HEADS`."""
    rows: list[tuple[str, ...]] = []
    for cut in result.cuts:
        others = ", ".join(f"{a.depth} {percent(a.probability)}" for a in cut.alternatives if a.probability >= 0.0005)
        rows.append(
            (
                cut_name(cut.side, cut.track, cut.cut, system),
                cut.depth,
                percent(cut.confidence),
                number(cut.nominal, system),
                "not read" if cut.reading is None else number(cut.reading, system),
                "" if cut.deviation is None else f"{cut.deviation:+.{3 if system.unit == 'mm' else 4}f}",
                others,
            )
        )
    return rows


def _table(result: Decoded, system: System) -> str:
    from tabulate import tabulate

    rows = table_rows(result, system)
    return "\n".join(_lines(tabulate(rows, HEADS, disable_numparse=True, stralign="left")))


def _lines(table: str) -> list[str]:
    return [line.rstrip() for line in table.split("\n")]


def cut_name(side: str | None, track: str, cut: int, system: System) -> str:
    """`top left 3`; the track only where there are several."""
    return " ".join(filter(None, (side, track if len(system.tracks) > 1 else None, str(cut))))


def _shared(result: Decoded, system: System) -> Iterator[Line]:
    unit = system.unit
    parts = [f"offset {result.offset.mean:+.3f} ± {result.offset.sd:.3f} {unit}"]
    model = result.model
    if unit == "in":
        parts = [f"offset {result.offset.mean:+.4f} ± {result.offset.sd:.4f} {unit}"]
    if model is not None and model.tilt_sd:
        parts.append(
            f"tilt {number(result.tilt.mean, system)} ± {number(result.tilt.sd, system)} from first cut to last"
        )
    if model is not None and model.left_right_sd and len(system.tracks) > 1:
        parts.append(f"left-right {number(result.left_right, system)}")
    if model is not None and model.wear:
        parts.append(f"mean wear {number(result.wear.mean, system)} ± {number(result.wear.sd, system)}")
    yield f"shared by all readings: {'; '.join(parts)}", None
    yield _fit(result), None
    outside, wrong = _suspicious(result, system)
    if result.verdict == "no-fit" and not outside:
        yield from _all_off(result, system)
    yield from ((line, DOUBT) for line in outside or wrong)


def _all_off(result: Decoded, system: System) -> Iterator[Line]:
    """Where a key doesn't fit and its offset is more than keys have."""
    mean, model = result.offset.mean, result.model
    usual = 0.0 if model is None else max(model.offset_sd, model_of(system).offset_sd)
    if abs(mean) > FAR * usual > 0:
        yield (
            f"beside this code all readings are {number(abs(mean), system)} {system.unit} too "
            f"{'small' if mean < 0 else 'large'}, much for ±{usual:.4g}: check the caliper's zero, and whether "
            "the blade is as wide as the system says",
            DOUBT,
        )


def _suspicious(result: Decoded, system: System) -> tuple[list[str], list[str]]:
    """Readings that lie outside everything, which spoil the rest; and those that look wrong beside the others."""
    outside, wrong = [], []
    for cut in result.cuts:
        name = _cut(cut.side, cut.track, cut.cut, system)
        low, high = outlier_range(next(track for track in system.tracks if track.name == cut.track))
        for value, share in zip(cut.values, cut.wrong, strict=True):
            reading = f"suspicious: reading {number(value, system)} of {name} is"
            if not low - (high - low) <= value <= high + (high - low):
                depths = f"the depths of {result.system} ({number(low, system)} to {number(high, system)})"
                outside.append(f"{reading} far outside {depths}: check how it was written down, and its unit")
            elif share >= 0.5:
                wrong.append(f"{reading} wrong with {percent(share)}")
    return outside, wrong


def _fit(result: Decoded) -> str:
    """`fit: good; 43.1 % of this system's own keys read as far from their code or further (below 1.0 %: no fit)`."""
    p, limit = result.fit.p_value, result.fit.limit
    word = "none" if p < limit else "poor" if p < 5 * limit else "good"
    return (
        f"fit: {word}; {percent(p)} of this system's own keys read as far from their code or further "
        f"(below {percent(limit)}: no fit)"
    )


def _candidates(result: Decoded, system: System) -> Iterator[Line]:
    yield "most probable codes:", None
    for candidate in result.candidates:
        yield f"  {percent(candidate.probability):>7}  {candidate.code}{_differs(result, candidate, system)}", None


def _differs(result: Decoded, candidate: Candidate, system: System) -> str:
    """`   (left 3 is 4, not 3)`: where a candidate differs from the first; nothing for the first, or past three cuts."""
    parts = []
    for lane, own, first in zip(system.lanes, candidate.depths, result.depths, strict=True):
        for cut, (depth, other) in enumerate(zip(own, first, strict=True), 1):
            if depth != other:
                name = _cut(lane.side, lane.track.name, cut, system)
                parts.append(f"{name} is {lane.track.labels[depth]}, not {lane.track.labels[other]}")
    return f"   ({'; '.join(parts)})" if 0 < len(parts) <= 3 else ""


def _cut(side: str | None, track: str, cut: int, system: System) -> str:
    """A cut in running text: `cut 3` where a bare number would be read as a depth."""
    name = cut_name(side, track, cut, system)
    return f"cut {name}" if name.isdecimal() else name


def _what_next(result: Decoded, system: System) -> Iterator[Line]:
    doubtful = [cut for cut in result.cuts if cut.confidence < result.sure_limit]
    if doubtful:
        names = ", ".join(_or_else(cut, system) for cut in doubtful)
        yield f"in doubt: {names}", DOUBT
    elif result.doubted:
        names = ", ".join(
            f"{_cut(cut.side, cut.track, cut.cut, system)} ({cut.depth} with {percent(cut.probability)})"
            for cut in result.doubted
        )
        light = result.model is not None and result.model.wear > 0.5 * model_of(system).wear
        hint = "; if the key is plainly little worn, say --wear light" if light else ""
        yield f"in doubt on a harder key: {names}{hint}", DOUBT
    elif len(result.systems) < 2 or result.systems[0].probability > result.sure_limit:
        yield "no single cut is in doubt; small doubts about many cuts add up on a long key", None
    if result.measure_next:
        yield "measure again, the most useful first:", DOUBT
        for following in result.measure_next:
            yield f"  {_next(following, system)}", None
    once = all(len(cut.values) <= 1 for cut in result.cuts)
    if once and min(result.probability, result.cautious or 0.0) < result.sure_limit:
        yield (
            "no cut was read twice: then a wrong reading can't be told from a right one, and a long key seldom reaches the "
            "limit. Read every cut a second time and give both (7.40|7.42)",
            None,
        )


def _or_else(cut: CutResult, system: System) -> str:
    name = _cut(cut.side, cut.track, cut.cut, system)
    others = [a.depth for a in cut.alternatives if a.probability >= 0.01]
    if not cut.values:
        return f"{name} (not read: {_either([cut.depth, *others])})"
    return f"{name} ({cut.depth}, or {_either(others)})" if others else name


def _either(depths: list[str]) -> str:
    """`1, 2 or 3`."""
    return " or ".join(filter(None, (", ".join(depths[:-1]), depths[-1])))


def _next(following: Next, system: System) -> str:
    """`left 3: below 7.31 it is a 4, above a 3 (a wrong code: 2.1 % on average afterwards)`."""
    name = _cut(following.side, following.track, following.cut, system)
    parts = []
    for deciding in following.deciding:
        if deciding.low is None and deciding.high is None:
            continue
        if deciding.low is None:
            where = f"below {number(deciding.high or 0.0, system)}"
        elif deciding.high is None:
            where = f"above {number(deciding.low, system)}"
        else:
            where = f"from {number(deciding.low, system)} to {number(deciding.high, system)}"
        parts.append(f"{where} it is {deciding.depth}")
    told = "; ".join(parts) or "any likely reading leaves the same code, but makes it surer or less sure"
    return f"{name}: {told} (risk of a wrong code then {percent(following.risk)} on average)"
