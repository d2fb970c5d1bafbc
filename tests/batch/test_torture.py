"""Spreadsheets as they really are: every item of the torture folder gets the answer that it must get."""

from __future__ import annotations

import csv
import datetime
import io
import os
import re
import resource
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import openpyxl
import pandas
import pytest
import xlsxwriter
from openpyxl.worksheet.dimensions import ColumnDimension

from bitting.batch.columns import Wanted
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.batch.summary import Summary
from bitting.batch.xlsx.read import code_cell
from bitting.errors import BittingError
from bitting.files import whole_file
from bitting.systemfile import load_system
from tests.batch.added import CODES
from tests.conftest import but_long
from tests.torture import make

ROOT = Path(__file__).parents[2]


def batch(source: Path, target: Path, **options: object) -> Summary:
    order = Job(str(source), str(target), **options)  # type: ignore[arg-type]
    return run_batch(order, load_system("plover"))


@pytest.fixture(scope="module")
def cells_of_text(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    folder = tmp_path_factory.mktemp("text")
    batch(make.text_table(folder), folder / "out.csv")
    rows = csv.reader(io.StringIO((folder / "out.csv").read_text(encoding="utf-8-sig"), newline=""))
    return {row[0]: dict(zip(CODES.names, row[2:], strict=False)) for row in rows}


@pytest.mark.parametrize("name", make.CELLS)
def test_cells_of_text(cells_of_text: dict[str, dict[str, str]], name: str) -> None:
    verdict, findings = make.CELLS[name][1]
    row = cells_of_text[name]
    assert row["verdict"] == verdict, row
    assert findings in row["findings"]
    assert (row["canonical"] == make.LEGAL) == (verdict == "legal")


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Summary]:
    folder = tmp_path_factory.mktemp("book")
    summary = batch(make.workbook(folder), folder / "out.xlsx")
    return folder / "out.xlsx", summary


@pytest.mark.parametrize("name", make.VALUES)
def test_cells_of_a_workbook(answered: tuple[Path, Summary], name: str) -> None:
    page = openpyxl.load_workbook(answered[0])["fleet"]
    row = next(row for row in page.iter_rows(min_row=4) if row[0].value == name)
    verdict, findings = make.VALUES[name][2]
    assert row[3].value == verdict
    assert findings in (row[5].value or "")
    if verdict in ("illegal", "unreadable"):
        assert row[1].fill.fgColor.rgb == row[3].fill.fgColor.rgb != "00000000"
        assert row[1].comment.text == row[5].value
    else:
        assert row[1].comment is None


def test_the_workbook_keeps_what_it_had(answered: tuple[Path, Summary], tmp_path: Path) -> None:
    before = openpyxl.load_workbook(make.workbook(tmp_path))
    after = openpyxl.load_workbook(answered[0])
    assert after.sheetnames == ["fleet", "prices", "codes checked"]
    old, new = before["fleet"], after["fleet"]
    for row in old.iter_rows():
        for cell in row:
            assert new[cell.coordinate].value == cell.value
            assert new[cell.coordinate].number_format == cell.number_format
    assert new.column_dimensions["B"].width == 41.5
    assert new.row_dimensions[5].hidden
    assert new["A1"].font.size == 20
    assert {str(area) for area in new.merged_cells.ranges} == {str(area) for area in old.merged_cells.ranges}
    assert after["prices"]["A2"].value == "=A1*2"
    assert [cell.value for cell in new[3]][3:] == list(CODES.names)
    assert "1 hidden row was checked too" in answered[1].notes
    figures = {row[0]: row[1] for row in after["codes checked"].iter_rows(values_only=True) if row[0]}
    assert (figures["rows"], figures["legal"]) == (answered[1].rows, answered[1].legal)
    back = pandas.read_excel(answered[0], sheet_name="fleet", header=2, dtype=str, engine="openpyxl")
    assert list(back["verdict"]) == [row[3].value for row in new.iter_rows(min_row=4)]


def test_merged_cells_are_said(answered: tuple[Path, Summary]) -> None:
    page = openpyxl.load_workbook(answered[0])["fleet"]
    row = next(row for row in page.iter_rows(values_only=True) if row[0] == "under merged")
    assert row[3] == "empty"
    assert row[5] == f"part of merged cells; their value stands in row {page.max_row - 1}"


def test_another_writer(tmp_path: Path) -> None:
    batch(make.foreign(tmp_path), tmp_path / "out.csv")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text(encoding="utf-8-sig"))))
    assert [row["verdict"] for row in rows] == ["legal", "legal", "unreadable", "illegal"]
    assert rows[2]["findings"] == "the cell holds the spreadsheet's error #DIV/0!"


