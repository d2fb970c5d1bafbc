"""The exact wall beside brute force, closed forms, and shapely as a second opinion."""

from __future__ import annotations

from collections.abc import Iterable
from math import acos, asin, degrees, pi, radians, sqrt, tan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, unary_union

from bitting.geometry.profile import EndMill, Piece, Vee, envelope, excess, greatest, least, steepest, swept
from tests.conftest import drawn

R = 1.2
numbers = st.integers(-40, 40).map(lambda n: n / 10)
paths = st.lists(st.tuples(numbers, st.integers(-10, 20).map(lambda n: n / 10)), min_size=1, max_size=7)


def brute(path: list[tuple[float, float]], x: np.ndarray) -> np.ndarray:
    """The deepest an end mill of radius R reaches at every x, from its centre at 200 places of every move."""
    found = np.full(x.shape, -np.inf)
    for (x0, w0), (x1, w1) in zip(path, [*path[1:], path[-1]], strict=True):
        t = np.linspace(0, 1, 200)[:, None]
        cx, cw = x0 + (x1 - x0) * t, w0 + (w1 - w0) * t
        inside = R * R - (x[None, :] - cx) ** 2
        reach = np.where(inside >= 0, cw - R + np.sqrt(np.maximum(inside, 0)), -np.inf)
        found = np.maximum(found, reach.max(axis=0))
    return found


@drawn(100)
@given(paths)
def test_envelope_is_the_deepest_of_all_places_of_the_cutter(path: list[tuple[float, float]]) -> None:
    wall = envelope(swept(path, EndMill(R)), -3.0, 3.0)
    x = np.linspace(-2.99, 2.99, 121)
    expected = brute(path, x)
    nearby = np.maximum(brute(path, x - 1e-3), brute(path, x + 1e-3))
    for at, deep, near in zip(x, expected, nearby, strict=True):
        here = [p.at(at) for p in wall if p.lo <= at <= p.hi]
        if not here:
            assert deep == -np.inf
            continue
        # 200 places of a move of at most 8.5 leave scallops under 2e-4; beside an upright flank a place may be missed.
        # At the very end of the circle the last binary digit of x counts by its square root in depth: 1e-7, not 1e-9.
        assert max(here) >= deep - 1e-7
        assert max(here) <= max(deep, near) + 0.05


@drawn(100)
@given(paths)
def test_envelope_pieces_follow_each_other_and_agree_with_extremes(path: list[tuple[float, float]]) -> None:
    pieces = swept(path, EndMill(R))
    wall = envelope([*pieces, Piece(-9.0, 9.0, 0.0, -3.0)], -3.0, 3.0)
    assert wall[0].lo == -3.0
    assert wall[-1].hi == 3.0
    assert all(p.hi == q.lo for p, q in zip(wall, wall[1:], strict=False))
    x = np.linspace(-3, 3, 1201)
    values = np.array([max(p.at(at) for p in wall if p.lo <= at <= p.hi) for at in x])
    assert greatest(wall) >= values.max() - 1e-12
    assert least(wall) <= values.min() + 1e-12
    assert greatest(wall) <= values.max() + 0.2
    flat = Piece(-3.0, 3.0, 0.0, 0.3)
    assert max(excess(p, flat) for p in wall) == pytest.approx(greatest(wall) - 0.3, abs=1e-12)


def area(wall: Iterable[Piece], base: float = 0.0) -> float:
    """Area between a wall and the travel `base`."""
    return sum(_integral(p) - base * (p.hi - p.lo) for p in wall)


def _integral(piece: Piece) -> float:
    """Integral of the travel over the piece."""
    p = piece
    if not p.r:
        return (p.hi - p.lo) * p.at((p.lo + p.hi) / 2)
    a, b = (max(-1.0, min(1.0, (x - p.x0) / p.r)) for x in (p.lo, p.hi))
    cap = [t * sqrt(1 - t * t) + asin(t) for t in (a, b)]
    return (p.w0 - p.r) * (p.hi - p.lo) + p.r**2 / 2 * (cap[1] - cap[0])


