"""What comes from outside and means no good: texts a terminal obeys, files named twice, devices, broken pipes and disks."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from bitting import cli
from bitting.cli import main
from bitting.errors import BittingError, point_at, shown
from bitting.files import may_write, read_whole, write_whole
from bitting.grammars import folder
from tests.conftest import but_long
from tests.limits import answered, bitting

CODE = "2133244 1124421"
SETUP = "left: 8.60 8.60 8.60 6.80 8.62 8.63 8.60 / right: 8.60 8.60 8.60 6.80 8.62 8.63 8.60"
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
"""Control characters of both sets but line feed and tab, and what turns a line around (Unicode, UAX 9)."""
NASTY = ["\x1b[2J", "\x1b]0;title\x07", "\x9b2J", "\u202e", "\u2066", "\x7f", "\r", "\x08"]


def run(*arguments: str, stdin: str | None = None) -> tuple[int, str]:
    """Exit status and everything that was shown."""
    done = CliRunner().invoke(main, list(arguments), input=stdin)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


@pytest.mark.parametrize("nasty", NASTY, ids=ascii)
@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "2133{0}244 1124421", "-s", "plover"],
        ["check", "2133{0}244 1124421", "-s", "plover", "--json"],
        ["check", "2133244 1124421 # {0}", "-s", "plover", "--json"],
        ["check", "2133299 1124421 # {0}", "-s", "plover"],
        ["check", CODE, "-s", "{0}"],
        ["check", CODE, "-s", "{0}.toml"],
        ["check", CODE, "-s", "plover", "--lock", "{0}"],
        ["check", CODE, "-s", "plover", "--{0}"],
        ["{0}"],
        ["systems", "codes", "plover", "--limit", "{0}"],
        ["systems", "rules", "{0}"],
        ["docs", "{0}"],
        ["decode", "left: 8.1{0}5", "-s", "plover"],
        ["decode", "left: 8.15", "-s", "plover", "--wear", "{0}"],
        ["complete", "2?33244 1124421", "-s", "plover", "--where", "cut 1 {0}"],
        ["draw", CODE, "-s", "plover", "-o", "nowhere/{0}.svg"],
        ["plan", CODE, "-s", "plover", "--machine", "{0}.toml"],
        ["inspect", CODE, SETUP, "-s", "plover", "--tolerance", "{0}"],
        ["align", SETUP, "-s", "plover", "--date", "{0}", "--history", "nowhere.csv"],
    ],
    ids=lambda arguments: " ".join(arguments)[:40],
)
def test_nothing_from_outside_reaches_the_terminal_raw(arguments: list[str], nasty: str) -> None:
    _, output = run(*(argument.format(nasty) for argument in arguments))
    assert not OBEYED.search(output), ascii(output)
    assert output.strip()


def test_a_systems_own_words_are_shown_as_they_are_but_for_what_a_terminal_obeys(tmp_path: Path) -> None:
    path = tmp_path / "evil\x1b[2J\u202e.toml"
    path.write_text("format = 1\n[system]\nname = 'é\\u001b[2J'\n")
    status, output = run("check", CODE, "-s", str(path))
    assert status == 2
    assert not OBEYED.search(output)
    assert r"evil\x1b[2J\u202e.toml" in output


@given(st.text(max_size=30))
def test_shown_leaves_nothing_to_obey_and_everything_else(text: str) -> None:
    out = shown(text)
    assert not OBEYED.search(out)
    assert shown(out) == out
    out.encode()  # no half of a surrogate pair
    if text.isprintable():
        assert out == text


def test_carets_stand_under_what_is_written_out() -> None:
    text = "21\x1b3\u202e 9"
    line, marks = point_at(text, [(6, 7)], indent="").split("\n")
    assert line == r"21\x1b3\u202e 9"
    assert marks.index("^") == line.index("9")
    line, marks = point_at(text, [(2, 3)], indent="").split("\n")
    assert line[marks.index("^") : marks.rindex("^") + 1] == r"\x1b"


@pytest.mark.parametrize("how", but_long(["itself", "link", "hard link", "standard input"], "link", "hard link"))
@pytest.mark.parametrize("command", but_long(["draw", "complete", "decode", "sheet"], "complete", "decode", "sheet"))
def test_no_output_is_a_file_the_run_reads(tmp_path: Path, command: str, how: str) -> None:
    system, other = tmp_path / "my.toml", tmp_path / "other.toml"
    text = Path(folder("systems"), "plover.toml").read_text()
    system.write_text(text)
    if how == "link":
        other.symlink_to(system)
    elif how == "hard link":
        os.link(system, other)
    else:
        other = system
    words = {
        "draw": ["draw", CODE, "-o", other],
        "complete": ["complete", "2?33244 1124421", "--svg", other],
        "decode": ["decode", SETUP, "--svg", other],
        "sheet": ["sheet", CODE, "-o", other],
    }[command]
    source = system if how != "standard input" else Path("plover")
    with system.open("rb") as file:
        stdin = file if how == "standard input" else subprocess.DEVNULL
        done = bitting(*words, "-s", source, "--force", stdin=stdin)
    assert "is the file being read" in answered(done)
    assert done.returncode == 2
    assert system.read_text() == text


def test_history_and_machine_file_are_not_each_other(tmp_path: Path) -> None:
    path = tmp_path / "both"
    off = SETUP.replace("8.6", "8.4").replace("6.8", "6.6")
    status, output = run("align", off, "-s", "plover", "--history", str(path), "--correct", str(path))
    assert status == 2
    assert "is the file being read" in output
    assert not path.exists()


@pytest.mark.parametrize("date", ["=cmd|x", "\x1b[2J", "nan", "2025-13-01", ""])
def test_a_date_of_a_history_is_a_date(tmp_path: Path, date: str) -> None:
    path = tmp_path / "history.csv"
    status, output = run("align", SETUP, "-s", "plover", "--history", str(path), "--date", date)
    if date:
        assert status == 2
        assert "is no date" in output
        assert not path.exists()
    else:  # as if it weren't given: today
        assert path.exists()


@pytest.mark.parametrize("figure", ["1e308", "-1e308", "1001", "nan", "inf", "x"])
@pytest.mark.parametrize("column", ["depth_offset", "depth_sd", "space_offset"])
def test_a_wild_figure_in_a_history_is_named(tmp_path: Path, column: str, figure: str) -> None:
    path = tmp_path / "history.csv"
    assert run("align", SETUP, "-s", "plover", "--history", str(path))[0] in (0, 1)
    head, row = (line.split(",") for line in path.read_text().splitlines())
    row[head.index(column)] = figure
    path.write_text(",".join(head) + "\n" + ",".join(row) + "\n")
    before = path.read_text()
    status, output = run("align", SETUP, "-s", "plover", "--history", str(path))
    assert (status, path.read_text()) == (2, before)
    assert f"{column} is '{figure}', which is no" in output


@pytest.mark.parametrize(
    "command",
    but_long(
        [["check", "-"], ["decode", "-"], ["draw", "-", "--blocks"], ["plan", "-"]],
        ["draw", "-", "--blocks"],
        ["plan", "-"],
    ),
)
def test_standard_input_without_end_is_refused_with_the_limit(command: list[str]) -> None:
    with open("/dev/zero", "rb") as endless:
        done = bitting(*command, "-s", "plover", stdin=endless)
    assert done.returncode == 2
    assert "more than 1,048,576 characters" in answered(done)


def test_a_list_has_a_limit_of_lines() -> None:
    status, output = run("check", "-", "-s", "plover", stdin="1\n" * 10_001)
    assert status == 2
    assert "more than 10,000 lines" in output


@pytest.mark.parametrize("path", but_long(["/dev/zero", "/dev/tty", "/dev/null"], "/dev/tty", "/dev/null"))
def test_files_that_are_devices_are_refused(path: str) -> None:
    if not os.path.exists(path):
        pytest.skip(f"this system has no {path}")
    for words in (["check", CODE, "-s", path], ["plan", CODE, "-s", "plover", "--machine", path]):
        done = bitting(*words)
        assert done.returncode == 2
        told = answered(done)
        assert "device" in told or "No such device" in told, told


def test_a_file_that_is_too_long_or_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "long.toml"
    path.write_bytes(b"#" * (1 << 20) + b"\n")
    with pytest.raises(BittingError, match="longer than 1,048,576 bytes"):
        read_whole(path, "the machine file")
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(BittingError, match="not UTF-8"):
        read_whole(path, "the machine file")
    with pytest.raises(BittingError, match="can't read the machine file"):
        read_whole("a\0b", "the machine file")


@pytest.mark.parametrize(
    "words", [["check", "--help"], ["--help"], ["check", CODE, "-s", "plover"], ["systems", "list"]]
)
def test_a_full_disk_ends_with_status_2(words: list[str]) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("this system has no full device")
    with open("/dev/full", "wb") as full:
        done = bitting(*words, stdout=full)
    assert done.returncode == 2
    assert answered(done).strip() == "bitting: can't write the answer: No space left on device"


@pytest.mark.parametrize("words", [["check", "2(", "-s", "plover"], ["check", "1", "-s", "nothing"], ["--nothing"]])
def test_a_broken_standard_error_leaves_the_status(words: list[str]) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("this system has no full device")
    with open("/dev/full", "wb") as full:
        assert bitting(*words, stderr=full).returncode == 2


@pytest.mark.parametrize("words", [["codes", "plover", "--limit"], ["sample", "plover", "-n"]])
def test_a_list_has_an_end(words: list[str]) -> None:
    status, output = run("systems", *words, "9" * 20)
    assert status == 2
    assert "1<=x<=1000000" in output


def test_a_file_is_its_owners_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o777)
    try:
        write_whole(tmp_path / "answer.txt", "2 1 3")
    finally:
        os.umask(before)
    assert (tmp_path / "answer.txt").stat().st_mode & 0o777 == 0o600
    assert may_write(tmp_path / "answer.txt", force=True).name == "answer.txt"


def test_only_one_module_prints() -> None:
    """What is shown goes through `say`, `tell` and `print_json`, which write out what a terminal obeys."""
    for path in Path(str(cli.__file__)).parent.glob("*.py"):
        if path.name not in ("common.py", "batch.py"):  # a table's rows are written by `json_text`
            raw = re.findall(
                r"click\.echo\((?!(?:svg|html), file=sys\.stdout, nl=False)|\bprint\(|sys\.std\w+\.write",
                path.read_text(),
            )
            assert raw == [], path
