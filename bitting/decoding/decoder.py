"""The decoder: a system and its measurement model made ready once, then used for every key.

>>> # Decoder(system).decode(readings).code
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.across import PairWitness, pairs_of
from bitting.decoding.advice import COMPARED, measure_next
from bitting.decoding.caution import if_worn
from bitting.decoding.compiled import Chain, compile_diagram, couple
from bitting.decoding.figures import Made, MeasurementModel, model_of, wear_scales
from bitting.decoding.fit import FIT_LIMIT, FitTest, Pattern
from bitting.decoding.grid import OFFSET_REACH, grid_for, places_along
from bitting.decoding.kbest import Ranked, best_codes
from bitting.decoding.passes import keep_memory
from bitting.decoding.posterior import Posterior, sections_of, solve
from bitting.decoding.reach import reach_of, widen
from bitting.decoding.result import (
    Alternative,
    Candidate,
    CutResult,
    Decoded,
    Fit,
    Next,
    Offset,
    Verdict,
    Wear,
)
from bitting.decoding.suspicion import wrong_shares
from bitting.decoding.tables import cut_tables
from bitting.decoding.witness import Witness, witnesses_of
from bitting.errors import BittingError
from bitting.model import Depths, Place, Readings, System, code_of

SURE = 0.95
"""Probability that a whole code needs to be called sure, unless the caller says another."""
CHUNK = 100
"""Keys that a process of `decode_many` takes at a time."""
ONLY_ACROSS = "readings across two tracks alone can't tell left from right: codes with the same sums read alike"
EDGE, SPREAD_EDGE = 1e-9, 1e-6
"""Share of the answer at the ends of the offset's lattice above which the lattice is made longer."""


@frozen(eq=False)
class _Found:
    """One key on the way to its answer; `best` is the best code, filled where the lock doesn't read."""

    witnesses: tuple[Witness, ...]
    pairs: tuple[PairWitness, ...]
    posterior: Posterior
    ranked: list[Ranked]
    best: Ranked

    @property
    def read(self) -> tuple[Witness | PairWitness, ...]:
        """Everything that was read, of single cuts and across."""
        return (*self.witnesses, *self.pairs)


