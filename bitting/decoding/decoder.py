"""The decoder: a system and its measurement model made ready once, then used for every key.

From a posterior to the answer that people and scripts see: verdict, cuts, candidates, advice. One key is a batch of one; keys
that were read alike share one simulation of how well a key fits.

An answer is sure where the whole code has the limit, the key fits, the list was hardly taken another way (`listing.py`), every
cut has a reading that is one, no place along the blade is off by half a pitch, no readings that agree with each other lie half
a step from the depth chosen, and jaws wider than stated don't explain them too well: their share is taken off the limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from numbers import Integral, Real
from typing import TYPE_CHECKING

import numpy as np
from attrs import evolve

from bitting.arrays import Array
from bitting.decoding.advice import COMPARED, measure_next
from bitting.decoding.cuts import Found, cuts_of, doubts_of, exchanges_of
from bitting.decoding.fit import FIT_LIMIT, FitTest, Pattern
from bitting.decoding.grid import places_along
from bitting.decoding.jaw import JAW_ASKED, WIDE_JAW, Reach, jaw_note, reach_of, widen
from bitting.decoding.kbest import Ranked, best_codes
from bitting.decoding.listing import AS_GIVEN, LOOKED_AT, MOST, NAMED, Way, readings_near, rough_evidence, ways_of
from bitting.decoding.model import Made, MeasurementModel, model_of, wear_scales
from bitting.decoding.positions import PLACE_SD, place_fit
from bitting.decoding.posterior import Posterior
from bitting.decoding.result import (
    Candidate,
    Decoded,
    Doubt,
    Fit,
    Listed,
    Next,
    Offset,
    Verdict,
    Wear,
)
from bitting.decoding.solver import Read, Solver
from bitting.diagram.trellis import Trellis, compile_diagram, keep_memory
from bitting.errors import BittingError
from bitting.model import Depths, Place, Readings, System, code_of
from bitting.model.expect import expect, expect_read_for
from bitting.notation.readings import read_coarsely

if TYPE_CHECKING:
    from bitting.diagram import CodeSpace

SURE = 0.95
"""Probability that a whole code needs to be called sure, unless the caller says another."""
HOPELESS = 0.01
"""Probability of the best code below which no others are looked at for advice: first there must be more readings."""
JAW_PRIOR = 0.03
"""Probability beforehand of jaws as wide as `WIDE_JAW`, where the system states narrow ones: our own assumption."""
FITS = 64
"""Patterns of readings whose fit tests are kept; each holds the figures of some thousand drawn keys."""
ONLY_ACROSS = "readings across two tracks alone can't tell {0} from {1}: codes with the same sums read alike"
EDGES_ALIKE = "the edges were read together: each reading stands for the depth of both, {0} / 2"

NONSENSE = (
    "these readings across fit nothing, so only one near code was looked for, without tilt or left-right difference"
)


class Decoder:
    """Decodes keys of one system with one model. Set-up builds the diagram of legal codes; keys share it.

    `made` ("original" or "copy") says how the key was cut and overrides the system's shared errors; `model` overrides all of
    its figures. With `lock` only the cuts that this lock reads are decoded: codes are told apart by them alone and have `?`
    elsewhere. `place_sd` (mm) is the uncertainty of places along the blade; without `listings` every list is taken for one
    that was taken as asked; with `jaw_said` nobody is asked whether the jaws were wider than stated. Raises `BittingError`
    for a system without legal codes or too large for a diagram.
    """

    def __init__(
        self,
        system: System,
        model: MeasurementModel | None = None,
        *,
        made: Made | None = None,
        lock: str | None = None,
        space: CodeSpace | None = None,
        place_sd: float = PLACE_SD,
        listings: bool = True,
        jaw_said: bool = False,
    ) -> None:
        from bitting.diagram import code_space

        self.system = system
        self.model = model if model is not None else model_of(system, made)
        self.place_sd, self.listings, self.jaw_said = place_sd, listings, jaw_said
        space = code_space(system) if space is None else space
        if space.count == 0:
            raise BittingError(
                f"no code of {system.name!r} is legal, so no reading can be decoded",
                hint="`bitting systems lint` says which rules contradict each other",
            )
        keep_memory()
        self.space = space
        self.reach = reach_of(system)
        self.trellises = self._widened(self.reach)
        self.lock = lock
        self.ignored = _not_read_by(system, lock)
        self.along: Mapping[Place, float] = places_along(system)
        self.solver = Solver(system, self.model, self.trellises, self.reach, self.along)
        rough = evolve(self.model, tilt_sd=0.0, left_right_sd=0.0)
        self.plain = Solver(system, rough, self.trellises, self.reach, self.along, finest=4.0)
        self._fits: dict[Pattern, FitTest] = {}

    def _widened(self, reach: Reach) -> tuple[Trellis, ...]:
        return tuple(widen(compile_diagram(diagram), reach) for diagram in self.space.diagrams)

    @cached_property
    def _blunt(self) -> Solver | None:
        """That of a caliper with wide jaws, without tilt and left-right difference; None where that changes nothing."""
        measuring, wide = self.system.measuring, self.system.from_mm(WIDE_JAW)
        if self.jaw_said or measuring.contact or 2 * (measuring.jaw or 0.0) >= wide:
            return None
        system = evolve(self.system, measuring=evolve(measuring, jaw=wide))
        reach = reach_of(system)
        if reach.unknown or reach.largest == 0:
            return None
        return Solver(system, self.plain.model, self._widened(reach), reach, self.along, finest=4.0)

    def _wide_jaw(self, found: Found) -> float:
        """The share of the evidence that a caliper with wide jaws has, where nobody said that it has them."""
        if found.read.pairs or not found.read.cuts or self._blunt is None:  # pairs would cost much
            return 0.0
        more = self._blunt.posterior(found.read).log_evidence - found.posterior.log_evidence
        return 1 / (1 + (1 - JAW_PRIOR) / JAW_PRIOR * math.exp(-min(max(more, -500.0), 500.0)))

    def decode(self, readings: Readings, best: int = 5, sure: float = SURE, *, advise: bool = True) -> Decoded:
        """The most probable legal code of one key and everything that stands behind it.

        `advise=False` leaves out which cuts to measure again.
        """
        return self.decode_many([readings], best, sure, advise=advise)[0]

    def decode_many(
        self, keys: Sequence[Readings], best: int = 1, sure: float = SURE, *, advise: bool = False
    ) -> list[Decoded]:
        """Like `decode` for each key, in order."""
        _check_options(best, sure)
        for readings in keys:
            expect(Readings, readings)
            expect_read_for(readings, self.system)
        found = [self.found(readings, best) for readings in keys]
        fits = self._p_values(found)
        return [self._answer(one, fit, sure, advise=advise) for one, fit in zip(found, fits, strict=True)]

    def posterior(self, readings: Readings) -> Posterior:
        """The posterior of one key whose list was taken as asked. Raises `BittingError` where nothing was measured."""
        return self.solver.posterior(self.solver.read(readings))

    def found(self, readings: Readings, best: int) -> Found:
        """One key with its list taken in the way that has most; where no depths fit, as it is given."""
        read = self.solver.read(readings)
        given = None
        if read.pairs and self.model.spread:  # where these fit nothing, everything weighed takes long, and a gigabyte
            near = evolve(self._weighed(readings, read, self.plain, 1), hopeless=True)
            given = near if self._p_values([near])[0] < FIT_LIMIT else None
        given = given or self._weighed(readings, read, self.solver, best)
        nothing = self.model.spread and self.fit_test(read).at_most(read.every) < FIT_LIMIT  # however it was listed
        if not self.listings or nothing or (given.places is None and not given.hopeless and self._near(given)):
            return evolve(given, log_total=given.posterior.log_evidence)
        return self._listed(given, best)

    def _weighed(self, readings: Readings, read: Read, solver: Solver, best: int) -> Found:
        posterior = solver.posterior(read)
        ranked = best_codes(posterior, self.system, best, self.ignored)
        places = place_fit(readings, self.system, self.place_sd)
        return Found(readings, read, posterior, ranked, self._filled(ranked[0], posterior), places)

    def _p_values(self, found: Sequence[Found]) -> list[float]:
        """How often a key's readings are no nearer to their code than these are to the best one; of keys read alike at once."""
        alike: dict[Pattern, list[int]] = {}
        for number, one in enumerate(found):
            alike.setdefault(Pattern.of(one.read.every), []).append(number)
        out = [0.0] * len(found)
        for numbers in alike.values():
            test = self.fit_test(found[numbers[0]].read)
            values = test.p_values([(found[number].read.every, found[number].best.depths) for number in numbers])
            for number, value in zip(numbers, values, strict=True):
                out[number] = value
        return out

    def _near(self, found: Found) -> bool:
        """Whether every reading is about as near to the code as it could be to any."""
        shared = found.posterior.shared
        usual = self.model.offset_sd == 0 or abs(shared.offset_mean) < 2 * self.model.offset_sd
        whole = len({one.place for one in found.read.cuts}) == len(self.along)
        return (
            usual
            and whole
            and readings_near(found.read.cuts, found.best.depths, found.posterior.errors(self.along), self.solver)
        )

    def _listed(self, given: Found, best: int) -> Found:
        """The same, once it was asked in which way the list was taken.

        Rough evidences are put right by the difference of the list as given, or of the way that is then the best.
        """
        ways = [way for way in ways_of(given.readings, self.system) if _readable(way, self.system)]
        places = [given.places and place_fit(way.readings, self.system, self.place_sd) for way in ways]
        known = np.array(
            [way.log_prior + (0.0 if fit is None else fit.log_evidence) for way, fit in zip(ways, places, strict=True)]
        )
        if not given.read.cuts:
            return evolve(given, log_total=given.posterior.log_evidence + float(known[0]))
        rough = rough_evidence(ways, self.solver)
        kinds: dict[tuple[str, int | None], list[int]] = {}
        for number, way in enumerate(ways):
            kinds.setdefault((way.name, way.number), []).append(number)
        weights = rough + known
        shares = np.exp(weights - weights.max())
        shares /= shares.sum()
        by_kind = {kind: float(shares[numbers].sum()) for kind, numbers in kinds.items() if numbers != [0]}
        looked = [kind for kind in sorted(by_kind, key=lambda k: -by_kind[k]) if by_kind[kind] > LOOKED_AT][:MOST]
        exact, fits = {0: given}, self._p_values([given])[0] >= FIT_LIMIT
        for kind in looked:
            number = max(kinds[kind], key=lambda n: weights[n])
            moved = ways[number].readings
            read = self.solver.read(moved)
            if fits or self._p_values([self._weighed(moved, read, self.plain, 1)])[0] >= FIT_LIMIT:
                exact[number] = self._weighed(moved, read, self.solver, best)
        right = {number: found.posterior.log_evidence - rough[number] for number, found in exact.items()}
        usual = right[max(exact, key=lambda n: right[n] + weights[n])]
        for numbers in kinds.values():
            own = [right[number] for number in numbers if number in right]
            for number in numbers:
                weights[number] += own[0] if own else usual
        total = float(np.logaddexp.reduce(weights))
        shares = np.exp(weights - total)
        return self._chosen(ways, kinds, shares, exact, total)

    def _chosen(
        self,
        ways: Sequence[Way],
        kinds: Mapping[tuple[str, int | None], Sequence[int]],
        shares: Array,
        exact: Mapping[int, Found],
        total: float,
    ) -> Found:
        """The way with the greatest share, and the others that are to be named; ways to the same code speak for each other."""
        listed: dict[int, Listed] = {}
        for (name, number), members in kinds.items():
            top = max(members, key=lambda n: float(shares[n]))
            at = next((n for n in members if n in exact), top)
            listed[at] = Listed(name, float(shares[list(members)].sum()), ways[at].detail, number)
        best = max((n for n in listed if n in exact), key=lambda n: (listed[n].share, -n))
        same = [n for n in exact if exact[n].best.depths == exact[best].best.depths]
        if 0 in same and listed[0].share >= LOOKED_AT:  # another way that leads to the same code changes nothing
            best = 0
        share = min(sum(listed[n].share for n in same), 1.0)
        others = [one for n, one in listed.items() if n not in same and one.share >= NAMED]
        return evolve(
            exact[best],
            listed=evolve(listed[best], share=share),
            others=tuple(sorted(others, key=lambda one: -one.share)),
            log_total=total,
        )

    def _filled(self, ranked: Ranked, posterior: Posterior) -> Ranked:
        """The code with the most probable depth at each cut that the lock doesn't read."""
        rows = [list(row) for row in ranked.depths]
        for place in self.ignored:
            rows[place.lane][place.cut] = int(posterior.shares[place].argmax())
        return Ranked(tuple(tuple(row) for row in rows), ranked.probability)

    def fit_test(self, read: Read) -> FitTest:
        """The fit test for readings of this key's pattern, drawn once per pattern and kept with the last used ones."""
        pattern = Pattern.of(read.every)
        test = self._fits.pop(pattern, None) or FitTest(pattern, self.system, self.model, self.reach)
        self._fits[pattern] = test  # the last used stands last
        if len(self._fits) > FITS:
            del self._fits[next(iter(self._fits))]
        return test

    def _answer(self, found: Found, p_value: float, sure: float, *, advise: bool) -> Decoded:
        """The answer for one key; `advise` adds which cuts to measure again. (Long: a plain list of what an answer holds.)"""
        posterior, ranked = found.posterior, found.ranked
        fit = Fit(p_value, FIT_LIMIT)
        cuts = cuts_of(found, self.solver, self.ignored)
        doubts, jaw = doubts_of(found, cuts, self.system), self._wide_jaw(found)
        most = ranked[0].probability
        if jaw >= NAMED or (jaw >= JAW_ASKED and most >= sure > most * (1 - jaw)):
            doubts = (*doubts, Doubt("jaw", share=jaw))
        enough = most * (1.0 if found.listed.name == AS_GIVEN else found.listed.share) >= sure
        verdict: Verdict = "no-fit" if fit.p_value < FIT_LIMIT else "sure" if enough and not doubts else "unsure"
        again: tuple[Next, ...] = ()
        if advise and verdict == "unsure":
            again = self._next(found, doubts, sure)
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
            cuts=cuts,
            candidates=candidates,
            offset=Offset(shared.offset_mean, shared.offset_sd),
            fit=fit,
            measure_next=again,
            wear=Wear(wear, spread),
            tilt=Offset(shared.tilt_mean, shared.tilt_sd),
            left_right=shared.pair_mean,
            log_evidence=posterior.log_evidence,
            log_total=found.log_total,
            sure_limit=sure,
            model=self.model,
            listing=found.listed,
            other_listings=found.others,
            doubts=doubts,
            exchanged=tuple(exchanges_of(found, self.solver, self.space.contains)) if verdict == "sure" else (),
            places=found.places,
            lists=len({cut.list_number for cut in found.readings.cuts}),
            of=self.system,
            wide_jaws=jaw,
            readings_unit=found.readings.unit,
            coarse=read_coarsely(found.readings),
            notes=tuple(self._notes(found)),
        )

    def _notes(self, found: Found) -> Iterator[str]:
        """What must be said of the readings and the jaw."""
        across = self.system.measuring.across
        if across is not None and found.read.pairs and not found.read.cuts:
            yield ONLY_ACROSS.format(*across.names)
        if across is not None and any(r.share < 1 for cut in found.readings.cuts for r in cut.readings):
            whole = f"(reading + {-across.amount:g})" if across.scale > 0 else f"({across.amount:g} - reading)"
            yield EDGES_ALIKE.format(whole)
        if found.hopeless:
            yield NONSENSE
        yield from jaw_note(self.system, self.reach)

    def _next(self, found: Found, doubts: Sequence[Doubt], sure: float) -> tuple[Next, ...]:
        """What to measure next, never nothing: cuts in doubt first, then those that bring most, then every cut once more."""
        few = self.ignored or found.best.probability < HOPELESS
        compared = found.ranked if few else best_codes(found.posterior, self.system, COMPARED)
        useful = measure_next(found.read.cuts, found.posterior, compared, self.solver, sure)
        risk, lanes = 1 - found.best.probability, self.system.lanes
        every = {
            (lane.track.name, cut + 1, lane.side): Next(lane.track.name, cut + 1, lane.side, risk)
            for number, lane in enumerate(lanes)
            for cut in range(lane.track.cuts)
            if Place(number, cut) not in self.ignored
        }
        known = {key: one for one in useful if (key := (one.track, one.cut, one.side)) in every}
        doubted = [(doubt.track, doubt.cut, doubt.side) for doubt in doubts if doubt.cut]
        wanted = dict.fromkeys([*doubted, *known]) or every
        return tuple(known.get(key) or every.get(key) or Next(*key, risk) for key in wanted)

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


def _readable(way: Way, system: System) -> bool:
    """Whether every cut that a way gives a reading is one of the key's."""
    lanes = {(lane.side, lane.track.name): lane.track.cuts for lane in system.lanes}
    return all(
        cut.track == "across" or 0 <= cut.cut < lanes.get((cut.side if system.sided else None, cut.track), 0)
        for cut in way.readings.cuts
    )


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
    expect(Integral, best)
    expect(Real, sure)
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


def decode_many(
    keys: Iterable[Readings],
    system: System,
    best: int = 1,
    model: MeasurementModel | None = None,
    sure: float = SURE,
    *,
    made: Made | None = None,
) -> list[Decoded]:
    """Like `decode`, for many keys of one system, without advice on what to measure again."""
    expect(System, system)
    if isinstance(keys, Readings) or not isinstance(keys, Iterable):
        given = f"a value of type {type(keys).__name__} stands where a list of Readings is wanted"
        raise BittingError(given, hint="`bitting.decode` is for one key")
    return Decoder(system, model, made=made).decode_many(list(keys), best, sure)
