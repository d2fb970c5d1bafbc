"""Tables of measured keys: the same rows out with what they decode to."""

from __future__ import annotations

import csv
import io
import json
import stat
from pathlib import Path
from typing import get_args

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner, Result
from openpyxl.styles import Font

import bitting
from bitting.batch import decode_rows as decode_rows_module
from bitting.batch.columns import Layout, Wanted, find_columns
from bitting.batch.decode_rows import RowDecoder
from bitting.batch.decoder import WHY, Choices
from bitting.batch.output import Row
from bitting.cli import main
from bitting.decoding import Decoder, decode
from bitting.decoding.result import Kind
from bitting.errors import BittingError
from bitting.model import System, code_of
from bitting.notation import parse_readings
from bitting.systemfile import load_system
from tests.batch.added import READINGS

WREN = load_system("wren")
PLOVER = load_system("plover")
OURS = READINGS.names


def find_readings(rows: list[list[str]], column: str | None, system: System) -> Layout:
    return find_columns(rows, Wanted(column, per_cut=column is None), system, None, measured=True)


def keys(count: int, sd: float = 0.02, seed: int = 3) -> list[tuple[str, str]]:
    """Readings of drawn keys of wren, and their codes."""
    random = np.random.default_rng(seed)
    out = []
    for code in bitting.code_space(WREN).sample(count, seed):
        values = np.array(WREN.tracks[0].depths)[list(code[0])] + random.normal(size=8) * sd
        out.append((" ".join(f"{value:.2f}" for value in values), str(code_of(WREN, code))))
    return out


def batch(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["batch", *arguments])


def table(data: str | bytes, delimiter: str = ",") -> list[list[str]]:
    text = data if isinstance(data, str) else data.decode()
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))


def test_rows_come_back_with_what_decode_says(tmp_path: Path) -> None:
    drawn = keys(12, 0.08)
    lines = [
        "unit,caliper",
        *(f'{n},"{text}"' for n, (text, _) in enumerate(drawn)),
        "12,",
        "13,hello",
        "14,? ? ? ? ? ? ? ?",
    ]
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    source.write_bytes("\r\n".join(lines).encode())
    done = batch(str(source), "-s", "wren", "--readings", "caliper", "-o", str(target), "--json")
    assert done.exit_code == 1
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    written = target.read_bytes()
    for line, before in zip(written.split(b"\r\n"), lines, strict=True):
        assert line.startswith(before.encode())
    rows = table(written)
    assert rows[0] == ["unit", "caliper", *OURS]
    verdicts = [row[2] for row in rows[1:]]
    assert verdicts[12:] == ["empty", "unreadable", "unreadable"]
    assert {"sure", "unsure"} <= set(verdicts)
    for (text, _), row in zip(drawn, rows[1:13], strict=True):
        answer = decode(parse_readings(text, WREN), WREN, 2)
        assert row[2:4] == [answer.verdict, "" if answer.verdict == "no-fit" else answer.code]
        assert float(row[4]) == pytest.approx(answer.probability, abs=1e-4)
        assert float(row[4]) <= answer.probability
        if answer.verdict == "unsure":
            worst = min(answer.cuts, key=lambda cut: cut.confidence)
            doubted = (
                f"measure again cut {worst.cut} ({worst.depth}" if worst.confidence < answer.sure_limit else "add up"
            )
            assert doubted in row[5] or any(f"cut {doubt.cut} (" in row[5] for doubt in answer.doubts)
            assert row[6] == answer.candidates[1].code
        elif answer.verdict == "sure":
            assert row[5:] == ["", ""]
    counts = json.loads(done.stdout)
    assert counts["rows"] == 15
    assert [counts[v] for v in ("sure", "unsure", "unreadable", "empty")] == [
        verdicts.count(v) for v in ("sure", "unsure", "unreadable", "empty")
    ]


