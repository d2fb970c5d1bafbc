"""Systems made by hand or drawn by hypothesis, for tests that need no file."""

from __future__ import annotations

from collections.abc import Iterable

import attrs
from hypothesis import strategies as st

from bitting.model import Blade, Cutting, Rule, System, Track
from bitting.rules import read_rule


def track(
    name: str = "left",
    cuts: int = 4,
    labels: str | list[str] = "1234",
    milling: str = "external",
    first: float = 8.6,
    step: float = -0.45,
) -> Track:
    """A track with evenly spaced cuts and evenly stepped depths."""
    spaces = tuple(20.0 - 2.3 * i for i in range(cuts))
    depths = tuple(round(first + step * i, 6) for i in range(len(labels)))
    return Track(name, milling, "far-edge", spaces, tuple(labels), depths)  # type: ignore[arg-type]


def system(
    *tracks: Track,
    must: tuple[str, ...] = (),
    should: tuple[str, ...] = (),
    sides: tuple[str, ...] = (),
    convenience: bool = False,
) -> System:
    """A system of the given tracks and rules."""
    made = System(
        "dabchick", "made for a test", "invented", "mm", "tip", sides, convenience, Blade(10.0, 2.6, 1.0),
        tracks or (track(),), must, should, cutting=Cutting(cutter=2.4, seat=0.3),
    )  # fmt: skip
    return attrs.evolve(made, rules=read_rules(made, must, should))


def read_rules(system: System, must: Iterable[str], should: Iterable[str]) -> tuple[Rule, ...]:
    """All rules of a system."""
    rules = [rule for text in must for rule in read_rule(system, text, "must")]
    return (*rules, *(rule for text in should for rule in read_rule(system, text, "should")))


def _some(labels: str) -> st.SearchStrategy[str]:
    return st.lists(st.sampled_from(list(labels)), min_size=1, max_size=len(labels), unique=True).map(" ".join)


@st.composite
def sentences(draw: st.DrawFn, cuts: int, labels: str) -> str:
    """A sentence about one track with that many cuts and those depth labels, in canonical words."""
    n = draw(st.integers(0, cuts))
    m = draw(st.integers(0, len(labels) - 1))
    few = draw(st.integers(1, max(1, cuts - 1)))
    limit = draw(st.sampled_from(["at most", "at least"]))
    i, j = draw(st.lists(st.integers(1, cuts), min_size=2, max_size=2, unique=True))
    a, b = draw(st.sampled_from(list(labels))), draw(st.sampled_from(list(labels)))
    times = f"{n} time" if n == 1 else f"{n} times"
    cut = draw(st.sampled_from(["first cut", "last cut", f"cut {i}", f"cut {i} from the tip"]))
    way = draw(st.sampled_from(["deeper", "shallower"]))
    row = " ".join(draw(st.lists(st.sampled_from(list(labels)), min_size=1, max_size=cuts)))
    code = st.lists(st.sampled_from(list(labels)), min_size=cuts, max_size=cuts).map(" ".join)
    low, high = sorted(draw(st.lists(st.integers(0, 4 * cuts), min_size=2, max_size=2)))
    kinds = [
        f"adjacent cuts differ by {limit} {m}",
        f"MACS is {m}",
        f"adjacent cuts differ by an {draw(st.sampled_from(['even', 'odd']))} amount",
        f"a cut is at most {m} {way} than the cut before it",
        f"{cut} is one of {draw(_some(labels))}",
        f"{cut} is not {draw(_some(labels))}",
        f"no more than {few} equal cuts in a row",
        f"{limit} {n} different depths",
        f"{limit} {n} cuts are {a} or {way}",
        f"depth {a} is used {limit} {times}",
        f"no depth is used more than {few} {'time' if few == 1 else 'times'}",
        f"depths {draw(_some(labels))} together are used {limit} {times}",
        f"the deepest and the shallowest cut differ by {limit} {m}",
        f"{limit} {n} neighbours are equal",
        f"the depth changes {limit} {times}",
        f"cuts {few} apart differ by {limit} {m}",
        f"{a} is never followed by {draw(_some(labels))}",
        f"{a} and {b} are never neighbours",
        f"{row} never stand in a row",
        f"when {cut} is {draw(_some(labels))}, cut {j} is one of {draw(_some(labels))}",
        f"cut {i} is deeper than cut {j}",
        f"cuts {i} and {j} are {draw(st.sampled_from(['equal', 'not equal']))}",
        f"cuts never get {way}",
        f"cuts get {way} {limit} {times}",
        f"no more than {n} cuts in a row get {way}",
        f"cuts change direction {limit} {times}",
        "the sum of cuts is even",
        f"the sum of cuts is between {low} and {high}",
        f"these codes are not used: {draw(code)}, {draw(code)}",
        "the code is not the same read from the tip",
    ]
    return draw(st.sampled_from(kinds))


