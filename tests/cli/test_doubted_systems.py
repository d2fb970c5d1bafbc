"""Where lint finds an error in a system, every command refuses it or says so in its first line, and tells JSON too."""

from __future__ import annotations

import json
from pathlib import Path

import attrs
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

import bitting
from bitting.cli import main
from bitting.grammars import folder
from bitting.linting import errors_of, lint
from bitting.model import System
from bitting.soundness import suspect
from bitting.systemfile import shipped_systems
from tests.conftest import but_long
from tests.lint.test_broken import BROKEN, shipped
from tests.make import read_rules

Case = tuple[str, str, list[tuple[str, str]], list[str]]


def broken() -> list[Case]:
    """(what is wrong, system, changes, codes of the errors) of the rows that lint finds errors in."""
    cases = []
    for what, name, changes, findings, _ in BROKEN:
        every = findings if isinstance(findings, list) else [findings]
        if errors := [code for code, level in every if level == "error"]:
            cases.append((what, name, changes, errors))
    return cases


def key(system: System) -> tuple[str, str]:
    """A code, legal or not, and its readings."""
    rows = [[cut % 2 for cut in range(lane.track.cuts)] for lane in system.lanes]
    names = [f"{lane.label}: " if len(system.lanes) > 1 else "" for lane in system.lanes]
    tracks = [lane.track for lane in system.lanes]
    labels = [" ".join(track.labels[d] for d in row) for track, row in zip(tracks, rows, strict=True)]
    read = [" ".join(f"{track.depths[d]:g}" for d in row) for track, row in zip(tracks, rows, strict=True)]
    return " / ".join(map("".join, zip(names, labels, strict=True))), " / ".join(
        map("".join, zip(names, read, strict=True))
    )


BROKEN_FILES = {what: case for what, *case in broken()}


@pytest.mark.parametrize("what", but_long(BROKEN_FILES, *list(BROKEN_FILES)[3:]))
def test_every_command_refuses_or_warns_in_its_first_line(what: str, tmp_path: Path) -> None:
    name, changes, errors = BROKEN_FILES[what]
    text = Path(folder("systems"), f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        text = text.replace(old, new)
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    code, readings = key(shipped(name))
    (tmp_path / "keys.csv").write_text(f"code\n{code}\n", encoding="utf-8")
    for arguments in (
        ["check", code, "-s", str(path)],
        ["decode", readings, "-s", str(path)],
        ["plan", code, "-s", str(path)],
        ["sheet", code, "-s", str(path), "-o", str(tmp_path / "page.html")],
        ["systems", "count", str(path)],
        ["systems", "sample", str(path)],
        ["batch", str(tmp_path / "keys.csv"), "-s", str(path), "-o", str(tmp_path / "out.csv")],
    ):
        done = CliRunner().invoke(main, arguments)
        told = [f"({one};" in done.output.splitlines()[0] for one in errors]
        refused = done.exit_code == 2 and done.stdout == "" and "can't be used" in done.stderr
        assert refused or (done.output.startswith("warning: ") and any(told)), (arguments[0], done.output)
    done = CliRunner().invoke(main, ["check", code, "-s", str(path), "--json"])
    if done.exit_code == 2:
        assert any(one in done.stderr for one in errors)
    else:
        found = json.loads(done.stdout)["system_errors"]
        assert {one["code"] for one in found} == set(errors)


@pytest.mark.parametrize("name", shipped_systems())
def test_shipped_systems_are_not_suspect(name: str) -> None:
    assert not suspect(bitting.load_system(name))


EXTRA = ["adjacent cuts differ by at most 1", "first cut is one of {0}", "cuts never get deeper", "last cut is not {0} {1}",
         "at least 9 different depths", "depth {0} is used at most 0 times", "adjacent cuts differ by at least 3"]  # fmt: skip


@st.composite
def spoilt(draw: st.DrawFn) -> System:
    """A shipped system with other figures and some of its rules, or others."""
    system = bitting.load_system(draw(st.sampled_from(shipped_systems())))
    factor = st.sampled_from([0.5, 0.8, 0.95, 1.0, 1.0, 1.0, 1.05, 1.2, 1.6])

    def scaled(value: object) -> float | None:
        return value * draw(factor) if isinstance(value, float) else None

    names = system.tracks[0].labels
    must = [one for one in system.must if draw(st.integers(0, 3))]
    must += [one.format(*names) for one in draw(st.lists(st.sampled_from(EXTRA), max_size=2, unique=True))]
    pitch = draw(factor)
    bare = attrs.evolve(
        system,
        blade=attrs.evolve(system.blade, width=scaled(system.blade.width), thickness=scaled(system.blade.thickness)),
        cutting=attrs.evolve(
            system.cutting,
            cutter=scaled(system.cutting.cutter),
            seat=scaled(system.cutting.seat),
            root=scaled(system.cutting.root),
        ),
        tracks=tuple(attrs.evolve(track, spaces=tuple(s * pitch for s in track.spaces)) for track in system.tracks),
        must=tuple(must),
        rules=(),
    )
    return attrs.evolve(bare, rules=read_rules(bare, bare.must, bare.should))


@settings(max_examples=12, deadline=None)
@given(spoilt())
def test_no_error_of_lint_s_is_unsuspected(system: System) -> None:
    errors = errors_of(system)
    assert suspect(system) or not errors
    assert {one.code for one in errors} == {one.code for one in lint(system).findings if one.level == "error"}
