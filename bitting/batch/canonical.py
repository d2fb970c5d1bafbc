"""Canonical forms of many exact codes at once: one line with a hole for each depth, filled for all codes together."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from bitting.model import System, code_of

Bytes = NDArray[np.uint8]


def write_depths(system: System, depths: Bytes, before: str = "", after: str = "") -> list[str]:
    """The canonical forms of exact codes, given as places (cuts, codes), each between the same two texts (without holes).

    A place past the end of its depth table is written as `?`.
    """
    tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
    form = f"{before}{_form(system)}{after}"
    if form.isascii() and all(label.isascii() and len(label) == 1 for track in tracks for label in track.labels):
        line = np.frombuffer((form + "\n").encode(), np.uint8)
        matrix = np.tile(line, (depths.shape[1], 1))
        for cut, place in enumerate(np.flatnonzero(line == ord(_HOLE))):
            matrix[:, place] = np.frombuffer("".join([*tracks[cut].labels, "?"]).encode(), np.uint8)[depths[cut]]
        return matrix.tobytes().decode().split("\n")[:-1]
    labels = [np.array([*track.labels, "?"], dtype=object)[depths[cut]] for cut, track in enumerate(tracks)]
    pattern = form.replace("%", "%%").replace(_HOLE, "%s")
    return [pattern % row for row in zip(*labels, strict=True)]


_HOLE = "\x01"


def _form(system: System) -> str:
    """The canonical form of the system's exact codes with a hole in the place of each depth."""
    holes = {track.name: attrs.evolve(track, labels=(_HOLE,), depths=(0.0,)) for track in system.tracks}
    bare = attrs.evolve(system, tracks=tuple(holes.values()))
    return code_of(bare, [[0] * lane.track.cuts for lane in bare.lanes]).canonical or ""
