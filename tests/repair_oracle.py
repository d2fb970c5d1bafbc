"""What may have been meant, the naive way: every legal code is written down with every pair of slips, forwards.

Shares with the package only the table of probabilities and the reading of single signs; slips are made, never undone, and
no diagram is asked.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import combinations

from bitting.model import System
from bitting.repair import slips
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
        for i, label in enumerate(row):
            for sign in signs:
                probability = slips.misreadings(track, sign)[track.labels.index(label)]
                if probability:
                    yield {(r, i)}, {(r, i): (sign,)}, probability
                if sign != label:
                    yield {(r, i)}, {(r, i): (sign, label)}, slips.EXTRA
                    if i == len(row) - 1:
                        yield {(r, i)}, {(r, i): (label, sign)}, slips.EXTRA
            yield {(r, i)}, {(r, i): ()}, slips.DROPPED
            yield {(r, i)}, {(r, i): (label, label)}, slips.DOUBLED
            if i + 1 < len(row) and row[i + 1] != label:
                yield {(r, i), (r, i + 1)}, {(r, i): (row[i + 1],), (r, i + 1): (label,)}, slips.SWAPPED


def _list_slips(streams, system):
    """Every slip of whole lists in the order in which they happen: (function of rows -> rows or None, probability)."""
    tracks = [system.lanes[lane].track for lane, _ in streams]

    def renumbered(by):
        def make(rows):
            out = [[slips.renumber(track, t, by) for t in row] for track, row in zip(tracks, rows, strict=True)]
            return None if any("" in row for row in out) else out

        return make

    yield renumbered(1), slips.RENUMBERED
    yield renumbered(-1), slips.RENUMBERED
    count = len(streams)
    yield lambda rows: [row[::-1] for row in rows], slips.FROM_TIP
    if count > 1:
        for k in range(count):
            yield (lambda rows, k=k: [row[::-1] if i == k else row for i, row in enumerate(rows)]), slips.ONE_FROM_TIP
    for a, b in combinations(range(count), 2):
        if streams[a][1] == streams[b][1]:
            yield (lambda rows, a=a, b=b: [rows[b] if i == a else rows[a] if i == b else row
                                           for i, row in enumerate(rows)]), slips.EXCHANGED  # fmt: skip
    if system.sided:
        tracks_of_a_side = len(system.tracks)
        assert len(system.sides) == 2
        yield (lambda rows: [*rows[tracks_of_a_side:], *rows[:tracks_of_a_side]]), slips.EXCHANGED


def _write(rows, chosen):
    made = {place: text for _, texts, _ in chosen for place, text in texts.items()}
    return [[t for i, label in enumerate(row) for t in made.get((r, i), (label,))] for r, row in enumerate(rows)]


def _as_written(rows):
    return tuple(tuple(row) for row in rows)


def posterior(system: System, streams, written, joined: bool = False):
    """{code: probability} of all legal codes within two slips of the written rows; `joined`: one list without a split.

    `streams` are (lane, side) per row, in the order of the package. Not for codes with signs that stand in for others.
    """
    tracks = [system.lanes[lane].track for lane, _ in streams]
    target = _as_written(written)
    seen = sorted({t for row in target for t in row})  # nothing else can have been written last
    shifted = sorted({slips.renumber(track, t, by) for track in tracks for t in seen for by in (1, -1)} - {"", *seen})
    length = sum(map(len, target))
    lists = list(_list_slips(streams, system))

    def same(rows):
        rows = _as_written(rows)
        return (sum(rows, ()),) == target if joined else rows == target

    found = defaultdict(float)
    for code in legal_codes(system):
        rows = [[tracks[k].labels[d] for d in code[lane]] for k, (lane, _) in enumerate(streams)]
        cuts = list(_cut_slips(rows, tracks, seen))
        more = list(_cut_slips(rows, tracks, shifted))
        alone = {str(slip) for slip in cuts}
        ones = [((one,), one[2]) for one in (*cuts, *(slip for slip in more if str(slip) not in alone))]
        for chosen, weight in (((), 1.0), *ones):
            text = _write(rows, chosen)
            if same(text):
                found[code] += weight
            for make, probability in lists:
                after = make(text)
                if after is not None and _as_written(after) != _as_written(text) and same(after):
                    found[code] += weight * probability
        size = sum(map(len, rows))
        grown = [sum(map(len, texts.values())) - len(texts) for _, texts, _ in cuts]
        for (a, more_a), (b, more_b) in combinations(zip(cuts, grown, strict=True), 2):
            if size + more_a + more_b == length and not a[0] & b[0] and same(_write(rows, (a, b))):
                found[code] += a[2] * b[2]
        for (first, p), (second, q) in combinations(lists, 2):
            middle = first(rows)
            after = None if middle is None else second(middle)
            if after is None or not same(after):
                continue
            if len({_as_written(rows), _as_written(middle), _as_written(after)}) == 3:
                found[code] += p * q
    whole = sum(found.values())
    return {code: weight / whole for code, weight in found.items()}
