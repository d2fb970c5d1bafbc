"""How an inspected key is told on a terminal: the table to read off the caliper, then what to do, cut by cut."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import zip_longest

from bitting.machine.inspect.limits import CutLimits, Limits
from bitting.machine.inspect.result import InspectedCut, InspectedPlace, Inspection
from bitting.model import System
from bitting.report.table import Line, table
from bitting.systemfile.load import typed_as
from bitting.text import DIGITS, percent

WORDS = {"pass": "pass", "fail": "scrap", "recut": "recut", "uncertain": "too close to tell"}
"""The four verdicts as people read them everywhere, by their names in the JSON."""

WHOLE = {
    "pass": "Pass: every cut is in tolerance.",
    "pass by the web": "Pass, as far as the web between the edges shows: every cut is in tolerance.",
    "fail": "Scrap: metal can't be put back.",
    "recut": "Recut: metal is still to come off.",
    "uncertain": "Too close to tell.",
}
GOOD_LOOKING_MM = 0.01
"""A key whose every cut was read once and is off by no more than this looks good, though it isn't proven."""


COLOURS = {"pass": "green", "scrap": "red", "recut": "yellow", "too close to tell": "cyan"}
"""The verdicts that end a row of the table, and what a terminal may show the row in."""


def number(length: float, system: System, unit: str | None = None, sign: str = "") -> str:
    """A length to the last digit that means anything, in the system's unit or another (mm, in, thou)."""
    shown = unit or system.unit
    value = {"mm": 1.0, "in": 1 / 25.4, "thou": 1000 / 25.4}[shown] * system.in_mm(length)
    return f"{round(value, DIGITS[shown]) + 0.0:{sign}.{DIGITS[shown]}f}"  # + 0.0: no minus zero where people read it


def both(length: float, system: System) -> str:
    """A length in millimetres and in thousandths of an inch, the system's own first: `0.060 mm (2.4 thou)`."""
    own, other = system.in_both(length, 3)
    return f"{own} ({other})"


def looks_good(result: Inspection, system: System) -> bool:
    """Whether nothing speaks against the key but that its cuts were read once."""
    close = system.from_mm(GOOD_LOOKING_MM) + 1e-9
    once = all(cut.readings == 1 and cut.deviation is not None for cut in result.cuts)
    off = [
        (cut.deviation or 0.0, (cut.deviation or 0.0) + cut.correction) for cut in result.cuts
    ]  # jaw at rest, or not
    near = all(min(map(abs, both_ways)) <= close for both_ways in off)
    return result.verdict == "uncertain" and once and near and not result.places


def inspection_lines(result: Inspection, system: System, columns: int = 120) -> Iterator[str | Line]:
    """The answer for a terminal of so many columns.

    The table is in the unit that the key was measured in, the most suspicious cut first. Where it is too wide, the limits
    past which a cut is recut or scrap have a table of their own. A key that is scrap has no corrections.
    """
    good = looks_good(result, system)
    verdict = "pass by the web" if result.web_alone and result.verdict == "pass" else result.verdict
    yield "Looks good, not proven: read each cut once more." if good else WHOLE[verdict]
    yield (
        f"tolerance ±{both(result.tolerance, system)}; a verdict needs {result.guard}"
        + (f", a guard band of {result.factor:.2f} u" if not result.guard.endswith("u") else "")
        + f" where one limit counts; u = {both(result.uncertainty, system)} for one reading"
    )
    if not good:
        yield from _ability(result, system)
    yield ""
    yield from _tables(result, system, columns)
    yield from _places(result, system)
    yield ""
    for pattern in result.patterns:
        yield f"In all: {pattern.message}, {both(abs(pattern.amount), system)} ± {both(2 * pattern.sd, system)}."
        yield f"  Look at {pattern.likely}."
    if not good:
        yield from _actions(result, system)
    if result.probability_all is not None and result.probability_all >= 0.5:
        yield f"All cuts in tolerance together: at least {percent(result.probability_all)}."
    for note in result.notes:
        yield f"Note: {note}."
    yield f"Assumed: {result.assumptions}. Deburr and dry the key before measuring."


def _name(cut: InspectedCut | InspectedPlace | CutLimits, system: System) -> str:
    """A cut as people are told of it: `left 3`, `top 3` where each side has one track."""
    return f"{system.called(cut.side, cut.track)} {cut.cut}"


STANDS_OFF = (
    "Where the jaw or contact doesn't reach the bottom of a cut, its limits are moved by what it stands off there: they are "
    "for what the caliper shows."
)


