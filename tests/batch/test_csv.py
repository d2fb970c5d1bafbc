"""Tables in, the same rows out: every way a delimited file is written comes back byte for byte, with verdicts."""

from __future__ import annotations

import csv
import io
import json
import os
import random
import stat
from pathlib import Path

import pandas
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from bitting.batch import check_many
from bitting.batch.columns import Wanted
from bitting.batch.csv.records import LONGEST, WIDEST, read_records
from bitting.batch.job import Job
from bitting.batch.output import Column, Row
from bitting.batch.run import run_batch
from bitting.batch.summary import Summary
from bitting.cli import main
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import code_of
from bitting.systemfile import load_system
from tests.batch.added import CODES, HEADER, READINGS, added, tail
from tests.conftest import drawn

LEGAL = "left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 1"
ILLEGAL = "left: 2 1 3 3 3 4 1 / right: 1 1 2 3 4 2 1"
UNREADABLE = "left: 2 1 -- 3"


def batch(tmp_path: Path, data: bytes, *options: str, name: str = "in.csv") -> tuple[bytes, Summary]:
    """Run over a file with these bytes."""
    source = tmp_path / name
    source.write_bytes(data)
    target = tmp_path / "out.csv"
    wanted = Wanted(*options)
    order = Job(str(source), str(target), wanted, force=True)
    summary = run_batch(order, load_system("plover"))
    return target.read_bytes(), summary


def invoke(*arguments: str, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(main, ["batch", *arguments], input=stdin)


def test_the_same_rows_in_order_with_our_columns(tmp_path: Path) -> None:
    rows = [LEGAL, ILLEGAL, UNREADABLE, "", LEGAL]
    data = "unit,key code,remark\n" + "".join(f"{n},{code},r{n}\n" for n, code in enumerate(rows))
    out, summary = batch(tmp_path, data.encode())
    lines = out.decode().splitlines()
    assert lines[0] == f"unit,key code,remark,{HEADER}"
    assert lines[1] == f"0,{LEGAL},r0," + tail(verdict="legal", canonical=LEGAL)
    verdicts = [row["verdict"] for row in added(out)[1:]]
    assert verdicts == ["legal", "illegal", "unreadable", "empty", "legal"]
    assert "cut 6 is 4 and cut 7 is 1: they differ by 3, and at most 2 is allowed [adjacent-difference]" in lines[2]
    assert "two separators stand in a row (at character 12)" in lines[3]
    assert lines[4] == "3,,r3," + tail(verdict="empty")
    counts = {k: summary.as_dict()[k] for k in ("rows", "legal", "illegal", "unreadable", "empty", "duplicates")}
    assert counts == {"rows": 5, "legal": 2, "illegal": 1, "unreadable": 1, "empty": 1, "duplicates": 1}
    assert summary.rules == {"adjacent-difference": 1}


def test_advice_is_said_and_leaves_a_code_legal(tmp_path: Path) -> None:
    out, summary = batch(tmp_path, b"code\nleft: 1 1 2 2 1 1 2 / right: 1 1 2 3 4 2 1\n")
    row = added(out)[1]
    assert row["verdict"] == "legal"
    assert row["findings"] == "advice: left: only 2 different depths used, at least 3 needed [distinct-depths]"
    assert summary.bad == 0


CELLS = st.text(alphabet="ab1 ,;\t|\"\n\r'½é=+-", max_size=8)


@st.composite
def tables(draw: st.DrawFn) -> tuple[bytes, str, str, list[list[str]], list[str]]:
    """A table as bytes in one of many ways, its encoding and delimiter, its rows and their codes."""
    delimiter = draw(st.sampled_from(",;\t|"))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    ending = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    width = draw(st.integers(2, 4))
    place = draw(st.integers(0, width - 1))
    header = [f"c{n}" for n in range(width)]
    header[place] = "Key code"
    codes = draw(st.lists(st.sampled_from([LEGAL, ILLEGAL, UNREADABLE, "", "½"]), min_size=1, max_size=12))
    rows = []
    for code in codes:
        row = draw(st.lists(CELLS, min_size=width, max_size=width))
        row[place] = code
        rows.append(row)
    # the csv module quotes line ends of every kind only where it ends lines with both
    quoting = draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])) if ending == "\r\n" else csv.QUOTE_ALL
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator=ending, quoting=quoting)
    writer.writerow(header)
    writer.writerows(rows)
    whole = text.getvalue()
    if draw(st.booleans()):
        whole = whole[: -len(ending)]
    return whole.encode(encoding), encoding, delimiter, [header, *rows], codes


