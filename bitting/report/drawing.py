"""The blade to scale as SVG: printed at 1:1 it overlays the key.

`draw_svg(code, system)` is one drawing, in millimetres, bow on the left and tip on the right, so that the left track
(seen from bow to tip, face up) is at the top. It shows the blade and where the bow goes on, the stop, the milled
tracks with the walls that the plan leaves, a fine line at every depth, and the number and depth of every cut. Faces
that differ are drawn under each other; a key cut on its edges is one picture. `measures` adds the distance of every
cut from the stop and the dimension of every depth.

Title and description are there for screen readers, and carry no code: a drawing's title ends up in window titles, lists
and histories. No label overlaps another: letters shrink with the smallest pitch, and the labels of depth lines, which
often lie closer than letters are high, are spread out beside the tip and led to their lines.

Grey metal, lighter milling, black walls: made to be read in print without colour. Walls keep their true arcs; only the
pocket of an internal groove is a polygon (see `bitting.machine.plan.wall`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Literal

from attrs import define, evolve, field, frozen

from bitting.errors import BittingError
from bitting.geometry.profile import Piece
from bitting.machine.plan.wall import LaneWall, groove, lane_walls
from bitting.model import Code, Depths, System
from bitting.model.expect import expect, expect_read_for
from bitting.report.svg import FONT, document, element, n

EM = 0.66
"""Width of the widest digit or letter used, as a share of the letters' size, with a little air."""

LARGEST = 1.8
"""Height of letters where there is room, in millimetres."""


