"""Codes of ten depths, where nearly every number is a code: what a spreadsheet made of one must never pass in silence."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import pytest

from bitting.batch.columns import Wanted
from bitting.batch.job import Job
from bitting.batch.judge import Judge
from bitting.batch.run import run_batch
from bitting.batch.systems import Systems
from bitting.model import System
from bitting.systemfile import load_system


def system_of(folder: Path, cuts: int, labels: str = "0123456789") -> System:
    """One track, no rules: every code of so many cuts is legal (invented)."""
    depths = ", ".join(f"{label} = {9 - 0.3 * number:.2f}" for number, label in enumerate(labels))
    path = folder / "plain.toml"
    path.write_text(
        f"""format = 1
[system]
name = "plain"
about = "no rules"
source = "invented"
unit = "mm"
stop = "tip"
[[tracks]]
name = "only"
milling = "external"
measured = "far-edge"
spaces = {{ first = 60.0, pitch = -2.0, count = {cuts} }}
depths = {{ {depths} }}
[rules]
must = []
"""
    )
    return load_system(str(path))


def rows(folder: Path, system: System, texts: list[str]) -> list[dict[str, str]]:
    source, target = folder / "in.tsv", folder / "out.tsv"
    source.write_text("n\tcode\n" + "".join(f"{number}\t{text}\n" for number, text in enumerate(texts)))
    run_batch(Job(str(source), str(target), Wanted("code"), force=True), system)
    with target.open(newline="") as file:
        return list(csv.DictReader(file, delimiter="\t"))


@pytest.mark.parametrize(
    ("cuts", "text", "verdict", "words"),
    [
        (8, "2001-03-02", "legal", "it is a date too, and was then probably typed as 2-3-1 or 3-2-1 or 1-3-2"),
        (8, "12-11-2021", "legal", "it is a date too"),
        (6, "1-2-2003", "legal", "it is a date too"),
        (6, "1-2-2003 ", "legal", "it is a date too"),
        (8, "2001-33-02", "legal", ""),
        (8, "20010302", "legal", ""),
        (6, "12-11-10", "legal", ""),
        (8, "'2001-03-02", "legal", "an apostrophe in front"),
        (18, "123456789012345000", "legal", "perhaps the 3 zeros at the end stand for lost cuts"),
        (16, "1234567890123450", "legal", "perhaps the zero at the end stands for lost cuts"),
        (18, "123456789012345670", "legal", ""),
        (18, "123456789012345678.0", "unreadable", "of more than 15 digits: the spreadsheet has lost the last ones"),
        (18, "123.456.789.012.345.000", "unreadable", "of more than 15 digits"),
        (4, "0.123", "unreadable", "'.' is no part of a code"),
        (4, "1.234", "legal", "read as 1234: a number with separators of thousands"),
        (4, "1.000", "unreadable", "1000 with separators of thousands, or 1 with decimals"),
        (3, "213.000", "unreadable", "213000 with separators of thousands, or 213 with decimals"),
        (2, "12,000", "illegal", "12000 with separators of thousands, or 12 with decimals"),
        (3, "213.00", "legal", "read as 213: a number with decimals"),
        (5, "'2133", "illegal", "read as 2133: an apostrophe in front, which marks text; only: 5 expected, 4 given"),
        (5, '="2133"', "illegal", "5 expected, 4 given"),
    ],
)
def test_what_may_be_another_code_is_said(cuts: int, text: str, verdict: str, words: str, tmp_path: Path) -> None:
    cell = '"' + text.replace('"', '""') + '"'
    (row,) = rows(tmp_path, system_of(tmp_path, cuts), [cell])
    assert row["verdict"] == verdict
    assert words in row["findings"]
    assert bool(row["findings"]) == bool(words)
    assert bool(row["canonical"]) == (verdict == "legal")


def test_month_names_that_are_depths(tmp_path: Path) -> None:
    """With depths from 0 to F, three months are cuts too."""
    system = system_of(tmp_path, 5, "0123456789ABCDEF")
    said = rows(tmp_path, system, ["DEC-12", "12-DEC", "FEB 12", "12-EEC"])
    assert [row["verdict"] for row in said] == ["legal"] * 4
    assert ["[date]" in row["findings"] for row in said] == [True, True, True, False]


def test_leavings_get_no_nearest_code(tmp_path: Path) -> None:
    """A code one slip from the leavings of a date is no better than any other; a number that was written 1E5 is known."""
    said = rows(tmp_path, system_of(tmp_path, 6), ["3/2/2001", "1E5", "1E+05", "2001-12-31", "23456"])
    assert [row["suggestion"] + row["likely"] for row in said[:4]] == [""] * 4
    assert "100000, or 1E5 was meant" in said[1]["findings"] or "probably 100000" in said[1]["findings"]
    assert not any("slip" in row["findings"] for row in said[:4])
    assert "legal codes are one slip away" in said[4]["findings"]  # a cut may be missing as well
    assert "probably 023456" in said[4]["findings"]


def test_a_doubt_changes_no_verdict_of_the_arrays(tmp_path: Path) -> None:
    judge = Judge(system_of(tmp_path, 8))
    texts = ["12345678", "2001-03-02", "2001-13-02", *["8765-43-21"] * 5]
    judged = judge.judge(texts)
    assert judged.verdict.tolist() == [0] * len(texts)
    assert judged.noted.tolist() == [False, True, *[False] * 6]


@pytest.mark.parametrize(
    ("left", "right", "verdict", "words"),
    [
        ("2133345.0", "1123421.0", "legal", "left: read as 2133345: a number with decimals; right: read as 1123421"),
        ("'2133345", "1123421", "legal", "left: read as 2133345: an apostrophe in front"),
        ("2133345", "1.123.421", "legal", "right: read as 1123421: a number with separators of thousands"),
        ("2133345 # by phone", "1123421", "legal", ""),
        ("'5133345", "1123421", "illegal", "left: read as 5133345"),
        (
            "2133345.0",
            "",
            "unreadable",
            "left: read as 2133345: a number with decimals; nothing stands behind 'right'",
        ),
        ("#N/A", "1123421", "unreadable", "left: the cell holds the spreadsheet's error #N/A"),
        ("2133345", "2E6", "illegal", "right: a number in scientific form: 2000000, or 2E6 was meant"),
        ("2133345.0", "2001-03-02", "unreadable", "right: a date; it was probably typed as 2-3-1"),
        ("2133345 / right: 1123421", "1123421", "unreadable", "right is given twice"),
    ],
)
def test_each_of_several_cells_is_read_by_itself(
    left: str, right: str, verdict: str, words: str, tmp_path: Path
) -> None:
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    source.write_text(f"L;R\n{left};{right}\n")
    wanted = Wanted(columns={"left": "L", "right": "R"})
    run_batch(Job(str(source), str(target), wanted), load_system("plover"))
    row = next(csv.DictReader(target.open(newline=""), delimiter=";"))
    assert row["verdict"] == verdict
    assert words in row["findings"]
    assert bool(row["findings"]) == bool(words)
    if verdict == "legal":
        assert row["canonical"] == "left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 1"


def test_sides_in_columns_are_read_by_themselves(tmp_path: Path) -> None:
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    source.write_text("a,b\n143324.0,'123214\n143324,2/3/2001\n")
    system = load_system("grebe")
    top, bottom = (lane.label for lane in system.lanes)
    run_batch(Job(str(source), str(target), Wanted(columns={top: "a", bottom: "b"})), system)
    one, other = list(csv.DictReader(target.open(newline="")))
    assert one["canonical"] == "top(1 4 3 3 2 4); bottom(1 2 3 2 1 4)"
    assert f"{bottom}: read as 123214: an apostrophe" in one["findings"]
    assert other["verdict"] != "legal"
    assert f"{bottom}: a date" in other["findings"]


def test_two_systems_of_one_name_are_kept_apart(tmp_path: Path) -> None:
    """Folders of system files may well use a name twice; the same file may be called in several ways."""
    for folder, cuts in (("one", 6), ("two", 4)):
        (tmp_path / folder).mkdir()
        system_of(tmp_path / folder, cuts)
    one, two, again = (f"{tmp_path}/{way}plain.toml" for way in ("one/", "two/", "one/../one/"))
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    lines = [f"{one};123456", f"{two};1234", f"{again};123456", f"{two};123456", f"{one};12345", f"{two};234"]
    source.write_text("lock;code\n" + "".join(f"{line}\n" for line in lines))
    order = Job(str(source), str(target), Wanted(system_column="lock"))
    summary = run_batch(order, None)
    said = list(csv.DictReader(target.open(newline=""), delimiter=";"))
    assert [row["verdict"] for row in said] == ["legal", "legal", "legal", "illegal", "illegal", "illegal"]
    for row, words in zip(said[3:], ("4 expected", "probably 012345", "probably 0234"), strict=True):
        assert words in row["findings"]
    assert summary.systems == ("plain", f"plain ({two})")
    assert summary.duplicate_rows == ((2, 4),)


def test_what_a_table_names_as_its_system_is_no_device(tmp_path: Path) -> None:
    """A table that was mailed must not make a run wait for a pipe."""
    os.mkfifo(tmp_path / "pipe.toml")
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    source.write_text(f"lock;code\n{tmp_path}/pipe.toml;123456\nploverr;123456\n")
    run_batch(Job(str(source), str(target), Wanted(system_column="lock")), None)
    one, other = csv.DictReader(target.open(newline=""), delimiter=";")
    assert one["verdict"] == other["verdict"] == "unreadable"
    assert f"no system is called '{tmp_path}/pipe.toml'" in one["findings"]
    assert (
        "no system is called 'ploverr': a table names systems that `bitting systems list` lists, or files"
        in other["findings"]
    )


def test_a_table_opens_no_file_but_those_beside_it_or_in_a_folder_that_was_given(tmp_path: Path) -> None:
    """A table is somebody else's text: it must not tell what is in any other file of the machine, nor whether one is there."""
    for folder in ("table", "secret", "systems"):
        (tmp_path / folder).mkdir()
    system_of(tmp_path / "systems", 6)
    (tmp_path / "secret" / "plain.toml").write_text("password = 1\n")
    (tmp_path / "table" / "link.toml").symlink_to(tmp_path / "secret" / "plain.toml")
    names = [
        f"{tmp_path}/secret/plain.toml",
        "../secret/plain.toml",
        "link.toml",
        "link",
        "plain",
        "Plover",
        "/dev/zero",
    ]
    source, target = tmp_path / "table" / "in.csv", tmp_path / "table" / "out.csv"
    source.write_text("lock;code\n" + "".join(f"{name};123456\n" for name in names))
    for folders in ((), (str(tmp_path / "systems"),)):
        run_batch(Job(str(source), str(target), Wanted(system_column="lock"), force=True, folders=folders), None)
        said = {row["lock"]: row for row in csv.DictReader(target.open(newline=""), delimiter=";")}
        assert all(said[name]["findings"].startswith(f"no system is called {name!r}") for name in names[:4])
        assert "password" not in target.read_text()
        assert said["plain"]["verdict"] == ("legal" if folders else "unreadable")
        assert said["Plover"]["verdict"] == "illegal"
    assert "no system is called" in str(Systems(None, str, (str(tmp_path),)).of("x\0"))
