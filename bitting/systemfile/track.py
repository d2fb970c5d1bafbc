"""The tracks of a system file: spaces and depths listed or derived, and `like` for a track that repeats another.

>>> from bitting.systemfile.reader import Faults
>>> one = {"name": "left", "milling": "external", "measured": "far-edge",
...        "spaces": {"first": 21.4, "pitch": -2.3, "count": 7}, "depths": {"1": 8.6, "2": 8.15}}
>>> faults = Faults("finch.toml")
>>> left, right = read_tracks([one, {"name": "right", "like": "left"}], None, faults)
>>> left.spaces == right.spaces == (21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6), faults.lines
(True, [])
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Literal

from attrs import evolve

from bitting.errors import nearest
from bitting.model.system import Measured, Track
from bitting.systemfile import tables
from bitting.systemfile.kinds import MOST_CUTS, Wrong, describe, is_label, names, number
from bitting.systemfile.reader import Faults, join, read_table, read_value

COPIED = ("milling", "measured", "spaces", "depths")
"""What `like` takes over from the other track, and what therefore can't stand beside it."""

_DIGITS = 9
"""Decimals kept of a derived space, so that 21.4 - 6 * 2.3 is 7.6 and no longer."""


def read_tracks(
    value: Any, direction: Literal["bow-to-tip", "tip-to-bow"] | None, faults: Faults
) -> tuple[Track | None, ...]:
    """Every track of the file, None where one has a fault of its own; `direction` is the file's, for tracks without."""
    if not isinstance(value, list) or not value:
        faults.wrong("tracks", value, "at least one table, headed [[tracks]]")
        return ()
    tracks: list[Track | None] = []
    seen: dict[str, Track | None] = {}
    for i, table in enumerate(value):
        where = f"tracks[{i}]"
        before = len(faults.lines)
        values = read_table(table, where, tables.TRACK, faults)
        name = values.get("name")
        if not isinstance(table, dict):
            tracks.append(None)
            continue
        if name is not None and name.casefold() in seen:
            faults.add(
                f"{where}.name", f"found {describe(name)} again; allowed: names that differ by more than capitals"
            )
        alone = _alike if "like" in values else _described
        track = alone(values, where, seen, faults)
        if track is not None and len(faults.lines) == before:
            track = evolve(track, direction=values.get("direction", direction or "bow-to-tip"))
        else:
            track = None
        tracks.append(track)
        if name is not None:
            seen.setdefault(name.casefold(), track)
    return tuple(tracks)


def _alike(values: dict[str, Any], where: str, seen: dict[str, Track | None], faults: Faults) -> Track | None:
    """A track that is like an earlier one in everything but its name and the order in which its cuts are worked."""
    for key in COPIED:
        if key in values:
            faults.add(f"{where}.{key}", "found beside like; allowed: either like, or " + names(COPIED) + " of its own")
    like = values["like"]
    if like.casefold() not in seen:
        near = nearest(like, list(seen))
        meant = f" (did you mean {near}?)" if near else ""
        allowed = "a track that stands before this one" + (
            f": {names(list(seen))}{meant}" if seen else "; this is the first"
        )
        faults.wrong(f"{where}.like", like, allowed)
        return None
    model = seen[like.casefold()]
    return None if model is None or "name" not in values else evolve(model, name=values["name"])


def _described(values: dict[str, Any], where: str, seen: dict[str, Track | None], faults: Faults) -> Track | None:
    """A track that says everything itself."""
    for key in COPIED:
        if key not in values and not faults.at(f"{where}.{key}"):
            other = f', or like = "{next(iter(seen))}"' if seen else ""
            faults.add(f"{where}.{key}", f"not found; add {_EXAMPLES[key]}{other}")
    measured = values.get("measured")
    spaces = _spaces(values["spaces"], f"{where}.spaces", faults) if "spaces" in values else None
    depths = _depths(values["depths"], f"{where}.depths", measured, faults) if "depths" in values else None
    if not spaces or not depths or measured is None or "milling" not in values or "name" not in values:
        return None
    return Track(values["name"], values["milling"], measured, spaces, tuple(depths), tuple(depths.values()))


