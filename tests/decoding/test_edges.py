"""Keys with cuts on two edges, read with a caliper between them: one code on each edge, and edges that are cut alike."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

import bitting
from bitting.batch.columns import Wanted
from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.decoding import Decoder, MeasurementModel
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import Across, Depths, Measuring, System, Track, code_of
from tests.conftest import but_long
from tests.decode_oracle import make_system
from tests.make import read_rules

WEB = 8.6
EDGES = Across(("edge", "edge"), -1, WEB, ("top", "bottom"))
MODEL = MeasurementModel(0.03, 0.05, 0.05, 0.01, tilt_sd=0.03, cut_sd=0.02)


def edge(name: str, cuts: int = 3) -> Track:
    """A track of cuts from the full edge down."""
    spaces = tuple(24.0 - 3.4 * i for i in range(cuts))
    return Track(name, "edge", "own-edge", spaces, ("1", "2", "3"), (0.5, 1.1, 1.7))


def sided() -> System:
    made = make_system(sides=("top", "bottom"), measuring=Measuring(across=EDGES))
    return evolve(made, tracks=(edge("edge"),), blade=evolve(made.blade, width=WEB), rules=())


def as_tracks() -> System:
    """The same key told as two tracks of one face."""
    made = make_system(measuring=Measuring(across=Across(("top", "bottom"), -1, WEB)))
    return evolve(made, tracks=(edge("top"), edge("bottom")), blade=evolve(made.blade, width=WEB), rules=())


def alike(must: tuple[str, ...] = ()) -> System:
    """Grebe's table, cut alike on both edges."""
    grebe = bitting.load_system("grebe")
    made = evolve(grebe, name="smew", convenience=True, must=must, should=(), rules=())
    return evolve(made, rules=read_rules(made, must, ()))


@pytest.mark.parametrize(
    "text",
    [pytest.param("across: 6.95 5.83 5.20", marks=pytest.mark.thorough), "top: 0.52 1.71|1.69 ? / across: 6.95 5.83 5.20",
     pytest.param("top: 0.52 1.71 1.1 / bottom: 1.12 1.1 ? / across: 6.95|6.99 ? 5.20", marks=pytest.mark.thorough)],
)  # fmt: skip
def test_edges_are_decoded_as_two_tracks_are(text: str) -> None:
    """Two tracks across are held to brute force elsewhere (test_exact.py)."""
    found = [
        Decoder(system, MODEL, listings=False).decode(bitting.parse_readings(text, system), 9)
        for system in (sided(), as_tracks())
    ]
    assert found[0].log_evidence == pytest.approx(found[1].log_evidence, abs=1e-9)
    mine, other = ([(c.depths, c.probability) for c in one.candidates] for one in found)
    assert [d for d, _ in mine] == [d for d, _ in other]
    assert [p for _, p in mine] == pytest.approx([p for _, p in other], abs=1e-9)
    assert any("can't tell top from bottom" in note for note in found[0].notes) == (text.startswith("across"))


def test_a_reading_between_edges_cut_alike_is_half_of_it_of_each() -> None:
    system = alike()
    web = bitting.parse_readings("across: 6.96|6.98 5.20 ? 7.6±0.04 5.83 4.01", system)
    single = bitting.parse_readings("0.82|0.81 1.7 ? 0.5±0.02 1.385 2.295", system)
    assert [cut.track for cut in web.cuts] == ["edge"] * 6
    for one, other in zip(web.cuts, single.cuts, strict=True):
        for a, b in zip(one.readings, other.readings, strict=True):
            assert a.value == pytest.approx(b.value)
            assert a.digit == pytest.approx(0.1 / 2 if "7.6" in web.text[slice(*a.span)] else 0.005)
            assert a.own_sd == (None if b.own_sd is None else pytest.approx(b.own_sd))
            assert a.share == 0.5
    sure = Decoder(system).decode(web, 3)
    halved = [
        evolve(r, own_sd=r.own_sd or 0.015, digit=a.digit)
        for cut, one in zip(single.cuts, web.cuts, strict=True)
        for r, a in zip(cut.readings, one.readings, strict=True)
    ]
    rest = iter(halved)
    cuts = tuple(evolve(cut, readings=tuple(next(rest) for _ in cut.readings)) for cut in single.cuts)
    same = Decoder(system).decode(evolve(single, cuts=cuts), 3)
    assert sure.log_evidence == pytest.approx(same.log_evidence, abs=1e-9)
    assert any("(8.6 - reading) / 2" in note for note in sure.notes)


