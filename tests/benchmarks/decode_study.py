"""Is "sure" neither rare nor wrong? Honest keys, mistakes of the person measuring, and stressed keys, on the shipped systems.

    python -m tests.benchmarks.decode_study honest|mistakes|stressed|asked [--keys 60] [--seed 1] [--readings 2] [system ...]

*Honest*: no slips; wear gamma-shaped (shape 2.5, which isn't the model's), its mean 0, half or one and a half times the stated
one; all else as the system states. *Stressed*: something that the model doesn't have. *Mistakes*: honest keys, light wear, and
one slip in taking the list, given as one list (each cut read twice), with a second list (each cut once, independent, right,
apart from mistakes that stay with the key), and with places along the blade of three cuts; an answer that the given code is
excluded by is one of which the list as given fits no legal code. *Asked*: keys read once that aren't sure, then one reading
after the other where `measure_next` says, up to 12. Keys drawn with `--seed`; decoding is told nothing.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from attrs import evolve

from bitting.decoding import Decoded, Decoder, model_of
from bitting.model import Depths, ReadCut, Reading, Readings, System
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_common import Maker

Array = np.ndarray
Walls = list[Array]
"""Per lane, where the wall of each cut truly stands, as an exact caliper would read it."""
HONEST = {"fresh": 0.0, "light": 0.5, "medium": 1.5}


class Bench(Maker):
    """Draws keys and measures them."""

    def walls(
        self, factor: float = 0.5, shape: float = 2.5, wear: Callable[..., Array] | None = None, tilt: float = 0.0
    ) -> tuple[Depths, Walls]:
        """A code, and its walls worn by `factor` times the stated wear (or as `wear` has it)."""
        model = self.model
        depths = next(self._codes)
        offset, own_tilt, pair = self.shared()
        walls = []
        for number, (lane, row) in enumerate(zip(self.system.lanes, depths, strict=True)):
            track, places = lane.track, np.array(row)
            mean = np.full(track.cuts, factor * model.wear) if wear is None else wear(places) * model.wear
            worn = self.random.gamma(shape, np.maximum(mean, 1e-12) / shape)
            along = np.linspace(-0.5, 0.5, track.cuts)
            wall = np.array(track.depths)[places] + offset + (own_tilt + tilt) * along + self._signs[number] * pair
            wall = wall + track.deeper * worn + self.random.standard_normal(track.cuts) * model.cut_sd
            walls.append(wall - track.deeper * self.stands_off(number, row))
        return depths, walls

    def stands_off(self, lane: int, row: tuple[int, ...]) -> Array:
        """How far the stated jaw stays above the floor of each cut."""
        from bitting.decoding.jaw import reach_of

        if not hasattr(self, "_reach"):
            self._reach = reach_of(self.system)
        wall = self._reach.walls.get(lane)
        return np.array([0.0 if wall is None else wall.of(row, cut) for cut in range(len(row))])

    def read(
        self, walls: Walls, repeats: int, number: int = 0, sd: float = 1.0, *, places: bool = False
    ) -> list[ReadCut]:
        """One list of readings, with every cut's place along the blade where that is asked."""
        out = []
        for lane, wall in zip(self.system.lanes, walls, strict=True):
            count = lane.track.cuts
            for cut in range(count):
                values = wall[cut] + self.random.standard_normal(repeats) * self.model.reading_sd * sd
                several = tuple(Reading(self.rounded(float(v)), None, self.digit, (0, 0)) for v in values)
                place = lane.track.spaces[cut] + self.random.standard_normal() * self.system.from_mm(0.25)
                out.append(ReadCut(lane.side, lane.track.name, cut, several, place if places else None, number))
        return out


