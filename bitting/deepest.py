"""The deepest cuts of a code: where the key is weakest, and the first place to look when it bends.

>>> from bitting import load_system, parse_code
>>> deepest(parse_code("left: 2133144 / right: 1124421", load_system("plover"))).depth
'4'
"""

from __future__ import annotations

from attrs import frozen

from bitting.errors import BittingError
from bitting.model import Code
from bitting.model.expect import expect
from bitting.model.value import Answer, Value


@frozen
class DeepCut(Value):
    """One cut, numbered from 1 at the bow."""

    side: str | None
    track: str
    cut: int


@frozen
class Deepest(Answer):
    """The deepest depth of a code, by its label, and the cuts that have it."""

    system: str
    depth: str
    cuts: tuple[DeepCut, ...]


def deepest(code: Code) -> Deepest:
    """The deepest cuts. Raises `BittingError` for a code with a cut that is open or wrong."""
    expect(Code, code)
    if code.depths is None:
        raise BittingError(
            "only of a code whose every cut is one known depth can the deepest cuts be told",
            hint="`bitting check` says what is wrong or still open in it",
            text=code.text,
        )
    most = max(max(row) for row in code.depths)
    found = [
        (lane, cut)
        for lane, row in zip(code.system.lanes, code.depths, strict=True)
        for cut, depth in enumerate(row)
        if depth == most
    ]
    cuts = tuple(DeepCut(lane.side, lane.track.name, cut + 1) for lane, cut in found)
    return Deepest(code.system.name, found[0][0].track.labels[most], cuts)