@frozen
class Label:
    """Text at a place on the page (millimetres), centred upon it from top to bottom; `turned` reads upwards."""

    x: float
    y: float
    size: float
    anchor: Literal["start", "middle", "end"]
    text: str
    colour: str | None = None
    bold: bool = False
    turned: bool = False

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of the room the label takes, rather too large than too small."""
        wide = len(self.text) * self.size * EM
        start = {"start": 0.0, "middle": -wide / 2, "end": -wide}[self.anchor]
        half = self.size * 0.5
        if self.turned:
            return self.x - half, self.y - start - wide, self.x + half, self.y - start
        return self.x + start, self.y - half, self.x + start + wide, self.y + half


def fitted_size(system: System, walls: Sequence[LaneWall]) -> float:
    """Letters as large as the smallest pitch lets the longest cut number or depth label be."""
    size = LARGEST
    for wall in walls:
        track = wall.frame.track
        longest = max(len(str(track.cuts)), *(len(label) for label in track.labels))
        pitches = [abs(system.in_mm(b - a)) for a, b in pairwise(track.spaces)]
        if pitches:
            size = min(size, min(pitches) / (longest * EM + 0.15), min(pitches) * 0.85)
    return size


def spread(places: Sequence[float], gap: float) -> list[float]:
    """Places in the same order, each at least `gap` from the next, moved no more than needed (least squares).

    Neighbours that would touch are pooled and set around their common mean, as in isotonic regression.

    >>> spread([0.0, 0.1, 5.0], 1.0)
    [-0.45, 0.55, 5.0]
    """
    pools: list[tuple[float, int]] = []  # mean of (place - rank * gap), how many
    for rank, place in enumerate(places):
        mean, count = place - rank * gap, 1
        while pools and pools[-1][0] > mean:
            before, many = pools.pop()
            mean, count = (before * many + mean * count) / (many + count), many + count
        pools.append((mean, count))
    flat = [mean for mean, count in pools for _ in range(count)]
    return [mean + rank * gap for rank, mean in enumerate(flat)]


def text_svg(label: Label) -> str:
    x, y = round(label.x, 3), round(label.y + (0.0 if label.turned else label.size * 0.36), 3)
    if label.turned:
        x = round(label.x + label.size * 0.36, 3)
    look = {
        "fill": label.colour,
        "font-weight": "bold" if label.bold else None,
        "transform": f"rotate(-90 {x:g} {y:g})" if label.turned else None,
    }
    return element(
        "text", {"x": x, "y": y, "font-size": round(label.size, 3), "text-anchor": label.anchor, **look}, label.text
    )


METAL, MILLED, WALL, INK, FAINT, STOP = "#d8d4cb", "#f7f5ef", "#14181c", "#14181c", "#666b71", "#a2321c"

BOW = 9.0
"""How much of the bow is shown, in millimetres."""

SHOULDER = 1.2
"""How far a shoulder is drawn to stand out; no system file says."""


@frozen
class Scale:
    """From the system's unit and coordinates to millimetres on the page; `top` is where the blade's left edge lies."""

    system: System
    left: float
    top: float

    def x(self, along: float) -> float:
        return self.left + self.system.in_mm(along)

    def y(self, across: float) -> float:
        return self.top + self.system.in_mm(across)


def _path(
    d: str,
    fill: str | None = None,
    stroke: str | None = None,
    width: float | None = None,
    *,
    rule: str | None = None,
    dashes: str | None = None,
) -> str:
    look = {"fill": fill, "fill-rule": rule, "stroke": stroke, "stroke-width": width, "stroke-dasharray": dashes}
    return element("path", {"d": d, **look})


def blade(system: System, walls: Sequence[LaneWall], scale: Scale, width: float) -> Iterator[str]:
    """Bow and blade: the metal, then what is milled away, then the lines."""
    frame = walls[0].frame
    x0, x1 = frame.x_bow, frame.x_tip
    milling = system.tracks[0].milling
    cut = {w.frame.hand: w for w in walls} if milling == "edge" else {}
    upper = edge_path(cut.get("left"), scale, x0, x1, 0.0)
    lower = edge_path(cut.get("right"), scale, x1, x0, width)
    yield from _bow(system, scale, x0, width)
    yield _path(f"M{upper}L{lower}Z", METAL)
    if milling == "internal":
        rings = groove(tuple(walls))
        d = "".join("M" + "L".join(f"{n(scale.x(x))} {n(scale.y(y))}" for x, y in ring) + "Z" for ring in rings)
        yield _path(d, MILLED, WALL, 0.15, rule="evenodd")
    elif milling == "external":
        for wall in walls:
            yield from _milled(wall, scale, width)
    yield _path(f"M{upper}M{lower}", "none", WALL, 0.15)
    for end, x in (("bow", x0), ("tip", x1)):
        across = f"M{n(scale.x(x))} {n(scale.y(0))}V{n(scale.y(width))}"
        yield _path(across, None, WALL, 0.12, dashes="0.6 0.4" if end == frame.assumed else None)


def _bow(system: System, scale: Scale, x: float, width: float) -> Iterator[str]:
    """The end of the bow, wider than the blade where there is a shoulder; it goes on where it is left open."""
    step = SHOULDER if system.stop == "shoulder" else 0.0
    top, bottom, left, start = scale.y(0) - step, scale.y(width) + step, scale.x(x) - BOW, scale.x(x)
    yield _path(f"M{n(left)} {n(top)}H{n(start)}V{n(bottom)}H{n(left)}", METAL)
    yield _path(f"M{n(left)} {n(top)}H{n(start)}M{n(left)} {n(bottom)}H{n(start)}", None, WALL, 0.15)


def _milled(wall: LaneWall, scale: Scale, width: float) -> Iterator[str]:
    """An external track: light from the blade's own edge to the wall, the wall itself strong."""
    frame = wall.frame
    own = 0.0 if frame.hand == "left" else width
    line = "".join(wall_path(wall, scale, forward=True))
    a, b = f"{n(scale.x(frame.x_bow))} {n(scale.y(own))}", f"{n(scale.x(frame.x_tip))} {n(scale.y(own))}"
    yield _path(f"M{a}L{line}L{b}Z", MILLED)
    yield _path(f"M{line}", "none", WALL, 0.15)


