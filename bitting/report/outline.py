"""The outline of a blade alone, for engraving: the lines that metal ends at and nothing else, as SVG of life size.

Every face under the one before it, bow on the left; no bow, no depth lines, no numbers. Walls keep their true arcs, but for the
pocket of an internal groove.
"""

from __future__ import annotations

from collections.abc import Iterator

from bitting.machine.plan.wall import groove, lane_walls
from bitting.model import Code, System
from bitting.report.drawing import Panel, Scale, drawable, edge_path, panels_of, wall_path
from bitting.report.svg import document, element, n

LINE = 0.1
"""Width of the lines, in millimetres."""
MARGIN = 2.0


def outline_svg(code: Code, system: System, *, ease: bool = False, zoom: float = 1.0) -> str:
    """The outline as the text of an SVG file, `zoom` times life size; raises `BittingError` as `draw_svg` does."""
    depths = drawable(code, system, zoom)
    width = system.in_mm(system.need("blade.width"))
    body, top, right = [], MARGIN, 0.0
    for panel in panels_of(system, lane_walls(depths, system, ease=ease)):
        frame = panel.walls[0].frame
        scale = Scale(system, MARGIN - system.in_mm(frame.x_bow), top)
        body += [
            element("path", {"d": f"M{d}", "fill": "none", "stroke": "#000000", "stroke-width": LINE})
            for d in _lines(panel, scale)
        ]
        top, right = top + width + MARGIN, max(right, scale.x(frame.x_tip))
    said = "The outline of the blade alone, bow on the left."
    return document(
        (right + MARGIN, top), body, title=f"Outline of a key of {system.name}", description=said, zoom=zoom
    )


def _lines(panel: Panel, scale: Scale) -> Iterator[str]:
    """What a face's lines run along, without the leading M: the blade all around, then what is milled in it."""
    system, frame = scale.system, panel.walls[0].frame
    width, milling = float(system.need("blade.width")), system.tracks[0].milling
    cut = {wall.frame.hand: wall for wall in panel.walls} if milling == "edge" else {}
    upper = edge_path(cut.get("left"), scale, frame.x_bow, frame.x_tip, 0.0)
    yield f"{upper}L{edge_path(cut.get('right'), scale, frame.x_tip, frame.x_bow, width)}Z"
    if milling == "external":
        for wall in panel.walls:
            yield "".join(wall_path(wall, scale, forward=True))
    elif milling == "internal":
        for ring in groove(panel.walls):
            yield "L".join(f"{n(scale.x(x))} {n(scale.y(y))}" for x, y in ring) + "Z"