def test_stadium_area_equals_its_closed_form_and_shapely() -> None:
    """A straight move of length a sweeps 2ra + πr² (stadium), half of it on the deeper side of the centre's path."""
    for a in (0.0, 0.7, 3.1, 25.0):
        wall = envelope(swept([(0.0, R), (a, R)], EndMill(R)), -R, a + R)
        exact = 2 * R * a + pi * R * R
        assert 2 * area(wall) == pytest.approx(exact, rel=1e-12)
        shape = LineString([(0, 0), (a, 0)]).buffer(R, quad_segs=2048) if a else Point(0, 0).buffer(R, quad_segs=2048)
        assert shape.area == pytest.approx(exact, rel=1e-6)


def test_area_of_a_stair_agrees_with_shapely() -> None:
    path = [(8.0, 0.0), (1.0, 0.0), (1.0, 0.9), (3.3, 0.9), (3.3, 0.0), (5.6, 0.0), (5.6, 1.8), (8.0, 1.8)]
    wall = envelope(swept(path, EndMill(R)), 1.0, 8.0)
    base = -0.5
    moves = [LineString([(x0, w0 - R), (x1, w1 - R)]) for (x0, w0), (x1, w1) in zip(path, path[1:], strict=False)]
    shape = unary_union([move.buffer(R, quad_segs=2048) for move in moves])
    from shapely import box

    assert area(wall, base) == pytest.approx(shape.intersection(box(1.0, base, 8.0, 5.0)).area, rel=1e-6)


@pytest.mark.parametrize("h", [0.1, 0.45, 0.9, 1.1999])
def test_square_step_leaves_the_arc_cosine(h: float) -> None:
    wall = envelope(swept([(0.0, 0.0), (2.3, 0.0), (2.3, h)], EndMill(R)), 0.0, 2.3)
    assert steepest(wall) == pytest.approx(degrees(acos(1 - h / R)), abs=1e-9)


def test_a_step_of_a_radius_and_more_is_upright() -> None:
    wall = envelope(swept([(0.0, 0.0), (2.3, 0.0), (2.3, 1.3)], EndMill(R)), 0.0, 2.3)
    assert steepest(wall) == 90.0


def test_slanted_move_sweeps_the_parallel_line() -> None:
    """The wall beside a slanted move of the centre runs parallel to it at the cutter's radius."""
    wall = envelope(swept([(0.0, 0.0), (4.0, 3.0)], EndMill(R)), 0.0, 3.0)
    line = next(p for p in wall if not p.r)
    assert line.slope == 0.75
    # distance of the line from the path of the centre (0, -R) to (4, 3 - R), as for any two parallels
    assert (line.at(1.0) - (0.75 - R)) / sqrt(1 + 0.75**2) == pytest.approx(R, abs=1e-12)


def test_vee_reaches_its_root_and_flanks() -> None:
    vee = Vee(angle=100.0, root=0.05, floor=-0.01)
    wall = envelope([*swept([(0.0, 0.1)], vee), Piece(-1, 1, 0.0, -0.01)], -0.3, 0.3)
    assert steepest(wall) == pytest.approx(90 - 50)
    at = {x: max(p.at(x) for p in wall if p.lo <= x <= p.hi) for x in (0.0, 0.02, 0.08, 0.25)}
    fall = 1 / tan(radians(50))
    assert at == pytest.approx({0.0: 0.1, 0.02: 0.1, 0.08: 0.1 - (0.08 - 0.025) * fall, 0.25: -0.01})


@pytest.mark.parametrize(
    ("r", "spacing", "root", "limit"),
    [(2.0, 1.6, 0.0, 0.8), (2.0, 1.6, 0.4, 0.571714), (1.25, 1.0, 0.2, 0.382532), (3.0, 2.0, 0.0, 0.763932)],
)
def test_reach_over_a_neighbours_flat(r: float, spacing: float, root: float, limit: float) -> None:
    """The largest step at which a round cutter spares its neighbour's flat, r - √(r² - e²), e = spacing - root/2.

    The figures are derived from that formula and are not published.
    """
    flat = Piece(-root / 2, root / 2, 0.0, 0.0)
    just, past = (max(excess(p, flat) for p in EndMill(r).outline(spacing, h)) for h in (limit - 1e-5, limit + 1e-5))
    assert just < 0 < past
