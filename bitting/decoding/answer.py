"""From a posterior to the answer that people and scripts see: verdict, cuts, candidates, advice, notes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import evolve, frozen

from bitting.decoding.across import PairWitness
from bitting.decoding.advice import COMPARED, measure_next
from bitting.decoding.caution import Caution
from bitting.decoding.figures import MeasurementModel, wear_scales
from bitting.decoding.fit import FIT_LIMIT
from bitting.decoding.kbest import Ranked, best_codes
from bitting.decoding.posterior import Posterior
from bitting.decoding.reach import Reach
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
from bitting.decoding.witness import Witness
from bitting.model import Depths, Place, System, code_of

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
