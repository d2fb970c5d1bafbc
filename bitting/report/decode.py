"""How a decoded key is told on a terminal: the answer, cut by cut, and what to do next; everything else with `--full`.

`--full` draws each reading between the depths it might be. The depths stand where the estimated shared error moves them, `o` is
the mean of the cut's readings, and what lies between it and its depth is wear and noise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial

from bitting.decoding.jaw import JAW_ASKED, WIDE_JAW
from bitting.decoding.listing import AS_GIVEN, ENDS, EXCHANGED, FROM_TIP, PRIOR, SIDES, SKIPPED, SWAPPED, TWICE
from bitting.decoding.result import Candidate, Decoded, Doubt, Listed, Next
from bitting.model import Lane, System
from bitting.notation import plain as plainly
from bitting.report.inspect import number
from bitting.report.table import Line, folded, table
from bitting.text import cut_name, fewer_decimals, percent

GOOD, DOUBT, BAD = "green", "yellow", "red"
FAR = 2.0
"""Standard deviations of the offset past which it is named."""
TOLD = 0.01
"""Probability from which another depth is told."""
ASKED, OFTEN, OPEN = 4, 3, 3
"""Cuts that are named to be measured next at most; so many readings of each are often enough, and so many may be tried."""


def render(result: Decoded, columns: int, *, plain: bool, full: bool = False) -> Iterator[Line]:
    """Lines of the answer with the colour that a terminal may give them (None: no colour)."""
    system = result.of
    if system is None:
        raise ValueError("a result to render carries its system")
    yield from folded(verdict(result, system), columns)
    if len(result.systems) > 1:
        yield "", None
        yield from _systems(result)
    yield "", None
    yield from ((line, None) for line in table(table_rows(result, system), heads(result, system)))
    following = list(folded(_what_next(result, system), columns))
    yield from [("", None), *following] if following else ()
    if full:
        yield from _everything(result, system, columns, plain=plain)


def verdict(result: Decoded, system: System) -> Iterator[Line]:
    """The answer in sentences, and what keeps it from being sure."""
    yield from _headline(result, system)
    yield from _listing(result, system)
    yield from _offset(result, system)
    if result.copied:
        yield "a second list says the same to the digit: taken for a copy, it counts once", DOUBT
    if result.coarse and result.verdict != "sure":
        yield fewer_decimals(result.coarse), DOUBT


def _everything(result: Decoded, system: System, columns: int, *, plain: bool) -> Iterator[Line]:
    """What is told on request: shared errors, fit, picture, other codes, what was assumed."""
    yield "", None
    yield from _shared(result, system)
    for note in result.notes:
        yield f"note: {note}", None
    if columns >= 56:
        yield "", None
        yield from ((line, None) for line in picture(result, system, columns, plain=plain))
    if len(result.candidates) > 1:
        yield "", None
        yield from _candidates(result, system)
    yield "", None
    yield assumptions(result, system), None


def _headline(result: Decoded, system: System) -> Iterator[Line]:
    """The code, whether it is sure, and how probable it is."""
    whole = len(result.cuts) == sum(lane.track.cuts for lane in system.lanes)
    what = "the whole code" if whole else "every cut that this lock reads"
    taken = "" if result.listed == AS_GIVEN else ", if the list was taken as said below"
    likely = f"{percent(result.probability)} that this is {what}"
    if result.verdict == "sure":
        yield f"sure: {plainly(result.code, system)}", GOOD
        yield f"{likely} of the {result.system} key{taken}", None
    elif result.verdict == "unsure":
        yield f"NOT SURE, most probable: {plainly(result.code, system)}", DOUBT
        short = result.probability < result.sure_limit
        limit = f"; the limit for sure is {percent(result.sure_limit)}" if short else ""
        yield f"{likely} of the {result.system} key{taken}{limit}", None
    else:
        yield f"DOESN'T FIT {result.system}; nearest legal code, not to be cut: {plainly(result.code, system)}", BAD
        yield (
            f"of {result.system} keys only {percent(result.fit.p_value)} read so far from their code (limit "
            f"{percent(result.fit.limit)}): measure again, check how the key was held, try other systems, or --wear heavy "
            "for one that is very worn",
            None,
        )


def _listing(result: Decoded, system: System) -> Iterator[Line]:
    """How the list was taken, where that isn't as asked or may not be; and what else keeps the answer from being sure."""
    taken = result.listing
    if taken.name != AS_GIVEN:
        yield (
            f"the list was taken {_way(taken)} ({percent(taken.share)}); the code is for the key held the usual way",
            DOUBT,
        )
    for other in result.other_listings:
        if other.name == AS_GIVEN:
            yield f"or the list is right as it was given ({percent(other.share)}): look which end you began at", DOUBT
        else:
            yield f"perhaps the list was taken {_way(other)} ({percent(other.share)}): look at the key again", DOUBT
    for line in dict.fromkeys(_doubt(doubt, result, system) for doubt in result.doubts if doubt.kind != "listing"):
        yield line, DOUBT


