"""`excluded`: whole codes that are not used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from attrs import evolve

from bitting.errors import NotationError
from bitting.model import Depths, Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, SentenceError, Violation, length
from bitting.rules.binding import Bound
from bitting.rules.sentence import CodeText

DIFFERENT = "different"


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """One rule over all lanes in scope: a code is the whole key, or with `on TRACK, …` the cuts of that track."""
    lanes = tuple(scope)
    if "codes" not in slots:
        return [(lanes, {"palindrome": True})]
    return [(lanes, {"codes": tuple(sorted({_read(system, lanes, code) for code in slots["codes"]}))})]


def _read(system: System, lanes: Sequence[int], written: CodeText) -> Depths:
    """A code of the sentence as places per lane: in the notation of codes, for the lanes in scope alone."""
    from bitting.notation.code import parse_code  # only a sentence with codes in it needs it

    chosen = [system.lanes[i] for i in lanes]
    names = {lane.track.name for lane in chosen}
    part = evolve(
        system,
        tracks=tuple(track for track in system.tracks if track.name in names),
        sides=tuple(side for side in system.sides if not system.sided or side in {lane.side for lane in chosen}),
        rules=(),
    )
    try:
        code = parse_code(written.text, part)
    except NotationError as fault:
        start, end = fault.span or (0, len(written.text))
        shift = written.span[0]
        raise SentenceError(fault.message, hint=fault.hint, span=(start + shift, end + shift)) from None
    wanted, given = sum(lane.track.cuts for lane in part.lanes), sum(len(row.cuts) for row in code.written)
    if code.depths is None and wanted != given:
        raise SentenceError(
            f"a code here has {wanted} cuts, and this one has {given}",
            hint="commas stand between codes only",
            span=written.span,
        )
    if code.depths is None:
        from bitting.rules.builtin import all_of

        fault_found = next(all_of(code))
        raise SentenceError(fault_found.message, hint="a code that isn't used is written out whole", span=written.span)
    return code.depths


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    rows = tuple(tuple(row) for row in cuts)
    if any(None in row or len(row) != length(rule, system, lane) for lane, row in enumerate(rows)):
        return
    everywhere = tuple(Place(lane, cut) for lane, row in enumerate(rows) for cut in range(len(row)))
    if "palindrome" in rule.arguments:
        if all(row == row[::-1] for row in rows):
            yield Violation(everywhere, "the code is the same read from the tip")
    elif rows in rule.arguments["codes"]:
        yield Violation(everywhere, "this code is not used")


def _automaton(rule: Rule, system: System) -> Automaton:
    ends = [length(rule, system, lane) for lane in range(len(rule.lanes))]
    last = max((end - 1, lane) for lane, end in enumerate(ends))
    if "palindrome" in rule.arguments:
        return Automaton(((),) * len(ends), lambda *at: _palindrome(ends, last, *at))
    order = [(cut, lane) for cut in range(max(ends)) for lane in range(len(ends)) if cut < ends[lane]]
    codes = [tuple(code[lane][cut] for cut, lane in order) for code in rule.arguments["codes"]]
    at = {place: i for i, place in enumerate(order)}

    def step(possible: Any, lane: int, cut: int, depth: int) -> Any:
        """`possible`: which excluded codes agree so far."""
        if possible == DIFFERENT:
            return DIFFERENT
        here = at[cut, lane]
        left = tuple(i for i in possible if codes[i][here] == depth)
        if not left:
            return DIFFERENT
        return None if here == len(order) - 1 else left

    return Automaton(tuple(range(len(codes))), step)


def _palindrome(ends: Sequence[int], last: tuple[int, int], state: Any, lane: int, cut: int, depth: int) -> Any:
    """State: what each lane's second half has yet to repeat, as a stack; `different` once any lane doesn't."""
    if state == DIFFERENT:
        return DIFFERENT
    half, stack = ends[lane] // 2, state[lane]
    if cut < half:
        stack = (*stack, depth)
    elif cut >= ends[lane] - half:
        if stack[-1] != depth:
            return DIFFERENT
        stack = stack[:-1]
    if (cut, lane) == last:
        return None
    return (*state[:lane], stack, *state[lane + 1 :])


KIND = Kind(
    "excluded",
    (
        Form("these codes are not used : {codes:codes}"),
        Form("the code is not the same read from the tip", {}),
        Form("this code is not used : {codes:codes}"),
    ),
    _bind,
    _evaluate,
    _automaton,
    "Codes that a maker keeps back, and codes that fit a lock from either end.",
    ("these codes are not used: 1 2 3, 3 2 1", "1 2 2", "1 2 3"),
)
