"""From the text of a system file to a `System`: TOML, then table by table, then what holds between tables.

All faults of a file are told together, slips of TOML among them. The sentences of the rules need tracks to speak of, so
they are read last.

>>> read_system("format = 2", "finch.toml")
Traceback (most recent call last):
    ...
bitting.errors.SystemFileError: finch.toml can't be used: 3 faults
  finch.toml: format: found 2; allowed: the version of the format, a whole number from 1 to 1
  finch.toml: system: not found; add the table [system]
  finch.toml: tracks: not found; add a table [[tracks]] for each track

The tracks of a system file: spaces and depths listed or derived, and `like` for a track that repeats another.

>>> from bitting.systemfile.schema import Faults
>>> one = {"name": "left", "milling": "external", "measured": "far-edge",
...        "spaces": {"first": 21.4, "pitch": -2.3, "count": 7}, "depths": {"1": 8.6, "2": 8.15}}
>>> faults = Faults("finch.toml")
>>> left, right = read_tracks([one, {"name": "right", "like": "left"}], None, faults)
>>> left.spaces == right.spaces == (21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6), faults.lines
(True, [])
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, Literal, cast

from attrs import evolve

from bitting.errors import BittingError, SystemFileError, nearest, shown
from bitting.model.system import Across, Blade, Cutting, Level, Measured, Measuring, Rule, SetupCut, System, Track
from bitting.systemfile import schema as tables
from bitting.systemfile.doubts import doubts
from bitting.systemfile.measuring import sound_figures
from bitting.systemfile.schema import (
    COPIED,
    LONGEST,
    MOST_CUTS,
    Faults,
    Wrong,
    describe,
    is_label,
    is_word,
    join,
    names,
    number,
    read_table,
    read_value,
)
from bitting.text import plural

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
            faults.add(
                f"{where}.{key}", "found beside like; allowed: either like, or " + names(COPIED[:4]) + " of its own"
            )
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
    for key in _EXAMPLES:
        if key not in values and not faults.at(f"{where}.{key}"):
            other = f', or like = "{next(iter(seen))}"' if seen else ""
            faults.add(f"{where}.{key}", f"not found; add {_EXAMPLES[key]}{other}")
    measured = values.get("measured")
    spaces = _spaces(values["spaces"], f"{where}.spaces", faults) if "spaces" in values else None
    depths = _depths(values["depths"], f"{where}.depths", measured, faults) if "depths" in values else None
    counted = _numbers(values["numbers"], f"{where}.numbers", depths, faults) if "numbers" in values else None
    if not spaces or not depths or measured is None or "milling" not in values or "name" not in values:
        return None
    track = Track(values["name"], values["milling"], measured, spaces, tuple(depths), tuple(depths.values()))
    return evolve(track, counted=counted) if counted else track


def _numbers(value: Any, where: str, depths: Mapping[str, float] | None, faults: Faults) -> tuple[int, ...] | None:
    """What sums count each depth as, in the order of the depth table; None where it can't be told."""
    if not isinstance(value, dict):
        faults.wrong(where, value, "a table such as { A = 1, B = 2 }")
        return None
    before = len(faults.lines)
    for label, item in value.items():
        if isinstance(item, bool) or not isinstance(item, int) or abs(item) > MOST_CUTS:
            faults.wrong(join(where, label), item, f"a whole number, at most {MOST_CUTS}")
        elif depths is not None and label not in depths:
            faults.add(join(where, label), f"found this depth; allowed: {names(list(depths))}")
    for label in depths or ():
        if label not in value:
            faults.add(join(where, label), f"not found; add {label} = …")
    return tuple(value[label] for label in depths) if depths and len(faults.lines) == before else None


_EXAMPLES = {
    "milling": 'milling = "external", "internal" or "edge"',
    "measured": 'measured = "far-edge", "own-edge" or "centre"',
    "spaces": "spaces = { first = …, pitch = …, count = … } or a list of distances",
    "depths": "depths = { 1 = …, 2 = … }, shallowest first",
}


def _spaces(value: Any, where: str, faults: Faults) -> tuple[float, ...] | None:
    """The distance of each cut from the stop, bow to tip, from a list or from first, pitch and count."""
    before = len(faults.lines)
    distance = number("a distance from the stop", least=0, most=LONGEST)
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
    limits = {"above": 0.0} if measured == "far-edge" else {"least": 0.0}
    read = number("a dimension", **limits, most=LONGEST)
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


