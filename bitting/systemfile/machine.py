"""A machine file: how a control is turned to get to a setting, and what is known to be off.

    format = 1
    name = "by the window"        # whatever tells your machines apart
    unit = "mm"                   # of every length in this file: mm | in

    [cutter]
    diameter = 2.38               # as measured; a reground cutter is smaller than the system's

    [space]                       # the control along the blade; lengths are distances from the key's stop
    per_turn = 1.0                # travel per turn
    divisions = 100               # marks on the dial; leave out: turns with two decimals
    zero = 0.0                    # the setting at which the dial shows 0; turns are counted from there
    clockwise = "to-bow"          # which way a clockwise turn takes the cutter: to-bow | to-tip
    backlash = 0.05               # play when the direction changes; 0: none
    detents = 0.5                 # distance between clicks, counted from `zero`; leave out: none
    limits = [0.0, 40.0]          # settings the control can reach
    clamp = 32.0                  # where the clamp begins; leave out: one pitch before cut 1, or the shoulder

    [depth]                       # the control across the blade; lengths are dimensions as in the depth table
    per_turn = 0.5
    divisions = 50
    zero = 10.0
    clockwise = "deepens"         # deepens | backs-out
    backlash = 0.04

    [corrections]                 # added to what is set; `bitting align` finds them
    space = 0.02                  # to every distance from the stop
    depth = -0.015                # to every dimension
    depth_scale = 0.0             # to a dimension, per length that it lies from the shallowest
    left_right = 0.0              # to dimensions of the left track; taken from those of the right one
    cutter = 2.40                 # the cutter with which they were found; absent: the system's

Every table is optional; without that of a control its settings are told, and not its turns.
All faults of a file are reported together.
"""

from __future__ import annotations

import tomllib
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from attrs import fields, frozen

from bitting.errors import SystemFileError, nearest
from bitting.files import read_whole
from bitting.model import MM_PER_INCH, System


@frozen
class Control:
    """One control; lengths in the unit of the system the machine was `fitted` to.

    `clockwise` says where a clockwise turn goes.
    """

    per_turn: float
    zero: float
    clockwise: str
    divisions: int | None = None
    backlash: float = 0.0
    detents: float | None = None
    limits: tuple[float, float] | None = None
    clamp: float | None = None

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
    """What is added to settings: see the module's text. `cutter` None: the system's own."""

    space: float = 0.0
    depth: float = 0.0
    depth_scale: float = 0.0
    left_right: float = 0.0
    cutter: float | None = None


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

    def fitted(self, system: System) -> Machine:
        """The same machine with its lengths in the unit of a system."""
        if self.unit == system.unit:
            return self
        k = MM_PER_INCH if self.unit == "in" else 1 / MM_PER_INCH

        def scaled(control: Control | None) -> Control | None:
            if control is None:
                return None
            return Control(
                per_turn=control.per_turn * k,
                zero=control.zero * k,
                clockwise=control.clockwise,
                divisions=control.divisions,
                backlash=control.backlash * k,
                detents=None if control.detents is None else control.detents * k,
                limits=None if control.limits is None else (control.limits[0] * k, control.limits[1] * k),
                clamp=None if control.clamp is None else control.clamp * k,
            )

        c = self.corrections
        return Machine(
            self.name,
            system.unit,
            scaled(self.space),
            scaled(self.depth),
            None if self.cutter is None else self.cutter * k,
            Corrections(
                c.space * k, c.depth * k, c.depth_scale, c.left_right * k, None if c.cutter is None else c.cutter * k
            ),
        )


CLOCKWISE = {"space": ("to-bow", "to-tip"), "depth": ("deepens", "backs-out")}
TABLES = {
    "": ("format", "name", "unit", "cutter", "space", "depth", "corrections"),
    "cutter": ("diameter",),
    "space": tuple(f.name for f in fields(Control)),
    "depth": tuple(f.name for f in fields(Control) if f.name != "clamp"),
    "corrections": tuple(f.name for f in fields(Corrections)),
}


def load_machine(path: str | Path) -> Machine:
    """Read a machine file. Raises `BittingError` for one that can't be read, `SystemFileError` with every fault."""
    return read_machine(read_whole(path, "the machine file"), str(path))