@drawn(60)
@given(tables())
def test_cells_come_out_as_they_went_in(
    tmp_path_factory: pytest.TempPathFactory, drawn: tuple[bytes, str, str, list[list[str]], list[str]]
) -> None:
    data, encoding, delimiter, rows, codes = drawn
    out, summary = batch(tmp_path_factory.getbasetemp(), data, "Key code")
    back = list(csv.reader(io.StringIO(out.decode(encoding), newline=""), delimiter=delimiter))
    assert [row[: -len(CODES.names)] for row in back] == rows
    many = check_many(load_system("plover"), codes)
    words = ["legal", "illegal", "unreadable", "empty"]
    answered = added(out, encoding, delimiter)[1:]
    assert [row["verdict"] for row in answered] == [words[v] for v in many.verdict]
    assert [row["canonical"] or None for row in answered] == many.canonical
    assert summary.rows == len(codes)
    # as written, not only as read: each record's own characters stand in front of what was added
    before = _records(data.decode(encoding), delimiter)
    after = _records(out.decode(encoding), delimiter)
    assert len(before) == len(after)
    assert all(new.startswith(old) for old, new in zip(before, after, strict=True))


def _records(text: str, delimiter: str) -> list[str]:
    """The records of a text as written, without line ends, by the csv module's own count of lines."""
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(lines, delimiter=delimiter)
    out, begin = [], 0
    for _ in reader:
        out.append("".join(lines[begin : reader.line_num]).rstrip("\r\n"))
        begin = reader.line_num
    return out


@pytest.mark.parametrize(
    ("encoding", "name"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8 with byte order mark"),
        ("utf-16", "utf-16-le with byte order mark"),
        ("utf-16-be", "utf-16-be"),
        ("utf-16-le", "utf-16-le"),
        ("utf-32", "utf-32-le with byte order mark"),
        ("cp1252", "cp1252"),
    ],
)
def test_encodings_are_found_and_kept(tmp_path: Path, encoding: str, name: str) -> None:
    data = f"größe;code\r\nblöd – ½;{LEGAL}\r\n€;\u00a0{LEGAL}\r\n".encode(encoding)
    out, summary = batch(tmp_path, data)
    assert summary.encoding == name
    text = out.decode(encoding)
    assert text.startswith("größe;code;" + HEADER.replace(",", ";") + "\r\nblöd – ½;")
    assert [row["verdict"] for row in added(out, encoding, ";")] == ["verdict", "legal", "legal"]


def test_bytes_that_are_no_characters_stay(tmp_path: Path) -> None:
    data = b"name,code\n\x81\x9d\xff," + LEGAL.encode() + b"\n\xc3\x28," + LEGAL.encode() + b"\n"
    out, _ = batch(tmp_path, data)
    assert [line.split(b",")[0] for line in out.split(b"\n")] == [b"name", b"\x81\x9d\xff", b"\xc3\x28", b""]
    assert out.count(b",legal,") == 2


def test_pandas_reads_the_same(tmp_path: Path) -> None:
    rng = random.Random(1)
    system = load_system("plover")
    codes = [str(code_of(system, d)) for d in code_space(system).sample(300, 2)]
    frame = pandas.DataFrame(
        {"n": range(300), "code": codes, "text": [rng.choice(['a,"b"', "x\ny", "", "plain", "½"]) for _ in codes]}
    )
    source = tmp_path / "frame.csv"
    frame.to_csv(source, index=False)
    out, summary = batch(tmp_path, source.read_bytes())
    back = pandas.read_csv(io.BytesIO(out), dtype=str, keep_default_na=False)
    assert list(back.columns) == ["n", "code", "text", *CODES.names]
    before = pandas.read_csv(source, dtype=str, keep_default_na=False)
    pandas.testing.assert_frame_equal(back[["n", "code", "text"]], before)
    assert (back["verdict"] == "legal").all()
    assert summary.rows == 300


