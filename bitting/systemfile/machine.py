"""A machine file: how a control is turned to get to a setting, and what is known to be off.

`bitting docs plan` shows a file; what each key is stands in the tables below. Lengths of `[space]` are distances from the
key's stop, those of `[depth]` dimensions as in the depth table, and a dial's turns are counted from its `zero`. Where no
`clamp` is stated it begins one pitch before cut 1, or at the shoulder.

Every table is optional; without that of a control its settings are told, and not its turns.
All faults of a file are reported together.
"""

from __future__ import annotations

import os
from itertools import pairwise
from math import inf
from pathlib import Path
from typing import Any, Literal

from attrs import evolve, fields, frozen, has

from bitting.errors import BittingError
from bitting.files import read_whole
from bitting.model import MM_PER_INCH, System
from bitting.model.expect import expect
from bitting.systemfile.build import parse, unusable
from bitting.systemfile.schema import FORMAT, Faults, Key, Kind, Wrong, number, one_of, read_table, table, whole
from bitting.systemfile.schema import text as line_of_text

LARGEST = 1e6
ControlName = Literal["space", "depth"]


@frozen
class Control:
    """One control; lengths in the unit of the system the machine was `fitted` to.

    `clockwise` says where a clockwise turn goes, `zeroed` which way the control went when its zero was set.
    """

    per_turn: float
    zero: float
    clockwise: str
    divisions: int | None = None
    backlash: float = 0.0
    detents: float | None = None
    limits: tuple[float, float] | None = None
    clamp: float | None = None
    zeroed: str | None = None

    @property
    def overshoot(self) -> float:
        """How far to go past a target before returning to it; 0 without backlash."""
        return 1.5 * self.backlash if self.backlash else 0.0

    def clicks(self, setting: float) -> tuple[int, float]:
        """The nearest click, counted from the dial's zero, and how far the setting lies past it."""
        step = self.detents or 1.0
        click = round((setting - self.zero) / step)
        return click, setting - self.zero - click * step


@frozen
class Corrections:
    """What is added to settings: see the module's text. `cutter` None: the system's own.

    `counted` says of the keys they were found on what `counted_in` says of a system's; None: nobody said it.
    """

    space: float = 0.0
    depth: float = 0.0
    depth_scale: float = 0.0
    left_right: float = 0.0
    cutter: float | None = None
    counted: str | None = None

    def must_be_small(self, system: System) -> None:
        """Raise BittingError where one (in the system's unit) is no correction: a whole depth, or on to the next cut."""
        pitch = min((abs(b - a) for track in system.tracks for a, b in pairwise(track.spaces)), default=inf)
        for name, most in (("depth", system.step), ("left_right", system.step), ("space", pitch / 2)):
            amount = getattr(self, name)
            if abs(amount) >= most:
                raise BittingError(
                    f"the machine file corrects {name} by {system.in_own(amount)}; {system.name}'s depths are "
                    f"{system.in_own(system.step)} apart, its cuts {system.in_own(pitch)}",
                    hint="a correction is what settings are off by, 0 for none (`bitting align` finds it); where a dial's zero "
                    "is elsewhere that is its `zero`",
                )

    def must_serve(self, system: System) -> None:
        """Raise BittingError where they were found on keys that are counted otherwise than a system's."""
        if self.counted not in (None, here := counted_in(system)):
            raise BittingError(
                f"the machine file's corrections were found on keys counted {self.counted}; those of {system.name!r} are "
                f"counted {here}, so they may go the wrong way",
                hint=f"measure a setup key of {system.name!r} and write its corrections into a machine file of its own "
                f"(`bitting align --correct`)",
            )


def counted_in(system: System) -> str:
    """From where a system counts distances, and which way depths go: a correction's sign holds for no other."""
    ways = sorted({f"{t.milling}, deeper is {'more' if t.deeper > 0 else 'less'}" for t in system.tracks})
    return f"from the {system.stop}, {' and '.join(ways)}"


@frozen
class Machine:
    """A machine set by hand. A control that the file doesn't describe is None: its settings are told, not its turns.

    `cutter` is the diameter as measured, None where the file is silent.
    """

    name: str
    unit: Literal["mm", "in"]
    space: Control | None = None
    depth: Control | None = None
    cutter: float | None = None
    corrections: Corrections = Corrections()

    def control(self, name: ControlName) -> Control | None:
        """One of the two controls."""
        return self.space if name == "space" else self.depth

    def fitted(self, system: System) -> Machine:
        """The same machine with its lengths in the unit of a system, which its corrections must serve."""
        self.corrections.must_serve(system)
        if self.unit == system.unit:
            self.corrections.must_be_small(system)
            return self
        k = MM_PER_INCH if self.unit == "in" else 1 / MM_PER_INCH

        def scaled(part: Any) -> Any:
            """The same with every figure that is a length, so neither a number of marks nor a ratio."""
            if isinstance(part, tuple):
                return tuple(length * k for length in part)
            if not has(type(part)):
                return part * k if isinstance(part, int | float) else part
            others = ("divisions", "depth_scale")
            lengths = [f.name for f in fields(type(part)) if f.name not in others]
            return evolve(part, **{name: scaled(getattr(part, name)) for name in lengths})

        parts = {name: scaled(getattr(self, name)) for name in ("space", "depth", "cutter", "corrections")}
        return evolve(self, unit=system.unit, **parts).fitted(system)