def limits_lines(found: Limits, system: System, columns: int = 120) -> Iterator[str]:
    """Go and no-go of every cut, in the system's unit and, where that fits into the columns, the other one."""
    times = "once" if found.repeats == 1 else f"{found.repeats} times"
    hopeless = all(cut.go is None for cut in found.cuts)
    yield f"Limits of {found.system} for a cut read {times}; tolerance ±{both(found.tolerance, system)}, {found.guard}"
    other = "thou" if system.unit == "mm" else "mm"
    if hopeless:
        more = "" if found.readings_needed is None else f"{found.readings_needed} times (--repeats), or "
        yield (
            f"No reading passes: a cut read {times} can't be proven to be within that. Read it {more}with a better gauge "
            f"(--caliper, --hand)."
        )
    head = ("cut", "depth", "nominal", f"go, {system.unit}", "recut", "scrap", f"go, {other}", "recut", "scrap")
    rows: list[tuple[str, ...]] = [head]
    for cut in found.cuts:
        way = system.track(cut.track).deeper
        row = [_name(cut, system), cut.depth, number(cut.nominal, system)]
        for unit in (system.unit, other):
            row += [
                "none" if cut.go is None else window_words(cut.go, system, unit),
                f"{'<>'[way < 0]} {number(cut.no_go[0], system, unit)}",
                f"{'><'[way < 0]} {number(cut.no_go[1], system, unit)}",
            ]
        rows.append(tuple(row))
    if hopeless:
        short = ("cut", "depth", "nominal", f"recut, {system.unit}", "scrap", f"recut, {other}", "scrap")
        rows = [short, *(row[:3] + row[4:6] + row[7:] for row in rows[1:])]
    for kept in (len(rows[0]), 5 if hopeless else 6):
        lines = list(table([row[:kept] for row in rows], align="lrrllllll"[:kept], ruled=False))
        if max(map(len, lines)) <= columns:
            break
    yield from lines
    if not hopeless and any(cut.go is None for cut in found.cuts):
        enough = (found.readings_needed or 0) <= found.repeats
        yield (
            "none: no number of readings proves that cut, for what the jaw may stand off there"
            if enough
            else f"none: read every cut {found.readings_needed} times (--repeats {found.readings_needed})"
        )
    yield (
        ("" if hopeless else "go: the mean reading passes. ")
        + "Past recut it is surely too shallow, past scrap surely too deep; in between it is too "
        "close to tell."
    )
    if any(abs(system.in_mm(sum(cut.no_go) / 2 - cut.nominal)) >= 0.5e-3 for cut in found.cuts):
        yield STANDS_OFF


def _ability(result: Inspection, system: System) -> Iterator[str]:
    """Whether this caliper can prove this tolerance at all."""
    measured = [cut.readings for cut in result.cuts if cut.readings]
    if result.verdict == "pass" or (result.readings_needed or math.inf) <= min(measured, default=0):
        return
    if result.readings_needed is None:
        yield (
            f"This caliper can't prove this tolerance, however often it is read: that needs u of at most "
            f"{both(result.largest_uncertainty, system)}. Use a better gauge."
        )
    else:
        yield (
            f"One reading of a cut can't prove this tolerance with this caliper: read every cut at least "
            f"{result.readings_needed} times (7.42|7.41), or use a better gauge."
        )


def _tables(result: Inspection, system: System, columns: int) -> Iterator[Line]:
    unit, other = result.readings_unit, "mm" if result.readings_unit != "mm" else "thou"
    shown = "works at" if result.against else "nominal"
    head = ("cut", "depth", shown, "to pass", "recut", "scrap", "reads", f"off {unit}", other, "inside", "")
    rows = [head, *(_cells(cut, system, unit, other) for cut in sorted(result.cuts, key=_suspicion))]
    colours = [None, *(COLOURS.get(row[-1]) for row in rows[1:])]
    whole = list(table(rows, align="lrrlllrrrrl", ruled=False))
    if max(map(len, whole)) > columns:
        limits = [(row[0], *row[3:6]) for row in rows]
        whole = list(table([row[:3] + row[6:] for row in rows], align="lrrrrrrl", ruled=False))
        what = "What passes; past the other limits a cut is surely out:"
        whole += ["", what, *table(limits, align="llll", ruled=False)]
    yield from zip_longest(whole, colours)


def _suspicion(cut: InspectedCut) -> tuple[int, float]:
    """The most suspicious cut first: by how likely it is to be in tolerance; those that weren't measured last."""
    if cut.probability_in_tolerance is None:
        return 1, 0.0
    return 0, round(cut.probability_in_tolerance, 3)


def _cells(cut: InspectedCut, system: System, unit: str, other: str) -> tuple[str, ...]:
    name = _name(cut, system)
    nominal = number(cut.nominal, system, unit)
    reads = "-" if cut.measured is None else number(cut.measured, system, unit)
    if cut.deviation is None or cut.probability_in_tolerance is None:
        return (name, cut.depth, nominal, "", "", "", reads, "", "", "", cut.note)
    way = system.track(cut.track).deeper
    recut = "" if cut.recut_from is None else f"{'<>'[way < 0]} {number(cut.recut_from, system, unit)}"
    scrap = "" if cut.scrap_from is None else f"{'><'[way < 0]} {number(cut.scrap_from, system, unit)}"
    return (
        name,
        cut.depth,
        nominal,
        "none" if cut.window is None else window_words(cut.window, system, unit),
        recut,
        scrap,
        reads,
        number(cut.deviation, system, unit, "+"),
        number(cut.deviation, system, other, "+"),
        percent(cut.probability_in_tolerance),
        WORDS[cut.verdict],
    )


