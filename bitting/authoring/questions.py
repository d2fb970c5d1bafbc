"""What must be known of a system, as questions in the trade's words, each with its default and its check.

Answers are texts, whether they were typed at a question, given as an option, said in a chart or saved earlier; one check
serves all. `Answers.missing` is what is still to be asked; a chart fills in what it says, and what it says is not asked.

>>> given = Answers().with_answer("milling", "internal").with_answer("unit", "inches")
>>> given["milling"], given["unit"], given.default("measured")
('internal', 'in', 'own-edge')
>>> given.with_answer("unit", "furlong")
Traceback (most recent call last):
    ...
bitting.errors.BittingError: the unit is 'furlong'
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal, InvalidOperation
from itertools import pairwise

from attrs import evolve, field, frozen

from bitting.authoring.chart import Chart, falling, read_chart, split_rows
from bitting.errors import BittingError, did_you_mean
from bitting.systemfile.schema import Wrong, is_label, system_name

LEAVE_OUT = "-"
"""The answer that leaves a figure out of the file."""

Check = Callable[[str, "Answers"], str]
"""(what was answered, everything else) -> the answer as it is kept; raises `BittingError`."""


@frozen
class Question:
    """One question. `default` is offered (None: it must be answered; `LEAVE_OUT`: it may be left out).

    `applies` says whether it has to be asked at all, by the answers before it.
    """

    key: str
    text: str
    check: Check
    default: Callable[[Answers], str | None] = lambda answers: None  # noqa: ARG005
    applies: Callable[[Answers], bool] = lambda answers: True  # noqa: ARG005
    help: str = ""


@frozen
class Answers:
    """What is known so far: checked texts by the key of their question, and how a chart was read."""

    given: Mapping[str, str] = field(factory=dict)
    notes: tuple[str, ...] = ()

    def __getitem__(self, key: str) -> str:
        """The answer, or the default where none was given; `LEAVE_OUT` where there is neither."""
        return self.given.get(key) or self.default(key) or LEAVE_OUT

    def said(self, key: str) -> bool:
        """Whether it was answered, not taken by default."""
        return key in self.given

    def has(self, key: str) -> bool:
        """Whether there is a figure: it was not left out."""
        return self[key] != LEAVE_OUT

    def default(self, key: str) -> str | None:
        return QUESTIONS[key].default(self)

    def with_answer(self, key: str, text: str) -> Answers:
        """The same with one more answer. Raises `BittingError` where it is none."""
        question = QUESTIONS[key]
        if text.strip() == LEAVE_OUT and question.default(self) is not None:
            return evolve(self, given={**self.given, key: LEAVE_OUT})
        return evolve(self, given={**self.given, key: question.check(text.strip(), self)})

    def without(self, key: str) -> Answers:
        """The same as if that question had not been answered."""
        return evolve(self, given={k: v for k, v in self.given.items() if k != key})

    def asked(self) -> Iterator[Question]:
        return (question for question in QUESTIONS.values() if question.applies(self))

    def missing(self) -> list[Question]:
        """The questions that can't be done without and have no answer."""
        return [
            question for question in self.asked() if question.key not in self.given and question.default(self) is None
        ]

    def with_chart(self, chart: Chart) -> Answers:
        """The same with everything that a chart says; what was answered before stands, and rules hold beside each other."""
        known = evolve(self, notes=(*self.notes, *chart.notes))
        said = {"unit": chart.unit, **{key: chart.said[key] for key in chart.said if key in QUESTIONS}}
        tables = {"depths": _joined(chart.depths), "spaces": _joined(chart.spaces)}
        for key in QUESTIONS:  # in their order, as checks may look at what comes before
            text = said.get(key) or tables.get(key)
            if text and key == "rule" and known.given.get(key, LEAVE_OUT) != LEAVE_OUT:
                text += f" | {known.given[key]}"
                known = known.with_answer(key, " | ".join(dict.fromkeys(text.split(" | "))))
            elif text and key not in known.given:
                known = known.with_answer(key, text)
        if "spaces" not in known.given and {"first", "pitch", "count"} <= chart.said.keys():
            stated = " ".join(f"{key} {chart.said[key]}" for key in ("first", "pitch", "count"))
            known = known.with_answer("spaces", stated)
        return known


def _joined(table: Mapping[str, Mapping[str, str]] | Mapping[str, tuple[str, ...]]) -> str:
    """A chart's depths or spaces as the text of an answer: `1 8.60, 2 8.15; right: …`."""
    parts = []
    for track, values in table.items():
        row = (f"{label} {value}" for label, value in values.items()) if isinstance(values, Mapping) else values
        parts.append(
            (f"{track}: " if track else "") + (", ".join(row) if isinstance(values, Mapping) else " ".join(row))
        )
    return "; ".join(parts)


