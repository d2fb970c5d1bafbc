"""What a simulation found that the person at the machine must know, the worst first."""

from __future__ import annotations

from math import sqrt

from bitting.machine.geometry import seat_of
from bitting.machine.plan_words import length
from bitting.machine.simulate import Simulation
from bitting.machine.simulate_track import Wall
from bitting.model import System

THIN_MM = 0.4
"""Less metal than this between two tracks or faces is named (common practice)."""


def warnings_of(system: System, simulation: Simulation, *, eased: bool, radius: float | None) -> list[str]:
    """One line for each: gouges, missed cuts, metal that gets thin, seats left unclean, walls too steep to climb."""
    found = []
    worst = simulation.worst
    if worst is not None:
        where = " ".join(part for part in (worst.side, worst.track) if part)
        found.append(
            f"THIS CUTS TOO DEEP: {length(system, worst.gouge)} past the code at {where}, {worst.name}. Don't cut it."
        )
    if simulation.missed:
        found.append(f"Not every cut gets its depth: {', '.join(simulation.missed)}.")
    if simulation.slivers:
        found.append(f"A sliver of metal stays standing outside the wall of {', '.join(simulation.slivers)}.")
    found += _thin(system, simulation)
    found += _unclean(system, simulation, radius)
    for wall in simulation.walls:
        if wall.too_steep and wall.side in (None, *system.sides[:1], *(system.sides if system.sided else ())):
            found.append(_steep(system, wall, eased))
    return found


def _steep(system: System, wall: Wall, eased: bool) -> str:
    side = f"{wall.side} " if wall.side and system.sided else ""
    if system.cutting.shape == "vee":
        cure = "that is the cutter's own flank"
    else:
        cure = "stops can't ease it further" if eased else "easing stops would lower it"
    i, j = wall.cuts
    return (
        f"{side}{wall.track}: the wall between cuts {i} and {j} stands at {wall.angle:.0f}°, "
        f"and a tumbler climbs {system.cutting.steepest:g}°; {cure}."
    )


def _thin(system: System, simulation: Simulation) -> list[str]:
    limit = system.from_mm(THIN_MM)
    if not simulation.stages:
        return []
    last = simulation.stages[-1]
    found = []
    for name, left in (("between the walls or beside them", last.web), ("between the faces", last.floor)):
        if left is not None and left < limit - 1e-9:
            found.append(f"Only {length(system, max(left, 0.0))} of metal is left {name}.")
    return found


def _unclean(system: System, simulation: Simulation, radius: float | None) -> list[str]:
    """Seats on which the cutter leaves more than half the tolerance."""
    tolerance = system.measuring.tolerance
    if tolerance is None or simulation.missed or simulation.residual <= tolerance / 2:
        return []
    seat = seat_of(system)
    best = ""
    if system.cutting.shape == "round":
        r = radius or float(system.need("cutting.cutter")) / 2
        if seat / 2 < r:
            best = (
                f"; a cutter of this size leaves {length(system, r - sqrt(r * r - seat * seat / 4))} at any single cut"
            )
    return [
        f"{length(system, simulation.residual)} of metal stays on a seat, more than half the tolerance{best}. "
        "The cutter can't leave it clean."
    ]
