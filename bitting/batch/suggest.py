"""The nearest legal code for the wrong codes of a table, and how likely it is the one that was meant.

Codes that are written alike are looked at together (`bitting.repair.search`), every one of them. What has to be read by the
grammar first (texts that are not ASCII, shapes met once among thousands) takes some milliseconds each, so it is done for so
many different codes only, and how many rows went without is counted. Either way the answer is that of
`bitting.repair.nearest`.

Each distinct wrong code is looked at once, however far apart its rows stand: the first `REMEMBERED` different ones of each
system stay known (some 20 MB for as many codes of fourteen cuts). Where a table holds more, those that came later are looked
at again when they come back after the rows that waited with them (`bitting.batch.csv.rewrite`) were written.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice

import numpy as np
from attrs import define, field, frozen
from numpy.typing import NDArray

from bitting.batch.judge import write_depths
from bitting.batch.shapes import Shape, Template
from bitting.model import Code, System
from bitting.notation import parse_code
from bitting.repair import Repairer
from bitting.repair.search import Column, Found
from bitting.repair.words import change
from bitting.repair.written import missing, readable, signs_of

REMEMBERED = 100_000
"""So many different wrong codes are kept with their suggestion for the rows that say the same later."""
OFFERED = 0.6
"""A code less likely than this is not suggested: pasted unread, it would be wrong too often."""


@frozen
class Suggestion:
    """What a table says of a wrong code: the code that was probably meant and how likely that is, in whole per cent ("" where
    none is likely enough), and in `words` the likeliest slip, or how many codes it may have been."""

    code: str = ""
    likely: str = ""
    words: str = ""


NONE = Suggestion()


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
    """Suggests for one system; `limit` is how many different codes it reads one by one (None: all; 0: it suggests nothing)."""

    system: System
    limit: int | None = None
    unlooked: int = field(init=False, default=0)
    """Rows that went without because of it."""
    _repairer: Repairer = field(init=False)
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
        alike: dict[int, list[int]] = {}
        found: list[Suggestion | None] = [None] * len(wrong.texts)
        for place, template in enumerate(wrong.templates):
            if template is not None and template.code is not None:
                alike.setdefault(template.number, []).append(place)
            else:
                found[place] = self._one(wrong.texts[place], wrong.rows[place])
        for places in alike.values():
            for place, suggestion in zip(places, self._together(wrong, places), strict=True):
                found[place] = suggestion
        return found

    def _together(self, wrong: Wrong, places: Sequence[int]) -> list[Suggestion]:
        """Suggestions for codes of one shape."""
        template = wrong.templates[places[0]]
        assert template is not None
        assert template.code is not None
        column = self._column(template.code)
        if isinstance(column, Suggestion):
            return [column] * len(places)
        signs = self._signs(wrong, template, template.code, places)
        return self._suggestions(column, column.nearest(signs), signs)

    def _column(self, code: Code) -> Column | Suggestion:
        """What answers for codes written like this one, or what to say of all of them."""
        if not readable(code):
            return NONE
        tracks = missing(code)
        column = None if tracks else self._repairer.column(code)
        return column or Suggestion(words=tracks)

    def _suggestions(self, column: Column, found: Found, signs: NDArray[np.uint16]) -> list[Suggestion]:
        some = np.flatnonzero(found.count)
        first = found.first[some]
        likely = found.probability[first] >= OFFERED
        out = [NONE] * len(found.count)
        forms = iter(write_depths(self.system, np.ascontiguousarray(found.depths[:, first[likely]])))
        texts = self._repairer.table.texts
        for which, place, good in zip(some.tolist(), first.tolist(), likely.tolist(), strict=True):
            if good:
                words = change(column, found.told.item(place), [texts[sign] for sign in signs[:, which].tolist()])
                out[which] = Suggestion(
                    next(forms), f"{int(100 * found.probability[place])}", f"likeliest slip: {words}"
                )
            else:
                out[which] = Suggestion(words=_many(found.count.item(which), found.slips.item(which)))
        return out

    def _signs(self, wrong: Wrong, template: Template, code: Code, places: Sequence[int]) -> NDArray[np.uint16]:
        """The signs of codes of one shape as numbers (signs, codes), in the order in which they are written."""
        table = self._repairer.table
        spans = [cut.span for written in code.written for cut in written.cuts]
        if template.kind != Shape.EXACT:
            rows = [[wrong.texts[place][start:stop] for start, stop in spans] for place in places]
            numbers = table.numbers([sign for row in rows for sign in row])
            return np.array(numbers, np.uint16).reshape(len(places), len(spans)).T
        lane = {start: cut for cut, start in enumerate(template.starts)}
        tracks = [one.track for one in self.system.lanes for _ in range(one.track.cuts)]
        signs = np.zeros((len(spans), len(places)), np.uint16)
        for row, (start, stop) in enumerate(spans):
            cut = lane[start]
            depths, track = wrong.depths[cut, places], tracks[cut]
            signs[row] = np.array([*table.numbers(track.labels), 0], np.uint16)[depths]
            for number in np.flatnonzero(depths >= len(track.labels)).tolist():
                (signs[row, number],) = table.numbers([wrong.texts[places[number]][start:stop]])
        return signs

    def _one(self, text: str, rows: int) -> Suggestion | None:
        """That of one code; None past the limit."""
        if self.limit is not None and self._singles >= self.limit:
            self.unlooked += rows
            return None
        self._singles += 1
        code = parse_code(text, self.system)
        column = self._column(code)
        if isinstance(column, Suggestion):
            return column
        signs = np.array([self._repairer.table.numbers(signs_of(code))], np.uint16).T
        return self._suggestions(column, column.nearest(signs), signs)[0]


def _many(count: int, slips: int) -> str:
    """How many codes it may have been."""
    away = "one slip" if slips == 1 else "two slips"
    return f"{count:,} legal codes are {away} away" if count > 1 else f"one legal code is {away} away"
