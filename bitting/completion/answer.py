"""Which legal codes fit a code with open cuts, how many blanks try them all, and what one more fact would save.

The codes are counted on the diagram, so the count is exact however large. Up to `EXACT_UP_TO` candidates the blanks are
the fewest possible, with the codes that prove it (`rivals`: no two of them can share a blank). Past that, when nobody
tries them all, two proven bounds stand in their place: codes whose depths have the same sum never share a blank, so the
largest such group is a lower bound; the upper one is the number of chains that they would be laid out in.

A lock that reads only some cuts (`lock`) is opened by any key with the right cuts there. Candidates are then the
distinct settings of the cuts it reads that some legal code has; the other cuts are written as far as they are known.
What the other cuts of a trial key should be is in `keys`: the shallowest that keep the whole key legal and that the
same blank can still reach, try by try.

`worklist` gives the tries in words: what to cut on a fresh blank, and which cuts to deepen for each try after that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from numbers import Integral

import attrs
import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from bitting.checking import read_places
from bitting.completion.bounds import at_most
from bitting.completion.candidates import (
    RANKED,
    Allowed,
    Choices,
    Likely,
    allowed_depths,
    likeliest,
    whole_keys,
    writer,
)
from bitting.completion.chains import Chains, TooManyCovers, fewest, fewest_chains
from bitting.completion.result import Completion, CutLeft, Fact
from bitting.diagram import CodeSpace, code_space
from bitting.errors import BittingError
from bitting.model import Code, Place, Readings, System, write_cut
from bitting.model.expect import expect
from bitting.notation import parse_code
from bitting.rules import read_rule

EXACT_UP_TO = 50_000
"""Candidates for which the fewest blanks are found (measured: about 10 s and 440 MB), and that are listed at all."""

SLOW_FROM = 5_000
"""Candidates from which on the blanks take about a second or more."""

FACT_BLANKS_UP_TO = 2_000
"""Candidates for which the blanks that one more fact would leave are worked out."""

KEYS_UP_TO = 1_000
"""Candidates for which the cuts that a lock doesn't read are worked out."""


def complete(
    code: Code,
    system: System | None = None,
    limit: int = 1000,
    *,
    lock: str | None = None,
    readings: Readings | None = None,
    where: str | Iterable[str] = (),
    progress: Callable[[str], None] | None = None,
) -> Completion:
    """The legal codes of a system (absent: the code's own) that fit a code with open cuts.

    `limit` bounds `codes` only. `lock` names a lock of the system whose cuts alone matter; `readings` of the same key
    make it the likeliest first; `where` are rule sentences that are known to hold ("cut 4 is not 1 2"). `progress` is
    told what takes more than a moment. Raises BittingError for a code that no code of the system can fit, an unknown
    lock, a sentence that is no rule.
    """
    expect(Code, code)
    expect(Integral, limit)
    system = code.system if system is None else system
    if system != code.system or (readings is not None and system != readings.system):
        raise BittingError(
            "the code or the readings were read against another system",
            hint="parse both with the system whose codes are asked for",
        )
    if limit < 0:
        raise BittingError(f"a limit of {limit} codes makes no sense", hint="use 0 or more")
    allowed = allowed_depths(code)
    codes = code_space(_with_sentences(system, [where] if isinstance(where, str) else where), allowed=allowed)
    whole = choices_of(codes)
    read = None if lock is None else frozenset(read_places(system, lock))
    if not whole.count:
        return Completion(0, (), 0, (), True, 0, 0, lock=lock, keys=None if lock is None else ())
    question = _Question(system, allowed, codes, whole, whole if read is None else whole.only(read), lock)
    return _answer(question, _listing(question, limit, readings), limit, progress)


