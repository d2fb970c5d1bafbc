"""The blade to scale as SVG: printed at 1:1 it overlays the key.

`draw_svg(code, system)` is one drawing, in millimetres, bow on the left and tip on the right, so that the left track
(seen from bow to tip, face up) is at the top. It shows the blade and where the bow goes on, the stop, the milled
tracks with the walls that the plan leaves, a fine line at every depth, and the number and depth of every cut. Faces
that differ are drawn under each other; a key cut on its edges is one picture. `measures` adds the distance of every
cut from the stop and the dimension of every depth.

Title and description are there for screen readers, and carry no code: a drawing's title ends up in window titles, lists
and histories. No label overlaps another: letters shrink with the smallest pitch, and the labels of depth lines, which
often lie closer than letters are high, are spread out beside the tip and led to their lines.

Grey metal, lighter milling, black walls: made to be read in print without colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from attrs import frozen

from bitting.errors import BittingError
from bitting.machine.plan_wall import LaneWall, lane_walls
from bitting.model import Code, System
from bitting.report.drawing_labels import EM, Label, fitted_size, spread, text_svg
from bitting.report.drawing_shapes import BOW, FAINT, INK, SHOULDER, STOP, Scale, blade, n

MARGIN = 2.0

BESIDE = 1.5
"""Air between an edge of the blade and the first row of labels; clears the shoulder."""


@frozen
class Panel:
    """One blade of the drawing: its title and the lanes that are seen on it."""

    title: str
    walls: tuple[LaneWall, ...]


def draw_svg(code: Code, system: System, *, measures: bool = False, ease: bool = False, zoom: float = 1.0) -> str:
    """The drawing as the text of an SVG file, `zoom` times life size.

    Raises `BittingError` for a code with a cut that is open or wrong, and where the system file lacks the blade's width
    or the cutter.
    """
    depths = code.depths
    if depths is None:
        raise BittingError(
            "only a code whose every cut is one known depth can be drawn",
            hint="`bitting check` says what is wrong or still open in it",
            text=code.text,
        )
    if not 0.1 <= zoom <= 50:
        raise BittingError(f"a drawing {zoom:g} times life size is of no use", hint="0.1 to 50 times")
    panels = _panels(system, lane_walls(depths, system, ease=ease))
    body: list[str] = []
    labels: list[Label] = []
    y, width = MARGIN, 0.0
    for panel in panels:
        y, right = _panel(body, labels, system, panel, y, measures)
        width = max(width, right)
    labels.append(_ruler(body, system, MARGIN, y + 1.0))
    height = y + 2.0 + MARGIN
    width = max(width, 30.0) + MARGIN
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{n(width * zoom)}mm" height="{n(height * zoom)}mm" '
            f'viewBox="0 0 {n(width)} {n(height)}" role="img" aria-labelledby="title desc">',
            f'<title id="title">Key blade of the system {escape(system.name)}</title>',
            f'<desc id="desc">{escape(_description(system, panels, zoom))}</desc>',
            f'<rect width="{n(width)}" height="{n(height)}" fill="#ffffff"/>',
            *body,
            '<g font-family="DejaVu Sans, Verdana, sans-serif" fill="' + INK + '">',
            *(text_svg(label) for label in labels),
            "</g>",
            "</svg>",
            "",
        ]
    )


def _panels(system: System, walls: Sequence[LaneWall]) -> list[Panel]:
    """Edges are seen on one blade; faces are drawn one by one, a convenience key's once."""
    if system.tracks[0].milling == "edge" or not system.sides:
        return [Panel("", tuple(walls))]
    if system.convenience:
        return [Panel(" and ".join(system.sides) + ", alike", tuple(walls))]
    return [Panel(side, tuple(w for w in walls if w.frame.lane.side == side)) for side in system.sides]


def _description(system: System, panels: Sequence[Panel], zoom: float) -> str:
    tracks = {w.frame.lane.label: w.frame.track.cuts for panel in panels for w in panel.walls}
    named = ", ".join(f"{name} with {cuts} cuts" for name, cuts in tracks.items())
    scale = "life size" if zoom == 1 else f"{zoom:g} times life size"
    return (
        f"{system.about or system.name}. Bow on the left, tip on the right, {scale}. {named.capitalize()}, numbered from "
        f"the bow; beside each number the depth. The {system.stop} meets the stop."
    )


def _panel(
    body: list[str], labels: list[Label], system: System, panel: Panel, top: float, measures: bool
) -> tuple[float, float]:
    """Draw one blade below `top`; returns where it ends, down and to the right (millimetres)."""
    frame = panel.walls[0].frame
    size = fitted_size(system, panel.walls)
    if panel.title:
        labels.append(Label(MARGIN, top + 1.6, 1.8, "start", panel.title))
        top += 3.0
    above = any(w.frame.hand == "left" for w in panel.walls)
    below = any(w.frame.hand == "right" for w in panel.walls)
    rows = _rows_height(system, panel.walls, size, measures)
    width = float(system.need("blade.width"))
    fan = [to for _, to, *_ in _fan(panel.walls, Scale(system, 0.0, 0.0), size)]
    over, under = size / 2 - fan[0], fan[-1] + size / 2 - system.in_mm(width)
    scale = Scale(system, MARGIN + BOW - system.in_mm(frame.x_bow), top + max(rows if above else 1.5, over))
    blade(body, system, panel.walls, scale, width)
    for wall in panel.walls:
        _depth_lines(body, wall, scale)
        _cut_marks(body, labels, wall, scale, size, measures)
    _stop(body, labels, system, scale, frame.x_bow if system.stop == "shoulder" else frame.x_tip, width)
    right = _depth_labels(body, labels, system, panel.walls, scale, size, measures)
    return scale.y(width) + max(rows if below else 1.5, under) + 1.5, right


