"""A second, naive reading of the rule sentences, made from their plain words and sharing nothing with the package.

`broken(sentence, system, code)` answers with the whole code in hand, by regular expressions and loops; a code is a
tuple of rows of depth places, one per lane. It knows the canonical sentences only.
"""

from __future__ import annotations

import re
from itertools import pairwise, product

from bitting.model import System


def every_code(system: System):
    """All rows of all lanes, legal or not."""
    lanes = [list(product(range(len(lane.track.labels)), repeat=lane.track.cuts)) for lane in system.lanes]
    return product(*lanes)


def broken(sentence: str, system: System, code) -> bool:
    """Whether the code breaks the sentence."""
    lanes = list(system.lanes)
    scope = list(range(len(lanes)))
    if found := re.match(r"on (\w+(?: \w+)?), (.*)", sentence):
        words = found[1].split()
        scope = [i for i, lane in enumerate(lanes) if all(word in (lane.track.name, lane.side) for word in words)]
        sentence = found[2]
    for pattern, judge in TWO.items():
        if found := re.fullmatch(pattern, sentence):
            return judge(system, code, scope, found)
    for pattern, judge in ONE.items():
        if found := re.fullmatch(pattern, sentence):
            return any(not judge(code[i], lanes[i].track, found) for i in scope)
    raise AssertionError(f"the oracle doesn't know {sentence!r}")


def _set(track, text: str) -> set[int]:
    return {track.labels.index(label) for label in text.split()}


def _cut(track, text: str) -> int:
    if text == "first cut":
        return 0
    if text == "last cut":
        return track.cuts - 1
    number = int(re.search(r"\d+", text)[0])
    return track.cuts - number if "from the tip" in text else number - 1


def _pairs(row):
    return list(zip(row, row[1:], strict=False))


def _longest(flags) -> int:
    return max((len(run) for run in "".join("x" if f else " " for f in flags).split()), default=0)


def _numbers(row, track):
    return [int(track.labels[d]) for d in row]


def _uses(row, track, text, limit, n):
    number = sum(d in _set(track, text) for d in row)
    return number <= int(n) if limit == "at most" else number >= int(n)


def _turns(row) -> int:
    signs = "".join("+" if b > a else "-" for a, b in _pairs(row) if a != b)
    return signs.count("+-") + signs.count("-+")


def _compare(limit, value, n):
    return value <= int(n) if limit == "at most" else value >= int(n)


_CUT = r"(first cut|last cut|cut \d+(?: from the tip)?)"
_LIMIT = "(at most|at least)"