class Decoder:
    """Decodes keys of one system with one model. Set-up builds the diagram of legal codes; keys share it.

    `made` ("original" or "copy") says how the key was cut and overrides the system's shared errors; `model` overrides
    all of its figures. With `lock` only the cuts that this lock reads are decoded: codes are told apart by them alone and
    have `?` elsewhere. Raises `BittingError` for a system without legal codes or too large for a diagram.
    """

    def __init__(
        self,
        system: System,
        model: MeasurementModel | None = None,
        *,
        made: Made | None = None,
        lock: str | None = None,
        space: Any = None,
    ) -> None:
        from bitting.diagram import code_space

        self.system = system
        self.model = model if model is not None else model_of(system, made)
        space = code_space(system) if space is None else space
        if space.count == 0:
            raise BittingError(
                f"no code of {system.name!r} is legal, so no reading can be decoded",
                hint="`bitting systems lint` says which rules contradict each other",
            )
        keep_memory()
        self.reach = reach_of(system)
        self.chains: tuple[Chain, ...] = tuple(
            widen(compile_diagram(diagram), self.reach) for diagram in space.diagrams
        )
        self.lock = lock
        self.ignored = _not_read_by(system, lock)
        self.along: Mapping[Place, float] = places_along(system)
        self._fits: dict[Pattern, FitTest] = {}
        self._joint: dict[frozenset[tuple[Place, Place]], tuple[Chain, ...]] = {}

    def decode(self, readings: Readings, best: int = 5, sure: float = SURE, *, advise: bool = True) -> Decoded:
        """The most probable legal code of one key and everything that stands behind it.

        `advise=False` leaves out which cuts to measure again and which readings look wrong.
        """
        _check_options(best, sure)
        found = self._found(readings, best)
        p_value = self.fit_test(found).p_values([(found.read, found.best.depths)])[0]
        return self._answer(found, p_value, sure, advise=advise)

    def decode_many(
        self, keys: Sequence[Readings], best: int = 1, sure: float = SURE, *, advise: bool = False
    ) -> list[Decoded]:
        """Like `decode` for each key, in order; the fit of keys that were read alike is worked out together."""
        _check_options(best, sure)
        found = [self._found(readings, best) for readings in keys]
        groups: dict[Pattern, list[int]] = {}
        for number, one in enumerate(found):
            groups.setdefault(Pattern.of(one.read), []).append(number)
        p_values = [0.0] * len(found)
        for numbers in groups.values():
            test = self.fit_test(found[numbers[0]])
            values = test.p_values([(found[n].read, found[n].best.depths) for n in numbers])
            for number, value in zip(numbers, values, strict=True):
                p_values[number] = value
        return [self._answer(one, p, sure, advise=advise) for one, p in zip(found, p_values, strict=True)]

    def _found(self, readings: Readings, best: int) -> _Found:
        witnesses = witnesses_of(readings, self.system, self.model)
        pairs, alone = pairs_of(readings, self.system, self.model, witnesses)
        if not witnesses and not pairs:
            raise BittingError(
                "nothing was measured: every value is open",
                hint="give at least one reading; `?` stands for a cut that could not be measured",
            )
        posterior = self.posterior(alone, pairs)
        ranked = best_codes(posterior, self.system, best, self.ignored)
        return _Found(witnesses, pairs, posterior, ranked, self._filled(ranked[0], posterior))

    def posterior(self, witnesses: tuple[Witness, ...], pairs: tuple[PairWitness, ...] = ()) -> Posterior:
        """The posterior of one key, on a lattice long enough for it."""
        reach = OFFSET_REACH
        chains = self._coupled(pairs)
        inside = [one for pair in pairs for one in (pair.first, pair.second) if one is not None]
        known = [(one.place, one.information) for one in (*witnesses, *inside)]
        across = [(pair.places[0], pair.information) for pair in pairs]
        while True:
            grid = grid_for(self.system, self.model, known, reach, across)
            tables = cut_tables(witnesses, self.system, self.model, grid, self.along, self.reach, pairs)
            posterior = solve(sections_of(chains, grid), tables, grid)
            if posterior.shared.edge <= (SPREAD_EDGE if grid.spread else EDGE) or reach > 4 * OFFSET_REACH:
                return posterior
            reach *= 1.5

    def _coupled(self, pairs: tuple[PairWitness, ...]) -> tuple[Chain, ...]:
        """The chains, with cuts that were read across decided together."""
        places = frozenset(pair.places for pair in pairs)
        if not places:
            return self.chains
        if places not in self._joint:
            ordered = sorted(places, key=lambda pair: (pair[0].lane, pair[0].cut))
            self._joint[places] = couple(self.chains, ordered)
        return self._joint[places]

    def fit_test(self, found: _Found) -> FitTest:
        """The fit test for readings of this key's pattern, drawn once per pattern."""
        pattern = Pattern.of(found.read)
        if pattern not in self._fits:
            self._fits[pattern] = FitTest(pattern, self.system, self.model, self.reach)
        return self._fits[pattern]

    def _answer(self, found: _Found, p_value: float, sure: float, *, advise: bool) -> Decoded:
        witnesses, posterior, ranked, best = found.witnesses, found.posterior, found.ranked, found.best
        fit = Fit(p_value, FIT_LIMIT)
        verdict: Verdict = "no-fit" if fit.p_value < FIT_LIMIT else "sure" if best.probability >= sure else "unsure"
        worn = if_worn(posterior, best, self.model) if verdict == "sure" and not self.ignored else None
        again: tuple[Next, ...] = ()
        if advise and verdict == "unsure" and not self.ignored:
            compared = best_codes(posterior, self.system, COMPARED)
            again = measure_next(witnesses, posterior, compared, self.system, self.model, self.along)
        wrong = [(0.0,) * len(one.values) for one in witnesses]
        if advise:
            wrong = wrong_shares(witnesses, posterior, best, self.system, self.model, self.along)
        shared = posterior.shared
        scales = np.array([scale for scale, _ in wear_scales(self.model)])
        wear = float(scales @ shared.scale_shares)
        spread = math.sqrt(max(float((scales - wear) ** 2 @ shared.scale_shares), 0.0))
        candidates = tuple(Candidate(self._text(r.depths), min(r.probability, 1.0), r.depths) for r in ranked)
        return Decoded(
            system=self.system.name,
            verdict=verdict,
            code=candidates[0].code,
            probability=candidates[0].probability,
            cuts=self._cuts(witnesses, posterior, best, wrong),
            candidates=candidates,
            offset=Offset(shared.offset_mean, shared.offset_sd),
            fit=fit,
            measure_next=again,
            wear=Wear(wear, spread),
            tilt=Offset(shared.tilt_mean, shared.tilt_sd),
            left_right=shared.pair_mean,
            log_evidence=posterior.log_evidence,
            sure_limit=sure,
            model=self.model,
            if_worn=worn,
            of=self.system,
            notes=(*((ONLY_ACROSS,) if found.pairs and not witnesses else ()), *self._jaw_note()),
        )

    def _jaw_note(self) -> tuple[str, ...]:
        """What must be said of a jaw that doesn't reach the floor of every cut."""
        jaw, unit = self.system.measuring.jaw, self.system.unit
        if self.reach.unknown:
            return (
                "readings are taken as those of a point, since the system doesn't say what cutter leaves the floor that "
                f"its jaw of {jaw:g} {unit} rests on",
            )
        if self.reach.largest == 0:
            return ()
        digits = 3 if unit == "mm" else 4
        return (
            f"a jaw of {jaw:g} {unit} stays up to {self.reach.largest:.{digits}f} {unit} above the floor of a cut beside "
            "a shallower one or the bow; each cut is taken to read by as much as its own neighbours make it",
        )

    def _filled(self, ranked: Ranked, posterior: Posterior) -> Ranked:
        """The code with the most probable depth at each cut that the lock doesn't read."""
        rows = [list(row) for row in ranked.depths]
        for place in self.ignored:
            rows[place.lane][place.cut] = int(posterior.shares[place].argmax())
        return Ranked(tuple(tuple(row) for row in rows), ranked.probability)

    def _text(self, depths: Depths) -> str:
        """The canonical code, `?` where the lock doesn't read."""
        code = code_of(self.system, depths)
        if not self.ignored:
            return str(code)
        opened = []
        for number, written in enumerate(code.written):
            anything = tuple(range(len(self.system.lanes[number].track.depths)))
            cuts = tuple(
                evolve(cut, depths=anything) if Place(number, i) in self.ignored else cut
                for i, cut in enumerate(written.cuts)
            )
            opened.append(evolve(written, cuts=cuts))
        return str(evolve(code, written=tuple(opened)))

    def _cuts(
        self, witnesses: tuple[Witness, ...], posterior: Posterior, best: Ranked, wrong: Sequence[tuple[float, ...]]
    ) -> tuple[CutResult, ...]:
        read: dict[Place, list[tuple[Witness, tuple[float, ...]]]] = {}
        for one, doubts in zip(witnesses, wrong, strict=True):
            read.setdefault(one.place, []).append((one, doubts))
        shared, signs = posterior.shared, posterior.grid.signs
        reached = self.reach.dimensions(best.depths)
        out = []
        for number, lane in enumerate(self.system.lanes):
            labels = lane.track.labels
            for cut in range(lane.track.cuts):
                place = Place(number, cut)
                if place in self.ignored:
                    continue
                depth = best.depths[number][cut]
                shares = np.clip(posterior.shares[place], 0.0, 1.0)
                order = sorted(zip((-shares).tolist(), range(shares.size), strict=True))
                here = read.get(place, [])
                reading = _mean([one for one, _ in here])
                nominal = lane.track.depths[depth]
                aim = reached[place]
                error = shared.offset_mean + signs[number] * shared.pair_mean + shared.tilt_mean * self.along[place]
                out.append(
                    CutResult(
                        track=lane.track.name,
                        cut=cut + 1,
                        depth=labels[depth],
                        confidence=float(shares[depth]),
                        alternatives=tuple(Alternative(labels[d], -minus) for minus, d in order if d != depth),
                        deviation=None if reading is None else reading - aim - error,
                        side=lane.side,
                        nominal=nominal,
                        reading=reading,
                        values=tuple(value for one, _ in here for value in one.values),
                        wrong=tuple(share for _, doubts in here for share in doubts),
                    )
                )
        return tuple(out)


