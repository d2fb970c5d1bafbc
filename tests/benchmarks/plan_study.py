"""Every plan of a large sample replayed on the simulator, and plans with two moves exchanged. Run from the checkout:

    python -m tests.benchmarks.plan_study [codes per system, 500] [exchanged plans, 200]

First table: for every system, `codes` legal codes drawn uniformly, each planned in both directions, with and without
easing stops, with and without backlash on the machine. The JSON of the plan is replayed; the table says how many replays
gouged by more than 1e-9, missed a cut, or left a wall steeper than the system's `steepest` when eased. Second: two moves
of a side-milled plan exchanged at random; caught by the simulator, and too deep by brute force (`tests/plan_oracle.py`).
"""

from __future__ import annotations

import random
import sys
import time

from bitting.geometry.frame import frame_of
from bitting.machine.plan.moves import Direction
from bitting.machine.plan.plan import plan
from bitting.machine.plan.steps import Move, path_of
from bitting.machine.simulate import TrackMoves, simulate
from bitting.model import System, code_of
from bitting.systemfile import load_system, shipped_systems
from bitting.systemfile.machine import Control, Machine
from tests.plan_oracle import COARSE, gouge, legal_depths

WAYS: tuple[Direction, ...] = ("bow-to-tip", "tip-to-bow")


def machine(system: System) -> Machine:
    """A machine with play in both controls."""
    play = system.from_mm(0.06)
    return Machine(
        "study", system.unit, Control(1.0, 0.0, "to-bow", 100, play), Control(1.0, 0.0, "deepens", 100, play)
    )


def study(
    system: System, codes: int, ease: bool, played: bool, direction: Direction
) -> tuple[float, float, int, int, int]:
    """Greatest gouge, greatest residual, replays that missed a cut, replays with a wall too steep, most moves."""
    worst = residual = 0.0
    missed = steep = most = 0
    for depths in legal_depths(system, codes, 2024):
        result = plan(code_of(system, depths), system, ease, machine(system) if played else None, direction)
        again = simulate(depths, system, result.as_dict()["tracks"])
        worst, residual = max(worst, again.gouge), max(residual, again.residual)
        missed += not again.reached
        steep += any(wall.too_steep for wall in again.walls)
        most = max(most, result.moves)
    return worst, residual, missed, steep, most


def exchanged(system: System, count: int, seed: int) -> tuple[int, int, int]:
    """Exchanged plans: caught and too deep, not caught and not too deep, and those where the two disagree."""
    chance = random.Random(seed)
    both = neither = differ = 0
    for depths in legal_depths(system, count, seed):
        result = plan(code_of(system, depths), system, ease=chance.random() < 0.5, direction=chance.choice(WAYS))
        number = chance.randrange(len(system.lanes))
        track = next(t for t in result.tracks if t.track == system.lanes[number].track.name)
        moves: list[Move] = [(step.action, step.to) for step in track.steps]
        i, j = chance.sample(range(1, len(moves)), 2)
        moves[i], moves[j] = moves[j], moves[i]
        caught = simulate(depths, system, [TrackMoves(track.side, track.track, tuple(moves))]).gouge > 0
        path = path_of(frame_of(system, system.lanes[number]), moves)
        deep = gouge(system, number, depths[number], path) > COARSE
        both, neither, differ = both + (caught and deep), neither + (not caught and not deep), differ + (caught != deep)
    return both, neither, differ


def main() -> None:
    codes = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    swaps = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    print(f"{codes} codes per system and way\n")
    print("system   direction   ease  play  max gouge  max residual  missed  steep  most moves  ms/plan+replay")
    for name in shipped_systems():
        system = load_system(name)
        for direction in WAYS:
            for ease in (False, True):
                for played in (False, True):
                    begun = time.perf_counter()
                    worst, residual, missed, steep, most = study(system, codes, ease, played, direction)
                    spent = (time.perf_counter() - begun) / codes * 1000
                    print(
                        f"{name:8} {direction:11} {'yes' if ease else 'no':5} {'yes' if played else 'no':5} {worst:9.1e}  "
                        f"{residual:12.6f}  {missed:6} {steep:6} {most:11} {spent:10.1f}",
                        flush=True,
                    )
    print(f"\n{swaps} plans with two moves exchanged")
    for name in ("plover", "wren", "siskin"):
        both, neither, differ = exchanged(load_system(name), swaps, 7)
        print(f"{name:8} too deep and caught {both}, not too deep and not caught {neither}, disagreeing {differ}")


if __name__ == "__main__":
    main()
