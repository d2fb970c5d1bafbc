"""What no single row can say: lists from the tip, tracks exchanged, a track left out; and what is offered as a suggestion."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from bitting.batch.job import Job
from bitting.batch.listing import Listing, other_ways
from bitting.batch.run import run_batch
from bitting.batch.summary import Summary
from bitting.diagram import code_space
from bitting.diagram.walk import legality_of
from bitting.systemfile import load_system
from tests.benchmarks.batch_suggestions import offered, spoilt
from tests.conftest import but_long

HERON, PLOVER, WREN, GREBE = (load_system(name) for name in ("heron", "plover", "wren", "grebe"))


def summary_of(folder: Path, texts: list[str], name: str) -> Summary:
    (folder / "in.csv").write_text("code\n" + "".join(f"{text}\n" for text in texts))
    return run_batch(Job(str(folder / "in.csv"), None, delimiter="\t"), load_system(name))


def taken(name: str, way: str, number: int = 60) -> list[str]:
    """Legal codes of a system, listed in another way."""
    system = load_system(name)
    order = other_ways(system)[way] if way else np.arange(sum(lane.track.cuts for lane in system.lanes))
    labels = [label for lane in system.lanes for label in [lane.track.labels] * lane.track.cuts]
    texts = []
    for code in code_space(system).sample(number, 4):
        depths = np.array([depth for row in code for depth in row])[order]
        signs = [labels[cut][depth] for cut, depth in enumerate(depths)]
        rows = [signs[: system.lanes[0].track.cuts], signs[system.lanes[0].track.cuts :]]
        texts.append(" / ".join("".join(row) for row in rows if row))
    return texts


@pytest.mark.parametrize(
    ("name", "way"),
    [
        ("heron", "read from the tip"),
        ("wren", "read from the tip"),
        ("plover", "read from the tip"),
        ("plover", "with left and right exchanged"),
        ("heron", "with t2 read from the tip"),
    ],
)
def test_a_table_listed_another_way_is_said(name: str, way: str, tmp_path: Path) -> None:
    if way not in other_ways(load_system(name)):
        pytest.skip(f"{name} has no such tracks")
    summary = summary_of(tmp_path, taken(name, way), name)
    said = [note for note in summary.notes if "illegal rows with whole codes would be legal" in note]
    if summary.counts["illegal"] >= 3:
        illegal = summary.counts["illegal"]
        assert said == [
            f"{illegal} of {illegal} illegal rows with whole codes would be legal {way}: was the list taken so?"
        ]


@pytest.mark.parametrize(
    "name", but_long(["heron", "wren", "plover", "siskin", "grebe", "dunlin"], "wren", "siskin", "grebe", "dunlin")
)
def test_a_table_as_it_should_be_gets_no_note(name: str, tmp_path: Path) -> None:
    texts = [
        text
        for kind, text, _ in spoilt(load_system(name), 60, 3)
        if kind in ("one off", "any digit", "exchanged digits")
    ]
    assert len(texts) >= 5
    summary = summary_of(tmp_path, texts, name)
    assert not [note for note in summary.notes if "would be legal" in note or "missing in all" in note]


def test_other_ways_are_those_of_the_tracks() -> None:
    assert list(other_ways(WREN)) == ["read from the tip"]
    ways = other_ways(PLOVER)
    assert ways["with left and right exchanged"].tolist() == [*range(7, 14), *range(7)]
    assert ways["with right read from the tip"].tolist() == [*range(7), *range(13, 6, -1)]
    assert "with top and bottom exchanged" in other_ways(GREBE)


def test_most_rows_must_fit_and_a_few_say_nothing() -> None:
    legality = legality_of(WREN)
    assert legality is not None
    turned = np.array([code[0][::-1] for code in code_space(WREN).sample(400, 5)], np.uint8).T
    turned = turned[:, ~legality.legal(turned)]
    never = np.zeros((8, turned.shape[1]), np.uint8)
    never[4] = 4
    assert not legality.legal(np.hstack([never, never[::-1]])).any()
    for fitting, others, said in ((2, 0, False), (3, 0, True), (3, 2, True), (3, 3, False), (3, 4, False)):
        listing = Listing(WREN, legality)
        listing.add(np.hstack([turned[:, :fitting], never[:, :others]]), fitting + others, {})
        assert bool(list(listing.notes())) == said


def test_a_track_left_out_in_all_rows_is_said(tmp_path: Path) -> None:
    codes = [str(text).partition(" / ")[0] for text in taken("plover", "")]
    summary = summary_of(tmp_path, [f"left: {code}" for code in codes], "plover")
    assert f"all the cuts of right are missing in all {len(codes)} rows" in summary.notes
    summary = summary_of(tmp_path, [*(f"left: {code}" for code in codes), "", taken("plover", "")[0]], "plover")
    assert not any("missing in all" in note for note in summary.notes)


def test_a_table_of_another_system_is_said(tmp_path: Path) -> None:
    codes = taken("plover", "")
    note = f"{len(codes)} of the first {len(codes)} rows that aren't legal are legal in plover: is that their system?"
    for name in ("heron", "wren", "dunlin"):
        assert note in summary_of(tmp_path, codes, name).notes
    for texts, name in ((codes, "plover"), (codes[:5] + taken("wren", "")[:5], "wren"), (codes[:2], "wren")):
        assert not any("is that their system" in note for note in summary_of(tmp_path, texts, name).notes)


@pytest.mark.thorough
def test_two_thirds_of_what_is_offered_is_what_was_meant() -> None:
    """Every kind of mistake equally often, over four systems; a count, not a guarantee for any one of them."""
    total: Counter[str] = Counter()
    for name in ("plover", "heron", "grebe", "wren"):
        system = load_system(name)
        total += sum(offered(system, spoilt(system, 125, 7)).values(), Counter())
    assert total["rows"] == 500
    assert total["offered"] > 80
    assert total["right"] * 3 >= total["offered"] * 2