_length = number("a length", above=-LARGEST, below=LARGEST)
_positive = number("a length", above=0, below=LARGEST)
_scale = number("a ratio", above=-0.2, below=0.2)
_play = number("a length", least=0, below=LARGEST)


def _two(value: Any) -> tuple[float, float]:
    """The least and the greatest setting."""
    allowed = "two lengths [least, greatest]"
    if not isinstance(value, list) or len(value) != 2:
        raise Wrong(allowed)
    low, high = (_length(item) for item in value)
    if not low < high:
        raise Wrong(allowed)
    return low, high


_LIMITS = {"type": "array", "minItems": 2, "maxItems": 2, "items": _length.schema}


def _control(*clockwise: str) -> tuple[Key, ...]:
    """The keys of a control, which a clockwise turn takes one of two ways."""
    ways = " or ".join(f'clockwise = "{way}"' for way in clockwise)
    return (
        Key("per_turn", _positive, True, "per_turn = …, the travel of one full turn", "travel of one full turn"),
        Key("zero", _length, about="the setting at which the dial shows 0"),
        Key("clockwise", one_of(*clockwise), True, ways, "which way a clockwise turn goes"),
        Key("divisions", whole("a number of marks", 1, 100_000), about="marks on the dial"),
        Key("backlash", _play, about="play when the direction changes"),
        Key("detents", _positive, about="distance between clicks, counted from zero"),
        Key("limits", Kind(_two, _LIMITS), about="settings that the control can reach"),
    )


CUTTER = (Key("diameter", _positive, about="as measured"),)
SPACE = (
    *_control("to-bow", "to-tip"),
    Key("clamp", _length, about="where the clamp begins"),
    Key(
        "zeroed",
        one_of("to-bow", "to-tip"),
        about="which way it went when its zero was set; the other way takes up the play",
    ),
)
DEPTH = _control("deepens", "backs-out")
CORRECTIONS = (
    Key("space", _length, about="added to every distance from the stop"),
    Key("depth", _length, about="added to every dimension"),
    Key(
        "depth_scale",
        _scale,
        about="so much further into the key for each length deeper than the shallowest; 0 for none",
    ),
    Key("left_right", _length, about="added to dimensions of the left track, taken from those of the right one"),
    Key("cutter", _length, about="the cutter with which they were found"),
    Key("counted", line_of_text, about="how the keys are counted on which they were found"),
)
TOP = (
    Key("format", whole("the version of the format, a whole number", FORMAT, FORMAT), True, f"format = {FORMAT}"),
    Key("name", line_of_text, about="whatever tells your machines apart"),
    Key("unit", one_of("mm", "in"), about="of every length in this file; left out: mm"),
    Key("cutter", shape=table(CUTTER)),
    Key("space", shape=table(SPACE), about="the control along the blade"),
    Key("depth", shape=table(DEPTH), about="the control across it"),
    Key("corrections", shape=table(CORRECTIONS), about="added to what is set; `bitting align` finds them"),
)
_HELP = "`bitting docs system-files` says what a file may hold; `bitting docs plan` shows a machine file"


def load_machine(path: str | Path) -> Machine:
    """Read a machine file. Raises `BittingError` for one that can't be read, `SystemFileError` with every fault."""
    if not isinstance(path, str | os.PathLike):  # a number would be read as an open file
        expect(str, path)
    return read_machine(read_whole(path, "the machine file"), str(path))


def read_machine(text: str, name: str = "machine file") -> Machine:
    """A machine from the text of its file; `name` is what errors call it."""
    faults = Faults(Path(name).name or name)
    top = read_table(parse(text, name, faults), "", TOP, faults)
    parts = {
        key: read_table(top[key], key, keys, faults) if key in top else {}
        for key, keys in (("cutter", CUTTER), ("space", SPACE), ("depth", DEPTH), ("corrections", CORRECTIONS))
    }
    if faults.lines:
        raise unusable(name, faults.lines, _HELP)
    return Machine(
        name=top.get("name", ""),
        unit=top.get("unit", "mm"),
        space=Control(**{"zero": 0.0, **parts["space"]}) if "space" in top else None,
        depth=Control(**{"zero": 0.0, **parts["depth"]}) if "depth" in top else None,
        cutter=parts["cutter"].get("diameter"),
        corrections=Corrections(**parts["corrections"]),
    )


def with_corrections(text: str, corrections: Corrections) -> str:
    """The text of a machine file with its `[corrections]` replaced (or added at the end); the rest stays as it is.

    >>> print(with_corrections("format = 1\\n[corrections]\\nspace = 9.0\\n", Corrections(depth=-0.02)))
    format = 1
    [corrections]
    depth = -0.02
    <BLANKLINE>
    """
    import tomlkit

    document = tomlkit.parse(text)
    document["corrections"] = {
        f.name: value if isinstance(value, str) else round(value, 6)
        for f in fields(Corrections)
        if (value := getattr(corrections, f.name)) is not None and value != 0
    }
    return tomlkit.dumps(document)