def _way(listed: Listed) -> str:
    """A way of listing in running text."""
    at = f" at {listed.detail}" if listed.detail else ""
    words = {
        **{end: end for end in ENDS},
        EXCHANGED: "with the tracks exchanged",
        SIDES: "with the sides exchanged",
        SKIPPED: f"with a cut skipped{at}",
        TWICE: f"with a cut read twice{at}",
        SWAPPED: f"with neighbours swapped{at}",
    }
    which = "" if listed.number is None else f" in list {listed.number + 1}"
    return words.get(listed.name, f"with {listed.name}") + which


def _doubt(doubt: Doubt, result: Decoded, system: System) -> str:
    if doubt.kind == "other end":
        return (
            "places along the blade fit only as measured from its other end: was tip taken for shoulder? "
            f"Measure them from the {system.stop}, or the whole list may be turned round"
        )
    if doubt.kind == "jaw":
        explains = "explain the readings better" if doubt.share > 0.5 else "may explain the readings as well"
        return (
            f"jaws {system.from_mm(WIDE_JAW):.2g} {system.unit} wide {explains} ({percent(doubt.share)}): "
            "measure with the knife edges of the caliper's jaws, or give --jaw"
        )
    name = _cut(doubt.side, doubt.track, doubt.cut, system)
    if doubt.kind == "wrong place":
        if (many := sum(one.kind == "wrong place" for one in result.doubts)) > 3:
            return f"the places of {many} cuts are off by half their distance and more: was the stop missed, or a cut?"
        off = f"{abs(doubt.off):.1f} mm {'further' if doubt.off > 0 else 'nearer'}"
        another = "measured at another cut? Then leave it out when you measure anew"
        return f"the place of {name} is {off} from the stop than the cut lies: {another}"
    if doubt.kind == "half a step off":
        return f"what was read of {name} lies half a step or more from its depth: burr, filed, or another cut?"
    if doubt.kind == "lists disagree":
        return f"the lists disagree on {name}: measure it once more, as a list of its own"
    cut = next(c for c in result.cuts if (c.side, c.track, c.cut) == (doubt.side, doubt.track, doubt.cut))
    if not cut.values:
        if (unread := sum(not other.values for other in result.cuts)) > 3:
            return f"{unread} cuts were not read: their depths only follow from the rules"
        return f"{name} was not read: its depth only follows from the rules"
    low, high = next(track for track in system.tracks if track.name == cut.track).ends
    told = ", ".join(number(value, system, result.readings_unit) for value in cut.values)
    if "slip of the pen" in cut.taken_for:
        return f"{name} reads {told}, which looks like a slip of the pen: taken as not read"
    far = any(not low <= value <= high for value in cut.values)
    return f"{name} reads {told}, {'far outside every depth' if far else 'which fits no legal code'}: taken as not read"