def test_all_sure_is_good_news(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text("caliper\n" + "".join(f"{text}\n" for text, _ in keys(3, 0.005)))
    done = batch(str(source), "-s", "wren", "--readings", "caliper", "-o", "-")
    assert done.exit_code == 0
    assert [row[2] for row in table(done.stdout)[1:4]] == [code for _, code in keys(3, 0.005)]
    assert "rows" in done.stderr


def test_a_column_per_cut(tmp_path: Path) -> None:
    drawn = keys(4)
    for names, options in (
        ([f"left {n}" for n in range(1, 9)], ("--readings", "left 1")),
        ([f"Cut_{n}" for n in range(1, 9)], ("--readings-columns",)),
        ([str(n) for n in range(8, 0, -1)], ("--readings-columns",)),
    ):
        turn = -1 if names[0] == "8" else 1
        rows = [["key", *names], *([str(n), *text.split()[::turn]] for n, (text, _) in enumerate(drawn))]
        source = tmp_path / "in.csv"
        source.write_text("\n".join(";".join(row).replace(".", ",") for row in rows) + "\n")
        done = batch(str(source), "-s", "wren", *options, "-o", "-")
        found = [row[-4] for row in table(done.stdout, ";")[1:5]]
        assert found == [code for _, code in drawn]


def test_dropped_zeros_are_given_back() -> None:
    layout = find_readings([["left 1", "left 2", "left 3"] + [f"left {n}" for n in range(4, 9)]], None, WREN)
    cells = [["7.4"], ["7"], [""], ["7.41|7.4"], ["7.35"], ["8.1±0.1"], ["8,"], ["8.25"]]
    assert layout.texts(cells) == ["left: 7.40 7.00 ? 7.41|7.4 7.35 8.1±0.1 8.00 8.25"]
    assert layout.texts([[""]] * 8) == [""]


def test_columns_of_sides_and_across() -> None:
    rows = [[f"{side} {track} {n}" for side in ("top", "bottom") for track in ("left", "right") for n in range(1, 8)]]
    layout = find_readings(rows, None, PLOVER)
    (text,) = layout.texts([["7.7"]] * 28)
    assert text == "; ".join(
        f"{s}({' / '.join(f'{t}: ' + ' '.join(['7.7'] * 7) for t in ('left', 'right'))})" for s in ("top", "bottom")
    )
    assert len(parse_readings(text, PLOVER).cuts) == 28
    across = find_readings([[f"across {n}" for n in range(1, 8)]], None, PLOVER)
    assert across.texts([["5.4"]] * 7) == ["across: 5.4 5.4 5.4 5.4 5.4 5.4 5.4"]


@pytest.mark.parametrize(
    ("header", "column", "message"),
    [
        (["left 1", "left 2"], None, "there is no column for left 3"),
        ([*(f"left {n}" for n in range(1, 9)), "LEFT-1"], None, "columns 1 and 9 are both of cut 1"),
        (["a", "b"], None, "no column is named as one of a cut"),
        (["a", "calliper"], "caliper", "there is no column 'caliper'"),
        (["caliper", "Caliper "], "CALIPER", "is the name of columns 1 and 2"),
        (["", ""], None, "the table is empty"),
    ],
)
def test_columns_that_can_not_be_found(header: list[str], column: str | None, message: str) -> None:
    with pytest.raises(BittingError, match=message):
        find_readings([header], column, WREN)


def test_a_row_names_its_system(tmp_path: Path) -> None:
    ((text, code),) = keys(1)
    source = tmp_path / "in.csv"
    source.write_text(f"lock,caliper\nwren,{text}\nnightjar,{text}\n,{text}\nplover,{text}\n")
    done = batch(str(source), "--system-column", "lock", "--readings", "caliper", "-o", "-")
    rows = table(done.stdout)[1:5]
    assert rows[0][3] == code
    assert [row[2] for row in rows[1:]] == ["unreadable"] * 3
    assert "nightjar" in rows[1][5]
    assert "no system is named" in rows[2][5]


def test_inches_in_a_table_of_millimetres_are_minded() -> None:
    rows = decoded(["7.30 7.21 7.74 7.76 7.18 6.63 7.74 7.15", "0.287 0.284 0.305 0.306 0.283 0.261 0.305 0.281"])
    assert (rows[0].verdict, rows[1].verdict) == ("sure", "unreadable")
    assert "fit it in in" in rows[1].findings


def decoded(texts: list[str], choices: Choices | None = None, system: System = WREN) -> list[Row]:
    chunk = RowDecoder(system, choices=choices or Choices()).classify(texts, np.arange(len(texts)), None)
    return [chunk.row(number) for number in range(len(texts))]


def test_whatever_keeps_a_key_from_being_sure_is_said_with_the_cut_to_measure() -> None:
    reads = ("7.75", "8.30", "7.75", "7.20", "7.75", "7.20", "8.30", "7.75")
    ends = " ".join(f"{read}@{36 - 2.8 * cut:.1f}" for cut, read in enumerate(reads))
    said = decoded(
        [ends, "7.75 8.30 ? 7.20 7.75 7.20 8.30 7.75", "7.75@4.4 8.30@7.2 7.75@7.2 7.20 7.75 7.20 8.30 7.75"]
    )
    for row, words in zip(said, ("other end", "measure again cut 3", "measure again cut 3"), strict=True):
        assert (row.verdict, words in row.findings) == ("unsure", True), row
    (row,) = decoded(["0.3155 0.2652 0.3148 0.2129 0.2962 0.2477"], Choices(sure=0.97), load_system("dunlin"))
    assert (row.verdict, "wide jaws" in row.findings) == ("unsure", True), row


def test_every_kind_of_doubt_has_words_in_a_row() -> None:
    assert set(WHY) == set(get_args(Kind))


def test_a_list_taken_otherwise_is_said_in_rows_that_are_not_sure_too() -> None:
    """The code of a key listed from the tip is for the key held the usual way: without a word it looks reversed."""
    text = "8.27|8.26 7.14|7.16 7.66|7.67 8.25|8.25 7.15|7.14 7.70|7.69 8.22|8.24 8.26"
    for sure, verdict in ((0.9, "sure"), (0.999999, "unsure")):
        (row,) = decoded([text], Choices(sure=sure))
        assert (row.verdict, row.canonical) == (verdict, "1 1 2 3 1 2 3 1")
        assert "the list was taken: from the tip" in row.findings


def test_what_joins_repeated_readings_is_not_taken_for_what_separates_columns(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text("caliper\n" + "7.75 8.30|8.31 7.75 7.20 7.75 7.20 8.30 7.75\n" * 3)
    done = batch(str(source), "-s", "wren", "--readings", "caliper", "-o", "-")
    assert [row[1] for row in table(done.stdout)[1:]] == ["sure"] * 3


def test_choices_reach_the_model() -> None:
    text = "7.71 7.15 7.69 7.15 7.12 6.60 7.70 6.95"
    plain = decoded([text])[0]
    said = decoded([text], Choices(sure=0.0001, wear="none", made="original"))[0]
    assert plain.verdict == "unsure"
    assert (said.verdict, said.probability) != (plain.verdict, plain.probability)
    assert decoded([text], Choices(sure=0.0001))[0].verdict == "sure"


def test_a_key_that_can_not_be_decoded_leaves_the_others_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    (first, code), (second, _) = keys(2)
    bad = parse_readings(second, WREN).cuts[0].readings[0].value
    whole = Decoder.decode_many

    def fails(self, several, *rest, **more):  # type: ignore[no-untyped-def]
        if any(one.cuts[0].readings[0].value == bad for one in several):
            raise BittingError("can't be", hint="mind it")
        return whole(self, several, *rest, **more)

    monkeypatch.setattr(Decoder, "decode_many", fails)
    rows = decoded([first, second, first])
    assert [row.verdict for row in rows] == ["sure", "unreadable", "sure"]
    assert rows[1].findings == "can't be; mind it"
    assert rows[0].canonical == code


@pytest.mark.thorough
def test_several_processes_say_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(decode_rows_module, "WORTH", 10)
    monkeypatch.setattr(decode_rows_module, "TOGETHER", 7)
    drawn = keys(40, 0.06)
    source = tmp_path / "in.csv"
    source.write_text("caliper,n\n" + "".join(f"{text},{n}\n\n" for n, (text, _) in enumerate(drawn)))
    answers = []
    for jobs in ("1", "2"):
        target = tmp_path / f"out{jobs}.csv"
        batch(str(source), "-s", "wren", "--readings", "caliper", "-o", str(target), "--jobs", jobs)
        answers.append(target.read_bytes())
    assert answers[0] == answers[1]
    assert len(answers[0].split(b"\n")) == len(source.read_bytes().split(b"\n"))


def test_only_the_rows_that_are_not_sure(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    drawn = keys(2, 0.005)
    source.write_text(f"caliper\n{drawn[0][0]}\nhello\n{drawn[1][0]}\n")
    done = batch(str(source), "-s", "wren", "--readings", "caliper", "-o", "-", "--only", "bad")
    assert [row[:2] for row in table(done.stdout)[:2]] == [["caliper", "verdict"], ["hello", "unreadable"]]
    lines = batch(str(source), "-s", "wren", "--readings", "caliper", "--json-lines")
    rows = [json.loads(line) for line in lines.stdout.splitlines()]
    assert [(row["line"], row["verdict"]) for row in rows] == [(2, "sure"), (3, "unreadable"), (4, "sure")]
    assert rows[1]["probability"] is None
    assert rows[1]["findings"][0]["level"] == "note"
    assert rows[0]["probability"] > 0.95


def test_a_workbook_keeps_its_sheet(tmp_path: Path) -> None:
    drawn = keys(3)
    book = openpyxl.Workbook()
    book.create_sheet("notes", 0)
    del book["Sheet"]
    page = book.create_sheet("measured")
    page.append(["key", *(f"left {n}" for n in range(1, 9))])
    for number, (text, _) in enumerate(drawn):
        page.append([f"k{number}", *map(float, text.split())])
        for cell in page[number + 2][1:]:
            cell.number_format = "0.00"
    page["A2"].font = Font(bold=True)
    page.append(["k3"])
    source, target = tmp_path / "in.xlsx", tmp_path / "out.xlsx"
    book.save(source)
    done = batch(str(source), "-s", "wren", "--readings-columns", "-o", str(target))
    assert done.exit_code == 0, done.stderr
    out = openpyxl.load_workbook(target)
    rows = [[cell.value for cell in row] for row in out["measured"].iter_rows()]
    assert rows[0][9:] == list(OURS)
    assert [row[10] for row in rows[1:4]] == [code for _, code in drawn]
    assert rows[4][9] == "empty"
    assert out["measured"]["A2"].font.bold
    assert out.sheetnames == ["notes", "measured", "keys decoded"]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--readings", "caliper", "--readings-columns"), "contradict each other"),
        (("--readings", "caliper", "--column", "caliper"), "for its codes or for its readings"),
        (("--readings", "nothing"), "there is no column 'nothing'"),
        (("--readings-columns",), "no column is named as one of a cut"),
        (("--readings", "caliper", "--sure", "2"), "limit for sure"),
        (("--readings", "caliper", "--wear", "much"), "no amount for --wear"),
        (("--readings", "caliper", "--caliper", "0"), "without error limits"),
        (("--unit", "mm"), "are for tables of readings"),
    ],
)
def test_what_can_not_be_answered_writes_nothing(tmp_path: Path, options: tuple[str, ...], message: str) -> None:
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    source.write_text(f"caliper\n{keys(1)[0][0]}\n")
    done = batch(str(source), "-s", "wren", "-o", str(target), *options)
    assert (done.exit_code, done.stdout) == (2, "")
    assert message in done.stderr
    assert not target.exists()


def test_columns_stand_beside_the_data_whatever_cells_are_coloured(tmp_path: Path) -> None:
    ((text, code),) = keys(1)
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    page.append(["caliper", "code"])
    page.append([text, code])
    page["T2"].fill = openpyxl.styles.PatternFill("solid", fgColor="FF00FF00")
    book.save(tmp_path / "in.xlsx")
    for number, options in enumerate((("--readings", "caliper"), ("--column", "code"))):
        target = tmp_path / f"out{number}.xlsx"
        batch(str(tmp_path / "in.xlsx"), "-s", "wren", *options, "-o", str(target))
        first = openpyxl.load_workbook(target).worksheets[0][1]
        assert [cell.value for cell in first[:4]] == ["caliper", "code", "verdict", "canonical"]