def edge_path(wall: LaneWall | None, scale: Scale, start: float, end: float, across: float) -> str:
    """One edge of the blade from start to end, straight or with its cuts, without the leading M."""
    if wall is None:
        return f"{n(scale.x(start))} {n(scale.y(across))}L{n(scale.x(end))} {n(scale.y(across))}"
    return "".join(wall_path(wall, scale, forward=end > start))


def wall_path(wall: LaneWall, scale: Scale, *, forward: bool) -> Iterator[str]:
    """The wall as the inside of an SVG path, true arcs and all, without the leading M."""
    frame = wall.frame
    pieces = wall.wall if forward else wall.wall[::-1]
    for i, piece in enumerate(pieces):
        ends = (piece.lo, piece.hi) if forward else (piece.hi, piece.lo)
        points = [f"{n(scale.x(x))} {n(scale.y(frame.across(frame.dimension(piece.at(x)))))}" for x in ends]
        yield points[0] if i == 0 else f"L{points[0]}"
        if piece.r:
            r = n(frame.system.in_mm(piece.r))
            bulges_down = frame.inwards > 0  # the arc's deepest point lies at a larger y than its ends
            sweep = int(bulges_down != forward)
            yield f"A{r} {r} 0 0 {sweep} {points[1]}"
        else:
            yield f"L{points[1]}"


MARGIN = 2.0

BESIDE = 1.5
"""Air between an edge of the blade and the first row of labels; clears the shoulder."""


@frozen
class Panel:
    """One blade of the drawing: its title and the lanes that are seen on it."""

    title: str
    walls: tuple[LaneWall, ...]


Overlay = Callable[[Panel, Scale], Sequence[str]]
"""What is drawn upon the blade, below its lines and labels, as parts of an SVG file."""


def draw_svg(code: Code, system: System, *, measures: bool = False, ease: bool = False, zoom: float = 1.0) -> str:
    """The drawing as the text of an SVG file, `zoom` times life size.

    Raises `BittingError` for a code with a cut that is open or wrong, and where the system file lacks the blade's width
    or the cutter.
    """
    expect(Code, code)
    expect(System, system)
    expect_read_for(code, system)
    depths = code.depths
    if depths is None:
        raise BittingError(
            "only a code whose every cut is one known depth can be drawn",
            hint="`bitting check` says what is wrong or still open in it",
            text=code.text,
        )
    if not 0.1 <= zoom <= 50:
        raise BittingError(f"a drawing {zoom:g} times life size is of no use", hint="0.1 to 50 times")
    return _blades(system, panels_of(system, lane_walls(depths, system, ease=ease)), measures, zoom)


def life_size_svg(depths: Depths, system: System, *, ease: bool, ruler: float, ids: str) -> str:
    """The drawing to be printed within a page: a bar of `ruler` millimetres at its foot, `ids` before its identifiers."""
    return _blades(system, panels_of(system, lane_walls(depths, system, ease=ease)), False, 1.0, ruler, ids)


def _blades(
    system: System, panels: Sequence[Panel], measures: bool, zoom: float, ruler: float | None = None, ids: str = ""
) -> str:
    """Every blade under the one before it, and the bar that tells whether a print is life size."""
    size = min(fitted_size(system, panel.walls) for panel in panels)  # digits of one size on every face
    drawing = _Drawing(system, size, measures)
    y, width = MARGIN, 0.0
    for panel in panels:
        y, right = drawing.panel(panel, y)
        width = max(width, right)
    end = drawing.ruler(MARGIN, y + 1.0, zoom, ruler)
    paper = (max(width, 30.0 if ruler is None else end) + MARGIN, y + 2.0 + MARGIN)
    title = f"Key blade of the system {system.name}"
    return drawing.svg(paper, title, _description(system, panels, zoom), zoom=zoom, ids=ids)


