r"""Reading tables whose keys are listed: every fault of a file is gathered, none stops the rest.

A `Key` says how one key is read and whether it has to be there; `Faults` gathers one line per fault, each with its
path in the file, so that a file with five slips is mended in one go.

>>> from bitting.systemfile.schema import number
>>> faults = Faults("finch.toml")
>>> keys = (Key("width", number("a length", above=0)), Key("thickness"))
>>> read_table({"width": -1, "thicknes": 2}, "blade", keys, faults)
{}
>>> print("\n".join(faults.lines))
finch.toml: blade.width: found -1; allowed: a length greater than 0
finch.toml: blade.thicknes: found this key; allowed: width, thickness (did you mean thickness?)

What one value of a file may be is a `Kind`: it reads what TOML gave, or raises `Wrong` with the sentence that says what is
allowed, and it says the same as JSON Schema, as far as that can. It knows nothing of tables or files: the caller adds the
place and what was found. `json_schema` puts the tables below together for editors, so reading, error texts and schema come
from the same lines.

>>> number("a length", above=0)(7)
7.0
>>> number("a length", above=0)(True)
Traceback (most recent call last):
    ...
bitting.systemfile.schema.Wrong: a length greater than 0

**The keys of a system file**, table by table, are the reference of the format, which the reader follows. A key without a
reader needs more than its own value to be judged and is read in `build`. Lengths are in the unit that `[system]` states.
What is optional and absent stays unsaid (None); the command that needs it says which line to add.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from bitting.errors import nearest
from bitting.model.system import RESERVED, WORD

Json = Mapping[str, Any]
"""A part of a JSON Schema."""


class Kind(NamedTuple):
    """What one value may be: `read` gives the value worked with or raises `Wrong`; `schema` says the same to editors."""

    read: Callable[[Any], Any]
    schema: Json

    def __call__(self, value: Any) -> Any:
        """The value as it is worked with."""
        return self.read(value)


_WORD = re.compile(WORD)

MOST_CUTS = 1000
MOST_TEXT = 2000


class Wrong(ValueError):
    """The value is not allowed; the text says what is. `item` is the place of the culprit where the value is a list."""

    def __init__(self, allowed: str, item: int | None = None) -> None:
        super().__init__(allowed)
        self.item = item


def describe(value: Any, most: int = 40) -> str:
    """A TOML value as it is told to the person who wrote it: short, on one line, with its type where that is the fault.

    >>> describe(True), describe("a\\nb"), describe([1, 2]), describe({"a": 1})
    ('the truth value true', '"a\\\\nb"', 'a list of 2', 'a table')
    """
    if isinstance(value, bool):
        return f"the truth value {str(value).lower()}"
    if isinstance(value, str):
        inner = value if len(value) <= most else value[: most - 1] + "…"
        return '"' + inner.encode("unicode_escape").decode("ascii") + '"' if not inner.isprintable() else f'"{inner}"'
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a very large whole number"
    if isinstance(value, int | float):
        return str(value)
    if isinstance(value, list):
        return f"a list of {len(value)}" if value else "an empty list"
    return "a table" if isinstance(value, dict) else "a date or time"


def _such(allowed: str, sound: Callable[[Any], bool], schema: Json) -> Kind:
    """A value that is taken as it stands, where it is sound."""

    def read(value: Any) -> Any:
        if not sound(value):
            raise Wrong(allowed)
        return value

    return Kind(read, schema)


def one_of(*options: str) -> Kind:
    """One of these words, exactly."""
    allowed = " | ".join(f'"{option}"' for option in options)
    return _such(allowed, lambda value: isinstance(value, str) and value in options, {"enum": list(options)})


def number(
    what: str,
    *,
    above: float | None = None,
    least: float | None = None,
    below: float = math.inf,
    most: float = math.inf,
) -> Kind:
    """A finite number, whole or not, within limits; a truth value is none."""
    limits = [
        f"{word} {limit:g}"
        for word, limit in (("greater than", above), ("at least", least), ("less than", below), ("at most", most))
        if limit is not None and limit != math.inf
    ]
    allowed = what + (" " + " and ".join(limits) if limits else "")

    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Wrong(allowed)
        if isinstance(value, int) and abs(value) >= 10**15:
            raise Wrong(allowed)
        result = float(value)
        if not math.isfinite(result) or (above is not None and not result > above):
            raise Wrong(allowed)
        if (least is not None and result < least) or result >= below or result > most:
            raise Wrong(allowed)
        return result

    bounds = {"exclusiveMinimum": above, "minimum": least, "exclusiveMaximum": below, "maximum": most}
    stated = {word: limit for word, limit in bounds.items() if limit is not None and math.isfinite(limit)}
    return Kind(read, {"type": "number", **stated})


def whole(what: str, least: int, most: int) -> Kind:
    """A whole number within limits, written as one: `7`, not `7.0`."""
    return _such(
        f"{what} from {least} to {most}",
        lambda value: isinstance(value, int) and not isinstance(value, bool) and least <= value <= most,
        {"type": "integer", "minimum": least, "maximum": most},
    )


truth = _such("true | false", lambda value: isinstance(value, bool), {"type": "boolean"})
"""`true` or `false`."""

text = _such(
    f"some text on one line, at most {MOST_TEXT} characters",
    lambda value: isinstance(value, str) and bool(value.strip()) and len(value) <= MOST_TEXT and value.isprintable(),
    {"type": "string", "maxLength": MOST_TEXT, "pattern": r"\S"},
)
"""Some text on one line."""


def _sentences(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise Wrong('a list of sentences, such as ["adjacent cuts differ by at most 2"]')
    for i, item in enumerate(value):
        if not isinstance(item, str):
            raise Wrong('a sentence, such as "adjacent cuts differ by at most 2"', i)
    return tuple(value)


sentences = Kind(_sentences, {"type": "array", "items": {"type": "string"}})
"""A list of texts: the rules."""


def is_word(name: str) -> bool:
    """Whether the notation can read it as one word that starts with a letter."""
    return len(name) <= 40 and _WORD.fullmatch(name) is not None and name[0].isalpha()


def _a_word(value: Any) -> str:
    if not isinstance(value, str) or not is_word(value):
        raise Wrong("one word of letters, digits and _, that starts with a letter")
    if value.casefold() in RESERVED:
        raise Wrong(f"a word that the notation does not use itself; {', '.join(RESERVED)} can't be names")
    return value


_A_WORD = {"type": "string", "maxLength": 40, "pattern": f"^(?![0-9_]){_WORD.pattern}$"}
word = Kind(_a_word, _A_WORD)
"""A name for a side or a track."""


def _several_words(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value:
        raise Wrong('a list of names, such as ["top", "bottom"]')
    for i, item in enumerate(value):
        try:
            name = word(item)
        except Wrong as wrong:
            raise Wrong(str(wrong), i) from None
        if name.casefold() in {other.casefold() for other in value[:i]}:
            raise Wrong("names that differ by more than capitals", i)
    return tuple(value)


words = Kind(_several_words, {"type": "array", "minItems": 1, "uniqueItems": True, "items": _A_WORD})
"""A list of names, each different from the others whatever its capitals."""


system_name = _such(
    "one word of letters, digits, - and _, that starts with a letter",
    lambda value: isinstance(value, str) and is_word(value.replace("-", "_")),
    {"type": "string", "maxLength": 40, "pattern": f"^(?![0-9_-])[-{_WORD.pattern[1:]}$"},
)
"""A name that a command line can take without quotes, and that is no path."""


def is_label(label: str) -> bool:
    """Whether the notation can read it as a depth; the word `from` would be taken for its own."""
    return len(label) <= 20 and _WORD.fullmatch(label) is not None and label.casefold() != "from"


def names(values: Sequence[str]) -> str:
    """Names in a row, as they are told to people.

    >>> names(["left", "right"])
    'left, right'
    """
    return ", ".join(values)


class Key(NamedTuple):
    """One key of a table: how its value is read (None: by the caller, later), and whether it must be there.

    `about` tells editors what it is; `shape` is the schema of a key without a reader.
    """

    name: str
    read: Kind | None = None
    required: bool = False
    example: str = ""
    about: str = ""
    shape: Json = MappingProxyType({})

    @property
    def schema(self) -> dict[str, Any]:
        """The key's part of the JSON Schema."""
        described = {"description": self.about} if self.about else {}
        return {**(self.shape if self.read is None else self.read.schema), **described}