def _must_agree(readings: Readings, system: System, allowed: Allowed) -> None:
    """Raises BittingError for a cut that reads more than three quarters of a step from the one depth written for it."""
    for at, depths in allowed.items():
        if len(depths) > 1:
            continue
        lane, depth = system.lanes[at.lane], depths[0]
        here = [
            c for c in readings.cuts if (c.track, c.cut) == (lane.track.name, at.cut) and lane.side in (None, c.side)
        ]
        values = [one.value for cut in here for one in cut.readings]
        if values and min(abs(value - lane.track.depths[depth]) for value in values) > 0.75 * system.step:
            told = f"{lane.label} cut {at.cut + 1} is written {lane.track.labels[depth]} and reads {values[0]:g}"
            raise BittingError(told, hint="look at the key again: write ? for the cut, or ? for its reading")


@frozen(eq=False)
class _Question:
    """What is asked: the codes that fit (`codes`, and as `whole`), and the settings asked about (`asked`)."""

    system: System
    allowed: Allowed
    codes: CodeSpace
    whole: Choices
    asked: Choices
    lock: str | None


@frozen(eq=False)
class _Listing:
    """The first candidates, or `every` one where they are not too many, with their probabilities if they have any."""

    first: NDArray[np.int8]
    every: NDArray[np.int8] | None
    weights: NDArray[np.float64] | None = None
    likely: Likely | None = None


def _listing(question: _Question, limit: int, readings: Readings | None) -> _Listing:
    asked = question.asked
    listed = asked.count <= EXACT_UP_TO
    rows = asked.first(asked.count if listed else limit)
    if readings is None:
        return _Listing(rows[:limit], rows if listed else None)
    _must_agree(readings, question.system, question.allowed)
    most = limit if question.lock is None and not listed else max(RANKED, limit)
    likely = likeliest(question.codes, asked.places, question.system, readings, limit, most)
    rows, weights = _by_likelihood(asked, rows, likely)
    return _Listing(rows[:limit], rows if listed else None, weights, likely)


def _answer(question: _Question, listing: _Listing, limit: int, progress: Callable[[str], None] | None) -> Completion:
    asked, every = question.asked, listing.every
    text = writer(question.system, asked.places, question.allowed)
    if progress is not None and every is not None and len(every) >= SLOW_FROM:
        progress(f"finding the fewest blanks for {len(every):,} codes …")
    found, at_least, no_more = _blanks(asked, every, listing.weights)
    blanks = [] if every is None else [every[list(chain)] for chain in found.chains]
    keys = None
    if question.lock is not None and every is not None and len(every) <= KEYS_UP_TO:
        keys = whole_keys(question.whole, asked.places, blanks, question.system, question.allowed)
    return Completion(
        count=asked.count,
        codes=tuple(map(text, listing.first.tolist())),
        blanks=at_least if found.chains else None,
        tries=tuple(tuple(map(text, rows.tolist())) for rows in blanks),
        complete=len(listing.first) == asked.count,
        blanks_at_least=at_least,
        blanks_at_most=no_more,
        rivals=() if every is None else tuple(map(text, every[list(found.antichain)].tolist())),
        facts=_facts(asked, every, listing.likely, question.system),
        cuts=_cuts_left(asked, question.system),
        probabilities=None if listing.weights is None else tuple(listing.weights[:limit].tolist()),
        not_ranked=None if listing.likely is None else listing.likely.left_over,
        lock=question.lock,
        keys=keys,
    )


def choices_of(space: CodeSpace) -> Choices:
    """The codes of a space as independent parts."""
    return Choices(tuple(diagram.layers for diagram in space.diagrams))


def _with_sentences(system: System, where: Iterable[str]) -> System:
    """The system with more rules that must hold."""
    where = list(where)
    for sentence in where:
        expect(str, sentence)
    added = tuple(rule for sentence in where for rule in read_rule(system, sentence, "must"))
    return attrs.evolve(system, rules=system.rules + added) if added else system