def _offset(result: Decoded, system: System) -> Iterator[Line]:
    """An error that all readings share, where it is more than keys have."""
    mean, model = result.offset.mean, result.model
    if model is not None and abs(mean) > FAR * model.offset_sd > 0:
        yield (
            f"all readings are {number(abs(mean), system)} {system.unit} too {'small' if mean < 0 else 'large'}, much for "
            f"±{model.offset_sd:.4g}: check the caliper's zero, and whether the blade is as wide as the system says",
            DOUBT,
        )


def _systems(result: Decoded) -> Iterator[Line]:
    rows = []
    for rank in result.systems:
        share = percent(rank.probability) if rank.fits else "doesn't fit" if rank.compared else "not compared"
        told = [rank.reading, rank.code] if rank.compared else ["", ""]
        rows.append([rank.system, share, *told])
    yield from ((line, None) for line in table(rows, ["system", "probability", "list taken", "best code"]))
    if not any(rank.fits for rank in result.systems):
        yield "none of these systems fits", BAD


def heads(result: Decoded, system: System) -> tuple[str, ...]:
    """The headings of `table_rows`; the unit of what was read, where it isn't the system's."""
    unit = "" if result.readings_unit == system.unit else f", {result.readings_unit}"
    return "cut", "depth", f"reading{unit}", "deviation", "or else"


def table_rows(result: Decoded, system: System) -> list[tuple[str, ...]]:
    """The table of a decoded key, a row per cut, in the unit it was read in; readings half a step apart have no mean."""
    rows: list[tuple[str, ...]] = []
    unit = result.readings_unit
    for cut in result.cuts:
        others = ", ".join(f"{a.depth} {percent(a.probability)}" for a in cut.alternatives if a.probability >= TOLD)
        read = "not read" if cut.reading is None else number(cut.reading, system, unit)
        off = "" if cut.deviation is None else number(cut.deviation, system, unit, sign="+")
        low, high = min(cut.values, default=0.0), max(cut.values, default=0.0)
        if high - low > system.step / 2:
            read, off = f"{number(low, system, unit)} to {number(high, system, unit)}", ""
        rows.append(
            (
                cut_name(cut.side, cut.track if len(system.tracks) > 1 else None, cut.cut),
                cut.depth,
                read,
                off,
                others,
            )
        )
    return rows


def _shared(result: Decoded, system: System) -> Iterator[Line]:
    offset = result.offset
    parts = [f"offset {number(offset.mean, system, sign='+')} ± {number(offset.sd, system)} {system.unit}"]
    model = result.model
    if model is not None and model.tilt_sd:
        parts.append(
            f"tilt {number(result.tilt.mean, system)} ± {number(result.tilt.sd, system)} from first cut to last"
        )
    if model is not None and model.left_right_sd and len(system.tracks) > 1:
        parts.append(f"left-right {number(result.left_right, system)}")
    if model is not None and model.wear:
        parts.append(f"mean wear {number(result.wear.mean, system)} ± {number(result.wear.sd, system)}")
    yield f"shared by all readings: {'; '.join(parts)}", None
    p, limit = result.fit.p_value, result.fit.limit
    odd = any(doubt.kind == "half a step off" for doubt in result.doubts)
    word = "none" if p < limit else "poor" if p < 5 * limit or odd else "good"
    yield (
        f"fit: {word}; {percent(p)} of {result.system} keys read no closer to their code than this one "
        f"(below {percent(limit)}: no fit)",
        None,
    )
    places = result.places
    if places is not None and places.other_end <= 0.5:
        yield f"places along the blade agree within {places.rms:.2f} mm, {places.shift:+.2f} mm shared by all", None
    for cut in result.cuts:
        for value, share, taken in zip(cut.values, cut.wrong, cut.taken_for, strict=True):
            if taken != "reading":
                name = _cut(cut.side, cut.track, cut.cut, system)
                slip = {"wrong": "a wrong one", "slip of the pen": "a slip of the pen"}.get(
                    taken, "one of another place"
                )
                yield (
                    f"reading {number(value, system, result.readings_unit)} of {name} is taken for {slip} ({percent(share)})",
                    DOUBT,
                )


