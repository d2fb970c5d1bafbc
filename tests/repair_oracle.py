"""What may have been meant, the naive way: every legal code is written down with every slip, forwards.

Shares with the package only the probabilities and the reading of single signs; slips are made, never undone, and no diagram is
asked.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations

from bitting.model import System
from bitting.repair import noise
from bitting.rules import violations
from tests.oracle import every_code


def legal_codes(system: System):
    """Every code that breaks no `must` rule."""
    for code in every_code(system):
        must = (rule for rule in system.rules if rule.level == "must")
        if not any(list(violations(rule, system, [code[i] for i in rule.lanes])) for rule in must):
            yield code


def _cut_slips(rows, tracks, signs):
    """Every slip of single cuts: (cuts touched, {cut: what is written for it}, probability). Cuts are (row, number)."""
    for r, (row, track) in enumerate(zip(rows, tracks, strict=True)):
        tens = {"0", "1"} <= set(track.labels)
        for i, label in enumerate(row):
            for sign in signs:
                probability = noise.misreadings(track, sign)[track.labels.index(label)]
                if probability:
                    yield {(r, i)}, {(r, i): (sign,)}, probability
                if sign != label:
                    yield {(r, i)}, {(r, i): (sign, label)}, noise.EXTRA.probability
                    if i == len(row) - 1:
                        yield {(r, i)}, {(r, i): (label, sign)}, noise.EXTRA.probability
                if sign != label and row[i + 1 : i + 2] == [label]:
                    yield {(r, i), (r, i + 1)}, {(r, i): (sign,), (r, i + 1): (sign,)}, noise.TWINS.probability
            yield {(r, i)}, {(r, i): ()}, noise.DROPPED.probability
            yield {(r, i)}, {(r, i): (label, label)}, noise.DOUBLED.probability
            for far, slip in ((1, noise.SWAPPED), (2, noise.ACROSS)):
                if i + far < len(row) and row[i + far] != label:
                    touched = {(r, i): (row[i + far],), (r, i + far): (label,)}
                    yield set(touched), touched, slip.probability
            heard = "".join(row[i : i + 2])
            if tens and len(heard) == 2 == len(row[i : i + 2]) and (heard[0] == "1" or heard[1] == "0"):
                digit = heard[1] if heard[0] == "1" else heard[0]
                if digit in "3456789":
                    said = (digit, "0") if heard[0] == "1" else ("1", digit)
                    touched = {(r, i): (said[0],), (r, i + 1): (said[1],)}
                    yield set(touched), touched, (noise.TENS if heard[0] == "1" else noise.TEEN).probability


def _list_slips(streams, system):
    """Every slip of whole lists: (function of rows -> rows or None, probability)."""
    tracks = [system.lanes[lane].track for lane, _ in streams]

    def renumbered(by):
        def make(rows):
            out = [[noise.renumber(track, t, by) for t in row] for track, row in zip(tracks, rows, strict=True)]
            return None if any("" in row for row in out) else out

        return make

    yield renumbered(1), noise.RENUMBERED.probability
    yield renumbered(-1), noise.RENUMBERED.probability
    count = len(streams)
    yield lambda rows: [row[::-1] for row in rows], noise.FROM_TIP.probability
    if count > 1:
        for k in range(count):
            yield (
                (lambda rows, k=k: [row[::-1] if i == k else row for i, row in enumerate(rows)]),
                noise.ONE_FROM_TIP.probability,
            )
    for a, b in combinations(range(count), 2):
        if streams[a][1] == streams[b][1]:
            yield (
                (lambda rows, a=a, b=b: [rows[b] if i == a else rows[a] if i == b else r for i, r in enumerate(rows)]),
                noise.EXCHANGED.probability,
            )
    if system.sided:
        tracks_of_a_side = len(system.tracks)
        assert len(system.sides) == 2
        yield (lambda rows: [*rows[tracks_of_a_side:], *rows[:tracks_of_a_side]]), noise.EXCHANGED.probability


def _write(rows, chosen):
    made = {place: text for _, texts, _ in chosen for place, text in texts.items()}
    return [[t for i, label in enumerate(row) for t in made.get((r, i), (label,))] for r, row in enumerate(rows)]


def _as_written(rows):
    return tuple(tuple(row) for row in rows)


def posterior(system: System, streams, written, joined: bool = False):
    """(slips, {code: probability}) of all legal codes one slip from the written rows, or two where none is; `joined`: one list
    without a split.

    `streams` are (lane, side) per row, in the order of the package. Not for codes with signs that stand in for others.
    """
    tracks = [system.lanes[lane].track for lane, _ in streams]
    target = _as_written(written)
    seen = sorted({t for row in target for t in row})  # nothing else can have been written

    def same(rows):
        rows = _as_written(rows)
        return (sum(rows, ()),) == target if joined else rows == target

    one, two = defaultdict(float), defaultdict(float)
    for code in legal_codes(system):
        rows = [[tracks[k].labels[d] for d in code[lane]] for k, (lane, _) in enumerate(streams)]
        cuts = list(_cut_slips(rows, tracks, seen))
        if same(rows):
            one[code] += 1.0
        for slip in cuts:
            if same(_write(rows, [slip])):
                one[code] += slip[2]
        for make, probability in _list_slips(streams, system):
            after = make(rows)
            if after is not None and _as_written(after) != _as_written(rows) and same(after):
                one[code] += probability
        if joined or len({lane for lane, _ in streams}) < len(streams):
            continue
        short = [s for s in cuts if s[2] >= noise.LIKELY and all(len(text) == 1 for text in s[1].values())]
        for a, b in combinations(short, 2):
            if not a[0] & b[0] and same(_write(rows, (a, b))):
                two[code] += a[2] * b[2]
    found, slips = (one, 1) if one else (two, 2)
    whole = sum(found.values()) + noise.ANYTHING_ELSE**slips
    return slips, {code: weight / whole for code, weight in found.items()}