def depth_tables(text: str) -> dict[str, dict[str, str]]:
    """The answer about depths as track -> label -> dimension, "" for every track."""
    return {track: dict(pair.split() for pair in part.split(", ")) for track, part in _by_track(text)}


def space_lists(text: str) -> dict[str, tuple[str, ...]]:
    """The answer about spaces as track -> distances, "" for every track."""
    return {track: tuple(part.split()) for track, part in _by_track(text)}


def _by_track(text: str) -> Iterator[tuple[str, str]]:
    for part in text.split("; "):
        track, colon, rest = part.partition(": ")
        yield (track, rest) if colon else ("", part)


def _choice(what: str, **words: str) -> Check:
    """One of some words, each with other ways to say it."""

    def check(text: str, _: Answers) -> str:
        low = text.casefold()
        for word, others in words.items():
            if low in (word, word.replace("_", "-"), *others.split(",")):
                return word.replace("_", "-")
        known = [word.replace("_", "-") for word in words]
        begun = [word for word in known if low and word.startswith(low)]
        if len(begun) == 1:
            return begun[0]
        raise BittingError(
            f"the {what} is {text!r}", hint=f"{did_you_mean(text, known, str)}answer {' or '.join(known)}"
        )

    return check


def _length(what: str, least: float = 0.0, most: float = math.inf, unit: bool = True) -> Check:
    """A length in the chart's unit (or in the one written behind it), greater than `least`; kept as it was written."""

    def check(text: str, answers: Answers) -> str:
        found = re.fullmatch(r"(\d*[.,]?\d*)\s*(mm|in|inch|inches|\"|thou)?", text)
        number = found[1].replace(",", ".") if found else ""
        try:
            value = Decimal(number)
        except InvalidOperation:
            raise BittingError(f"the {what} is {text!r}", hint="answer with a number, such as 2.4") from None
        said = found[2] if found and unit else None
        own = answers["unit"]
        if said == "thou":
            value, said = value / 1000, "in"
        if said and (said == "mm") != (own == "mm"):
            value = (value * Decimal("25.4") if own == "mm" else value / Decimal("25.4")).quantize(Decimal("0.0001"))
        if not least < float(value) < most:
            limits = f"more than {least:g}" + (f" and less than {most:g}" if most < math.inf else "")
            raise BittingError(f"the {what} is {text!r}", hint=f"it must be {limits}")
        written = format(value, "f")
        return written if "." in written else f"{written}.0"

    return check


def _name(text: str, _: Answers) -> str:
    try:
        return str(system_name(text))
    except Wrong as wrong:
        raise BittingError(f"the name is {text!r}", hint=f"allowed is {wrong}") from None


def _line(what: str) -> Check:
    def check(text: str, _: Answers) -> str:
        if not text or not text.isprintable() or len(text) > 500:
            raise BittingError(f"the {what} is {text[:40]!r}", hint="answer with some words on one line")
        return text

    return check


def _depths(text: str, answers: Answers) -> str:
    """Labels with their dimensions, in any order; at least two, none twice."""
    tables = _tables(text, answers).depths if not _kept(text, rf"\S+ {_KEPT}(, \S+ {_KEPT})*") else depth_tables(text)
    for table in tables.values():
        if len(table) < 2:
            raise BittingError(f"{len(table)} depth found", hint="answer like this: 1 8.60, 2 8.15, 3 7.70")
        for label in table:
            if not is_label(label):
                raise BittingError(f"{label!r} can't be a depth's name", hint="letters and digits can")
        values = [float(value) for value in table.values()]
        twice = next((value for value in values if values.count(value) > 1), None)
        if twice is not None:
            raise BittingError(f"two depths have the dimension {twice:g}", hint="look at the chart again")
    return _joined(tables)