def _each(
    cuts: list[ReadCut], system: System, change: Callable[[list[ReadCut]], list[ReadCut]], only: int | None = None
) -> list[ReadCut]:
    """Each lane's list changed by itself, or only one's."""
    out: list[ReadCut] = []
    for number, lane in enumerate(system.lanes):
        own = [cut for cut in cuts if (cut.side, cut.track) == (lane.side, lane.track.name)]
        out += change(own) if only in (None, number) else own
    return out


def _taken(own: list[ReadCut], order: list[int]) -> list[ReadCut]:
    """The list as it is written when the key's cuts are read in some order: readings and places of those cuts."""
    return [evolve(cut, readings=own[at].readings, place=own[at].place) for cut, at in zip(own, order, strict=True)]


def mistakes(system: System) -> dict[str, Callable[[list[ReadCut], np.random.Generator], list[ReadCut]]]:
    """What a list of right readings becomes."""
    lanes = system.lanes

    def reverse(own: list[ReadCut]) -> list[ReadCut]:
        return _taken(own, list(range(len(own)))[::-1])

    def skip(own: list[ReadCut], random: np.random.Generator) -> list[ReadCut]:
        at, last = int(random.integers(len(own) - 1)), len(own) - 1
        return _taken(own, [*(i for i in range(len(own)) if i != at), last])

    def twice(own: list[ReadCut]) -> list[ReadCut]:
        return _taken(own, [0, *range(len(own) - 1)])

    def swap(own: list[ReadCut], random: np.random.Generator) -> list[ReadCut]:
        at = int(random.integers(len(own) - 1))
        order = list(range(len(own)))
        order[at], order[at + 1] = at + 1, at
        return _taken(own, order)

    def neighbour(own: list[ReadCut], random: np.random.Generator) -> list[ReadCut]:
        at = int(random.integers(len(own) - 1))
        order = list(range(len(own)))
        order[at] = at + 1
        return _taken(own, order)

    def one(random: np.random.Generator) -> int:
        return int(random.integers(len(lanes)))

    out: dict[str, Callable[[list[ReadCut], np.random.Generator], list[ReadCut]]] = {
        "whole list from the tip": lambda cuts, _: _each(cuts, system, reverse),
    }
    if len(lanes) > 1:
        out["one track from the tip"] = lambda cuts, random: _each(cuts, system, reverse, one(random))

        def exchange(cuts: list[ReadCut], _: np.random.Generator) -> list[ReadCut]:
            first, second = (
                [c for c in cuts if (c.side, c.track) == (lane.side, lane.track.name)] for lane in lanes[:2]
            )
            return [
                evolve(a, readings=b.readings, place=b.place)
                for a, b in zip(first + second, second + first, strict=True)
            ]

        out["tracks or sides exchanged"] = exchange
    out["a cut skipped"] = lambda cuts, random: _each(cuts, system, lambda own: skip(own, random), one(random))
    out["first read twice, last lost"] = lambda cuts, random: _each(cuts, system, twice, one(random))
    out["neighbours swapped"] = lambda cuts, random: _each(cuts, system, lambda own: swap(own, random), one(random))
    out["a cut read at its neighbour"] = lambda cuts, random: _each(
        cuts, system, lambda own: neighbour(own, random), one(random)
    )
    return out


def honest(decoder: Decoder, keys: int, seed: int, repeats: int) -> None:
    """A line per kind of wear, and all together."""
    system = decoder.system
    every = []
    for kind, factor in HONEST.items():
        bench = Bench(system, decoder.model, seed)
        rows = []
        start = time.process_time()
        for _ in range(keys):
            depths, walls = bench.walls(factor)
            rows.append(
                (
                    decoder.decode(
                        Readings(system, "", system.unit, tuple(bench.read(walls, repeats))), 2, advise=False
                    ),
                    depths,
                )
            )
        every += rows
        _line(system.name, kind, rows, (time.process_time() - start) / keys)
    _line(system.name, "all honest", every)


