"""A rule set: tracks, depth tables, rules, and the figures of cutting and measuring."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from itertools import pairwise
from typing import Any, Literal

from attrs import field, frozen

from bitting.errors import BittingError, did_you_mean

Unit = Literal["mm", "in"]
Milling = Literal["external", "internal", "edge"]
Measured = Literal["far-edge", "own-edge", "centre"]
MEASURED_FROM: dict[Measured, str] = {
    "far-edge": "the opposite edge",
    "own-edge": "its own edge",
    "centre": "the centre line",
}
"""Where a depth's dimension begins; it ends at the floor of the cut."""
Level = Literal["must", "should"]
Depths = tuple[tuple[int, ...], ...]
"""The whole key as places in the depth tables: one tuple per lane, bow to tip."""

MM_PER_INCH = 25.4

WORD = r"[A-Za-z0-9_À-ÖØ-öø-ɏͰ-ͳͶͷͻ-ͽͿΆΈ-ΊΌΎ-ΡΣ-ϵϷ-ҁҊ-ԯḀ-ỿ]+"
"""What the notation reads as one word: a name or label must be one. As in grammars/common.lark; a test holds the two
together."""
RESERVED = ("across", "both", "bow", "from", "in", "mm", "thou", "tip")
"""Words of the notation, which can't name a side or a track."""


@frozen
class Blade:
    """The blank's blade; None where the file is silent. `mill_depth`: how deep a track is milled into its face.

    `prepared`: how far in from each edge an external blank comes milled already, `mill_depth` deep, wherever a track
    runs; a cutter that is narrower than the deepest cut leaves no sliver outboard of the wall on such a blank.
    """

    width: float | None = None
    thickness: float | None = None
    mill_depth: float | None = None
    prepared: float | None = None


@frozen
class Track:
    """One milled path.

    `spaces[i]` is the distance from the stop to the centre of cut i, bow to tip. `labels[p]` and `depths[p]` are the
    name and the dimension of depth p, shallowest first. `direction` is the order in which its cuts are worked. `counted[p]`
    is what sums count depth p as, where the file says so.
    """

    name: str
    milling: Milling
    measured: Measured
    spaces: tuple[float, ...]
    labels: tuple[str, ...]
    depths: tuple[float, ...]
    direction: Literal["bow-to-tip", "tip-to-bow"] = "bow-to-tip"
    counted: tuple[int, ...] | None = None

    @property
    def cuts(self) -> int:
        """Number of cuts."""
        return len(self.spaces)

    @property
    def ends(self) -> tuple[float, float]:
        """Where a reading of a cut may lie: from one increment past the deepest to one past the shallowest dimension."""
        depths = self.depths
        if len(depths) == 1:
            return depths[0] - 1.0, depths[0] + 1.0
        ends = (2 * depths[0] - depths[1], 2 * depths[-1] - depths[-2])
        return min(ends), max(ends)

    @property
    def deeper(self) -> int:
        """+1 where a deeper cut has the larger dimension, -1 where it has the smaller one."""
        return 1 if self.depths[-1] >= self.depths[0] else -1

    def along(self, cut: int) -> float:
        """Where a cut lies along the blade, -1/2 at the first cut to +1/2 at the last."""
        low, high = self.spaces[0], self.spaces[-1]
        return 0.0 if high == low else (self.spaces[cut] - low) / (high - low) - 0.5

    def far_edge(self, depth: int, width: float) -> float:
        """Distance from the blade's opposite full edge to the wall at a depth, whatever the table measures from.

        For an external track this is the metal left; two opposite walls leave `left + right - width` between them.
        """
        dimension = self.depths[depth]
        if self.measured == "far-edge":
            return dimension
        return width - dimension if self.measured == "own-edge" else width / 2 + dimension

    @property
    def run_together(self) -> bool:
        """Whether every label is one character, so that `2133` can be read without blanks."""
        return all(len(label) == 1 for label in self.labels)

    @property
    def numbers(self) -> tuple[int, ...] | None:
        """What sums count the depths as: what the file says, or the labels; None where any is no whole number."""
        if self.counted is not None:
            return self.counted
        if all(label.isascii() and label.isdigit() for label in self.labels):
            return tuple(int(label) for label in self.labels)
        return None


