"""The deepest cuts of a code, track by track: where a blade is weakest, and how far the cutter goes in at most.

>>> from bitting.notation import parse_code
>>> from bitting.systemfile import load_system
>>> wren = load_system("wren")
>>> deepest(parse_code("2 1 2 3 2 3 1 2", wren), wren).tracks[0].cuts
(4, 6)
"""

from __future__ import annotations

from attrs import frozen

from bitting.checking import check
from bitting.errors import BittingError
from bitting.model import Code, System
from bitting.model.expect import expect
from bitting.model.value import Answer, Value


@frozen
class TrackDeepest(Value):
    """The deepest depth of one track, its dimension in the system's unit, and the cuts that have it, from 1 at the bow."""

    side: str | None
    track: str
    depth: str
    dimension: float
    cuts: tuple[int, ...]


@frozen
class Deepest(Answer):
    """The deepest cuts of every track of a code, and whether the code is legal."""

    system: str
    code: str
    legal: bool
    tracks: tuple[TrackDeepest, ...]


def deepest(code: Code, system: System) -> Deepest:
    """The deepest cuts of a code. Raises `BittingError` for a code with a cut that is open or no depth of the table."""
    expect(Code, code)
    expect(System, system)
    if code.depths is None or code.canonical is None:
        raise BittingError(
            "only a code whose every cut is one known depth has deepest cuts",
            hint="`bitting check` says what is wrong or still open in it",
            text=code.text,
        )
    found = []
    for lane, row in zip(system.lanes, code.depths, strict=True):
        top, track = max(row), lane.track
        cuts = tuple(i + 1 for i, depth in enumerate(row) if depth == top)
        found.append(TrackDeepest(lane.side, track.name, track.labels[top], track.depths[top], cuts))
    return Deepest(system.name, code.canonical, check(code, suggest=False).legal, tuple(found))