def table(keys: Sequence[Key], **more: Any) -> dict[str, Any]:
    """The JSON Schema of a table with these keys and no others; `more` is added to it."""
    return {
        "type": "object",
        "properties": {key.name: key.schema for key in keys},
        "required": [key.name for key in keys if key.required],
        "additionalProperties": False,
        **more,
    }


class Faults:
    """The faults of one file, in the order they were found."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.lines: list[str] = []

    def add(self, path: str, message: str) -> None:
        """One fault at a path such as `tracks[0].depths`; an empty path is the file as a whole."""
        self.lines.append(f"{self.file}: {path}: {message}" if path else f"{self.file}: {message}")

    def wrong(self, path: str, value: Any, allowed: str) -> None:
        """A value that isn't allowed there."""
        self.add(path, f"found {describe(value)}; allowed: {allowed}")

    def at(self, path: str) -> bool:
        """Whether a fault was found at that path or within it, so that what follows from it is not told again."""
        places = tuple(f"{self.file}: {path}{end}" for end in (":", "[", "."))
        return any(line.startswith(places) for line in self.lines)


def read_value(value: Any, path: str, read: Kind, faults: Faults) -> Any:
    """The value as its reader understands it, or None and a fault."""
    try:
        return read(value)
    except Wrong as wrong:
        if wrong.item is not None:
            path, value = f"{path}[{wrong.item}]", value[wrong.item]
        faults.wrong(path, value, str(wrong))
        return None


