"""What the checks of the geometry share: where a wall stands, which walls face each other, how lengths are told.

Distances across the blade are from a track's own edge to its wall: 0 is the edge itself, the blade's width the opposite
one. A deeper cut of an external or edge track stands further in, a deeper cut of a groove nearer its own edge.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from operator import attrgetter

from attrs import field, frozen

from bitting.diagram.occurrence import Legal
from bitting.geometry.figures import reversed_depths, reversed_spaces
from bitting.geometry.web import facing
from bitting.linting.result import LintFinding
from bitting.machine.plan.words import THIN_MM
from bitting.model import Place, System, Track


@frozen(slots=False)
class Facts:
    """A system under lint; `legal` is None where no code is legal or the codes can't be held at once."""

    system: System = field(repr=False)
    legal: Legal | None = field(repr=False)

    @cached_property
    def lanes(self) -> tuple[int, ...]:
        """The lanes whose depth table and spaces run the right way; nothing else can be said of the others."""
        sound = [
            not reversed_depths(lane.track) and not reversed_spaces(self.system.stop, lane.track)
            for lane in self.system.lanes
        ]
        return tuple(i for i, good in enumerate(sound) if good)

    @property
    def codes(self) -> Legal:
        """The legal codes, for checks that are run only where there are some."""
        if self.legal is None:
            raise ValueError("this check needs legal codes")
        return self.legal

    @property
    def thin(self) -> float:
        """Less metal than this is called thin, in the system's unit."""
        return self.system.from_mm(THIN_MM)

    @property
    def radius(self) -> float:
        """Of the end mill; 0 for a vee."""
        return 0.0 if self.system.cutting.shape == "vee" else float(self.system.need("cutting.cutter")) / 2

    def track(self, lane: int) -> Track:
        return self.system.lanes[lane].track

    def own(self, lane: int, depth: int) -> float:
        """From the track's own edge to the wall at a depth; needs the blade's width."""
        width = float(self.system.need("blade.width"))
        return width - self.track(lane).far_edge(depth, width)

    def ahead(self, a: Place, b: Place) -> float:
        """How much nearer the tip the first cut lies than the second."""
        way = 1 if self.system.stop == "shoulder" else -1
        return way * (self.track(a.lane).spaces[a.cut] - self.track(b.lane).spaces[b.cut])

    def cut(self, place: Place) -> str:
        """`cut 3`, with its track where there are several."""
        return f"cut {place.cut + 1}{self.of(place.lane)}"

    def cuts(self, a: Place, b: Place) -> str:
        """`cuts 3 and 4 of left`, or each with its track where they lie on two."""
        if a.lane == b.lane:
            first, second = sorted((a.cut + 1, b.cut + 1))
            return f"cuts {first} and {second}{self.of(a.lane)}"
        return f"{self.cut(a)} and {self.cut(b)}"

    def of(self, lane: int) -> str:
        """` of left`, or nothing where there is one track only."""
        return f" of {self.system.lanes[lane].label}" if len(self.system.lanes) > 1 else ""

    def length(self, value: float) -> str:
        """`0.45 mm`, `0.014 in`."""
        return self.system.in_own(value)

    def facing(self) -> Iterator[tuple[int, int]]:
        """Lanes whose walls face each other across the blade or a groove; a convenience edge faces itself."""
        return ((i, j) for i, j in facing(self.system) if i in self.lanes and j in self.lanes)


CUTTER = "the cutter"
"""Among the figures that a check needs: those of the cutter, of whichever shape it is."""


@frozen
class Check:
    """One check: what it is about (for people), the figures it needs, whether it applies, whether it needs legal codes.

    `stops` says that it may find errors, which `bitting/soundness.py` must then suspect.
    """

    about: str
    run: Callable[[Facts], Iterator[LintFinding]]
    needs: Sequence[str] = ()
    applies: Callable[[System], bool] = lambda system: True  # noqa: ARG005 - every check is asked with the system
    codes: bool = True
    stops: bool = False

    def lacks(self, system: System) -> list[str]:
        """The figures that the file doesn't state, as table.key."""
        of_cutter = ("cutting.cutter",) if is_round(system) else ("cutting.angle", "cutting.root")
        needs = (path for one in self.needs for path in (of_cutter if one == CUTTER else (one,)))
        return [path for path in needs if attrgetter(path)(system) is None]


def is_round(system: System) -> bool:
    """Whether it is cut with an end mill."""
    return system.cutting.shape == "round"


def is_vee(system: System) -> bool:
    return system.cutting.shape == "vee"
