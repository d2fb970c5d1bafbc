"""Readings text to `Readings`: numbers in the system's unit, each at its cut.

Conversions are decimal and exact until the last step. A number's digits say how fine it was read (`7.42`: 0.01), limits
`±a` are a rectangular distribution of half-width a, whose standard uncertainty is a/√3 (JCGM 100:2008, GUM, 4.3.7).

A wrong number of readings raises, because which cut is missing can't be told; so do readings that fit the depth table
only in another unit: a caliper switched to the other one, or a point left out, makes every reading wrong by a factor of
25 and more, which is told from a worn or foreign key by the readings as a whole. Single wrong readings are none of this
module's business: the measurement model expects them. A track that isn't named may be left out: its cuts are then
unmeasured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from itertools import pairwise
from math import sqrt

import attrs
from attrs import frozen
from lark import Token, Tree

from bitting.errors import BittingError, NotationError, Span
from bitting.model import MM_PER_INCH, Lane, ReadCut, Reading, Readings, System, Track
from bitting.model.expect import expect
from bitting.notation.structure import (
    Assigned,
    Row,
    SideRows,
    assign,
    lane_by_lane,
    names_of,
    of_side,
    sides_of,
    span_of,
)
from bitting.notation.tree import ParseTree, branches, leaf, parse_tree
from bitting.text import cut_name, plural

SAID = {"mm": "millimetres", "in": "inches", "thou": "thousandths of an inch"}
UNITS: dict[str, Decimal] = {
    "mm": Decimal(1),
    "in": Decimal(str(MM_PER_INCH)),
    "thou": Decimal(str(MM_PER_INCH)) / 1000,
}
"""Unit -> millimetres."""

ACROSS = "across"
MARGIN = 3
"""A reading is far outside when it lies more than so many increments beyond its depth table."""
ABSURD = 4
"""No key is so many times as large as the largest dimension of its system."""
DIGITS_BEFORE, DIGITS_BEHIND = 6, 9
"""More digits than these, before and behind the point, are no length read from a key."""


def parse_readings(text: str, system: System, unit: str | None = None, lock: str | None = None) -> Readings:
    """The readings that `text` is for `system`, in the system's unit.

    `unit` (mm, in, thou) is meant where the text names none; without it the system's. With `lock`, lists may hold that
    lock's cuts alone: the others were not measured. Raises NotationError when the text can't be parsed, a name can't be
    resolved, units differ, the number of readings isn't that of the cuts, or the readings are far outside the depth table
    in their unit (and fit it in another, or no key could be so large); BittingError for a lock that the system hasn't.
    """
    expect(System, system)
    if unit is not None and unit.casefold() not in UNITS:
        raise BittingError(f"there is no unit '{unit}'", hint=f"units are {', '.join(UNITS)}")
    try:
        return _understood(text, system, unit)
    except NotationError:
        from bitting.notation.lock import readings_of_lock

        readings = None if lock is None else readings_of_lock(text, system, unit, lock)
        if readings is None:
            raise
        return readings


def _understood(text: str, system: System, unit: str | None) -> Readings:
    try:
        return _resolved(text, system, unit, sides_of(parse_tree(text, "readings", system), system, text))
    except NotationError:
        from bitting.notation.spoken import said  # only a text that isn't in the notation's own words needs it

        understood = said(text, system, "readings")
        if understood is None or not understood.sure:
            raise
        sides = understood.sides()
    return _resolved(text, system, unit, sides)


def _resolved(text: str, system: System, unit: str | None, sides: Sequence[SideRows]) -> Readings:
    named = _one_unit(sides, text)
    used = named or (unit or system.unit).casefold()
    rows: list[tuple[str | None, Assigned[Sequence[ParseTree]]]] = []
    across: list[tuple[str | None, Row]] = []
    for side in sides:
        names = _names(side, system, text)
        between = [row for row, name in zip(side.rows, names, strict=True) if name == ACROSS]
        across += [(side.side, row) for row in between]
        if between and system.measuring.across and system.measuring.across.sides:
            _of_no_side(side, between[0], system, text)
            names = [name for name in names if name != ACROSS]
            side = side._replace(rows=tuple(row for row in side.rows if row not in between))
        if side.rows:
            rows += _lists(side, names, system, text)
    reader = _Reader(text, UNITS[used] / UNITS[system.unit])
    cuts: list[ReadCut] = []
    for name, given in rows:
        track = _counted(given, system, text)
        nodes = given.row.items if given.parts is None else given.parts
        cuts += reader.cuts(nodes, name, track.name, from_tip=given.row.end == "tip")
    for name, row in across:
        _expect(row, row.items, _across_cuts(system), f"{ACROSS}: ", text)
        read = reader.cuts(row.items, name, ACROSS, from_tip=row.end == "tip")
        cuts += (_of_each_edge(cut, system) for cut in read) if system.alike_across else read
    readings = Readings(system, text, used, tuple(cuts))
    check_plausible(readings, named=named is not None)
    return readings


def _of_no_side(side: SideRows, row: Row, system: System, text: str) -> None:
    """Raise where a reading between two edges stands among those of one."""
    if side.side is not None:
        raise NotationError(
            "a reading between the edges is of both, and stands by itself",
            hint=f"write {' / '.join(of_side(name, system) for name in system.sides)} / {ACROSS}: …",
            text=text,
            span=row.whole,
        )


def _of_each_edge(cut: ReadCut, system: System) -> ReadCut:
    """A reading between two edges that are cut alike, as one of the cut that both have: half of what they have together."""
    across = system.need("measuring.across")
    half = [
        attrs.evolve(
            reading,
            value=across.scale * (reading.value - across.amount) / 2,
            own_sd=None if reading.own_sd is None else reading.own_sd / 2,
            digit=reading.digit / 2,
            share=0.5,
        )
        for reading in cut.readings
    ]
    return attrs.evolve(cut, track=across.tracks[0], readings=tuple(half))


def _names(side: SideRows, system: System, text: str) -> list[str | None]:
    """The resolved names of one side's lists, `across` among them where the system says what it means."""
    if system.measuring.across is not None:
        return names_of(side.rows, system, text, (ACROSS,))
    known = {track.name.casefold() for track in system.tracks}
    for row in side.rows:
        if row.name is not None and row.name.casefold() == ACROSS and ACROSS not in known:
            raise NotationError(
                f"the system {system.name} doesn't say what a reading across two tracks means",
                hint='add `across = { tracks = ["left", "right"], less = W }` under [measuring] in its file',
                text=text,
                span=span_of(row.name),
            )
    return names_of(side.rows, system, text)