def _candidates(result: Decoded, system: System) -> Iterator[Line]:
    yield "most probable codes:", None
    for candidate in result.candidates:
        yield (
            f"  {percent(candidate.probability):>7}  {plainly(candidate.code, system)}{_differs(result, candidate, system)}",
            None,
        )


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
    name = cut_name(side, track if len(system.tracks) > 1 else None, cut)
    return f"cut {name}" if name.isdecimal() else name


def _what_next(result: Decoded, system: System) -> Iterator[Line]:
    """What to do next, in a locksmith's words."""
    if result.verdict == "sure":
        yield from ((line, None) for line in _asked_when_sure(result, system))
    if result.verdict != "unsure":
        return
    if result.probability >= result.sure_limit:  # what is in doubt is not the code of what was read
        if result.lists > 1 and any(doubt.kind == "listing" for doubt in result.doubts):
            yield CONTRADICT, DOUBT
            return
        if result.listed in ENDS:
            tip = (
                "write `from tip:` first"
                if len(system.lanes) == 1
                else "write `from tip` before the colon of each track"
            )
            write = tip if result.listed == FROM_TIP else "leave `from tip` out there"
            yield f"not sure for the way that the list was taken: if that is right, {write}", DOUBT
            return
        if all(doubt.kind == "jaw" for doubt in result.doubts):
            return
    elif shifted := _shifted(result):
        yield shifted, DOUBT
        return
    if result.lists == 1 and result.listed != AS_GIVEN:
        yield f"repeats don't settle which way the list was taken: {SECOND_LIST}", DOUBT
        return
    asked = result.measure_next[:ASKED]
    if result.probability >= result.sure_limit:
        doubted = {(doubt.side, doubt.track, doubt.cut) for doubt in result.doubts}
        asked = tuple(one for one in asked if (one.side, one.track, one.cut) in doubted) or asked
    if often := list(_read_often(result, system, asked)):
        yield from ((line, DOUBT) for line in often)
        return
    named = [one for one in result.measure_next if one.deciding]
    if len(result.measure_next) > 6 and not named:
        yield SECOND_LIST, DOUBT
        return
    if asked:
        yield "measure next, the most useful first (`|` joins readings of a cut: first|second):", DOUBT
    for following in asked:
        yield f"  {_next(following, system, result.readings_unit)}", None
    if result.lists == 1:
        yield f"or {SECOND_LIST}", None


def _asked_when_sure(result: Decoded, system: System) -> Iterator[str]:
    """What the readings can't show, and the locksmith knows."""
    if result.lists == 1 and result.listed == AS_GIVEN:
        first = f", {system.lanes[0].label} first" if len(system.lanes) > 1 else ""
        yield (
            f"was the list taken from the bow{first}, unless you wrote otherwise? "
            "A list taken otherwise that is legal too can't be told"
        )
    if result.wide_jaws >= JAW_ASKED:
        wide = f"{system.from_mm(WIDE_JAW):.2g} {system.unit}"
        yield f"was it read with the knife edges of the jaws? Read with jaws {wide} wide it may be another code"
    if result.exchanged:
        yield f"read once more, as two figures exchanged would be legal too: {_exchanged(result, system)}"


