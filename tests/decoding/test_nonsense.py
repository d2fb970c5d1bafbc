"""Readings that fit nothing are answered soon, with little memory, by the whole model; only those across are found out first."""

from __future__ import annotations

import numpy as np
import pytest

from bitting.decoding import Decoder
from bitting.decoding.decoder import NONSENSE
from bitting.decoding.kbest import best_codes
from bitting.decoding.listing import ways_of
from bitting.model import ReadCut, Reading, Readings, System
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_one import with_across
from tests.benchmarks.decode_study import Bench
from tests.conftest import but_long
from tests.limits import answered, python

SECONDS = 20
"""Processor time of three keys: five times what is aimed at, with what it takes to start."""


def nonsense(system: System, seed: int, beyond: float, repeats: int = 1) -> Readings:
    """Random readings, even from `beyond` increments past one end of the depth table to as many past the other."""
    random = np.random.default_rng(seed)
    cuts = []
    for lane in system.lanes:
        depths = np.array(lane.track.depths)
        low, high = depths.min(), depths.max()
        margin = beyond * float(np.abs(np.diff(depths)).max())
        for cut in range(lane.track.cuts):
            values = np.abs(random.uniform(low - margin, high + margin, repeats)).round(2 if system.unit == "mm" else 4)
            cuts.append(
                ReadCut(lane.side, lane.track.name, cut, tuple(Reading(float(v), None, 0.01, (0, 0)) for v in values))
            )
    return Readings(system, "", system.unit, tuple(cuts))


def decode_nonsense(name: str) -> None:
    """What the processes of the next test do: single readings, and those of both tracks beside readings across them."""
    system = load_system(name)
    decoder, across = Decoder(system), system.measuring.across
    keys = [nonsense(system, 1, 15.0), nonsense(system, 2, 0.0)]
    keys += [] if across is None else [with_across(system, nonsense(system, 3, 1.0, 2), across.tracks)]
    for readings in keys:
        print(decoder.decode(readings).verdict)


@pytest.mark.parametrize("name", but_long(shipped_systems(), "dunlin", "grebe", "heron", "plover", "siskin"))
def test_nonsense_is_found_out_soon(name: str) -> None:
    program = f"from tests.decoding.test_nonsense import decode_nonsense; decode_nonsense('{name}')"
    done = python("-c", program, seconds=SECONDS)
    answered(done)
    verdicts = done.stdout.decode().split()
    assert verdicts[:1] == ["no-fit"]
    assert len(verdicts) >= 2
    assert set(verdicts) == {"no-fit"} or name == "dunlin"  # whose steps are small beside the errors of a caliper


@pytest.mark.parametrize("name", ["plover", "wren"])
def test_readings_that_fit_nothing_are_answered_by_the_whole_model(name: str) -> None:
    """The code, its probability and the runners-up are what all of the model says, whatever the verdict."""
    system = load_system(name)
    decoder = Decoder(system)
    for seed in range(4):
        readings = nonsense(system, seed, 0.5)
        answer = decoder.decode(readings, best=5, advise=False)
        posterior = decoder.posterior(readings)
        first = best_codes(posterior, system, 5)
        if answer.listed == "as given":
            assert [candidate.depths for candidate in answer.candidates] == [one.depths for one in first]
            assert answer.probability == pytest.approx(first[0].probability, abs=1e-9)
    assert NONSENSE not in answer.notes


def test_what_is_found_out_first_is_so_in_the_end() -> None:
    """Readings across two tracks that get the short answer, with everything looked at: they don't fit either."""
    system = load_system("grebe")
    decoder, across = Decoder(system), system.measuring.across
    assert across is not None
    readings = with_across(system, nonsense(system, 3, 1.0, 2), across.tracks)
    answer = decoder.decode(readings)
    assert NONSENSE in answer.notes
    assert (answer.verdict, len(answer.candidates), answer.listed, answer.measure_next) == ("no-fit", 1, "as given", ())
    decoder.plain = decoder.solver
    assert decoder.decode(readings).verdict == "no-fit"


@pytest.mark.parametrize("name", shipped_systems())
def test_nearest_depths_fit_no_worse_than_the_code(name: str) -> None:
    """What is looked at first bounds the fit of every code, for keys that fit, listed as asked or from the tip."""
    system = load_system(name)
    decoder = Decoder(system)
    bench = Bench(system, decoder.model, 3)
    for factor in (0.0, 1.5, 3.0):
        depths, walls = bench.walls(factor)
        readings = Readings(system, "", system.unit, tuple(bench.read(walls, 1)))
        read = decoder.solver.read(readings)
        test = decoder.fit_test(read)
        true = test.p_values([(read.every, depths)])[0]
        assert test.at_most(read.every) >= 0.9 * true - 0.001
        turned = ways_of(readings, system)[1]
        assert turned.name == "from the tip"
        again = decoder.solver.read(turned.readings)
        assert decoder.fit_test(again).at_most(again.every) >= 0.7 * true - 0.001
