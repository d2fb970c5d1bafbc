"""The blade while it is cut: a picture of the blank, and for every move what it takes away and where the cutter stands.

The picture is that of `bitting draw` before the first cut. What a move takes is exact and small: the sweep of an end mill
is the line its centre follows, drawn as wide as the cutter with round ends; that of a vee is its own outline, drawn as
wide as the move. A page shows the blank after move N by putting the pieces of all moves so far one behind the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from attrs import field, frozen

from bitting.geometry.frame import Frame, frame_of
from bitting.machine.plan.moves import Order, moves_for
from bitting.machine.plan.plan import Plan
from bitting.machine.plan.steps import Step
from bitting.machine.plan.wall import lane_walls
from bitting.machine.simulate import cutter_of
from bitting.model import Depths
from bitting.report.drawing import Panel, Scale, blank_picture, panels_of
from bitting.report.svg import n

CUT, EDGE, CUTTER = "#ffffff", "#14181c", "#14181c"
OUTLINE_MM, OPEN_MM = 0.3, 0.2
"""How thick the outline of what is cut is drawn, and how far past an edge that is cut away altogether."""


@frozen
class Board:
    """One blade of the page: the identifier of its SVG, what it shows in words, and the SVG."""

    name: str
    title: str
    svg: str = field(repr=False)


@frozen
class Mark:
    """One move on a board: the piece it adds to what is cut, where the cutter came from and stands (x, y in the SVG).

    `shape` is the outline of the cutter around (0, 0), as an SVG path.
    """

    board: str
    cut: str
    came: tuple[float, float]
    at: tuple[float, float]
    shape: str


def boards_of(plan: Plan, want: Depths, have: Depths | None) -> tuple[tuple[Board, ...], tuple[tuple[Mark, ...], ...]]:
    """The boards of a plan, and for each of its tracks a mark per step.

    `want` are the depths the key is to have, `have` those it is cut to before the first move (None: a blank). Keys cut on
    their edges are one board, the one side above and the other below; faces have a board each.
    """
    system, radius = plan.made_for, plan.tracks[0].frame.radius
    together = system.tracks[0].milling == "edge" and system.sided
    panels = panels_of(system, lane_walls(want, system))
    sides = (None,) if together else tuple(dict.fromkeys(track.side for track in plan.tracks))
    boards: list[Board] = []
    scales: dict[str, Scale] = {}
    for number, side in enumerate(sides, 1):
        panel = panels[0] if len(panels) == 1 else next(p for p in panels if p.walls[0].frame.lane.side == side)
        name, title = f"board-{number}", "The blade" if side is None else f"The blade, {side}"

        def upon(panel: Panel, scale: Scale, name: str = name) -> Sequence[str]:
            scales[name] = scale
            frames = [frame_of(system, wall.frame.lane, radius) for wall in panel.walls]
            had = "" if have is None else "".join(_had(frame, have, scale) for frame in frames)
            return _overlay(frames[0], scale, name, had)

        svg = blank_picture(system, panel, upon, title=title, ids=f"{name}-")
        boards.append(Board(name, title, svg))
    marks = []
    for track in plan.tracks:
        board = boards[0 if together else sides.index(track.side)].name
        marks.append(_marks(track.frame, track.steps, board, scales[board]))
    return tuple(boards), tuple(marks)


def _had(frame: Frame, have: Depths, scale: Scale) -> str:
    """What was cut from one lane before the first move."""
    row = have[frame.system.lanes.index(frame.lane)]
    steps, _ = moves_for(frame, row, Order(frame.track.direction))
    return "".join(_piece(frame, before, step, scale) for before, step in pairwise(steps))


def _overlay(frame: Frame, scale: Scale, name: str, had: str) -> list[str]:
    """Room for what the moves take away (clipped to the blade), for the way the cutter came, and for the cutter."""
    system, width = scale.system, float(scale.system.need("blade.width"))
    through = frame.track.milling == "edge"
    spare = OPEN_MM if through else 0.0
    left, right = scale.x(frame.x_bow), scale.x(frame.x_tip)
    top, bottom = scale.y(0) - spare, scale.y(width) + spare
    box = f'x="{n(left)}" y="{n(top)}" width="{n(right - left + OPEN_MM)}" height="{n(bottom - top)}"'
    found = [f'<clipPath id="{name}-clip"><rect {box}/></clipPath>', f'<g clip-path="url(#{name}-clip)">']
    if system.blade.prepared is not None and frame.track.milling == "external":
        strip = n(system.in_mm(system.blade.prepared))
        found += (
            f'<rect x="{n(left)}" y="{n(y)}" width="{n(right - left)}" height="{strip}" fill="{CUT}" '
            f'stroke="{EDGE}" stroke-width="0.08"/>'
            for y in (scale.y(0), scale.y(width - system.blade.prepared))
        )
    if frame.radius:
        wide = 2 * system.in_mm(frame.radius)
        paint = 'fill="none" stroke-linecap="round" stroke-linejoin="round"'
        outer = f'{paint} stroke="{EDGE}" stroke-width="{n(wide)}"'
        inner = f'{paint} stroke="{CUT}" stroke-width="{n(wide - OUTLINE_MM)}"'
    else:
        outer = f'fill="{CUT}" stroke="{EDGE}" stroke-width="{n(OUTLINE_MM)}" stroke-linejoin="round"'
        inner = f'fill="{CUT}"'
    for look in (outer, inner):
        found += [f'<path class="had" d="{had}" {look}/>'] if had else []
        found.append(f'<path class="cut" d="" {look}/>')
    thin = f'fill="none" stroke="{CUTTER}"'
    found += ["</g>", f'<path class="came" d="" {thin} stroke-width="0.2" stroke-dasharray="0.6 0.5"/>']
    found.append(f'<path class="cutter" d="" {thin} stroke-width="0.35"/>')
    return found


def _marks(frame: Frame, steps: Sequence[Step], board: str, scale: Scale) -> tuple[Mark, ...]:
    found = []
    shape = _shape(frame, scale)
    before: Step | None = None
    for step in steps:
        at = _spot(frame, step, scale)
        came = at if before is None else _spot(frame, before, scale)
        found.append(Mark(board, "" if before is None else _piece(frame, before, step, scale), came, at, shape))
        before = step
    return tuple(found)


def _spot(frame: Frame, step: Step, scale: Scale) -> tuple[float, float]:
    """Where the cutter is drawn: an end mill's centre, the point of a vee."""
    across = frame.across(frame.dimension(step.w)) - frame.inwards * frame.radius
    return round(scale.x(step.x), 3), round(scale.y(across), 3)