def window_words(window: tuple[float, float], system: System, unit: str) -> str:
    """The window rounded inwards, so that what is printed passes."""
    step = system.from_mm({"mm": 1.0, "in": 25.4, "thou": 0.0254}[unit]) * 10.0 ** -DIGITS[unit]
    low, high = (math.ceil(window[0] / step - 1e-6) * step, math.floor(window[1] / step + 1e-6) * step)
    if low > high:
        return number(sum(window) / 2, system, unit)
    if number(low, system, unit) == number(high, system, unit):
        return f"{number(low, system, unit)} only"
    return f"{number(low, system, unit)} to {number(high, system, unit)}"


def _places(result: Inspection, system: System) -> Iterator[str]:
    if result.places:
        yield ""
        yield "Places along the blade:"
    for place in result.places:
        word = "scrap, in the wrong place" if place.verdict == "fail" else WORDS[place.verdict]
        yield (
            f"  {_name(place, system)}  at {number(place.measured, system)}, nominal "
            f"{number(place.nominal, system)}  {percent(place.probability_in_tolerance)}  {word}"
        )


def _actions(result: Inspection, system: System) -> Iterator[str]:
    """What to do about each cut that doesn't pass; cuts that need the same are told together."""
    again: dict[int | None, list[str]] = {}
    shallow = []
    if result.verdict != "fail":
        yield from _recuts([cut for cut in result.cuts if cut.verdict == "recut"], system)
    for cut in result.cuts:
        name = _name(cut, system)
        if cut.verdict == "uncertain" and cut.deviation is not None and result.verdict != "fail":
            again.setdefault(cut.readings_to_decide, []).append(name)
            if cut.readings_to_decide is None and (cut.deviation + cut.correction) * system.track(cut.track).deeper < 0:
                shallow.append(name)
        elif cut.verdict == "fail" and cut.deviation is not None:
            stands = system.in_mm(abs(cut.correction)) >= 0.5e-3
            jaw = f", {both(abs(cut.correction), system)} of it because the jaw stands off there" if stands else ""
            like = f" It reads like depth {cut.reads_like}." if cut.reads_like else ""
            yield f"{name}: too deep by {both(abs(cut.deviation + cut.correction), system)}{jaw}.{like}"
    if hopeless := again.pop(None, []):
        yield f"Reading again with this caliper won't settle {', '.join(hopeless)}; use a better gauge."
        if shallow:
            yield f"Or mill {', '.join(shallow)} once more at the same depth and measure again: it reads too shallow."
    if again:
        counts = sorted(filter(None, again), reverse=True)
        names = {count: ", ".join(again[count]) for count in counts}
        if len(counts) > 1 and not hopeless:
            names[counts[-1]] = "the others too close to tell"
        told = "; ".join(f"{count} times {names[count]}" for count in counts)
        yield f"Read in all {told}: that settles it if the means stay."
    missing = [_name(c, system) for c in result.cuts if c.deviation is None]
    if missing:
        yield f"Still to measure: {', '.join(missing)}."


LESS = 0.05
"""The share of what a cut is too shallow by from which it is told that less comes off."""


def _recuts(cuts: Sequence[InspectedCut], system: System) -> Iterator[str]:
    """What comes off each cut that is surely too shallow, and the plan that takes it off.

    A cut that reads like another depth was set to that one: past its own depth it would be scrap.
    """
    called = typed_as(system) if cuts else ""
    takes: list[str] = []
    sides: tuple[str, ...] = ("",)
    for cut in cuts:
        name, amount = _name(cut, system), cut.recut or 0.0
        off = abs((cut.deviation or 0.0) + cut.correction)
        if like := cut.reads_like:
            yield (
                f"{name}: too shallow by {both(off, system)}, it reads like depth {like}. Set to that by mistake? Mill it "
                f"at {cut.depth} (bitting plan -s {called} --have -, the code with {like} there) and measure again."
            )
            continue
        if cut.side is None and system.convenience and len(system.sides) > 1:
            sides = system.sides  # without a side both would be milled, and one of them nobody measured
        moved = " Only if the key hasn't left the clamp: clamping it anew moves it by more than that."
        takes.append(f"{name} by {number(amount, system)}")
        less = f", less than the {both(off, system)} that it reads, which may be too much" * (off - amount > LESS * off)
        yield f"{name}: too shallow, take off {both(amount, system)}{less}.{moved if cut.still_clamped else ''}"
    if takes:
        option = " ".join(f"--take '{f'{sides[0]} {take}'.strip()}'" for take in takes)
        else_side = "".join(f"; if it was the {side}, with {side} for {sides[0]}" for side in sides[1:])
        yield f"  The plan{f', if it was the {sides[0]}' if else_side else ''}: bitting plan -s {called} {option}{else_side}."
