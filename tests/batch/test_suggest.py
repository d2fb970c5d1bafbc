"""The suggestions of a table are those that each wrong code gets alone, and every row stands where it stood."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pytest

from bitting.batch import suggest as suggest_module
from bitting.batch.check_rows import RowChecker
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.batch.suggest import OFFERED
from bitting.batch.summary import Summary
from bitting.checking import check
from bitting.diagram import code_space
from bitting.errors import NotationError
from bitting.model import System
from bitting.notation import parse_code
from bitting.repair import nearest
from bitting.repair.moves import Signs
from bitting.repair.search import Column, Found
from bitting.systemfile import load_system

SYSTEMS = ("plover", "wren", "siskin", "dunlin", "grebe")


def run(folder: Path, text: str, system: System, **options: object) -> tuple[Summary, bytes]:
    source, target = folder / "in.csv", folder / "out.csv"
    source.write_bytes(text.encode())
    order = Job(str(source), str(target), force=True, **options)  # type: ignore[arg-type]
    return run_batch(order, system), target.read_bytes()


def texts_of(system: System, number: int, draw: random.Random) -> list[str]:
    """Codes written in many ways, most of them wrong."""
    out = []
    for depths in code_space(system).sample(number, 3):
        rows = [[lane.track.labels[d] for d in row] for lane, row in zip(system.lanes, depths, strict=True)]
        for _ in range(draw.choice([0, 1, 1, 2])):
            row = draw.choice(rows)
            at = draw.randrange(len(row))
            kind = draw.choice(["sign", "sign", "sign", "drop", "double", "swap", "tip"])
            if kind == "sign":
                row[at] = draw.choice(["0", "7", "9", *system.tracks[0].labels])
            elif kind == "drop":
                del row[at]
            elif kind == "double":
                row.insert(at, row[at])
            elif kind == "swap":
                row[at : at + 2] = row[at : at + 2][::-1]
            else:
                row.reverse()
        out.append(write(system, rows, draw.choice(["named", "named", "plain", "joined", "tip", "both", "wide"])))
    return out


def write(system: System, rows: list[list[str]], way: str) -> str:
    names = [lane.track.name for lane in system.lanes]
    if system.sided:
        sides = zip(system.lanes, rows, strict=True)
        return "; ".join(f"{lane.side}({' '.join(row)})" for lane, row in sides)
    named = " / ".join(f"{name}: {' '.join(row)}" for name, row in zip(names, rows, strict=True))
    if way == "tip":
        return " / ".join(f"{name} from tip: {' '.join(row[::-1])}" for name, row in zip(names, rows, strict=True))
    if way == "both" and system.sides:
        return f"both({named})"
    if way == "joined":
        return "".join(map("".join, rows))
    if way == "plain":
        return " / ".join(map("".join, rows))
    return named.translate({ord(str(n)): 0xFF10 + n for n in range(10)}) if way == "wide" else named


@pytest.mark.parametrize("name", SYSTEMS)
def test_every_wrong_code_of_a_table_gets_what_it_gets_alone(name: str, tmp_path: Path) -> None:
    system = load_system(name)
    texts = texts_of(system, 120 if name != "siskin" else 50, random.Random(5))
    summary, out = run(tmp_path, "code\n" + "".join(f"{text}\n" for text in texts), system, delimiter="\t")
    suggested = 0
    for text, row in zip(texts, csv.DictReader(out.decode().splitlines(), delimiter="\t"), strict=True):
        try:
            code = parse_code(text, system)
        except NotationError:
            continue
        legal = check(code, suggest=False).legal
        answer = None if legal else nearest(code, best=1)
        first = answer.codes[0] if answer and answer.codes else None
        offered = answer is not None and answer.slips == 1 and first is not None and first.probability >= OFFERED
        assert row["suggestion"] == (first.code if first and offered else "")
        assert row["likely"] == (str(min(int(100 * first.probability), 99)) if first and offered else "")
        assert row["findings"].endswith(
            f"likeliest single slip: {first.change}" if first and offered else row["findings"]
        )
        assert ("likeliest single slip" in row["findings"]) == offered
        slips = {1: "one slip", 2: "two slips"}[answer.slips] if first and answer else ""
        many = f"{answer.count:,} legal codes are {slips} away" if answer and answer.count > 1 else "one legal code is"
        assert (many in row["findings"]) == (not offered) or first is None
        suggested += offered
    assert suggested >= 3
    assert not [note for note in summary.notes if "looked" in note]


ILLEGAL, LEGAL = "left: 5 1 3 3 1 2 4 / right: 1 1 2 4 4 2 1", "left: 2 1 3 3 1 2 4 / right: 1 1 2 4 4 2 1"
SHORT = ("213312 1124421", "2133124 112442", "2133145 112421")
"""Lists that may be cut up in several ways."""


def test_as_many_cuts_in_too_many_lists_are_put_together(tmp_path: Path) -> None:
    system = load_system("dunlin")
    texts = ["395/204", "3/9/5/2/0/4", "395204", "39/52/04"]
    _, out = run(tmp_path, "code\n" + "".join(f"{text}\n" for text in texts), system)
    rows = list(csv.DictReader(out.decode().splitlines()))
    assert [row["suggestion"] for row in rows] == ["3 9 5 2 0 4", "3 9 5 2 0 4", "", "3 9 5 2 0 4"]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_rows_come_out_where_they_stood_however_many_are_answered_at_once(
    end: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = ["n,code,remark"]
    for number in range(40):
        code = (LEGAL, LEGAL, ILLEGAL, "nonsense", SHORT[number % 3], "")[number % 6]
        rows.append(f"{number},{code}" if number % 7 == 3 else f"{number},{code},x{number}")
        if number % 11 == 5:
            rows.append("")
    text, system = end.join(rows) + end, load_system("plover")
    _, whole = run(tmp_path, text, system)
    assert whole.count(b"slip") > 8
    for chunk in (1, 4, 7):
        monkeypatch.setattr(RowChecker, "chunk", chunk)
        assert run(tmp_path, text, system)[1] == whole
    given = [line.split(",")[0] for line in rows]
    assert [line.decode().split(",")[0] for line in whole.splitlines()] == given


def test_a_limit_is_for_different_codes(tmp_path: Path) -> None:
    system = load_system("plover")
    text = "code\n" + "".join(f"{code}\n" for code in (ILLEGAL, *SHORT, ILLEGAL, SHORT[2]))
    summary, out = run(tmp_path, text, system, suggestions=2)
    said = ["slip" in row["findings"] for row in csv.DictReader(out.decode().splitlines())]
    assert said == [True, True, False, False, True, False]
    assert any("3 illegal rows have no suggestion: only 2 different wrong codes" in note for note in summary.notes)
    summary, out = run(tmp_path, text, system, suggestions=0)
    assert b"slip" not in out
    assert any("6 illegal rows have no suggestion: none was looked for" in note for note in summary.notes)
    summary, _ = run(tmp_path, text, system)
    assert not any("looked" in note for note in summary.notes)


@pytest.mark.parametrize(
    ("text", "suggestion", "words"),
    [
        (
            "top(2133144 / 1124421); bottom(2133244 / 1124421)",
            "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1",
            "is 2, not 1",
        ),
        ("213314 1124421", "", "legal codes are one slip away"),
        ("left: 2133244", "", "all the cuts of right are missing"),
        ("213312 112442", "", "expected"),
    ],
)
def test_a_suggestion_that_is_not_likely_enough_is_left_empty_and_said(
    text: str, suggestion: str, words: str, tmp_path: Path
) -> None:
    _, out = run(tmp_path, f"code\n{text}\n", load_system("plover"))
    (row,) = list(csv.reader(out.decode().splitlines()))[1:]
    assert row[4] == suggestion
    assert words in row[3]


def test_a_cell_that_was_mended_is_looked_at_as_it_was_read(tmp_path: Path) -> None:
    """An apostrophe that marks text is none of the code's signs."""
    system = load_system("plover")
    _, out = run(tmp_path, "code\n'51331241124421\n51331241124421\n", system)
    one, other = csv.DictReader(out.decode().splitlines())
    assert one["verdict"] == other["verdict"] == "illegal"
    assert one["findings"].partition("; ")[2] == other["findings"]
    assert "slip" in other["findings"]


def test_a_wrong_code_is_looked_at_once_however_far_apart_its_rows_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[int] = []
    nearest_of = Column.nearest

    def counted(self: Column, signs: Signs) -> Found:
        looked.append(signs.shape[1])
        return nearest_of(self, signs)

    monkeypatch.setattr(Column, "nearest", counted)
    monkeypatch.setattr(RowChecker, "chunk", 7)
    system = load_system("plover")
    wrong = [f"left: 5 1 {a} 3 1 2 {b} / right: 1 1 2 4 4 2 1" for a in range(1, 6) for b in range(1, 6)]
    text = "code\n" + "".join(f"{code}\n{LEGAL}\n" for _ in range(3) for code in (*wrong, *SHORT))
    distinct = len(wrong) + len(SHORT)

    def rows() -> list[list[str]]:
        looked.clear()
        return list(csv.reader(run(tmp_path, text, system)[1].decode().splitlines()))[1:]

    whole = rows()
    assert sum(looked) == distinct
    monkeypatch.setattr(suggest_module, "REMEMBERED", 20)
    assert rows() == whole
    assert sum(looked) == 20 + 3 * (distinct - 20)