def test_short_and_long_rows_keep_the_columns_in_line(tmp_path: Path) -> None:
    data = f"a,code,b\n1,{LEGAL}\n2,{LEGAL},x,y,z\n3\n4,{ILLEGAL},x\n".encode()
    out, _ = batch(tmp_path, data)
    rows = list(csv.DictReader(io.StringIO(out.decode())))
    assert [row["verdict"] for row in rows] == ["legal", "legal", "empty", "illegal"]
    assert out.decode().splitlines()[2].startswith(f"2,{LEGAL},x,y,z,legal,")
    late = "a,code\n" + f"1,{LEGAL}\n" * 3001 + f"2,{LEGAL},extra\n"
    out, summary = batch(tmp_path, late.encode())
    assert {row["verdict"] for row in csv.DictReader(io.StringIO(out.decode()))} == {"legal"}
    assert summary.rows == summary.legal == 3002
    assert summary.duplicates == 3001


def test_rows_wider_than_the_header_are_said(tmp_path: Path) -> None:
    """A code with commas that lost its quotes falls apart, and its first cell may look like a code."""
    _, summary = batch(tmp_path, b"code,n\n2133345 1123421,1\n2,1,3,3,3,4,5,1\n,2\n")
    assert "1 row has more cells than the header: ',' may stand in a cell that lacks its quotes" in summary.notes
    _, summary = batch(tmp_path, b"code,n\n2133345 1123421,1\n2133345 1123421\n")
    assert not any("more cells" in note for note in summary.notes)


def test_blank_lines_are_kept_and_are_no_rows(tmp_path: Path) -> None:
    out, summary = batch(tmp_path, f"a,code\n\n1,{LEGAL}\n\n\n".encode())
    assert out.decode().split("\n")[1] == ""
    assert out.endswith(b"\n\n\n")
    assert (summary.rows, summary.blank_lines) == (1, 3)
    out, summary = batch(tmp_path, f"code\n{LEGAL}\n\n{ILLEGAL}\n".encode())
    assert [row["verdict"] for row in added(out)[1:]] == ["legal", "empty", "illegal"]
    assert summary.empty == 1


def test_a_header_that_is_not_in_the_first_row(tmp_path: Path) -> None:
    data = f"Fleet list,,\nprinted on Monday,,\n\nplate,key code,x\nA,{LEGAL},1\n".encode()
    out, summary = batch(tmp_path, data)
    lines = out.decode().splitlines()
    assert lines[:3] == ["Fleet list,,", "printed on Monday,,", ""]
    assert lines[3].endswith("," + HEADER)
    assert (summary.header, summary.rows, summary.column) == (4, 1, "key code")


@pytest.mark.parametrize(
    ("name", "notes"),
    [
        ("code", 0),
        ("code, tip of the blade", 1),
        ("Code from Tip", 1),
        ("Code (from tip)", 1),
        ("Code (tip-to-bow)", 1),
    ],
)
def test_a_column_said_to_run_from_the_tip_is_read_from_the_bow_and_that_is_told(
    tmp_path: Path, name: str, notes: int
) -> None:
    _, summary = batch(tmp_path, f'plate,"{name}"\nA,{LEGAL}\nB,{LEGAL}\n'.encode())
    assert sum("is read from the bow, whatever its name says" in note for note in summary.notes) == notes


@pytest.mark.parametrize(
    ("name", "refused"),
    [("left/right", False), ("right/left", True), ("Bitting right left", True), ("Code (R/L)", True), ("Code L+R", False),
     ("RH / LH", True), ("copyright of left", False), ("right code", False)],
)  # fmt: skip
def test_a_column_whose_name_exchanges_the_tracks_is_not_read_in_the_system_s_order(
    tmp_path: Path, name: str, refused: bool
) -> None:
    data = f'plate,"{name}"\nA,{LEGAL}\nB,{LEGAL}\n'.encode()
    if refused:
        with pytest.raises(BittingError, match="names its lists in another order than they are read: left, right"):
            batch(tmp_path, data)
    else:
        assert batch(tmp_path, data)[1].counts["legal"] == 2