def _mean(witnesses: list[Witness]) -> float | None:
    """Mean of all readings of a cut, weighted by what each is worth."""
    pairs = [(1 / sd**2, value) for w in witnesses for value, sd in zip(w.values, w.sds, strict=True)]
    if not pairs:
        return None
    return sum(weight * value for weight, value in pairs) / sum(weight for weight, _ in pairs)


def _not_read_by(system: System, lock: str | None) -> frozenset[Place]:
    """The cuts that a lock of the system doesn't read."""
    if lock is None:
        return frozenset()
    by_name = {name.casefold(): cuts for name, cuts in system.locks.items()}
    read = by_name.get(lock.casefold())
    if read is None:
        known = ", ".join(system.locks) or "none: the system file has no [locks]"
        raise BittingError(f"{system.name!r} has no lock '{lock}'", hint=f"its locks are {known}")
    return frozenset(
        Place(number, cut)
        for number, lane in enumerate(system.lanes)
        for cut in range(lane.track.cuts)
        if cut not in read
    )


def _check_options(best: int, sure: float) -> None:
    if best < 1:
        raise BittingError(f"best is {best} and must be at least 1", hint="it is the number of codes to list")
    if not 0 < sure <= 1:
        raise BittingError(
            f"the limit for sure is {sure} and must be a probability above 0, up to 1", hint="the usual one is 0.95"
        )


