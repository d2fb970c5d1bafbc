"""How answers about systems look on a terminal; of a lint the answer first, then a paragraph a finding, the gravest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.counting import Counted
from bitting.linting import Linted
from bitting.machine.plan.words import length
from bitting.model import MM_PER_INCH, System, Track, code_of
from bitting.model.system import MEASURED_FROM
from bitting.report.blocks import blade_blocks
from bitting.report.table import Line, table, wrapped
from bitting.text import in_runs, percent


def render_count(counted: Counted) -> Iterator[str]:
    yield f"{counted.system}: {counted.count:,} legal codes"
    if counted.bits is not None:
        yield f"  {counted.bits:.1f} bits; {_share(counted.share)} of the {counted.unruled:,} that there would be without rules"
    if len(counted.per_track) > 1:
        width = max(map(len, counted.per_track))
        for name, number in counted.per_track.items():
            yield f"  {name.ljust(width)}  {number:,} by its own rules, of {counted.per_track_unruled[name]:,}"
        if counted.coupled:
            yield "  rules tie the tracks together, so the whole is not their product"


def _share(share: float) -> str:
    if share >= 0.01:
        return percent(share)
    return f"one in {1 / share:,.0f}" if share else "none"


def render_show(system: System, plain: bool = False, *, full: bool = False) -> Iterator[str]:
    """A system as a page to read: what it is, charts, rules, and with `full` pictures; `plain` keeps them to ASCII."""
    yield f"{system.name}: {system.about}"
    yield f"data: {system.source}"
    unit = {"mm": "millimetres", "in": "inches"}[system.unit]
    yield f"lengths in {unit}; spaces are measured from the {system.stop}; {_sides(system)}"
    blade = system.blade
    given = [(name, getattr(blade, key)) for name, key in _BLADE if getattr(blade, key) is not None]
    if given:
        yield "blade: " + ", ".join(f"{name} {length(system, value)}" for name, value in given)
    if setup := system.cutting.setup:
        labels = system.tracks[0].labels
        yield f"setup key, for `align`: every cut at {labels[0]}, cut {setup.cut + 1} at {labels[setup.depth]}"
    yield from render_charts(system)
    if system.locks:
        yield ""
        runs = {name: in_runs(cut + 1 for cut in cuts) for name, cuts in system.locks.items()}
        read = {name: ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in found) for name, found in runs.items()}
        yield "locks: " + "; ".join(f"{name} reads cuts {cuts}" for name, cuts in read.items())
    for level, word in (("must", "every code keeps these rules"), ("should", "and should keep these")):
        sentences = dict.fromkeys((rule.sentence, rule.identifier) for rule in system.rules if rule.level == level)
        if sentences:
            yield ""
            yield f"{word}:"
            yield from (f"  {sentence}   [{identifier}]" for sentence, identifier in sentences)
    if system.rules:
        yield "  (`bitting systems rules IDENTIFIER` explains a rule)"
    else:
        yield ""
        yield "no rules: every combination of depths is a legal code"
    if full:
        yield ""
        yield from render_blades(system, plain)


def render_blades(system: System, plain: bool = False) -> Iterator[str]:
    """The blade with every cut at its shallowest, and at its deepest."""
    for word, deep in (("shallowest", False), ("deepest", True)):
        if deep:
            yield ""
        yield f"the blade with every cut the {word} (whether or not the rules allow it):"
        depths = [[len(lane.track.labels) - 1 if deep else 0] * lane.track.cuts for lane in system.lanes]
        yield from (f"  {line}" for line in blade_blocks(code_of(system, depths), plain=plain))


_BLADE = (("width", "width"), ("thickness", "thickness"), ("milled", "mill_depth"))


def _sides(system: System) -> str:
    if not system.sides:
        return "cut on one side"
    names = " and ".join(system.sides)
    return f"{names} carry {'the same cuts' if system.convenience else 'cuts of their own'}"


def render_charts(system: System) -> Iterator[str]:
    """The chart of every track, a blank line before each; tracks with the same one share it."""
    together: dict[tuple[object, ...], list[Track]] = {}
    for track in system.tracks:
        together.setdefault((track.labels, track.depths, track.spaces, track.milling, track.measured), []).append(track)
    for tracks in together.values():
        yield ""
        yield from _described(tracks)
        yield from _chart(system, tracks[0])


def _described(tracks: Sequence[Track]) -> Iterator[str]:
    """What a chart holds, and in which order each track is cut."""
    milled = {
        "external": "milled along its edge of the face",
        "internal": "milled in the face",
        "edge": "cut into the edge",
    }
    first = tracks[0]
    orders = [track.direction.replace("-", " ") for track in tracks]
    if len(set(orders)) == 1:
        order = f"cut from {orders[0]}"
    else:
        order = ", ".join(f"{track.name} cut from {way}" for track, way in zip(tracks, orders, strict=True))
    names = " and ".join(track.name for track in tracks)
    yield f"{names}: {milled[first.milling]}, {order}; depths are measured from {MEASURED_FROM[first.measured]}"


def _chart(system: System, track: Track) -> Iterator[str]:
    """Depths and spaces side by side."""
    rows: list[list[str]] = []
    for i in range(max(track.cuts, len(track.labels))):
        row = [""] * 6
        if i < len(track.labels):
            row[:3] = [track.labels[i], *_columns(system, track.depths[i])]
        if i < track.cuts:
            row[3:] = [str(i + 1), *_columns(system, track.spaces[i])]
        rows.append(row)
    own, other = ("mm", "thou") if system.unit == "mm" else ("in", "mm")
    headers = ["depth", own, other, "cut", f"{own} from {system.stop}", other]
    yield from (f"  {line}" for line in table(rows, headers, "lrrrrr"))


def _columns(system: System, value: float) -> tuple[str, str]:
    """A length as a chart has it, the system's own unit first."""
    mm = system.in_mm(value)
    if system.unit == "in":
        return as_on_a_chart(value, "in"), f"{mm:.3f}"
    return f"{mm:.3f}", f"{mm / MM_PER_INCH * 1000:.1f}"


