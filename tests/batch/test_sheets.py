"""Which sheet and which columns: all sheets are looked at, tracks in columns of their own are found, and colours are readable."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import openpyxl
import pytest

from bitting.batch.columns import Wanted
from bitting.batch.decoder import Choices
from bitting.batch.job import Job
from bitting.batch.output import BAD, CODES, DOUBTFUL, READINGS
from bitting.batch.run import run_batch
from bitting.batch.summary import Summary
from bitting.errors import BittingError
from bitting.systemfile import load_system
from tests.conftest import but_long
from tests.torture import make

Rows = list[list[object]]
GOOD: Rows = [["n", "code"], [1, make.LEGAL], [2, make.ILLEGAL]]


def book_of(folder: Path, sheets: dict[str, Rows], merged: dict[str, str] | None = None) -> Path:
    book = openpyxl.Workbook()
    del book["Sheet"]
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
        if merged and name in merged:
            page.merge_cells(merged[name])
    book.save(folder / "in.xlsx")
    return folder / "in.xlsx"


def batch(source: Path, target: str, **options: object) -> Summary:
    return run_batch(Job(str(source), str(source.with_name(target)), force=True, **options), load_system("plover"))  # type: ignore[arg-type]


def test_tracks_in_columns_of_their_own_under_a_merged_title(tmp_path: Path) -> None:
    rows: Rows = [
        ["An invented fleet", None, None, None],
        ["unit", "Key cuts", None, "remark"],
        [None, "Left", "RIGHT", None],
    ]
    rows += [["a", "2133345", "1123421", "x"], ["b", 2133345, 1123421, None], ["c", "2133341", "1123421", "y"], ["d"]]
    source = book_of(tmp_path, {"cover": [["Read me"]], "fleet": rows, "empty": []}, {"fleet": "B2:C2"})
    summary = batch(source, "out.xlsx")
    assert summary.column == "Left, RIGHT"
    assert (summary.header, summary.counts["legal"], summary.counts["illegal"], summary.counts["empty"]) == (3, 2, 1, 1)
    page = openpyxl.load_workbook(tmp_path / "out.xlsx")["fleet"]
    assert [cell.value for cell in page[3]][4:] == list(CODES.names)
    assert page["F4"].value == make.LEGAL
    assert page["B6"].comment.text == page["G6"].value
    assert page["C6"].comment is None
    assert page["B6"].fill.fgColor.rgb == page["C6"].fill.fgColor.rgb == BAD


def test_columns_called_as_tracks_that_hold_no_codes_are_not_taken(tmp_path: Path) -> None:
    source = book_of(tmp_path, {"stock": [["Left", "Right", "key code"], [3, 4, make.LEGAL], [1, 9, make.LEGAL]]})
    assert batch(source, "out.csv").column == "key code"
    source = book_of(tmp_path, {"stock": [["Left", "Right"], [3, 4], [1, 9]]})
    with pytest.raises(BittingError, match="no column is named as one of codes"):
        batch(source, "out.csv")


def test_several_sheets_with_codes_are_named_with_the_option_that_picks_one(tmp_path: Path) -> None:
    sheets: dict[str, Rows] = {
        "prices": [["code", "price"], ["X17", 3]],
        "north": GOOD,
        "title": [["Fleet"]],
        "south yard": GOOD,
    }
    with pytest.raises(BittingError) as caught:
        batch(book_of(tmp_path, sheets), "out.xlsx")
    assert caught.value.message == "2 sheets hold codes: 'north', 'south yard'"
    assert caught.value.hint == "do one at a time: --sheet 'north'"
    assert batch(book_of(tmp_path, sheets), "out.xlsx", sheet="south yard").rows == 2
    del sheets["north"]
    sheets["spare"] = []
    alone = "the codes are on sheet 'south yard'; none were found on 'prices', 'title'"
    assert alone in batch(book_of(tmp_path, sheets), "out.xlsx").notes
    del sheets["south yard"]
    assert (
        batch(book_of(tmp_path, sheets), "out.xlsx").counts["illegal"] == 1
    )  # it has a column of codes, if wrong ones


def test_a_messy_sheet_of_codes_is_not_passed_over_for_a_tidy_one(tmp_path: Path) -> None:
    messy: Rows = [["code"], [make.LEGAL], ["see folder"], ["lost"], ["total"]]
    with pytest.raises(BittingError, match="2 sheets hold codes: 'fleet', 'spare'"):
        batch(book_of(tmp_path, {"fleet": messy, "spare": GOOD}), "out.xlsx")


def test_a_sheet_of_readings_among_others(tmp_path: Path) -> None:
    text = "7.30 7.21 7.74 7.76 7.18 6.63 7.74 7.15"
    sheets: dict[str, Rows] = {"title": [["Keys"]], "one": [["caliper"], [text]]}
    options = {"wanted": Wanted("caliper"), "readings": Choices()}
    wren = load_system("wren")

    def decode(target: str) -> Summary:
        return run_batch(Job(str(tmp_path / "in.xlsx"), str(tmp_path / target), force=True, **options), wren)  # type: ignore[arg-type]

    book_of(tmp_path, sheets)
    assert decode("out.xlsx").rows == 1
    page = openpyxl.load_workbook(tmp_path / "out.xlsx")["one"]
    assert [cell.value for cell in page[1]] == ["caliper", *READINGS.names]
    book_of(tmp_path, {**sheets, "two": sheets["one"]})
    with pytest.raises(BittingError, match="2 sheets hold readings"):
        decode("out.xlsx")


@pytest.mark.parametrize("target", but_long(["out.csv", "out.xlsx", "out.parquet"], "out.parquet"))
@pytest.mark.parametrize("kind", but_long(["csv", "xlsx", "parquet"], "parquet"))
def test_readings_go_from_any_kind_of_table_to_any(kind: str, target: str, tmp_path: Path) -> None:
    import pandas

    table = pandas.DataFrame({f"left {n}": [7.3, 7.2, None] for n in range(1, 9)} | {"n": [1, 2, 3]})
    source = tmp_path / f"in.{kind}"
    {"csv": table.to_csv, "xlsx": table.to_excel, "parquet": table.to_parquet}[kind](source, index=False)
    job = Job(str(source), str(tmp_path / target), Wanted(per_cut=True), readings=Choices())
    summary = run_batch(job, load_system("wren"))
    reader = {"csv": pandas.read_csv, "xlsx": pandas.read_excel, "parquet": pandas.read_parquet}[target[4:]]
    back = reader(tmp_path / target)
    assert list(back.columns) == [*table.columns, *READINGS.names]
    assert list(back["verdict"])[2] == "empty"
    assert [summary.counts[verdict] for verdict in READINGS.verdicts] == [
        list(back["verdict"]).count(verdict) for verdict in READINGS.verdicts
    ]


def luminance(colour: str) -> float:
    """Relative luminance of ARGB (WCAG 2.1, definition of relative luminance; sRGB of IEC 61966-2-1)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (2, 4, 6)]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.1)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_fills_are_told_apart_without_colours_and_text_stands_out() -> None:
    black, white = "FF000000", "FFFFFFFF"
    for one, other in combinations((BAD, DOUBTFUL, white), 2):
        assert contrast(one, other) >= 1.3
    assert contrast(BAD, DOUBTFUL) >= 1.5
    for fill in (BAD, DOUBTFUL):
        assert contrast(fill, black) >= 7  # WCAG 2.1, 1.4.6: enhanced contrast of text
    for columns in (CODES, READINGS):
        assert set(columns.fills.values()) == {BAD, DOUBTFUL}
        assert set(columns.fills) < set(columns.verdicts)