def _read_often(result: Decoded, system: System, asked: Sequence[Next]) -> Iterator[str]:
    """What to do where the cuts that are asked for were read often: try the few that they may be."""
    times = {(cut.side, cut.track, cut.cut): len(cut.values) for cut in result.cuts}
    disagree = any(doubt.kind == "lists disagree" for doubt in result.doubts)  # one more reading decides that
    if disagree or not asked or any(times.get((one.side, one.track, one.cut), OFTEN) < OFTEN for one in asked):
        return
    lists: dict[str, list[str]] = {}
    for cut in result.cuts:
        depths = [cut.depth, *(other.depth for other in cut.alternatives if other.probability >= TOLD)]
        written = cut.depth if len(depths) == 1 else f"[{' '.join(depths)}]"
        lists.setdefault(system.called(cut.side, cut.track), []).append(written)
    left = sum("[" in written for row in lists.values() for written in row)
    if not left:
        yield "read often enough: look at the key. Where wear or a burr explains what those cuts read, cut the code as it is"
    elif left <= OPEN:
        yield "read often enough: more readings hardly settle it. `bitting complete` finds the fewest blanks to try what is left:"
        yield "  " + " / ".join((f"{name}: " if len(lists) > 1 else "") + " ".join(row) for name, row in lists.items())


def _exchanged(result: Decoded, system: System) -> str:
    read = partial(number, system=system, unit=result.readings_unit)
    told = [
        f"{_cut(one.side, one.track, one.cut, system)} ({read(one.reading)} for {read(one.other)})"
        for one in result.exchanged
    ]
    return ", ".join(told[:4]) + (f" and {len(told) - 4} more" if len(told) > 4 else "")


def _shifted(result: Decoded) -> str:
    """What settles it where most of the doubt is one code with all cuts deeper, or all shallower: not more readings."""
    if len(result.candidates) < 2 or result.candidates[1].probability < (1 - result.probability) / 2:
        return ""
    pairs = zip(result.candidates[1].depths, result.depths, strict=True)
    steps = {b - a for own, first in pairs for b, a in zip(own, first, strict=True)}
    if len(steps) != 1:
        return ""
    way = "deeper" if steps.pop() > 0 else "shallower"
    return (
        f"the other code is this one with every cut {way}: more readings hardly tell them apart, the caliper's zero does. "
        "Measure a key of known code with it (--against, --against-code), and the blade's full width (--width)"
    )


CONTRADICT = (
    "the lists contradict each other, and no more readings of the cuts settle that: look at the key, and write the list that "
    "was taken otherwise as it was taken"
)
SECOND_LIST = (
    "measure every cut once more as a second list, beginning at the tip (`from tip` before the colon): two lists also "
    "show a cut skipped or taken for another"
)


def _next(following: Next, system: System, unit: str) -> str:
    """`left 3: below 7.31 it is a 4, above a 3`, in the unit that the key was read in."""
    name = _cut(following.side, following.track, following.cut, system)
    parts = []
    for deciding in following.deciding:
        if deciding.low is None and deciding.high is None:
            continue
        if deciding.low is None:
            where = f"below {number(deciding.high or 0.0, system, unit)}"
        elif deciding.high is None:
            where = f"above {number(deciding.low, system, unit)}"
        else:
            where = f"from {number(deciding.low, system, unit)} to {number(deciding.high, system, unit)}"
        parts.append(f"{where} it is {deciding.depth}")
    measured = "" if unit == system.unit else f", {unit}"
    return f"{name}{measured}: {'; '.join(parts)}" if parts else name


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
        f"mean wear {length(model.wear)}, a cut's ½, 1 or 2 times its key's",
    ]
    return (
        f"assumed, in {unit}: {', '.join(parts)}; {model.outliers:.1%} of readings simply wrong, {model.cut_wrong:.1%} "
        f"of cuts wrong in all readings of a list, {model.offset_tail:.0%} of offsets five times as wide; "
        f"a list taken from the tip in {PRIOR[FROM_TIP]:.0%} of cases, in other ways as rarely; "
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
    yield f"        {bar} the depth found, {dot} other depths (shifted by what all readings are off), {reading} reading"


def _axis(lane: Lane, at: Callable[[float], int], width: int) -> Iterator[str]:
    row = [" "] * width
    for label, depth in zip(lane.track.labels, lane.track.depths, strict=True):
        place = at(depth)
        for i, letter in enumerate(label):
            if place + i < width:
                row[place + i] = letter
    yield f"{lane.label[:7]:<7} {''.join(row).rstrip()}   deeper ->"
