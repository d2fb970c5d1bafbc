"""Codes that differ only by a slip are found among the codes of a table: all of them, and no others."""

from __future__ import annotations

import csv
import json
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from bitting.batch import duplicates as seen_module
from bitting.batch.duplicates import Seen, find_near, keys_of, legal_neighbours
from bitting.batch.job import Job
from bitting.batch.judge import Judge
from bitting.batch.run import run_batch
from bitting.cli import main
from bitting.diagram import code_space
from bitting.model import System, code_of
from bitting.repair.noise import LOOKS
from bitting.systemfile import load_system
from tests.conftest import drawn

SYSTEMS = ("plover", "wren", "siskin", "heron", "dunlin")
Code = tuple[int, ...]
Rows = np.ndarray[tuple[int], np.dtype[np.int64]]


def one_slip(system: System, a: Code, b: Code) -> bool:
    """Whether two codes differ only by a slip, said plainly."""
    tracks = [lane.track for lane in system.lanes for _ in range(lane.track.cuts)]
    lanes = [number for number, lane in enumerate(system.lanes) for _ in range(lane.track.cuts)]
    differ = [cut for cut in range(len(a)) if a[cut] != b[cut]]
    if len(differ) == 1:
        cut = differ[0]
        signs = {tracks[cut].labels[code[cut]] for code in (a, b)}
        return abs(a[cut] - b[cut]) == 1 or any(set(pair) == signs for pair in LOOKS)
    if len(differ) == 2:
        one, other = differ
        return other == one + 1 and lanes[one] == lanes[other] and (a[one], a[other]) == (b[other], b[one])
    return False


@st.composite
def systems_and_codes(draw: st.DrawFn) -> tuple[System, list[Code]]:
    """Different codes, most of them a change or two away from another."""
    system = load_system(draw(st.sampled_from(SYSTEMS)))
    sizes = [len(lane.track.labels) for lane in system.lanes for _ in range(lane.track.cuts)]
    codes = [tuple(draw(st.integers(0, size - 1)) for size in sizes)]
    for _ in range(draw(st.integers(1, 25))):
        code = list(draw(st.sampled_from(codes)))
        cut = draw(st.integers(0, len(code) - 1))
        if draw(st.booleans()) and cut + 1 < len(code) and max(code[cut : cut + 2]) < min(sizes[cut : cut + 2]):
            code[cut], code[cut + 1] = code[cut + 1], code[cut]
        else:
            code[cut] = draw(st.integers(0, sizes[cut] - 1))
        codes.append(tuple(code))
    return system, list(dict.fromkeys(codes))


@drawn(150)
@given(systems_and_codes(), st.integers(0, 10))
def test_all_pairs_and_no_others(drawn: tuple[System, list[Code]], new: int) -> None:
    system, codes = drawn
    near = find_near(system, np.array(codes, np.uint8).T, new)
    pairs = [(a, b) for a, b in combinations(range(len(codes)), 2) if b >= new and one_slip(system, codes[a], codes[b])]
    assert near.count == len(pairs)
    for code in range(len(codes)):
        earlier = [a for a, b in pairs if b == code]
        assert near.number[code] == len(earlier)
        assert near.first[code] == (earlier[0] if earlier else -1)
        if earlier:
            words = near.words(system, code).split()
            differ = [c for c in range(len(codes[0])) if codes[code][c] != codes[earlier[0]][c]]
            starts = {lane.label: sum(x.track.cuts for x in system.lanes[:n]) for n, lane in enumerate(system.lanes)}
            start = next((s for label, s in starts.items() if near.words(system, code).startswith(label + " ")), 0)
            assert [start + int(word) - 1 for word in words if word.isdigit()] == differ
            assert (words[-1] == "swapped") == (len(differ) == 2)


@drawn(60)
@given(systems_and_codes(), st.lists(st.integers(0, 25), max_size=4), st.booleans(), st.booleans())
def test_the_same_in_one_go_and_chunk_by_chunk(
    drawn: tuple[System, list[Code]], at: list[int], ahead: bool, wide: bool
) -> None:
    system, different = drawn
    codes = different + different[:2]
    rows = np.arange(len(codes)) + 2
    with pytest.MonkeyPatch.context() as patch:
        if wide:  # as if there were too many codes for numbers of 64 bits
            patch.setattr("bitting.batch.duplicates.math.prod", lambda _sizes: 2**63)
        assert keys_of(system, np.array(codes, np.uint8).T).dtype.kind == ("S" if wide else "i")
        check_seen(system, different, codes, rows, at, ahead=ahead)


def check_seen(
    system: System, different: list[Code], codes: list[Code], rows: Rows, at: list[int], *, ahead: bool
) -> None:
    seen = Seen(system, None, 1000 if ahead else 0)
    remarks: dict[int, str] = {}
    edges = sorted({0, len(codes), *(a for a in at if a < len(codes))})
    for start, stop in pairwise(edges):
        part = np.array(codes[start:stop], np.uint8).T
        remarks |= seen.add(part, rows[start:stop], np.ones(stop - start, bool))
    near = find_near(system, np.array(different, np.uint8).T)
    assert seen.near == near.count
    assert seen.repeated() == (
        len(different[:2]),
        [(2 + n, 2 + len(different) + n) for n in range(len(different[:2]))],
    )
    assert seen.near_rows == [(2 + near.first[b], 2 + b) for b in np.flatnonzero(near.number)[:3].tolist()]
    assert set(remarks) == (set((np.flatnonzero(near.number) + 2).tolist()) if ahead else set())
    for row, said in remarks.items():
        assert f"one slip from row {near.first[row - 2] + 2} ({near.words(system, row - 2)})" in said