def _blanks(
    asked: Choices, every: NDArray[np.int8] | None, weights: NDArray[np.float64] | None
) -> tuple[Chains, int, int]:
    """The fewest blanks where the candidates are listed, with bounds that meet then."""
    if every is not None:
        with suppress(TooManyCovers):
            exact = fewest_chains(every, weights)
            return exact, len(exact.antichain), len(exact.chains)
    return Chains((), ()), max(asked.levels), at_most(asked, EXACT_UP_TO)


def _cuts_left(asked: Choices, system: System) -> tuple[CutLeft, ...]:
    out = []
    for place, depths in asked.depths.items():
        lane = system.lanes[place.lane]
        labels = tuple(lane.track.labels[depth] for depth in depths)
        out.append(CutLeft(lane.side, lane.track.name, place.cut + 1, labels))
    return tuple(out)


def _facts(asked: Choices, every: NDArray[np.int8] | None, likely: Likely | None, system: System) -> tuple[Fact, ...]:
    """What knowing each open cut would leave, the most telling first."""
    found = []
    for column, place in enumerate(asked.places):
        shares = asked.shares[place]
        if sum(n > 0 for n in shares) < 2:
            continue
        chance = [n / asked.count for n in shares]
        if likely is not None:
            chance = [float(p) for p in likely.chances[place]]
        codes = sum(p * n for p, n in zip(chance, shares, strict=True))
        blanks = None
        if every is not None and len(every) <= FACT_BLANKS_UP_TO:
            blanks = sum(p * fewest(every[every[:, column] == d]) for d, p in enumerate(chance) if p and shares[d])
        lane = system.lanes[place.lane]
        found.append(Fact(lane.side, lane.track.name, place.cut + 1, codes, blanks))
    return tuple(sorted(found, key=lambda fact: (fact.codes, fact.blanks or 0.0)))


def _by_likelihood(
    asked: Choices, rows: NDArray[np.int8], likely: Likely
) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
    """The rows from the likeliest on, with their probabilities; those that were not ranked share what is left."""
    ranked = np.array(likely.settings, np.int8).reshape(len(likely.settings), len(asked.places))
    weights = np.array(likely.probabilities)
    if asked.count > EXACT_UP_TO:
        return ranked, weights
    known = set(likely.settings)
    rest = [row for row in rows.tolist() if tuple(row) not in known]
    others = np.array(rest, np.int8).reshape(len(rest), len(asked.places))
    share = likely.left_over / len(rest) if rest else 0.0
    return np.concatenate([ranked, others]), np.concatenate([weights, np.full(len(rest), share)])


@frozen
class Try:
    """One try: the key to have in hand, and what to deepen for it; nothing to deepen on a fresh blank.

    `deepen` holds the lane's name, the cut counted from 1, and the depth's label. `code` is the whole key where a lock
    doesn't read every cut and one could be given; `whole` says whether one could.
    """

    code: str
    deepen: tuple[tuple[str, int, str], ...]
    whole: bool


def worklist(answer: Completion, system: System, blank: int) -> tuple[Try, ...]:
    """The tries of one blank, in order."""
    codes: Sequence[str] = answer.tries[blank]
    keys: Sequence[str | None] = codes if answer.keys is None else answer.keys[blank]
    out = []
    held: dict[Place, tuple[int, ...]] | None = None
    for code, key in zip(codes, keys, strict=True):
        text = code if key is None else key
        now = allowed_depths(parse_code(text, system))
        out.append(Try(text, () if held is None else _deeper(held, now, system), key is not None))
        held = now if held is None or key is not None else held | {p: d for p, d in now.items() if len(d) == 1}
    return tuple(out)


def _deeper(
    held: dict[Place, tuple[int, ...]], now: dict[Place, tuple[int, ...]], system: System
) -> tuple[tuple[str, int, str], ...]:
    """The cuts that have one depth now, and another before."""
    changed = (p for p in now if len(now[p]) == 1 and now[p] != held[p])
    lanes = system.lanes
    return tuple((lanes[p.lane].label, p.cut + 1, write_cut(now[p], lanes[p.lane].track)) for p in changed)