def _lists(
    side: SideRows, names: Sequence[str | None], system: System, text: str
) -> list[tuple[str | None, Assigned[Sequence[ParseTree]]]]:
    """(side, list given to a track) for every list of single tracks on one side of the text."""
    unwrapped = side.side is None and system.sided
    if unwrapped and any(names):
        raise NotationError(
            "which side was measured?",
            hint=f"write each side with its name: {' / '.join(of_side(name, system) for name in system.sides)}",
            text=text,
            span=next(row.whole for row in side.rows if row.name is not None),
        )
    if not unwrapped:
        lists = assign(side.rows, system.tracks, names, _split)
        if any(given.track is None for given in lists):
            raise _wrong_total(side, [Lane(None, track) for track in system.tracks], system, text)
        return [(side.side, given) for given in lists]
    found = lane_by_lane(side.rows, system.lanes, _split, lambda row, _: row.items)
    if found is None:
        raise _wrong_total(side, system.lanes, system, text)
    return [(lane.side, Assigned(lane.track, row, part)) for lane, row, part in found]


def _split(row: Row, tracks: Sequence[Track]) -> Sequence[Sequence[ParseTree]] | None:
    if len(row.items) != sum(track.cuts for track in tracks):
        return None
    parts = []
    start = 0
    for track in tracks:
        parts.append(row.items[start : start + track.cuts])
        start += track.cuts
    return parts


def _counted(given: Assigned[Sequence[ParseTree]], system: System, text: str) -> Track:
    """The list's track, once the number of readings is that of its cuts."""
    track = given.track or system.tracks[0]
    items = given.row.items if given.parts is None else given.parts
    label = f"{track.name}: " if len(system.tracks) > 1 else ""
    _expect(given.row, items, track.cuts, label, text)
    return track


