"""Limits, each from both sides: how far a sheet reaches, what a spreadsheet does to a code, what is a date, what is a slip."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from bitting.batch import duplicates
from bitting.batch.damage import read_damaged
from bitting.batch.dates import ambiguous, date_of, in_groups
from bitting.batch.duplicates import Seen, find_near
from bitting.batch.judge import Judge
from bitting.batch.xlsx import guard
from bitting.batch.xlsx.guard import Extent, column_number
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import System
from bitting.repair.noise import LOOKS
from bitting.systemfile import load_system
from tests.batch.test_doubt import system_of


def reached(*cells: str, ranges: tuple[str, ...] = ()) -> Extent:
    """How far a sheet with these cells and merged ranges reaches."""
    extent = Extent("sheet")
    text = "".join(f'<c r="{cell}"/>' for cell in cells) + "".join(f'<mergeCell ref="{one}"/>' for one in ranges)
    extent.add(f"<sheet>{text}</sheet>".encode(), final=True)
    return extent


@pytest.mark.parametrize(("letters", "number"), [("A", 1), ("Z", 26), ("AA", 27), ("XFD", 16_384), ("XFE", 16_385)])
def test_columns_are_numbered_as_spreadsheets_do(letters: str, number: int) -> None:
    """Common practice; the last column of a sheet is XFD, the 16,384th."""
    assert column_number(letters.encode()) == number


def test_a_sheet_reaches_as_far_as_its_last_row_and_column() -> None:
    extent = reached("B7", "D2", "A9")
    assert (extent.rows, extent.columns, extent.cells) == (9, 4, 3)
    assert reached(ranges=("B2:C4", "A1")).covered == 6 + 1
    assert reached("A1048576").rows == 1_048_576
    with pytest.raises(BittingError, match="row 1,048,577, column 1, where no workbook has any"):
        reached("A1048577")
    assert reached("XFD1").columns == 16_384
    with pytest.raises(BittingError, match=r"column 16,385, where no workbook has any"):
        reached("XFE1")


def test_what_a_sheet_covers_has_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "MOST_CELLS", 20)
    assert reached("E4").rows == 4
    with pytest.raises(BittingError, match="covers 4 rows by 6 columns, more than 20 cells"):
        reached("F4")
    with pytest.raises(BittingError, match="covers 7 rows by 3 columns, more than 20 cells"):
        reached("C1", "A7")
    monkeypatch.setattr(guard, "MOST_COVERED", 12)
    assert reached(ranges=("A1:C4",)).covered == 12
    for ranges in (("A1:C4", "D9"), ("A1:D4",), ("D4:A1",)):
        with pytest.raises(BittingError, match="merges or links more than 12 cells"):
            reached(ranges=ranges)


def test_how_much_of_a_sheet_may_be_empty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "MOST_EMPTY", 10)
    monkeypatch.setattr(guard, "FOR_EACH", 4)
    reached("F3", "A1").check_filled()
    with pytest.raises(BittingError, match="covers 1 rows by 19 columns, and has 2 cells in them"):
        reached("S1", "A1").check_filled()
    with pytest.raises(BittingError, match="and has 1 cells in them"):
        reached("E3").check_filled()


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("2001-12-31", (2001, 12, 31)),
        ("2001-13-01", None),
        ("2001-00-01", None),
        ("2001-01-32", None),
        ("2001-01-00", None),
        ("12/31/2001", (2001, 12, 31)),
        ("31/12/2001", (2001, 12, 31)),
        ("13/13/2001", None),
        ("12.11.2001", (2001, 11, 12)),
        ("02-Mar", (0, 3, 2)),
        ("Dec-2", (0, 12, 2)),
        ("32-Mar", None),
        ("2 march 99", (99, 3, 2)),
        ("2001-03-02 10:20:30.5", (2001, 3, 2)),
        ("2001-03-02 10", None),
        ("213", None),
    ],
)
def test_what_is_a_date(text: str, parts: tuple[int, int, int] | None) -> None:
    typed = date_of(text)
    assert (None if typed is None else (typed.year, typed.month, typed.day)) == parts


@pytest.mark.parametrize(
    ("text", "ways"),
    [
        ("2031-03-02", "2-3-31 or 3-2-31 or 31-3-2"),
        ("2032-03-02", "2-3-32 or 3-2-32"),
        ("2005-05-05", "5-5-5"),
        ("02-Mar", "2-3 or 3-2"),
    ],
)
def test_what_a_date_may_have_been(text: str, ways: str) -> None:
    typed = date_of(text)
    assert typed is not None
    assert typed.ways() == ways


def test_dates_and_long_numbers_are_ambiguous_and_nothing_else() -> None:
    assert "[date]" in ambiguous("left: 2001-03-02 / right: 1124421")
    assert "[date]" in ambiguous("top(1-2-2003); bottom(121212)")
    assert ambiguous("2133344 / 1124421") == ""
    assert ambiguous("1" * 15) == ambiguous("1" * 14 + "0") == ambiguous("1" * 16) == ""
    assert "the zero at the end stands for" in ambiguous("1" * 15 + "0")
    assert "the 2 zeros at the end stand for" in ambiguous("1" * 15 + "00")
    assert ambiguous("1" * 15 + "01") == ambiguous("1" * 14 + "x0") == ""
    assert "[long-number]" in ambiguous("111,111,111,111,111,0")
    assert in_groups("12-11-2001")
    assert in_groups("left: 1-2 / x")
    assert not in_groups("12345-11")
    assert not in_groups("1-2-3-4")


@pytest.mark.parametrize(
    ("cuts", "text", "certain", "read", "note"),
    [
        (15, "123456789012345.0", True, "123456789012345", "a number with decimals"),
        (16, "1234567890123456.0", False, "", "of more than 15 digits"),
        (4, "2133.00", True, "2133", "a number with decimals"),
        (4, "2133,0", True, "2133", "a number with decimals"),
        (5, "2133.0", False, "", "it was 2133; probably 02133"),
        (4, "2133.5", None, "", ""),
        (7, "2.133.144", True, "2133144", "separators of thousands"),
        (7, "2.133.14", None, "", ""),
        (6, "2.133.144", False, "", "it was 2133144"),
        (4, "0.123", None, "", ""),
        (4, "'213", True, "213", "an apostrophe in front"),
        (4, "'21x3", True, "21x3", "an apostrophe in front"),
        (4, "'2/", False, "", "it was 2/"),
        (4, '="2133"', True, "2133", "a formula that holds only a text"),
        (4, "213", False, "0213", "probably 0213"),
        (4, "2133", None, "", ""),
        (3, "2133", None, "", ""),
        (4, "2,13", None, "", ""),
        (6, "1E5", False, "100000", "probably 100000, taken for a number in scientific form"),
        (5, "1E5", False, "", "100000, or 1E5 was meant"),
        (6, "1.23456E5", False, "123456", "probably 123456"),
        (7, "1.2E6", False, "", "of 7 digits the last 5 are lost"),
        (6, "1.23456E+4", False, "", "a number in scientific form"),
        (6, "1E41", False, "", "a number in scientific form"),
        (6, "1E40", False, "", "0, or 1E40 was meant"),
        (6, "#REF!", False, "", "the cell holds the spreadsheet's error #REF!"),
    ],
)
def test_what_a_spreadsheet_made_of_a_code(
    cuts: int, text: str, certain: bool | None, read: str, note: str, tmp_path: Path
) -> None:
    found = read_damaged(text, Judge(system_of(tmp_path, cuts)))
    if certain is None:
        assert found is None
        return
    assert found is not None
    assert (found.certain, found.text) == (certain, read)
    assert note in found.note
    assert ":" not in found.note or text != "1E41"  # so large a number is never written out


def test_zeros_are_lost_only_where_there_is_a_depth_zero(tmp_path: Path) -> None:
    assert read_damaged("213", Judge(system_of(tmp_path, 4, "123456789"))) is None
    two = system_of(tmp_path, 4, "0123456789").tracks[0]
    assert two.run_together
    found = read_damaged("213", Judge(system_of(tmp_path, 4)))
    assert found is not None
    assert not found.leavings
    error = read_damaged("#N/A", Judge(system_of(tmp_path, 4)))
    assert error is not None
    assert error.leavings


def plain_pairs(system: System, codes: np.ndarray) -> set[tuple[int, int, int]]:
    """(earlier, later, cut or ~cut) of codes one cut apart by a neighbouring or look-alike depth, or two neighbours swapped."""
    found = set()
    lanes = [number for number, lane in enumerate(system.lanes) for _ in range(lane.track.cuts)]
    for a, b in combinations(range(codes.shape[1]), 2):
        differ = np.flatnonzero(codes[:, a] != codes[:, b]).tolist()
        if len(differ) == 1:
            (cut,) = differ
            labels = system.lanes[lanes[cut]].track.labels
            signs = {labels[codes[cut, a]], labels[codes[cut, b]]}
            if abs(int(codes[cut, a]) - int(codes[cut, b])) == 1 or any(set(pair) == signs for pair in LOOKS):
                found.add((a, b, cut))
        beside = len(differ) == 2 and differ[1] == differ[0] + 1 and lanes[differ[0]] == lanes[differ[1]]
        if beside and codes[differ, a].tolist() == codes[differ[::-1], b].tolist():
            found.add((a, b, ~differ[0]))
    return found


def test_many_codes_one_slip_apart_are_all_found_at_their_cuts() -> None:
    """Many pairs, at the first and last cut of every lane."""
    system = load_system("plover")
    base = np.array([*[1, 2, 1, 2, 3, 2, 1], *[2, 1, 2, 3, 2, 1, 2]], np.uint8)
    codes = [base]
    for cut in range(14):
        for step in (-1, 1):
            codes.append(base.copy())
            codes[-1][cut] = int(base[cut]) + step
        if cut != 13:  # cut 7 of left and cut 1 of right are no neighbours, so those exchanged are not near
            codes.append(base.copy())
            codes[-1][[cut, cut + 1]] = base[[cut + 1, cut]]
    table = np.unique(np.array(codes).T, axis=1)
    near = find_near(system, table)
    expected = plain_pairs(system, table)
    assert len(expected) > 40
    assert near.count == len(expected)
    for code in range(table.shape[1]):
        earlier = sorted((a, how) for a, b, how in expected if b == code)
        assert near.number[code] == len(earlier)
        if earlier:
            assert near.first[code] == earlier[0][0]
            assert near.how[code] in {how for a, how in earlier if a == earlier[0][0]}


def test_remarks_end_where_chance_makes_as_many() -> None:
    system = load_system("wren")
    some = np.array([code[0] for code in code_space(system).sample(3, 2)], np.uint8).T
    near = some.copy()
    near[0] = np.where(near[0] == 0, 1, near[0] - 1)
    codes = np.hstack([some, near])
    rows, legal = np.arange(6), np.ones(6, bool)
    legality = Judge(system).legality
    assert legality is not None
    said = {}
    for ahead in (0, 6, 40_000):
        seen = Seen(system, legality, ahead)
        said[ahead] = len(seen.add(codes, rows, legal))
        assert seen.neighbours is not None
    assert said[0] == said[40_000] == 0
    assert said[6] >= 1


def test_only_so_many_different_codes_are_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    system = load_system("plover")
    codes = np.array([[d for row in code for d in row] for code in code_space(system).sample(10, 3)], np.uint8).T
    for most, unlooked in ((9, True), (10, False)):
        monkeypatch.setattr(duplicates, "MOST", most)
        seen = Seen(system)
        for start in range(0, 20, 10):
            seen.add(codes, np.arange(start, start + 10), np.ones(10, bool))
        assert seen.unlooked == unlooked
        assert seen.repeated()[0] == 10