def decode(
    readings: Readings,
    system: System,
    best: int = 5,
    model: MeasurementModel | None = None,
    sure: float = SURE,
    *,
    made: Made | None = None,
    lock: str | None = None,
) -> Decoded:
    """The most probable legal code of a measured key.

    `best` codes are listed, in exact order; `model` overrides the system's measuring figures (lengths in its unit),
    `made` only its shared errors; `lock` limits the code to the cuts that lock reads; `sure` is the probability the
    whole code needs to be called sure. For many keys of one system make a `Decoder`, which pays the set-up once.
    """
    return Decoder(system, model, made=made, lock=lock).decode(readings, best, sure)


def decode_many(
    keys: Iterable[Readings],
    system: System,
    best: int = 1,
    model: MeasurementModel | None = None,
    sure: float = SURE,
    *,
    made: Made | None = None,
    jobs: int = 1,
) -> list[Decoded]:
    """Like `decode`, for many keys of one system, without advice on what to measure again; `jobs` processes at once."""
    several = list(keys)
    if jobs <= 1 or len(several) < 2 * CHUNK:
        return Decoder(system, model, made=made).decode_many(several, best, sure)
    from concurrent.futures import ProcessPoolExecutor

    parts = [several[i : i + CHUNK] for i in range(0, len(several), CHUNK)]
    with ProcessPoolExecutor(jobs, initializer=_start, initargs=(system, model, made)) as pool:
        return [answer for part in pool.map(_part, parts, [best] * len(parts), [sure] * len(parts)) for answer in part]


_decoder: Decoder | None = None
"""The decoder of a process that works for `decode_many`."""


def _start(system: System, model: MeasurementModel | None, made: Made | None) -> None:
    global _decoder  # one per process: it is what a process is started for
    _decoder = Decoder(system, model, made=made)


def _part(keys: list[Readings], best: int, sure: float) -> list[Decoded]:
    if _decoder is None:
        raise RuntimeError("a process of decode_many was not started by it")
    return _decoder.decode_many(keys, best, sure)
