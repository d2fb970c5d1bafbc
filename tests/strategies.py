"""Hypothesis strategies: systems of every shape, codes of a system, texts that look like notation."""

from __future__ import annotations

from collections.abc import Callable

from hypothesis import strategies as st

from bitting.errors import NotationError
from bitting.model import Across, Blade, Cut, CutList, Measuring, System, Track
from bitting.model.code import Code

TRACK_NAMES = ("left", "right", "Middle", "leftmost", "ober_kante", "ß1", "2nd")
SIDE_NAMES = ("top", "bottom", "Third")
ONE_CHARACTER = "123456789ABCabcüЖ_"
LONGER = ("a1", "a2", "b10", "Ab", "10", "11", "from", "tip", "both", "bow", "x", "7", "mm")


@st.composite
def tracks(draw: st.DrawFn, name: str, cuts: int | None = None) -> Track:
    """A track with labels of one character each, or of several; dimensions go either way."""
    run_together = draw(st.booleans())
    size = draw(st.integers(2, 5))
    pool = list(ONE_CHARACTER) if run_together else list(LONGER)
    labels = draw(st.lists(st.sampled_from(pool), min_size=size, max_size=size, unique=True))
    step = draw(st.sampled_from([-0.45, 0.5]))
    depths = tuple(round(8.6 + step * i, 3) for i in range(size))
    spaces = tuple(20.0 - 2.3 * i for i in range(cuts or draw(st.integers(1, 5))))
    return Track(name, "external", "far-edge", spaces, tuple(labels), depths)


@st.composite
def systems(draw: st.DrawFn) -> System:
    """A system without rules: one to three tracks, no sides, one, several that agree, or several that differ."""
    names = draw(st.lists(st.sampled_from(TRACK_NAMES), min_size=1, max_size=3, unique=True))
    made = tuple(draw(tracks(name)) for name in names)
    sides = SIDE_NAMES[: draw(st.integers(0, 3))]
    across = None
    if len(made) > 1 and draw(st.booleans()):
        across = Across((made[0].name, made[1].name), 1, -10.0)
    return System(
        "godwit", "drawn for a test", "invented", draw(st.sampled_from(["mm", "in"])), "tip", sides, draw(st.booleans()),
        Blade(), made, measuring=Measuring(across=across),
    )  # fmt: skip


@st.composite
def codes(draw: st.DrawFn, system: System) -> Code:
    """A well-formed code of a system, open cuts included; a convenience code may be written per side and differ."""
    sides: tuple[str | None, ...] = system.sides if system.sided else (None,)
    if system.sides and not system.sided and draw(st.booleans()):
        sides = system.sides
    written = []
    for side in sides:
        for track in system.tracks:
            places = st.sets(st.integers(0, len(track.labels) - 1), min_size=1)
            rows = draw(st.lists(places, min_size=track.cuts, max_size=track.cuts))
            cuts = tuple(Cut(tuple(sorted(row)), "", (0, 0)) for row in rows)
            written.append(CutList(side, track.name, cuts, (0, 0)))
    return Code(system, "", tuple(written))


PIECES = [
    "2133", "1", "2", "3", "?", "[", "]", "[1", "3]", "..", "1..3", "-", ",", "/", ";", ":", "(", ")", "=", "left", "right:",
    "top(", "bottom", "both(", "from", "tip", "bow", "#", "\n", "|", "±", "+-", "+/-", "@", "mm", "in", "thou", "7.42", "7,05",
    ".3", "7.", "½", "²", "١", "–", "\u00a0", "\u3000", "２", "：", "é", "ß", "\ud800", "\x00", "1e400", "nan", "-1", "across:",
    "'", " ", " ",
]  # fmt: skip
"""What notation is made of, whole or broken."""


def scraps() -> st.SearchStrategy[str]:
    """Texts made of pieces of notation in any order, mixed with arbitrary characters."""
    piece = st.one_of(st.sampled_from(PIECES), st.text(max_size=3))
    return st.lists(piece, max_size=14).map("".join) | st.lists(piece, max_size=14).map(" ".join)


def fault_of(function: Callable[..., object], *arguments: object) -> NotationError | None:
    """The fault that a call raises, None when it answers; anything else it raises is an error of the test."""
    try:
        function(*arguments)
    except NotationError as fault:
        return fault
    return None
