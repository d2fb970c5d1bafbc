"""The keys of a system file, table by table: the reference of the format, which the reader follows.

A key without a reader needs more than its own value to be judged and is read in `build`. Lengths are in the unit that
`[system]` states. What is optional and absent stays unsaid (None); the command that needs it says which line to add.
"""

from __future__ import annotations

from bitting.systemfile.kinds import (
    MOST_CUTS,
    number,
    one_of,
    sentences,
    system_name,
    text,
    truth,
    whole,
    word,
    words,
)
from bitting.systemfile.reader import Key

FORMAT = 1
"""The number that `format` must state."""

_length = number("a length", above=0)
_spread = number("a length", least=0)

TOP = (
    Key("format", whole("the version of the format, a whole number", FORMAT, FORMAT), True, f"format = {FORMAT}"),
    Key("system", required=True, example="the table [system]"),
    Key("blade"),
    Key("tracks", required=True, example="a table [[tracks]] for each track"),
    Key("rules"),
    Key("locks"),
    Key("cutting"),
    Key("measuring"),
)

SYSTEM = (
    Key("name", system_name, True, 'name = "…", the name that commands use'),
    Key("about", text),
    Key("source", text, True, 'source = "…", where the data came from'),
    Key("unit", one_of("mm", "in"), True, 'unit = "mm" or unit = "in"'),
    Key("stop", one_of("tip", "shoulder"), True, 'stop = "tip" or stop = "shoulder"'),
    Key("sides", words),
    Key("convenience", truth),
)

BLADE = (Key("width", _length), Key("thickness", _length), Key("mill_depth", _length), Key("prepared", _spread))

DIRECTION = one_of("bow-to-tip", "tip-to-bow")

TRACK = (
    Key("name", word, True, 'name = "…"'),
    Key("like", text),
    Key("milling", one_of("external", "internal", "edge")),
    Key("measured", one_of("far-edge", "own-edge", "centre")),
    Key("spaces"),
    Key("depths"),
    Key("direction", DIRECTION),
)

SPACES = (
    Key("first", number("a distance", least=0), True),
    Key("pitch", number("a distance"), True),
    Key("count", whole("a number of cuts", 1, MOST_CUTS), True),
)

RULES = (Key("must", sentences), Key("should", sentences))

CUTTING = (
    Key("shape", one_of("round", "vee")),
    Key("cutter", _length),
    Key("angle", number("an included angle in degrees", above=0, below=180)),
    Key("root", _spread),
    Key("seat", _length),
    Key("steepest", number("an angle in degrees", above=0, most=90)),
    Key("direction", DIRECTION),
    Key("rotation", one_of("clockwise", "anticlockwise", "counterclockwise")),
    Key("setup"),
)

SETUP = (Key("cut", required=True), Key("depth", required=True))

MEASURING = (
    Key("tolerance", _length),
    Key("reading_sd", _length),
    Key("offset_sd", _spread),
    Key("tilt_sd", _spread),
    Key("left_right_sd", _spread),
    Key("wear", _spread),
    Key("outliers", number("a share", least=0, below=1)),
    Key("cut_sd", _spread),
    Key("jaw", _spread),
    Key("reclamp_sd", _spread),
    Key("across"),
)

ACROSS = (Key("tracks", words, True), Key("less", _spread), Key("from", _length))