@pytest.mark.parametrize("name", but_long(make.REFUSED, "bomb"))
def test_refused_within_bounded_memory(tmp_path: Path, name: str) -> None:
    made, message = make.REFUSED[name]
    source = made(tmp_path)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(BittingError) as caught:
        batch(source, tmp_path / "out.xlsx")
    assert message in caught.value.message
    assert caught.value.hint
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kilobytes
    assert not (tmp_path / "out.xlsx").exists()


def test_results_of_formulas_stay(tmp_path: Path) -> None:
    """A preview or a script reads results, and doesn't calculate."""
    path = tmp_path / "formulas.xlsx"
    with xlsxwriter.Workbook(path, {"date_1904": True}) as book:
        page = book.add_worksheet("codes")
        page.write_row(0, 0, ["code", "a", "b", "c", "d"])
        page.write_string(1, 0, make.LEGAL)
        page.write_formula(1, 1, "=1+1", None, 2)
        page.write_formula(1, 2, '="a"&"<b>"', None, "a<b>")
        page.write_formula(1, 3, "=1=1", book.add_format({"bold": True}), True)
        page.write_array_formula("E2:E2", "{=SUM(B2:B2)}", None, 2.5)
        page.write_formula(2, 0, '=A2&""', None, make.ILLEGAL)
        page.write_formula(2, 1, "=TODAY()", book.add_format({"num_format": "yyyy-mm-dd"}), 43_159)
        page.write_formula(2, 2, "=1/0", None, "#DIV/0!")
        book.add_worksheet("prices").write_formula(0, 0, "=2*3", None, 6)
    before = openpyxl.load_workbook(path, data_only=True)
    batch(path, tmp_path / "out.xlsx")
    after, formulas = (openpyxl.load_workbook(tmp_path / "out.xlsx", data_only=known) for known in (True, False))
    for name in before.sheetnames:
        for row in before[name].iter_rows():
            for cell in row:
                kept = after[name][cell.coordinate].value
                assert kept == (None if cell.value == "#DIV/0!" else cell.value)
    assert after["codes"]["B3"].is_date
    assert formulas["codes"]["B2"].value == "=1+1"
    assert formulas["codes"]["C3"].value == "=1/0"
    assert [after["codes"].cell(row, 6).value for row in (1, 2, 3)] == ["verdict", "legal", "illegal"]


def test_a_number_shown_in_scientific_form_is_not_taken_for_a_code() -> None:
    assert code_cell(100000, "0.00E+00").fault == "a number in scientific form: 100000, or 1E5 was meant"
    assert code_cell(213, "0.00E+00").text == "213"
    assert code_cell(100000, "General").text == "100000"


@pytest.mark.parametrize("shown", ['"2"000000', "\\\\2000000", "0%", "0,", "#,##0,.0", "0,,;-0,,"])
def test_a_number_that_is_shown_as_another_one_is_no_code(shown: str) -> None:
    assert "the number 133345 is shown as another one" in code_cell(133345, shown).fault
    for plain in ("#,##0", "0", "General", "@", '0000000" / "0000000', "# ##0", "[Red]0;-0"):
        assert code_cell(2133345, plain).text.lstrip("0") == "2133345"


@pytest.mark.parametrize(("first", "last"), [(3, 16_384), (4, 16_384), (2, 5), (5, 6), (3, 3), (8, 9), (9, 12)])
def test_no_column_gets_two_widths(first: int, last: int, tmp_path: Path) -> None:
    """Spreadsheets take a workbook for damaged in which the widths of two groups of columns overlap."""
    book = openpyxl.Workbook()
    page = book.active
    for row in (["n", "code", "remark"], [1, make.ILLEGAL, "x"]):
        page.append(row)
    letter = openpyxl.utils.get_column_letter(first)
    page.column_dimensions[letter] = ColumnDimension(page, letter, min=first, max=last, width=31, customWidth=True)
    book.save(tmp_path / "in.xlsx")
    batch(tmp_path / "in.xlsx", tmp_path / "out.xlsx")
    with zipfile.ZipFile(tmp_path / "out.xlsx") as archive:
        text = archive.read("xl/worksheets/sheet1.xml").decode()
    widths: dict[int, float] = {}
    for group in re.findall(r"<col ([^>]*)>", text):
        said = dict(re.findall(r'(\w+)="([^"]*)"', group))
        for column in range(int(said["min"]), int(said["max"]) + 1):
            assert column not in widths
            widths[column] = float(said["width"])
    ours = range(4, 4 + len(CODES.names))
    assert all(widths[column] == 31 for column in range(first, last + 1) if column not in ours)
    assert widths[5] == 44
    assert set(widths) == {*range(first, last + 1), *ours}