def _expect(row: Row, items: Sequence[ParseTree], cuts: int, label: str, text: str) -> None:
    if len(items) == cuts:
        return
    span: Span = (items[cuts].meta.start_pos, row.span[1]) if len(items) > cuts else row.span
    raise NotationError(
        f"{label}{cuts} readings expected, {len(items)} given",
        hint="write one reading per cut, ? for a cut that could not be measured, and 7.40|7.41 for repeats of one cut",
        text=text,
        span=span,
    )


def _wrong_total(side: SideRows, lanes: Sequence[Lane], system: System, text: str) -> NotationError:
    """The error for lists that can't be given to the lanes they are meant for."""
    shape = ", ".join(f"{lane.label} {lane.track.cuts}" for lane in lanes)
    if len(side.rows) == 1:
        total = sum(lane.track.cuts for lane in lanes)
        message = f"{total} readings expected ({shape}), {len(side.rows[0].items)} given"
    else:
        message = f"{plural(len(lanes), 'list')} of readings expected ({shape}), {len(side.rows)} given"
    form = " / ".join(f"{track.name}: …" for track in system.tracks)
    if system.sided or (side.side is None and system.sides and len(side.rows) > len(lanes)):
        form = " / ".join(of_side(name, system) for name in system.sides)
    return NotationError(message, hint=f"name what was measured, as in {form}", text=text, span=side.span)


def _across_cuts(system: System) -> int:
    """How many readings across the two tracks there are: as many as both have cuts."""
    across = system.measuring.across
    return min(system.track(name).cuts for name in across.tracks) if across else 0


def _is_unit(value: object) -> bool:
    return isinstance(value, Token) and value.type == "UNIT"


def _one_unit(sides: Iterable[SideRows], text: str) -> str | None:
    """The unit that the text names; None where it names none."""
    found: Token | None = None
    nodes = (item for side in sides for row in side.rows for item in row.items)
    for token in (token for node in nodes for token in node.scan_values(_is_unit)):
        if found is not None and token.casefold() != found.casefold():
            raise NotationError(
                f"'{token}' stands beside '{found}'",
                hint="write all readings of one text in the same unit",
                text=text,
                span=span_of(token),
            )
        found = found or token
    return found.casefold() if found is not None else None


@frozen
class _Reader:
    """Turns nodes into readings; `factor` is the text's unit in the system's."""

    text: str
    factor: Decimal

    def cuts(self, nodes: Sequence[ParseTree], side: str | None, track: str, *, from_tip: bool) -> Iterable[ReadCut]:
        """The cuts of one list, bow to tip."""
        for cut, node in enumerate(reversed(nodes) if from_tip else nodes):
            if node.data == "unknown":
                yield ReadCut(side, track, cut, ())
                continue
            readings = tuple(self._reading(value) for value in branches(node))
            yield ReadCut(side, track, cut, readings, self._place(node))

    def _reading(self, value: ParseTree) -> Reading:
        number, half = leaf(value, 0), next(iter(_parts(value, "half")), None)
        amount, digit = self._number(number)
        own_sd = None
        if half is not None:
            own_sd = self._number(leaf(half, 0))[0] / sqrt(3)
        return Reading(amount, own_sd, digit, span_of(value))

    def _place(self, node: ParseTree) -> float | None:
        """Where along the blade the cut was read, when the text says so."""
        places = [part for value in branches(node) for part in _parts(value, "at")]
        if len(places) > 1:
            raise NotationError(
                "the place of one cut is given twice",
                hint="leave out a reading taken at another cut; else write the place behind one reading of the cut only",
                text=self.text,
                span=span_of(places[1]),
            )
        return self._number(leaf(places[0], 0))[0] if places else None

    def _number(self, token: Token) -> tuple[float, float]:
        """A number and the step of its digits, in the system's unit."""
        plain = token.replace(",", ".")
        whole, _, behind = plain.partition(".")
        if len(whole.lstrip("0")) > DIGITS_BEFORE or len(behind) > DIGITS_BEHIND or len(whole) > 2 * DIGITS_BEFORE:
            shown = token if len(token) <= 24 else token[:20] + "…"
            raise NotationError(
                f"'{shown}' has too many digits for one reading",
                hint="readings are lengths such as 7.42, with blanks between them; a code is not written here",
                text=self.text,
                span=span_of(token),
            )
        step = Decimal(1).scaleb(-len(behind))
        return float(Decimal(plain) * self.factor), float(step * self.factor)


