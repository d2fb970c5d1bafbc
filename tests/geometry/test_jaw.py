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