LEVELS: tuple[Level, ...] = ("must", "should")


def read_system(text: str, path: str) -> System:
    """The system that a file describes; `path` names the file in faults and stays with the system.

    Raises `SystemFileError` with every fault of the file, one line each: slips of TOML, which are mended in a copy, so that
    the rest is judged too; then what the tables say; then the sentences, where there are tracks to speak of; and where there
    are faults at all, what can hardly be meant.
    """
    faults = Faults(shown(os.path.basename(path) or path, lines=False))
    top = read_table(parse(text, path, faults), "", tables.TOP, faults)
    system = _system(top, path, faults)
    rules = [rule for level in LEVELS for rule in _rules(system, level, faults)] if system is not None else []
    if faults.lines:
        if any(".spaces" in line for line in faults.lines):
            from bitting.systemfile.mend import list_commas

            for found, write in list_commas(text):
                faults.add("", f"{found}; write {write}")
        raise unusable(path, faults.lines)
    if system is None:
        raise ValueError("a file without faults gives a system")
    return evolve(system, rules=tuple(rules)) if rules else system


def unusable(path: str, faults: Sequence[str], hint: str = "") -> SystemFileError:
    """The error for a file with these faults; its message holds them all, so it is complete wherever it is shown."""
    count = plural(len(faults), "fault")
    lines = "".join(f"\n  {line}" for line in faults)
    return SystemFileError(f"{shown(path, lines=False)} can't be used: {count}{lines}", faults=faults, hint=hint)


def parse(text: str, path: str, faults: Faults) -> dict[str, Any]:
    """The tables of the text, or of its mended copy, with a fault for each slip; what can't be mended ends the reading."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        from bitting.systemfile.mend import mend  # only a broken file pays for it

        mended = mend(text)
        for slip in mended.slips:
            faults.add("", slip)
        if mended.data is not None:
            return mended.data
        message = mended.stop
    except RecursionError:
        message = "not readable: lists or tables are nested too deeply"
    except ValueError as error:  # a number of thousands of digits
        message = f"not readable: {error}"
    faults.add("", message)
    raise unusable(path, faults.lines)


def _system(top: Mapping[str, Any], path: str, faults: Faults) -> System | None:
    """The system without its rules; where there are faults, as much as sentences can speak of, or None."""
    head = read_table(top["system"], "system", tables.SYSTEM, faults) if "system" in top else {}
    blade = read_table(top.get("blade", {}), "blade", tables.BLADE, faults)
    cutting = read_table(top.get("cutting", {}), "cutting", tables.CUTTING, faults)
    found = read_tracks(top["tracks"], cutting.get("direction"), faults) if "tracks" in top else ()
    rules = read_table(top.get("rules", {}), "rules", tables.RULES, faults)
    tracks = tuple(track for track in found if track is not None)
    sides = head.get("sides", ())
    _check_sides(head, tracks, faults)
    locks = _locks(top.get("locks", {}), max((track.cuts for track in tracks), default=None), faults)
    made = _cutting(cutting, tracks, faults)
    measured, notes = _measuring(top.get("measuring", {}), tracks, len(tracks) == len(found) > 0, head, faults)
    if faults.lines:
        own = [(i, t) for i, t in enumerate(found) if t is not None and "like" not in top["tracks"][i]]
        for where, message in doubts(head.get("unit"), head.get("stop"), own):
            faults.add(where, message)
        speak = tracks and len(tracks) == len(found) and not any(map(faults.at, ("system.sides", "blade", "cutting")))
        if not speak:
            return None
    return System(
        name=head.get("name", ""),
        about=head.get("about", ""),
        source=head.get("source", ""),
        unit=head.get("unit", "mm"),
        stop=head.get("stop", "tip"),
        sides=sides,
        convenience=head.get("convenience", False),
        blade=Blade(**blade),
        tracks=tracks,
        must=rules.get("must", ()),
        should=rules.get("should", ()),
        locks=locks,
        cutting=made,
        measuring=measured,
        path=path,
        notes=tuple(f"under [measuring], {note}" for note in notes),
    )


def _check_sides(head: Mapping[str, Any], tracks: Sequence[Track], faults: Faults) -> None:
    """A convenience key has at least two sides, and a side can't be taken for a track."""
    sides = head.get("sides", ())
    if head.get("convenience") and len(sides) < 2 and not faults.at("system.sides"):
        found = f"{len(sides)} side" if len(sides) == 1 else "no sides"
        faults.add(
            "system.convenience", f'found true with {found}; allowed: true with sides = ["top", "bottom"], or false'
        )
    for track in tracks:
        if track.name.casefold() in {side.casefold() for side in sides}:
            faults.add(
                "system.sides", f"found {describe(track.name)}, which is a track too; allowed: names of their own"
            )


