"""What the candidates have in common, drawn solid, and what is open, as a band.

One strip per list of cuts, bow on the left. The solid part is metal that every candidate leaves; the shaded band above
it reaches from the deepest to the shallowest depth that a candidate has there. Along the blade the strip is to scale,
`ZOOM` times life size; depths are drawn `STRETCH` times their size, and steps stand half-way between two cuts, where a
real cutter would leave a slope. Fine lines are the depths of the table. Title and description carry no code.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bitting.completion.result import Completion, CutLeft
from bitting.errors import BittingError
from bitting.model import Lane, System
from bitting.report.svg import FONT, document, element
from bitting.text import in_runs

METAL, BAND, INK, FAINT = "#8b8f94", "#f3c98b", "#14181c", "#c4c7ca"
STRETCH = 3.0
MARGIN, NAME, LETTER = 4.0, 5.0, 2.6
LABELS = 9.0
ZOOM = 2.0
EM = 0.65
"""Width of a character, as a share of its height."""


def open_svg(answer: Completion, system: System) -> str:
    """The picture as the text of an SVG file; raises BittingError when no code fits, as there is nothing to draw."""
    if not answer.count:
        raise BittingError("no legal code fits, so there is nothing to draw", hint="leave --svg out to see the answer")
    body: list[str] = []
    top, width = MARGIN, 0.0
    lists = [
        (lane, [cut for cut in answer.cuts if (cut.side, cut.track) == (lane.side, lane.track.name)])
        for lane in system.lanes
    ]
    letter = min(_letter(lane, cuts, system) for lane, cuts in lists if cuts)  # digits of one size on every list
    for lane, cuts in lists:
        if cuts:
            height, right = _strip(body, lane, cuts, system, top, letter)
            top, width = top + height, max(width, right)
    written = [f'<g font-family="{FONT}" font-size="{LETTER}" fill="{INK}">', *body, "</g>"]
    return document(
        (width, top),
        written,
        title=f"Open cuts of a key of the system {system.name}",
        description="Solid: metal that every code still possible leaves. Band: what is still open. Bow on the left.",
        zoom=ZOOM,
    )


def _letter(lane: Lane, cuts: Sequence[CutLeft], system: System) -> float:
    """The height of the letters with which the depths of a list fit beside each other."""
    labels, spaces = lane.track.labels, lane.track.spaces
    gaps = [abs(system.in_mm(b - a)) for a, b in pairwise(spaces)] or [system.in_mm(system.step) * 4]
    longest = max(len(_named([labels.index(label) for label in cut.depths], labels)) for cut in cuts)
    return min(LETTER, min(gaps) / (EM * (1 + longest)))


def _strip(
    body: list[str], lane: Lane, cuts: Sequence[CutLeft], system: System, top: float, letter: float
) -> tuple[float, float]:
    """Draw one list of cuts; returns the height it took and where it ends on the right."""
    track = lane.track
    along = [abs(system.in_mm(space - track.spaces[0])) for space in track.spaces]
    gaps = [b - a for a, b in zip(along, along[1:], strict=False)] or [system.in_mm(system.step) * 4]
    edges = [-gaps[0] / 2, *(a + gap / 2 for a, gap in zip(along, gaps, strict=False)), along[-1] + gaps[-1] / 2]
    shift = MARGIN - edges[0]
    step = STRETCH * system.in_mm(system.step)
    levels = [STRETCH * system.in_mm(abs(depth - track.depths[-1])) + step for depth in track.depths]
    floor = top + NAME + levels[0]
    right = edges[-1] + shift
    body.append(element("text", {"x": MARGIN, "y": top + LETTER}, lane.label))
    for level in levels:
        y = floor - level
        body.append(
            element("line", {"x1": MARGIN, "x2": right, "y1": y, "y2": y, "stroke": FAINT, "stroke-width": 0.1})
        )
    shown = {cut: _named([track.labels.index(label) for label in cut.depths], track.labels) for cut in cuts}
    for cut in cuts:
        at = cut.cut - 1
        left, wide = edges[at] + shift, edges[at + 1] - edges[at]
        places = [track.labels.index(label) for label in cut.depths]
        body.extend(_column(left, wide, floor, levels[max(places)], levels[min(places)]))
        middle = {"x": along[at] + shift, "text-anchor": "middle"}
        body.append(element("text", {**middle, "y": floor + 3.4, "font-size": letter}, shown[cut]))
        body.append(element("text", {**middle, "y": floor + 6.4, "font-size": 1.8, "fill": METAL}, str(cut.cut)))
    return NAME + levels[0] + LABELS, right + MARGIN


def _named(places: Sequence[int], labels: Sequence[str]) -> str:
    """The depths of a cut as `2`, `1–3`, or `1, 3` where one between them is not among them."""
    return ", ".join(labels[a] + (f"–{labels[b]}" if a < b else "") for a, b in in_runs(places))


def _column(left: float, wide: float, floor: float, solid: float, reach: float) -> Iterator[str]:
    for kind, top, high, fill in (
        ("common", floor - solid, solid, METAL),
        ("open", floor - reach, reach - solid, BAND),
    ):
        if kind == "common" or high > 0:
            yield element("rect", {"class": kind, "x": left, "width": wide, "y": top, "height": high, "fill": fill})
