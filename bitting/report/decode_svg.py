"""Readings against the depth lines, as SVG.

One strip per list of cuts, bow on the left, shallow at the top; a cut has a column at its place along the blade. Along the
blade the drawing is `ALONG` times life size and in depth `DOWN` times, so that a hundredth of a millimetre can be seen.
Grey lines across the strip are the depths of the table; in each column they stand once more, short, where the estimated
shared error moves them: the heavy one is the depth decided, dots beside it are the readings (one each), a red ring marks a
reading that is probably wrong, and a `?` below a cut one that is in doubt.

The file holds the code because its owner asked for it; title and description carry none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from attrs import frozen

from bitting.decoding.result import CutResult, Decoded
from bitting.model import Lane, System
from bitting.report.svg import FONT, document, element, n

ALONG, DOWN = 6.0, 24.0
INK, FAINT, MOVED, DECIDED, READ, WRONG, DOUBT = (
    "#14181c", "#d5d8da", "#8b8f94", "#1f5fa8", "#14181c", "#c0392b", "#b36b00",
)  # fmt: skip
MARGIN, LABELS, HEAD, FOOT, GAP = 6.0, 14.0, 9.0, 12.0, 6.0
LETTER, SMALL = 3.4, 2.6
SUSPICIOUS = 0.5
"""Probability above which a reading is drawn as wrong."""
NARROWEST = 9.0
"""Least width of a column, in millimetres of the drawing."""


@frozen
class _Frame:
    """Where a strip stands: `zero` is the drawing's y of `first` (system's unit); `across` the x of each cut."""

    top: float
    height: float
    first: float
    turn: int
    mm: float
    across: tuple[float, ...]
    half: float

    def y(self, value: float) -> float:
        """Height of a dimension, never outside the strip."""
        wanted = self.top + self.turn * (value - self.first) * self.mm * DOWN
        return min(max(wanted, self.top), self.top + self.height)


def readings_svg(result: Decoded) -> str:
    system = result.of
    if system is None:
        raise ValueError("a result to draw carries its system")
    body: list[str] = []
    top, width = MARGIN, 0.0
    for lane in system.lanes:
        names = [cut for cut in result.cuts if (cut.side, cut.track) == (lane.side, lane.track.name)]
        if not names:
            continue
        frame = _frame(lane, names, system, top + HEAD)
        body.append(_text(MARGIN, top + LETTER, lane.label, bold=True))
        body.extend(_strip(lane, names, frame, result))
        top = frame.top + frame.height + FOOT + GAP
        width = max(width, frame.across[-1] + frame.half + MARGIN)
    width = max(width, 130.0)
    unread = next((cut.cut for cut in result.cuts if not cut.values), None)
    body.extend(_legend(top, system, unread))
    return document(
        (width, top + 14 + MARGIN),
        [f'<g font-family="{FONT}" font-size="{LETTER}" fill="{INK}">', *body, "</g>"],
        title=f"Readings of a key of the system {system.name}",
        description="Each reading against the depth lines, per track, bow on the left, shallow at the top. "
        f"{n(ALONG)} times life size along the blade, {n(DOWN)} times in depth.",
    )


def _frame(lane: Lane, cuts: Sequence[CutResult], system: System, top: float) -> _Frame:
    """The strip's frame: as high as its depths and readings need, as wide as its spaces."""
    track = lane.track
    turn, mm = track.deeper, system.in_mm(1.0)
    values = [turn * depth for depth in track.depths] + [turn * v for cut in cuts for v in cut.values]
    step = system.step
    shallow, deep = min(turn * d for d in track.depths), max(turn * d for d in track.depths)
    low = max(min(values), shallow - step) - 0.3 * step
    high = min(max(values), deep + step) + 0.3 * step
    along = [abs(space - track.spaces[0]) * mm * ALONG for space in track.spaces]
    gap = min((b - a for a, b in zip(along, along[1:], strict=False)), default=NARROWEST)
    stretch = max(1.0, NARROWEST / gap)
    half = gap * stretch / 2
    across = tuple(MARGIN + LABELS + half + place * stretch for place in along)
    return _Frame(top, (high - low) * mm * DOWN, turn * low, turn, mm, across, half)


