"""Readings that are left out before reckoning could not have changed the answer."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bitting.diagram import code_space
from bitting.notation import parse_code
from bitting.repair import Repairer
from bitting.repair.possible import possible
from bitting.repair.written import readings
from bitting.systemfile import load_system

SYSTEMS = ("plover", "wren", "siskin", "heron", "dunlin", "grebe")


@cache
def repairer_of(name: str) -> Repairer:
    return Repairer(load_system(name))


@st.composite
def written(draw: st.DrawFn) -> tuple[str, str]:
    """A legal code that went through some slips, of single cuts and of whole lists."""
    name = draw(st.sampled_from(SYSTEMS))
    system = repairer_of(name).system
    space = code_space(system)
    code = space.unrank(draw(st.integers(0, space.count - 1)))
    rows = [[lane.track.labels[depth] for depth in row] for lane, row in zip(system.lanes, code, strict=True)]
    for _ in range(draw(st.integers(0, 3))):
        row = draw(st.sampled_from(rows))
        at = draw(st.integers(0, len(row) - 1))
        what = draw(st.sampled_from(["misread", "swap", "drop", "double", "reverse", "exchange"]))
        if what == "misread":
            row[at] = draw(st.sampled_from("123456780"))
        elif what == "swap" and at + 1 < len(row):
            row[at], row[at + 1] = row[at + 1], row[at]
        elif what == "drop" and len(row) > 2:
            del row[at]
        elif what == "double":
            row.insert(at, row[at])
        elif what == "reverse":
            for each in rows if draw(st.booleans()) else [row]:
                each.reverse()
        elif what == "exchange" and len(rows) > 1:
            rows[0], rows[1] = rows[1], rows[0]
    sides: dict[str | None, list[str]] = {}
    for lane, row in zip(system.lanes, rows, strict=True):
        label = f"{lane.track.name}: " if len(system.tracks) > 1 else ""
        sides.setdefault(lane.side, []).append(label + " ".join(row))
    parts = [" / ".join(lists) for lists in sides.values()]
    if len(sides) == 1:
        return name, parts[0]
    return name, "; ".join(f"{side}({part})" for side, part in zip(sides, parts, strict=True))


@settings(max_examples=60, deadline=None)
@given(written(), st.booleans())
def test_nothing_that_matters_is_left_out(drawn: tuple[str, str], twice: bool) -> None:
    name, text = drawn
    repairer = repairer_of(name)
    if twice and not repairer.system.sided and len(repairer.system.sides) > 1:
        text = "; ".join(f"{side}({text})" for side in repairer.system.sides)
    code = parse_code(text, repairer.system)
    answer = repairer.nearest(code, best=4)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("bitting.repair.compiled.possible", lambda _walk, _reading: True)
        whole = repairer.nearest(code, best=4)
    assert [(f.code, f.change) for f in answer.codes] == [(f.code, f.change) for f in whole.codes]
    assert [f.probability for f in answer.codes] == pytest.approx([f.probability for f in whole.codes])
    assert answer.note == whole.note


def test_most_readings_are_left_out() -> None:
    repairer = repairer_of("plover")
    walk = repairer._walk
    assert walk is not None
    code = parse_code("left: 2 1 3 3 3 4 1 / right: 1 1 2 3 4 2 1", repairer.system)
    known = list(readings(code))
    assert sum(possible(walk, reading) for reading in known) < len(known) / 2
