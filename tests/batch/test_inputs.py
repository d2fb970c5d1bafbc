"""What is read and what is written: columns by place, damaged and endless inputs, no output over an input, no lost workers."""

from __future__ import annotations

import csv
import io
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result

import bitting.files
from bitting.batch.columns import Wanted, find_columns
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.cli import main
from bitting.counting import sample
from bitting.errors import BittingError
from bitting.systemfile import load_system
from tests.conftest import but_long
from tests.torture import make

ROOT = Path(__file__).parents[2]
GOOD, WRONG = "2133244 1124421", "2133144 1124421"


def invoke(*arguments: str, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(main, ["batch", *arguments], input=stdin)


def verdicts(text: str) -> list[str]:
    return [row["verdict"] for row in csv.DictReader(io.StringIO(text))]


@pytest.mark.parametrize("column", ["2", " 2 ", "=key code", "key code"])
def test_digits_are_always_a_place(column: str, tmp_path: Path) -> None:
    """A row whose first cell is 2 is no header."""
    (tmp_path / "t.csv").write_text(f"id,key code\n1,{GOOD}\n2,{WRONG}\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "--column", column, "-o", "-")
    assert verdicts(result.stdout) == ["legal", "illegal"]
    for place in ("0", "3", "99999999999999999999"):
        result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "--column", place, "-o", "-")
        assert (result.exit_code, result.stdout) == (2, "")
        assert f"there is no column {place}; a column given in digits is its place" in result.stderr


NEAR = ["9113244 1124421", "211324 1124421", "311324O 1124421", "2113244", "left 2133244", "2 1 3 3 2 4 O"]
"""No codes of plover, though meant for one: a depth that isn't there, a cut lost, a letter, half a code."""


@pytest.mark.parametrize("near", NEAR)
@pytest.mark.parametrize(
    "header", ["No,Key,Name", "Nr,Schlüssel,", "No,Key 2,Name", "Fleet list,,\n,,\nNo,Key,Name", ""]
)
@pytest.mark.parametrize("column", [None, "2"])
def test_a_code_with_a_fault_in_the_first_row_is_no_header(near: str, header: str, column: str | None) -> None:
    rows = [line.split(",") for line in header.splitlines()]
    rows += [[str(number), text, "a"] for number, text in enumerate([near, "see note", near, *[GOOD] * 9])]
    good = lambda texts: [text == GOOD for text in texts]  # noqa: E731
    layout = find_columns(rows, Wanted(column), load_system("plover"), good, measured=False)
    assert (layout.first, layout.places) == (len(header.splitlines()), (1,))


@pytest.mark.parametrize("first", ["", "?", "lost", "ask the customer"])
def test_a_first_row_without_a_code_is_no_header_where_rows_are_numbered(first: str, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(f"1,{first},a\n2,{GOOD},b\n3,{WRONG},c\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
    assert [line.split(",")[3] for line in result.stdout.splitlines()][1:] == ["legal", "illegal"]
    assert "rows          3" in result.stderr or "rows        3" in result.stderr


def test_a_header_with_a_year_above_figures_is_one(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(f"Nr,Key,2030\n1,{GOOD},7\n2,{WRONG},9\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
    assert result.stdout.splitlines()[0].startswith("Nr,Key,2030,verdict,")


def test_a_date_above_the_header_is_none(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(f"printed,2026-11-01,\n,,\nNo,Key,Name\n1,{GOOD},a\n2,{WRONG},b\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
    assert result.stdout.splitlines()[2].startswith("No,Key,Name,verdict,")
    assert "1 illegal" in result.stderr or "illegal     1" in result.stderr


def test_where_a_track_has_its_column_and_other_rows_hold_whole_codes_nothing_is_guessed(tmp_path: Path) -> None:
    split, whole = "2133244,1124421,a", f"{GOOD},,b"
    for rows, said in (
        ([split] * 4 + [whole] * 6, "only 4 of 10 rows have a code in Left and Right"),
        ([",,", f"{split},"] + [f",,b,{GOOD}"] * 9, "some rows have a code in a column of its own"),
    ):
        (tmp_path / "t.csv").write_text("\n".join(["Left,Right,Name,Other", *rows]))
        result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
        assert (result.exit_code, result.stdout) == (2, "")
        assert said in result.stderr
    (tmp_path / "t.csv").write_text("\n".join(["Left,Right,Name", *[split] * 6, *[whole] * 4]))
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
    assert verdicts(result.stdout).count("legal") == 6
    assert len(verdicts(result.stdout)) == 10


@pytest.mark.parametrize("names", ["top,bottom", "Bottom,TOP", "top edge,bottom edge"])
def test_a_column_for_each_edge_is_found_by_what_people_call_it(names: str, tmp_path: Path) -> None:
    cells = {"top": "233123", "bottom": "454254"}
    row = ",".join(cells[name.split()[0].casefold()] for name in names.split(","))
    (tmp_path / "t.csv").write_text(f"n,{names}\n1,{row}\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "grebe", "-o", "-")
    assert "legal,top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)" in result.stdout


@pytest.mark.parametrize("heads", ["{0}{n}", "{1}{n}", "{0} cut {n}", "{0}_{n}"])
@pytest.mark.parametrize("cell", ["{cut}", "{cut}.0", "{cut},00", " {cut} # ok", "{name} {cut}", "{name}: {cut}"])
@pytest.mark.parametrize("name", ["plover", "grebe"])
def test_cells_of_single_cuts_are_read_as_tables_hold_them(name: str, heads: str, cell: str, tmp_path: Path) -> None:
    system = load_system(name)
    [code] = sample(system, 1, seed=4)
    named = [(lane.label, n, cut.text) for lane in system.lanes for n, cut in enumerate(code.lists(lane)[0].cuts, 1)]
    head = ";".join(heads.format(label, label[0].upper(), n=n) for label, n, _ in named)
    row = ";".join(cell.format(cut=cut, name=label) for label, _, cut in named)
    (tmp_path / "t.csv").write_text(f"{head}\n{row}\n{row}\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", name, "-o", "-")
    assert [row["canonical"] for row in csv.DictReader(io.StringIO(result.stdout), delimiter=";")] == [str(code)] * 2
    (tmp_path / "t.csv").write_text(f"{head.split(';', 1)[1]}\n{row.split(';', 1)[1]}\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", name, "-o", "-")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "there is no column for" in result.stderr


@pytest.mark.parametrize("name", ["siskin", "dunlin", "wren"])
def test_a_table_whose_columns_say_nothing_is_refused_in_words(name: str, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("customer,phone\nann,555 0100\n")
    for words in ((), ("--readings-columns",)):
        result = invoke(str(tmp_path / "t.csv"), "-s", name, "-o", "-", *words)
        assert (result.exit_code, result.stdout) == (2, "")
        assert "no column is named as one of" in result.stderr


@pytest.mark.parametrize(
    ("name", "cells", "canonical"),
    [
        ("plover", ["left 2133244", "1124421"], "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"),
        ("plover", ["L: 2133244", "right:1124421"], "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"),
        ("grebe", ["top 233123", "bottom: 454254"], "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"),
    ],
)
def test_a_cell_may_say_the_name_of_its_column_again(
    name: str, cells: list[str], canonical: str, tmp_path: Path
) -> None:
    """But for no other list: that is told, not turned round."""
    head = ",".join(lane.label for lane in load_system(name).lanes)
    (tmp_path / "t.csv").write_text(
        f"n,{head}\n1,{','.join(cells)}\n2,{','.join(cells)}\n3,{','.join(reversed(cells))}\n"
    )
    result = invoke(str(tmp_path / "t.csv"), "-s", name, "-o", "-")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [row["canonical"] for row in rows[:2]] == [canonical] * 2
    assert rows[2]["verdict"] in ("illegal", "unreadable")


@pytest.mark.parametrize("name", ["dunlin", "grebe", "heron", "plover", "siskin", "wren"])
def test_a_column_for_each_cut_says_what_a_column_of_codes_says(name: str, tmp_path: Path) -> None:
    """Found by their names, in whatever order they stand; an empty cell is a cut that isn't known, an empty row no code."""
    system = load_system(name)
    heads = [f"{lane.label} {cut + 1}" for lane in system.lanes for cut in range(lane.track.cuts)]
    keys = [
        [[cut.text for cut in code.lists(lane)[0].cuts] for lane in system.lanes] for code in sample(system, 6, seed=1)
    ]
    opened = [[*keys[0][0][:1], "", *keys[0][0][2:]], *keys[0][1:]]
    keys += [opened, [["X", *keys[1][0][1:]], *keys[1][1:]], [[""] * len(part) for part in opened]]
    whole = [" / ".join(" ".join(cut or "?" for cut in part) for part in key) for key in keys[:-1]] + [""]
    rows = [[cut for part in key for cut in part] for key in keys]
    (tmp_path / "one.csv").write_text("n,code\n" + "".join(f"{n},{code}\n" for n, code in enumerate(whole)))
    table = [["n", *reversed(heads)], *([str(n), *reversed(row)] for n, row in enumerate(rows))]
    (tmp_path / "many.csv").write_text("\n".join(map(",".join, table)) + "\n")
    one, many = (invoke(str(tmp_path / f"{file}.csv"), "-s", name, "-o", "-") for file in ("one", "many"))
    assert verdicts(many.stdout) == verdicts(one.stdout)
    assert verdicts(many.stdout)[:6] == ["legal"] * 6
    assert f"codes in {heads[0]} … {heads[-1]}" in many.stderr
    said = [[row["canonical"] for row in csv.DictReader(io.StringIO(result.stdout))] for result in (one, many)]
    assert said[0] == said[1]


def test_codes_above_the_header_are_not_left_out_in_silence(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(f"No,Key\n1,{WRONG}\n2,{GOOD}\nNo,Code\n3,{GOOD}\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "row 2 holds a code and stands above the header in row 4" in result.stderr
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-", "--column", "2")
    assert verdicts(result.stdout) == ["illegal", "legal", "unreadable", "legal"]


def test_a_header_that_is_a_number_is_named_with_an_equals_sign() -> None:
    rows = [["1", "2", "3"], ["a", GOOD, "plover"], ["3", "1", "1"]]
    plover = load_system("plover")
    assert find_columns(rows, Wanted("=2", system_column="3"), plover, None, measured=False).places == (1,)
    assert find_columns(rows, Wanted("2", system_column="=3"), plover, None, measured=False).system == 2
    by_lane = Wanted(columns={"left": "=2", "right": "=3"})
    assert find_columns(rows, by_lane, plover, None, measured=False).places == (1, 2)
    assert find_columns(rows, Wanted("2"), plover, None, measured=True).places == (1,)


def test_readings_too_are_found_by_place(tmp_path: Path) -> None:
    text = "7.30 7.21 7.74 7.76 7.18 6.63 7.74 7.15"
    (tmp_path / "t.csv").write_text(f"a list,\nid,measured\n2,{text}\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "wren", "--readings", "2", "-o", "-")
    assert result.stdout.splitlines()[1].startswith("id,measured,verdict,")
    assert result.stdout.splitlines()[2].startswith(f"2,{text},")


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_quote_that_is_never_closed_is_no_reason_for_another_delimiter(delimiter: str, tmp_path: Path) -> None:
    other = ";" if delimiter == "," else ","
    head = f"id{delimiter}key code{delimiter}note\n1{delimiter}{GOOD}{delimiter}x\n"
    rows = f"2{delimiter}{GOOD}{delimiter}a{other}b\n" * 20_000
    (tmp_path / "t.csv").write_text(head + f'2{delimiter}{GOOD}{delimiter}"open{other}\n' + rows)
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "-o", "-")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "the quote opened in the record that begins on line 3 is never closed" in result.stderr


def test_a_header_narrower_than_the_column_of_codes_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(f"id\tnote\r\n0\tx\t{GOOD}\r\n1\ty\t{WRONG}\r\n")
    result = invoke(str(tmp_path / "t.csv"), "-s", "plover", "--column", "3", "-o", "-")
    assert result.exit_code == 1
    assert "codes in column 3" in result.stderr
    assert [line.split("\t")[3] for line in result.stdout.splitlines()] == ["verdict", "legal", "illegal"]


def test_no_output_replaces_a_file_that_was_read(tmp_path: Path) -> None:
    table, own = tmp_path / "t.csv", tmp_path / "my.toml"
    table.write_text(f"code,lock\n{GOOD},my\n")
    shutil.copy(ROOT / "systems" / "plover.toml", own)
    link, hard = tmp_path / "link", tmp_path / "hard"
    link.symlink_to(own)
    os.link(own, hard)
    before = own.read_bytes()
    for target in (own, link, hard):
        for system in (("-s", str(own)), ("--system-column", "lock"), ("-s", str(link))):
            result = invoke(str(table), *system, "-o", str(target), "--force")
            assert (result.exit_code, result.stdout) == (2, "")
            assert "is the file being read" in result.stderr
    with table.open("rb") as stdin:
        command = [sys.executable, "-m", "bitting.cli", "batch", "-", "-s", "plover", "-o", str(table), "--force"]
        command[1:3] = ["-c", "from bitting.cli import main; main()"]
        done = subprocess.run(command, stdin=stdin, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 2
    assert "is the file being read" in done.stderr
    assert own.read_bytes() == before
    assert table.read_text() == f"code,lock\n{GOOD},my\n"
    assert invoke(str(table), "-s", "plover", "-o", str(own), "--force").exit_code == 0  # nothing was read of it


@pytest.mark.parametrize("name", ["/dev/zero", "/dev/tty", "/dev/null"])
def test_a_device_is_no_table(name: str) -> None:
    result = invoke(name, "-s", "plover", "-o", "-")
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"{name!r} is a device, which may have no end" in result.stderr or "can't read" in result.stderr


def test_a_pipe_is_read_up_to_a_limit_that_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bitting.files, "MOST_BYTES", 1000)
    result = invoke("-", "-s", "plover", "-o", "-", stdin=b"code\n" + b"1\n" * 500)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "more than 1,000 bytes came from standard input" in result.stderr
    os.mkfifo(tmp_path / "pipe")
    writer = subprocess.Popen(["sh", "-c", f"yes 1 > {tmp_path}/pipe"], stderr=subprocess.DEVNULL)
    result = invoke(str(tmp_path / "pipe"), "-s", "plover", "-o", "-")
    writer.wait(10)
    assert "more than 1,000 bytes came from" in result.stderr


def test_standard_input_that_is_closed() -> None:
    command = f"{sys.executable} -c 'from bitting.cli import main; main()' batch - -s plover -o - <&-"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False, cwd=ROOT)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "bitting: standard input is closed\nname a file, or pipe one in\n"


def replaced(folder: Path, part: str, old: bytes, new: bytes) -> Path:
    """A workbook of one code, with some bytes of one part replaced."""
    book = openpyxl.Workbook()
    for row in (["code"], [make.LEGAL]):
        book.active.append(row)
    book.save(folder / "whole.xlsx")
    with zipfile.ZipFile(folder / "whole.xlsx") as whole, zipfile.ZipFile(folder / "in.xlsx", "w") as other:
        for name in whole.namelist():
            data = whole.read(name)
            if name == part:
                assert old in data
            other.writestr(name, data.replace(old, new) if name == part else data)
    return folder / "in.xlsx"


@pytest.mark.parametrize(
    ("part", "old", "new"),
    [
        ("xl/workbook.xml", b"sheet ", b"shoot "),
        ("xl/_rels/workbook.xml.rels", b"sheet1.xml", b"sheet9.xml"),
        ("xl/_rels/workbook.xml.rels", b"worksheet\"", b"chartsheet\""),
        ("xl/workbook.xml", b"</workbook>", b"<"),
        ("[Content_Types].xml", b"worksheet+xml", b"nothing+xml"),
        ("xl/styles.xml", b"<fonts", b"<\xff"),
    ],
)  # fmt: skip
def test_damaged_workbooks_get_one_plain_error(part: str, old: bytes, new: bytes, tmp_path: Path) -> None:
    source = replaced(tmp_path, part, old, new)
    result = invoke(str(source), "-s", "plover", "-o", str(tmp_path / "out.xlsx"))
    assert result.exception is None or isinstance(result.exception, SystemExit)
    if result.exit_code != 0:  # a library may see past the damage
        assert (result.exit_code, result.stdout) == (2, "")
        assert "workbook" in result.stderr
        assert not (tmp_path / "out.xlsx").exists()


@pytest.mark.parametrize("method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_packed_parts_that_are_damaged_get_one_plain_error(method: int, tmp_path: Path) -> None:
    source = make.workbook(tmp_path)
    with zipfile.ZipFile(source) as whole, zipfile.ZipFile(tmp_path / "packed.xlsx", "w", method) as packed:
        for name in whole.namelist():
            packed.writestr(name, whole.read(name))
        places = [(part.header_offset, part.compress_size) for part in packed.infolist()]
    data = bytearray((tmp_path / "packed.xlsx").read_bytes())
    for start, size in places:
        data[start + 60 : start + 30 + size] = bytes(byte ^ 0x55 for byte in data[start + 60 : start + 30 + size])
    (tmp_path / "packed.xlsx").write_bytes(data)
    with pytest.raises(BittingError, match="the workbook is damaged"):
        run_batch(Job(str(tmp_path / "packed.xlsx"), str(tmp_path / "out.xlsx")), load_system("plover"))


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("XFD3500", "covers 3,500 rows by 16,384 columns, and has 3 cells"),
        ("A1048576", "covers 1,048,576 rows by 1 columns, and has 3 cells"),
    ],
)
def test_a_small_file_that_would_cost_much_is_refused(where: str, words: str, tmp_path: Path) -> None:
    row = "".join(filter(str.isdigit, where))
    far = f'<row r="{row}"><c r="{where}"><v>1</v></c></row>'.encode()
    for rows in (far, far.replace(b'"', b"'")):  # the second is read tag by tag
        with pytest.raises(BittingError) as caught:
            run_batch(Job(str(make.rows_behind(tmp_path, rows)), str(tmp_path / "out.csv")), load_system("plover"))
        assert words in caught.value.message


def test_a_sheet_with_gaps_is_read(tmp_path: Path) -> None:
    far = b'<row r="20000"><c r="J20000"><v>1</v></c></row>'
    summary = run_batch(Job(str(make.rows_behind(tmp_path, far)), str(tmp_path / "out.csv")), load_system("plover"))
    assert (summary.rows, summary.counts["legal"]) == (19_999, 1)


def test_a_million_styles_are_refused(tmp_path: Path) -> None:
    source = replaced(tmp_path, "xl/styles.xml", b"</cellXfs>", b"<xf/>" * 210_000 + b"</cellXfs>")
    with pytest.raises(BittingError, match=r"xl/styles\.xml has more than 200,000 tags of styles"):
        run_batch(Job(str(source), str(tmp_path / "out.csv")), load_system("plover"))


def children(parent: int) -> set[int]:
    """The processes started by one (Linux)."""
    found = set()
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                status = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(status[1]) == parent and status[0] != "Z":
                found.add(int(entry.name))
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
@pytest.mark.parametrize(
    "how", but_long([signal.SIGKILL, signal.SIGTERM, signal.SIGHUP, signal.SIGINT], signal.SIGHUP, signal.SIGINT)
)
def test_workers_end_with_the_run(how: signal.Signals, tmp_path: Path) -> None:
    text = "7.30 7.21 7.74 7.76 7.18 6.63 7.74 7.15"
    (tmp_path / "in.csv").write_text("caliper\n" + f"{text}\n" * 40_000)
    command = [sys.executable, "-c", "from bitting.cli import main; main()", "batch", str(tmp_path / "in.csv")]
    command += ["-s", "wren", "--readings", "caliper", "--jobs", "2", "-o", str(tmp_path / "out.csv")]

    def as_usual() -> None:  # under nohup, or behind an &, signals are passed over, by the children too
        for one in (signal.SIGTERM, signal.SIGHUP, signal.SIGINT):
            signal.signal(one, signal.SIG_DFL)

    run = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=as_usual)
    deadline = time.monotonic() + 60
    while len(workers := children(run.pid)) < 2 and time.monotonic() < deadline:
        time.sleep(0.1)
    assert len(workers) == 2
    run.send_signal(how)
    run.wait(30)
    deadline = time.monotonic() + 5  # five times the aim
    while alive := {pid for pid in workers if Path(f"/proc/{pid}").exists() and pid in running()}:
        assert time.monotonic() < deadline, alive
        time.sleep(0.05)
    assert not (tmp_path / "out.csv").exists()


def running() -> set[int]:
    """All processes that are not merely waiting to be buried."""
    found = set()
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                state = (entry / "stat").read_text().rpartition(")")[2].split()[0]
            except OSError:
                continue
            if state != "Z":
                found.add(int(entry.name))
    return found
