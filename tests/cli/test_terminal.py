"""Commands on terminals, pipes and disks as they are: narrow, without colour, not UTF-8, closed, full, broken off."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from openpyxl import Workbook

from bitting import complete, load_system, parse_code, plan
from bitting.cli import main
from bitting.report.open_svg import open_svg
from bitting.report.plan import plan_lines
from tests.conftest import but_long

CODE = "left: 2133244 / right: 1124421"
OPEN = "left: 2133?44 / right: 1124421"
KEY = "left: 8.15 8.60 7.70 7.70 8.15 7.25 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
SETUP = "left: 8.60 8.60 8.60 6.80 8.62 8.63 8.60 / right: 8.60 8.60 8.60 6.80 8.62 8.63 8.60"
OFF = "left: 8.40 8.40 8.40 6.60 8.40 8.40 8.40 / right: 8.40 8.40 8.40 6.60 8.40 8.40 8.40"

TEXTS = {
    "check": ["check", CODE, "-s", "plover"],
    "complete": ["complete", OPEN, "-s", "plover"],
    "compare": ["compare", CODE, OPEN, "-s", "plover"],
    "plan": ["plan", CODE, "-s", "plover"],
    "inspect": ["inspect", CODE, KEY, "-s", "plover"],
    "align": ["align", SETUP, "-s", "plover"],
    "draw": ["draw", CODE, "-s", "plover", "--blocks"],
    "show": ["systems", "show", "plover"],
    "rules": ["systems", "rules"],
    "lint": ["systems", "lint", "plover"],
}


def run(*arguments: str, stdin: str | None = None) -> Result:
    """The command line in this process, standard error apart."""
    return CliRunner().invoke(main, list(arguments), input=stdin)


def process(arguments: list[str], **options: object) -> subprocess.CompletedProcess[bytes]:
    """The command line in a process of its own."""
    script = "from bitting.cli import main; main()"
    return subprocess.run([sys.executable, "-c", script, *arguments], timeout=60, check=False, **options)  # type: ignore[call-overload, no-any-return]


def on_terminal(arguments: list[str], columns: int, typed: bytes = b"", **environment: str) -> tuple[int, str]:
    """The command on a terminal of its own; the exit status and all that was shown."""
    pty = pytest.importorskip("pty")
    import fcntl
    import struct
    import termios

    pid, terminal = pty.fork()
    if not pid:  # pragma: no cover - the child
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
        kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "NO_COLOR", "TERM")}
        script = "from bitting.cli import main; main()"
        os.execve(sys.executable, [sys.executable, "-c", script, *arguments], kept | {"TERM": "xterm"} | environment)
    shown, patience = b"", 100
    while True:
        if not select.select([terminal], [], [], 0.3)[0]:
            patience -= 1
            if not patience:
                os.kill(pid, signal.SIGKILL)
            elif typed and shown.rstrip().endswith(b":"):  # quiet for a while, so it does wait
                os.write(terminal, typed)
            continue
        try:
            more = os.read(terminal, 65536)
        except OSError:  # how Linux says that the other end is closed
            break
        if not more:
            break
        shown += more
    os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), shown.decode().replace("\r\n", "\n")


@pytest.mark.parametrize("encoding", but_long(["ascii", "latin-1", "cp437"], "latin-1"))
@pytest.mark.parametrize("command", but_long(TEXTS, *(set(TEXTS) - {"align", "show"})))
def test_a_terminal_that_lacks_characters_gets_the_whole_answer_in_its_own(command: str, encoding: str) -> None:
    arguments = TEXTS[command]
    if encoding != "latin-1" and command not in ("align", "show", "rules"):
        pytest.skip("these three have every character that the others have")
    done = process(arguments, capture_output=True, env={**os.environ, "PYTHONIOENCODING": encoding})
    assert done.stderr == b""
    shown = done.stdout.decode(encoding)  # bytes of another encoding: ASCII would refuse them
    assert run(*arguments).exit_code == done.returncode
    assert len(shown.splitlines()) >= 3
    if encoding == "ascii" and command == "align":
        assert "measured - nominal; +- is 2 standard uncertainties" in shown


def test_json_is_ascii_where_the_terminal_is() -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = process(["check", f"{CODE} # ½", "-s", "plover", "--json"], capture_output=True, env=environment)
    assert json.loads(done.stdout.decode("ascii"))["results"][0]["input"] == f"{CODE} # ½"


@pytest.mark.parametrize("command", but_long(["check", "plan", "inspect", "lint"], "plan", "inspect", "lint"))
def test_colour_only_where_it_is_wanted(command: str) -> None:
    assert "\033[3" in on_terminal(TEXTS[command], 100)[1]
    assert "\033" not in on_terminal(TEXTS[command], 100, NO_COLOR="1")[1]
    assert "\033" not in on_terminal(TEXTS[command], 100, TERM="dumb")[1]
    assert "\033" not in run(*TEXTS[command]).stdout


@pytest.mark.parametrize(
    "command", but_long(["align", "compare", "complete", "plan", "rules"], "align", "compare", "complete", "rules")
)
def test_sentences_keep_to_a_narrow_terminal(command: str) -> None:
    _, shown = on_terminal(TEXTS[command], 48, NO_COLOR="1")
    wide = [line for line in shown.split("\n") if len(line) > 48 and "  " not in line.strip()]
    assert wide == []


def test_moves_fit_a_terminal_of_large_letters() -> None:
    system = load_system("plover")
    lines = [line for line, _ in plan_lines(plan(parse_code(CODE, system), system), columns=48)]
    moves = [line for line in lines if " SPACE " in line or " DEPTH " in line]
    assert len(moves) > 10
    assert max(map(len, lines)) <= 48
    assert "  (a wider window adds thou and more)" in lines


@pytest.mark.parametrize(
    "command",
    but_long(
        ["check", "plan", "complete", "draw", "compare", "inspect", "align"],
        "plan",
        "complete",
        "draw",
        "compare",
        "align",
    ),
)
def test_a_closed_standard_input_is_no_answer(command: str) -> None:
    more = ["--blocks"] if command == "draw" else []
    done = process([command, "-s", "plover", *more], capture_output=True, preexec_fn=lambda: os.close(0))
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.startswith(b"bitting: standard input is closed")


@pytest.mark.parametrize(
    "command", but_long(["check", "plan", "compare", "inspect", "align"], "plan", "compare", "align")
)
def test_standard_input_that_is_no_text_is_no_answer(command: str) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "utf-8:strict"}
    done = process([command, "-s", "plover"], capture_output=True, input=b"2 1 \xff", env=environment)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.startswith(b"bitting: what stands on standard input is no text in utf-8")


def test_a_workbook_is_not_written_to_a_terminal(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["code"])  # type: ignore[union-attr]
    book.save(tmp_path / "keys.xlsx")
    status, shown = on_terminal(["batch", str(tmp_path / "keys.xlsx"), "-s", "wren", "-o", "-"], 80)
    assert status == 2
    assert "bitting: a workbook can't be shown on a terminal\n" in shown


@pytest.mark.parametrize("command", ["check", "plan", "align"])
def test_json_of_another_command_is_told_to_be_json(command: str) -> None:
    found = CliRunner().invoke(
        main, [command, "-s", "wren"], input='{\n  "format": 1,\n  "code": "3 3 4 2 3 2 1 2"\n}\n'
    )
    assert (found.exit_code, found.stdout) == (2, "")
    assert found.stderr.startswith("bitting: standard input holds JSON\n")
    assert "3 3 4" not in found.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no disk that is always full")
@pytest.mark.parametrize("command", but_long(["check", "plan", "align"], "plan", "align"))
def test_an_answer_that_cannot_be_written_is_no_answer(command: str) -> None:
    with Path("/dev/full").open("wb") as full:
        done = process(TEXTS[command], stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 2
    assert done.stderr.startswith(b"bitting: can't write the answer: ")
    assert done.stderr.count(b"\n") == 1


@pytest.mark.parametrize("key", [b"\x03", b"\x04"])
@pytest.mark.parametrize("command", but_long(["check", "inspect", "align"], "inspect", "align"))
def test_a_prompt_broken_off_is_no_bad_news(command: str, key: bytes) -> None:
    status, shown = on_terminal([command, "-s", "plover"], 80, typed=key)
    assert status == 2
    assert shown.rstrip().endswith("bitting: broken off, nothing was answered")


def test_a_reader_that_has_gone_is_no_bad_news() -> None:
    read, write = os.pipe()
    os.close(read)
    done = process(["systems", "codes", "plover", "--limit", "5000"], stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    assert (done.returncode, done.stderr) == (2, b"")


def test_every_command_has_json() -> None:
    answer = json.loads(run("systems", "codes", "plover", "--from", "3", "--limit", "2", "--json").stdout)
    assert answer["codes"] == run("systems", "codes", "plover", "--from", "3", "--limit", "2").stdout.splitlines()


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["systems", "number", "plover", CODE, "--at", "3"], "either a code or --at"),
        (["draw", CODE, "-s", "plover", "-o", "-", "--json"], "only one answer fits on standard output"),
        (["draw", CODE, "-s", "plover", "-o", "-", "--blocks"], "only one answer fits on standard output"),
        (["complete", OPEN, "-s", "plover", "--svg", "-"], "standard output holds the answer"),
    ],
)
def test_questions_that_contradict_themselves(arguments: list[str], reason: str) -> None:
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert reason in result.stderr


def test_the_page_of_plan_keeps_the_lines_of_the_machine_file() -> None:
    assert "\n    per_turn = 1.0              # travel of one turn\n" in run("docs", "plan").stdout
    assert "\n  Exit status: 0 drawn; 1 drawn" in run("draw", "--help").stdout


def test_no_code_that_fits_is_told_though_there_is_nothing_to_draw(tmp_path: Path) -> None:
    target = tmp_path / "open.svg"
    result = run("complete", "left: 5133?44 / right: 1124421", "-s", "plover", "--svg", str(target))
    assert result.exit_code == 1
    assert result.stdout.startswith("No legal code of plover fits")
    assert "was not drawn: no code fits" in result.stderr
    assert not target.exists()


def test_a_picture_that_cannot_be_kept_is_found_out_first(tmp_path: Path) -> None:
    target = tmp_path / "open.svg"
    target.write_text("kept")
    result = run("complete", OPEN, "-s", "plover", "--svg", str(target))
    assert (result.exit_code, result.stdout, target.read_text()) == (2, "", "kept")


def test_the_picture_names_the_depths_that_are_left_and_no_other() -> None:
    system = load_system("wren")
    picture = open_svg(complete(parse_code("4 ? [1 3] 2 3 3 ? 1", system), system), system)
    assert ">1, 3</text>" in picture
    assert ">1–3</text>" not in picture.split(">1, 3</text>")[0]


def test_corrections_are_not_written_when_the_history_cannot_be(tmp_path: Path) -> None:
    machine = tmp_path / "machine.toml"
    text = 'format = 1\n[space]\nper_turn = 1.0\nclockwise = "to-bow"\n[depth]\nper_turn = 0.5\nclockwise = "deepens"\n'
    machine.write_text(text)
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    for history in ("other.csv", "missing/history.csv"):
        result = run(
            "align", OFF, "-s", "plover", "--correct", str(machine), "--history", str(tmp_path / history)
        )  # fmt: skip
        assert (result.exit_code, result.stdout) == (2, "")
        assert machine.read_text() == text
    result = run("align", OFF, "-s", "plover", "--correct", str(machine), "--history", str(tmp_path / "new.csv"))
    assert result.exit_code == 1
    assert "[corrections]" in machine.read_text()
    assert (tmp_path / "new.csv").read_text().splitlines()[1].endswith(",adjust,yes")


def test_every_fault_of_a_machine_file_is_told(tmp_path: Path) -> None:
    machine = tmp_path / "machine.toml"
    machine.write_text('format = 2\n[space]\nper_turn = "x"\nclockwise = "left"\n')
    result = run("plan", CODE, "-s", "plover", "--machine", str(machine))
    assert (result.exit_code, result.stdout) == (2, "")
    assert "3 faults" in result.stderr
    for fault in ("format: found 2", 'space.per_turn: found "x"', 'space.clockwise: found "left"'):
        assert f"  machine.toml: {fault}" in result.stderr


def test_a_plan_has_the_names_of_its_json() -> None:
    system = load_system("plover")
    result = plan(parse_code(CODE, system), system)
    answer = result.as_dict()
    assert all(hasattr(result, name) for name in answer)
    assert (result.system, result.unit) == (answer["system"], answer["unit"]) == ("plover", "mm")


def test_commands_come_without_what_they_do_not_need() -> None:
    script = (
        "import sys\nfrom click.testing import CliRunner\nfrom bitting.cli import main\n"
        "result = CliRunner().invoke(main, sys.argv[1:])\nassert result.exit_code in (0, 1), result\n"
        "print(*(name for name in ('numpy', 'scipy', 'shapely') if name in sys.modules))"
    )
    for arguments, needed in ((TEXTS["inspect"], ""), (TEXTS["align"], "numpy"), (TEXTS["compare"], "numpy")):
        done = subprocess.run([sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == needed, arguments


@pytest.mark.parametrize(
    ("arguments", "option"),
    [
        (["complete", OPEN, "-s", "plover", "--unit", "in"], "--unit"),
        (["decode", KEY, "-s", "plover", "--place", "0.1"], "--place"),
        (["batch", "{csv}", "-s", "plover", "-o", "-", "--sheet", "Old"], "--sheet"),
        (["batch", "{xlsx}", "-s", "plover", "-o", "-", "--delimiter", ";"], "--delimiter"),
    ],
)
def test_an_option_that_there_is_nothing_for_is_refused(arguments: list[str], option: str, tmp_path: Path) -> None:
    """It was passed over, as if what it says had counted."""
    (tmp_path / "codes.csv").write_text("code\n" + CODE + "\n")
    book = Workbook()
    book.active.append(["code"])
    book.active.append([CODE])
    book.save(tmp_path / "codes.xlsx")
    given = [one.format(csv=tmp_path / "codes.csv", xlsx=tmp_path / "codes.xlsx") for one in arguments]
    place = given.index(option)
    assert run(*given[:place], *given[place + 2 :]).exit_code in (0, 1)
    done = run(*given)
    assert (done.exit_code, done.stdout, "leave" in done.stderr) == (2, "", True)


# ---- what stands on a pipe -------------------------------------------------------------------------------------------

LEFT, RIGHT = "left: 8.15 8.60 7.70 7.70 8.15 7.25 7.25", "right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
READ = f"{LEFT} / {RIGHT}\n"
AGAIN = READ.replace("8.15", "8.14")
PLAIN = "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"
CUTS, OLD = "2133244 1124421\n", "2133243 1124421\n"


def in_lines(text: str) -> str:
    """The same code or readings with a line for each track, and remarks."""
    left, right = (
        text.split(" / ")
        if "/" in text
        else (f"{name} {cuts}" for name, cuts in zip(("left", "right"), text.split(), strict=True))
    )
    return f"# from the dealer\n\n{left}\n  # and\n{right.strip()}  # clean\n"


@pytest.mark.parametrize(
    ("arguments", "pipe"),
    [
        (["check"], [CUTS]),
        (["check", "-", "-"], [CUTS, CUTS]),
        (["complete"], [CUTS]),
        (["plan"], [CUTS]),
        (["plan", "--have", "-"], [CUTS, OLD]),
        (["draw", "-o", "-"], [CUTS]),
        (["sheet", "-o", "-"], [CUTS]),
        (["sheet", "-o", "-", "--readings", "-"], [CUTS, READ]),
        (["compare", "-"], [CUTS, CUTS]),
        (["compare", CODE], [CUTS]),
        (["compare", "-", CODE], [READ]),
        (["inspect", "--limits"], [CUTS]),
        (["inspect"], [CUTS, READ]),
        (["inspect", CODE, "--against", "-"], [READ, READ]),
        (["decode"], [READ]),
        (["decode", "-s", "wren"], [READ]),
        (["decode", "-", "-"], [READ, AGAIN]),
        (["decode", "--against", "-", "--against-code", "-"], [READ, READ, CUTS]),
        (["align", "--code", CODE], [READ]),
    ],
)
def test_a_pipe_may_have_remarks_and_each_track_on_a_line(arguments: list[str], pipe: list[str]) -> None:
    options = [*arguments, "-s", "plover", *(["--json"] if "-o" not in arguments else [])]
    wanted, found = (run(*options, stdin="".join(texts)) for texts in (pipe, map(in_lines, pipe)))
    assert wanted.exit_code < 2
    assert (found.exit_code, found.stderr) == (wanted.exit_code, wanted.stderr)
    if arguments[0] == "check":
        results = [json.loads(each.stdout)["results"] for each in (wanted, found)]
        assert [[(one["canonical"], one["legal"]) for one in each] for each in results] == [
            [(PLAIN, True)] * len(pipe)
        ] * 2
    else:  # a page's own number is drawn at random; the readings stand in compare's answer as they were given
        own = re.compile(r'"(?:keep|first)": "[^"]*"')
        assert own.sub("", found.stdout) == own.sub("", wanted.stdout)


def test_readings_of_a_key_may_stand_on_lines_without_names() -> None:
    for lines in ("\n".join(LEFT.split()[1:] + RIGHT.split()[1:]), f"{LEFT[6:]}\n{RIGHT[7:]}"):
        assert (
            run("decode", "-s", "plover", "--json", stdin=lines).stdout
            == run("decode", lines, "-s", "plover", "--json").stdout
        )
    short = run("decode", "-s", "plover", stdin=f"{LEFT[6:]}\n{RIGHT[7:-5]}\n")
    assert (short.exit_code, short.stdout) == (2, "")
    assert "14 readings expected (left 7, right 7), 13 given" in short.stderr


def test_lists_of_one_key_come_from_a_pipe_for_a_dash_each() -> None:
    """Without them nobody said that the lines are of one key."""
    given = run("decode", READ, AGAIN, "-s", "plover", "--json")
    assert run("decode", "-", "-", "-s", "plover", "--json", stdin=READ + AGAIN).stdout == given.stdout
    for words in ([], ["-"]):
        refused = run("decode", *words, "-s", "plover", stdin=READ + AGAIN)
        assert (refused.exit_code, refused.stdout) == (2, "")
        assert "two lists of one key are asked for by `decode - -`" in refused.stderr


@pytest.mark.parametrize(
    ("command", "options", "texts"),
    [
        ("check", [], [CODE, "2133144 1124421", OPEN]),
        ("check", ["-s", "wren"], [CODE, "2133144 1124421", OPEN]),
        ("decode", [], [READ.strip(), AGAIN.strip()]),
        ("compare", [], [CODE, OPEN]),
        ("align", ["--code", CODE], [READ.strip(), AGAIN.strip(), READ.strip()]),
    ],
)
def test_a_dash_stands_for_what_is_on_standard_input(command: str, options: list[str], texts: list[str]) -> None:
    end = "\n\n" if command == "align" else "\n"
    options = ["-s", "plover", *options, "--json"]
    wanted = run(command, *texts, *options)
    assert wanted.exit_code < 2
    for at in range(len(texts)):
        words = [*texts[:at], "-", *texts[at + 1 :]]
        assert run(command, *words, *options, stdin=texts[at] + end).stdout == wanted.stdout
    dashes = ["-"] * len(texts)
    assert run(command, *dashes, *options, stdin=end.join(texts)).stdout == wanted.stdout
    if len(texts) > 2:
        for words in (["-", texts[2]], ["-", "-", texts[2]]):
            piped = end.join(texts[:2]) + end
            assert run(command, *words, *options, stdin=piped).stdout == wanted.stdout
        assert run(command, texts[0], "-", *options, stdin=end.join(texts[1:])).stdout == wanted.stdout
    for piped, words in ((texts[0], "1 line on standard input instead of 2"), ("# none\n", "not given")):
        few = run(command, "-", "-", *options, stdin=piped)
        assert (few.exit_code, few.stdout) == (2, "")
        assert words in few.stderr


@pytest.mark.parametrize("command", ["compare", "inspect", "plan"])
def test_the_tracks_of_one_code_are_not_taken_for_two(command: str) -> None:
    have = ["--have", "-"] if command == "plan" else []
    found = run(command, "-s", "plover", *have, stdin=in_lines(CUTS))
    assert (found.exit_code, found.stdout) == (2, "")
    assert "1 text on standard input instead of 2" in found.stderr
    assert "lines that each name another track are one" in found.stderr


def test_a_line_beside_codes_that_cannot_be_read_is_named() -> None:
    found = run("check", CODE, "-", "-s", "plover", "--json", stdin=f"# two\n{CODE}\n2..\n")
    assert found.exit_code == 2
    assert [result.get("legal") for result in json.loads(found.stdout)["results"]] == [True, True, None]
    assert "bitting: line 3: " in found.stderr
    assert found.stderr.splitlines()[-1] == "3 codes: 2 legal, 0 not legal, 1 can't be read"


def test_a_byte_order_mark_before_a_remark_is_no_code() -> None:
    found = run("check", "-s", "plover", stdin=f"\ufeff# INVENTED\n{CODE}\n")
    assert (found.exit_code, found.stdout) == (0, run("check", CODE, "-s", "plover").stdout)


def test_readings_beside_open_cuts_come_from_a_pipe() -> None:
    wanted = run("complete", OPEN, "--readings", READ.strip(), "-s", "plover", "--json")
    assert run("complete", OPEN, "--readings", "-", "-s", "plover", "--json", stdin=READ).stdout == wanted.stdout
    both = run("complete", "--readings", "-", "-s", "plover", "--json", stdin=f"{OPEN}\n{READ}")
    assert (both.exit_code, both.stdout) == (wanted.exit_code, wanted.stdout)