def _rows_height(system: System, walls: Sequence[LaneWall], size: float, measures: bool) -> float:
    """Room for the rows of labels beside an edge: number, depth, and the distance from the stop if wanted."""
    distances = max(len(_length(system, s)) for w in walls for s in w.frame.track.spaces)
    return BESIDE + 2 * size * 1.25 + (distances * size * EM + 1.0 if measures else 0.0)


def _fan(walls: Sequence[LaneWall], scale: Scale, size: float) -> list[tuple[float, float, int, int]]:
    """The labels of the depth lines: where each line lies, where its label goes, its wall and its place in the table."""
    marks = sorted(
        (scale.y(wall.frame.across(depth)), number, place)
        for number, wall in enumerate(walls)
        for place, depth in enumerate(wall.frame.track.depths)
    )
    places = spread([mark[0] for mark in marks], size * 1.2)
    return [(at, to, number, place) for (at, number, place), to in zip(marks, places, strict=True)]


def _length(system: System, value: float) -> str:
    return f"{value:.2f}" if system.unit == "mm" else f"{value:.3f}"


def _depth_lines(body: list[str], wall: LaneWall, scale: Scale) -> None:
    frame = wall.frame
    first, last = frame.x_of_cut(0), frame.x_tip
    d = "".join(
        f"M{n(scale.x(first))} {n(scale.y(frame.across(depth)))}H{n(scale.x(last))}" for depth in frame.track.depths
    )
    body.append(f'<path d="{d}" fill="none" stroke="{FAINT}" stroke-width="0.05" stroke-dasharray="0.3 0.3"/>')


def _cut_marks(body: list[str], labels: list[Label], wall: LaneWall, scale: Scale, size: float, measures: bool) -> None:
    """A tick at the centre of every cut, its number and depth outside the blade, and its distance if wanted."""
    frame, system = wall.frame, wall.frame.system
    width = float(system.need("blade.width"))
    outwards, own = (-1, 0.0) if frame.hand == "left" else (1, width)
    edge = scale.y(own)
    ticks = []
    first = edge + outwards * (BESIDE + size / 2)
    rows = (first, first + outwards * size * 1.25)
    named = len(system.tracks) > 1 or frame.lane.side is not None
    name = f"{frame.lane.label} depth" if named else "depth"
    small = min(size, 1.4, (scale.x(frame.x_of_cut(0)) - size - MARGIN) / (len(name) * EM))
    labels.append(Label(MARGIN, rows[0], small, "start", "cut", FAINT))
    labels.append(Label(MARGIN, rows[1], small, "start", name, FAINT))
    for cut, depth in enumerate(wall.depths):
        x = scale.x(frame.x_of_cut(cut))
        seat = scale.y(frame.across(frame.track.depths[depth]))
        ticks.append(f"M{n(x)} {n(edge + outwards * 0.8)}V{n(seat)}")
        labels.append(Label(x, rows[0], size, "middle", str(cut + 1), FAINT))
        labels.append(Label(x, rows[1], size, "middle", frame.track.labels[depth], bold=True))
        if measures:
            text = _length(system, frame.track.spaces[cut])
            far = edge + outwards * (BESIDE + size * 2.5 + 0.6)
            labels.append(Label(x, far, size * 0.9, "end" if outwards > 0 else "start", text, turned=True))
    body.append(f'<path d="{"".join(ticks)}" fill="none" stroke="{FAINT}" stroke-width="0.06"/>')


def _stop(body: list[str], labels: list[Label], system: System, scale: Scale, x: float, width: float) -> None:
    """The stop: a strong line where distances start."""
    at = scale.x(x)
    reach = 0.6 if system.stop == "tip" else SHOULDER
    body.append(
        f'<path d="M{n(at)} {n(scale.y(0) - reach)}V{n(scale.y(width) + reach)}" stroke="{STOP}" stroke-width="0.3"/>'
    )
    middle = scale.y(width / 2)
    labels.append(Label(at - 0.6, middle, 1.3, "end", system.stop, STOP))


def _depth_labels(
    body: list[str],
    labels: list[Label],
    system: System,
    walls: Sequence[LaneWall],
    scale: Scale,
    size: float,
    measures: bool,
) -> float:
    """The name of every depth line beside the tip, spread so that none touches another; returns their right end."""
    tip = scale.x(walls[0].frame.x_tip)
    x = right = tip + 3.0
    leaders = []
    for at, to, number, place in _fan(walls, scale, size):
        track = walls[number].frame.track
        text = f"{track.labels[place]}  {_length(system, track.depths[place])}" if measures else track.labels[place]
        leaders.append(f"M{n(tip)} {n(at)}L{n(x - 0.9)} {n(to)}H{n(x - 0.4)}")
        labels.append(Label(x, to, size, "start", text, FAINT))
        right = max(right, labels[-1].box[2])
    body.append(f'<path d="{"".join(leaders)}" fill="none" stroke="{FAINT}" stroke-width="0.05"/>')
    return right


def _ruler(body: list[str], system: System, x: float, y: float) -> Label:
    """A bar of ten millimetres (half an inch), to check that a print came out life size."""
    length, text = (10.0, "10 mm, to check the print") if system.unit == "mm" else (12.7, "0.5 in, to check the print")
    ends = "".join(f"M{n(at)} {n(y - 0.6)}V{n(y + 0.6)}" for at in (x, x + length))
    body.append(f'<path d="{ends}M{n(x)} {n(y)}H{n(x + length)}" stroke="{INK}" stroke-width="0.12" fill="none"/>')
    return Label(x + length + 1.0, y, 1.4, "start", text)
