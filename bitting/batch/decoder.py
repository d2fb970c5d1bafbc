"""From the text of a row to what is said of the key: the one place where a table of readings meets the decoder.

Keys read alike share one simulation of how well a key fits.

What isn't sure says why in `findings`, and names the cuts that are worth measuring again, the most doubtful first. A key that
doesn't fit gets no code at all: nothing that could be pasted from a table.
"""

from __future__ import annotations

from collections.abc import Sequence

from attrs import field, frozen

from bitting.batch.judge import one_line
from bitting.batch.output import Row
from bitting.decoding import SURE, Decoded, Decoder
from bitting.decoding.listing import AS_GIVEN
from bitting.decoding.model import Made, as_shown, caliper_step, model_with
from bitting.decoding.result import Kind
from bitting.errors import BittingError
from bitting.model import Readings, System
from bitting.notation import parse_readings
from bitting.text import cut_name, percent

DOUBTFUL = 6
"""So many doubtful cuts are named in a row."""
TOGETHER = 100
"""Keys that are decoded together."""


@frozen
class Choices:
    """What was said of all keys of a table; see the options of `decode`."""

    unit: str | None = None
    sure: float = field(default=SURE)
    made: Made | None = None
    wear: str | None = None
    caliper: str | None = None

    @sure.validator
    def _probability(self, _: object, value: float) -> None:
        if not 0 < value <= 1:
            raise BittingError(
                f"the limit for sure is {value} and must be a probability above 0, up to 1",
                hint="the usual one is 0.95",
            )


class KeyDecoder:
    """Reader and decoder of one system, made ready once."""

    def __init__(self, system: System, choices: Choices) -> None:
        model = model_with(system, made=choices.made, wear=choices.wear, caliper=choices.caliper)
        self.unit, self.step = choices.unit, caliper_step(choices.caliper, system)
        self.decoder = Decoder(system, model)
        self.sure = choices.sure

    def rows(self, texts: Sequence[str]) -> list[Row]:
        """What is said of each text, in order."""
        rows: dict[int, Row] = {}
        keys: list[tuple[int, Readings]] = []
        for number, text in enumerate(texts):
            try:
                readings = (
                    as_shown(parse_readings(text, self.decoder.system, self.unit), self.step) if text.strip() else None
                )
            except BittingError as fault:
                rows[number] = Row("unreadable", findings=one_line(fault))
                continue
            if readings is None:
                rows[number] = Row("empty")
            elif any(cut.readings for cut in readings.cuts):
                keys.append((number, readings))
            else:
                rows[number] = Row("unreadable", findings="nothing was measured: every value is open")
        for start in range(0, len(keys), TOGETHER):
            part = keys[start : start + TOGETHER]
            rows.update(zip([number for number, _ in part], self._decoded([key for _, key in part]), strict=True))
        return [rows[number] for number in range(len(texts))]

    def _decoded(self, keys: Sequence[Readings]) -> list[Row]:
        """The rows of some keys; where one can't be decoded, each is asked for by itself."""
        try:
            return [_row(answer, self.decoder.system) for answer in self.decoder.decode_many(keys, 2, self.sure)]
        except BittingError as fault:
            if len(keys) == 1:
                return [Row("unreadable", findings=one_line(fault))]
            return [row for key in keys for row in self._decoded([key])]


def _row(answer: Decoded, system: System) -> Row:
    """The row of a key that was decoded."""
    if answer.verdict == "no-fit":
        words = (
            f"doesn't fit {system.name}: of its keys only {answer.fit.p_value:.1%} read so far from their code "
            f"(limit {answer.fit.limit:.0%}); measure again, or try other systems"
        )
        return Row("no-fit", findings=words)
    taken = "" if answer.listed == AS_GIVEN else f"the list was taken: {answer.listed}"
    if answer.verdict == "sure":
        return Row("sure", answer.code, taken, probability=answer.probability)
    words = f"{percent(answer.probability)} {_why(answer)}; {taken and f'{taken}; '}{_doubts(answer, system)}"
    second = answer.candidates[1] if len(answer.candidates) > 1 else None
    if second is not None:
        words += f"; next best {percent(second.probability)}"
    return Row("unsure", answer.code, words, second.code if second else "", probability=answer.probability)


MOST_DEPTHS = 4
"""Depths that a cut to be measured again is said to be one of, at most."""
WHY: dict[Kind, str] = {
    "listing": "the list may have been taken otherwise",
    "not read": "a cut has no reading that can be used",
    "half a step off": "a cut reads half a step from its depth",
    "lists disagree": "the lists disagree on a cut",
    "wrong place": "a place along the blade is off",
    "other end": "the places fit only as measured from the blade's other end",
    "jaw": "wide jaws may explain the readings as well",
}
"""What each kind of doubt says in a row."""


def _why(answer: Decoded) -> str:
    """Why an answer isn't sure."""
    if answer.probability < answer.sure_limit:
        return f"is below {answer.sure_limit:.0%}"
    return f"but {' and '.join(dict.fromkeys(WHY[doubt.kind] for doubt in answer.doubts) or [WHY['listing']])}"


def _doubts(answer: Decoded, system: System) -> str:
    """The cuts to measure again, the most doubtful first, each with what it may be."""
    named = {(doubt.side, doubt.track, doubt.cut) for doubt in answer.doubts}
    doubtful = [c for c in answer.cuts if c.confidence < answer.sure_limit or (c.side, c.track, c.cut) in named]
    doubtful.sort(key=lambda cut: cut.confidence)
    if not doubtful:
        return (
            f"no single cut is in doubt{'' if answer.doubts else ', but small doubts add up'}: measure every cut again"
        )
    several = len(system.tracks) > 1
    again = []
    for cut in doubtful[:DOUBTFUL]:
        name = cut_name(cut.side, cut.track if several else "cut", cut.cut)
        likely = [cut.depth, *(a.depth for a in cut.alternatives if a.probability >= 0.01)]
        again.append(f"{name} ({' or '.join(likely) if len(likely) <= MOST_DEPTHS else 'any depth'})")
    more = f" and {len(doubtful) - DOUBTFUL} more" if len(doubtful) > DOUBTFUL else ""
    return f"measure again {', '.join(again)}{more}"
