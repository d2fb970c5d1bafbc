"""Several lists of readings of one key: two people measured it, or one measured it again after cleaning.

Every further list repeats the first: readings of one cut on one side are put together as if they had been joined with
`|`, so they share the cut's wear and own error. Where one list names a side of a convenience key and another doesn't,
both are taken to be of that side, which claims less than taking them for different sides; where two sides are named,
which one an unnamed list belongs to can't be told.
"""

from __future__ import annotations

from collections.abc import Sequence

from attrs import evolve

from bitting.errors import BittingError
from bitting.model import ReadCut, Readings


def combined(lists: Sequence[Readings]) -> Readings:
    """All lists as readings of one key. Raises BittingError where a list's side can't be told."""
    if len(lists) == 1:
        return lists[0]
    first = lists[0]
    if not first.system.sided:
        lists = _on_one_side(lists)
    found: dict[tuple[str | None, str, int], ReadCut] = {}
    places = []
    for readings in lists:
        for cut in readings.cuts:
            key = (cut.side, cut.track, cut.cut)
            seen = found.get(key)
            if seen is None:
                found[key] = cut
                continue
            found[key] = evolve(seen, readings=seen.readings + cut.readings, place=_first(seen.place, cut.place))
            if seen.place is not None and cut.place is not None:
                places.append(evolve(cut, readings=()))  # a second place of the cut, without a reading of its own
    return Readings(first.system, first.text, first.unit, (*found.values(), *places))


def _first(one: float | None, other: float | None) -> float | None:
    return other if one is None else one


def _on_one_side(lists: Sequence[Readings]) -> list[Readings]:
    """The lists with a side for each, where any names one."""
    named = {cut.side for readings in lists for cut in readings.cuts if cut.side is not None}
    unnamed = any(cut.side is None for readings in lists for cut in readings.cuts)
    if not named or not unnamed:
        return list(lists)
    if len(named) > 1:
        raise BittingError(
            f"one list of readings names no side, and the others name {' and '.join(sorted(named))}",
            hint="write the side around each list, as in " + "; ".join(f"{side}(…)" for side in lists[0].system.sides),
        )
    (side,) = named
    return [evolve(r, cuts=tuple(evolve(cut, side=side) for cut in r.cuts)) for r in lists]
