"""`across` between two edges: what a file may say, and what it may not."""

from __future__ import annotations

from pathlib import Path

import pytest

import bitting
from bitting.errors import SystemFileError
from bitting.grammars import folder
from bitting.model import Across, System
from bitting.systemfile.build import read_system

SAID = 'across = { sides = ["top", "bottom"], from = 8.60 }'


def grebe(said: str, *changes: tuple[str, str]) -> System:
    text = Path(folder("systems"), "grebe.toml").read_text(encoding="utf-8")
    for old, new in ((SAID, said), *changes):
        assert old in text, old
        text = text.replace(old, new)
    return read_system(text, "grebe.toml")


def test_the_web_between_two_edges() -> None:
    across = bitting.load_system("grebe").measuring.across
    assert across == Across(("edge", "edge"), -1, 8.6, ("top", "bottom"))
    assert across.of(None) == (("top", "edge"), ("bottom", "edge"))
    assert across.names == ("top", "bottom")
    assert grebe(SAID.replace('"top", "bottom"', '"Bottom", "TOP"')).measuring.across == Across(
        ("edge", "edge"), -1, 8.6, ("bottom", "top")
    )


@pytest.mark.parametrize(
    ("said", "changes", "words"),
    [
        ('across = { sides = ["top", "left"], from = 8.6 }', [], "measuring.across.sides: found"),
        ('across = { sides = ["top", "top"], from = 8.6 }', [], "names that differ"),
        ('across = { sides = ["top"], from = 8.6 }', [], "the names of two edges (top, bottom)"),
        ('across = { sides = ["top", "bottom"], tracks = ["edge", "edge"], from = 8.6 }', [], "both tracks and sides"),
        ("across = { from = 8.6 }", [], "neither tracks nor sides"),
        ('across = { sides = ["top", "bottom"] }', [], "neither less nor from"),
        (SAID, [('milling = "edge" ', 'milling = "external" ')], "each edge has one track, whose milling is edge"),
    ],
)
def test_what_can_t_be_meant(said: str, changes: list[tuple[str, str]], words: str) -> None:
    with pytest.raises(SystemFileError) as caught:
        grebe(said, *changes)
    assert any(words in fault for fault in caught.value.faults), caught.value.faults
