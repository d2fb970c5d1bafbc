"""What a plan says besides the moves: before, between and after them. Common practice of the trade throughout.

Everything here is made from the system file: nothing is said of a cutter, a face or a setup key that the system lacks.

What a simulation found that the person at the machine must know, the worst first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

from bitting.geometry.frame import Frame, frame_of, seat_of
from bitting.machine.plan.bite import milling_of
from bitting.machine.plan.dial import setting_of
from bitting.machine.plan.steps import Step
from bitting.machine.simulate import Simulation, Wall
from bitting.model import Lane, System
from bitting.systemfile.machine import Machine


def length(system: System, value: float) -> str:
    """A length in millimetres and thousandths of an inch, the system's own unit first.

    >>> from bitting.model import Blade
    >>> length(System("wren", "", "", "mm", "tip", (), False, Blade(), ()), 2.4)
    '2.40 mm (94.5 thou)'
    """
    own, other = system.in_both(value)
    return f"{own} ({other})"


def setup_lines(system: System, machine: Machine | None, side: str | None) -> tuple[str, ...]:
    """What is ready before the first move, which is made on that side."""
    found = [
        f"Cutter, spindle unplugged: {cutter_words(system, machine)}, sharp, clean and tight.",
        f"Stop: the blank's {system.stop} against it; try that it can't be pushed further.",
    ]
    setup = system.cutting.setup
    if setup is not None:
        track = system.tracks[0]
        found.append(
            f"Setup key: every cut at {track.labels[0]}, cut {setup.cut + 1} at {track.labels[setup.depth]}. "
            f"Set the depth with its flat, then space and depth together in its deep cut."
        )
        stands = on_the_flat(system, machine)
        found[-1] += f" {stands[0].upper()}{stands[1:]}." if stands else ""
    found.append("Blank: the right one, straight, deburred; its tip cut first where such blanks come uncut.")
    if system.blade.prepared is not None:
        found.append(f"Its edges milled in by {length(system, system.blade.prepared)}, as this system's blanks are.")
    found.append(
        f"Key: {laid(system, side)}, bow towards you, flat on the clamp and gauged against the stop before it is tightened."
        + (f" Then {UNSTOP}: the cutter starts and runs out where it stands." if system.stop == "tip" else "")
    )
    if system.blade.mill_depth is not None and system.tracks[0].milling != "edge":
        found.append(
            f"Height: in air beyond the tip, touch the height of the face, lock, then lower by "
            f"{length(system, system.blade.mill_depth)}. Never feed down along the spindle into the blade."
        )
    controls = {} if machine is None else {"space": machine.space, "depth": machine.depth}
    loose = [name for name, dial in controls.items() if dial is not None and dial.backlash]
    if loose:
        how = {"space": "the way the moves go on", "depth": "deepening"}
        who = "Both controls have" if len(loose) == 2 else f"The {loose[0]} control has"
        found.append(f"{who} play: come to the first setting {', depth '.join(how[name] for name in loose)}.")
    return tuple(found)


def on_the_flat(system: System, machine: Machine | None) -> str:
    """Where the depth stands on the setup key's flat, where a machine file makes that another than the flat's; else ""."""
    if machine is None:
        return ""
    flat = system.tracks[0].depths[0]
    at = setting_of(frame_of(system, system.lanes[0]), Step("start", "", 0.0, flat), machine, "depth")
    if system.in_both(at, 3) == system.in_both(flat, 3):
        return ""
    return (
        f"by the machine file the depth stands at {length(system, at)} where the cutter touches a flat of "
        f"{length(system, flat)}: set to {system.in_own(flat)} there, it would be corrected twice"
    )


def cutter_apart(system: System, machine: Machine | None) -> tuple[str, ...]:
    """That settings allow for a cutter which measures otherwise than the system's."""
    stands = on_the_flat(system, machine)
    round_end = system.cutting.shape == "round"
    if not stands or machine is None or not round_end or machine.cutter in (None, system.cutting.cutter):
        return ()
    return (f"this machine's cutter measures {length(system, machine.cutter or 0.0)}: {stands}",)


def laid(system: System, side: str | None) -> str:
    """How the key lies in the clamp while a side is milled."""
    edge = system.tracks[0].milling == "edge"
    if side is None:
        return f"{'edge' if edge else 'face'} to the cutter"
    return f"{side} edge to the cutter" if edge else f"{side} face up"


