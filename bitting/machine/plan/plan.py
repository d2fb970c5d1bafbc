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

import re
from collections.abc import Sequence
from functools import partial
from typing import Any, Literal, get_args

from attrs import define, evolve, field, frozen

from bitting.checking import check
from bitting.errors import BittingError
from bitting.geometry.frame import Frame, frame_of
from bitting.geometry.profile import Piece, swept
from bitting.geometry.web import least_web
from bitting.machine.plan import words
from bitting.machine.plan.bite import milling_of, with_bites
from bitting.machine.plan.dial import out_of_reach, with_turns
from bitting.machine.plan.moves import Direction, Order, change_for, moves_at, moves_for, obstacles
from bitting.machine.plan.steps import Step
from bitting.machine.plan.words import warnings_of
from bitting.machine.simulate import Simulation, TrackMoves, across_groove, cutter_of, share_groove, simulate
from bitting.model import Code, Depths, Lane, System
from bitting.model.expect import expect, expect_read_for
from bitting.model.value import NOT_JSON, Answer
from bitting.notation.lengths import lanes_named, parse_length
from bitting.notation.mend import mended
from bitting.systemfile.machine import Machine


@frozen
class TrackPlan(TrackMoves):
    """The moves of a plan for one track of one side."""

    direction: Direction
    steps: tuple[Step, ...]
    frame: Frame = field(repr=False, metadata=NOT_JSON)
    """The coordinates that the steps were made in, with the machine's own cutter."""

    @property
    def label(self) -> str:
        """How people are told of it."""
        lane = self.frame.lane
        return lane.label if lane.side == self.side else f"{self.side} {self.track}"


@frozen
class Plan(Answer):
    """The whole job. `tracks` in the order they are worked; `moves` counts the steps.

    `setup` is what to do first, `between` what to do before each further side (by its name), `after` and `copying` what
    follows, `cautions` what always holds; `legal` whether the system's rules allow the code. `widest_bite` is a
    length in the system's unit; so is `rule_web`, of an eased key the metal that rules count. `made_for` is the system,
    `system` its name.
    """

    json_names = (
        *("system", "unit", "eased", "legal", "moves", "widest_bite", "tracks", "simulation", "warnings", "setup"),
        *("between", "after", "copying", "cautions", "cut_through", "obstacles", "taken", "rule_web"),
    )
    json_digits = 6
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
    obstacles: tuple[str, ...] = ()
    taken: str | None = None
    """What a change takes off, in words; None where the whole key is cut."""
    rule_web: float | None = None

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
        """Whether the code is legal, nothing is cut too deep or through, every cut gets its depth, nothing is in the way."""
        sound = self.simulation.gouge == 0 and self.simulation.reached
        return self.legal and sound and not self.cut_through and not self.obstacles

    @property
    def cut_through(self) -> str | None:
        """Where no metal is left when all is cut, in words; None where some is everywhere."""
        last = self.simulation.stages[-1] if self.simulation.stages else None
        if last is None:
            return None
        if last.web is not None and last.web <= 1e-9:
            return "no metal is left between its walls"
        if last.floor is not None and last.floor <= 1e-9:
            return "its faces are milled into each other"
        return None

    @property
    def moves(self) -> int:
        """How many moves there are, the setting up at each load place counted as one."""
        return sum(len(track.steps) for track in self.tracks)

    @property
    def widest_bite(self) -> float:
        return max((step.bite for track in self.tracks for step in track.steps), default=0.0)

    def as_dict(self) -> dict[str, Any]:
        """The JSON of `plan --json`."""
        return super().as_dict() | {"between": [{"side": side, "text": text} for side, text in self.between]}


Change = dict[str, tuple[list[float], list[float]]]
"""By a lane's label: how far in its cuts are, and how far they are to go."""
MOST_TAKEN = 2
"""Depths: more than this is no correction of a cut."""


@frozen
class Take:
    """So much more (a length, in the system's unit) to be taken off one cut; cuts are counted from 0.

    `side` is the one side of a convenience key that is to be worked, None for both.
    """

    lane: int
    cut: int
    length: float
    side: str | None = None


_TAKE = re.compile(r"\s*(.*?)\s*([0-9]+)\s*by\s*(\S.*)", re.IGNORECASE)


