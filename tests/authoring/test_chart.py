"""Charts as people write them: every shape is read, and what can't be read says where."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from bitting.authoring.chart import Chart, read_chart, split_rows
from bitting.authoring.tables import chart_rows
from bitting.errors import BittingError

DEPTHS = {"1": "8.60", "2": "8.15", "3": "7.70"}
SPACES = ("21.4", "19.1", "16.8", "14.5")


def read(text: str, unit: str | None = None) -> Chart:
    return read_chart(split_rows(text), unit)


SHAPES = {
    "headers": "depth,dimension\n1,8.60\n2,8.15\n3,7.70\n\nspace,distance\n1,21.4\n2,19.1\n3,16.8\n4,14.5",
    "headers without a blank line": "Depth;mm\n1;8,60\n2;8,15\n3;7,70\nSpace;mm\n1;21,4\n2;19,1\n3;16,8\n4;14,5",
    "two columns": "1 8.60\n2 8.15\n3 7.70\n\n1 21.4\n2 19.1\n3 16.8\n4 14.5",
    "numbering that begins again": "1 8.60\n2 8.15\n3 7.70\n1 21.4\n2 19.1\n3 16.8\n4 14.5",
    "decimal commas": "1 8,60\n2 8,15\n3 7,70\n\n1 21,4\n2 19,1\n3 16,8\n4 14,5",
    "decimal commas between commas": "1,8,60\n2,8,15\n3,7,70\n\n1,21,4\n2,19,1\n3,16,8\n4,14,5",
    "equals signs": "1=8.60\n2=8.15\n3=7.70\n\n1=21.4\n2=19.1\n3=16.8\n4=14.5",
    "side by side": "depth,mm,space,mm from tip\n1,8.60,1,21.4\n2,8.15,2,19.1\n3,7.70,3,16.8\n,,4,14.5",
    "side by side without a header": "1 8.60 1 21.4\n2 8.15 2 19.1\n3 7.70 3 16.8",
    "units behind numbers": "1 8.60mm\n2 8.15mm\n3 7.70mm\n\n1 21.4mm\n2 19.1mm\n3 16.8mm\n4 14.5mm",
    "rows": "Depths: 1 2 3\nDimension: 8.60 8.15 7.70\nSpaces: 21.4 19.1 16.8 14.5",
    "both units": "depth,in,mm\n1,.339,8.60\n2,.321,8.15\n3,.303,7.70\n\n"
    "space,in,mm\n1,.843,21.4\n2,.752,19.1\n3,.661,16.8\n4,.571,14.5",
    "numbers under #": "#\tdepth (mm)\n1\t8.60\n2\t8.15\n3\t7.70\n\n#\tspace (mm)\n1\t21.4\n2\t19.1\n3\t16.8\n4\t14.5",
    "quoted cells": '"depth","dimension"\n"1","8.60"\n"2",8.15\n3,"7.70"\n\n'
    '"space","distance, mm"\n1,"21.4"\n2,19.1\n3,16.8\n4,14.5',
    "cut and space": "depth,dimension\n1,8.60\n2,8.15\n3,7.70\n\ncut,space\n1,21.4\n2,19.1\n3,16.8\n4,14.5",
    "measured from somewhere": "Depth  Root\n1 8.60\n2 8.15\n3 7.70\n\nSpace  from shoulder\n1 21.4\n2 19.1\n3 16.8\n4 14.5",
    "remarks": "# from the wall\ndepth dimension\n1 8.60\n# the next is worn\n2 8.15\n3 7.70\n\n"
    "space distance\n1 21.4\n2 19.1\n3 16.8\n4 14.5",
}


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape_is_the_same_chart(shape: str) -> None:
    chart = read(SHAPES[shape], "mm")
    assert dict(chart.depths[""]) == DEPTHS
    assert chart.spaces[""] == SPACES[: len(chart.spaces[""])]
    assert len(chart.spaces[""]) == (3 if shape == "side by side without a header" else 4)
    assert chart.unit == "mm"
    assert chart.notes, "how it was read is said"


def test_a_sheet_is_read_like_the_same_table(tmp_path: Path) -> None:
    book = Workbook()
    page = book.active
    for row in split_rows(SHAPES["side by side"]):
        page.append([float(cell) if re.fullmatch(r"\d+\.\d+", cell) else cell for cell in row])
    book.create_sheet("other").append(["depth", "dimension"])
    book.save(tmp_path / "chart.xlsx")
    chart = read_chart(chart_rows(str(tmp_path / "chart.xlsx")))
    assert {label: float(size) for label, size in chart.depths[""].items()} == {"1": 8.6, "2": 8.15, "3": 7.7}
    assert [float(space) for space in chart.spaces[""]] == [21.4, 19.1, 16.8, 14.5]
    with pytest.raises(BittingError, match="there is no sheet 'third'"):
        chart_rows(str(tmp_path / "chart.xlsx"), "third")


def test_a_dimension_for_each_track() -> None:
    chart = read("depth,left,right\n1,8.6,8.5\n2,8.1,8.0\n\nspace,distance\n1,21.4\n2,19.1")
    assert chart.depths == {"left": {"1": "8.6", "2": "8.1"}, "right": {"1": "8.5", "2": "8.0"}}
    assert chart.spaces == {"": ("21.4", "19.1")}


@pytest.mark.parametrize("end", ["3,650,", "3,650"])
def test_whole_numbers_between_commas_are_columns_where_the_header_has_as_many(end: str) -> None:
    chart = read(
        f"unit,thou\n\ndepth,left,right\n1,338,330\n2,320,312\n\nspace,left,right\n1,850,810\n2,750,710\n{end}"
    )
    assert chart.depths == {"left": {"1": "0.338", "2": "0.320"}, "right": {"1": "0.330", "2": "0.312"}}
    assert chart.spaces == {"left": ("0.850", "0.750", "0.650"), "right": ("0.810", "0.710")}


@pytest.mark.parametrize(
    ("text", "unit", "first"),
    [
        ("1 .318\n2 .304", "in", "0.318"),
        ("1 318\n2 304", "in", "0.318"),
        ("1 8.6\n2 8.1", "mm", "8.6"),
        ('1 .318"\n2 .304"', "in", "0.318"),
        ("depth,thou\n1,318\n2,304", "in", "0.318"),
        ("unit: in\n1 318\n2 304", "in", "0.318"),
        ("1 1.1\n2 1.0", None, "1.1"),
    ],
)
def test_the_unit_is_said_or_seen_from_the_sizes(text: str, unit: str | None, first: str) -> None:
    chart = read(text)
    assert (chart.unit, chart.depths[""]["1"]) == (unit, first)


def test_lines_that_say_one_thing() -> None:
    chart = read(
        "stop: tip\nkind = internal\nwidth,9.0\nmill depth: 0.9\nrule: no more than 2 equal cuts in a row\n1 8.6\n2 8.1"
    )
    assert chart.said == {
        "stop": "tip",
        "milling": "internal",
        "width": "9.0",
        "mill-depth": "0.9",
        "rule": "no more than 2 equal cuts in a row",
    }


def test_lengths_beside_tables_in_thousandths_are_too() -> None:
    chart = read("width,340\nthickness,90 thou\ncutter,93\npitch,.1\nangle,90\nmacs,4\ndepth,thou\n1,318\n2,304")
    assert chart.said == {
        "width": "0.340",
        "thickness": "0.090",
        "cutter": "0.093",
        "pitch": ".1",
        "angle": "90",
        "macs": "4",
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no depths and no spaces"),
        ("hello there", "no depths and no spaces"),
        ("depth,dimension\n1,8.6\n2,eight", "row 3 of the chart: 'eight' is no dimension"),
        ("space,mm\n1,20\n3,15\n4,12.5", "row 3 of the chart is space 3, and the one before it 1"),
        ("space,mm\n1,20\n2,17.5\n2,15\n3,12.5", "row 4 of the chart is space 2, and the one before it 2"),
        ("space,mm\n2,17.5\n3,15\n4,12.5", "row 2 of the chart is space 2, and none stands before it"),
        ("depth,dimension\n1,8.6\n1,8.1", "row 3 of the chart gives depth 1 as 8.1, and it was 8.6 before"),
        ("depth,mm\n1,8.6\n\nspace,in\n1,.8", "lengths in inches and mm"),
        ("1 2 3 4 5\n", "has 5 columns"),
        ("unit: furlong\n1 8.6\n2 8.1", "'furlong' is no unit"),
    ],
)
def test_what_cant_be_read_says_where(text: str, message: str) -> None:
    with pytest.raises(BittingError, match=re.escape(message)):
        read(text)


@pytest.mark.parametrize(
    "line",
    ["adjacent cuts max 2", "adjacent cuts max 2,,,,", "Adjacent cuts differ by at most,2", "MACS 2",
     "max. adjacent difference: 2", "neighbouring cuts differ by no more than 2"],
)  # fmt: skip
def test_the_maximum_between_neighbours_is_understood_as_charts_say_it(line: str) -> None:
    beside = "depth,in,space,from tip\n1,.330,1,.6\n2,.311,2,.5\n,,3,.4"
    chart = read(f"{beside}\n{line}")
    assert chart.said == {"macs": "2", "stop": "tip"}
    assert (chart.depths, chart.spaces) == (read(beside).depths, read(beside).spaces)


@pytest.mark.parametrize("row", ["none alike,", "3", ",,4"])
def test_a_row_of_a_table_that_has_no_number_is_never_swallowed(row: str) -> None:
    with pytest.raises(BittingError, match=r"row 4 of the chart: no di[a-z]+ stands beside"):
        read(f"depth,in,space,from tip\n1,.330,1,.6\n2,.311,2,.5\n{row}")


TABLES = "depth,dimension\n1,8.40\n2,7.95\n\nspace,distance\n1,19.8\n2,17.4"


@pytest.mark.parametrize("row", ["depth 2 never in cut 1", "depth 2 is not allowed in space 1", "depths 1 2 3"])
@pytest.mark.parametrize("text", ["{row}\n{tables}", "{tables}\n{row}"])
def test_a_sentence_that_begins_like_a_list_of_depths_is_never_swallowed(text: str, row: str) -> None:
    with pytest.raises(BittingError, match="has no dimension"):
        read(text.format(row=row, tables=TABLES))


def test_what_a_chart_says_twice_is_one_thing_or_a_fault_and_of_rules_every_one() -> None:
    assert read(f"macs,2\nmacs,2\n{TABLES}").said == {"macs": "2"}
    assert (
        read(f"rule,cut 1 is not 2\nrule,last cut is not 2\n{TABLES}").said["rule"]
        == "cut 1 is not 2 | last cut is not 2"
    )
    with pytest.raises(BittingError, match=r"row 2 of the chart: macs is 1, and it was 2 before"):
        read(f"macs,2\nmacs,1\n{TABLES}")


def test_a_column_that_is_no_part_of_the_tables_is_said_to_be_passed_over() -> None:
    found = read("depth,dimension,note\n1,8.40,\n2,7.95,not in cut 1\n\nspace,mm,in\n1,19.8,.78\n2,17.4,.685")
    assert [note for note in found.notes if "passed over" in note] == ["column 'note' in row 1 passed over"]


@given(st.text(alphabet="depthspace mminlabel 0123456789.,;:=\t\n#", max_size=200))
def test_any_text_is_a_chart_or_a_fault(text: str) -> None:
    try:
        chart = read(text)
    except BittingError:
        return
    assert chart.depths or chart.spaces


def test_a_short_title_and_the_unit_alone_on_a_line_are_understood() -> None:
    text = "Invented chart\ninches\n1 .335\n2 .320\n3 .305\n\n1 .2\n2 .3\n3 .4\n"
    found = read_chart(split_rows(text))
    assert "row 1 passed over as a title" in found.notes
    assert found.unit == "in"
    plain = read_chart(split_rows(text.split("\n", 2)[2]))
    assert (found.depths, found.spaces) == (plain.depths, plain.spaces)


def test_a_title_in_words_is_passed_over_and_a_depth_with_a_slip_is_not() -> None:
    found = read("My own chart, in inches\n\n1 .340\n2 .325\n\n1 .2\n2 .35")
    assert found.depths[""] == {"1": "0.340", "2": "0.325"}
    assert "row 1 passed over as a title" in found.notes
    with pytest.raises(BittingError, match="'oops' is no dimension"):
        read("A oops\nB .325\n\n1 .2\n2 .35")
    with pytest.raises(BittingError, match="no dimension"):
        read("1 .340\nplainly just words\n\n1 .2\n2 .35")
