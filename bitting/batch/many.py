"""Many codes at once: a verdict for each, and everything else when it is asked for.

`check_many` answers what `bitting.check` would answer for every text of a list, as arrays. Texts are read by shape
(`bitting.batch.shapes`) and judged by a walk over the diagram's tables (`bitting.diagram.walk`); canonical forms and
findings are made only for the texts somebody asks about, findings once per distinct text.

>>> from bitting.systemfile import load_system
>>> many = check_many(load_system("plover"), ["2133345 1123421", "2933345 1123421", "", "2 1 // 3"])
>>> [Verdict(v).word for v in many.verdict]
['legal', 'illegal', 'empty', 'unreadable']
>>> many.canonical[0]
'left: 2 1 3 3 3 4 5 / right: 1 1 2 3 4 2 1'
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bitting.arrays import Bytes
from bitting.batch.judge import CHUNK, Judge, Judged, Verdict, canonical_forms
from bitting.errors import BittingError
from bitting.model import Finding, System
from bitting.model.expect import expect
from bitting.notation import parse_code


class CheckedMany:
    """Verdicts of many texts, in their order. `verdict` is a uint8 array of `Verdict`, `legal` the same as booleans."""

    def __init__(self, judge: Judge, texts: Sequence[str], judged: Sequence[Judged]) -> None:
        self._judge = judge
        self._texts = texts
        self._judged = judged
        self._verdict: Bytes = np.concatenate([part.verdict for part in judged]) if judged else np.zeros(0, np.uint8)
        self._verdict.setflags(write=False)

    def __len__(self) -> int:
        return len(self.verdict)

    def __repr__(self) -> str:
        counts = ", ".join(f"{number} {word}" for word, number in self.counts.items())
        return f"CheckedMany({self._judge.system.name}: {counts})"

    @property
    def system(self) -> System:
        """The system that the texts were checked against."""
        return self._judge.system

    @property
    def verdict(self) -> Bytes:
        """The `Verdict` of each text."""
        return self._verdict

    @property
    def legal(self) -> NDArray[np.bool_]:
        """Which texts are legal codes."""
        legal: NDArray[np.bool_] = self.verdict == Verdict.LEGAL
        return legal

    @property
    def counts(self) -> dict[str, int]:
        """How many texts have each verdict."""
        numbers = np.bincount(self.verdict, minlength=len(Verdict))
        return {verdict.word: int(numbers[verdict]) for verdict in Verdict}

    @cached_property
    def canonical(self) -> list[str | None]:
        """The canonical form of each text; None where a cut or a depth is wrong, or nothing could be read."""
        out: list[str | None] = []
        for part in self._judged:
            out.extend(canonical_forms(self.system, part))
        return out

    def findings(self, number: int) -> tuple[Finding, ...]:
        """The findings of one text (numbered from 0), as `bitting.check` gives them; none where it can't be read."""
        text = self._texts[number]
        if self.verdict[number] in (Verdict.EMPTY, Verdict.UNREADABLE):
            return ()
        return self._judge.explainer.findings(parse_code(text, self.system))

    def message(self, number: int) -> str:
        """What is wrong with one text (numbered from 0), in one line; of an unreadable one why it can't be read."""
        return self._judge.answer(self._texts[number]).message

    def as_dict(self) -> dict[str, Any]:
        """The counts, as the `batch` command has them."""
        return {"rows": len(self), **self.counts}


def _missing(item: object) -> bool:
    """Whether an item is how tables write an empty cell: None, or what isn't equal to itself (NaN, NaT; pandas' NA)."""
    if item is None:
        return True
    try:
        return bool(item != item)
    except TypeError:  # pandas' NA has no truth
        return True
    except ValueError:  # neither has an array, which is something
        return False


def check_many(system: System, texts: Iterable[str | None]) -> CheckedMany:
    """Check many codes against one system: a verdict for each, in order. None, NaN, a table's NA and "" are empty.

    Raises BittingError where an item is no text (a number has lost its leading zeros before it comes here), and for one
    text or a table in place of a list.
    """
    expect(System, system)
    if isinstance(texts, str) or not isinstance(texts, Iterable) or getattr(texts, "ndim", 1) != 1:
        one = "one text" if isinstance(texts, str) else f"a value of type {type(texts).__name__}"
        raise BittingError(
            f"{'a whole table' if hasattr(texts, 'ndim') else one} stands where a list of texts is wanted",
            hint="give a list or one column; `bitting.check` is for one code",
        )
    listed = [text if isinstance(text, str) else _empty(number, text) for number, text in enumerate(texts)]
    judge = Judge(system)
    judged = [judge.judge(listed[start : start + CHUNK]) for start in range(0, len(listed), CHUNK)]
    return CheckedMany(judge, listed, judged)


def _empty(number: int, item: object) -> str:
    """The empty text for an item that is missing; BittingError for any other that is no text."""
    if not _missing(item):
        raise BittingError(
            f"item {number} is {item!r}, which is no text",
            hint="give codes as text: a number has no leading zeros and no blanks",
        )
    return ""