def read_table(table: Any, path: str, keys: Sequence[Key], faults: Faults) -> dict[str, Any]:
    """What could be read of a table: the keys that are there and sound; the rest are faults.

    Keys without a reader are handed on as they are. `path` is the table's own, empty for the top of the file.
    """
    if not isinstance(table, dict):
        faults.wrong(path, table, f"a table with the keys {', '.join(key.name for key in keys)}")
        return {}
    known = {key.name: key for key in keys}
    result: dict[str, Any] = {}
    for name, value in table.items():
        where = join(path, name)
        key = known.get(name)
        if key is None:
            faults.add(where, f"found this key; allowed: {', '.join(known)}{_meant(name, list(known))}")
        elif key.read is None:
            result[name] = value
        else:
            sound = read_value(value, where, key.read, faults)
            if sound is not None:
                result[name] = sound
    for key in keys:
        if key.required and key.name not in table:
            faults.add(join(path, key.name), f"not found; add {key.example or key.name + ' = …'}")
    return result


def join(path: str, name: str) -> str:
    """The path of a key in a table; a key that isn't plain is quoted, as TOML does.

    >>> join("blade", "width"), join("", "format"), join("locks", "front door")
    ('blade.width', 'format', 'locks."front door"')
    """
    plain = len(name) <= 60 and name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    shown = name if plain else describe(name)
    return f"{path}.{shown}" if path else shown


def _meant(name: str, known: Sequence[str]) -> str:
    near = nearest(name, known)
    return f" (did you mean {near}?)" if near else ""


FORMAT = 1
"""The number that `format` must state."""

LONGEST = 1000.0
"""No length of a key is more, in either unit; a larger one is a slip, and would only overflow later."""

_length = number("a length", above=0, most=LONGEST)
_spread = number("a length", least=0, most=LONGEST)

SYSTEM = (
    Key("name", system_name, True, 'name = "…", the name that commands use', "the name that commands use"),
    Key("about", text, about="what a list of systems says of it"),
    Key("source", text, True, 'source = "…", where the data came from', "where the data came from"),
    Key("unit", one_of("mm", "in"), True, 'unit = "mm" or unit = "in"', "of every length in this file"),
    Key("stop", one_of("tip", "shoulder"), True, 'stop = "tip" or stop = "shoulder"', "where space distances start"),
    Key("sides", words, about="faces (external, internal) or edges (edge); left out for a key cut on one side only"),
    Key("convenience", truth, about="every side carries the same cuts"),
)

BLADE = (
    Key("width", _length, about="edge to edge"),
    Key("thickness", _length, about="face to face"),
    Key("mill_depth", _length, about="how deep a track is milled into its face (external, internal)"),
    Key("prepared", _spread, about="how far in from each edge an external blank comes milled already"),
)

DIRECTION = one_of("bow-to-tip", "tip-to-bow")

SPACES = (
    Key("first", number("a distance", least=0, most=LONGEST), True, about="of cut 1, at the bow"),
    Key(
        "pitch",
        number("a distance", least=-LONGEST, most=LONGEST),
        True,
        about="from cut to cut towards the tip: less than 0 from a tip stop",
    ),
    Key("count", whole("a number of cuts", 1, MOST_CUTS), True, about="number of cuts"),
)

SPACE = number("a distance from the stop", least=0)
_BY_LABEL = {"propertyNames": {"pattern": f"^{_WORD.pattern}$", "maxLength": 20}, "type": "object"}
_LISTED = {"type": "array", "items": SPACE.schema, "minItems": 1, "maxItems": MOST_CUTS}
_DEPTHS = {
    **_BY_LABEL, "minProperties": 2, "maxProperties": MOST_CUTS, "additionalProperties": {"type": "number", "minimum": 0},
}  # fmt: skip

