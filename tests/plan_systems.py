"""Systems for the tests of plans and drawings, one per way of milling; every figure invented."""

from __future__ import annotations

from attrs import evolve

from bitting.model import Blade, Cutting, Measuring, SetupCut, System, Track


def _spaces(first: float, pitch: float, count: int) -> tuple[float, ...]:
    return tuple(round(first + pitch * i, 6) for i in range(count))


ROUND = Cutting(cutter=2.4, seat=0.3, steepest=60.0, setup=SetupCut(3, 4))

LEFT = Track(
    "left", "external", "far-edge", _spaces(21.4, -2.3, 7), ("1", "2", "3", "4", "5"), (8.6, 8.15, 7.7, 7.25, 6.8)
)

FOUR = System(
    "four",
    "four-track external, convenience, tip stop",
    "invented for the tests",
    "mm",
    "tip",
    ("top", "bottom"),
    True,
    Blade(10.0, 2.6, 1.0),
    (LEFT, evolve(LEFT, name="right")),
    cutting=ROUND,
    measuring=Measuring(tolerance=0.05),
)

TWO = evolve(FOUR, name="two", stop="shoulder", tracks=(evolve(LEFT, name="cuts", spaces=_spaces(6.0, 2.6, 8)),))

GROOVE = Track("left", "internal", "own-edge", _spaces(5.0, 2.5, 8), ("a", "b", "c", "d"), (3.7, 3.3, 2.9, 2.5))

INTERNAL = System(
    "internal",
    "internal, one groove up the middle",
    "invented for the tests",
    "mm",
    "shoulder",
    ("top", "bottom"),
    True,
    Blade(9.6, 2.5, 0.9),
    (GROOVE, evolve(GROOVE, name="right")),
    cutting=Cutting(cutter=1.8, seat=0.3, steepest=60.0, setup=SetupCut(3, 3)),
)

VEE = System(
    "vee",
    "edge, vee cuts, one side",
    "invented for the tests",
    "in",
    "shoulder",
    (),
    False,
    Blade(0.335, 0.08),
    (Track("cuts", "edge", "far-edge", _spaces(0.24, 0.15, 6), tuple("0123456789"), _spaces(0.33, -0.014, 10)),),
    cutting=Cutting(shape="vee", angle=100.0, root=0.05, seat=0.04, setup=SetupCut(3, 9)),
)

EDGES = evolve(
    VEE,
    name="edges",
    sides=("upper", "lower"),
    unit="mm",
    blade=Blade(8.6, 2.2),
    tracks=(Track("cuts", "edge", "own-edge", _spaces(5.0, 3.6, 5), ("1", "2", "3", "4"), (0.4, 0.95, 1.5, 2.05)),),
    cutting=Cutting(shape="vee", angle=90.0, root=1.2, seat=0.8),
)

SYSTEMS = (FOUR, TWO, INTERNAL, VEE, EDGES)