_EXAMPLES = {
    "milling": 'milling = "external", "internal" or "edge"',
    "measured": 'measured = "far-edge", "own-edge" or "centre"',
    "spaces": "spaces = { first = …, pitch = …, count = … } or a list of distances",
    "depths": "depths = { 1 = …, 2 = … }, shallowest first",
}


def _spaces(value: Any, where: str, faults: Faults) -> tuple[float, ...] | None:
    """The distance of each cut from the stop, bow to tip, from a list or from first, pitch and count."""
    before = len(faults.lines)
    distance = number("a distance from the stop", least=0)
    if isinstance(value, dict):
        values = read_table(value, where, tables.SPACES, faults)
        if len(faults.lines) > before:
            return None
        spaces = tuple(round(values["first"] + i * values["pitch"], _DIGITS) for i in range(values["count"]))
        if values["pitch"] == 0:
            faults.wrong(f"{where}.pitch", value["pitch"], "a distance other than 0")
        elif min(spaces) < 0:
            cut = next(i for i, space in enumerate(spaces) if space < 0)
            faults.add(where, f"found cut {cut + 1} at {spaces[cut]:g}; allowed: distances of at least 0 from the stop")
    elif isinstance(value, list) and 0 < len(value) <= MOST_CUTS:
        found = [read_value(item, f"{where}[{i}]", distance, faults) for i, item in enumerate(value)]
        if len(faults.lines) > before:
            return None
        spaces = tuple(found)
        turn = _turn(spaces)
        if turn is not None:
            shown = f"{spaces[turn]:g} after {spaces[turn - 1]:g}"
            faults.add(f"{where}[{turn}]", f"found {shown}; allowed: distances that all grow or all shrink, bow to tip")
    else:
        faults.wrong(where, value, f"{{ first, pitch, count }}, or a list of 1 to {MOST_CUTS} distances, bow to tip")
        return None
    return spaces if len(faults.lines) == before else None


def _depths(value: Any, where: str, measured: Measured | None, faults: Faults) -> dict[str, float] | None:
    """Label -> dimension, shallowest first; the dimensions go one way, whichever."""
    if not isinstance(value, dict) or not 2 <= len(value) <= MOST_CUTS:
        found = f"a table of {len(value)}" if isinstance(value, dict) else describe(value)
        faults.add(where, f"found {found}; allowed: a table of at least two depths such as {{ 1 = 8.60, 2 = 8.15 }}")
        return None
    before = len(faults.lines)
    # From the far edge 0 would be no metal at all; from the key's own edge or its middle it is a wall like any other.
    read = number("a dimension", above=0) if measured == "far-edge" else number("a dimension", least=0)
    depths: dict[str, float] = {}
    for label, item in value.items():
        place = join(where, label)
        if not is_label(label):
            faults.add(place, f"found the label {describe(label)}; allowed: letters and digits, and not the word from")
        try:
            depths[label] = read(item)
        except Wrong as wrong:
            faults.wrong(place, item, str(wrong))
    turn = _turn(tuple(depths.values()))
    if turn is not None:
        labels, sizes = list(depths), list(depths.values())
        shown = f"{labels[turn]} = {sizes[turn]:g} after {labels[turn - 1]} = {sizes[turn - 1]:g}"
        faults.add(
            where, f"found {shown}; allowed: dimensions that all grow or all shrink, shallowest first, none twice"
        )
    return depths if len(faults.lines) == before else None


def _turn(values: Sequence[float]) -> int | None:
    """The first place at which a row stops going the way it began, or repeats; None where it goes one way."""
    way = 0
    for i, (a, b) in enumerate(pairwise(values), start=1):
        step = (b > a) - (b < a)
        if step == 0 or step == -way:
            return i
        way = step
    return None