def as_on_a_chart(value: float, unit: str) -> str:
    """A length as charts have it: two places of a millimetre at least; three of an inch, and no nought before the point.

    >>> as_on_a_chart(0.34, "in"), as_on_a_chart(0.3155, "in"), as_on_a_chart(8.6, "mm"), as_on_a_chart(0.125, "mm")
    ('.340', '.3155', '8.60', '0.125')
    """
    whole, _, places = f"{value:.6f}".rstrip("0").partition(".")
    return f"{whole}.{places:0<2}" if unit == "mm" else f"{whole if whole != '0' else ''}.{places:0<3}"


def show_dict(system: System) -> dict[str, Any]:
    """`systems show --json`: the system as data, lengths in its unit."""
    return {
        "system": system.name,
        "about": system.about,
        "source": system.source,
        "unit": system.unit,
        "stop": system.stop,
        "sides": list(system.sides),
        "convenience": system.convenience,
        "tracks": [
            {
                "name": track.name,
                "milling": track.milling,
                "measured": track.measured,
                "spaces": list(track.spaces),
                "depths": dict(zip(track.labels, track.depths, strict=True)),
                **({"numbers": dict(zip(track.labels, track.counted, strict=True))} if track.counted else {}),
            }
            for track in system.tracks
        ],
        "locks": {name: [cut + 1 for cut in cuts] for name, cuts in system.locks.items()},
        "rules": [
            {"rule": rule.identifier, "level": rule.level, "sentence": rule.sentence}
            for rule in {r.sentence: r for r in system.rules}.values()
        ],
    }


def render_rules(found: list[dict[str, Any]]) -> Iterator[str]:
    for i, kind in enumerate(found):
        if i:
            yield ""
        yield kind["identifier"]
        yield from (f"  {form}" for form in kind["forms"])
        yield f"    {kind['explanation']}"
        example = kind["example"]
        yield f"    for example `{example['sentence']}` allows {example['legal']} and forbids {example['illegal']}"


COLOURS = {"error": "red", "warning": "yellow", "note": None}


def render_lint(found: Linted, columns: int = 100) -> Iterator[Line]:
    """Lines of at most `columns` where words allow."""
    number = {level: sum(f.level == level for f in found.findings) for level in COLOURS}
    if found.clean:
        yield f"{found.system}: clean", "green"
    else:
        counted = [f"{n} {level}{'s' * (n > 1)}" for level, n in number.items() if n and level != "note"]
        yield f"{found.system}: {' and '.join(counted)}", "red" if number["error"] else "yellow"
    for finding in found.findings:
        yield "", None
        yield from wrapped("", f"{finding.level}: {finding.message} [{finding.code}]", columns, COLOURS[finding.level])
        if finding.witness is not None:
            yield f"  such a code: {finding.witness}", None
