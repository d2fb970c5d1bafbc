"""Tables of other kinds: Parquet there and back, ODS and XLS read, and what an office program makes of the answer."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import openpyxl
import polars
import pytest

from bitting.batch import parquet as parquet_module
from bitting.batch.columns import Wanted
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.batch.summary import Summary
from bitting.batch.xlsx.guard import find_workbook
from bitting.errors import BittingError
from bitting.systemfile import load_system
from tests.batch.added import CODES
from tests.torture import make

VERDICTS = ["legal", "illegal", "legal", "unreadable", "empty"]
NAMES = list(CODES.names)


def batch(source: Path, target: Path, **options: object) -> Summary:
    return run_batch(Job(str(source), str(target), **options), load_system("plover"))  # type: ignore[arg-type]


def frame() -> polars.DataFrame:
    codes = [make.LEGAL, make.ILLEGAL, "21333451123421", "2.13334511E+13", None]
    return polars.DataFrame({"n": range(5), "code": codes, "list": [[1], [2, 3], [], None, [4]], "good": [True] * 5})


def test_parquet_there_and_back(tmp_path: Path) -> None:
    source, target = tmp_path / "in.parquet", tmp_path / "out.parquet"
    frame().write_parquet(source)
    summary = batch(source, target)
    out = polars.read_parquet(target)
    assert out.columns == [*frame().columns, *NAMES]
    assert out.select(frame().columns).equals(frame())
    assert out["verdict"].to_list() == VERDICTS
    assert out["canonical"].to_list() == [make.LEGAL, make.ILLEGAL, make.LEGAL, None, None]
    assert out["canonical"].dtype == polars.String
    assert "adjacent-difference" in out["findings"][1]
    assert (summary.rows, summary.column, summary.encoding) == (5, "code", "Parquet")


def test_only_the_bad_rows_of_parquet(tmp_path: Path) -> None:
    source, target = tmp_path / "in.parquet", tmp_path / "out.parquet"
    frame().write_parquet(source)
    batch(source, target, only="bad")
    assert polars.read_parquet(target)["n"].to_list() == [1, 3]


def test_numbers_in_parquet_are_read_as_numbers(tmp_path: Path) -> None:
    source, target = tmp_path / "in.parquet", tmp_path / "out.parquet"
    polars.DataFrame({"code": [21333451123421, 213, None]}).write_parquet(source)
    batch(source, target)
    assert polars.read_parquet(target)["verdict"].to_list() == ["legal", "illegal", "empty"]


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_parquet_becomes_another_table(tmp_path: Path, suffix: str) -> None:
    source, target = tmp_path / "in.parquet", tmp_path / f"out.{suffix}"
    frame().write_parquet(source)
    batch(source, target)
    if suffix == "csv":
        rows = list(csv.reader(io.StringIO(target.read_text(encoding="utf-8-sig"), newline="")))
    else:
        rows = [[cell or "" for cell in row] for row in openpyxl.load_workbook(target).worksheets[0].values]
    assert rows[0] == [*frame().columns, *NAMES]
    assert [row[4] for row in rows[1:]] == VERDICTS


def test_other_tables_become_parquet(tmp_path: Path) -> None:
    codes = [make.LEGAL, make.ILLEGAL, "x", ""]
    (tmp_path / "in.csv").write_text(
        "a list,,\nn;code;n\n" + "".join(f"{n};{code};½\n" for n, code in enumerate(codes))
    )
    batch(tmp_path / "in.csv", tmp_path / "one.parquet", delimiter=";")
    out = polars.read_parquet(tmp_path / "one.parquet")
    assert out.columns == ["n", "code", "n_2", *NAMES]
    assert out["n_2"].to_list() == ["½"] * 4
    assert out["verdict"].to_list() == ["legal", "illegal", "unreadable", "empty"]
    summary = batch(make.workbook(tmp_path), tmp_path / "two.parquet")
    out = polars.read_parquet(tmp_path / "two.parquet")
    assert out.columns[:2] == ["name", "key code"]
    assert out["verdict"].to_list()[:2] == ["legal", "illegal"]
    assert out.height == summary.rows


def test_without_a_library_parquet_is_a_plain_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame().write_parquet(tmp_path / "in.parquet")
    (tmp_path / "in.csv").write_text(f"code\n{make.LEGAL}\n")
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    for source, target in (("in.parquet", "out.csv"), ("in.csv", "out.parquet")):
        with pytest.raises(BittingError, match="Parquet files need pyarrow, which is not installed"):
            batch(tmp_path / source, tmp_path / target)
        assert not (tmp_path / target).exists()


@pytest.mark.parametrize("cut", [20, 300, -40, -4])
def test_damaged_parquet_is_a_plain_error(tmp_path: Path, cut: int) -> None:
    whole = io.BytesIO()
    frame().write_parquet(whole)
    (tmp_path / "in.parquet").write_bytes(whole.getvalue()[:cut])
    with pytest.raises(BittingError, match="the Parquet file can't be read"):
        batch(tmp_path / "in.parquet", tmp_path / "out.parquet")
    assert not (tmp_path / "out.parquet").exists()


def test_a_parquet_table_past_the_bound_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame().write_parquet(tmp_path / "in.parquet")
    monkeypatch.setattr(parquet_module, "MOST_CELLS", 19)
    with pytest.raises(BittingError, match="covers 5 rows by 4 columns, more than 19 cells"):
        batch(tmp_path / "in.parquet", tmp_path / "out.parquet")


OLD = Path(__file__).parents[1] / "torture" / "old.xls"
"""An invented table in the old kind of workbook, written by a general library (xlwt)."""


MANIFEST = """<?xml version="1.0"?><m:manifest xmlns:m="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">
<m:file-entry m:full-path="/" m:media-type="application/vnd.oasis.opendocument.spreadsheet"/></m:manifest>"""


def ods(path: Path, rows: str) -> Path:
    """A spreadsheet of the open document kind with these rows."""
    spaces = " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"' for short in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {spaces} office:version="1.2"><office:body>'
        f'<office:spreadsheet><table:table table:name="fleet">{rows}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", MANIFEST)
    return path


def ods_row(*cells: str, repeated: int = 1) -> str:
    written = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p></table:table-cell>' for cell in cells
    )
    return (
        f'<table:table-row table:number-rows-repeated="{repeated}">{written}'
        '<table:table-cell table:number-columns-repeated="16380"/></table:table-row>'
    )


EMPTY = ods_row(repeated=1_048_000)


@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_an_old_workbook_is_read(tmp_path: Path, kind: str) -> None:
    summary = batch(OLD, tmp_path / f"out.{kind}")
    assert (summary.legal, summary.illegal, summary.unreadable, summary.empty) == (2, 1, 1, 1)
    if kind == "xlsx":
        assert any("only the values of this sheet are written" in note for note in summary.notes)
        rows = [[cell or "" for cell in row] for row in openpyxl.load_workbook(tmp_path / "out.xlsx")["fleet"].values]
    else:
        text = (tmp_path / "out.csv").read_text(encoding="utf-8-sig")
        rows = [row + [""] * (6 - len(row)) for row in csv.reader(io.StringIO(text, newline=""))]
    assert [row[0] for row in rows] == [
        "An invented fleet",
        "",
        "name",
        "legal",
        "illegal",
        "number",
        "date",
        "nothing",
    ]
    assert [row[2] for row in rows[2:]] == ["verdict", "legal", "illegal", "legal", "unreadable", "empty"]
    assert "a date; it was probably typed as" in rows[6][4]


def test_an_open_document_is_read(tmp_path: Path) -> None:
    rows = ods_row("name", "key code") + ods_row("a", make.LEGAL) + ods_row("b", make.ILLEGAL, repeated=3) + EMPTY
    source = ods(tmp_path / "in.ods", rows)
    with source.open("rb") as file:
        assert find_workbook(file) == "ods"
    summary = batch(source, tmp_path / "out.xlsx", wanted=Wanted("key code"))
    assert (summary.rows, summary.legal, summary.illegal) == (4, 1, 3)
    assert openpyxl.load_workbook(tmp_path / "out.xlsx").sheetnames == ["fleet", "codes checked"]


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (ods_row("code") + ods_row(*["1"] * 80, repeated=1_000_000), "a sheet covers 1,000,001 rows by 80 columns"),
        (ods_row("code") + "<table:table-row", "the workbook is damaged"),
        ("<!DOCTYPE x>" + ods_row("code"), "declares XML entities"),
    ],
)
def test_open_documents_that_are_refused(tmp_path: Path, rows: str, message: str) -> None:
    source = ods(tmp_path / "in.ods", rows)
    with pytest.raises(BittingError) as caught:
        batch(source, tmp_path / "out.xlsx")
    assert message in caught.value.message
    assert not (tmp_path / "out.xlsx").exists()


@pytest.mark.parametrize("name", ["out.ods", "out.xls"])
def test_they_are_not_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(BittingError, match="can't be written"):
        batch(OLD, tmp_path / name)


OFFICE = shutil.which("soffice")


@pytest.mark.skipif(OFFICE is None, reason="LibreOffice (soffice) is not installed")
@pytest.mark.parametrize("kind", ["xlsx", "ods", "xls"])
def test_an_office_program_writes_and_reads_back(tmp_path: Path, kind: str) -> None:
    def convert(source: Path, to: str, folder: Path) -> Path:
        profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
        command = [str(OFFICE), profile, "--headless", "--convert-to", to, "--outdir", str(folder), str(source)]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        return folder / f"{source.stem}.{to}"

    (tmp_path / "fleet.csv").write_text(f"name,code\na,{make.LEGAL}\nb,{make.ILLEGAL}\nc,x\n")
    made = convert(tmp_path / "fleet.csv", kind, tmp_path)
    (tmp_path / "back").mkdir()
    summary = batch(made, tmp_path / "answer.xlsx")
    assert (summary.legal, summary.illegal) == (1, 2)
    back = convert(tmp_path / "answer.xlsx", "csv", tmp_path / "back")
    rows = list(csv.reader(io.StringIO(back.read_text(encoding="utf-8"), newline="")))
    assert [row[2] for row in rows] == ["verdict", "legal", "illegal", "illegal"]


def test_what_stands_above_the_header_is_no_row_of_parquet(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(f"a list\n\nn,code,\n1,{make.LEGAL},\n\n2,{make.ILLEGAL},\n")
    batch(tmp_path / "in.csv", tmp_path / "out.parquet")
    out = polars.read_parquet(tmp_path / "out.parquet")
    assert out.columns == ["n", "code", "column 3", *NAMES]
    assert out["n"].to_list() == ["1", "2"]
