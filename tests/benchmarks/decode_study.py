"""Is "sure" neither rare nor wrong? Honest keys, mistakes of the person measuring, and stressed keys, on the shipped systems.

    python -m tests.benchmarks.decode_study [--keys 60] [--seed 1] [--part PART ...] [--write FILE.md] [system ...]

*Honest*: no slips; wear gamma-shaped, its mean 0, half, one or one and a half times the stated one; all else as the system
states. *Stressed*: something that the model doesn't have. *Mistakes*: honest keys, light wear, and one slip in taking the list,
given as one list (each cut read twice), with a second list (each cut once, independent, right, apart from mistakes that stay
with the key), and with places along the blade of three cuts or of all; *excluded* are those that no legal code fits as they
were given, or whose second list or places speak against it. *Asked*: keys of medium wear read once, then one reading after the
other where `measure_next` says, up to 12. *Calibration*: keys drawn from the model, and keys of one kind of wear beside Bayes
that knows the kind. Keys are drawn with `--seed`; decoding is told nothing. The tables are printed as they grow, and written as
Markdown with `--write`.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve

from bitting.decoding import Decoded, Decoder
from bitting.decoding.jaw import Reach, reach_of
from bitting.model import Depths, ReadCut, Reading, Readings, System
from bitting.systemfile import load_system, shipped_systems
from tests.benchmarks.decode_calibration import SETTINGS, Fixed, compared
from tests.benchmarks.decode_common import SCALES, USUAL, BruteForce, Maker, make_system

Array = np.ndarray
Row = tuple[str, ...]
Walls = list[Array]
"""Per lane, where the wall of each cut truly stands, as an exact caliper would read it."""
HONEST = {"fresh": (0.0, 2.5), "light": (0.5, 2.5), "medium": (1.5, 2.5), "gamma-shaped": (1.0, 2.0)}
"""Kinds of honest keys: their mean wear in terms of the stated one, and its shape."""
PROTOCOLS = ("one list", "two lists", "three places", "every place")
Change = Callable[[list[ReadCut], np.random.Generator], list[ReadCut]]


def share(count: int, of: int) -> str:
    """A part in per cent."""
    return f"{count / of:.1%}"


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

    jaw: float | None = None
    """The jaw it is really measured with; None: the stated one."""
    _reach: Reach | None = None

    def stands_off(self, lane: int, row: tuple[int, ...]) -> Array:
        """How far the jaw stays above the floor of each cut."""
        if self._reach is None:
            system = self.system
            if self.jaw is not None:
                system = evolve(system, measuring=evolve(system.measuring, jaw=self.jaw))
            self._reach = reach_of(system)
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


def mistakes(system: System) -> dict[str, Change]:
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

    out: dict[str, Change] = {
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


def decoded(decoder: Decoder, cuts: list[ReadCut], *, advise: bool = False) -> Decoded:
    """The answer for one key."""
    system = decoder.system
    return decoder.decode(Readings(system, "", system.unit, tuple(cuts)), 2, advise=advise)


def counted(name: str, kind: str, rows: list[tuple[Decoded, Depths]], seconds: float) -> Row:
    """What became of some keys whose codes are known."""
    sure = [(answer, depths) for answer, depths in rows if answer.verdict == "sure"]
    wrong = sum(answer.depths != depths for answer, depths in sure)
    right = sum(answer.depths == depths for answer, depths in rows)
    alarm = sum(bool(answer.other_listings) or answer.listed != "as given" for answer, _ in rows)
    unfit = sum(answer.verdict == "no-fit" for answer, _ in rows)
    count = len(rows)
    return (
        name, kind, share(right, count), share(len(sure), count), f"{wrong} of {len(sure)}", share(alarm, count),
        share(unfit, count), f"{seconds / count * 1e3:.0f}",
    )  # fmt: skip


KEYS_HEAD = ("system", "keys", "best code right", "sure", "wrong among sure", "another listing named", "no fit", "ms")


def honest(decoder: Decoder, keys: int, seed: int) -> Iterator[Row]:
    """A line per kind of wear, and all together; read twice, and read once."""
    for repeats, said in ((2, ""), (1, ", read once")):
        every: list[tuple[Decoded, Depths]] = []
        began = time.process_time()
        for kind, (factor, shape) in HONEST.items():
            bench = Bench(decoder.system, decoder.model, seed)
            start, rows = time.process_time(), []
            for _ in range(keys):
                depths, walls = bench.walls(factor, shape)
                rows.append((decoded(decoder, bench.read(walls, repeats)), depths))
            every += rows
            if repeats == 2:
                yield counted(decoder.system.name, kind, rows, time.process_time() - start)
        yield counted(decoder.system.name, f"all honest{said}", every, time.process_time() - began)


def stressed(decoder: Decoder, keys: int, seed: int) -> Iterator[Row]:
    """A line per way in which keys or readings are not as the model has them."""
    system, model = decoder.system, decoder.model
    kinds: dict[str, tuple[dict[str, Any], float]] = {
        "shallow cuts worn": ({"wear": lambda row: np.where(row < 2, 2.0, 0.25), "shape": 2.0}, 1.0),
        "shallow, exponential": ({"wear": lambda row: np.where(row < 2, 2.0, 0.0), "shape": 1.0}, 1.0),
        "growing to the tip": ({"wear": lambda row: np.linspace(0, 2, row.size), "shape": 2.0}, 1.0),
        "to the tip, exponential": ({"wear": lambda row: np.linspace(0, 2, row.size), "shape": 1.0}, 1.0),
        "heavy wear": ({"factor": 2.5}, 1.0),
        "tilt 4 sd": ({"tilt": 4 * (model.tilt_sd or system.from_mm(0.03))}, 1.0),
        "caliper twice as coarse": ({}, 2.0),
        "a 2 mm jaw, not told": ({}, 1.0),
        "3 % neighbours' readings": ({}, 1.0),
        "zero off by 0.3 mm": ({}, 1.0),
        "a burr of 0.2 mm at one cut": ({}, 1.0),
    }
    for kind, (said, sd) in kinds.items():
        bench = Bench(system, model, seed)
        if "jaw" in kind:
            bench.jaw = system.from_mm(2.0)
        start, rows = time.process_time(), []
        for _ in range(keys):
            depths, walls = bench.walls(**said)
            if "zero" in kind:
                walls = [wall + system.from_mm(0.3) for wall in walls]
            elif "burr" in kind:
                lane = int(bench.random.integers(len(walls)))
                at = int(bench.random.integers(walls[lane].size))
                walls[lane][at] -= system.lanes[lane].track.deeper * system.from_mm(0.2)
            read = bench.read(walls, 2, sd=sd)
            rows.append((decoded(decoder, _neighbours(bench, read, walls) if "neighbours" in kind else read), depths))
        yield counted(system.name, kind, rows, time.process_time() - start)


def _neighbours(bench: Bench, read: list[ReadCut], walls: Walls) -> list[ReadCut]:
    """The list with 3 % of its readings taken at the next cut."""
    lanes = [(lane.side, lane.track.name) for lane in bench.system.lanes]
    out = []
    for cut in read:
        wall = walls[lanes.index((cut.side, cut.track))]
        other = float(wall[cut.cut + 1 if cut.cut + 1 < wall.size else cut.cut - 1])
        several = tuple(
            evolve(r, value=bench.rounded(other + bench.random.standard_normal() * bench.model.reading_sd))
            if bench.random.random() < 0.03 else r
            for r in cut.readings
        )  # fmt: skip
        out.append(evolve(cut, readings=several))
    return out


SLIPS_HEAD = (
    "system",
    "mistake",
    "given as",
    "sure",
    "sure and wrong",
    "of these excluded",
    "true code",
    "named or doubted",
)


def slips(decoder: Decoder, keys: int, seed: int) -> Iterator[Row]:
    """A line per mistake and way of giving the readings."""
    system = decoder.system
    for title, change in mistakes(system).items():
        for protocol in PROTOCOLS:
            bench = Bench(system, decoder.model, seed)
            sure = wrong = excluded = true = named = 0
            for _ in range(keys):
                depths, walls = bench.walls()
                read = bench.read(walls, 2, places=True)
                given = [
                    cut if _placed(cut, protocol, system) else evolve(cut, place=None)
                    for cut in change(read, bench.random)
                ]
                second = bench.read(walls, 1, 1) if protocol == "two lists" else []
                answer = decoded(decoder, [*given, *second])
                sure += answer.verdict == "sure"
                if answer.verdict == "sure" and answer.depths != depths:
                    wrong += 1
                    excluded += bool(second) or _elsewhere(given, system) or not _fits(decoder, given)
                true += answer.depths == depths
                named += answer.listed != "as given" or bool(answer.doubts) or answer.verdict == "no-fit"
            counts = [share(sure, keys), share(wrong, keys), str(excluded), share(true, keys), share(named, keys)]
            yield (system.name, title, protocol, *counts)
    yield from _pen(decoder, keys, seed)
    yield from _copied(decoder, keys, seed)


def _placed(cut: ReadCut, protocol: str, system: System) -> bool:
    """Whether the place of a cut is given: of the first, middle and last ones, of all, or of none."""
    count = system.track(cut.track).cuts
    return protocol == "every place" or (protocol == "three places" and cut.cut in (0, count // 2, count - 1))


def _elsewhere(given: list[ReadCut], system: System) -> bool:
    """Whether a place that was given is more than half a pitch from that of its cut; of tracks exchanged none is."""
    for cut in given:
        spaces = system.track(cut.track).spaces
        if cut.place is not None and abs(cut.place - spaces[cut.cut]) > abs(spaces[1] - spaces[0]) / 2:
            return True
    return False


def _fits(decoder: Decoder, given: list[ReadCut]) -> bool:
    """Whether a legal code fits the list as it was given."""
    plain = Decoder(decoder.system, decoder.model, listings=False)
    return decoded(plain, given).verdict != "no-fit"


def _pen(decoder: Decoder, keys: int, seed: int) -> Iterator[Row]:
    """One reading a cut, and two digits of one of them exchanged, or the point moved, so that it is at least two steps off."""
    bench, system = Bench(decoder.system, decoder.model, seed), decoder.system
    sure = wrong = true = found = 0
    for _ in range(keys):
        depths, walls = bench.walls()
        read = bench.read(walls, 1)
        at = int(bench.random.integers(len(read)))
        value = read[at].readings[0].value
        text = f"{value:.{2 if system.unit == 'mm' else 3}f}"
        swapped = text[:-2] + text[-1] + text[-2]
        step = float(np.abs(np.diff(system.track(read[at].track).depths)).max())
        slipped = float(swapped) if abs(float(swapped) - value) > 2 * step else value * 10
        read[at] = evolve(read[at], readings=(evolve(read[at].readings[0], value=slipped),))
        answer = decoded(decoder, read)
        sure += answer.verdict == "sure"
        wrong += answer.verdict == "sure" and answer.depths != depths
        true += answer.depths == depths
        found += answer.cuts[at].taken_for == ("slip of the pen",)
    yield (
        system.name, "a slip of the pen", "one list, read once", share(sure, keys), share(wrong, keys), "", share(true, keys),
        f"{share(found, keys)} found",
    )  # fmt: skip


def _copied(decoder: Decoder, keys: int, seed: int) -> Iterator[Row]:
    """A second list that was copied from the first, a digit of one reading wrong."""
    bench, system = Bench(decoder.system, decoder.model, seed), decoder.system
    sure = wrong = true = named = 0
    for _ in range(keys):
        depths, walls = bench.walls()
        read = bench.read(walls, 1)
        at = int(bench.random.integers(len(read)))
        own = read[at].readings[0]
        off = bench.digit * 10 * float(bench.random.choice([-9, -6, -3, 3, 6, 9]))
        copy = [evolve(cut, list_number=1) for cut in read]
        copy[at] = evolve(copy[at], readings=(evolve(own, value=bench.rounded(own.value + off)),))
        answer = decoded(decoder, [*copy, *read])
        sure += answer.verdict == "sure"
        wrong += answer.verdict == "sure" and answer.depths != depths
        true += answer.depths == depths
        named += bool(answer.doubts) or answer.verdict == "no-fit"
    yield (
        system.name, "second list copied, a digit wrong", "two lists", share(sure, keys), share(wrong, keys), "",
        share(true, keys), share(named, keys),
    )  # fmt: skip


ASKED_HEAD = ("system", "median", "90th percentile", "never", "at once", "sure and wrong", "nothing asked")


def asked(decoder: Decoder, keys: int, seed: int, factor: float = 1.5) -> Iterator[Row]:
    """Readings asked for, one after the other, until the answer is sure."""
    system = decoder.system
    bench = Bench(system, decoder.model, seed)
    lanes = [(lane.side, lane.track.name) for lane in system.lanes]
    needed: list[float] = []
    wrong = empty = 0
    for _ in range(keys):
        depths, walls = bench.walls(factor)
        read = bench.read(walls, 1)
        seen: dict[tuple[str | None, str, int], int] = {}
        for more in range(13):
            answer = decoded(decoder, read, advise=True)
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
            again = (Reading(value, None, bench.digit, (0, 0)),)
            read.append(ReadCut(following.side, following.track, following.cut - 1, again, None, seen[key]))
        needed.append(more if answer.verdict == "sure" else math.inf)
        wrong += answer.verdict == "sure" and answer.depths != depths
    order = np.array(needed)
    yield (
        system.name, f"{np.quantile(order, 0.5, method='lower'):.0f}", f"{np.quantile(order, 0.9, method='lower'):.0f}",
        share(int(np.isinf(order).sum()), keys), share(int((order == 0).sum()), keys), str(wrong), str(empty),
    )  # fmt: skip


MODEL_HEAD = (
    "system",
    "keys",
    "errors",
    "errors of Bayes",
    "times",
    "calibration error, whole keys",
    "per cut",
    "sampling alone",
)


def calibrated(keys: int, seed: int) -> Iterator[Row]:
    """Invented systems small enough for brute force: keys from the model, and of each mean wear, which Bayes then knows."""
    for title, cuts, depths, step, model in SETTINGS:
        system = make_system(cuts, depths, step, USUAL)
        decoder = Decoder(system, model, listings=False)
        kinds: list[tuple[str, float | None]] = [("of the model", None)]
        kinds += [(f"wear {factor:g} times the stated", factor) for factor in (0.5, 1.0, 2.0)]
        for kind, factor in kinds:
            maker = Maker(system, model, seed) if factor is None else Fixed(system, model, seed, factor)
            brute = BruteForce(system, model, SCALES if factor is None else ((factor, 1.0),))
            found = compared(maker, decoder, brute, keys)
            yield (
                title, kind, str(found.errors), str(found.bayes), f"{found.errors / max(found.bayes, 1):.2f}",
                f"{found.whole:.4f}", f"{found.cut:.4f}", f"{found.floor:.4f}",
            )  # fmt: skip


PARTS: dict[str, tuple[str, Row, Callable[[Decoder, int, int], Iterator[Row]]]] = {
    "honest": ("Honest keys, each cut read twice", KEYS_HEAD, honest),
    "stressed": ("Stressed keys, each cut read twice", KEYS_HEAD, stressed),
    "asked": ("Further readings asked for until sure, medium wear, read once at first", ASKED_HEAD, asked),
    "mistakes": ("Mistakes in taking the list, light wear", SLIPS_HEAD, slips),
}


def markdown(title: str, head: Row, rows: list[Row]) -> str:
    """A table."""
    lines = [f"## {title}", "", *(f"| {' | '.join(row)} |" for row in (head, ("---",) * len(head), *rows)), ""]
    return "\n".join(lines)


def main() -> None:
    """The tables asked for."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("systems", nargs="*")
    options.add_argument("--keys", type=int, default=60)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--part", action="append", choices=[*PARTS, "calibration"])
    options.add_argument("--write", type=Path)
    given = options.parse_args()
    told = [f"# Decoding studied\n\n{given.keys} keys a line, seed {given.seed}.\n"]
    for part in given.part or [*PARTS, "calibration"]:
        title, head, rows = "Keys of the model, and Bayes that knows the kind", MODEL_HEAD, []
        source: Iterator[Row] = calibrated(10 * given.keys, given.seed)
        if part in PARTS:
            title, head, lines = PARTS[part]
            names = given.systems or shipped_systems()
            source = chain.from_iterable(lines(Decoder(load_system(name)), given.keys, given.seed) for name in names)
        print(f"\n{title}\n{'  '.join(head)}", flush=True)
        for row in source:
            rows.append(row)
            print("  ".join(row), flush=True)
        told.append(markdown(title, head, rows))
        if given.write is not None:
            given.write.write_text("\n".join(told), encoding="utf-8")


if __name__ == "__main__":
    main()