@st.composite
def one_track(draw: st.DrawFn) -> System:
    """A key with one track and up to four rules of any kind."""
    cuts, labels = draw(st.integers(2, 5)), "12345"[: draw(st.integers(2, 4))]
    must = draw(st.lists(sentences(cuts, labels), max_size=4, unique=True))
    return system(track(cuts=cuts, labels=labels), must=tuple(must))


@st.composite
def two_tracks(draw: st.DrawFn) -> System:
    """Left and right, each with rules of its own and rules that couple them."""
    cuts, labels = draw(st.integers(2, 3)), "1234"[: draw(st.integers(2, 3))]
    other = draw(st.integers(2, 3))
    n, limit = draw(st.integers(0, 6)), draw(st.sampled_from(["at most", "at least"]))
    i, j = draw(st.integers(1, cuts)), draw(st.integers(1, other))
    few, depth = draw(st.integers(1, 4)), draw(st.sampled_from(labels))
    low, high = sorted(draw(st.lists(st.integers(2, 20), min_size=2, max_size=2)))
    names = draw(st.permutations(["left", "right"]))
    pair = f"{names[0]} and {names[1]}"
    lengths = {"left": cuts, "right": other}
    coupling = [
        f"{pair} add up to {limit} {n} at every cut",
        f"{pair} differ by {limit} {draw(st.integers(0, 2))} at every cut",
        f"{pair} are not the same",
        f"at least {draw(st.sampled_from([0.0, 1.9, 2.3, 2.5, 6.2, 6.75]))} stands between {pair}",
        f"when {names[0]} cut {i if names[0] == 'left' else j} is {draw(_some(labels))}, "
        f"{names[1]} cut {i if names[1] == 'left' else j} is one of {draw(_some(labels))}",
        "the code is not the same read from the tip",
        f"over the whole key, the sum of cuts is {draw(st.sampled_from(['even', 'odd']))}",
        f"over the whole key, the sum of cuts is between {low} and {high}",
        f"over the whole key, {limit} {n} cuts are {depth} or {draw(st.sampled_from(['deeper', 'shallower']))}",
        f"over the whole key, depths {draw(_some(labels))} together are used {limit} {n} {'time' if n == 1 else 'times'}",
        f"over the whole key, no depth is used more than {few} {'time' if few == 1 else 'times'}",
    ]
    must = draw(st.lists(st.sampled_from(coupling), max_size=2, unique=True))
    for side in ("left", "right"):
        own = draw(st.lists(sentences(lengths[side], labels), max_size=2, unique=True))
        must += [f"on {side}, {text}" for text in own]
    return system(track("left", cuts, labels), track("right", other, labels), must=tuple(must))


@st.composite
def two_sides(draw: st.DrawFn) -> System:
    """An edge key with different cuts on its two edges."""
    cuts, labels = draw(st.integers(2, 3)), "123"[: draw(st.integers(2, 3))]
    shared = draw(st.lists(sentences(cuts, labels), max_size=2, unique=True))
    shared = [text for text in shared if "code" not in text]
    must = [*shared, *draw(st.lists(st.just("top and bottom are not the same"), max_size=1))]
    must += [f"on top, {text}" for text in draw(st.lists(sentences(cuts, labels), max_size=1))]
    return system(track("edge", cuts, labels, "edge"), must=tuple(must), sides=("top", "bottom"))


any_system = st.one_of(one_track(), two_tracks(), two_sides())