def test_columns_go_beside_what_is_filled_and_never_past_the_last(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    page = book.active
    page["A1"], page["A2"] = "code", make.LEGAL
    page["XFD2"].font = openpyxl.styles.Font(bold=True)  # whole rows are formatted now and then
    book.save(tmp_path / "in.xlsx")
    batch(tmp_path / "in.xlsx", tmp_path / "out.xlsx")
    assert openpyxl.load_workbook(tmp_path / "out.xlsx").active["B1"].value == "verdict"
    page["XFB1"] = "remark"
    book.save(tmp_path / "wide.xlsx")
    with pytest.raises(BittingError, match=f"16,382 columns, and no room for {len(CODES.names)} more"):
        batch(tmp_path / "wide.xlsx", tmp_path / "wide-out.xlsx")
    batch(tmp_path / "wide.xlsx", tmp_path / "wide-out.csv")


def test_a_workbook_with_another_huge_sheet_is_not_opened_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("bitting.batch.xlsx.workbook.KEPT_BYTES", 2_000)
    summary = batch(make.workbook(tmp_path), tmp_path / "out.xlsx")
    assert any("its sheets hold more than 2,000 bytes: only the values of this sheet" in note for note in summary.notes)
    assert openpyxl.load_workbook(tmp_path / "out.xlsx").sheetnames == ["fleet", "codes checked"]


def test_past_the_size_only_values_are_written_and_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bitting.batch.xlsx.workbook.KEPT", 5)
    summary = batch(make.workbook(tmp_path), tmp_path / "out.xlsx")
    assert any("only the values of this sheet are written" in note for note in summary.notes)
    book = openpyxl.load_workbook(tmp_path / "out.xlsx")
    assert book.sheetnames == ["fleet", "codes checked"]
    rows = list(book["fleet"].iter_rows(values_only=True))
    assert rows[2] == ("name", "key code", "remark", *CODES.names)
    assert rows[3][3] == "legal"
    assert rows[4][3] == "illegal"
    assert len(rows) == 3 + summary.rows


@pytest.mark.thorough
def test_past_the_size_errors_are_still_no_empty_cells(tmp_path: Path) -> None:
    path = tmp_path / "errors.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet("cover")
        page = book.add_worksheet("codes & more")
        page.write_row(0, 0, ["n", "code", "remark"])
        for row in range(1, 60_000):
            page.write_number(row, 0, row)
            page.write_string(row, 1, make.LEGAL)
        page.write_formula(7, 1, "=NA()", None, "#N/A")
        page.write_formula(58_999, 1, '=IF(A2="","","x")', None, "")
        page.write_formula(59_001, 1, '="x"', None, make.ILLEGAL)
        page.write_formula(59_002, 2, "=1/0", None, "#DIV/0!")
        page.write_blank(59_003, 1, None, book.add_format({"bold": True}))
    summary = batch(path, tmp_path / "out.csv")
    assert (summary.rows, summary.unreadable, summary.illegal, summary.empty) == (59_999, 2, 1, 1)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text(encoding="utf-8-sig"))))
    assert rows[6]["findings"] == "the cell holds the spreadsheet's error #N/A"
    assert rows[58_998]["findings"] == "a formula whose result isn't stored, or is an error"


def test_formulas_that_come_to_nothing_are_told_from_those_without_a_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cells = b"""<row r="3"><c r="A3" t="str"><f>IF(B3=0,"","x")</f><v></v></c></row>
        <row r="4"><c r="A4" t="e"><f>1/0</f><v>#DIV/0!</v></c></row>
        <row r="5"><c r="A5"><f>B5</f></c><c r="B5"><v>1</v></c></row>"""
    path = make.rows_behind(tmp_path, cells)
    for kept in (10, 1):
        monkeypatch.setattr("bitting.batch.xlsx.workbook.KEPT", kept)
        summary = batch(path, tmp_path / f"{kept}.xlsx")
        assert (summary.legal, summary.empty, summary.unreadable) == (1, 1, 2)
        page = openpyxl.load_workbook(tmp_path / f"{kept}.xlsx")["Sheet"]
        assert page["C3"].value == "empty"
        assert page["E4"].value == "the cell holds the spreadsheet's error #DIV/0!"
        assert page["E5"].value == "a formula whose result isn't stored, or is an error"


def test_a_text_table_becomes_a_workbook_and_back(tmp_path: Path) -> None:
    batch(make.text_table(tmp_path), tmp_path / "out.xlsx")
    page = openpyxl.load_workbook(tmp_path / "out.xlsx")["codes"]
    rows = [[cell.value or "" for cell in row] for row in page.iter_rows()]
    assert [row[:2] for row in rows[1:]] == [[name, cell.rstrip("\r")] for name, (cell, _) in make.CELLS.items()]
    assert [row[2] for row in rows[1:]] == [said[0] for _, said in make.CELLS.values()]
    assert all(cell.data_type == "s" for row in page.iter_rows() for cell in row if cell.value)