def _parts(value: ParseTree, name: str) -> list[ParseTree]:
    return [part for part in value.children if isinstance(part, Tree) and part.data == name]


def check_plausible(readings: Readings, *, named: bool) -> None:
    """Raise NotationError when the unit can't be meant; `named` says whether the text itself names it.

    That is when more than half of the readings are far outside the depth tables in their unit while at least half of
    them would be inside in another, or when four of five are larger than any key of the system could be.
    """
    system = readings.system
    values = [(cut.track, reading) for cut in readings.cuts for reading in cut.readings]
    if not values:
        return
    windows = _windows(system)
    share = {unit: _inside(values, windows, float(UNITS[unit] / UNITS[readings.unit])) for unit in UNITS}
    if share[readings.unit] >= 0.5:
        return
    best = max(share, key=lambda unit: share[unit])
    scale = UNITS[system.unit] / UNITS[readings.unit]
    table = ", ".join(_table(track, readings.unit, scale) for track in system.tracks)
    if share[best] >= 0.5:
        raise NotationError(
            f"these readings are far outside the depth table in {SAID[readings.unit]} ({table}), "
            f"but they fit it in {SAID[best]}",
            hint=f"write {best} instead of {readings.unit}" if named else f"write the unit behind a reading: … {best}",
            text=readings.text,
            span=values[0][1].span,
        )
    largest = max(system.blade.width or 0.0, *(max(track.depths) for track in system.tracks))
    absurd = [reading for _, reading in values if reading.value > ABSURD * largest]
    if 5 * len(absurd) >= 4 * len(values):
        raise NotationError(
            f"no key is as large as these readings in {SAID[readings.unit]}; the depth table has {table}",
            hint="is a decimal point missing, or is this another system's key?",
            text=readings.text,
            span=absurd[0].span,
        )


def read_coarsely(readings: Readings) -> tuple[str, ...]:
    """The cuts with a reading of fewer decimals than others of the key have: a zero behind it may have been left out."""
    plain = [(cut, reading) for cut in readings.cuts for reading in cut.readings if reading.own_sd is None]
    finest = min((reading.digit / reading.share for _, reading in plain), default=0.0)
    coarse = (cut_name(cut.side, cut.track, cut.cut + 1) for cut, r in plain if r.digit / r.share > 5 * finest)
    return tuple(dict.fromkeys(coarse))


def _inside(values: list[tuple[str, Reading]], windows: dict[str, tuple[float, float]], scale: float) -> float:
    """The share of the readings that would lie in their windows were they `scale` times as large."""
    inside = 0
    for track, reading in values:
        low, high = windows[track]
        inside += low <= reading.value * scale <= high
    return inside / len(values)


def near_table(track: Track) -> tuple[float, float]:
    """What a reading of a track may be without being far outside its depth table, in the system's unit.

    Towards zero it also ends at a quarter of the smallest dimension: three increments below a table that begins near zero
    would take in every reading made in inches.
    """
    margin = MARGIN * max((abs(b - a) for a, b in pairwise(track.depths)), default=0.0)
    low, high = min(track.depths), max(track.depths)
    return max(low - margin, min(low, low / 4)), high + margin


def _windows(system: System) -> dict[str, tuple[float, float]]:
    """Per track (and `across`): what a reading may be without being far outside, in the system's unit."""
    out: dict[str, tuple[float, float]] = {}
    for track in system.tracks:
        out[track.name] = near_table(track)
    across = system.measuring.across
    if across:
        first, second = (out[name] for name in across.tracks)
        ends = sorted(across.scale * (a + b) + across.amount for a, b in zip(first, second, strict=True))
        out[ACROSS] = ends[0], ends[1]
    return out


def _table(track: Track, unit: str, scale: Decimal) -> str:
    """The depth table's ends in `unit`, as people are told of it."""
    places = {"mm": 2, "in": 4, "thou": 1}[unit]
    ends = (float(Decimal(repr(depth)) * scale) for depth in (track.depths[0], track.depths[-1]))
    return f"{track.name}: " + " to ".join(f"{end:.{places}f}" for end in ends)
