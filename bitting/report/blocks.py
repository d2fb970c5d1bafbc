"""A small picture of the blade in block characters, one band per track, for terminals.

The bow is on the left. The filled part is the metal that is left, so a deep cut is a valley; between two cuts the metal
stands as a square move leaves it, at the shallower of the two. A cut that is open is shaded from the shallowest to the
deepest depth it may have, a cut whose depth the system doesn't have is a gap of `?`. Plain Python and no heavy library:
`bitting check` draws one for every code.

>>> from bitting.model import Blade, System, Track, code_of
>>> track = Track("edge", "external", "far-edge", (9.0, 6.5, 4.0), ("1", "2", "3"), (8.6, 8.1, 7.6))
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(), (track,))
>>> print("\\n".join(blade_blocks(code_of(system, [[0, 2, 1]]))))
edge  ████  ▂▂▂▂
      ████▄▄████
      1   3   2
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from bitting.model import Code, Cut, CutList, Place, System, Track

EIGHTHS = " ▁▂▃▄▅▆▇█"
OPEN, OPEN_PLAIN = "░", "."
ROWS = 2
"""Height of a band in characters, each worth eight levels."""


def blade_blocks(code: Code, marks: Collection[Place] = (), *, columns: int = 78, plain: bool = False) -> list[str]:
    """The lines of the picture of a code as it was written, right or wrong.

    `marks` are cuts (lane and cut from 0) that get a caret beneath; `columns` is the width that should do; `plain` keeps to
    ASCII.
    """
    seen: set[tuple[str | None, tuple[tuple[int, ...], ...]]] = set()
    bands: list[tuple[str, CutList, Track, int | None]] = []
    for written in code.written:
        key = (written.track, tuple(cut.depths for cut in written.cuts))
        if written.cuts and (code.system.sided or key not in seen):
            seen.add(key)
            track, lane = _home(code.system, written)
            bands.append((_name(code.system, written), written, track, lane))
    margin = max((len(name) for name, *_ in bands), default=0) + 2
    lines: list[str] = []
    for name, written, track, lane in bands:
        marked = {place.cut for place in marks if place.lane == lane}
        lines += _band(name.ljust(margin), written.cuts, track, marked, columns - margin, plain)
    return lines


def _home(system: System, written: CutList) -> tuple[Track, int | None]:
    """The track whose depths a list speaks of and the place of its lane (None where it could be given to no track)."""
    if written.track is None or (system.sided and written.side is None):
        return system.tracks[0], None
    place = system.lane_of(written.side, written.track)
    return system.lanes[place].track, place


def _name(system: System, written: CutList) -> str:
    shown = [written.side] if system.sided and written.side else []
    if len(system.tracks) > 1 and written.track:
        shown.append(written.track)
    return " ".join(shown) or written.track or "cuts"


def _band(margin: str, cuts: Sequence[Cut], track: Track, marked: set[int], room: int, plain: bool) -> list[str]:
    """One track: `ROWS` lines of metal, a line of depths, and a line of carets where there are any."""
    labels = ["?" if len(c.depths) != 1 else track.labels[c.depths[0]] for c in cuts]
    widest = max(map(len, labels))
    step = max(2, min(4, room // max(len(cuts), 1)), widest + 1)
    columns = list(_columns(cuts, step, len(track.labels) - 1))
    indent = " " * len(margin)
    lines = []
    for row in reversed(range(ROWS)):
        body = "".join(_cell(column, row, plain) for column in columns)
        lines.append((margin if row == ROWS - 1 else indent) + body.rstrip())
    half = step // 2
    lines.append((indent + "".join(label.center(half).ljust(step) for label in labels)).rstrip())
    if marked:
        carets = "".join(
            ("^" * len(label) if i in marked else "").center(half).ljust(step) for i, label in enumerate(labels)
        )
        lines.append((indent + carets).rstrip())
    return lines


def _columns(cuts: Sequence[Cut], step: int, deepest: int) -> Iterator[tuple[int, int] | None]:
    """Per character column the least and the greatest height of the metal; None where the depth doesn't exist."""
    half = step // 2
    for i, cut in enumerate(cuts):
        yield from [_heights([cut], deepest)] * half
        if i + 1 < len(cuts):
            known = [c for c in (cut, cuts[i + 1]) if c.depths]
            yield from [_heights(known, deepest)] * (step - half)


def _heights(cuts: Sequence[Cut], deepest: int) -> tuple[int, int] | None:
    """Heights in eighths of a row for the shallower of the cuts, over all that they may be."""
    if not cuts or not cuts[0].depths:
        return None
    full = 8 * ROWS
    drop = full - full // 4  # the deepest cut keeps a quarter of the height: the blade is never cut through

    def height(place: int) -> int:
        return round(full - drop * place / max(deepest, 1))

    return height(min(max(c.depths) for c in cuts)), height(min(min(c.depths) for c in cuts))


def _cell(heights: tuple[int, int] | None, row: int, plain: bool) -> str:
    if heights is None:
        return "?"
    low, high = heights[0] - 8 * row, heights[1] - 8 * row
    if low >= 8 or high <= 0:
        return " " if high <= 0 else ("#" if plain else EIGHTHS[8])
    if low != high:
        return OPEN_PLAIN if plain else OPEN
    if plain:
        return "#" if low >= 4 else " "
    return EIGHTHS[low]
