"""Measuring figures that can't be meant: too large for the depth table, or too small for anything at a bench.

An error as large as the whole depth table is a slip of the unit, and an answer reckoned from it is worth nothing; one of
a millionth of a millimetre says nothing, and costs a computer dearly. So the first is a fault of the file, the second is
treated as if it weren't there, and said.

>>> from bitting.systemfile.schema import Faults
>>> faults = Faults("finch.toml")
>>> sound_figures({"offset_sd": 50.0, "tilt_sd": 1e-9}, 1.8, "mm", faults)
({'tilt_sd': 0.0}, ('tilt_sd = 1e-09 is less than anything at a bench and is treated as 0',))
>>> print(*faults.lines)
finch.toml: measuring.offset_sd: found 50.0; allowed: less than the depth table spans, 1.8 mm; 50 µm are 0.05 mm
"""

from __future__ import annotations

from bitting.model.system import MM_PER_INCH, Unit
from bitting.systemfile.schema import Faults, describe

TINY_MM = 0.0005
"""Half a micrometre: no caliper, key or machine set by hand is known as closely as that (common practice)."""
WIDEST_JAW_MM = 50.0
"""Wider than any caliper's jaw (common practice: up to some ten millimetres)."""

ERRORS = ("offset_sd", "tilt_sd", "left_right_sd", "wear", "cut_sd", "reclamp_sd")
"""Figures that 0 leaves out."""
NEEDED = ("tolerance", "reading_sd", "contact")
"""Figures that are never 0; a tiny one is as good as none."""
LENGTHS = (*ERRORS, *NEEDED, "jaw")
"""Every figure that is a length; the others are shares and stay as they are."""


def sound_figures(
    values: dict[str, float], span: float | None, unit: Unit, faults: Faults
) -> tuple[dict[str, float], tuple[str, ...]]:
    """The figures to work with, and a sentence on each that was too small; too large ones are faults.

    `span` is the smallest difference between the shallowest and the deepest depth of a track, None where no table is
    sound. Lengths are in the file's unit.
    """
    inch = 1.0 if unit == "mm" else MM_PER_INCH
    kept: dict[str, float] = {}
    notes: list[str] = []
    for name, value in values.items():
        limit = WIDEST_JAW_MM / inch if name in ("jaw", "contact") else span if name in LENGTHS else None
        if limit is not None and value >= limit:
            what = "any jaw is wide" if name in ("jaw", "contact") else "the depth table spans"
            meant = _slip(value, limit, unit)
            faults.add(
                f"measuring.{name}", f"found {describe(value)}; allowed: less than {what}, {limit:.4g} {unit}{meant}"
            )
        elif name in LENGTHS and 0 < value < TINY_MM / inch:
            taken = "as not stated" if name in NEEDED else "as 0"
            notes.append(f"{name} = {value:g} is less than anything at a bench and is treated {taken}")
            if name not in NEEDED:
                kept[name] = 0.0
        else:
            kept[name] = value
    return kept, tuple(notes)


def _slip(value: float, limit: float, unit: Unit) -> str:
    """The unit that may have been meant instead, where the figure then makes sense."""
    slips = {"mm": (("µm", 0.001), ("thou", MM_PER_INCH / 1000)), "in": (("thou", 0.001), ("mm", 1 / MM_PER_INCH))}
    for name, scale in slips[unit]:
        if value * scale < limit / 4:
            return f"; {value:g} {name} are {value * scale:.3g} {unit}"
    return ""
