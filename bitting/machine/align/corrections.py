"""From what a setup key says to the `[corrections]` of a machine file, which `plan --machine` adds to its settings.

A setup key that was cut with corrections in force shows what is left over, so what it says is added to them; `fresh` says
that they were not in force and replaces them. Only the table `[corrections]` is touched.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from attrs import evolve

from bitting.errors import BittingError
from bitting.files import read_whole, write_whole
from bitting.geometry.frame import hand_of
from bitting.machine.align.alignment import Alignment
from bitting.model import MM_PER_INCH, System
from bitting.systemfile.machine import Corrections, counted_in, load_machine, read_machine, with_corrections

BEGINNING = """# A machine set by hand. `bitting docs plan` shows the tables [space] and [depth], which say how its
# controls turn; without them settings are told, and not turns.
format = 1
unit = "{unit}"
"""
"""A machine file that knows nothing yet."""


TERMS = ("space", "depth", "depth_scale", "left_right")
"""What a setup key's error is corrected by."""


def curable(result: Alignment, left_right: bool = False) -> bool:
    """Whether the answer asks for a correction that a machine file can hold."""
    apart = left_right and result.uneven == ("left-right",) and result.left_right is not None
    settings = (result.to_depth, result.to_scale, result.to_space)
    return apart or (result.verdict == "adjust" and settings != (None, None, None))


def corrections_from(result: Alignment, before: Corrections, per_unit: float, left_right: int = 0) -> Corrections:
    """`before` with what the alignment asks for added; `per_unit` turns the system's lengths into those of `before`.

    `left_right` asks for left and right to be corrected apart (-1: the first track is the right-hand one), which also
    makes a verdict of `uneven` for that reason alone usable. Raises BittingError where no correction is asked for.
    """
    if not curable(result, bool(left_right)):
        raise BittingError(
            f"no correction was written: the verdict is {result.verdict} ({result.reason})",
            hint="leave the machine as it is"
            if result.verdict == "leave"
            else "find the cause first, then cut another",
        )
    opposite = result.left_right.mean if left_right and result.left_right is not None else None
    return evolve(
        before,
        space=before.space + per_unit * (result.to_space or 0.0),
        depth=before.depth + per_unit * (result.to_depth or 0.0),
        depth_scale=before.depth_scale + (result.to_scale or 0.0),
        left_right=before.left_right - left_right * per_unit * (opposite or 0.0),
    )


def correct(
    path: str | Path,
    result: Alignment,
    system: System,
    *,
    fresh: bool = False,
    left_right: bool = False,
    inputs: Sequence[str | Path] = (),
) -> Corrections:
    """Write the corrections into the machine file, a new one where there is none, and return them in its unit.

    A file that holds just these already stays as it is: the same readings again would have them counted twice. `inputs`
    are files that the run reads beside it, none of which it can be.
    """
    begun = not Path(path).exists()
    text = BEGINNING.format(unit=system.unit) if begun else read_whole(path, "the machine file")
    machine = read_machine(text, str(path)) if begun else load_machine(path)
    per_unit = {("mm", "in"): 1 / MM_PER_INCH, ("in", "mm"): MM_PER_INCH}.get((system.unit, machine.unit), 1.0)
    if len({track.deeper for track in system.tracks}) > 1:
        raise BittingError(
            f"the tracks of {system.name!r} count depth in different directions, and one correction can't serve both",
            hint="use a machine file and a setup key per track",
        )
    # what the cutter leaves is in the measured error of a key that was cut without any corrections
    before = Corrections(cutter=machine.cutter) if fresh else machine.corrections
    before.must_serve(system)
    hand = 1 if hand_of(system, system.lanes[0]) == "left" else -1
    alone, found = (corrections_from(result, b, per_unit, hand if left_right else 0) for b in (Corrections(), before))
    if all(abs(getattr(alone, term) - getattr(before, term)) < 2e-6 for term in TERMS):
        return before
    new = evolve(found, counted=counted_in(system))
    write_whole(path, with_corrections(text, new), force=True, inputs=inputs)
    return new
