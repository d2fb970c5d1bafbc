"""Rows of readings: many keys of a table decoded, a verdict, a code and its probability for each.

A `ReadingsDesk` serves one run, with a decoder per system; keys read alike share one simulation of how well a key fits.
Texts are read by their *shape* (every digit a 0): the first of a shape is parsed by the grammar, and what follows takes
its places over and reads only the numbers, which is some twenty times faster and gives the same readings.

What isn't sure says why in `findings`, and names the cuts that are worth measuring again, the most doubtful first.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Sequence
from decimal import Decimal

from attrs import define, evolve, field, frozen

from bitting.batch.check_rows import safe
from bitting.decoding import SURE, Decoded, Decoder
from bitting.decoding.model import Made, caliper_step, model_with
from bitting.errors import BittingError
from bitting.model import ReadCut, Reading, Readings, System
from bitting.notation import parse_readings
from bitting.notation.readings import UNITS, check_plausible

VERDICTS = ("sure", "unsure", "no-fit", "unreadable", "empty")
GOOD = ("sure", "empty")
SHAPES = 20_000
"""Shapes of texts that are remembered."""
DOUBTFUL = 6
"""So many doubtful cuts are named in a row."""
TOGETHER = 100
"""Keys that are decoded together."""
_NUMBER = re.compile(r"[0-9]*[.,]?[0-9]+")


@frozen
class ReadRow:
    """The added cells of one row."""

    verdict: str
    canonical: str = ""
    probability: str = ""
    findings: str = ""
    suggestion: str = ""

    @property
    def cells(self) -> tuple[str, str, str, str, str]:
        """The cells in the order of the columns, none of which a spreadsheet takes for a formula."""
        return self.verdict, safe(self.canonical), self.probability, safe(self.findings), safe(self.suggestion)


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


@define(eq=False)
class Reader:
    """Reads texts for one system, by their shapes."""

    system: System
    unit: str | None = None
    step: float = 0.0
    _shapes: dict[str, Readings | None] = field(init=False, factory=dict)

    def read(self, text: str) -> Readings:
        """The readings of a text; BittingError as `parse_readings` raises it."""
        shape = re.sub("[0-9]", "0", text)
        known = self._shapes.get(shape)
        if known is not None:
            return self._filled(known, text)
        readings = parse_readings(text, self.system, self.unit)
        if self.step:
            readings = evolve(readings, cuts=tuple(self._coarse(cut) for cut in readings.cuts))
        if len(self._shapes) < SHAPES and _plain(text, readings):
            self._shapes[shape] = readings
        return readings

    def _coarse(self, cut: ReadCut) -> ReadCut:
        return evolve(cut, readings=tuple(evolve(r, digit=max(r.digit, self.step)) for r in cut.readings))

    def _filled(self, known: Readings, text: str) -> Readings:
        """The readings of a text that is written like one already read."""
        factor = UNITS[known.unit] / UNITS[self.system.unit]
        cuts = []
        for cut in known.cuts:
            several = []
            for reading in cut.readings:
                number = _NUMBER.match(text, reading.span[0])
                if number is None:
                    return parse_readings(text, self.system, self.unit)
                figure = number[0].replace(",", ".")
                value = float(figure) if factor == 1 else float(Decimal(figure) * factor)
                several.append(Reading(value, None, reading.digit, reading.span))  # `_plain` has no limits of its own
            cuts.append(ReadCut(cut.side, cut.track, cut.cut, tuple(several), cut.place))
        readings = evolve(known, text=text, cuts=tuple(cuts))
        check_plausible(readings, named=re.search("[A-Za-z]", text) is not None and _names_unit(text))
        return readings


def _names_unit(text: str) -> bool:
    return re.search(r"[0-9]\s*(mm|in|thou)\b", text, re.IGNORECASE) is not None


def _plain(text: str, readings: Readings) -> bool:
    """Whether texts of this shape differ in their values alone: no limits, no places, no number of too many digits."""
    if not text.isascii() or re.search(r"[0-9]{6}|[#@]|\+", text):
        return False
    return all(r.own_sd is None for cut in readings.cuts for r in cut.readings)


@define(eq=False)
class ReadingsDesk:
    """Decodes the rows of one table. `load` finds a system by its name; `default` is the one of `-s`, if given."""

    load: Callable[[str], System]
    default: System | None
    choices: Choices = field(factory=Choices)
    counts: Counter[str] = field(init=False, factory=Counter)
    _ready: dict[str, tuple[Reader, Decoder] | str] = field(init=False, factory=dict)

    def decode(self, texts: Sequence[str], systems: Sequence[str] | None = None) -> list[ReadRow]:
        """The cells of some rows, in order; `systems` names the system of each, "" the default."""
        rows: list[ReadRow | None] = [None] * len(texts)
        by_name: dict[str, list[int]] = {}
        for number in range(len(texts)):
            by_name.setdefault(systems[number].strip() if systems else "", []).append(number)
        for name, numbers in by_name.items():
            ready = self._of(name)
            for number, row in zip(numbers, _rows(ready, [texts[n] for n in numbers], self.choices.sure), strict=True):
                rows[number] = row
        return [row for row in rows if row is not None]

    def prepare(self) -> None:
        """Make the default system ready. Raises BittingError where it, or what was said of the keys, can't be used."""
        if self.default is not None:
            self._ready[""] = self._made(self.default)

    def count(self, rows: Sequence[ReadRow]) -> None:
        """Count the verdicts of some rows."""
        self.counts.update(row.verdict for row in rows)

    def _of(self, name: str) -> tuple[Reader, Decoder] | str:
        """Reader and decoder of a system, or why there is none."""
        if name not in self._ready:
            self._ready[name] = self._find(name)
        return self._ready[name]

    def _find(self, name: str) -> tuple[Reader, Decoder] | str:
        if not name:
            return "no system is named in this row" if self.default is None else self._made(self.default)
        if self.default is not None and self.default.name == name:
            return self._of("")
        try:
            return self._made(self.load(name))
        except BittingError as fault:
            return fault.message

    def _made(self, system: System) -> tuple[Reader, Decoder]:
        said = self.choices
        model = model_with(system, made=said.made, wear=said.wear, caliper=said.caliper)
        return Reader(system, said.unit, caliper_step(said.caliper, system)), Decoder(system, model)