def read_machine(text: str, name: str = "machine file") -> Machine:
    """A machine from the text of its file; `name` is what errors call it."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # not TOML, a number of thousands of digits, tables nested too deeply
        raise SystemFileError(
            f"{name} is not TOML: {fault}", hint="`bitting plan --help` shows a machine file"
        ) from None
    reader = _Reader(data)
    machine = reader.machine()
    if reader.faults:
        count = "one fault" if len(reader.faults) == 1 else f"{len(reader.faults)} faults"
        told = "\n".join(f"  {fault}" for fault in reader.faults)
        raise SystemFileError(
            f"{name} can't be used: {count}\n{told}",
            faults=reader.faults,
            hint="`bitting plan --help` shows a machine file",
        )
    return machine


class _Reader:
    """Takes values out of the tables of a file and keeps every fault with its path."""

    def __init__(self, data: dict[str, Any]) -> None:
        self.data = data
        self.faults: list[str] = []

    def machine(self) -> Machine:
        tables = {key: self._table(key) for key in ("cutter", "space", "depth", "corrections")}
        self._unknown("", self.data)
        if self.data.get("format") != 1:
            self.faults.append(f"format: {self.data.get('format')!r} found, 1 is the only format known")
        unit = self.data.get("unit", "mm")
        if unit not in ("mm", "in"):
            self.faults.append(f'unit: {unit!r} found, "mm" or "in" is allowed')
        return Machine(
            name=str(self.data.get("name", "")),
            unit="in" if unit == "in" else "mm",
            space=self._control("space", tables["space"]) if "space" in self.data else None,
            depth=self._control("depth", tables["depth"]) if "depth" in self.data else None,
            cutter=self._number("cutter.diameter", tables["cutter"].get("diameter"), above=0.0),
            corrections=self._corrections(tables["corrections"]),
        )

    def _table(self, key: str) -> dict[str, Any]:
        found = self.data.get(key, {})
        if not isinstance(found, dict):
            self.faults.append(f"{key}: {found!r} found, a table [{key}] is expected")
            return {}
        self._unknown(key, found)
        return found

    def _unknown(self, table: str, found: dict[str, Any]) -> None:
        for key in found:
            if key not in TABLES[table]:
                near = nearest(key, TABLES[table])
                path = f"{table}.{key}" if table else key
                known = f"did you mean {near!r}?" if near else f"known are {', '.join(TABLES[table])}"
                self.faults.append(f"{path}: no such entry; {known}")

    def _number(self, path: str, value: Any, above: float | None = None, least: float | None = None) -> float | None:
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value) or abs(value) > 1e6:
            self.faults.append(f"{path}: {value!r} found, a length is expected")
            return None
        if (above is not None and value <= above) or (least is not None and value < least):
            self.faults.append(
                f"{path}: {value:g} found, it must be {'more than' if above is not None else 'at least'} 0"
            )
        return float(value)

    def _control(self, key: str, table: dict[str, Any]) -> Control:
        clockwise = table.get("clockwise")
        if clockwise not in CLOCKWISE[key]:
            allowed = " or ".join(f'"{way}"' for way in CLOCKWISE[key])
            self.faults.append(f"{key}.clockwise: {clockwise!r} found, {allowed} is allowed")
        if "per_turn" not in table:
            self.faults.append(f"{key}.per_turn: missing; the travel of one full turn")
        divisions = table.get("divisions")
        if divisions is not None and (isinstance(divisions, bool) or not isinstance(divisions, int) or divisions < 1):
            self.faults.append(f"{key}.divisions: {divisions!r} found, a whole number of marks is expected")
            divisions = None
        return Control(
            per_turn=self._number(f"{key}.per_turn", table.get("per_turn"), above=0.0) or 1.0,
            zero=self._number(f"{key}.zero", table.get("zero")) or 0.0,
            clockwise=str(clockwise),
            divisions=divisions,
            backlash=self._number(f"{key}.backlash", table.get("backlash"), least=0.0) or 0.0,
            detents=self._number(f"{key}.detents", table.get("detents"), above=0.0),
            limits=self._limits(f"{key}.limits", table.get("limits")),
            clamp=self._number(f"{key}.clamp", table.get("clamp")),
        )

    def _limits(self, path: str, value: Any) -> tuple[float, float] | None:
        if value is None:
            return None
        if isinstance(value, list) and len(value) == 2:
            low, high = (self._number(f"{path}[{i}]", v) for i, v in enumerate(value))
            if low is not None and high is not None and low < high:
                return low, high
        self.faults.append(f"{path}: {value!r} found, two lengths [least, greatest] are expected")
        return None

    def _corrections(self, table: dict[str, Any]) -> Corrections:
        number = {key: self._number(f"corrections.{key}", value) for key, value in table.items()}
        return Corrections(
            space=number.get("space") or 0.0,
            depth=number.get("depth") or 0.0,
            depth_scale=number.get("depth_scale") or 0.0,
            left_right=number.get("left_right") or 0.0,
            cutter=number.get("cutter"),
        )


def with_corrections(text: str, corrections: Corrections) -> str:
    """The text of a machine file with its `[corrections]` replaced (or added at the end); the rest stays as it is.

    Only the lines between `[corrections]` and the next table are touched, so comments elsewhere survive.

    >>> print(with_corrections("format = 1\\n[corrections]\\nspace = 9.0\\n[depth]\\n", Corrections(depth=-0.02)))
    format = 1
    [depth]
    <BLANKLINE>
    [corrections]
    depth = -0.02
    <BLANKLINE>
    """
    kept: list[str] = []
    inside = False
    for line in text.splitlines():
        if line.lstrip().startswith("["):
            inside = line.split("#")[0].strip().replace(" ", "") == "[corrections]"
        if not inside:
            kept.append(line)
    rows = [
        f"{f.name} = {round(value, 6)!r}"
        for f in fields(Corrections)
        if (value := getattr(corrections, f.name)) is not None and value != 0
    ]
    return "\n".join([*kept, "", "[corrections]", *rows, ""])