def _spaces(text: str, answers: Answers) -> str:
    """Distances that all grow or all shrink; or the first, the pitch and how many."""
    number = r"(-?\d+(?:[.,]\d+)?)"
    even = re.fullmatch(rf"first\s+{number},?\s+pitch\s+{number},?\s+count\s+([1-9]\d*)", text.strip(), re.IGNORECASE)
    if even:
        first, pitch = (Decimal(even[i].replace(",", ".")) for i in (1, 2))
        if pitch > 0 and not answers.has("stop"):
            raise BittingError(
                "which way the spaces run isn't known", hint="say first whether they run from tip or shoulder"
            )
        pitch = -pitch if pitch > 0 and answers["stop"] == "tip" else pitch
        row = [first + pitch * i for i in range(min(int(even[3]), 1000))]
        if min(row) < 0:
            raise BittingError("the spaces run past the stop", hint="look at first, pitch and count again")
        return " ".join(format(value, "f") for value in row)
    if _kept(text, rf"{_KEPT}( {_KEPT})*"):
        lists = space_lists(text)
    else:
        numbers = re.split(r"[\s;]+|,\s+|,(?=\d+\.)", text.strip())
        lists = {"": tuple(number.replace(",", ".").strip() for number in numbers if number)}
    for row_ in lists.values():
        try:
            way_ = falling(row_)
        except InvalidOperation:
            raise BittingError(f"the spaces are {text!r}", hint="answer like this: 21.4 19.1 16.8") from None
        if way_ is None and len(row_) > 1:
            raise BittingError(
                f"the spaces {' '.join(row_)} turn or repeat",
                hint="distances from the stop all grow or all shrink, from cut to cut",
            )
    return _joined(lists)


_KEPT = r"\d+(?:\.\d+)?"
"""A number as answers are kept: a point and no comma."""


def _kept(text: str, part: str) -> bool:
    """Whether a text is written as answers are kept."""
    return re.fullmatch(rf"(\w+: )?{part}(; (\w+: )?{part})*", text) is not None


def _tables(text: str, answers: Answers) -> Chart:
    rows = split_rows("\n".join(re.split(r";\s*|,\s+|\n", text)))
    return read_chart(rows, answers.given.get("unit"))


def _count(text: str, _: Answers) -> str:
    if not re.fullmatch(r"\d{1,2}", text):
        raise BittingError(f"the number of depths is {text!r}", hint="answer with a whole number, such as 2")
    return text


def _tracks(text: str, _: Answers) -> str:
    names = re.split(r"[\s,]+|\s+and\s+", text.replace(" and ", " ").strip())
    if not 1 <= len(names) <= 2 or not all(name.isidentifier() for name in names):
        raise BittingError(f"the tracks are {text!r}", hint="answer with one or two names, such as left right")
    return " ".join(names)


def _rule(text: str, _: Answers) -> str:
    return " | ".join(part.strip() for part in re.split(r"[|\n]", text) if part.strip())


def _milled(answers: Answers) -> bool:
    return answers["milling"] != "edge"


def _round(answers: Answers) -> bool:
    return answers["shape"] == "round"


def _of(value: str | None) -> Callable[[Answers], str | None]:
    return lambda answers: value  # noqa: ARG005


def _measured_default(answers: Answers) -> str:
    return "own-edge" if answers["milling"] == "internal" else "far-edge"


def _tracks_default(answers: Answers) -> str:
    named = [
        track for key in ("depths", "spaces") if key in answers.given for track, _ in _by_track(answers.given[key])
    ]
    return " ".join(dict.fromkeys(filter(None, named))) or "left right"


def _stop_default(answers: Answers) -> str | None:
    """Cuts are numbered from the bow, so their distances shrink where they run from the tip."""
    spaces = answers.given.get("spaces")
    if spaces is None:
        return None
    row = next(iter(space_lists(spaces).values()))
    way = falling(row) if len(row) > 1 else None
    return None if way is None else "tip" if way else "shoulder"


def in_unit(answers: Answers, mm: float) -> str:
    """A length that is usual, given in mm, in the unit of the answers."""
    return f"{mm:g}" if answers["unit"] == "mm" else f"{mm / 25.4:.3g}"


def _tolerance_default(answers: Answers) -> str | None:
    """A ninth of the smallest step (common practice for a finished cut)."""
    if "depths" not in answers.given:
        return LEAVE_OUT
    steps = [
        abs(b - a)
        for table in depth_tables(answers.given["depths"]).values()
        for a, b in pairwise(sorted(map(float, table.values())))
    ]
    return f"{min(steps) / 9:.2g}" if steps else LEAVE_OUT


def _steepest_default(answers: Answers) -> str:
    """A little more than the flanks of the vee have; 60 degrees for a round cutter (common practice)."""
    if _round(answers) or not answers.has("angle"):
        return "60"
    return f"{math.ceil(90 - float(answers['angle']) / 2) + 5:g}"


