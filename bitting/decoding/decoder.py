"""The decoder: a system and its measurement model made ready once, then used for every key.

>>> # Decoder(system).decode(readings).code

From a posterior to the answer that people and scripts see: verdict, cuts, candidates, advice, notes.

Many keys of one system, by several processes where asked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.across import PairWitness
from bitting.decoding.advice import COMPARED, measure_next, wrong_shares
from bitting.decoding.fit import FIT_LIMIT, FitTest, Pattern
from bitting.decoding.grid import places_along
from bitting.decoding.jaw import Reach, reach_of, widen
from bitting.decoding.kbest import Ranked, best_codes
from bitting.decoding.likelihood import Witness
from bitting.decoding.model import Made, MeasurementModel, model_of, wear_scales
from bitting.decoding.posterior import Posterior
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
from bitting.decoding.robustness import Caution, caution_of, harder
from bitting.decoding.solver import Solver
from bitting.diagram.trellis import Chain, compile_diagram, keep_memory
from bitting.errors import BittingError
from bitting.model import Depths, Place, Readings, System, code_of
from bitting.model.expect import expect

ONLY_ACROSS = "readings across two tracks alone can't tell left from right: codes with the same sums read alike"


@frozen(eq=False)
class Found:
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


@frozen(eq=False)
class Answers:
    """What one decoder's answers have in common: `along` is where each cut lies, `ignored` what the lock doesn't read."""

    system: System
    model: MeasurementModel
    along: Mapping[Place, float]
    reach: Reach
    ignored: frozenset[Place]

    def of(self, found: Found, p_value: float, caution: Caution | None, sure: float, *, advise: bool) -> Decoded:
        """The answer for one key; `caution`: what a harder key leaves of the best code, where that was asked.

        `advise` adds which cuts to measure again and which readings look wrong.
        """
        witnesses, posterior, ranked, best = found.witnesses, found.posterior, found.ranked, found.best
        fit = Fit(p_value, FIT_LIMIT)
        enough = best.probability >= sure and (caution is None or caution.probability >= sure)
        verdict: Verdict = "no-fit" if fit.p_value < FIT_LIMIT else "sure" if enough else "unsure"
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
            cautious=None if caution is None else caution.probability,
            doubted=() if caution is None or verdict != "unsure" else caution.doubted(best, self.system),
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
                shares = [min(max(share, 0.0), 1.0) for share in posterior.shares[place].tolist()]
                order = sorted((-share, d) for d, share in enumerate(shares))
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
                        confidence=shares[depth],
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


SURE = 0.95
"""Probability that a whole code needs to be called sure, unless the caller says another."""
MANY = 256
"""Keys whose posteriors are kept at a time."""
FITS = 64
"""Patterns of readings whose fit tests are kept; each holds five figures of 4000 drawn keys."""


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
        self._solver = Solver(system, self.model, self.chains, self.reach, self.along)
        self._harder = harder(self._solver)
        self._answers = Answers(system, self.model, self.along, self.reach, self.ignored)
        self._fits: dict[Pattern, FitTest] = {}

    def decode(self, readings: Readings, best: int = 5, sure: float = SURE, *, advise: bool = True) -> Decoded:
        """The most probable legal code of one key and everything that stands behind it.

        `advise=False` leaves out which cuts to measure again and which readings look wrong.
        """
        _check_options(best, sure)
        found = self._found(readings, best)
        p_value = self.fit_test(found).p_values([(found.read, found.best.depths)])[0]
        cautious = self._cautious([found], [readings], sure)[0]
        return self._answers.of(found, p_value, cautious, sure, advise=advise)

    def decode_many(
        self, keys: Sequence[Readings], best: int = 1, sure: float = SURE, *, advise: bool = False
    ) -> list[Decoded]:
        """Like `decode` for each key, in order; the fit of keys that were read alike is worked out together."""
        _check_options(best, sure)
        return [
            answer
            for start in range(0, len(keys), MANY)
            for answer in self._several(keys[start : start + MANY], best, sure, advise)
        ]

    def _several(self, keys: Sequence[Readings], best: int, sure: float, advise: bool) -> list[Decoded]:
        found = self._all_found(keys, best)
        groups: dict[Pattern, list[int]] = {}
        for number, one in enumerate(found):
            groups.setdefault(Pattern.of(one.read), []).append(number)
        p_values = [0.0] * len(found)
        for numbers in groups.values():
            test = self.fit_test(found[numbers[0]])
            values = test.p_values([(found[n].read, found[n].best.depths) for n in numbers])
            for number, value in zip(numbers, values, strict=True):
                p_values[number] = value
        cautious = self._cautious(found, keys, sure)
        return [
            self._answers.of(one, p, doubted, sure, advise=advise)
            for one, p, doubted in zip(found, p_values, cautious, strict=True)
        ]

    def _found(self, readings: Readings, best: int) -> Found:
        witnesses, pairs, alone = self._solver.read(readings)
        return self._weighed(witnesses, pairs, self.posterior(alone, pairs), best)

    def _weighed(
        self,
        witnesses: tuple[Witness, ...],
        pairs: tuple[PairWitness, ...],
        posterior: Posterior,
        best: int,
        known: list[Ranked] | None = None,
    ) -> Found:
        ranked = best_codes(posterior, self.system, best, self.ignored) if known is None else known
        return Found(witnesses, pairs, posterior, ranked, self._filled(ranked[0], posterior))

    def _all_found(self, keys: Sequence[Readings], best: int) -> list[Found]:
        """Every key weighed, in order; those that were read alike together where that is quicker."""
        read = [self._solver.read(readings) for readings in keys]
        solved = self._solver.alike(dict(enumerate(read)), 0 if self.ignored else best)
        out = []
        for number, (witnesses, pairs, alone) in enumerate(read):
            posterior, ranked = solved.get(number) or (self.posterior(alone, pairs), None)
            out.append(self._weighed(witnesses, pairs, posterior, best, ranked))
        return out

    def posterior(self, witnesses: tuple[Witness, ...], pairs: tuple[PairWitness, ...] = ()) -> Posterior:
        """The posterior of one key, on a lattice long enough for it."""
        return self._solver.posterior(witnesses, pairs)

    def _cautious(self, found: Sequence[Found], readings: Sequence[Readings], sure: float) -> list[Caution | None]:
        """What a harder key leaves of each code, the least of several ways; None where it isn't over the limit as it is."""
        out: list[Caution | None] = [None] * len(found)
        asked = [number for number, one in enumerate(found) if one.best.probability >= sure]
        codes = {number: found[number].best.depths for number in asked}
        for solver in self._harder:
            read = {number: solver.again(found[number].witnesses, self.model, readings[number]) for number in asked}
            known = {} if self.ignored else solver.probabilities(read, codes)
            for number in asked:
                if number in known:
                    caution = Caution(known[number])
                else:
                    _, pairs, alone = read[number]
                    posterior = solver.posterior(alone, pairs)
                    caution = caution_of(found[number].best, posterior, self.system, self.ignored)
                before = out[number]
                if before is None or caution.probability < before.probability:
                    out[number] = caution
        return out

    def fit_test(self, found: Found) -> FitTest:
        """The fit test for readings of this key's pattern, drawn once per pattern and kept with the last used ones."""
        pattern = Pattern.of(found.read)
        test = self._fits.pop(pattern, None) or FitTest(pattern, self.system, self.model, self.reach)
        self._fits[pattern] = test  # the last used stands last
        if len(self._fits) > FITS:
            del self._fits[next(iter(self._fits))]
        return test

    def _filled(self, ranked: Ranked, posterior: Posterior) -> Ranked:
        """The code with the most probable depth at each cut that the lock doesn't read."""
        rows = [list(row) for row in ranked.depths]
        for place in self.ignored:
            rows[place.lane][place.cut] = int(posterior.shares[place].argmax())
        return Ranked(tuple(tuple(row) for row in rows), ranked.probability)


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
    expect(Readings, readings)
    expect(System, system)
    return Decoder(system, model, made=made, lock=lock).decode(readings, best, sure)


CHUNK = 100
"""Keys that a process of `decode_many` takes at a time."""


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
