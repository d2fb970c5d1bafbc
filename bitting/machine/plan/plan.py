"""From a code to the moves of a machine set by hand, checked by simulating the cutter.

`plan(code, system)` gives, side by side and track by track, every move in order (`plan_moves` has the rules), how each
mills and how widely it bites, the simulation of the whole job, and what to do before, between and after. A plan never
hides what the simulation found: gouges, cuts that are not reached, walls a tumbler can't climb, seats that a cutter
can't leave clean, metal that gets thin, settings a machine can't reach are all in `warnings`, the worst first.

>>> import attrs
>>> from bitting.model import Blade, Cutting, System, Track, code_of
>>> left = Track("left", "external", "far-edge", (9.9, 7.6, 5.3), ("1", "2", "3"), (8.6, 8.15, 7.7))
>>> cutting = Cutting(cutter=2.4, seat=0.3, steepest=60.0)
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(width=10.0), (left,), cutting=cutting)
>>> result = plan(code_of(system, [[1, 2, 0]]), system)
>>> [(step.action, step.to) for step in result.tracks[0].steps]  # doctest: +NORMALIZE_WHITESPACE
[('start', 'load'), ('space', '1'), ('depth', '2'), ('space', '2'), ('depth', '3'), ('depth', '1'), ('space', '3'),
 ('run-out', 'load')]
>>> result.simulation.gouge, result.simulation.reached
(0.0, True)
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from attrs import field, frozen

from bitting.checking import check
from bitting.errors import BittingError
from bitting.geometry.frame import Frame, frame_of
from bitting.geometry.profile import Piece, swept
from bitting.machine.plan import words
from bitting.machine.plan.bite import with_bites
from bitting.machine.plan.dial import out_of_reach, with_turns
from bitting.machine.plan.moves import Direction, Order, moves_for
from bitting.machine.plan.steps import Step
from bitting.machine.plan.words import warnings_of
from bitting.machine.simulate import Simulation, across_groove, cutter_of, share_groove, simulate
from bitting.model import Code, Lane, System
from bitting.model.expect import expect
from bitting.systemfile.machine import Machine


@frozen
class TrackPlan:
    """The moves for one track of one side (None: the key is cut on one side only)."""

    side: str | None
    track: str
    direction: Direction
    steps: tuple[Step, ...]

    @property
    def label(self) -> str:
        """How people are told of it."""
        return self.track if self.side is None else f"{self.side} {self.track}"

    def as_dict(self) -> dict[str, Any]:
        """The JSON of `plan --json`, with `direction` and the settings of each step beside it."""
        return {
            "side": self.side,
            "track": self.track,
            "direction": self.direction,
            "steps": [step.as_dict() for step in self.steps],
        }


@frozen
class Plan:
    """The whole job. `tracks` in the order they are worked; `moves` counts the steps.

    `setup` is what to do first, `between` what to do before each further side (by its name), `after` and `copying` what
    follows, `cautions` what always holds; `legal` whether the system's rules allow the code. `widest_bite` is a
    length in the system's unit. `made_for` is the system, `system` its name.
    """

    made_for: System = field(repr=lambda system: system.name)
    eased: bool
    tracks: tuple[TrackPlan, ...]
    simulation: Simulation
    legal: bool
    warnings: tuple[str, ...]
    setup: tuple[str, ...]
    between: tuple[tuple[str, str], ...]
    after: tuple[str, ...]
    copying: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def system(self) -> str:
        """The system's name."""
        return self.made_for.name

    @property
    def unit(self) -> str:
        """The unit of every length here."""
        return self.made_for.unit

    @property
    def good(self) -> bool:
        """Whether the code is legal, nothing is cut too deep, and every cut gets its depth."""
        return self.legal and self.simulation.gouge == 0 and self.simulation.reached

    @property
    def moves(self) -> int:
        """How many moves there are, the setting up at each load place counted as one."""
        return sum(len(track.steps) for track in self.tracks)

    @property
    def widest_bite(self) -> float:
        """The widest bite of any move."""
        return max((step.bite for track in self.tracks for step in track.steps), default=0.0)

    def as_dict(self) -> dict[str, Any]:
        """The JSON of `plan --json`."""
        return {
            "system": self.system,
            "unit": self.unit,
            "eased": self.eased,
            "legal": self.legal,
            "moves": self.moves,
            "widest_bite": round(self.widest_bite, 6),
            "tracks": [track.as_dict() for track in self.tracks],
            "simulation": self.simulation.as_dict(),
            "warnings": list(self.warnings),
            "setup": list(self.setup),
            "between": [{"side": side, "text": text} for side, text in self.between],
            "after": list(self.after),
            "copying": list(self.copying),
            "cautions": list(self.cautions),
        }