ONE = {
    rf"adjacent cuts differ by {_LIMIT} (\d+)": lambda r, t, m: all(
        _compare(m[1], abs(a - b), m[2]) for a, b in _pairs(r)
    ),
    r"MACS is (\d+)": lambda r, t, m: all(abs(a - b) <= int(m[1]) for a, b in _pairs(r)),
    r"adjacent cuts differ by an (even|odd) amount": lambda r, t, m: all(
        (a - b) % 2 == (m[1] == "odd") for a, b in _pairs(r)
    ),
    r"a cut is at most (\d+) deeper than the cut before it": lambda r, t, m: all(
        b - a <= int(m[1]) for a, b in _pairs(r)
    ),
    r"a cut is at most (\d+) shallower than the cut before it": lambda r, t, m: all(
        a - b <= int(m[1]) for a, b in _pairs(r)
    ),
    rf"{_CUT} is one of (.*)": lambda r, t, m: r[_cut(t, m[1])] in _set(t, m[2]),
    rf"{_CUT} is not (.*)": lambda r, t, m: r[_cut(t, m[1])] not in _set(t, m[2]),
    r"no more than (\d+) equal cuts in a row": lambda r, t, m: (
        _longest([a == b for a, b in _pairs(r)]) + 1 <= int(m[1])
    ),
    rf"{_LIMIT} (\d+) different depths": lambda r, t, m: _compare(m[1], len(set(r)), m[2]),
    rf"{_LIMIT} (\d+) cuts? (?:are|is) (\S+) or (deeper|shallower)": lambda r, t, m: _compare(
        m[1],
        sum(d >= t.labels.index(m[3]) if m[4] == "deeper" else d <= t.labels.index(m[3]) for d in r),
        m[2],
    ),
    rf"depth (\S+) is used {_LIMIT} (\d+) times?": lambda r, t, m: _uses(r, t, m[1], m[2], m[3]),
    r"no depth is used more than (\d+) times?": lambda r, t, m: all(r.count(d) <= int(m[1]) for d in r),
    rf"depths (.*) together are used {_LIMIT} (\d+) times?": lambda r, t, m: _uses(r, t, m[1], m[2], m[3]),
    rf"the deepest and the shallowest cut differ by {_LIMIT} (\d+)": lambda r, t, m: _compare(
        m[1], max(r) - min(r), m[2]
    ),
    rf"{_LIMIT} (\d+) neighbours are equal": lambda r, t, m: _compare(m[1], sum(a == b for a, b in _pairs(r)), m[2]),
    rf"the depth changes {_LIMIT} (\d+) times?": lambda r, t, m: _compare(
        m[1], sum(a != b for a, b in _pairs(r)), m[2]
    ),
    rf"cuts (\d+) apart differ by {_LIMIT} (\d+)": lambda r, t, m: all(
        _compare(m[2], abs(a - b), m[3]) for a, b in zip(r, r[int(m[1]) :], strict=False)
    ),
    r"(\S+) is never followed by (.*)": lambda r, t, m: (
        not any(a == t.labels.index(m[1]) and b in _set(t, m[2]) for a, b in _pairs(r))
    ),
    r"(\S+) and (\S+) are never neighbours": lambda r, t, m: (
        not any({a, b} == _set(t, f"{m[1]} {m[2]}") for a, b in _pairs(r))
    ),
    r"(.*) never stand in a row": lambda r, t, m: f" {m[1]} " not in f" {' '.join(t.labels[d] for d in r)} ",
    rf"when {_CUT} is (.*), {_CUT} is one of (.*)": lambda r, t, m: (
        r[_cut(t, m[1])] not in _set(t, m[2]) or r[_cut(t, m[3])] in _set(t, m[4])
    ),
    rf"{_CUT} is deeper than {_CUT}": lambda r, t, m: r[_cut(t, m[1])] > r[_cut(t, m[2])],
    rf"{_CUT} is shallower than {_CUT}": lambda r, t, m: r[_cut(t, m[1])] < r[_cut(t, m[2])],
    r"cuts (\d+) and (\d+) are equal": lambda r, t, m: r[int(m[1]) - 1] == r[int(m[2]) - 1],
    r"cuts (\d+) and (\d+) are not equal": lambda r, t, m: r[int(m[1]) - 1] != r[int(m[2]) - 1],
    r"cuts never get shallower": lambda r, t, m: list(r) == sorted(r),
    r"cuts never get deeper": lambda r, t, m: list(r) == sorted(r, reverse=True),
    rf"cuts get deeper {_LIMIT} (\d+) times?": lambda r, t, m: _compare(m[1], sum(b > a for a, b in _pairs(r)), m[2]),
    rf"cuts get shallower {_LIMIT} (\d+) times?": lambda r, t, m: _compare(
        m[1], sum(b < a for a, b in _pairs(r)), m[2]
    ),
    r"no more than (\d+) cuts in a row get deeper": lambda r, t, m: (
        _longest([b > a for a, b in _pairs(r)]) <= int(m[1])
    ),
    r"no more than (\d+) cuts in a row get shallower": lambda r, t, m: (
        _longest([b < a for a, b in _pairs(r)]) <= int(m[1])
    ),
    rf"cuts change direction {_LIMIT} (\d+) times?": lambda r, t, m: _compare(m[1], _turns(r), m[2]),
    r"the sum of cuts is even": lambda r, t, m: sum(_numbers(r, t)) % 2 == 0,
    r"the sum of cuts is odd": lambda r, t, m: sum(_numbers(r, t)) % 2 == 1,
    r"the sum of cuts is between (\d+) and (\d+)": lambda r, t, m: int(m[1]) <= sum(_numbers(r, t)) <= int(m[2]),
}


def _facing(lanes, names):
    """Pairs of lanes: the two tracks of every side, or the two sides of every track."""
    sides, tracks = {lane.side for lane in lanes}, {lane.track.name for lane in lanes}
    if set(names) <= sides:
        wanted = [[(name, track) for name in names] for track in tracks]
    else:
        wanted = [[(side, name) for name in names] for side in sides]
    at = {(lane.side, lane.track.name): i for i, lane in enumerate(lanes)}
    return [(at[one], at[other]) for one, other in wanted]


def _whole(system, code, scope, found) -> bool:
    """The key as one long row of labels: counted and added up by what is written, whichever track it is on."""
    row = [system.lanes[i].track.labels[d] for i in scope for d in code[i]]
    numbers = sorted((int(label) for label in row), reverse=True)
    if m := re.fullmatch(r"the sum of cuts is (even|odd)", found[1]):
        return sum(numbers) % 2 != ("even", "odd").index(m[1])
    if m := re.fullmatch(r"the sum of cuts is between (\d+) and (\d+)", found[1]):
        return not int(m[1]) <= sum(numbers) <= int(m[2])
    if m := re.fullmatch(rf"{_LIMIT} (\d+) cuts? (?:are|is) (\d) or (deeper|shallower)", found[1]):
        chosen = [n for n in numbers if (n >= int(m[3]) if m[4] == "deeper" else n <= int(m[3]))]
        return not _compare(m[1], len(chosen), m[2])
    if m := re.fullmatch(rf"depths? ([\d ]+?) (?:together are|is) used {_LIMIT} (\d+) times?", found[1]):
        return not _compare(m[2], sum(label in m[1].split() for label in row), m[3])
    if m := re.fullmatch(r"no depth is used more than (\d+) times?", found[1]):
        return max(map(row.count, row)) > int(m[1])
    raise AssertionError(f"the oracle doesn't know {found[0]!r}")