def _line(name: str, kind: str, rows: list[tuple[Decoded, Depths]], seconds: float = 0.0) -> None:
    sure = [(answer, depths) for answer, depths in rows if answer.verdict == "sure"]
    wrong = sum(answer.depths != depths for answer, depths in sure)
    right = sum(answer.depths == depths for answer, depths in rows)
    alarm = sum(bool(answer.other_listings) or answer.listed != "as given" for answer, _ in rows)
    unfit = sum(answer.verdict == "no-fit" for answer, _ in rows)
    half = sum(any(d.kind != "listing" for d in answer.doubts) for answer, _ in rows)
    print(
        f"{name:7} {kind:28} right {right / len(rows):6.1%}  sure {len(sure) / len(rows):6.1%}, wrong {wrong:3} of {len(sure):4}"
        f"  another listing {alarm / len(rows):5.1%}  no-fit {unfit / len(rows):5.1%}  doubts {half / len(rows):5.1%}"
        f"{f'  {seconds * 1e3:5.0f} ms' if seconds else ''}",
        flush=True,
    )


def stressed(decoder: Decoder, keys: int, seed: int, repeats: int) -> None:
    """A line per way in which keys or readings are not as the model has them."""
    system, model = decoder.system, decoder.model
    cuts = system.lanes[0].track.cuts
    kinds: dict[str, tuple[dict[str, object], float]] = {
        "shallow cuts worn": ({"wear": lambda row: np.where(row < 2, 2.0, 0.25), "shape": 2.0}, 1.0),
        "shallow, exponential": ({"wear": lambda row: np.where(row < 2, 2.0, 0.0), "shape": 1.0}, 1.0),
        "growing to the tip": ({"wear": lambda row: np.linspace(0, 2, row.size), "shape": 2.0}, 1.0),
        "to the tip, exponential": ({"wear": lambda row: np.linspace(0, 2, row.size), "shape": 1.0}, 1.0),
        "heavy wear": ({"factor": 2.5}, 1.0),
        "tilt 4 sd": ({"tilt": 4 * (model.tilt_sd or system.from_mm(0.03))}, 1.0),
        "caliper twice as coarse": ({}, 2.0),
    }
    for kind, (said, sd) in kinds.items():
        bench = Bench(system, model, seed)
        rows = []
        for _ in range(keys):
            depths, walls = bench.walls(**said)  # type: ignore[arg-type]
            rows.append(
                (
                    decoder.decode(
                        Readings(system, "", system.unit, tuple(bench.read(walls, repeats, sd=sd))), 2, advise=False
                    ),
                    depths,
                )
            )
        _line(system.name, kind, rows)
    bench = Bench(system, model, seed)
    rows = []
    for _ in range(keys):  # 3 % of readings are the neighbour's
        depths, walls = bench.walls()
        read = bench.read(walls, repeats)
        out = []
        for cut in read:
            lane = next(
                n for n, lane in enumerate(system.lanes) if (lane.side, lane.track.name) == (cut.side, cut.track)
            )
            other = walls[lane][cut.cut + 1 if cut.cut + 1 < cuts else cut.cut - 1]
            several = tuple(
                evolve(r, value=bench.rounded(float(other + bench.random.standard_normal() * model.reading_sd)))
                if bench.random.random() < 0.03 else r
                for r in cut.readings
            )  # fmt: skip
            out.append(evolve(cut, readings=several))
        rows.append((decoder.decode(Readings(system, "", system.unit, tuple(out)), 2, advise=False), depths))
    _line(system.name, "3 % neighbours' readings", rows)