def _locks(table: Any, cuts: int | None, faults: Faults) -> dict[str, tuple[int, ...]]:
    """Which cuts, counted from 0, each lock reads; `cuts` is the number of the longest track, None where unknown."""
    locks: dict[str, tuple[int, ...]] = {}
    if not isinstance(table, dict):
        faults.wrong("locks", table, 'a table such as door = "1-5"')
        return locks
    for name, value in table.items():
        where = join("locks", name)
        numbers = _cut_numbers(value)
        if not is_word(name.replace("-", "_")):
            faults.add(where, "found this name; allowed: one word of letters, digits, - and _")
        elif name.casefold() in {other.casefold() for other in locks}:
            faults.add(where, "found this lock twice; allowed: names that differ by more than capitals")
        elif numbers is None or not numbers:
            faults.wrong(where, value, 'cuts from the bow, each once, such as "1-5", "1,3,5" or [1, 3, 5]')
        elif cuts is not None and (numbers[0] < 1 or numbers[-1] > cuts):
            faults.wrong(where, value, f"cuts from 1 to {cuts}")
        else:
            locks[name] = tuple(n - 1 for n in numbers)
    return locks


def _cut_numbers(value: Any) -> list[int] | None:
    """The cuts of `"1-5"`, `"1,3,5-7"`, `[1, 3]` or `4`, in order; None where it isn't written so or repeats one."""
    items = value if isinstance(value, list) else str(value).split(",") if isinstance(value, str) else [value]
    numbers: list[int] = []
    for item in items:
        ends = [part.strip() for part in item.split("-")] if isinstance(item, str) else [item]
        if isinstance(item, str):
            if len(ends) > 2 or not all(end.isascii() and end.isdigit() and len(end) <= 4 for end in ends):
                return None
        elif isinstance(item, bool) or not isinstance(item, int) or not 0 <= item < 10_000:
            return None
        first, last = int(ends[0]), int(ends[-1])
        if last < first or (len(ends) == 2 and last == first):
            return None
        numbers += range(first, last + 1)
    return sorted(numbers) if len(set(numbers)) == len(numbers) else None


def _cutting(values: dict[str, Any], tracks: Sequence[Track], faults: Faults) -> Cutting:
    """The cutter; `direction` has gone to the tracks already."""
    fields = {key: value for key, value in values.items() if key not in ("direction", "setup")}
    if fields.get("rotation") == "counterclockwise":
        fields["rotation"] = "anticlockwise"
    if fields.get("shape", "round") == "round" and not faults.at("cutting.shape"):
        for key in ("angle", "root"):
            if key in fields:
                faults.add(f"cutting.{key}", 'found with a round cutter; allowed: only with shape = "vee"')
    setup = _setup(values["setup"], tracks, faults) if "setup" in values else None
    return Cutting(**fields, setup=setup)


def _setup(table: Any, tracks: Sequence[Track], faults: Faults) -> SetupCut | None:
    """The deep cut of the setup key, which every track must have, at one place of their depth tables."""
    values = read_table(table, "cutting.setup", tables.SETUP, faults)
    if len(values) < 2 or not tracks:
        return None
    cut, depth = values["cut"], values["depth"]
    label = str(depth) if isinstance(depth, int) and not isinstance(depth, bool) else depth
    shortest = min(track.cuts for track in tracks)
    sound = isinstance(cut, int) and not isinstance(cut, bool) and 1 <= cut <= shortest
    if not sound:
        faults.wrong("cutting.setup.cut", cut, f"a cut that every track has, from 1 to {shortest}")
    shared = [known[0] for known in zip(*(track.labels for track in tracks), strict=False) if len(set(known)) == 1]
    if label not in shared:
        faults.wrong("cutting.setup.depth", depth, "a depth of every track, at the same place: " + names(shared))
        return None
    return SetupCut(cut - 1, tracks[0].labels.index(label)) if sound else None


