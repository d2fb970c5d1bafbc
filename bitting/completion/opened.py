"""What a code with open cuts leaves possible, and how its candidates are written.

Everything the code says is met at once: a convenience code written for both sides must be right for both, a track that
was not written is open at every cut. What can't be a code of the system at all (a wrong number of cuts, a depth that
is in no table) is an error here: nothing sensible completes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from attrs import frozen

from bitting.errors import BittingError
from bitting.model import Code, CutList, Place, System, write_cut

Allowed = dict[Place, tuple[int, ...]]


def allowed_depths(code: Code) -> Allowed:
    """For every cut of every lane the depths that the code leaves possible, shallowest first."""
    system = code.system
    for written in code.written:
        _must_fit(code, written)
    out: Allowed = {}
    for number, lane in enumerate(system.lanes):
        lists = code.lists(lane)
        for cut in range(lane.track.cuts):
            depths = set(range(len(lane.track.labels)))
            for written in lists:
                depths &= set(written.cuts[cut].depths)
            if not depths:
                last = lists[-1].cuts[cut]
                raise BittingError(
                    f"{lane.label} cut {cut + 1} is written differently on the two sides, and every side of a "
                    "convenience key carries the same cuts",
                    hint="write the cut as the sides agree on it, or as a choice such as [2 3]",
                    text=code.text or None,
                    span=last.span if code.text else None,
                )
            out[Place(number, cut)] = tuple(sorted(depths))
    return out


def _must_fit(code: Code, written: CutList) -> None:
    """Refuse a list that is no list of the system's cuts."""
    system, text = code.system, code.text or None
    span = written.span if text else None
    if written.track is None:
        counts = ", ".join(f"{track.name} {track.cuts}" for track in system.tracks)
        raise BittingError(
            f"{len(written.cuts)} cuts fit no track of {system.name}",
            hint=f"its tracks have these many cuts: {counts}; write ? for each open one",
            text=text,
            span=span,
        )
    track = system.track(written.track)
    if len(written.cuts) != track.cuts:
        raise BittingError(
            f"{written.track} has {track.cuts} cuts, and {len(written.cuts)} are written",
            hint="write ? for each open cut",
            text=text,
            span=span,
        )
    for cut in written.cuts:
        if not cut.depths:
            raise BittingError(
                f"{cut.text!r} is no depth of {written.track}",
                hint=f"its depths are {' '.join(track.labels)}",
                text=text,
                span=cut.span if text else None,
            )


@frozen
class Writer:
    """Writes candidates in canonical form, quickly: `fixed` stands around and between the cuts of `places`.

    A row holds a depth for each of `places`; the other cuts of the key stand in the fixed text as they are known.
    """

    places: tuple[Place, ...]
    fixed: tuple[str, ...]
    labels: tuple[tuple[str, ...], ...]

    def __call__(self, row: Sequence[int]) -> str:
        """The canonical text of one candidate."""
        parts = [self.fixed[0]]
        for depth, labels, after in zip(row, self.labels, self.fixed[1:], strict=True):
            parts += (labels[depth], after)
        return "".join(parts)


def writer(system: System, places: Sequence[Place], known: Mapping[Place, Sequence[int]]) -> Writer:
    """A writer for candidates that decide `places`, in the order of the code; `known` is what is known of the others."""
    wanted = frozenset(places)
    fixed = [""]
    labels: list[tuple[str, ...]] = []
    before: str | None = None
    for number, lane in enumerate(system.lanes):
        opening = ""
        if number:
            opening = " / " if lane.side == before else "); "
        if lane.side is not None and lane.side != before:
            opening += f"{lane.side}("
        before = lane.side
        if len(system.tracks) > 1:
            opening += f"{lane.track.name}: "
        fixed[-1] += opening
        for cut in range(lane.track.cuts):
            place = Place(number, cut)
            fixed[-1] += " " if cut else ""
            if place in wanted:
                labels.append(lane.track.labels)
                fixed.append("")
            else:
                fixed[-1] += write_cut(tuple(known[place]), lane.track)
    fixed[-1] += ")" if before is not None else ""
    return Writer(tuple(places), tuple(fixed), tuple(labels))