def play_apart(system: System, machine: Machine | None, directions: Sequence[str]) -> tuple[str, ...]:
    """Tracks cut in opposite directions come to their places from opposite ways; the dial's zero holds for one of them."""
    space = None if machine is None else machine.space
    if space is None or not space.backlash or space.zeroed is not None or len(set(directions)) < 2:
        return ()
    return (
        f"the tracks are cut in opposite directions, and the space control has {length(system, space.backlash)} of play: its "
        f'zero holds for the way it went when it was set. Write zeroed = "to-bow" or "to-tip" under [space], and the settings of '
        f"the other way take up the play",
    )


def cutter_words(system: System, machine: Machine | None = None) -> str:
    """The system's cutter, and the machine's where that measures otherwise."""
    cutting = system.cutting
    if cutting.shape == "vee":
        return f"vee, {cutting.angle:g}° included, {length(system, cutting.root or 0.0)} flat at its point"
    own = f"{length(system, cutting.cutter or 0.0)}, turning {cutting.rotation} seen from above"
    if machine is None or machine.cutter is None:
        return f"end mill, {own}"
    return f"this machine's end mill of {length(system, machine.cutter)} (settings allow for it; the system's is {own})"


def turn_over(system: System, side: str) -> str:
    """Between one side and the next."""
    if system.tracks[0].milling == "edge":
        how = f"turn the key so that its {side} edge meets the cutter"
    else:
        how = f"give the key half a turn about its long axis, {side} up"
    return f"Spindle stopped, hands clear: loosen the clamp, {how}; brush the clamp, {gauged_again(system)}."


UNSTOP = "take the stop away"


def gauged_again(system: System) -> str:
    """How a key is clamped that was clamped before; a cutter that starts past the tip would meet a stop that stands there."""
    return "gauge it against the stop again, clamp" + (f", {UNSTOP}" if system.stop == "tip" else "")


CAUTIONS = (
    "A key is cut for someone entitled to it: establish that first. Local law and your licence come before this plan.",
    "Glasses on. No gloves, loose sleeves, long hair or cords near the spindle.",
    "Unplug before changing a cutter. The right cutter, tight. Never force a key or a control.",
    "Spindle stopped and hands clear before the clamp is touched or the key turned.",
    "Brush chips away, never blow; keep electronics (a key's head with a chip, a telephone) out of clamp and chips.",
    "A wrong move: stop, and see what the cutter met. Too shallow is milled once more; too deep is a new blank.",
)

VEHICLE = ("ignition", "steering", "boot", "trunk", "glove", "tank", "car")
"""Words of a lock's name that say it is a vehicle's."""


def after_lines(system: System) -> tuple[str, ...]:
    """What follows the last move; what is said of vehicles only where a lock of the system is one's."""
    locks = [name.casefold() for name in system.locks]
    found = [
        "Deburr, wipe dry, inspect every cut with the caliper before the key meets a lock.",
        "Try it gently: in and out first, then a light turn, door open.",
        "If it sticks: stop turning, back to where it went in, withdraw it straight; no pliers.",
    ]
    if any(word in name for name in locks for word in VEHICLE):
        found.append("In an ignition: vehicle parked and held by its brake, a light turn; never while it rolls.")
        found.append("A right bitting may still not start a vehicle that asks for more than metal.")
    return (*found, "Miscuts and printed sheets carry the code: destroy them.")


def climbing(frame: Frame, steps: Sequence[Step], direction: str) -> list[str]:
    """The moves that climb, by the cuts they go to, with the order that doesn't where there is one."""
    climbs, at = [], ""
    for step in steps:
        at = step.to if step.action == "space" else at
        if step.milling == "climb":
            climbs.append("the run-out" if step.action == "run-out" else f"cut {at}" if at else "the first cut")
    climbs = list(dict.fromkeys(climbs))
    if not climbs:
        return []
    better = "tip-to-bow" if direction == "bow-to-tip" else "bow-to-tip"
    against = milling_of(frame, better == "bow-to-tip") == "conventional"
    cure = f"; `--direction {better}` mills this track against the feed" if against else ""
    cuts = ", ".join(name.removeprefix("cut ") if i else name for i, name in enumerate(climbs))
    which = f"the move to {cuts} climbs" if len(climbs) == 1 else f"moves to {cuts.replace('cut ', 'cuts ', 1)} climb"
    return [f"{frame.lane.label}: {which} (the cutter pulls the key): light passes, hold the control{cure}"]


def taken(system: System, change: Mapping[str, tuple[list[float], list[float]]], only: str | None = None) -> str:
    """`left 5 by 0.10 mm, right 2 by 0.45 mm`; with the one side that is worked in front of each."""
    before = f"{only} " if only else ""
    parts = [
        f"{before}{label} {cut} by " + (f"{system.in_mm(b - a):.2f} mm" if system.unit == "mm" else f"{b - a:.4f} in")
        for label, (old, new) in change.items()
        for cut, (a, b) in enumerate(zip(old, new, strict=True), 1)
        if b > a + 1e-9
    ]
    return ", ".join(parts)