@pytest.mark.parametrize(("name", "notes"), [("eco", 0), ("system", 1), ("Key System", 1)])
def test_a_column_of_systems_that_nobody_named_is_told(tmp_path: Path, name: str, notes: int) -> None:
    _, summary = batch(tmp_path, f'"{name}",code\nwren,{LEGAL}\nplover,{LEGAL}\n'.encode())
    assert sum("isn't looked at: --system-column" in note for note in summary.notes) == notes


def test_no_header_at_all(tmp_path: Path) -> None:
    out, summary = batch(tmp_path, f"A,{LEGAL}\nB,{ILLEGAL}\nC,{LEGAL}\n".encode())
    assert [row["verdict"] for row in added(out)] == ["legal", "illegal", "legal"]
    assert summary.header is None
    assert summary.notes == ("the table has no header row, so the added columns have no names",)
    assert summary.column == "column 2"


@pytest.mark.parametrize("column", [*CODES.columns, *READINGS.columns], ids=lambda column: column.name)
def test_a_column_that_differs_from_code_to_code_says_so(column: Column) -> None:
    """Otherwise CSV would write of every legal row what it says of the pattern."""
    told = {column.cell(Row("legal", code)) for code in ("1 2 3 1", "left: 3 2 / right: 2", "\1")}
    assert len(told) == 1 or column.each or column.name == "canonical", "write each=True"


def test_a_column_that_differs_from_code_to_code_is_written_row_by_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    last = Column("last", lambda row: row.canonical[-1:], each=True)
    monkeypatch.setitem(vars(CODES), "names", (*CODES.names, last.name))
    monkeypatch.setitem(vars(CODES), "columns", (*CODES.columns, last))
    out, _ = batch(tmp_path, f"code\n{LEGAL}\n{LEGAL[:-1]}2\n{UNREADABLE}\n".encode())
    assert [row["last"] for row in added(out)] == ["last", "1", "2", ""]


def test_the_sep_line_of_spreadsheets_is_kept(tmp_path: Path) -> None:
    answer = tail(verdict="legal", canonical=LEGAL)
    out, summary = batch(tmp_path, f"sep=;\r\na;code\r\n1;{LEGAL}\r\n".encode())
    assert out.decode() == f"sep=;\r\na;code,{HEADER}\r\n1;{LEGAL},{answer}\r\n".replace(",", ";")
    assert summary.rows == 1


def test_the_code_column_is_found_by_name_or_by_content(tmp_path: Path) -> None:
    for name in ("Code", "KEY_CODE", "key-code", "Bitting", "cuts"):
        _, summary = batch(tmp_path, f"a,{name}\n1,{LEGAL}\n".encode())
        assert summary.column == name
    _, summary = batch(tmp_path, f"number,what\n12,{LEGAL}\n13,{LEGAL}\n14,?\n".encode())
    assert summary.column == "what"
    _, summary = batch(tmp_path, f"code,bitting\nX-17,{LEGAL}\nX-18,{LEGAL}\n".encode())
    assert summary.column == "bitting"
    _, summary = batch(tmp_path, f"x,y\n1,{LEGAL}\n".encode(), "2")
    assert summary.column == "y"


