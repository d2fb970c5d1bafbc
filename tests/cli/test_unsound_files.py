"""Files whose figures no key can have: nothing is said of a code by them; lint and show look at them all the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from bitting.cli import main
from bitting.grammars import folder

CODE = "left: 2133134 / right: 1124421"
WRONG = {
    "spaces-reversed": ("first = 21.4, pitch = -2.3", "first = 7.6, pitch = 2.3"),
    "depths-reversed": ('measured = "far-edge"', 'measured = "own-edge"'),
    "size-odd": ("width = 10.0", "width = 1000.0"),
}


@pytest.fixture(params=sorted(WRONG))
def wrong(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, str]:
    old, new = WRONG[request.param]
    source = Path(folder("systems"), "plover.toml").read_text(encoding="utf-8")
    assert old in source
    path = tmp_path / "wrong.toml"
    path.write_text(source.replace(old, new), encoding="utf-8")
    return request.param, str(path)


def test_no_command_answers_by_such_a_file(wrong: tuple[str, str], tmp_path: Path) -> None:
    fault, path = wrong
    (tmp_path / "keys.csv").write_text("code\n2133134 1124421\n", encoding="utf-8")
    for arguments in (
        ["check", CODE, "-s", path],
        ["plan", CODE, "-s", path],
        ["decode", "left: 8.1 8.6 7.7 7.7 8.6 7.7 7.2 / right: 8.6 8.6 8.1 7.2 7.2 8.1 8.6", "-s", path],
        ["systems", "count", path],
        ["systems", "sample", path],
        ["batch", str(tmp_path / "keys.csv"), "-s", path, "-o", str(tmp_path / "out.csv")],
    ):
        done = CliRunner().invoke(main, arguments)
        assert (done.exit_code, done.stdout) == (2, ""), arguments
        assert fault in done.stderr
        assert not (tmp_path / "out.csv").exists()


def test_lint_and_show_look_at_it(wrong: tuple[str, str]) -> None:
    fault, path = wrong
    found = CliRunner().invoke(main, ["systems", "lint", path])
    assert found.exit_code == 1
    assert f"[{fault}]" in found.stdout
    assert CliRunner().invoke(main, ["systems", "show", path]).exit_code == 0