def test_neighbours_by_chance_are_those_that_a_count_finds() -> None:
    system = load_system("dunlin")
    judge = Judge(system)
    every = [tuple(d for row in code for d in row) for code in code_space(system).sample(40, 3)]
    legality = judge.legality
    assert legality is not None
    assert legality.count == code_space(system).count
    sizes = [len(lane.track.labels) for lane in system.lanes for _ in range(lane.track.cuts)]
    found = 0
    for code in every:
        others = {(*code[:c], d, *code[c + 1 :]) for c, size in enumerate(sizes) for d in range(size)}
        others |= {(*code[:c], code[c + 1], code[c], *code[c + 2 :]) for c in range(len(code) - 1)}
        near = [other for other in others if one_slip(system, code, other)]
        found += int(legality.legal(np.array(near, np.uint8).T).sum())
    assert legal_neighbours(system, np.array(every, np.uint8).T, legality) == pytest.approx(found / 40)


BASE = "left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 1"
OFF = "left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 2"
SWAPPED = "left: 2 1 3 3 3 4 5 / right: 1 2 1 3 4 2 1"
ILLEGAL = "left: 2 1 3 3 3 4 1 / right: 1 1 2 3 4 2 1"


def table(folder: Path) -> Path:
    path = folder / "in.csv"
    codes = ["left: 3 4 5 3 3 2 1 / right: 4 3 4 3 2 1 1", BASE, ILLEGAL, OFF, "", SWAPPED, OFF]
    path.write_text("n,code\n" + "".join(f"{n},{code}\n" for n, code in enumerate(codes)))
    return path


def test_the_later_row_gets_a_remark_and_stays_legal(tmp_path: Path) -> None:
    source, target = table(tmp_path), tmp_path / "out.csv"
    summary = run_batch(Job(str(source), str(target)), load_system("plover"))
    rows = list(csv.DictReader(target.open()))
    assert [row["verdict"] for row in rows] == ["legal", "legal", "illegal", "legal", "empty", "legal", "legal"]
    assert rows[3]["findings"] == "advice: one slip from row 3 (right cut 7) [near-duplicate]"
    assert rows[5]["findings"] == "advice: one slip from row 3 (right cuts 2 and 3 swapped) [near-duplicate]"
    assert [row["findings"] for row in (rows[0], rows[1], rows[6])] == [""] * 3
    assert (summary.near_duplicates, summary.near_rows) == (2, ((3, 5), (3, 7)))
    assert (summary.duplicates, summary.duplicate_rows) == (1, ((5, 8),))
    assert summary.near_by_chance is not None
    assert summary.near_by_chance < 0.001


def test_what_the_command_says_of_them(tmp_path: Path) -> None:
    source = table(tmp_path)
    result = CliRunner().invoke(main, ["batch", str(source), "-s", "plover", "-o", str(tmp_path / "out.csv")])
    assert "1 row has the code of an earlier row: rows 5 and 8\n" in result.stdout
    assert "2 pairs of legal codes differ only by a slip: rows 3 and 5, 3 and 7 (chance alone" in result.stdout
    assert " would make hardly any)\n" in result.stdout
    options = ["-s", "plover", "-o", str(tmp_path / "out.csv"), "--force", "--json"]
    answer = json.loads(CliRunner().invoke(main, ["batch", str(source), *options]).stdout)
    assert (answer["near_duplicates"], answer["near_rows"]) == (2, [[3, 5], [3, 7]])


def test_past_a_number_of_codes_it_is_not_done_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(seen_module, "MOST", 2)
    source = table(tmp_path)
    result = CliRunner().invoke(main, ["batch", str(source), "-s", "plover", "-o", str(tmp_path / "out.csv")])
    assert "were not looked for: there are too many different codes" in result.stdout
    assert "[near-duplicate]" not in (tmp_path / "out.csv").read_text()


def test_codes_that_fill_their_space_get_no_remarks(tmp_path: Path) -> None:
    """Where every code has neighbours by chance, a remark would mean nothing."""
    system = load_system("wren")
    source, target = tmp_path / "in.csv", tmp_path / "out.csv"
    codes = [str(code_of(system, code)) for code in code_space(system).sample(2000, 1)]
    source.write_text("code\n" + "".join(f"{code}\n" for code in codes))
    summary = run_batch(Job(str(source), str(target)), system)
    assert "[near-duplicate]" not in target.read_text()
    assert summary.near_duplicates is not None
    assert summary.near_by_chance is not None
    # codes drawn from all legal ones: the number found is the number that chance makes
    assert abs(summary.near_duplicates / summary.near_by_chance - 1) < 0.15


@given(st.lists(st.integers(0, 40), max_size=60))
def test_which_codes_have_been_there_before(numbers: list[int]) -> None:
    before: set[int] = set()
    expected = [number in before or before.add(number) is not None for number in numbers]
    for keys in (np.array(numbers, np.int64), np.array([b"%02d" % number for number in numbers], "S2")):
        assert seen_module._again(keys, np.sort(keys)).tolist() == expected