@frozen
class Lane:
    """A list of cuts that must be known to make the key; `side` is None where one list serves every side.

    `only` says that its side has no other track, so that the side's name is enough.
    """

    side: str | None
    track: Track
    only: bool = False

    @property
    def label(self) -> str:
        """How people are told of it: `left`, `top left` where the sides differ, `top` where each has one track."""
        if self.side is None:
            return self.track.name
        return self.side if self.only else f"{self.side} {self.track.name}"


@frozen
class SetupCut:
    """The one deep cut of the setup key: cut and depth as places, counted from 0."""

    cut: int
    depth: int


@frozen
class Cutting:
    """The cutter and how it is used; None where the file is silent (see `System.need`)."""

    shape: Literal["round", "vee"] = "round"
    cutter: float | None = None
    angle: float | None = None
    root: float | None = None
    seat: float | None = None
    steepest: float | None = None
    rotation: Literal["clockwise", "anticlockwise"] = "clockwise"
    setup: SetupCut | None = None


@frozen
class Across:
    """How a reading across two opposite tracks follows from theirs: `scale * (left + right) + amount`.

    `less = W` in a file is left + right - W (scale +1, amount -W); `from = W` is W - left - right (scale -1). Between two
    edges the tracks are the one track of each of two `sides`.
    """

    tracks: tuple[str, str]
    scale: Literal[1, -1]
    amount: float
    sides: tuple[str, str] | None = None

    def of(self, side: str | None) -> tuple[tuple[str | None, str], tuple[str | None, str]]:
        """The (side, track) of both, for a reading that was taken on `side`."""
        first, second = self.sides or (side, side)
        return (first, self.tracks[0]), (second, self.tracks[1])

    @property
    def names(self) -> tuple[str, str]:
        """What people call the two: tracks, or sides."""
        return self.sides or self.tracks


@frozen
class Measuring:
    """The measuring figures of a system, in its unit; None where the file is silent (`DEFAULTS`).

    The fields are those of the `[measuring]` table: tolerance of a finished cut; standard uncertainty of one reading;
    error shared by all readings of a key; its difference from first cut to last; half its difference between left and
    right; mean wear; share of wrong readings; error of one cut shared by its readings; width of the caliper's jaw;
    radius of a ball or pin that reads instead of one; error of a key that is clamped again.
    """

    tolerance: float | None = None
    reading_sd: float | None = None
    offset_sd: float | None = None
    tilt_sd: float | None = None
    left_right_sd: float | None = None
    wear: float | None = None
    outliers: float | None = None
    cut_sd: float | None = None
    jaw: float | None = None
    contact: float | None = None
    across: Across | None = None
    reclamp_sd: float | None = None


DEFAULTS = {
    "reading_sd": 0.03,
    "offset_sd": 0.05,
    "tilt_sd": 0.03,
    "left_right_sd": 0.03,
    "wear": 0.04,
    "outliers": 0.01,
    "cut_sd": 0.0,
    "cut_wrong": 0.004,
    "offset_tail": 0.03,
}
"""What a system file that is silent means: lengths in millimetres, and shares (the last two and `outliers`)."""


@frozen
class Rule:
    """One rule of one system, read from a sentence and bound to the lanes it speaks of.

    A sentence that speaks of every track gives one `Rule` per lane, so that each can be answered, counted and blamed
    by itself. `lanes` are places in `System.lanes`; `arguments` are the kind's own, by name.
    """

    identifier: str
    level: Level
    sentence: str
    lanes: tuple[int, ...]
    arguments: Mapping[str, Any] = field(factory=dict, hash=False)


