"""`excluded`: whole codes that are not used."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Place, Rule, System
from bitting.rules.base import Automaton, Cuts, Form, Kind, SentenceError, Violation, length
from bitting.rules.binding import Bound, depth_place
from bitting.rules.sentence import Word

DIFFERENT = "different"


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """One rule over all lanes in scope: a code is the whole key, or with `on TRACK, …` the cuts of that track."""
    lanes = tuple(scope)
    if "codes" not in slots:
        return [(lanes, {"palindrome": True})]
    return [(lanes, {"codes": tuple(sorted({_read(system, lanes, row) for row in slots["codes"]}))})]


def _read(system: System, lanes: Sequence[int], row: Sequence[Word]) -> tuple[tuple[int, ...], ...]:
    """A code of the sentence as places per lane: labels run together or apart, tracks named or divided by `/`."""
    span = (row[0].span[0], row[-1].span[1])
    tracks = [system.lanes[i].track for i in lanes]
    words = [word for word in row if word.kind != "SIGN"]
    names = {track.name.casefold() for track in tracks} | {side.casefold() for side in system.sides}
    words = [
        w for w, after in zip(row, [*row[1:], None], strict=True) if w in words and not (after and after.text == ":")
    ]
    if any(w.text.casefold() in names and w.text not in tracks[0].labels for w in words):
        raise SentenceError("write excluded codes with `TRACK:` or without names", span=span)
    labels: list[Word] = []
    for word in words:
        if word.text not in tracks[0].labels and all(track.run_together for track in tracks):
            labels += [Word(c, c, word.kind, word.span) for c in word.text]
        else:
            labels.append(word)
    wanted = sum(track.cuts for track in tracks)
    if len(labels) != wanted:
        raise SentenceError(f"a code here has {wanted} cuts, and this one has {len(labels)}", span=span)
    left = iter(labels)
    return tuple(tuple(depth_place(next(left), track) for _ in range(track.cuts)) for track in tracks)


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
