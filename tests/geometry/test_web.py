"""The least metal between two walls: check, lint and plan say what polygons that share no code with them say."""

from __future__ import annotations

import itertools
import random
import re

import pytest
from attrs import evolve
from shapely import LineString, Polygon, box, unary_union

from bitting.checking import check
from bitting.diagram import code_space
from bitting.geometry.web import least_web
from bitting.linting import facts as lint_facts
from bitting.linting import lint
from bitting.machine.plan.plan import plan
from bitting.model import Blade, Cutting, Measuring, System, Track, code_of
from bitting.rules import read_rule
from tests.conftest import but_long

WIDTH = 10.0


def wall_of(track: Track, row: list[int], cutting: Cutting, stop: str) -> Polygon:
    """What the cutter takes of the left half, written down from the description: x to the tip, y from the left edge.

    Every cut by itself, an end mill also between two at the shallower of the two, and past the last one out of the tip.
    """
    xs = [s if stop == "shoulder" else -s for s in track.spaces]
    ys = [WIDTH - track.depths[d] for d in row]  # metal left is measured to the far edge
    if cutting.shape == "round":
        r = cutting.cutter / 2
        discs = [
            LineString([(x, y - r), (x + 1e-6, y - r)]).buffer(r, quad_segs=360) for x, y in zip(xs, ys, strict=True)
        ]
        runs = [
            LineString([(xs[i], min(ys[i : i + 2]) - r), (xs[i + 1], min(ys[i : i + 2]) - r)]).buffer(r, quad_segs=360)
            for i in range(len(xs) - 1)
        ]
        out = LineString([(xs[-1], ys[-1] - r), (xs[-1] + 50, ys[-1] - r)]).buffer(r, quad_segs=360)
        return unary_union([*discs, *runs, out])
    from math import radians, tan

    side = [(5 * tan(radians(cutting.angle / 2)), 5.0)]  # flanks that go far out of the blade
    half = cutting.root / 2
    return unary_union(
        [
            Polygon([(x - half, y), (x + half, y), (x + half + side[0][0], y - 5), (x - half - side[0][0], y - 5)])
            for x, y in zip(xs, ys, strict=True)
        ]
    )


def mirrored(shape: Polygon) -> Polygon:
    from shapely.affinity import affine_transform

    return affine_transform(shape, (1, 0, 0, -1, 0, WIDTH))


def drawn(chance: random.Random) -> tuple[System, list[list[int]]]:
    """A system of two external tracks (or edges under a vee) and a code; often half a pitch apart, sometimes of unlike length."""
    stop = chance.choice(["tip", "shoulder"])
    pitch = chance.uniform(2.2, 3.2)
    deepest = chance.uniform(2.5, 4.9)
    depths = tuple(WIDTH - d for d in (1.0, (1.0 + deepest) / 2, deepest))

    def track(name: str, shift: float, cuts: int) -> Track:
        row = [8 + shift * pitch + pitch * i for i in range(cuts)]
        return Track(
            name, "external", "far-edge", tuple(row if stop == "shoulder" else row[::-1]), ("1", "2", "3"), depths
        )

    count = chance.randint(2, 4)
    vee = chance.random() < 0.3
    left, right = (
        track("left", 0.0, count),
        track("right", chance.choice([0.0, 0.5, 0.3]), chance.choice([count, count + 1])),
    )
    cutting = (
        Cutting("vee", angle=90.0, root=1.0, seat=0.8) if vee else Cutting(cutter=chance.uniform(1.6, 3.0), seat=0.2)
    )
    if vee:
        left, right = (evolve(t, milling="edge") for t in (left, right))
    code = [[chance.randrange(3) for _ in range(t.cuts)] for t in (left, right)]
    system = System(
        "made", "", "", "mm", stop, (), False, Blade(WIDTH), (left, right), cutting=cutting, measuring=Measuring()
    )
    rules = [
        f"on {t.name}, cut {i + 1} is one of {d + 1}"
        for t, row in zip((left, right), code, strict=True)
        for i, d in enumerate(row)
    ]
    system = evolve(system, must=tuple(rules))
    return evolve(system, rules=tuple(rule for text in rules for rule in read_rule(system, text, "must"))), code