def _rows(ready: tuple[Reader, Decoder] | str, texts: Sequence[str], sure: float) -> list[ReadRow]:
    """The rows of keys of one system."""
    if isinstance(ready, str):
        return [ReadRow("unreadable", findings=ready) if text.strip() else ReadRow("empty") for text in texts]
    reader, decoder = ready
    rows: dict[int, ReadRow] = {}
    keys: list[tuple[int, Readings]] = []
    for number, text in enumerate(texts):
        if not text.strip():
            rows[number] = ReadRow("empty")
            continue
        try:
            readings = reader.read(text)
        except BittingError as fault:
            rows[number] = _unreadable(fault)
            continue
        if any(cut.readings for cut in readings.cuts):
            keys.append((number, readings))
        else:
            rows[number] = ReadRow("unreadable", findings="nothing was measured: every value is open")
    for start in range(0, len(keys), TOGETHER):
        part = keys[start : start + TOGETHER]
        for (number, _), row in zip(part, _decoded(decoder, [key for _, key in part], sure), strict=True):
            rows[number] = row
    return [rows[number] for number in range(len(texts))]


def _decoded(decoder: Decoder, keys: Sequence[Readings], sure: float) -> list[ReadRow]:
    """The rows of some keys; where one can't be decoded, each is asked for by itself."""
    try:
        return [_row(answer, decoder.system) for answer in decoder.decode_many(keys, 2, sure)]
    except BittingError as fault:
        if len(keys) == 1:
            return [_unreadable(fault)]
        return [row for key in keys for row in _decoded(decoder, [key], sure)]


def _unreadable(fault: BittingError) -> ReadRow:
    """Where in the text it is wrong, and what to do, in one cell."""
    found = ""
    if fault.text is not None and fault.span is not None:
        piece = fault.text[slice(*fault.span)].strip()
        found = f" at '{piece[:40]}' (character {fault.span[0] + 1})" if piece else f" at character {fault.span[0] + 1}"
    hint = f"; {fault.hint}" if fault.hint else ""
    return ReadRow("unreadable", findings=" ".join(f"{fault.message}{found}{hint}".split()))


def _row(answer: Decoded, system: System) -> ReadRow:
    """The row of a key that was decoded."""
    second = answer.candidates[1] if len(answer.candidates) > 1 else None
    words = ""
    if answer.verdict == "no-fit":
        words = (
            f"doesn't fit {system.name}: of its keys only {answer.fit.p_value:.1%} read so far from their code "
            f"(limit {answer.fit.limit:.0%}); measure again, or try other systems"
        )
    elif answer.verdict == "unsure":
        words = f"{_why(answer)}; {_doubts(answer, system)}"
        if second is not None:
            words += f"; next best {_percent(second.probability)}"
    if answer.listed != "as given":
        words = "; ".join(filter(None, (f"the list was taken: {answer.listed}", words)))
    fits = answer.verdict != "no-fit"
    suggestion = second.code if second is not None and answer.verdict == "unsure" else ""
    return ReadRow(
        answer.verdict,
        answer.code if fits else "",
        f"{math.floor(answer.probability * 1e4) / 1e4:.4f}",
        words,
        suggestion,
    )


def _why(answer: Decoded) -> str:
    """Why an answer isn't sure."""
    if answer.probability < answer.sure_limit:
        return f"{_percent(answer.probability)} is below {answer.sure_limit:.0%}"
    kinds = dict.fromkeys(doubt.kind for doubt in answer.doubts)
    told = {
        "listing": "the list may have been taken otherwise",
        "not read": "a cut has no reading that can be used",
        "half a step off": "readings that agree lie half a step from their depth",
        "wrong place": "a place along the blade is off",
    }
    return " and ".join(told[kind] for kind in kinds) or "how the list was taken is in doubt"


def _doubts(answer: Decoded, system: System) -> str:
    """The cuts to measure again, the most doubtful first, each with what it may be."""
    doubtful = sorted((c for c in answer.cuts if c.confidence < answer.sure_limit), key=lambda cut: cut.confidence)
    if not doubtful:
        return "no single cut is in doubt, but small doubts add up: measure every cut again"
    several = len(system.tracks) > 1
    named = []
    for cut in doubtful[:DOUBTFUL]:
        name = " ".join(filter(None, (cut.side, cut.track if several else "cut", str(cut.cut))))
        depths = " or ".join([cut.depth, *(a.depth for a in cut.alternatives[:2] if a.probability >= 0.01)])
        named.append(f"{name} ({depths})")
    more = f" and {len(doubtful) - DOUBTFUL} more" if len(doubtful) > DOUBTFUL else ""
    return f"measure again {', '.join(named)}{more}"


def _percent(probability: float) -> str:
    return f"{math.floor(probability * 1000) / 10:.1f} %"