def _strip(lane: Lane, cuts: Sequence[CutResult], frame: _Frame, result: Decoded) -> Iterator[str]:
    track = lane.track
    left, right = MARGIN + LABELS, frame.across[max(cut.cut for cut in cuts) - 1] + frame.half
    paper = {"x": left, "y": frame.top, "width": right - left, "height": frame.height}
    yield element("rect", {**paper, "fill": "none", "stroke": FAINT, "stroke-width": 0.2})
    for label, depth in zip(track.labels, track.depths, strict=True):
        y = frame.y(depth)
        yield _line(left, right, y, FAINT, 0.25)
        yield _text(left - 1.5, y + 1.2, label, anchor="end")
    for cut in cuts:
        yield from _column(lane, cut, frame, result)


def _column(lane: Lane, cut: CutResult, frame: _Frame, result: Decoded) -> Iterator[str]:
    """One cut: its depth lines moved by the shared error, the readings, its number, its depth."""
    track = lane.track
    x, half = frame.across[cut.cut - 1], 0.8 * frame.half
    error = result.offset.mean
    if cut.reading is not None and cut.deviation is not None:
        error = cut.reading - cut.deviation - cut.nominal
    for label, depth in zip(track.labels, track.depths, strict=True):
        chosen = label == cut.depth
        kind, colour, thick = ("decided", DECIDED, 0.9) if chosen else ("moved", MOVED, 0.3)
        yield _line(x - half, x + half, frame.y(depth + error), colour, thick, kind)
    spread = min(1.6, half / max(len(cut.values), 1))
    for number, (value, wrong) in enumerate(zip(cut.values, cut.wrong, strict=True)):
        place = x + spread * (number - (len(cut.values) - 1) / 2)
        y = frame.y(value)
        yield _dot(place, y)
        if wrong >= SUSPICIOUS:
            yield _ring(place, y)
    foot = frame.top + frame.height
    doubt = cut.confidence < result.sure_limit
    yield _text(x, foot + 4.5, cut.depth + "?" * doubt, anchor="middle", bold=True, colour=DOUBT if doubt else INK)
    named = str(cut.cut) if cut.values else f"({cut.cut})"
    yield _text(x, foot + 8.5, named, anchor="middle", size=SMALL, colour=MOVED)


def _legend(top: float, system: System, unread: int | None) -> Iterator[str]:
    """What the marks mean, and a bar for the scale of depths."""
    x, y = MARGIN, top + 5.5
    yield _line(x, x + 6, top, DECIDED, 0.9)
    yield _text(x + 8, top + 1, "depth decided", size=SMALL)
    yield _line(x + 34, x + 40, top, MOVED, 0.3)
    yield _text(x + 42, top + 1, "other depths, shifted by what all readings are off", size=SMALL)
    yield _dot(x + 3, y - 0.7, marked=False)
    yield _text(x + 8, y, "a reading", size=SMALL)
    yield _ring(x + 37, y - 0.7, marked=False)
    yield _text(x + 42, y, "probably wrong", size=SMALL)
    bar, words = (0.1, "0.1 mm") if system.unit == "mm" else (0.005 * system.in_mm(1.0), "5 thou")
    at = {"x1": x + 72, "x2": x + 72, "y1": y, "y2": y - bar * DOWN}
    yield element("line", {**at, "stroke": INK, "stroke-width": 0.6})
    yield _text(x + 74, y, f"{words} of depth", size=SMALL)
    said = "" if unread is None else f"; ({unread}): cut {unread} was not read by itself"
    words = f"bow on the left, shallow at the top; {DOWN:g} times life size in depth{said}"
    yield _text(x, top + 11, words, size=SMALL, colour=MOVED)


def _line(left: float, right: float, y: float, colour: str, thick: float, kind: str | None = None) -> str:
    ends = {"class": kind, "x1": left, "x2": right, "y1": y, "y2": y}
    return element("line", {**ends, "stroke": colour, "stroke-width": thick})


def _dot(x: float, y: float, *, marked: bool = True) -> str:
    """A reading; `marked` where it is one of the key's."""
    return element("circle", {"class": "reading" if marked else None, "cx": x, "cy": y, "r": 0.7, "fill": READ})


def _ring(x: float, y: float, *, marked: bool = True) -> str:
    """What goes round a reading that is probably wrong."""
    at = {"class": "suspicious" if marked else None, "cx": x, "cy": y, "r": 1.7}
    return element("circle", {**at, "fill": "none", "stroke": WRONG, "stroke-width": 0.5})


def _text(
    x: float, y: float, text: str, *, anchor: str | None = None, bold: bool = False, size: float | None = None,
    colour: str | None = None,
) -> str:  # fmt: skip
    look = {"text-anchor": anchor, "font-weight": "bold" if bold else None, "font-size": size, "fill": colour}
    return element("text", {"x": x, "y": y, **look}, text)
