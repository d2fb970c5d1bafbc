"""The tries as a work list: what to cut on a fresh blank, and which cuts to deepen for each try after that."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import frozen

from bitting.completion.opened import allowed_depths
from bitting.completion.result import Completion
from bitting.model import Place, System, write_cut
from bitting.notation import parse_code


@frozen
class Try:
    """One try: the key to have in hand, and what to deepen for it; nothing to deepen on a fresh blank.

    `deepen` holds the lane's name, the cut counted from 1, and the depth's label. `code` is the whole key where a lock
    doesn't read every cut and one could be given; `whole` says whether one could.
    """

    code: str
    deepen: tuple[tuple[str, int, str], ...]
    whole: bool


def worklist(answer: Completion, system: System, blank: int) -> tuple[Try, ...]:
    """The tries of one blank, in order."""
    codes: Sequence[str] = answer.tries[blank]
    keys: Sequence[str | None] = codes if answer.keys is None else answer.keys[blank]
    out = []
    held: dict[Place, tuple[int, ...]] | None = None
    for code, key in zip(codes, keys, strict=True):
        text = code if key is None else key
        now = allowed_depths(parse_code(text, system))
        out.append(Try(text, () if held is None else _deeper(held, now, system), key is not None))
        held = now if held is None or key is not None else held | {p: d for p, d in now.items() if len(d) == 1}
    return tuple(out)


def _deeper(
    held: dict[Place, tuple[int, ...]], now: dict[Place, tuple[int, ...]], system: System
) -> tuple[tuple[str, int, str], ...]:
    """The cuts that have one depth now, and another before."""
    changed = (p for p in now if len(now[p]) == 1 and now[p] != held[p])
    lanes = system.lanes
    return tuple((lanes[p.lane].label, p.cut + 1, write_cut(now[p], lanes[p.lane].track)) for p in changed)