def _measuring(
    table: Any, tracks: Sequence[Track], complete: bool, head: Mapping[str, Any], faults: Faults
) -> tuple[Measuring, tuple[str, ...]]:
    """The measuring figures, and what is said of those too small to be meant.

    `complete`: every track of the file was read, so that an unknown name is a fault.
    """
    values = read_table(table, "measuring", tables.MEASURING, faults)
    across = values.pop("across", None)
    span = min((abs(track.depths[-1] - track.depths[0]) for track in tracks), default=None)
    figures, notes = sound_figures(values, span, head.get("unit", "mm"), faults)
    return Measuring(
        **figures, across=None if across is None else _across(across, tracks, complete, head, faults)
    ), notes


def _across(
    table: Any, tracks: Sequence[Track], complete: bool, head: Mapping[str, Any], faults: Faults
) -> Across | None:
    """How a reading over two opposite tracks, or between two edges, follows from theirs."""
    where = "measuring.across"
    before = len(faults.lines)
    values = read_table(table, where, tables.ACROSS, faults)
    if isinstance(table, dict) and ("less" in table) == ("from" in table):
        found = "both less and from" if "less" in table else "neither less nor from"
        faults.add(where, f"found {found}; allowed: less = W (left + right - W) or from = W (W - left - right)")
    if isinstance(table, dict) and ("tracks" in table) == ("sides" in table):
        found = "both tracks and sides" if "tracks" in table else "neither tracks nor sides"
        faults.add(where, f"found {found}; allowed: tracks = the names of two tracks, or sides = those of two edges")
    sides = _edges(values["sides"], tracks, complete, head.get("sides", ()), faults) if "sides" in values else None
    pair = (tracks[0].name,) * 2 if sides else tuple(_exact(name, tracks) for name in values.get("tracks", ()))
    if "tracks" in values and len(pair) != 2:
        faults.wrong(f"{where}.tracks", table["tracks"], "the names of two tracks")
    elif complete and sides is None:
        for i, (name, known) in enumerate(zip(values.get("tracks", ()), pair, strict=True)):
            if known is None:
                faults.wrong(f"{where}.tracks[{i}]", name, names([track.name for track in tracks]))
    if len(faults.lines) > before or None in pair or len(pair) != 2:
        return None
    scale: Literal[1, -1] = 1 if "less" in values else -1
    amount = 0.0 - values["less"] if scale == 1 else values["from"]
    return Across(cast(tuple[str, str], pair), scale, amount, sides)


def _edges(
    given: Sequence[str], tracks: Sequence[Track], complete: bool, sides: Sequence[str], faults: Faults
) -> tuple[str, str] | None:
    """The names of both edges as they are written under [system]; the key has one track on each."""
    where = "measuring.across.sides"
    known = {side.casefold(): side for side in sides}
    found = [known.get(name.casefold()) for name in given]
    if len(given) != 2 or len(set(found)) != 2 or None in found:
        allowed = f"the names of two edges ({', '.join(sides)})" if sides else "edges need `sides` under [system]"
        faults.wrong(where, list(given), allowed)
        return None
    if complete and (len(tracks) != 1 or tracks[0].milling != "edge"):
        faults.wrong(
            where, list(given), "only where each edge has one track, whose milling is edge; name tracks otherwise"
        )
        return None
    return (str(found[0]), str(found[1])) if tracks else None


def _exact(name: str, tracks: Sequence[Track]) -> str | None:
    """The track's name as it is written where it is described."""
    return next((track.name for track in tracks if track.name.casefold() == name.casefold()), None)


def _rules(system: System, level: Level, faults: Faults) -> list[Rule]:
    """The rules that the sentences of one level say; a sentence that isn't understood is a fault."""
    sentences = system.must if level == "must" else system.should
    if not sentences:
        return []
    from bitting.rules import read_rule  # the catalogue is needed only where there are sentences

    rules: list[Rule] = []
    for i, sentence in enumerate(sentences):
        try:
            rules += read_rule(system, sentence, level)
        except BittingError as fault:
            hint = f"; {fault.hint}".replace(":\n", ": ").replace("\n", " | ") if fault.hint else ""
            where = f"rules.{level}[{i}]"
            faults.add(where, f"found {describe(sentence, 200)}: " + " ".join(f"{fault.message}{hint}".split()))
    return rules