def blank_picture(system: System, panel: Panel, overlay: Overlay, *, title: str, ids: str) -> str:
    """One blade as it comes, as the text of an SVG file: depth lines, the cuts' numbers and depths, an overlay upon it.

    It is made to be shown large, so it has no ruler.
    """
    blanks = ((w, Piece(w.frame.x_bow, w.frame.x_tip, w.frame.x_bow, w.frame.surface)) for w in panel.walls)
    uncut = tuple(evolve(wall, wall=(blank,), centres=()) for wall, blank in blanks)
    drawing = _Drawing(system, fitted_size(system, uncut), measures=False)
    y, width = drawing.panel(Panel("", uncut), MARGIN, overlay)
    return drawing.svg((width + MARGIN, y + MARGIN), title, _description(system, [panel], None), ids=ids)


def panels_of(system: System, walls: Sequence[LaneWall]) -> list[Panel]:
    """Edges are seen on one blade; faces are drawn one by one, a convenience key's once."""
    if system.tracks[0].milling == "edge" or not system.sides:
        return [Panel("", tuple(walls))]
    if system.convenience:
        return [Panel(" and ".join(system.sides) + ", alike", tuple(walls))]
    return [Panel(side, tuple(w for w in walls if w.frame.lane.side == side)) for side in system.sides]


def _description(system: System, panels: Sequence[Panel], zoom: float | None) -> str:
    tracks = {w.frame.lane.label: w.frame.track.cuts for panel in panels for w in panel.walls}
    named = ", ".join(f"{name} with {cuts} cuts" for name, cuts in tracks.items())
    scale = "" if zoom is None else ", life size" if zoom == 1 else f", {zoom:g} times life size"
    return (
        f"{system.about or system.name}. Bow on the left, tip on the right{scale}. {named.capitalize()}, numbered from "
        f"the bow; beside each number the depth. The {system.stop} meets the stop."
    )