def _piece(frame: Frame, before: Step, step: Step, scale: Scale) -> str:
    """What a move takes away: the line of an end mill's centre, or the outline that a vee sweeps; nothing in air."""
    if frame.radius:
        points = (_spot(frame, before, scale), _spot(frame, step, scale))
        return "M" + "L".join(f"{n(x)} {n(y)}" for x, y in points)
    deepest = max(before.w, step.w)
    if deepest <= frame.surface:
        return ""
    corners = _vee(frame, min(before.x, step.x), max(before.x, step.x), deepest, scale)
    return "M" + "L".join(f"{n(x)} {n(y)}" for x, y in corners) + "Z"


def _vee(frame: Frame, x0: float, x1: float, w: float, scale: Scale) -> list[tuple[float, float]]:
    """The corners of a vee whose point lies at travel w from x0 to x1, its flanks drawn a little past the blank's edge."""
    cutting = frame.system.cutting
    half = float(cutting.root or 0.0) / 2
    flank = cutter_of(frame).flank  # type: ignore[union-attr]
    top = frame.surface - frame.system.from_mm(2 * OPEN_MM)
    reach = (w - top) / flank
    y_top, y = (scale.y(frame.across(frame.dimension(travel))) for travel in (top, w))
    xs = [scale.x(x) for x in (x0 - half - reach, x0 - half, x1 + half, x1 + half + reach)]
    return list(zip(xs, (y_top, y, y, y_top), strict=True))


def _shape(frame: Frame, scale: Scale) -> str:
    """The outline of the cutter around (0, 0) with a cross at the middle of an end mill."""
    if frame.radius:
        r = n(scale.system.in_mm(frame.radius))
        return f"M-{r} 0A{r} {r} 0 0 1 {r} 0A{r} {r} 0 0 1 -{r} 0ZM-0.5 0H0.5M0 -0.5V0.5"
    high = frame.system.from_mm(2.5)
    w = frame.surface + high
    origin = (scale.x(0.0), scale.y(frame.across(frame.dimension(w))))
    corners = _vee(frame, 0.0, 0.0, w, scale)
    return "M" + "L".join(f"{n(x - origin[0])} {n(y - origin[1])}" for x, y in corners) + "Z"
