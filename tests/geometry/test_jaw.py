"""How far a jaw stays above the bottom of a cut equals what the simulated plan leaves under it."""

from __future__ import annotations

import itertools

import pytest
from attrs import evolve

import bitting
from bitting.geometry.frame import frame_of
from bitting.geometry.jaw import stand_offs
from bitting.geometry.profile import Piece, envelope, least, swept
from bitting.machine.simulate import cutter_of
from tests.conftest import but_long


def path(frame, row):
    """The way of the cutter's point along one track, bow to tip: entered at the shallowest depth, run out at the last."""
    xs = [frame.x_of_cut(i) for i in range(len(row))]
    ws = [frame.travel_of(d) for d in row]
    if frame.radius == 0:
        return [[(x, w)] for x, w in zip(xs, ws, strict=True)]
    points = [(frame.load, 0.0), (xs[0], 0.0), (xs[0], ws[0])]
    for (x, w), (_, before) in zip(
        list(zip(xs, ws, strict=True))[1:], list(zip(xs, ws, strict=True))[:-1], strict=True
    ):
        points += [(x, before), (x, w)] if w > before else [(points[-1][0], w), (x, w)]
    return [[*points, (frame.load, ws[-1])]]


@pytest.mark.parametrize("name", ["plover", "heron", "dunlin", "grebe"])
@pytest.mark.parametrize("share", [0.1, 0.5, 1.2])
def test_stand_offs_are_what_the_swept_path_leaves(name: str, share: float) -> None:
    """`share` is the jaw's width as a share of the pitch; all depths of three cuts beside each other are gone through."""
    system = bitting.load_system(name)
    lane = system.lanes[0]
    track = evolve(lane.track, spaces=lane.track.spaces[:3])
    lane = evolve(lane, track=track)
    jaw = share * abs(track.spaces[1] - track.spaces[0])
    found = stand_offs(system, track, jaw)
    assert found is not None
    frame = frame_of(system, lane)
    uncut = Piece(-1e3, 1e3, 0.0, frame.surface)
    seen = set()
    for row in itertools.product(range(0, len(track.labels), 2), repeat=3):
        pieces = [piece for way in path(frame, row) for piece in swept(way, cutter_of(frame))]
        for cut in range(3):
            x = frame.x_of_cut(cut)
            wall = envelope([*pieces, uncut], x - jaw / 2, x + jaw / 2)
            assert found.of(row, cut) == pytest.approx(max(frame.travel_of(row[cut]) - least(wall), 0.0), abs=1e-9)
            seen.add(round(found.of(row, cut), 6))
    assert len(seen) > 1 or (name in ("dunlin", "grebe") and share < 0.3)


@pytest.mark.parametrize("name", ["plover", "wren", "dunlin"])
def test_a_jaw_that_may_slide_stands_off_as_the_swept_path_says_at_its_best_place(name: str) -> None:
    """The least over many places of the jaw, each looked up in the wall that the moves leave."""
    system = bitting.load_system(name)
    track = evolve(system.lanes[0].track, spaces=system.lanes[0].track.spaces[:3])
    lane = evolve(system.lanes[0], track=track)
    jaw = 0.4 * abs(track.spaces[1] - track.spaces[0])
    found, frame = stand_offs(system, track, jaw), frame_of(system, lane)
    assert found is not None
    uncut, kinds = Piece(-1e3, 1e3, 0.0, frame.surface), set()
    for row in itertools.product(range(0, len(track.labels), 2), repeat=3):
        pieces = [piece for way in path(frame, row) for piece in swept(way, cutter_of(frame))]
        for cut in range(2):  # past the last cut the path runs out of the blade
            x, own = frame.x_of_cut(cut), frame.travel_of(row[cut])
            stands = []
            for i in range(41):
                middle = x + jaw * (i / 40 - 0.5)
                wall = envelope([*pieces, uncut], middle - jaw / 2, middle + jaw / 2)
                stands.append(max(own - least(wall), 0.0))
            interval = found.interval(row, cut)
            assert interval.most == pytest.approx(stands[20], abs=1e-9)
            assert interval.least <= min(stands) + 1e-9
            assert interval.least >= min(stands) - 0.05 * jaw  # the places tried are that far apart
            kinds.add((interval.least > 1e-6, interval.most > 1e-6))
    assert (True, True) in kinds
    assert (False, True) in kinds or name == "dunlin"


def held(pieces, middle: float, radius: float, own: float) -> float:
    """How far above a cut's floor a ball comes to rest, its middle there: by many points of the wall, corners included."""
    found = 0.0
    for piece in envelope(pieces, middle - radius, middle + radius):
        for i in range(201):
            x = piece.lo + (piece.hi - piece.lo) * i / 200
            below = radius - (radius**2 - min(abs(x - middle), radius) ** 2) ** 0.5
            found = max(found, own - piece.at(x) - below)
    return found


@pytest.mark.parametrize("name", but_long(["plover", "heron", "wren", "dunlin", "grebe"], "dunlin", "heron", "wren"))
@pytest.mark.parametrize("share", but_long([0.1, 0.45, 0.8], 0.1, 0.45))
def test_a_ball_rests_where_the_swept_path_holds_it(name: str, share: float) -> None:
    """`share` is its radius as a share of the pitch; in the middle of the cut, and wherever it may be put."""
    system = bitting.load_system(name)
    lane = system.lanes[0]
    track = evolve(lane.track, spaces=lane.track.spaces[:3])
    lane = evolve(lane, track=track)
    pitch = abs(track.spaces[1] - track.spaces[0])
    radius, slid = share * pitch, min(share, 0.12) * pitch  # put further off, it would stand in the next cut
    found, frame = stand_offs(system, track, 0.0, contact=radius), frame_of(system, lane)
    assert found is not None
    uncut, seen = Piece(-1e3, 1e3, 0.0, frame.surface), set()
    fine = 2e-3 * radius
    for row in itertools.product(range(0, len(track.labels), 2), repeat=3):
        pieces = [*(piece for way in path(frame, row) for piece in swept(way, cutter_of(frame))), uncut]
        for cut in range(2):
            x, own = frame.x_of_cut(cut), frame.travel_of(row[cut])
            stands = [held(pieces, x + slid * (i / 10 - 1), radius, own) for i in range(21)]
            interval = found.interval(row, cut)
            assert interval.most == pytest.approx(stands[10], abs=fine)
            assert interval.least <= min(stands) + fine
            assert interval.least >= min(stands) - 0.1 * radius or share > 0.45
            seen.add(round(interval.most, 6))
    assert len(seen) > 1 or radius <= frame.radius or share == 0.1


def test_a_ball_inside_the_cutter_s_arc_touches_the_floor() -> None:
    plover = bitting.load_system("plover")  # an end mill of 3.0
    small, large = (stand_offs(plover, plover.tracks[0], 0.0, contact=radius) for radius in (1.4, 1.6))
    assert small is not None
    assert large is not None
    assert small.largest == 0.0
    # one step of 0.45 on a radius of 1.5 ends 1.0712 from the middle: 0.45 - (1.6 - sqrt(1.6² - 1.0712²)) (derived)
    assert large.after[2][1][0] == pytest.approx(0.45 - (1.6 - (1.6**2 - (1.5**2 - 1.05**2)) ** 0.5), abs=1e-9)
