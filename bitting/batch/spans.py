"""Where the cuts of a text stand, and which of its characters may differ in another text of the same shape."""

from __future__ import annotations

import re
from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from bitting.model import Code, System

Bytes = NDArray[np.uint8]


def single_labels(labels: Sequence[str]) -> Bytes:
    table = np.full(256, len(labels), np.uint8)
    for place, label in enumerate(labels):
        if len(label) == 1 and label.isascii():
            table[ord(label)] = place
    return table


def long_labels(words: Bytes, labels: Sequence[str]) -> Bytes:
    """Places of words of several characters in the depth table."""
    width = words.shape[1]
    keys = np.ascontiguousarray(words).view(f"S{width}").ravel()
    found = np.full(len(keys), len(labels), np.uint8)
    for place, label in enumerate(labels):
        if len(label) == width and label.isascii():
            found[keys == label.encode()] = place
    return found


_WORD = re.compile(r"[A-Za-z0-9_]+")


def loose_digits(text: str, system: System) -> NDArray[np.bool_]:
    """The digits of an unreadable text that can't be why it is unreadable: words of digits that name nothing."""
    loose = np.zeros(len(text), bool)
    if any(mark in text for mark in "[]#.=?") or any(name.isdigit() for name in _names(system)):
        return loose
    for word in _WORD.finditer(text):
        after = text[word.end() :].lstrip().lower()
        if word[0].isdigit() and not after.startswith((":", "(", "=", "from")):
            loose[word.start() : word.end()] = True
    return loose


def _names(system: System) -> list[str]:
    return [*system.sides, *(track.name for track in system.tracks)]


def cut_spans(code: Code, text: str) -> list[tuple[int, int]] | None:
    """Where the cuts stand, when each is one plain word or one character of one; None where any is anything else."""
    spans = []
    for row in code.written:
        for cut in row.cuts:
            start, end = cut.span
            if text[start:end] != cut.text or not _WORD.fullmatch(cut.text) or len(cut.depths) > 1:
                return None
            spans.append((start, end))
    return None if any(mark in text for mark in "[?.") else spans


def complete(code: Code) -> bool:
    """Whether every cut that the key needs is there, whatever its depth."""
    rows = (
        attrs.evolve(row, cuts=tuple(attrs.evolve(cut, depths=cut.depths or (0,)) for cut in row.cuts))
        for row in code.written
    )
    return attrs.evolve(code, written=tuple(rows)).well_formed


def lane_spans(code: Code) -> list[tuple[int, int]] | None:
    """The span of each cut of each lane; None where the sides of a convenience key were written each for itself."""
    spans: list[tuple[int, int]] = []
    for lane in code.system.lanes:
        ways = {tuple(cut.span for cut in row.cuts) for row in code.lists(lane)}
        if len(ways) != 1:
            return None
        spans.extend(ways.pop())
    return spans
