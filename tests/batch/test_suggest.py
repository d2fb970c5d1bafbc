"""The suggestions of a table are those that each wrong code gets alone, and every row stands where it stood."""

from __future__ import annotations

import csv
import random
from pathlib import Path

import pytest

from bitting.batch import many as many_module
from bitting.batch import suggest as suggest_module
from bitting.batch.csv import rewrite as held_module
from bitting.batch.run import Order, run_batch
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
    order = Order(str(source), str(target), force=True, **options)  # type: ignore[arg-type]
    return run_batch(order, load_system, system), target.read_bytes()


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
    for text, row in zip(texts, list(csv.reader(out.decode().splitlines(), delimiter="\t"))[1:], strict=True):
        try:
            code = parse_code(text, system)
        except NotationError:
            continue
        if check(code, suggest=False).legal:
            assert row[4] == ""
            continue
        answer = nearest(code, best=1)
        found = [one for one in answer.codes if one.probability >= OFFERED]
        assert row[4] == (found[0].code if found else "")
        assert ("likeliest slip" in row[3]) == bool(found)
        if found:
            assert row[3].endswith(f"likeliest slip: {found[0].change}")
        elif answer.count:
            away = f"{'one slip' if answer.slips == 1 else 'two slips'} away"
            many = "one legal code is" if answer.count == 1 else f"{answer.count} legal codes are"
            assert row[3].endswith(f"{many} {away}")
        suggested += bool(found)
    assert suggested >= 4
    assert not [note for note in summary.notes if "looked" in note]


ILLEGAL, LEGAL = "left: 5 1 3 3 1 2 4 / right: 1 1 2 4 4 2 1", "left: 2 1 3 3 1 2 4 / right: 1 1 2 4 4 2 1"
SHORT = ("213312 1124421", "2133124 112442", "2133145 112421")
"""Lists that may be cut up in several ways."""


def test_as_many_cuts_in_too_many_lists_are_put_together(tmp_path: Path) -> None:
    system = load_system("dunlin")
    texts = ["395/204", "3/9/5/2/0/4", "395204", "39/52/04", "395/209", "395208", "39/52/0"]
    _, out = run(tmp_path, "code\n" + "".join(f"{text}\n" for text in texts), system)
    rows = list(csv.reader(out.decode().splitlines()))[1:]
    for text, row in zip(texts, rows, strict=True):
        code = parse_code(text, system)
        first = nearest(code, best=1).codes[0]
        wanted = not check(code, suggest=False).legal and first.probability >= OFFERED
        assert row[4] == (first.code if wanted else "")
    assert [row[4] for row in rows[:4]] == ["3 9 5 2 0 4", "3 9 5 2 0 4", "", "3 9 5 2 0 4"]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_rows_that_wait_come_out_where_they_stood(end: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = ["n,code,remark"]
    for number in range(40):
        code = (LEGAL, LEGAL, ILLEGAL, "nonsense", SHORT[number % 3], "")[number % 6]
        rows.append(f"{number},{code}" if number % 7 == 3 else f"{number},{code},x{number}")
        if number % 11 == 5:
            rows.append("")
    text, system = end.join(rows) + end, load_system("plover")
    _, whole = run(tmp_path, text, system)
    assert whole.count(b"one slip away") > 5
    for together, chunk in ((1, 4), (3, 7), (1000, 5)):
        monkeypatch.setattr(held_module, "TOGETHER", together)
        monkeypatch.setattr("bitting.batch.csv.rewrite.CHUNK", chunk)
        assert run(tmp_path, text, system)[1] == whole
    assert many_module.CHUNK > 1000
    given = [line.split(",")[0] for line in rows]
    assert [line.decode().split(",")[0] for line in whole.splitlines()] == given


def test_a_limit_is_for_those_that_are_read_one_by_one(tmp_path: Path) -> None:
    system = load_system("plover")
    wide = [code.translate({ord(str(n)): 0xFF10 + n for n in range(10)}) for code in SHORT]
    text = "code\n" + "".join(f"{code}\n" for code in (ILLEGAL, *wide, ILLEGAL, wide[2]))
    summary, out = run(tmp_path, text, system, suggestions=1)
    given = ["one slip away" in row[3] or bool(row[4]) for row in list(csv.reader(out.decode().splitlines()))[1:]]
    assert given == [True, True, False, False, True, False]
    assert any("for 3 illegal rows no legal code was looked for" in note for note in summary.notes)
    summary, out = run(tmp_path, text, system, suggestions=0)
    assert not any(row[4] for row in list(csv.reader(out.decode().splitlines()))[1:])
    assert "no legal codes were looked for; 6 illegal rows have no suggestion" in summary.notes
    summary, _ = run(tmp_path, text, system)
    assert not any("looked" in note for note in summary.notes)


@pytest.mark.parametrize(
    ("text", "suggestion", "words"),
    [
        (
            "top(2133144 / 1124421); bottom(2133244 / 1124421)",
            "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1",
            "read 1 for 2",
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
    _, out = run(tmp_path, "code\n'21331241124428\n21331241124428\n", system)
    one, other = list(csv.reader(out.decode().splitlines()))[1:]
    assert one[1] == other[1] == "illegal"
    assert one[4] == other[4] != ""


def test_a_wrong_code_is_looked_at_once_however_far_apart_its_rows_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[int] = []
    nearest_of = Column.nearest

    def of_column(self: Column, signs: Signs) -> Found:
        looked.append(signs.shape[1])
        return nearest_of(self, signs)

    monkeypatch.setattr(Column, "nearest", of_column)
    monkeypatch.setattr(held_module, "TOGETHER", 10)
    monkeypatch.setattr("bitting.batch.csv.rewrite.CHUNK", 7)
    system = load_system("plover")
    wrong = [f"left: 5 1 {a} 3 1 2 {b} / right: 1 1 2 4 4 2 1" for a in range(1, 6) for b in range(1, 6)]
    text = "code\n" + "".join(f"{code}\n{LEGAL}\n" for _ in range(3) for code in (*wrong, *SHORT))
    distinct = len(wrong) + len(SHORT)

    def rows() -> list[list[str]]:
        looked.clear()
        return list(csv.reader(run(tmp_path, text, system)[1].decode().splitlines()))[1:]

    whole = rows()
    assert sum(looked) == distinct
    assert sum("slip" in row[3] for row in whole) > 30
    monkeypatch.setattr(suggest_module, "REMEMBERED", 20)
    assert rows() == whole
    assert sum(looked) == 20 + 3 * (distinct - 20)
