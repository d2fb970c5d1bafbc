"""The shapes of a drawing: bow, blade, milled tracks and their walls, as parts of an SVG file.

Walls keep their true arcs; only the pocket of an internal groove is a polygon (see `bitting.machine.plan_wall`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from attrs import frozen

from bitting.machine.plan_wall import LaneWall, groove
from bitting.model import System

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


def n(value: float) -> str:
    """A coordinate, to a tenth of a micrometre."""
    return f"{round(value, 4) + 0.0:.4f}".rstrip("0").rstrip(".")


def blade(body: list[str], system: System, walls: Sequence[LaneWall], scale: Scale, width: float) -> None:
    """Bow and blade: the metal, then what is milled away, then the lines."""
    frame = walls[0].frame
    x0, x1 = frame.x_bow, frame.x_tip
    milling = system.tracks[0].milling
    cut = {w.frame.hand: w for w in walls} if milling == "edge" else {}
    upper = _edge_path(cut.get("left"), scale, x0, x1, 0.0)
    lower = _edge_path(cut.get("right"), scale, x1, x0, width)
    _bow(body, system, scale, x0, width)
    body.append(f'<path d="M{upper}L{lower}Z" fill="{METAL}"/>')
    if milling == "internal":
        rings = groove(tuple(walls))
        d = "".join("M" + "L".join(f"{n(scale.x(x))} {n(scale.y(y))}" for x, y in ring) + "Z" for ring in rings)
        body.append(f'<path d="{d}" fill="{MILLED}" fill-rule="evenodd" stroke="{WALL}" stroke-width="0.15"/>')
    elif milling == "external":
        for wall in walls:
            _milled(body, wall, scale, width)
    body.append(f'<path d="M{upper}M{lower}" fill="none" stroke="{WALL}" stroke-width="0.15"/>')
    ends = {"bow": x0, "tip": x1}
    for end, x in ends.items():
        dashes = ' stroke-dasharray="0.6 0.4"' if end == frame.assumed else ""
        body.append(
            f'<path d="M{n(scale.x(x))} {n(scale.y(0))}V{n(scale.y(width))}" stroke="{WALL}" '
            f'stroke-width="0.12"{dashes}/>'
        )


def _bow(body: list[str], system: System, scale: Scale, x: float, width: float) -> None:
    """The end of the bow, wider than the blade where there is a shoulder; it goes on where it is left open."""
    step = SHOULDER if system.stop == "shoulder" else 0.0
    top, bottom, left, start = scale.y(0) - step, scale.y(width) + step, scale.x(x) - BOW, scale.x(x)
    d = f"M{n(left)} {n(top)}H{n(start)}V{n(bottom)}H{n(left)}"
    body.append(f'<path d="{d}" fill="{METAL}"/>')
    body.append(
        f'<path d="M{n(left)} {n(top)}H{n(start)}M{n(left)} {n(bottom)}H{n(start)}" stroke="{WALL}" '
        f'stroke-width="0.15"/>'
    )


def _milled(body: list[str], wall: LaneWall, scale: Scale, width: float) -> None:
    """An external track: light from the blade's own edge to the wall, the wall itself strong."""
    frame = wall.frame
    own = 0.0 if frame.hand == "left" else width
    line = "".join(_wall_path(wall, scale, forward=True))
    a, b = f"{n(scale.x(frame.x_bow))} {n(scale.y(own))}", f"{n(scale.x(frame.x_tip))} {n(scale.y(own))}"
    body.append(f'<path d="M{a}L{line}L{b}Z" fill="{MILLED}"/>')
    body.append(f'<path d="M{line}" fill="none" stroke="{WALL}" stroke-width="0.15"/>')


def _edge_path(wall: LaneWall | None, scale: Scale, start: float, end: float, across: float) -> str:
    """One edge of the blade from start to end, straight or with its cuts, without the leading M."""
    if wall is None:
        return f"{n(scale.x(start))} {n(scale.y(across))}L{n(scale.x(end))} {n(scale.y(across))}"
    return "".join(_wall_path(wall, scale, forward=end > start))


def _wall_path(wall: LaneWall, scale: Scale, *, forward: bool) -> Iterator[str]:
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