_UNIT = _choice("unit", mm="millimetres,millimeters", **{"in": 'inch,inches,thou,"'})
_WHERE = _choice(
    "place depths are measured from", far_edge="far,opposite,metal-left", own_edge="own,near", centre="center,middle"
)
_STOP = _choice("stop", tip="t", shoulder="s,bow")

_ASK = (
    Question("name", "What shall the system be called?", _name, help="one word; commands name it so"),
    Question(
        "milling", "What kind of key: external (milled along the edges of its faces), internal (milled up the middle) or edge?",
        _choice("kind of key", external="e,ext,outside", internal="i,int,inside", edge="cylinder,edge-cut"),
        _of("external"), help="edge: cuts go through the whole thickness, as on an ordinary door key",
    ),
    Question("unit", "Is the chart in mm or in inches?", _UNIT),
    Question(
        "depths", "The depths: each label and its dimension (1 8.60, 2 8.15, …)", _depths,
        help="as the chart has them, in any order; a decimal comma will do",
    ),
    Question(
        "measured", "Where does a depth's dimension run from: far-edge (metal left, to the opposite edge), own-edge or centre?",
        _WHERE, _measured_default, help="own-edge: from the track's own edge to the wall; centre: from the middle of the blade",
    ),
    Question("stop", "Do distances run from the tip or from the shoulder?", _STOP, _stop_default),
    Question(
        "spaces", "The spaces: the distance of each cut's centre from the stop, cut 1 (at the bow) first", _spaces,
        help="21.4 19.1 16.8, or: first 21.4 pitch 2.3 count 7",
    ),
    Question(
        "tracks", "Which tracks carry cuts on one side: left right, or one of them?", _tracks, _tracks_default, _milled,
        help="seen from the bow to the tip with the key lying flat",
    ),
    Question(
        "sides", "On how many sides is it cut: one, alike (both sides carry the same cuts) or different?",
        _choice("number of sides", one="1,single", alike="both,two,2,same,convenience", different="differ,own"),
        lambda answers: "one" if not _milled(answers) else "alike",
    ),
    Question("width", "How wide is the blade? (- leaves it out)", _length("blade's width"), _of(LEAVE_OUT)),
    Question("thickness", "How thick is the blade?", _length("blade's thickness"), _of(LEAVE_OUT)),
    Question("mill-depth", "How deep is a track milled into its face?", _length("milling depth"), _of(LEAVE_OUT), _milled),
    Question(
        "prepared", "How far in from each edge does the blank come milled already? (- not at all)", _length("prepared edge"),
        _of(LEAVE_OUT), lambda answers: answers["milling"] == "external",
    ),
    Question(
        "macs", "How many depths may neighbouring cuts differ by? (- if the chart doesn't say)", _count, _of(LEAVE_OUT),
        help="the maximum adjacent cut specification, MACS",
    ),
    Question(
        "rule", "Other rules, as sentences, with | between them (- none)", _rule, _of(LEAVE_OUT),
        help="for example: no more than 2 equal cuts in a row | first cut is not 5 (`bitting docs rules` has them all)",
    ),
    Question(
        "shape", "Is it cut with a round end mill or a vee?", _choice("cutter", round="r,end-mill", vee="v"),
        lambda answers: "round" if _milled(answers) else "vee",
    ),
    Question("cutter", "What is the diameter of the end mill?", _length("cutter's diameter"), _of(LEAVE_OUT), _round),
    Question(
        "angle", "What is the vee's included angle, in degrees?", _length("angle", 0, 180, unit=False), _of(LEAVE_OUT),
        lambda answers: not _round(answers),
    ),
    Question(
        "root", "How wide is the flat at the vee's point?", _length("flat", -1), _of(LEAVE_OUT),
        lambda answers: not _round(answers),
    ),
    Question(
        "seat", "How wide is the flat on which a tumbler rests?", _length("seat"),
        lambda answers: in_unit(answers, 0.3) if _round(answers) else answers.given.get("root", LEAVE_OUT),
    ),
    Question(
        "steepest", "How steep a wall does a tumbler climb, in degrees to the blade's length?",
        _length("angle", 0, 90.1, unit=False), _steepest_default,
    ),
    Question("tolerance", "How far off may a finished cut be?", _length("tolerance"), _tolerance_default),
    Question("source", "Where does the chart come from?", _line("source"), _of("my own chart")),
    Question(
        "about", "What shall lists of systems say of it? (Enter: made from the answers)", _line("description"),
        _of(LEAVE_OUT),
    ),
)  # fmt: skip

QUESTIONS: Mapping[str, Question] = {question.key: question for question in _ASK}
"""Every question by its key, in the order in which they are asked."""
