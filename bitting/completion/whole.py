"""The cuts that a lock doesn't read: what to cut there, so that each trial key is a legal key of the system.

Along one blank every cut can only get deeper, the unread ones too. Try by try they are set to the legal setting that
takes the least metal (the smallest sum of depths; then the shallower at the first cut where two differ) and is nowhere
shallower than the try before. Where none is left, the blank's later tries stay right for the lock and are legal at the
cuts it reads, but no whole legal key goes with them: the answer then has None there, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bitting.completion.choices import Choices, Part
from bitting.completion.opened import writer
from bitting.model import Place, System


def whole_keys(
    space: Choices,
    read: Sequence[Place],
    blanks: Sequence[NDArray[np.int8]],
    system: System,
    known: Mapping[Place, Sequence[int]],
) -> tuple[tuple[str | None, ...], ...]:
    """For each blank and try the canonical text of the whole key, None where none can be reached.

    `blanks` hold rows over the cuts of `read`; `space` holds the whole legal keys.
    """
    text = writer(system, space.places, known)
    out = []
    for rows in blanks:
        keys: list[str | None] = []
        floor: dict[Place, int] = {}
        for row in rows.tolist():
            exact = dict(zip(read, row, strict=True))
            key = shallowest(space, exact, floor)
            if key is not None:
                floor = key
            keys.append(None if key is None else text([key[place] for place in space.places]))
        out.append(tuple(keys))
    return tuple(out)


def shallowest(space: Choices, exact: Mapping[Place, int], floor: Mapping[Place, int]) -> dict[Place, int] | None:
    """The legal key of the least sum of depths with these exact cuts, and no other cut shallower than its floor."""
    out: dict[Place, int] = {}
    for part in space.parts:
        found = _shallowest_of(part, exact, floor)
        if found is None:
            return None
        out |= found
    return out


def _shallowest_of(part: Part, exact: Mapping[Place, int], floor: Mapping[Place, int]) -> dict[Place, int] | None:
    never = np.iinfo(np.int64).max // 2
    after = np.zeros(1, np.int64)
    costs: list[NDArray[np.int64]] = []
    for layer in reversed(part):
        children = layer.children
        cost = np.where(children >= 0, after[children], never) + np.arange(children.shape[1])
        if layer.place in exact:
            other = np.arange(children.shape[1]) != exact[layer.place]
            cost[:, other] = never
        cost[:, : floor.get(layer.place, 0)] = never
        costs.append(cost)
        after = cost.min(axis=1)
    if after[0] >= never:
        return None
    node, out = 0, {}
    for layer, cost in zip(part, reversed(costs), strict=True):
        depth = int(cost[node].argmin())
        out[layer.place] = depth
        node = int(layer.children[node, depth])
    return out
