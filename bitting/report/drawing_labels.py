"""Labels of a drawing: their size, their places, and how they are kept from touching."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal
from xml.sax.saxutils import escape

from attrs import frozen

from bitting.machine.plan_wall import LaneWall
from bitting.model import System

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
    """The label as an SVG text element."""
    colour = f' fill="{label.colour}"' if label.colour else ""
    weight = ' font-weight="bold"' if label.bold else ""
    x, y = round(label.x, 3), round(label.y + (0.0 if label.turned else label.size * 0.36), 3)
    turn = ""
    if label.turned:
        x = round(label.x + label.size * 0.36, 3)
        turn = f' transform="rotate(-90 {x:g} {y:g})"'
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{round(label.size, 3):g}" text-anchor="{label.anchor}"'
        f"{colour}{weight}{turn}>{escape(label.text)}</text>"
    )