@pytest.mark.parametrize(
    ("data", "column", "message", "hint"),
    [
        (
            "a,b\n1,x\n",
            None,
            "no column is named as one of codes, and none holds codes",
            "(measured keys: --readings, --readings-columns); the columns are 1 a, 2 b",
        ),
        (f"a,b\n{LEGAL},{LEGAL}\n", None, "and several hold codes", "name it with --column"),
        (f"code,cuts\n{LEGAL},{LEGAL}\n", None, "it isn't certain which column", "1 code, 2 cuts"),
        (f"code,other\nX17,{LEGAL}\nX18,{LEGAL}\n", None, "it isn't certain which column", "1 code, 2 other"),
        (f"key code,b\n{LEGAL},1\n", "kee code", "there is no column 'kee code'", "did you mean 'key code'?"),
        (f"x,x\n{LEGAL},1\n", "x", "'x' is the name of columns 1 and 2", "--column 1"),
        ("\n \n", None, "the file is empty", "header row"),
        (",,\n,,\n", None, "the table is empty", "header row"),
        ("", None, "the file is empty", "header row"),
    ],
)
def test_nothing_is_guessed(tmp_path: Path, data: str, column: str | None, message: str, hint: str) -> None:
    with pytest.raises(BittingError) as caught:
        batch(tmp_path, data.encode(), *([column] if column else []))
    assert message in caught.value.message
    assert hint in caught.value.hint
    assert not (tmp_path / "out.csv").exists()


def test_names_that_are_taken_get_a_number(tmp_path: Path) -> None:
    ours = HEADER.replace("verdict", "verdict_2").replace("findings", "findings_2")
    out, summary = batch(tmp_path, f"code,Verdict,findings\n{LEGAL},yes,\n".encode())
    assert out.decode().splitlines()[0] == f"code,Verdict,findings,{ours}"
    assert f"ours are {ours.replace(',', ', ')}" in summary.notes[0]
    again, _ = batch(tmp_path, out)
    assert (
        again.decode()
        .splitlines()[0]
        .endswith(
            ","
            + HEADER.replace(",", "_2,").replace("verdict_2", "verdict_3").replace("findings_2", "findings_3")
            + "_2"
        )
    )


def test_systems_by_row(tmp_path: Path) -> None:
    wren = load_system("wren")
    code = str(code_of(wren, next(iter(code_space(wren).sample(1, 1)))))
    data = f"code;lock\n{LEGAL};plover\n{code};wren\n{LEGAL};\n{code};nosuch\n;nosuch\n{LEGAL};plover\n"
    out, summary = batch(tmp_path, data.encode(), "code", {}, "lock")  # type: ignore[arg-type]
    rows = added(out, delimiter=";")[1:]
    assert [row["verdict"] for row in rows] == ["legal", "legal", "legal", "unreadable", "empty", "legal"]
    assert "nosuch" in rows[3]["findings"]
    assert summary.duplicates == 2
    assert set(summary.systems) == {"plover", "wren"}


def test_a_column_for_each_track(tmp_path: Path) -> None:
    data = b"L;R;n\n2133345;1123421;1\n2 1 3 3 3 4 1;1123421;2\n;;3\n2133345;;4\n"
    out, summary = batch(tmp_path, data, None, {"left": "L", "right": "R"})  # type: ignore[arg-type]
    rows = added(out, delimiter=";")[1:]
    assert [row["verdict"] for row in rows] == ["legal", "illegal", "empty", "unreadable"]
    assert rows[0]["canonical"] == LEGAL
    assert summary.column == "L, R"
    with pytest.raises(BittingError, match="names no column for right"):
        batch(tmp_path, data, None, {"left": "L"})  # type: ignore[arg-type]
    with pytest.raises(BittingError, match="has no track 'middle'"):
        batch(tmp_path, data, None, {"middle": "L"})  # type: ignore[arg-type]


def test_our_cells_are_never_formulas(tmp_path: Path) -> None:
    data = 'code\n"=1+1"\n+3\n-2\n@x\n"\t=2"\n'
    out, _ = batch(tmp_path, data.encode(), "code")
    for row in added(out)[1:]:
        assert all(not cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row.values())
        assert row["verdict"] != "legal"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (
            b'code,n\n1 2 3,"open\n' + b"x,1\n" * 10,
            "the quote opened in the record that begins on line 2 is never closed",
        ),
        (b"code,n\n1 2,3\n4\0,5\n", "line 3 holds a NUL byte"),
        (b"code,n\n" + b"1," * (WIDEST + 10), f"more than {WIDEST:,} cells"),
        (b"code,n\n" + b"1" * (LONGEST + 10), f"longer than {LONGEST:,} characters"),
        (b'code,n\n"' + b"1\n" * LONGEST, "never closed"),
        ("code\n1".encode("utf-16")[:-1], "the file starts as utf-16-le text, but isn't so throughout"),
    ],
)
def test_what_is_no_table_gets_a_plain_error(tmp_path: Path, data: bytes, message: str) -> None:
    with pytest.raises(BittingError) as caught:
        batch(tmp_path, data, "code")
    assert message in caught.value.explain()
    assert os.listdir(tmp_path) == ["in.csv"]


