"""The nearest legal code for the wrong codes of a table: codes written alike are looked at together.

The answer is that of `bitting.repair.nearest`. Each distinct wrong code is looked at once, however far apart its rows stand: the
first `REMEMBERED` different ones of each system stay known (some 20 MB for as many codes of fourteen cuts).

A suggestion is *offered* where one slip leads to it, with at least `OFFERED` of the probability of all that one slip leads
to: pasted unread, others would be wrong too often. Of those it is only said how many there are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import chain, islice

import numpy as np
from attrs import define, field, frozen

from bitting.batch.judge import write_depths
from bitting.batch.shapes import Template
from bitting.model import Code, System
from bitting.notation import parse_code
from bitting.repair import Repairer
from bitting.repair.search import Column
from bitting.repair.words import change
from bitting.repair.written import missing, readable, signs_of

OFFERED = 0.6
"""A suggestion less likely than this is not offered."""
REMEMBERED = 100_000
"""So many different wrong codes are kept with their suggestion for the rows that say the same later."""


@frozen
class Suggestion:
    """The likeliest of `count` legal codes that are `slips` slips away: its canonical form, the slips in words, and its share
    of their probability. `note` says why none was looked for."""

    code: str = ""
    change: str = ""
    probability: float = 0.0
    count: int = 0
    slips: int = 0
    note: str = ""

    @property
    def offered(self) -> bool:
        """Whether it is likely enough to be offered."""
        return self.slips == 1 and self.probability >= OFFERED

    @property
    def likely(self) -> int | None:
        """Its probability in whole per cent, None where it isn't offered; never 100, as the code may be another key's."""
        return min(int(self.probability * 100), 99) if self.offered else None

    @property
    def words(self) -> str:
        """What the findings say of it."""
        if self.offered:
            return f"likeliest single slip: {self.change}"
        away = "one slip away" if self.slips == 1 else "two slips away"
        if not self.count:
            return self.note
        return f"{self.count:,} legal codes are {away}" if self.count > 1 else f"one legal code is {away}"


NONE = Suggestion()


@define(eq=False)
class Suggester:
    """Suggests for one system; `limit` is for how many different codes it looks (None: all)."""

    system: System
    limit: int | None = None
    unlooked: int = field(init=False, default=0)
    """Rows that went without because of it."""
    _repairer: Repairer = field(init=False)
    _known: dict[str, Suggestion] = field(init=False, factory=dict)
    _ways: dict[int, tuple[Column | str, list[slice]]] = field(init=False, factory=dict)
    _looked: int = field(init=False, default=0)

    def __attrs_post_init__(self) -> None:
        self._repairer = Repairer(self.system)

    def of(self, wrong: Mapping[str, Template | None], rows: Mapping[str, int]) -> dict[str, Suggestion]:
        """A suggestion for each text; with the template of its shape, where that is known, and how many rows say it."""
        found = {text: self._known[text] for text in wrong if text in self._known}
        new = [text for text in wrong if text not in found]
        left = len(new) if self.limit is None else max(self.limit - self._looked, 0)
        for text in new[left:]:
            self.unlooked += rows[text]
            found[text] = NONE
        together: dict[tuple[int, int], tuple[Column, list[str], list[list[str]]]] = {}
        for text in new[:left]:
            way, written = self._way(text, wrong[text])
            if isinstance(way, str):
                found[text] = Suggestion(note=way)
                continue
            _, texts, signs = together.setdefault((id(way), len(written)), (way, [], []))
            texts.append(text)
            signs.append(written)
        for column, texts, signs in together.values():
            found.update(zip(texts, self._nearest(column, signs), strict=True))
        self._looked += len(new[:left])
        self._known.update(islice(((text, found[text]) for text in new[:left]), REMEMBERED - len(self._known)))
        return found

    def _way(self, text: str, template: Template | None) -> tuple[Column | str, list[str]]:
        """What answers for texts written like this one, or why nothing does; and the text's signs, as they are written."""
        if template is None or template.code is None:
            code = parse_code(text, self.system)
            return self._answering(code), signs_of(code)
        if template.number not in self._ways:
            spans = [slice(*cut.span) for row in template.code.written for cut in row.cuts]
            self._ways[template.number] = self._answering(template.code), spans
        way, spans = self._ways[template.number]
        return way, [text[span] for span in spans]

    def _answering(self, code: Code) -> Column | str:
        if not readable(code):
            return ""
        return missing(code) or self._repairer.column(code) or ""

    def _nearest(self, column: Column, signs: Sequence[Sequence[str]]) -> list[Suggestion]:
        """The suggestions for some texts, given as signs."""
        numbers = self._repairer.table.numbers(chain.from_iterable(signs))
        found = column.nearest(np.array(numbers, np.uint16).reshape(len(signs), -1).T)
        some = np.flatnonzero(found.count)
        if not len(some):
            return [NONE] * len(signs)
        at = found.first[some]
        forms = write_depths(self.system, np.ascontiguousarray(found.depths[:, at]))
        out = [NONE] * len(signs)
        parts = zip(some.tolist(), at.tolist(), forms, strict=True)
        for place, first, form in parts:
            probability = found.probability.item(first)
            words = (
                change(column, found.told.item(first), signs[place])
                if found.slips.item(place) == 1 and probability >= OFFERED
                else ""
            )
            out[place] = Suggestion(form, words, probability, found.count.item(place), found.slips.item(place))
        return out
