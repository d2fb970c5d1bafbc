"""The outlines of a blade alone, one line each and no fill, for a machine that engraves along lines.

`outline_svg(code, system)` has the walls of every track and the edges of the blade, life size, in millimetres; bow on the left.
There are no labels, so that nothing else is engraved. The line is where the wall lies: the tool's own width is not taken off.
"""

from __future__ import annotations

from bitting.errors import BittingError
from bitting.machine.plan.wall import groove, lane_walls
from bitting.model import Code, System
from bitting.model.expect import expect
from bitting.report.drawing import MARGIN, WALL, Scale, _description, _edge_path, _file, _wall_path, n, panels_of

FINE = 0.05
"""Width of a line, in millimetres."""


def outline_svg(code: Code, system: System, *, ease: bool = False) -> str:
    """The outlines as the text of an SVG file. Raises `BittingError` as `draw_svg` does."""
    expect(Code, code)
    expect(System, system)
    depths = code.depths
    if depths is None:
        raise BittingError(
            "only a code whose every cut is one known depth can be drawn",
            hint="`bitting check` says what is wrong or still open in it",
            text=code.text,
        )
    panels = panels_of(system, lane_walls(depths, system, ease=ease))
    width = float(system.need("blade.width"))
    top, right, lines = MARGIN, 0.0, list[str]()
    for panel in panels:
        frame = panel.walls[0].frame
        scale = Scale(system, MARGIN - system.in_mm(frame.x_bow), top)
        cut = {w.frame.hand: w for w in panel.walls} if frame.track.milling == "edge" else {}
        lines += [_edge_path(cut.get("left"), scale, frame.x_bow, frame.x_tip, 0.0)]
        lines += [_edge_path(cut.get("right"), scale, frame.x_tip, frame.x_bow, width)]
        if frame.track.milling == "external":
            lines += ["".join(_wall_path(wall, scale, forward=True)) for wall in panel.walls]
        elif frame.track.milling == "internal":
            for ring in groove(tuple(panel.walls)):
                lines.append("L".join(f"{n(scale.x(x))} {n(scale.y(y))}" for x, y in ring) + "Z")
        top, right = scale.y(width) + MARGIN, max(right, scale.x(frame.x_tip))
    body = [f'<path d="M{line}" fill="none" stroke="{WALL}" stroke-width="{FINE}"/>' for line in lines]
    title = f"Outlines of a key blade of the system {system.name}"
    return _file(body, [], (right + MARGIN, top), 1.0, title, _description(system, panels, None), "")
