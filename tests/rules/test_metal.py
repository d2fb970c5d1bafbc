"""`metal-left` beside solid geometry: each wall is drawn as what the cutter sweeps, and shapely measures between them.

Left and right have different numbers of cuts, at different places, of different depths; every code of small systems is
judged, so that a part that is left out (an arc, a diagonal, the seat's width, a run, the last cut of the longer track)
lets a code pass that the solid forbids.
"""

from __future__ import annotations

import random
from itertools import product

import attrs
import pytest
import shapely

from bitting.checking import check
from bitting.diagram import code_space
from bitting.geometry import web
from bitting.geometry.web import between
from bitting.model import Cutting, System, Track, code_of
from bitting.rules import SentenceError
from tests.conftest import but_long
from tests.make import read_rules, system

SHARP = 2e-4
"""What a circle of shapely's 128 corners a quarter is off by, and codes nearer to the limit than that are not asked."""


def drawn(seed: int, cutter: float | None, seat: float) -> System:
    """Two tracks that share nothing but the blade, without rules."""
    draw = random.Random(seed)
    tracks = []
    for name, cuts, first in (
        ("left", draw.choice([3, 4]), 14.0),
        ("right", draw.choice([2, 3]), 14.0 + draw.choice([0.0, 0.7, -1.1])),
    ):
        pitch = draw.choice([1.6, 2.3, 2.9])
        spaces = tuple(round(first - pitch * i, 3) for i in range(cuts))
        top, step = draw.choice([8.6, 7.9]), draw.choice([0.4, 0.75])
        depths = tuple(round(top - step * i, 3) for i in range(3))
        tracks.append(Track(name, "external", "far-edge", spaces, ("1", "2", "3"), depths))
    if seed % 2:  # the longer track on the right
        tracks = [attrs.evolve(tracks[1], name="left"), attrs.evolve(tracks[0], name="right")]
    return attrs.evolve(system(*tracks), cutting=Cutting(cutter=cutter, seat=seat))


def solid(made: System, lane: int, row: tuple[int, ...]) -> shapely.Geometry:
    """What one track loses: discs at the cuts, the way between them at the shallower depth, the run-out; or its seats."""
    track, width = made.lanes[lane].track, made.blade.width or 0.0
    radius = (made.cutting.cutter or 0.0) / 2
    wall = [track.depths[d] if lane == 0 else width - track.depths[d] for d in row]
    way = 1 if lane == 0 else -1
    if not radius:
        half = (made.cutting.seat or 0.0) / 2
        return shapely.MultiLineString(
            [[(s - half, y), (s + half, y)] for s, y in zip(track.spaces, wall, strict=True)]
        )
    centres = [y + way * radius for y in wall]
    parts: list[shapely.Geometry] = [shapely.Point(s, y) for s, y in zip(track.spaces, centres, strict=True)]
    for i in range(len(row) - 1):
        y = max(centres[i : i + 2]) if way > 0 else min(centres[i : i + 2])
        parts.append(shapely.LineString([(track.spaces[i], y), (track.spaces[i + 1], y)]))
    parts.append(shapely.LineString([(track.spaces[-1], centres[-1]), (track.spaces[-1] - 50, centres[-1])]))  # run out
    return shapely.union_all([part.buffer(radius, quad_segs=128) for part in parts])


@pytest.mark.parametrize("cutter", [2.4, 1.2])
@pytest.mark.parametrize("seed", but_long(range(6), 0, 3, 4, 5))
def test_no_code_passes_that_leaves_less_than_the_solid_shows(seed: int, cutter: float) -> None:
    made = drawn(seed, cutter, 0.3)
    rows = [list(product(range(3), repeat=lane.track.cuts)) for lane in made.lanes]
    solids = [{row: solid(made, lane, row) for row in rows[lane]} for lane in (0, 1)]
    stands = {(a, b): shapely.distance(solids[0][a], solids[1][b]) for a in rows[0] for b in rows[1]}
    spread = sorted(set(stands.values()))
    for share in (0.2, 0.6):
        least = round(spread[int(share * (len(spread) - 1))] + 0.0007, 4)
        held = with_rule(made, f"at least {least} stands between left and right")
        space = code_space(held)
        legal = 0
        for code, left in stands.items():
            if abs(left - least) > SHARP:
                assert space.contains(code) == (left > least), (code, left, least)
            legal += space.contains(code)
        assert space.count == legal
        for code in random.Random(seed).sample(list(stands), 20):
            assert check(code_of(held, code), suggest=False).legal == space.contains(code)


def with_rule(made: System, rule: str) -> System:
    """The system with one rule."""
    return attrs.evolve(made, must=(rule,), rules=read_rules(made, (rule,), ()))


@pytest.mark.parametrize("seat", [0.3, 1.0])
def test_seats_alone_where_no_cutter_is_stated(seat: float) -> None:
    """Opposite cuts and their neighbours: the seat's two ends count in a diagonal, or 470 million codes too many pass."""
    made = drawn(2, None, seat)
    made = attrs.evolve(made, tracks=(made.tracks[0], attrs.evolve(made.tracks[0], name="right")))
    cuts = made.tracks[0].cuts
    rows = list(product(range(3), repeat=cuts))
    stands = {}
    for a, b in product(rows, rows):
        one, other = (shapely.get_parts(solid(made, lane, row)) for lane, row in ((0, a), (1, b)))
        near = [(i, j) for i in range(cuts) for j in range(cuts) if abs(i - j) <= 1]
        stands[a, b] = min(shapely.distance(one[i], other[j]) for i, j in near)
    for least in {round(left + 0.0005, 4) for left in stands.values()}:  # between every two that differ
        space = code_space(with_rule(made, f"at least {least} stands between left and right"))
        assert space.count == sum(left >= least for left in stands.values())


@pytest.mark.parametrize("asked", ["10.1", "92"])
def test_more_than_the_blade_is_wide_is_no_rule(asked: str) -> None:
    made = drawn(0, 2.4, 0.3)
    assert made.blade.width is not None
    assert made.blade.width < 10.1
    with pytest.raises(SentenceError, match=f"{asked} mm can't stand anywhere: the blade is"):
        read_rules(made, (f"at least {asked} stands between left and right",), ())


def test_many_cuts_near_each_other_ask_for_no_table_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each meeting asks once whether the deepest leave enough, and then only a distance that is new asks for its nine."""
    asked: list[float] = []
    monkeypatch.setattr(
        web, "between", lambda cutting, along, across: asked.append(along) or between(cutting, along, across)
    )
    made = drawn(0, 2.4, 0.3)
    spaces = tuple(round(100 - 0.5 * i, 6) for i in range(100))
    tracks = tuple(attrs.evolve(made.tracks[0], spaces=spaces, name=name) for name in ("left", "right"))
    long = with_rule(attrs.evolve(made, tracks=tracks), "at least 7 stands between left and right")
    check(code_of(long, [[0] * 100] * 2), suggest=False)
    meetings = sum(1 for _ in web.meetings(long, *long.lanes))
    assert meetings > 1000
    assert len(asked) < 1.1 * meetings