def slips(decoder: Decoder, keys: int, seed: int, repeats: int) -> None:
    """A line per mistake and protocol."""
    system = decoder.system
    for title, change in mistakes(system).items():
        for protocol in ("one list", "two lists", "three places", "every place"):
            bench = Bench(system, decoder.model, seed)
            count = {"sure": 0, "wrong": 0, "true": 0, "named": 0}
            for _ in range(keys):
                depths, walls = bench.walls()
                read = bench.read(walls, repeats, places=True)
                given = [
                    cut if _placed(cut, protocol, system) else evolve(cut, place=None)
                    for cut in change(read, bench.random)
                ]
                second = bench.read(walls, 1, 1) if protocol == "two lists" else []
                answer = decoder.decode(Readings(system, "", system.unit, (*given, *second)), 2, advise=False)
                sure = answer.verdict == "sure"
                count["sure"] += sure
                count["wrong"] += sure and answer.depths != depths
                count["true"] += answer.depths == depths
                count["named"] += answer.listed != "as given" or bool(answer.doubts) or answer.verdict == "no-fit"
            print(
                f"{system.name:7} {title:28} {protocol:12} sure {count['sure'] / keys:6.1%}  sure and wrong "
                f"{count['wrong'] / keys:6.1%}  true code {count['true'] / keys:6.1%}  named or doubted "
                f"{count['named'] / keys:6.1%}",
                flush=True,
            )


def _placed(cut: ReadCut, protocol: str, system: System) -> bool:
    """Whether the place of a cut is given: of the first, middle and last ones, of all, or of none."""
    count = system.track(cut.track).cuts
    return protocol == "every place" or (protocol == "three places" and cut.cut in (0, count // 2, count - 1))


def asked(decoder: Decoder, keys: int, seed: int, factor: float = 1.5) -> None:
    """Readings asked for, one after the other, until the answer is sure."""
    system = decoder.system
    bench = Bench(system, decoder.model, seed)
    lanes = [(lane.side, lane.track.name) for lane in system.lanes]
    needed: list[int] = []
    wrong = empty = 0
    for _ in range(keys):
        depths, walls = bench.walls(factor)
        read = bench.read(walls, 1)
        seen: dict[tuple[str | None, str, int], int] = {}
        for more in range(13):
            answer = decoder.decode(Readings(system, "", system.unit, tuple(read)), 2)
            if answer.verdict == "sure" or more == 12:
                break
            if not answer.measure_next:
                empty += 1
                break
            # of what is asked, that which was asked least so far, in the order given
            following = min(answer.measure_next, key=lambda one: seen.get((one.side, one.track, one.cut), 0))
            key = (following.side, following.track, following.cut)
            seen[key] = seen.get(key, 0) + 1
            wall = walls[lanes.index((following.side, following.track))][following.cut - 1]
            value = bench.rounded(float(wall + bench.random.standard_normal() * decoder.model.reading_sd))
            read.append(
                ReadCut(
                    following.side,
                    following.track,
                    following.cut - 1,
                    (Reading(value, None, bench.digit, (0, 0)),),
                    None,
                    seen[key],
                )
            )
        needed.append(more if answer.verdict == "sure" else 99)
        wrong += answer.verdict == "sure" and answer.depths != depths
    order = np.array(needed)
    print(
        f"{system.name:7} asked: median {np.median(order):.0f}, 90th percentile {np.quantile(order, 0.9):.0f}, never "
        f"{(order == 99).mean():.1%}, at once {(order == 0).mean():.1%}, sure and wrong {wrong}, nothing asked {empty}",
        flush=True,
    )


def main() -> None:
    """The tables asked for."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("what", choices=["honest", "mistakes", "stressed", "asked"])
    options.add_argument("systems", nargs="*")
    options.add_argument("--keys", type=int, default=60)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--readings", type=int, default=2)
    given = options.parse_args()
    for name in given.systems or shipped_systems():
        system = load_system(name)
        decoder = Decoder(system, model_of(system))
        if given.what == "honest":
            honest(decoder, given.keys, given.seed, given.readings)
        elif given.what == "stressed":
            stressed(decoder, given.keys, given.seed, given.readings)
        elif given.what == "mistakes":
            slips(decoder, given.keys, given.seed, given.readings)
        else:
            asked(decoder, given.keys, given.seed)


if __name__ == "__main__":
    main()