def plan(
    code: Code,
    system: System,
    ease: bool = False,
    machine: Machine | None = None,
    direction: Direction | None = None,
) -> Plan:
    """The moves for every track of a key, simulated.

    `ease` adds stops where a square step leaves a wall steeper than the system's `steepest`. `machine` turns settings
    into turns, takes up its backlash and corrects for it. `direction` overrides every track's own. Raises
    `BittingError` for a code with a cut that is open or wrong, and where the system file lacks what is needed.
    """
    expect(Code, code)
    expect(System, system)
    if direction is not None and direction not in get_args(Direction):
        raise BittingError(
            f"{direction!r} is no direction to work in", hint=f"say {' or '.join(map(repr, get_args(Direction)))}"
        )
    report = check(code, system, suggest=False)
    faults = [finding.message for finding in report.findings if finding.level == "must"]
    if code.depths is None:
        raise BittingError(
            f"a key can be cut only from a code whose every cut is one known depth: {'; '.join(faults)}",
            hint="`bitting check` shows where; `bitting complete` lists the codes that fit one with open cuts",
            text=code.text,
        )
    depths = code.depths
    fitted = None if machine is None else machine.fitted(system)
    radius = _radius(system, fitted)
    tracks: list[TrackPlan] = []
    notes: list[str] = []
    made: dict[str, tuple[Step, ...]] = {}
    for side in system.sides or (None,):
        cleared: list[tuple[Lane, tuple[Step, ...]]] = []
        for lane in (lane for lane in system.lanes if lane.side in (None, side)):
            frame = frame_of(system, lane, radius)
            order = Order(direction or lane.track.direction, ease, fitted)
            if lane.label not in made:
                steps, said = moves_for(frame, depths[system.lanes.index(lane)], order)
                notes += [f"{lane.label}: {note}" for note in said]
                steps = with_bites(frame, steps, _cleared(frame, cleared, radius))
                if fitted is not None:
                    steps = with_turns(frame, steps, fitted)
                    notes += [f"{lane.label}: {fault}" for fault in out_of_reach(frame, steps, fitted)]
                made[lane.label] = steps
            cleared.append((lane, made[lane.label]))
            tracks.append(TrackPlan(side, lane.track.name, order.direction, made[lane.label]))
    simulation = simulate(depths, system, tracks, radius=radius)
    return Plan(
        made_for=system,
        eased=ease,
        tracks=tuple(tracks),
        simulation=simulation,
        legal=report.legal,
        warnings=(
            *(f"NOT A LEGAL CODE of {system.name}: {fault}." for fault in faults),
            *warnings_of(system, simulation, eased=ease, radius=radius),
            *notes,
        ),
        setup=words.setup_lines(system, fitted),
        between=tuple((side, words.turn_over(system, side)) for side in system.sides[1:]),
        after=words.AFTER,
        copying=words.copying_lines(system),
        cautions=words.CAUTIONS,
    )


def _radius(system: System, machine: Machine | None) -> float | None:
    """The radius of the cutter in the machine, None for the system's own."""
    if machine is None or machine.cutter is None or system.cutting.shape == "vee":
        return None
    return machine.cutter / 2


def _cleared(frame: Frame, earlier: Sequence[tuple[Lane, tuple[Step, ...]]], radius: float | None) -> list[Piece]:
    """What the moves along one wall of a groove took from the other."""
    pieces: list[Piece] = []
    for lane, steps in earlier:
        if share_groove(frame.lane, lane):
            owner = frame_of(frame.system, lane, radius)
            pieces += swept(across_groove(owner, [(s.x, s.w) for s in steps], frame), cutter_of(frame))
    return pieces