@pytest.mark.parametrize("seed", but_long(range(40), *range(12, 40)))
def test_check_lint_plan_and_polygons_say_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    system, code = drawn(random.Random(seed))
    one, other = (wall_of(t, row, system.cutting, system.stop) for t, row in zip(system.tracks, code, strict=True))
    ends = [x for t in system.tracks for x in (t.spaces[0], t.spaces[-1])]
    blade = box(-max(ends) - 40, -60, max(ends) + 40, 60)
    outside = one.intersection(blade).distance(mirrored(other).intersection(blade))
    ours = least_web(system, tuple(map(tuple, code)))
    assert max(ours, 0.0) == pytest.approx(outside, abs=0.002)

    asking = evolve(system, rules=tuple(read_rule(system, f"at least {WIDTH} stands between left and right", "must")))
    said = [finding.message for finding in check(code_of(asking, code), asking, suggest=False).findings]
    figures = [float(re.search(r"([\d.]+) mm stands as the cutter leaves it", text)[1]) for text in said]
    assert min(figures) == pytest.approx(outside, abs=0.005)

    edge = min(t.depths[d] for t, row in zip(system.tracks, code, strict=True) for d in row)
    web = plan(code_of(system, code), system).simulation.stages[-1].web
    assert web == pytest.approx(min(outside, edge), abs=0.005)

    monkeypatch.setattr(lint_facts, "THIN_MM", 98.0)
    told = next(finding.message for finding in lint(system).findings if finding.code == "metal-thin")
    thin = re.search(r"only ([\d.]+) mm", told)
    assert (float(thin[1]) if thin else 0.0) == pytest.approx(outside, abs=0.0051)


def test_where_no_cutter_is_stated_seats_are_judged_and_the_message_says_so() -> None:
    """By hand: seats of 0.3 on cuts 2.3 apart stand 2.0 apart along the blade, and 1.2 across: hypot = 2.33."""
    left = Track("left", "external", "far-edge", (9.9, 7.6), ("1", "2"), (8.6, 5.6))
    system = System(
        "made",
        "",
        "",
        "mm",
        "tip",
        (),
        False,
        Blade(WIDTH),
        (left, evolve(left, name="right")),
        cutting=Cutting(seat=0.3),
    )
    ruled = evolve(system, rules=tuple(read_rule(system, "at least 2.4 stands between left and right", "must")))
    code = code_of(ruled, [[1, 0], [0, 1]])
    messages = [f.message for f in check(code, ruled, suggest=False).findings]
    assert len(messages) == 1
    assert "2.33 mm stands at their seats (no cutter is stated)" in messages[0]
    # an end mill of 2.4 comes nearer than its seats: hypot(2.3, 1.2 + 2.4) - 2.4
    stated = evolve(system, cutting=Cutting(cutter=2.4, seat=0.3))
    ruled = evolve(stated, rules=tuple(read_rule(stated, "at least 2.4 stands between left and right", "must")))
    code = code_of(ruled, [[1, 0], [0, 1]])
    assert "1.87 mm stands as the cutter leaves it" in check(code, ruled, suggest=False).findings[0].message


@pytest.mark.parametrize("seed", range(40))
def test_exactly_the_codes_with_enough_metal_are_counted(seed: int) -> None:
    """Every code of a small system: legal in the diagram if and only if its own web is wide enough."""
    chance = random.Random(1000 + seed)
    system, _ = drawn(chance)
    system = evolve(system, tracks=tuple(evolve(t, spaces=t.spaces[:3]) for t in system.tracks), must=(), rules=())
    least = chance.uniform(0.3, 3.5)
    ruled = evolve(
        system, rules=tuple(read_rule(system, f"at least {least:.4f} stands between left and right", "must"))
    )
    space = code_space(ruled)
    rows, others = (list(itertools.product(range(3), repeat=track.cuts)) for track in system.tracks)
    wide = {(a, b): least_web(ruled, (a, b)) >= round(least, 4) - 1e-9 for a in rows for b in others}
    assert space.count == sum(wide.values())
    for (a, b), enough in chance.sample(sorted(wide.items()), 60):
        assert space.contains((a, b)) == enough
        assert check(code_of(ruled, [list(a), list(b)]), ruled, suggest=False).legal == enough
