"""Which system is it? How often the right one is first.

    python -m tests.benchmarks.decode_ranking [--keys 40] [--seed 1]

Keys of every shipped system, one reading a cut, as `bitting decode --all-systems` gets them: as the text of the notation,
values alone (no track or side named) as the locksmith types them. Systems of another shape can't be read from that, which
is most of what tells the shipped ones apart; so there is a second part that is not as easy: six invented systems of one
shape (7 cuts, 5 depths, the same rules) that differ in step or first depth by what a caliper can just see. There the share
that is first is given beside the mean probability of the first, which is what it should be.
"""

from __future__ import annotations

import argparse

import numpy as np
from attrs import evolve

from bitting.decoding import Decoder, MeasurementModel, decode_among, model_of
from bitting.decoding.ranking import per_mm
from bitting.errors import BittingError
from bitting.model import System
from bitting.notation import parse_readings
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_common import USUAL, Drawn, Maker, make_system, readings_of


def text_of(system: System, key: Drawn) -> str:
    """What is typed: values and the unit; one list per track, per side where sides differ."""
    digits = 2 if system.unit == "mm" else 4
    sides: dict[str | None, list[str]] = {}
    for lane, rows in zip(system.lanes, key.values, strict=True):
        sides.setdefault(lane.side, []).append(" ".join("|".join(f"{v:.{digits}f}" for v in row) for row in rows))
    lists = [f"{side}({' / '.join(rows)})" if side else " / ".join(rows) for side, rows in sides.items()]
    return f"{'; '.join(lists)} {system.unit}" if len(lists) == 1 else "; ".join(lists)


def shipped(keys: int, seed: int) -> None:
    """All shipped systems against each other."""
    systems = [load_system(name) for name in shipped_systems()]
    for system in systems:
        maker = Maker(system, model_of(system), seed)
        first = fits = as_given = readable = 0
        for _ in range(keys):
            text = text_of(system, maker.key())
            answer = decode_among(lambda other, text=text: parse_readings(text, other), systems)  # type: ignore[misc]
            first += answer.system == system.name
            fits += answer.verdict != "no-fit"
            as_given += answer.listed == "as given"
            readable += sum(_can_read(text, other) for other in systems)
        print(
            f"{system.name:7} first {first}/{keys}, fits {fits}/{keys}, held as listed {as_given}/{keys}; "
            f"systems that can read such a list: {readable / keys:.0f}",
            flush=True,
        )


def _can_read(text: str, system: System) -> bool:
    try:
        parse_readings(text, system)
    except BittingError:
        return False
    return True


def alike(keys: int, seed: int) -> None:
    """Six systems of one shape."""
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.04, outliers=0.01)
    systems = []
    for step, first in ((0.50, 0.0), (0.50, 0.15), (0.45, 0.0), (0.55, 0.0), (0.60, 0.0), (0.40, 0.2)):
        made = make_system(7, 5, step, USUAL)
        depths = tuple(round(d - first, 3) for d in made.tracks[0].depths)
        systems.append(
            evolve(made, name=f"step {step:.2f} from {depths[0]:.2f}", tracks=(evolve(made.tracks[0], depths=depths),))
        )
    decoders = [Decoder(system, model) for system in systems]
    for repeats in (1, 2):
        first, stated = 0, []
        for number, system in enumerate(systems):
            maker = Maker(system, model, seed)
            readings = [readings_of(system, maker.key(repeats)) for _ in range(keys)]
            logs = np.array(
                [
                    [per_mm(a, r, d.system) for a, r in zip(d.decode_many(readings), readings, strict=True)]
                    for d in decoders
                ]
            )
            shares = np.exp(logs - np.logaddexp.reduce(logs, axis=0))
            right = logs.argmax(axis=0) == number
            first += int(right.sum())
            stated.append(shares.max(axis=0).mean())
            print(f"  {system.name}, {repeats} reading(s): first {right.mean():.1%}", flush=True)
        print(
            f"six of one shape, {repeats} reading(s): right one first {first / keys / 6:.1%}, "
            f"mean probability of the first {np.mean(stated):.1%}",
            flush=True,
        )


def main() -> None:
    """Both parts."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--keys", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    shipped(given.keys, given.seed)
    alike(5 * given.keys, given.seed)


if __name__ == "__main__":
    main()