def _opposite(system, code, names, judge) -> bool:
    """Whether any cut of the two tracks, on any side, or of a track's two sides, is judged wrong."""
    lanes = list(system.lanes)
    for i, j in _facing(lanes, names):
        if any(judge(lanes[i].track, a, lanes[j].track, b) for a, b in zip(code[i], code[j], strict=False)):
            return True
    return False


def _metal(system, code, names, least) -> bool:
    """Straight from the drawing: the paths of the cutter's centre along both walls, as far apart as they are, less it."""
    lanes, width, radius = list(system.lanes), system.blade.width, system.cutting.cutter / 2
    for i, j in _facing(lanes, names):
        a, b = lanes[i].track, lanes[j].track  # both walls from the right edge of the blade
        left = _centres(a, [a.depths[d] + radius for d in code[i]], max)
        right = _centres(b, [width - b.depths[d] - radius for d in code[j]], min)
        apart = left.distance(right) - 2 * radius
        if apart <= 0:  # the paths may even cross: only opposite cuts say how far the walls are past each other
            apart = min(a.depths[d] - width + b.depths[e] for d, e in zip(code[i], code[j], strict=False))
        if apart < least - 1e-9:
            return True
    return False


def _centres(track, across, shallower):
    """Where the centre of an end mill goes: from cut to cut at the shallower of the two, and out at the last one."""
    from shapely import LineString

    places = [(track.spaces[0], across[0])]
    for (x, y), (nx, ny) in pairwise(zip(track.spaces, across, strict=True)):
        run = shallower(y, ny)
        places += [(x, run), (nx, run), (nx, ny)]
    return LineString([*places, (track.spaces[-1] - 30.0, across[-1])])


def _conditional(system, code, names, cuts, depths) -> bool:
    lanes = list(system.lanes)
    for side in {lane.side for lane in lanes}:
        i, j = (
            next(k for k, lane in enumerate(lanes) if (lane.side, lane.track.name) == (side, name)) for name in names
        )
        one, other = lanes[i].track, lanes[j].track
        if code[i][_cut(one, cuts[0])] in _set(one, depths[0]) and code[j][_cut(other, cuts[1])] not in _set(
            other, depths[1]
        ):
            return True
    return False


def _excluded(system, code, scope, listed) -> bool:
    digits = "".join(system.lanes[i].track.labels[d] for i in scope for d in code[i])
    return digits in [re.sub(r"[^\w]", "", text) for text in listed.split(",")]


TWO = {
    r"over the whole key, (.*)": lambda s, c, k, m: _whole(s, c, k, m),
    r"when (\w+) (cut \d+) is (.*), (\w+) (cut \d+) is one of (.*)": lambda s, c, k, m: _conditional(
        s, c, (m[1], m[4]), (m[2], m[5]), (m[3], m[6])
    ),
    rf"(\w+) and (\w+) add up to {_LIMIT} (\d+) at every cut": lambda s, c, k, m: _opposite(
        s, c, (m[1], m[2]), lambda t, a, u, b: not _compare(m[3], int(t.labels[a]) + int(u.labels[b]), m[4])
    ),
    rf"(\w+) and (\w+) differ by {_LIMIT} (\d+) at every cut": lambda s, c, k, m: _opposite(
        s, c, (m[1], m[2]), lambda t, a, u, b: not _compare(m[3], abs(a - b), m[4])
    ),
    r"(left|right) and (left|right) are not the same": lambda s, c, k, m: any(
        c[i] == c[j]
        for i, a in enumerate(s.lanes)
        for j, b in enumerate(s.lanes)
        if i < j and a.side == b.side and {a.track.name, b.track.name} == {m[1], m[2]}
    ),
    r"top and bottom are not the same": lambda s, c, k, m: c[: len(c) // 2] == c[len(c) // 2 :],
    r"at least (\S+) stands between (\w+) and (\w+)": lambda s, c, k, m: _metal(s, c, (m[2], m[3]), float(m[1])),
    r"these codes are not used: (.*)": lambda s, c, k, m: _excluded(s, c, k, m[1]),
    r"the code is not the same read from the tip": lambda s, c, k, m: all(c[i] == c[i][::-1] for i in k),
}