@frozen
class System:
    """A rule set: the tracks, their spaces and depths, and the rules that make a code legal.

    `locks` gives the cuts that each lock of the family reads, counted from 0, in order; the same ones on every track.
    `notes` are sentences on what its file says and is not taken as it stands there.
    """

    name: str
    about: str
    source: str
    unit: Unit
    stop: Literal["tip", "shoulder"]
    sides: tuple[str, ...]
    convenience: bool
    blade: Blade
    tracks: tuple[Track, ...]
    must: tuple[str, ...] = ()
    should: tuple[str, ...] = ()
    locks: Mapping[str, tuple[int, ...]] = field(factory=dict, hash=False)
    cutting: Cutting = Cutting()
    measuring: Measuring = Measuring()
    rules: tuple[Rule, ...] = ()
    path: str = ""
    notes: tuple[str, ...] = ()

    @property
    def sided(self) -> bool:
        """Whether different sides carry different cuts, so that a code has to say which side it means."""
        return len(self.sides) > 1 and not self.convenience

    @cached_property
    def lanes(self) -> tuple[Lane, ...]:
        """The lists of cuts that make a code, side by side in the order of the file."""
        sides: tuple[str | None, ...] = self.sides if self.sided else (None,)
        only = self.sided and len(self.tracks) == 1
        return tuple(Lane(side, track, only) for side in sides for track in self.tracks)

    @property
    def step(self) -> float:
        """The smallest increment between neighbouring depths of any track, in the system's unit; inf where no track has two."""
        return min((abs(b - a) for track in self.tracks for a, b in pairwise(track.depths)), default=float("inf"))

    def track(self, name: str) -> Track:
        """The track of that exact name."""
        return next(track for track in self.tracks if track.name == name)

    def lane_of(self, side: str | None, track: str) -> int:
        """The place of the lane that a track's cuts on a side belong to; the track's own where every side is cut alike."""
        return next(i for i, lane in enumerate(self.lanes) if lane.track.name == track and lane.side in (None, side))

    @property
    def form(self) -> str:
        """How a code of this system is written: `left: … / right: …`, `top: … / bottom: …`, or `…` for one list."""
        return " / ".join(f"{name}: …" for name in self.lane_names) or "…"

    @property
    def lane_names(self) -> tuple[str, ...]:
        """What people call each list of cuts of a code: `left`, `top`, `top left`; none where there is one list only."""
        return tuple(lane.label for lane in self.lanes) if len(self.lanes) > 1 else ()

    def called(self, side: str | None, track: str | None) -> str:
        """What people call a list of cuts: its side and track, as far as it takes both to tell it from the others."""
        known = {(lane.side, lane.track.name): lane.label for lane in self.lanes}
        return known.get((side, track or ""), " ".join(filter(None, (side, track))))

    @property
    def alike_across(self) -> bool:
        """Whether a reading across is of two cuts that a code has once: the edges of a key that is alike on both."""
        across = self.measuring.across
        return across is not None and across.sides is not None and not self.sided

    def lock_cuts(self, lock: str) -> tuple[int, ...]:
        """The cuts that a lock reads, counted from 0. Raises BittingError for a lock that the system doesn't have."""
        cuts = {name.casefold(): cuts for name, cuts in self.locks.items()}.get(lock.casefold())
        if cuts is None:
            listed = ", ".join(self.locks) or "none; name them under [locks] in its file"
            raise BittingError(
                f"{self.name} has no lock {lock!r}",
                hint=f"{did_you_mean(lock, list(self.locks))}its locks: {listed}",
            )
        return cuts

    def need(self, path: str) -> Any:
        """The value at `table.key`, or an error that says which line to add to the system file."""
        table, key = path.split(".")
        value = getattr(getattr(self, table), key)
        if value is None:
            where = self.path or f"the file of {self.name}"
            raise BittingError(
                f"the system {self.name!r} doesn't say `{key}`, and this command needs it",
                hint=f"add a line `{key} = …` under [{table}] in {where}",
            )
        return value

    def in_mm(self, length: float) -> float:
        """A length of this system in millimetres."""
        return length if self.unit == "mm" else length * MM_PER_INCH

    def from_mm(self, length: float) -> float:
        """A length in millimetres in this system's unit."""
        return length if self.unit == "mm" else length / MM_PER_INCH

    def in_own(self, length: float) -> str:
        """A length in this system's unit: `0.45 mm`, `0.014 in`."""
        return f"{length + 0.0:.{3 if self.unit == 'in' else 2}f} {self.unit}"

    def in_both(self, length: float, decimals: int = 2) -> tuple[str, str]:
        """A length in millimetres and in thousandths of an inch, the system's own first: `2.40 mm`, `94.5 thou`."""
        mm = self.in_mm(length)
        both = f"{mm:.{decimals}f} mm", f"{mm / MM_PER_INCH * 1000:.1f} thou"
        return both if self.unit == "mm" else both[::-1]