def parse_take(text: str, system: System) -> Take:
    """`left 5 by 0.10`, `top left 5 by 4 thou` (that side alone), `5 by 0.10` or `cut 5 by 0.10` where there is one track.

    >>> from bitting.model import Blade, Track
    >>> left = Track("left", "external", "far-edge", (5.0, 2.5), ("1", "2"), (8.6, 8.1))
    >>> parse_take("left 2 by 0.1", System("wren", "", "", "mm", "tip", (), False, Blade(), (left,)))
    Take(lane=0, cut=1, length=0.1, side=None)
    """
    hint = "write the track, the cut from the bow and the length, as in `left 5 by 0.10`"
    said = _TAKE.fullmatch(text)
    if not said:
        raise BittingError(f"can't tell from {text!r} which cut is meant and how much comes off", hint=hint)
    named, number, amount = said.groups()
    found = lanes_named(named, system)
    if len(found) != 1:
        known = ", ".join(lane.label for lane in system.lanes)
        raise BittingError(
            f"{text!r} names {'no' if not found else 'more than one'} track", hint=f"its tracks: {known}; {hint}"
        )
    [(side, track)] = found
    lane = next(i for i, one in enumerate(system.lanes) if one.track.name == track and one.side in (side, None))
    cut = int(number) - 1
    if not 0 <= cut < system.lanes[lane].track.cuts:
        raise BittingError(f"{text!r}: there is no cut {number}", hint=f"cuts are 1 to {system.lanes[lane].track.cuts}")
    length = parse_length(amount, system)
    if not 0 < length <= MOST_TAKEN * system.step:
        raise BittingError(
            f"{text!r}: {length:g} {system.unit} is no length to take off",
            hint="give a length above 0 and below two depths; for more, plan the deeper code with --have",
        )
    return Take(lane, cut, length, None if system.sided else side)


def plan(
    code: Code,
    system: System,
    ease: bool = False,
    machine: Machine | None = None,
    direction: Direction | Literal["conventional"] | None = None,
    have: Code | None = None,
    take: Sequence[Take] = (),
) -> Plan:
    """The moves for every track of a key, simulated.

    `ease` adds stops where a square step leaves a wall steeper than the system's `steepest`. `machine` turns settings
    into turns, takes up its backlash and corrects for it. `direction` overrides every track's own; `conventional` works
    each track the way that mills it against the feed. `have` is the code that the key is cut to already, `take` what is
    still to come off single cuts: only what gets deeper is milled then. Raises `BittingError` for a code with a cut that
    is open or wrong, for a change that would need metal back, and where the system file lacks what is needed. (Long: it
    names every field of a plan.)
    """
    expect(Code, code)
    expect(System, system)
    if machine is not None:
        expect(Machine, machine)
    if direction is not None and direction not in (*get_args(Direction), "conventional"):
        raise BittingError(
            f"{direction!r} is no direction to work in",
            hint=f"say {' or '.join(map(repr, get_args(Direction)))}, or 'conventional', which mills against the feed",
        )
    if have is not None:
        expect_read_for(have, system)
    report = check(code, system, suggest=False)
    faults = [finding.message for finding in report.findings if finding.level == "must"]
    if code.depths is None:
        raise BittingError(
            f"a key can be cut only from a code whose every cut is one known depth: {'; '.join(faults)}",
            hint="`bitting check` shows where; `bitting complete` lists the codes that fit one with open cuts",
            text=code.text,
            mending=partial(mended, code.text, system),
        )
    fitted = None if machine is None else machine.fitted(system)
    measured = None if fitted is None or system.cutting.shape == "vee" else fitted.cutter
    radius = None if measured is None else measured / 2  # None: the system's own
    change = _change(system, code.depths, have, take, radius) if have is not None or take else None
    only = {part.side for part in take}
    if len(only) > 1:
        raise BittingError("what comes off differs from side to side", hint="plan one side at a time")
    side_taken = only.pop() if only and have is None else None
    work = _Work(system, code.depths, change, ease, direction, fitted, radius, side_taken)
    for side in system.sides or (None,):
        work.work(side)
    wanted = None if change is None else {label: new for label, (_, new) in change.items()}
    simulation = simulate(code.depths, system, work.moves, radius=radius, travels=wanted)
    worked = list(dict.fromkeys(track.side for track in work.tracks))
    illegal = (f"NOT A LEGAL CODE of {system.name}: {fault}." for fault in faults)
    return Plan(
        made_for=system,
        eased=ease,
        tracks=tuple(work.tracks),
        simulation=simulation,
        legal=report.legal,
        warnings=(
            *illegal,
            # a shallow cut comes to its depth, not past it, so walls beside it get no steeper than the code's
            *warnings_of(
                system, evolve(simulation, walls=()) if take and have is None else simulation, eased=ease, radius=radius
            ),
            *words.taking(
                system,
                [(system.lanes[t.lane], t.cut, code.depths[t.lane][t.cut], t.length) for t in take],
                side_taken,
            ),
            *words.cutter_apart(system, fitted),
            *words.play_apart(system, fitted, [track.direction for track in work.tracks]),
            *work.notes,
            *(() if fitted is None else out_of_reach(work.tracks, fitted)),
        ),
        setup=words.setup_lines(system, fitted, worked[0] if worked else None),
        between=tuple((str(side), words.turn_over(system, str(side))) for side in worked[1:]),
        after=words.after_lines(system),
        copying=words.copying_lines(system),
        cautions=words.CAUTIONS,
        obstacles=tuple(work.hit),
        taken=None if change is None else words.taken(system, change, side_taken),
        rule_web=least_web(system, code.depths) if ease else None,
    )


