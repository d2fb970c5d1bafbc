"""A second way to simulate a cutter: by brute force on a fine grid, sharing no code with the package's simulation.

The cutter's centre is put at many places along every move, and the deepest it reaches is taken over all of them at each
place of the blade. What a code allows is written down again from its description. Errors stay under `COARSE`.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from bitting.diagram import code_space
from bitting.machine.plan.steps import Step
from bitting.model import Depths, System

COARSE = 2e-4
"""In millimetres; more than the grid's error (moves every 0.01: 1e-5; places every 0.004: 1e-4 on the steepest arcs)."""

Floats = NDArray[np.float64]


def legal_depths(system: System, count: int, seed: int) -> Iterator[Depths]:
    """Legal codes drawn uniformly."""
    space = code_space(system)
    chance = random.Random(seed)
    for _ in range(count):
        yield space.unrank(chance.randrange(space.count))


def blade(system: System, lane: int) -> tuple[Floats, Floats, Floats]:
    """The lane's cut places (bow to tip, growing), the travels of its depths, and a grid along its blade, all in mm."""
    track = system.lanes[lane].track
    sign = 1 if system.stop == "shoulder" else -1
    xs = np.array([sign * s for s in track.spaces]) * (25.4 if system.unit == "in" else 1.0)
    ws = np.abs(np.array(track.depths) - track.depths[0]) * (25.4 if system.unit == "in" else 1.0)
    end = 0.0 if system.stop == "tip" else xs[-1] + max(xs[-1] - xs[-2], 1.0)
    half = system.in_mm(system.cutting.seat or 0.0) / 2
    grid = np.arange(xs[0] - 6.0, end, 0.004)
    return xs, ws, np.unique(np.concatenate([grid, xs, xs - half, xs + half]))


def allowed(system: System, lane: int, row: Sequence[int]) -> tuple[Floats, Floats]:
    """Grid and the deepest travel a code allows on it (mm); round cutters."""
    xs, ws, grid = blade(system, lane)
    r = system.in_mm(system.cutting.cutter or 0.0) / 2
    half = system.in_mm(system.cutting.seat or 0.0) / 2
    at = ws[list(row)]
    limit = np.full(grid.shape, at[-1])
    for i in range(len(xs) - 1):
        limit[(grid > xs[i] + half) & (grid < xs[i + 1] - half)] = max(at[i], at[i + 1])
    for x, w in zip(xs, at, strict=True):
        limit[(grid >= x - half - 1e-9) & (grid <= x + half + 1e-9)] = w
    bow = grid < xs[0] - half - 1e-9
    outline = at[0] - r + np.sqrt(np.maximum(r * r - (grid - xs[0]) ** 2, 0.0))
    outline[np.abs(grid - xs[0]) > r] = -np.inf
    start = 0.0 if system.stop == "shoulder" else xs[0] - (xs[-1] - xs[-2]) - r
    limit[bow] = np.maximum(outline, np.where(grid >= start, 0.0, -np.inf))[bow]
    return grid, limit


def reached(system: System, lane: int, path: Sequence[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Grid and the deepest travel that a round cutter reaches whose point follows the path (mm)."""
    _, _, grid = blade(system, lane)
    r = system.in_mm(system.cutting.cutter or 0.0) / 2
    deepest = np.full(grid.shape, -np.inf)
    for (x0, w0), (x1, w1) in zip(path, path[1:], strict=False):
        steps = max(2, int(np.hypot(x1 - x0, w1 - w0) / 0.01) + 1)
        for x, w in zip(np.linspace(x0, x1, steps), np.linspace(w0, w1, steps), strict=True):
            a, b = np.searchsorted(grid, [x - r, x + r])
            under = w - r + np.sqrt(np.maximum(r * r - (grid[a:b] - x) ** 2, 0.0))
            np.maximum(deepest[a:b], under, out=deepest[a:b])
    return grid, deepest


def gouge(system: System, lane: int, row: Sequence[int], path: Sequence[tuple[float, float]]) -> float:
    """The greatest depth past the code, brute force, in mm."""
    _, limit = allowed(system, lane, row)
    _, deep = reached(system, lane, path)
    cut = np.isfinite(deep) & np.isfinite(limit)  # no list of cuts and depths reaches past the bow end of the blade
    return float((deep[cut] - limit[cut]).max(initial=-np.inf))


def path_of_steps(system: System, steps: Sequence[Step]) -> list[tuple[float, float]]:
    """Places of the cutter's point in mm, from the steps' own settings rather than their inner coordinates."""
    sign = 1 if system.stop == "shoulder" else -1
    return [(sign * system.in_mm(step.space), system.in_mm(step.w)) for step in steps]
