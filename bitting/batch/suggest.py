"""The nearest legal code for the wrong codes of a table: many at once where that can be, the others one by one.

Codes of one shape are looked at together (`bitting.repair.block`), every one of them. What is left (a list that may be cut
up in several ways, the sides of a convenience key each for itself, shapes met once among thousands) takes some milliseconds
each, so it is done for so many different codes only, and how many rows went without is counted. Either way the answer is that
of `bitting.repair.nearest`.

Each distinct wrong code is looked at once, however far apart its rows stand: the first `REMEMBERED` different ones of each
system stay known (some 20 MB for as many codes of fourteen cuts). Where a table holds more, those that came later are looked
at again when they come back after the rows that waited with them (`bitting.batch.csv.rewrite`) were written.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

import numpy as np
from attrs import define, evolve, field, frozen
from numpy.typing import NDArray

from bitting.batch.judge import write_depths
from bitting.batch.shapes import Shape, Template
from bitting.model import Code, Cut, System
from bitting.notation import parse_code
from bitting.repair import Repairer
from bitting.repair.block import Block, Key
from bitting.repair.written import shared_out

Suggestion = tuple[str, str]
"""The nearest legal code and the likeliest slips that lead to what is written; "" where there is none."""
NONE: Suggestion = ("", "")
REMEMBERED = 100_000
"""So many different wrong codes are kept with their suggestion for the rows that say the same later."""


@frozen(eq=False)
class Wrong:
    """Some illegal codes: their texts and, of those whose shape is known, the template and the depths; `rows` is how
    many rows say the same."""

    texts: Sequence[str]
    templates: Sequence[Template | None]
    depths: NDArray[np.uint8]
    rows: Sequence[int]

    def part(self, places: list[int]) -> Wrong:
        """Those at some places."""
        texts, templates = [self.texts[p] for p in places], [self.templates[p] for p in places]
        return Wrong(texts, templates, self.depths[:, places], [self.rows[p] for p in places])


@define(eq=False)
class Suggester:
    """Suggests for one system; `limit` is for how many different codes it looks one by one (None: all; 0: for none
    at all, not even together)."""

    system: System
    limit: int | None = None
    unlooked: int = field(init=False, default=0)
    """Rows that went without because of it."""
    _repairer: Repairer = field(init=False)
    _blocks: dict[int, Block | None] = field(init=False, factory=dict)
    _spans: dict[int, list[tuple[int, int]]] = field(init=False, factory=dict)
    _known: dict[str, Suggestion] = field(init=False, factory=dict)
    _singles: int = field(init=False, default=0)

    def __attrs_post_init__(self) -> None:
        self._repairer = Repairer(self.system)

    def of(self, wrong: Wrong) -> list[Suggestion]:
        """A suggestion for each code (all different)."""
        if self.limit == 0:
            self.unlooked += sum(wrong.rows)
            return [NONE] * len(wrong.texts)
        known = self._known
        places = [place for place, text in enumerate(wrong.texts) if text not in known]
        texts = wrong.texts
        if len(places) < len(texts):
            wrong = wrong.part(places)
        new = {text: one for text, one in zip(wrong.texts, self._look(wrong), strict=True) if one is not None}
        said = [known[text] if text in known else new.get(text, NONE) for text in texts]
        known.update(islice(new.items(), REMEMBERED - len(known)))
        return said

    def _look(self, wrong: Wrong) -> list[Suggestion | None]:
        """Look for the nearest legal code of each; None where it isn't looked for."""
        together: dict[Key, tuple[Block, list[int]]] = {}
        found: list[Suggestion | None] = [None] * len(wrong.texts)
        for place, template in enumerate(wrong.templates):
            block = None if template is None else self._block(template)
            if block is not None:
                together.setdefault(block.key, (block, []))[1].append(place)
        for block, places in together.values():
            for place, suggestion in zip(places, self._together(block, wrong, places), strict=True):
                found[place] = suggestion
        return [
            one if one is not None else self._one(text, rows)
            for one, text, rows in zip(found, wrong.texts, wrong.rows, strict=True)
        ]

    def _block(self, template: Template) -> Block | None:
        """What answers for all codes of a shape; None where they must be looked at one by one."""
        if template.number not in self._blocks:
            made = None
            if template.code is not None:
                spans = list(zip(template.starts, template.widths, strict=True)) or _laid_out(template.code)
                made = spans and self._repairer.block(template.code)
                self._spans[template.number] = spans or []
                # all cuts in too many lists: put together it may be legal as it stands, with no slip left
                if made and made.lengths == made.cuts and template.kind != Shape.EXACT:
                    made = None
            self._blocks[template.number] = made or None
        return self._blocks[template.number]

    def _together(self, block: Block, wrong: Wrong, places: Sequence[int]) -> list[Suggestion | None]:
        """Suggestions of codes that are written alike; None where they must be looked at one by one."""
        signs = self._signs(block, wrong, places)
        if signs is None:
            return [None] * len(places)
        found = block.nearest(signs)
        forms = write_depths(self.system, np.ascontiguousarray(found.depths.T))
        out: list[Suggestion | None] = []
        parts = zip(
            places, found.settled.tolist(), found.within.tolist(), forms, block.changes(signs, found), strict=True
        )
        for number, (place, settled, within, form, change) in enumerate(parts):
            if not settled:
                out.append(None)
            elif not within:
                out.append(NONE)
            else:
                out.append((form, self._change(wrong, place, found.depths[number]) if change is None else change))
        return out

    def _signs(self, block: Block, wrong: Wrong, places: Sequence[int]) -> NDArray[np.uint8] | None:
        """The signs of some codes as numbers (signs, codes); None where they are too many."""
        numbers = block.table.number
        if block.lengths != block.cuts:
            rows = [
                [wrong.texts[place][start : start + width] for start, width in self._spans[template.number]]
                for place in places
                if (template := wrong.templates[place]) is not None
            ]
            if not block.table.grow({sign for row in rows for sign in row}):
                return None
            return np.array([[numbers[sign] for sign in row] for row in rows], np.uint8).T
        tracks = [lane.track for lane in self.system.lanes for _ in range(lane.track.cuts)]
        depths = wrong.depths[:, places]
        limits = np.array([len(track.labels) for track in tracks], np.uint8)[:, None]
        foreign = [
            (
                cut,
                number,
                wrong.texts[places[number]][template.starts[cut] : template.starts[cut] + template.widths[cut]],
            )
            for cut, number in np.argwhere(depths >= limits).tolist()
            if (template := wrong.templates[places[number]]) is not None
        ]
        if not block.table.grow({sign for _, _, sign in foreign}):
            return None
        signs = np.array([
            np.array([*(numbers[label] for label in track.labels), 0], np.uint8)[row]
            for track, row in zip(tracks, depths, strict=True)
        ])  # fmt: skip
        for cut, number, sign in foreign:
            signs[cut, number] = numbers[sign]
        return signs

    def _change(self, wrong: Wrong, place: int, depths: NDArray[np.uint8]) -> str:
        """The likeliest slips in words, where several are as likely or whole lists are concerned."""
        template = wrong.templates[place]
        text = wrong.texts[place]
        code = parse_code(text, self.system) if template is None else template.code_of(text)
        parts = np.split(depths, np.cumsum([lane.track.cuts for lane in self.system.lanes])[:-1])
        return self._repairer.change(code, tuple(tuple(part.tolist()) for part in parts))

    def _one(self, text: str, rows: int) -> Suggestion | None:
        """That of one code; None past the limit."""
        if self.limit is not None and self._singles >= self.limit:
            self.unlooked += rows
            return None
        self._singles += 1
        code: Code = parse_code(text, self.system)
        found = self._repairer.nearest(code, best=1).codes
        return (found[0].code, found[0].change) if found else NONE


def _laid_out(code: Code) -> list[tuple[int, int]] | None:
    """Where the signs of a code stand, lane by lane, as starts and widths; None where that may depend on what they are."""
    if not code.system.sided and len({row.side for row in code.written}) > 1:
        return None
    cuts = [cut for row in code.written for cut in row.cuts]
    each = iter(range(len(cuts)))
    marked = [evolve(row, cuts=tuple(Cut((), str(next(each)), cut.span) for cut in row.cuts)) for row in code.written]
    ways = list(shared_out(evolve(code, written=tuple(marked))))
    if len(ways) != 1:
        return None
    spans = [cuts[int(mark)].span for row in ways[0][1] for mark in row]
    return [(start, stop - start) for start, stop in spans]