@define
class _Work:
    """The tracks of a key, worked one after the other. `moves` are all that is milled, earlier cuts of a changed key too."""

    system: System
    depths: Depths
    change: Change | None
    ease: bool
    direction: Direction | Literal["conventional"] | None
    machine: Machine | None
    radius: float | None
    only: str | None = None
    tracks: list[TrackPlan] = field(init=False, factory=list)
    moves: list[TrackMoves] = field(init=False, factory=list)
    notes: list[str] = field(init=False, factory=list)
    hit: list[str] = field(init=False, factory=list)
    _made: dict[str, tuple[tuple[Step, ...], tuple[Step, ...]]] = field(init=False, factory=dict)

    def work(self, side: str | None) -> None:
        cleared: list[tuple[Lane, tuple[Step, ...]]] = []
        for lane in (lane for lane in self.system.lanes if lane.side in (None, side)):
            frame = frame_of(self.system, lane, self.radius)
            order = Order(_direction(frame, self.direction), self.ease, self.machine)
            if lane.label not in self._made:
                self._made[lane.label] = self._steps(frame, order, cleared)
            before, steps = self._made[lane.label]
            cleared.append((lane, (*before, *steps)))
            self.moves.append(TrackMoves(side, lane.track.name, (*before, *steps)))
            if steps and self.only in (None, side):
                self.tracks.append(TrackPlan(side, lane.track.name, order.direction, steps, frame))

    def _steps(
        self, frame: Frame, order: Order, cleared: Sequence[tuple[Lane, tuple[Step, ...]]]
    ) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
        """The moves that cut the key as it is (none: a blank), and those to make now; what is to be said of them is noted."""
        lane = frame.lane
        before: tuple[Step, ...] = ()
        if self.change is None:
            steps, said = moves_for(frame, self.depths[self.system.lanes.index(lane)], order)
        else:
            old, new = self.change[lane.label]
            before, _ = moves_at(frame, old, Order(order.direction))
            steps, said = change_for(frame, old, new, order)
        self.notes += [f"{lane.label}: {note}" for note in said]
        self.hit += [f"{lane.label}: {text}" for text in (obstacles(frame, steps, self.machine) if steps else ())]
        steps = with_bites(frame, steps, _cleared(frame, [*cleared, (lane, before)], self.radius, lane))
        if self.machine is not None:
            steps = with_turns(frame, steps, self.machine, order.direction)
        self.notes += words.climbing(frame, steps, order.direction)
        return before, steps


def _direction(frame: Frame, asked: Direction | Literal["conventional"] | None) -> Direction:
    """The direction that is asked for, or the track's own."""
    if asked == "conventional":
        return "bow-to-tip" if milling_of(frame, towards_tip=True) == "conventional" else "tip-to-bow"
    return asked or frame.track.direction


def _change(system: System, depths: Depths, have: Code | None, take: Sequence[Take], radius: float | None) -> Change:
    """What is to get deeper; raises where the key has less metal than the code asks for."""
    if have is not None and have.depths is None:
        raise BittingError(
            "the key as it is must be known cut by cut", hint="`--have` takes a whole code", text=have.text
        )
    found: Change = {}
    for number, lane in enumerate(system.lanes):
        frame = frame_of(system, lane, radius)
        new = [frame.travel_of(depth) for depth in depths[number]]
        old = list(new) if have is None or have.depths is None else [frame.travel_of(d) for d in have.depths[number]]
        gone = [i + 1 for i, (a, b) in enumerate(zip(old, new, strict=True)) if a > b + 1e-9]
        if gone:
            cuts = ", ".join(map(str, gone))
            raise BittingError(
                f"{lane.label}: cut {cuts} of the key is deeper already than the code asks for, and metal can't be put back",
                hint="take a new blank and plan it without --have",
            )
        for part in take:
            if part.lane == number:
                new[part.cut] += part.length
        found[lane.label] = old, new
    if all(old == new for old, new in found.values()):
        raise BittingError("nothing is to be taken off: the key has this code already", hint="plan it without --have")
    return found


def _cleared(
    frame: Frame, earlier: Sequence[tuple[Lane, tuple[Step, ...]]], radius: float | None, own: Lane
) -> list[Piece]:
    """What earlier moves took from this wall: its own, and those along the other wall of a groove."""
    pieces: list[Piece] = []
    for lane, steps in earlier:
        if lane == own:
            pieces += swept([(s.x, s.w) for s in steps], cutter_of(frame))
        elif share_groove(frame.lane, lane):
            owner = frame_of(frame.system, lane, radius)
            pieces += swept(across_groove(owner, [(s.x, s.w) for s in steps], frame), cutter_of(frame))
    return pieces