def taking(system: System, cuts: Sequence[tuple[Lane, int, int, float]], only: str | None) -> tuple[str, ...]:
    """What to try before a cut (its track, itself from 0, its depth, how far) is set past its depth: the dial may have been
    set wrong; and what takes a cut nearer to another depth than to its own.

    A machine that is true, set past the depth, would cut the key too deep by what is missing now.
    """
    before = f"{only} " if only else ""
    names = [
        f"{before}{lane.label} {cut + 1} at depth {lane.track.labels[depth]}, {system.in_both(lane.track.depths[depth])[0]}"
        for lane, cut, depth, _ in cuts
    ]
    if not names:
        return ()
    far = []
    for lane, cut, depth, length in cuts:
        depths, labels = lane.track.depths, lane.track.labels
        like = min(range(len(depths)), key=lambda i: abs(depths[depth] + lane.track.deeper * length - depths[i]))
        if like != depth:
            far.append(
                f"{lane.label} {cut + 1} would then be nearer to depth {labels[like]} "
                f"({system.in_both(depths[like])[0]}) than to {labels[depth]}: was less to come off?"
            )
    side = " Leave out a side that measured right." if system.convenience and len(system.sides) > 1 and not only else ""
    return (
        *far,
        f"First mill once more {'; '.join(names)}, and measure: if the dial was only set wrong, that mends it. Go past the "
        f"depth only for what is still too shallow.{side}",
    )


def copying_lines(system: System) -> tuple[str, ...]:
    """How a proven first key is copied onto the blank that stays with the customer, on a machine that follows it."""
    found = [
        "Cut this plan on a plain first key; prove it in the lock, door open.",
        "Then, on a copying machine: first key to the tracer, final key under the cutter, both against the same stop. A "
        "machine without a tracer cuts the final key by this plan once more.",
    ]
    if system.cutting.shape == "vee":
        found.append("Copy cut by cut: the tracer in each cut of the first key, out again before moving on.")
    else:
        found.append("Feed steadily, so that the metal lies to the left of the travel (conventional milling):")
        if system.cutting.rotation == "anticlockwise":
            found[-1] = "Feed steadily, so that the metal lies to the right of the travel (conventional milling):"
        lanes = [lane for lane in system.lanes if lane.side in (None, system.sides[0] if system.sides else None)]
        found += [f"  {line}" for line in _feeds(system, lanes)]
        found.append("Start where the metal is whole; the last pass with no pressure but the tracer's.")
    if len(system.sides) > 1:
        found.append(f"Turn both keys, gauge both again, and copy the {system.sides[1]} the same way.")
    found.append(
        "Before it meets a lock: no burr, no step at the tip, each wall as bright and as deep as the first key's."
    )
    return tuple(found)


def _feeds(system: System, lanes: Sequence[Lane]) -> list[str]:
    """How to feed each track; an internal groove is entered along one wall and left along the other."""
    found = []
    for lane in lanes:
        tipwards = milling_of(frame_of(system, lane), True) == "conventional"
        feed = "from the bow to the tip" if tipwards else "from the tip to the bow"
        found.append((tipwards, f"{lane.track.name}: {feed}"))
    if any(lane.track.milling == "internal" for lane in lanes):
        found.sort(key=lambda item: item[0])  # in from the tip along one wall, back out along the other
        return [f"{i}. along the wall {text}, small cutter" for i, (_, text) in enumerate(found, 1)]
    return [text for _, text in found]


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
    sides = (None, *system.sides[:1], *(system.sides if system.sided else ()))
    steep = [wall for wall in simulation.walls if wall.too_steep and wall.side in sides]
    if steep:
        found.append(_steep(system, steep, eased))
    return found


def _steep(system: System, walls: Sequence[Wall], eased: bool) -> str:
    """All walls that a tumbler can't climb, in one sentence that ends with what eases them."""
    if system.cutting.shape == "vee":
        cure = "that is the cutter's own flank"
    else:
        cure = "stops can't ease them further" if eased else "ease them with `bitting plan --ease`"
    names: dict[str, list[str]] = {}
    for wall in walls:
        side = f"{wall.side} " if wall.side and system.sided else ""
        names.setdefault(f"{side}{wall.track}", []).append("-".join(map(str, wall.cuts)))
    where = "; ".join(f"{track} {', '.join(cuts)}" for track, cuts in names.items())
    return (
        f"Too steep for a tumbler ({system.cutting.steepest:g}°, here up to {max(w.angle for w in walls):.0f}°), between cuts: "
        f"{where}; {cure}."
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