@define
class _Drawing:
    """A drawing that grows: shapes, and upon them labels; its digits are of one size, `measures` adds lengths."""

    system: System
    size: float
    measures: bool
    body: list[str] = field(factory=list)
    labels: list[Label] = field(factory=list)

    def svg(self, paper: tuple[float, float], title: str, description: str, *, zoom: float = 1.0, ids: str) -> str:
        over = [f'<g font-family="{FONT}" fill="{INK}">', *(text_svg(label) for label in self.labels), "</g>"]
        return document(paper, [*self.body, *over], title=title, description=description, zoom=zoom, ids=ids)

    def panel(self, panel: Panel, top: float, overlay: Overlay | None = None) -> tuple[float, float]:
        """Draw one blade below `top`; returns where it ends, down and to the right (mm)."""
        system, size = self.system, self.size
        frame = panel.walls[0].frame
        if panel.title:
            self.labels.append(Label(MARGIN, top + 1.6, 1.8, "start", panel.title))
            top += 3.0
        above = any(w.frame.hand == "left" for w in panel.walls)
        below = any(w.frame.hand == "right" for w in panel.walls)
        rows = self._rows_height(panel.walls)
        width = float(system.need("blade.width"))
        fan = [to for _, to, *_ in _fan(panel.walls, Scale(system, 0.0, 0.0), size)]
        over, under = size / 2 - fan[0], fan[-1] + size / 2 - system.in_mm(width)
        scale = Scale(system, MARGIN + BOW - system.in_mm(frame.x_bow), top + max(rows if above else 1.5, over))
        self.body += (*blade(system, panel.walls, scale, width), *(overlay(panel, scale) if overlay else ()))
        for wall in panel.walls:
            self.body.append(_depth_lines(wall, scale))
            self._cut_marks(wall, scale)
        self._stop(scale, frame.x_bow if system.stop == "shoulder" else frame.x_tip, width)
        right = self._depth_labels(panel.walls, scale)
        return scale.y(width) + max(rows if below else 1.5, under) + 1.5, right

    def _rows_height(self, walls: Sequence[LaneWall]) -> float:
        """Room for the rows of labels beside an edge: number, depth, and the distance from the stop if wanted."""
        distances = max(len(_length(self.system, s)) for w in walls for s in w.frame.track.spaces)
        return BESIDE + 2 * self.size * 1.25 + (distances * self.size * EM + 1.0 if self.measures else 0.0)

    def _cut_marks(self, wall: LaneWall, scale: Scale) -> None:
        """A tick at the centre of every cut, its number and depth outside the blade, and its distance if wanted."""
        frame, system, size, labels = wall.frame, self.system, self.size, self.labels
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
            if self.measures:
                text = _length(system, frame.track.spaces[cut])
                far = edge + outwards * (BESIDE + size * 2.5 + 0.6)
                labels.append(Label(x, far, size * 0.9, "end" if outwards > 0 else "start", text, turned=True))
        self.body.append(_path("".join(ticks), "none", FAINT, 0.06))

    def _stop(self, scale: Scale, x: float, width: float) -> None:
        """The stop: a strong line where distances start."""
        at = scale.x(x)
        reach = 0.6 if self.system.stop == "tip" else SHOULDER
        self.body.append(_path(f"M{n(at)} {n(scale.y(0) - reach)}V{n(scale.y(width) + reach)}", None, STOP, 0.3))
        middle = scale.y(width / 2)
        self.labels.append(Label(at - 0.6, middle, 1.3, "end", self.system.stop, STOP))

    def _depth_labels(self, walls: Sequence[LaneWall], scale: Scale) -> float:
        """The name of every depth line beside the tip, spread so that none touches another; returns their right end."""
        tip = scale.x(walls[0].frame.x_tip)
        x = right = tip + 3.0
        leaders = []
        for at, to, number, place in _fan(walls, scale, self.size):
            track = walls[number].frame.track
            text = (
                f"{track.labels[place]}  {_length(self.system, track.depths[place])}"
                if self.measures
                else track.labels[place]
            )
            leaders.append(f"M{n(tip)} {n(at)}L{n(x - 0.9)} {n(to)}H{n(x - 0.4)}")
            self.labels.append(Label(x, to, self.size, "start", text, FAINT))
            right = max(right, self.labels[-1].box[2])
        self.body.append(_path("".join(leaders), "none", FAINT, 0.05))
        return right

    def ruler(self, x: float, y: float, zoom: float, wanted: float | None) -> float:
        """A bar of ten millimetres (half an inch) of the key; it says how long it must be on paper to check the print.

        Returns its right end. `wanted` is its length in millimetres where another is asked for, in a drawing of life size.
        """
        length, text = (10.0, "10 mm") if self.system.unit == "mm" else (12.7, "0.5 in")
        if wanted is not None:
            length, text = wanted, f"{wanted:g} mm"
        elif zoom != 1:
            text += (
                f" of the key, {10 * zoom:g} mm on paper"
                if self.system.unit == "mm"
                else f" of the key, {0.5 * zoom:g} in on paper"
            )
        text += ", to check the print"
        ends = "".join(f"M{n(at)} {n(y - 0.6)}V{n(y + 0.6)}" for at in (x, x + length))
        self.body.append(
            f'<path d="{ends}M{n(x)} {n(y)}H{n(x + length)}" stroke="{INK}" stroke-width="0.12" fill="none"/>'
        )
        self.labels.append(Label(x + length + 1.0, y, 1.4, "start", text))
        return self.labels[-1].box[2]


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


def _depth_lines(wall: LaneWall, scale: Scale) -> str:
    frame = wall.frame
    first, last = frame.x_of_cut(0), frame.x_tip
    d = "".join(
        f"M{n(scale.x(first))} {n(scale.y(frame.across(depth)))}H{n(scale.x(last))}" for depth in frame.track.depths
    )
    return _path(d, "none", FAINT, 0.05, dashes="0.3 0.3")
