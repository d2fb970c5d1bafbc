"""The facts of the bench page: everything about one key to be cut, as frozen values, before it is laid out.

Nothing is worked out here: the plan, the check, the limits, the decoded readings and the drawing are those of the
commands of these names, gathered in the order in which a locksmith needs them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from attrs import evolve, field, frozen

from bitting.checking import check
from bitting.errors import BittingError
from bitting.machine.inspect.decision import Guard
from bitting.machine.inspect.uncertainty import Gauge
from bitting.machine.plan.plan import Plan
from bitting.model import Code, System
from bitting.notation.aloud import spell
from bitting.report.check import where
from bitting.report.decode import heads, table_rows, verdict
from bitting.report.decode_svg import readings_svg
from bitting.report.drawing import life_size_svg
from bitting.report.inspect import STANDS_OFF, both, number, window_words
from bitting.report.plan import verdict_lines
from bitting.sheet.limits import Judging, Limits, judging
from bitting.sheet.moves import MoveList, PageStep, lists_of, moves, steps_of
from bitting.sheet.picture import Board, Mark, boards_of

if TYPE_CHECKING:
    from bitting.decoding import result

RULER_MM = 50.0
BELOW = "Then type what the caliper reads into the table below, under: Inspect the finished key."
ALL = 10_000
"""Columns enough for any line: a page breaks its own lines."""


@frozen
class Row:
    """One list of cuts of the code: what it is called, its depths, and the same spelled for reading aloud."""

    label: str
    depths: tuple[str, ...] = field(repr=False)
    aloud: tuple[str, ...] = field(repr=False)


@frozen
class Decoded:
    """What readings of a key say, beside the code: whether they say another one, a table, and a picture (SVG)."""

    differs: bool
    beside: str = field(repr=False)
    said: tuple[str, ...] = field(repr=False)
    heads: tuple[str, ...]
    table: tuple[tuple[str, ...], ...] = field(repr=False)
    picture: str = field(repr=False)


@frozen
class LimitRow:
    """One row of the inspection table: cells are (heading, in the system's unit, in the other one).

    `places` has a (side, index in `Judging.rows`) for every side that it is read on: a convenience key's share a row.
    """

    name: str
    depth: str
    cells: tuple[tuple[str, str, str], ...]
    places: tuple[tuple[str, int], ...]


@frozen
class Inspecting:
    """How the finished key is judged: what the page's script needs, the limits to read, and what they rest on."""

    judging: Judging
    rows: tuple[LimitRow, ...]
    said: str
    assumed: str


@frozen
class Page:
    """Everything that the page says. `marks` has a mark per step, None where nothing is cut; `drawing` is an SVG."""

    plan: Plan = field(repr=False)
    rows: tuple[Row, ...]
    advice: tuple[str, ...]
    facts: tuple[str, ...]
    between: tuple[str, ...]
    copying: tuple[str, ...]
    drawing: str = field(repr=False)
    boards: tuple[Board, ...]
    steps: tuple[PageStep, ...] = field(repr=False)
    marks: tuple[Mark | None, ...] = field(repr=False)
    lists: tuple[MoveList, ...] = field(repr=False)
    moves: int
    inspecting: Inspecting | None
    decoded: Decoded | None


def page_of(
    made: Plan,
    code: Code,
    *,
    have: Code | None = None,
    inspecting: Inspecting | None = None,
    decoded: result.Decoded | None = None,
) -> Page:
    """The page of a plan: `have` is the code that the key is cut to already, where the plan is of a change from another.

    `inspecting` says how the finished key is judged (None: no table of limits), `decoded` is the key that the code
    was read from. Raises BittingError where the plan is not good: such a page is never made.

    (Long: it names every field of a page.)
    """
    system, depths = made.made_for, code.depths
    if not made.good or depths is None:
        raise BittingError(
            f"a plan that is not good gets no page: {' '.join(made.warnings)}", hint="`bitting plan` shows all of it"
        )
    *steps, last = steps_of(made)
    steps.append(last if inspecting is None else evolve(last, lines=(last.lines[0], BELOW, *last.lines[1:])))
    earlier = None if made.taken is None else depths if have is None else have.depths
    boards, marks = boards_of(made, depths, earlier)
    of_track = [iter(row) for row in marks]
    return Page(
        plan=made,
        rows=tuple(_rows(code, system)),
        advice=tuple(where(f, system) + f.message for f in check(code, suggest=False).findings if f.level == "should"),
        facts=tuple(line for line, _ in verdict_lines(made, ALL)),
        between=tuple(text for _, text in made.between),
        copying=tuple(_joined(made.copying)),
        drawing=life_size_svg(depths, system, ease=made.eased, ruler=RULER_MM, ids="blade-"),
        boards=boards,
        steps=tuple(steps),
        marks=tuple(None if step.track is None else next(of_track[step.track]) for step in steps),
        lists=lists_of(made, steps),
        moves=moves(made),
        inspecting=inspecting,
        decoded=None if decoded is None else _decoded(code, system, decoded),
    )


def _joined(lines: Sequence[str]) -> Iterator[str]:
    """Lines that belong to the one before them, which the plan indents, put behind it."""
    text = ""
    for line in lines:
        if line.startswith(" "):
            text += ("; " if not text.endswith(":") else " ") + line.strip()
            continue
        if text:
            yield text
        text = line
    if text:
        yield text


def _rows(code: Code, system: System) -> Iterator[Row]:
    for lane, row in zip(system.lanes, code.depths or (), strict=True):
        labels = tuple(lane.track.labels[place] for place in row)
        name = lane.label if len(system.lanes) > 1 else "cuts"
        yield Row(name[:1].upper() + name[1:], labels, tuple(spell(label) for label in labels))


def inspecting_of(
    code: Code,
    gauge: Gauge = Gauge(),  # noqa: B008 - a frozen value
    guard: Guard = Guard(),  # noqa: B008
    tolerance: float | None = None,
) -> Inspecting | None:
    """How `inspect` would judge the finished key; None for a system without a tolerance where none is given."""
    system = code.system
    if tolerance is None and system.measuring.tolerance is None:
        return None
    found = judging(code, system, gauge, guard, tolerance)
    return Inspecting(
        found, tuple(_limit_rows(found, system)), _limits_said(found, system), f"Assumed: {found.assumptions}."
    )


def _limit_rows(found: Judging, system: System) -> Iterator[LimitRow]:
    """The limits, those of a cut that is alike on every side once."""
    together: dict[tuple[str | None, str, int], list[int]] = {}
    for index, row in enumerate(found.rows):
        together.setdefault((row.side if system.sided else None, row.track, row.cut), []).append(index)
    for (side, track, cut), places in together.items():
        first = found.rows[places[0]]
        named = (side, track if len(system.tracks) > 1 else None, str(cut))
        sides = tuple((found.rows[place].side or "", place) for place in places)
        yield LimitRow(" ".join(filter(None, named)), first.depth, tuple(_cells(first, system)), sides)


def _cells(row: Limits, system: System) -> Iterator[tuple[str, str, str]]:
    """The limits of a cut in the system's unit and in the other one, each rounded towards the safe side."""
    units = (system.unit, "thou" if system.unit == "mm" else "mm")
    more, less = (">", "<") if row.deeper < 0 else ("<", ">")
    for head, sign, value in (("nominal", "", row.nominal), ("recut", more, row.recut), ("scrap", less, row.scrap)):
        shown = [f"{sign} {number(value, system, unit)}".strip() for unit in units]
        yield head, shown[0], shown[1]
        if head == "nominal":
            window = ["none" if row.go is None else window_words(row.go, system, unit) for unit in units]
            yield "to pass", window[0], window[1]


def _limits_said(found: Judging, system: System) -> str:
    allowed = f"A cut may be off by {both(found.tolerance, system)}; a verdict needs {found.guard.words}."
    if any(abs(system.in_mm(row.correction)) >= 0.5e-3 for row in found.rows):
        allowed += f" {STANDS_OFF}"
    if not found.proves:
        return (
            f"{allowed} No number of readings with this caliper proves that, so none can pass: use a better gauge. What is "
            "past the other limits is surely out."
        )
    if found.readings == 1:
        return f"{allowed} The limits are for one reading of each cut; more of them widen what passes."
    return (
        f"{allowed} Read every cut {found.readings} times: one reading can't prove that with this caliper. The limits are "
        f"for the mean of {found.readings} readings."
    )


def _decoded(code: Code, system: System, found: result.Decoded) -> Decoded:
    same = found.code == code.canonical
    beside = (
        "The most probable code of these readings is the one on this page."
        if same
        else f"These readings say another code: {found.code}. Settle that before a blank is cut."
    )
    return Decoded(
        differs=not same or found.verdict != "sure",
        beside=beside,
        said=tuple(line for line, _ in verdict(found, system)),
        heads=heads(found, system),
        table=tuple(table_rows(found, system)),
        picture=readings_svg(found),
    )