def test_sheets_are_named_or_found(tmp_path: Path) -> None:
    source = make.workbook(tmp_path)
    with pytest.raises(BittingError, match="there is no sheet 'nosuch'"):
        batch(source, tmp_path / "out.csv", sheet="nosuch")
    with pytest.raises(BittingError, match="no column is named"):
        batch(source, tmp_path / "out.csv", sheet="prices")
    assert "the codes are on sheet 'fleet'" in batch(source, tmp_path / "out.csv", sheet="fleet").notes


def test_numbers_are_read_as_they_are_shown() -> None:
    assert code_cell(213.0, "0000").text == "0213"
    assert code_cell(213, '"0000"').text == "0213"
    assert code_cell(213.0, "General").text == "213"
    assert code_cell(float("inf")).text == "inf"


def test_a_cell_that_a_spreadsheet_mangled_is_told_by_that_alone(cells_of_text: dict[str, dict[str, str]]) -> None:
    assert cells_of_text["date-month"]["findings"] == "a date; it was probably typed as 2-3 or 3-2"
    assert cells_of_text["error"]["findings"] == "the cell holds the spreadsheet's error #N/A"


def test_leading_zeros_are_never_put_back_silently(tmp_path: Path) -> None:
    source = tmp_path / "in.csv"
    source.write_text("code\n012345\n12345\n")
    run_batch(Job(str(source), str(tmp_path / "out.csv"), Wanted("code")), load_system("dunlin"))
    rows = list(csv.DictReader((tmp_path / "out.csv").open()))
    assert rows[0]["verdict"] == "legal"
    assert rows[1]["verdict"] == "illegal"
    assert "probably 012345: a number loses the zeros in front; or a cut is missing" in rows[1]["findings"]
    assert rows[1]["canonical"] == ""


def test_a_full_disk_leaves_no_half_file(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    with pytest.raises(BittingError, match="No space left on device"), whole_file(target) as file:  # noqa: PT012
        file.write(b"x" * 1000)
        raise OSError(28, os.strerror(28))
    assert os.listdir(tmp_path) == []
    target.write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt), whole_file(target, force=True) as file:  # noqa: PT012
        file.write(b"new")
        raise KeyboardInterrupt
    assert target.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["out.csv"]


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_a_killed_run_leaves_no_half_file(tmp_path: Path, how: signal.Signals) -> None:
    source = tmp_path / "in.csv"
    source.write_text("code\n" + f"{make.LEGAL}\n" * 400_000)
    command = [sys.executable, "-c", "from bitting.cli import main; main()", "batch", str(source)]
    command += ["-s", "plover", "-o", str(tmp_path / "out.csv")]
    run = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(0.9)
    run.send_signal(how)
    status = run.wait()
    left = set(os.listdir(tmp_path)) - {"in.csv"}
    assert left <= {"out.csv"}
    assert status != 0 or left
    if left:  # it was finished before the signal came: then the answer is whole
        with (tmp_path / "out.csv").open() as file:
            assert sum(1 for _ in file) == 400_001


def test_only_a_finished_file_takes_the_name(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    with whole_file(target) as file:
        file.write(b"half")
        file.flush()
        assert not target.exists()
    assert target.read_bytes() == b"half"
    with pytest.raises(BittingError, match="can't write"), whole_file(tmp_path / "late.csv") as file:
        (tmp_path / "late.csv").write_bytes(b"somebody else's")
    assert (tmp_path / "late.csv").read_bytes() == b"somebody else's"


def test_what_openpyxl_leaves_out_is_a_note_and_no_warning(tmp_path: Path, recwarn: pytest.WarningsRecorder) -> None:
    ext = (
        b'<extLst><ext xmlns:x14="http://schemas.microsoft.com/office/spreadsheetml/2009/9/main" '
        b'uri="{CCE6A557-97BC-4b89-ADB6-D9C93CAAB3DF}"><x14:dataValidations count="0"/></ext></extLst>'
    )
    summary = batch(make.covered(tmp_path, ext, make.LEGAL.encode()), tmp_path / "out.xlsx")
    assert any("what the answer doesn't keep: Data Validation extension" in note for note in summary.notes)
    assert not recwarn.list


def test_rows_of_json_show_the_cell_that_is_no_code(tmp_path: Path) -> None:
    path = tmp_path / "dates.xlsx"
    book = openpyxl.Workbook()
    for row in (["code"], [make.LEGAL], [datetime.date(2026, 3, 2)]):
        book.active.append(row)
    book.save(path)
    told: list[tuple[int, str, str]] = []
    run_batch(
        Job(str(path), None),
        load_system("plover"),
        rowwise=lambda line, code, row: told.append((line, code, row.verdict)),
    )
    assert told == [(2, make.LEGAL, "legal"), (3, "2026-03-02", "unreadable")]
