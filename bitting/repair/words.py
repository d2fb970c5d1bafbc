"""The likeliest slips that lead from a legal code to what was written, in words. Cuts are numbered as they are written."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bitting.repair.moves import Move, Shape
from bitting.repair.search import Column


def change(column: Column, told: int, signs: Sequence[str]) -> str:
    """The slips of one way (`Found.told`) to a writing whose signs are given in the order in which they are written."""
    number, last, before = column.told(told)
    layout, table = column.layouts[number], column.table
    shape = column.shape(number, [len(row) for row in layout.rows])
    rows = [signs[place] for row in layout.rows for place in row]
    said = []
    for move in sorted((one for one in (last, before) if one), key=lambda one: one >= shape.first):
        if move >= shape.first:
            said.append(_of_cut(shape, shape.moves[move - shape.first], rows))
            continue
        undone = shape.lists[move - 1]
        lengths, numbers = shape.before(undone, np.array([table.numbers(rows)], np.uint16).T)
        shape, written = column.shape(number, lengths), rows
        rows = [table.texts[sign] for sign in numbers[:, 0].tolist()]
        changed = sorted({pair for pair in zip(written, rows, strict=True) if pair[0] != pair[1]})
        said.append(undone.words or " and ".join(f"{sign} written for {label}" for sign, label in changed))
    return " and ".join(said) or layout.otherwise


def _of_cut(shape: Shape, move: Move, signs: Sequence[str]) -> str:
    """A slip of a cut."""
    name, at = shape.streams[move.stream].name, move.at + 1
    row = [*signs[shape.starts[move.stream] : shape.starts[move.stream + 1]], ""]
    label = shape.tracks[move.stream].labels[move.depth]
    words = move.slip.words.format(before=at - 1, at=at, next=at + 1, third=at + 2, sign=row[move.at], label=label)
    return f"{name} {words}" if name else words