TRACK = (
    Key("name", word, True, 'name = "…"', "left and right are seen from the bow to the tip"),
    Key("like", text, about="another track with the same milling, measuring, spaces and depths"),
    Key("milling", one_of("external", "internal", "edge")),
    Key("measured", one_of("far-edge", "own-edge", "centre"), about="from where a depth's dimension runs"),
    Key("spaces", shape={"anyOf": [table(SPACES), _LISTED]}, about="centre of each cut from the stop, bow to tip"),
    Key("depths", shape=_DEPTHS, about="label -> dimension, shallowest first"),
    Key(
        "numbers",
        shape={**_BY_LABEL, "additionalProperties": {"type": "integer"}},
        about="label -> the whole number that sums count it as, for labels that are no numbers",
    ),
    Key("direction", DIRECTION, about="order in which its cuts are worked"),
)
COPIED = ("milling", "measured", "spaces", "depths", "numbers")
"""What `like` takes over from the other track, and what therefore can't stand beside it."""

RULES = (
    Key("must", sentences, about="sentences that make a code legal; `bitting docs rules` has them all"),
    Key("should", sentences, about="advice: reported, never makes a code illegal"),
)

SETUP = (
    Key("cut", required=True, shape={"type": "integer", "minimum": 1}, about="counted from the bow"),
    Key("depth", required=True, shape={"type": ["string", "integer"]}, about="a label of the depth table"),
)

CUTTING = (
    Key("shape", one_of("round", "vee")),
    Key("cutter", _length, about="diameter of the end mill"),
    Key("angle", number("an included angle in degrees", above=0, below=180), about="of the vee, in degrees"),
    Key("root", _spread, about="the flat at the vee's point"),
    Key("seat", _length, about="width at the centre of a cut on which a tumbler rests"),
    Key(
        "steepest",
        number("an angle in degrees", above=0, most=90),
        about="to the blade's length, that a tumbler climbs",
    ),
    Key("direction", DIRECTION, about="order in which the cuts of a track are worked"),
    Key("rotation", one_of("clockwise", "anticlockwise", "counterclockwise"), about="of the cutter, from above"),
    Key("setup", shape=table(SETUP), about="the setup key: all shallowest cuts but this one"),
)


def _one_of(*keys: str) -> dict[str, Any]:
    return {"oneOf": [{"required": [key]} for key in keys]}


ACROSS = (
    Key("tracks", words, about="two opposite tracks"),
    Key("sides", words, about="two edges, instead of tracks"),
    Key("less", _spread, about="a reading across is left + right - this"),
    Key("from", _length, about="a reading across is this - left - right"),
)

MEASURING = (
    Key("tolerance", _length, about="a finished cut may be off by this much"),
    Key("reading_sd", _length, about="standard uncertainty of one caliper reading"),
    Key("offset_sd", _spread, about="error shared by all the readings of one key"),
    Key("tilt_sd", _spread, about="difference of that error from the first cut to the last"),
    Key("left_right_sd", _spread, about="half the difference of that error between left and right"),
    Key("wear", _spread, about="mean material lost at one cut"),
    Key("outliers", number("a share", least=0, below=1), about="share of readings that are simply wrong"),
    Key("cut_sd", _spread, about="error of one cut shared by all its readings"),
    Key("jaw", _spread, about="width of the caliper's jaw"),
    Key("contact", _length, about="radius of a ball or a pin's round end that reads instead of a jaw"),
    Key("reclamp_sd", _spread, about="error of a key that is clamped again"),
    Key("across", shape=table(ACROSS, allOf=[_one_of("tracks", "sides"), _one_of("less", "from")])),
)

_OWN = [{"anyOf": [{"required": ["like"]}, {"required": [key]}]} for key in COPIED if key != "numbers"]
_LIKE = {"if": {"required": ["like"]}, "then": {"not": {"anyOf": [{"required": [key]} for key in COPIED]}}}
_LOCK = {"type": ["string", "integer", "array"]}

TOP = (
    Key("format", whole("the version of the format, a whole number", FORMAT, FORMAT), True, f"format = {FORMAT}"),
    Key("system", required=True, example="the table [system]", shape=table(SYSTEM)),
    Key("blade", shape=table(BLADE)),
    Key(
        "tracks",
        required=True,
        example="a table [[tracks]] for each track",
        shape={"type": "array", "minItems": 1, "items": table(TRACK, allOf=_OWN, **_LIKE)},
    ),
    Key("rules", shape=table(RULES)),
    Key("locks", shape={"type": "object", "additionalProperties": _LOCK}, about='which cuts each lock reads: "1-5"'),
    Key("cutting", shape=table(CUTTING)),
    Key("measuring", shape=table(MEASURING)),
)


def json_schema(keys: Sequence[Key], title: str) -> dict[str, Any]:
    """The JSON Schema of a file whose top has these keys, for editors that check TOML as it is typed."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, **table(keys)}