def measured(system: System, depths: Depths, random: np.random.Generator, repeats: int = 2) -> str:
    """What a caliper reads between two edges that are worn each by itself."""
    table, scale, shared = system.tracks[0].depths, random.gamma(4, 0.25), random.normal(0, 0.05)
    row = []
    for depth in depths[0]:
        worn = sum(table[depth] + shared + 0.05 * scale * random.gamma(2, 0.5) + random.normal(0, 0.02) for _ in "12")
        row.append("|".join(f"{WEB - worn + random.normal(0, 0.03):.2f}" for _ in range(repeats)))
    return "across: " + " ".join(row)


@pytest.mark.thorough
def test_keys_cut_alike_are_decoded_from_the_web() -> None:
    """The wear of two edges is taken for that of one: a little wide, so no sure answer is wrong for it."""
    system, random = alike(("adjacent cuts differ by at most 3",)), np.random.default_rng(5)
    decoder = Decoder(system)
    sure = wrong = 0
    for depths in code_space(system).sample(30, 11):
        result = decoder.decode(bitting.parse_readings(measured(system, depths, random), system), 2)
        sure += result.verdict == "sure"
        wrong += result.verdict == "sure" and result.candidates[0].depths != depths
    assert wrong == 0
    assert sure >= 24


@pytest.mark.parametrize("number", but_long(range(4), 1, 2, 3))
def test_a_perfect_grebe_key_is_decoded_from_one_edge_and_the_web(number: int) -> None:
    system = bitting.load_system("grebe")
    depths = list(code_space(system).sample(4, 7))[number]
    table = system.tracks[0].depths
    web = " ".join(f"{WEB - table[a] - table[b]:.2f}" for a, b in zip(*depths, strict=True))
    result = bitting.decode(
        bitting.parse_readings(
            f"top: {' '.join(f'{table[d]:.2f}|{table[d]:.2f}' for d in depths[0])} / across: {web}", system
        ),
        system,
    )
    assert (result.verdict, result.code) == ("sure", code_of(system, depths).canonical)
    alone = bitting.decode(bitting.parse_readings(f"across: {web}", system), system)
    assert alone.verdict == "unsure"


def test_the_web_belongs_to_no_side() -> None:
    system = bitting.load_system("grebe")
    with pytest.raises(BittingError, match="between the edges is of both"):
        bitting.parse_readings("top(across: 6 6 6 6 6 6)", system)
    with pytest.raises(BittingError, match="across: 6 readings expected, 5 given"):
        bitting.parse_readings("across: 6 6 6 6 6", system)


@pytest.mark.thorough
def test_a_table_with_a_column_per_web(tmp_path: object) -> None:
    from pathlib import Path

    system, folder = bitting.load_system("grebe"), Path(str(tmp_path))
    heads = [f"top {i}" for i in range(1, 7)] + [f"across {i}" for i in range(1, 7)]
    cells = ["1.10", "0.50", "1.70", "0.50", "1.10", "2.30", "5.20", "6.40", "5.20", "5.80", "5.80", "4.60"]
    (folder / "keys.csv").write_text(f"{','.join(heads)}\n{','.join(cells)}\n", encoding="utf-8")
    from bitting.batch.decoder import Choices

    job = Job(
        str(folder / "keys.csv"), str(folder / "out.csv"), Wanted(None, {}, None, True), None, None, "all", False, None,
        Choices(None, 0.95, None, None, None), 1, (),
    )  # fmt: skip
    run_batch(job, system)
    assert "top(2 1 3 1 2 4); bottom(4 3 3 4 3 3)" in (folder / "out.csv").read_text(encoding="utf-8")