def test_ten_million_columns_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BittingError, match=r"more than 65,536 cells|longer than"):
        batch(tmp_path, b"code" + b"," * 10_000_000 + b"\n1\n")


def test_the_output_is_private_and_the_input_is_safe(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text(f"code\n{LEGAL}\n")
    target = tmp_path / "out.csv"
    result = invoke(str(source), "-s", "plover", "-o", str(source), "--force")
    assert result.exit_code == 2
    assert "'in.csv' is the file being read" in result.stderr
    link = tmp_path / "link.csv"
    link.symlink_to(source)
    assert invoke(str(source), "-s", "plover", "-o", str(link), "--force").exit_code == 2
    hard = tmp_path / "hard.csv"
    os.link(source, hard)
    assert invoke(str(source), "-s", "plover", "-o", str(hard), "--force").exit_code == 2
    assert invoke(str(source), "-s", "plover", "-o", str(target)).exit_code == 0
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    result = invoke(str(source), "-s", "plover", "-o", str(target))
    assert result.exit_code == 2
    assert "'out.csv' is there already" in result.stderr
    assert result.stdout == ""
    assert invoke(str(source), "-s", "plover", "-o", str(target), "--force").exit_code == 0
    assert source.read_text() == f"code\n{LEGAL}\n"


def test_the_summary_tells_advice_from_faults_and_names_rows_that_cannot_be_read(tmp_path: Path) -> None:
    plain = "left: 1 1 1 1 1 1 1 / right: 1 1 1 1 1 1 1"  # legal, with fewer depths than is advised
    plain_too = "left: 5 1 1 1 1 1 1 / right: 1 1 1 1 1 1 1"  # a step too far, and the same advice
    rows = ["code", LEGAL, UNREADABLE, plain, plain_too, "2..", "-", ILLEGAL, "++", plain]
    source = tmp_path / "in.csv"
    source.write_text("\n".join(rows) + "\n")
    result = CliRunner().invoke(main, ["batch", str(source), "-s", "plover", "-o", str(tmp_path / "out.csv")])
    lines = [" ".join(line.split()) for line in result.stdout.splitlines()]
    assert "rows that can't be read: 3, 6, 7, …" in lines
    assert lines[lines.index("rows finding") + 1 :][:3] == [
        "2 adjacent-difference",
        "1 position-depths",
        "3 distinct-depths (advice: the codes are legal by it)",
    ]
    answer = json.loads(
        CliRunner().invoke(main, ["batch", str(source), "-s", "plover", "-o", str(tmp_path / "2.csv"), "--json"]).stdout
    )
    assert answer["unreadable_rows"] == [3, 6, 7]
    assert answer["rules"] == {"distinct-depths": 3, "adjacent-difference": 2, "position-depths": 1}
    assert answer["advice"] == {"distinct-depths": 3}


def test_exit_status_and_json(tmp_path: Path) -> None:
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    source.write_text(f"code\n{LEGAL}\n{ILLEGAL}\n\n")
    result = invoke(str(source), "-s", "plover", "-o", str(target), "--json")
    assert result.exit_code == 1
    answer = json.loads(result.stdout)
    assert answer["output"] == str(target)
    assert (answer["rows"], answer["legal"], answer["illegal"], answer["empty"]) == (3, 1, 1, 1)
    result = invoke(str(tmp_path / "none.csv"), "-s", "plover", "-o", str(target), "--force")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "there is no file" in result.stderr
    assert invoke(str(source), "-o", str(target)).exit_code == 2
    assert "no system is given" in invoke(str(source), "-o", str(target)).stderr
    assert "no file to write to" in invoke(str(source), "-s", "plover").stderr


def test_piping() -> None:
    data = f"n,code\n1,{LEGAL}\n2,{ILLEGAL}\n3,{UNREADABLE}\n4,\n".encode()
    result = invoke("-", "-s", "plover", "-o", "-", stdin=data)
    assert result.exit_code == 1
    assert [row["verdict"] for row in added(result.stdout_bytes)] == [
        "verdict",
        "legal",
        "illegal",
        "unreadable",
        "empty",
    ]
    assert "unreadable" in result.stderr
    result = invoke("-", "-s", "plover", "-o", "-", "--only", "bad", stdin=data)
    assert [line.split(",")[0] for line in result.stdout.splitlines()] == ["n", "2", "3"]
    result = invoke("-", "-s", "plover", "--json-lines", stdin=data)
    rows = [json.loads(line) for line in result.stdout.splitlines()]
    assert [row["verdict"] for row in rows] == ["legal", "illegal", "unreadable", "empty"]
    assert [row["line"] for row in rows] == [2, 3, 4, 5]
    assert rows[0]["canonical"] == LEGAL
    assert rows[0]["findings"] == []
    (broken, *remarks) = rows[1]["findings"]
    assert (broken["rule"], broken["level"], broken["track"], broken["cuts"]) == (
        "adjacent-difference",
        "must",
        "left",
        [6, 7],
    )
    assert [remark["rule"] for remark in remarks] == [None]
    assert "one slip away" in remarks[0]["message"]
    assert [finding["rule"] for finding in rows[2]["findings"]] == [None]
    assert "two separators stand in a row" in rows[2]["findings"][0]["message"]
    assert rows[3]["findings"] == []
    # a file that can't be read to its end leaves standard output empty
    result = invoke("-", "-s", "plover", "-o", "-", stdin=data + b'5,"open')
    assert (result.exit_code, result.stdout) == (2, "")


def test_records_are_the_same_however_the_blocks_fall() -> None:
    text = 'a,b\r\n"x\r\ny",2\r\n3,"q""q"\r\n\r\n4,5\n6,7\r8,9'
    expected = list(csv.reader(io.StringIO(text, newline="")))
    for size in (1, 2, 3, 5, 7, 100):
        blocks = [text[at : at + size] for at in range(0, len(text), size)]
        records = list(read_records(blocks, ","))
        cells = [part.cells(n) for part in records for n in range(len(part))]
        assert [row if row != [""] else [] for row in cells] == expected
        assert "".join(raw + end for part in records for raw, end in zip(part.raws, part.ends, strict=True)) == text
        assert [part.line(n) for part in records for n in range(len(part))] == [1, 2, 4, 5, 6, 7, 8]


@pytest.mark.thorough
def test_two_hundred_thousand_rows_with_junk_come_out_complete(tmp_path: Path) -> None:
    rng = random.Random(7)
    system = load_system("plover")
    good = [str(code_of(system, d)) for d in code_space(system).sample(5000, 4)]
    junk = {"": "empty", "left: 2 1 -- 3": "unreadable", "lift: 1": "unreadable", "left: 9 / right: 1": "illegal"}
    texts, expected = [], []
    for _ in range(200_000):
        text = rng.choice(list(junk)) if rng.random() < 0.02 else rng.choice(good)
        texts.append(text)
        expected.append(junk.get(text, "legal"))
    data = "n,code\r\n" + "".join(f"{n},{text}\r\n" for n, text in enumerate(texts))
    out, summary = batch(tmp_path, data.encode())
    rows = list(csv.reader(io.StringIO(out.decode(), newline="")))[1:]
    assert [row[:2] for row in rows] == [[str(n), text] for n, text in enumerate(texts)]
    assert [row[2] for row in rows] == expected
    assert all(row[3] == row[1] for row in rows if row[2] == "legal")
    assert summary.legal == expected.count("legal")
    assert summary.duplicates == len([t for t in texts if t not in junk]) - len({t for t in texts if t not in junk})
