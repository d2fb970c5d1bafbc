"""`depth-uses`: how often depths are used, on a track or over the whole key."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from bitting.model import Place, Rule, System
from bitting.rules.base import (
    Automaton,
    Cuts,
    Form,
    Kind,
    Violation,
    all_places,
    is_whole,
    length,
    limits_nothing,
    still_to_come,
)
from bitting.rules.binding import WHOLE_KEY, Bound, depth_places, whole_key
from bitting.rules.sentence import Labels
from bitting.text import plural

FREE = -1  # whatever follows, the rule is satisfied


def _bind(system: System, scope: Sequence[int], slots: dict[str, Any]) -> Bound:
    """`depths` becomes a tuple of places per lane (None: every depth by itself), `said` what they are called."""
    whole, reach, depths = slots.pop("whole", False), slots.pop("reach", ""), slots.pop("depths", None)
    for lanes in [whole_key(system, scope)] if whole else [(i,) for i in scope]:
        if depths is None:
            yield lanes, {**slots, "depths": None, "said": ""}
            continue
        meant = Labels(depths.words, reach or depths.reach)
        said = " ".join(word.text for word in meant.words) + (f" or {meant.reach}" if meant.reach else "")
        yield lanes, {**slots, "depths": _on_each(meant, system, lanes), "said": said}


def _on_each(meant: Labels, system: System, lanes: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """The depths per lane. Of several lanes one may lack a depth, not all; `A or deeper` needs A everywhere."""
    tables = [system.lanes[i].track.labels for i in lanes]
    known = [
        tuple(w for w in meant.words if meant.reach or w.text in table or not any(w.text in other for other in tables))
        for table in tables
    ]
    tracks = (system.lanes[i].track for i in lanes)
    return tuple(depth_places(Labels(words, meant.reach), track) for track, words in zip(tracks, known, strict=True))


def _broken(rule: Rule, number: int) -> str:
    n = rule.arguments["n"]
    if rule.arguments["how"] == "most":
        return f"at most {n} allowed" if number > n else ""
    return f"at least {n} needed" if number < n else ""


def _evaluate(rule: Rule, system: System, cuts: Cuts) -> Iterator[Violation]:
    depths, most = rule.arguments["depths"], rule.arguments["how"] == "most"
    if depths is None:
        for label, of_label in _by_label(rule, system).items():
            at = _used(cuts, of_label)
            if wrong := _broken(rule, len(at)):
                yield Violation(at, f"depth {label} is used {plural(len(at), 'time')}, {wrong}")
        return
    at = _used(cuts, depths)
    wrong = _broken(rule, len(at))
    if wrong and (most or is_whole(rule, system, cuts)):
        verb = "is" if len(at) == 1 else "are"
        said = f"{plural(len(at), 'cut')} {verb} {rule.arguments['said']}, {wrong}"
        yield Violation(at if most else all_places(cuts), said)


def _used(cuts: Cuts, depths: Sequence[Sequence[int]]) -> tuple[Place, ...]:
    """Where one of the lane's own `depths` is used."""
    rows = enumerate(zip(cuts, depths, strict=True))
    return tuple(Place(lane, cut) for lane, (row, chosen) in rows for cut, d in enumerate(row) if d in chosen)


def _by_label(rule: Rule, system: System) -> dict[str, tuple[tuple[int, ...], ...]]:
    """Every label of the rule's lanes -> its place on each of them (none where a track has no such depth)."""
    tables = [system.lanes[lane].track.labels for lane in rule.lanes]
    labels = dict.fromkeys(label for table in tables for label in table)
    return {label: tuple((t.index(label),) if label in t else () for t in tables) for label in labels}


def _automaton(rule: Rule, system: System) -> Automaton:
    n, depths = rule.arguments["n"], rule.arguments["depths"]
    left = still_to_come(rule, system, [1] * len(rule.lanes))
    if depths is None:
        return _every_depth(n, left, list(_by_label(rule, system).values()))
    most = rule.arguments["how"] == "most"

    def step(number: int, lane: int, cut: int, depth: int) -> int | None:
        if number == FREE:
            return FREE
        number, after = number + (depth in depths[lane]), left[lane, cut]
        if most:
            return None if number > n else FREE if number + after <= n else number
        return FREE if number >= n else None if number + after < n else number

    return Automaton(0, step)


def _every_depth(n: int, left: dict[tuple[int, int], int], labels: list[tuple[tuple[int, ...], ...]]) -> Automaton:
    """One counter per depth, packed into an integer; a counter that can't pass n any more is forgotten (set to 0)."""
    bits = (n + 1).bit_length()
    mask = (1 << bits) - 1
    counter_of = {(lane, d): i for i, lanes in enumerate(labels) for lane, at in enumerate(lanes) for d in at}

    def step(packed: int, lane: int, cut: int, depth: int) -> int | None:
        after, shift = left[lane, cut], counter_of[lane, depth] * bits
        if (packed >> shift & mask) >= n:
            return None
        packed += 1 << shift
        if after > n:
            return packed
        kept = 0
        for other in range(len(labels)):
            counter = packed >> other * bits & mask
            if counter + after > n:
                kept |= counter << other * bits
        return kept

    return Automaton(0, step)


_SENTENCES = (
    *(
        (f"{limit} {{n:count}} cuts are {{depths:depth}} or {reach}", {"how": how, "reach": reach})
        for limit, how in (("<at least>", "least"), ("<at most>", "most"))
        for reach in ("deeper", "shallower")
    ),
    ("(depth|) {depths:depth} (is used|) <at most> {n:times}", {"how": "most"}),
    ("(depth|) {depths:depth} (is used|) <at least> {n:times}", {"how": "least"}),
    ("no depth (is used|) (more than|over) {n:times}", {"how": "most"}),
    ("(each|every) depth (is used|) <at most> {n:times}", {"how": "most"}),
    ("depths {depths:depths} (together|) are used [together] <at most> {n:times}", {"how": "most"}),
    ("depths {depths:depths} (together|) are used [together] <at least> {n:times}", {"how": "least"}),
)

KIND = Kind(
    "depth-uses",
    (
        *(Form(words, fixed) for words, fixed in _SENTENCES),
        *(Form(f"{WHOLE_KEY} {words}", {**fixed, "whole": True}) for words, fixed in _SENTENCES),
    ),
    _bind,
    _evaluate,
    _automaton,
    "A code needs some deep cuts to keep other keys out, and not too many of one depth, or it is close to its neighbours.",
    ("no depth is used more than 2 times", "1 2 1 2", "1 2 1 1"),
    idle=lambda rule, system: limits_nothing(rule, 0, sum(length(rule, system, i) for i in range(len(rule.lanes)))),
)
