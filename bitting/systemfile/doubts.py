"""What a file says that is sound by itself and can hardly be meant: tables that run the wrong way, the other unit.

`lint` reports it of a file that can be used; a file with faults gets it told with them, so that it is mended in one go.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bitting.geometry.figures import reversed_depths, reversed_spaces
from bitting.model.system import Track, Unit

WIDEST_IN, NARROWEST_MM = 1.5, 0.75
"""No blade is wider than the one, and no depth table lies below the other (common practice: blades are 3 to 15 mm wide)."""


def other_unit(unit: str, tracks: Sequence[Track]) -> Unit | None:
    """The unit that the depth tables are in by their sizes, where it isn't the one stated."""
    largest = max((max(track.depths) for track in tracks), default=0.0)
    if unit == "in" and largest > WIDEST_IN:
        return "mm"
    return "in" if unit == "mm" and 0 < largest < NARROWEST_MM else None


def doubts(unit: str | None, stop: str | None, tracks: Sequence[tuple[int, Track]]) -> Iterator[tuple[str, str]]:
    """(path, message) with the line to write; `tracks` are those with a table of their own, by their place in the file."""
    whole = [track for _, track in tracks]
    if unit is not None and whole and (other := other_unit(unit, whole)):
        sizes = [size for track in whole for size in track.depths]
        yield "system.unit", f'found {unit} with depths of {min(sizes):g} to {max(sizes):g}; write unit = "{other}"'
    for i, track in tracks:
        if reversed_depths(track):
            pairs = list(zip(track.labels, track.depths, strict=True))[::-1]
            row = ", ".join(f"{label} = {size:g}" for label, size in pairs)
            yield f"tracks[{i}].depths", f"found the deepest first; write depths = {{ {row} }}"
        if stop is not None and reversed_spaces(stop, track):
            row = ", ".join(f"{space:g}" for space in reversed(track.spaces))
            goes = "grow" if stop == "shoulder" else "shrink"
            yield (
                f"tracks[{i}].spaces",
                f"found distances that don't {goes} from bow to tip, as they do from the {stop}; write spaces = [{row}]",
            )
