"""How often the code that was meant is suggested first, and among the first five, after one random slip of each kind.

    python -m tests.benchmarks.repair_slips [CODES] [SYSTEM …]

For every shipped system, legal codes are drawn uniformly, and each suffers one slip. The kind is drawn evenly among those
of the table below that can happen in the system; within a kind every instance is equally likely (so this is not the
table of `bitting.repair.noise`, whose weights the ranking uses, but the kinds are the same). A slip that leaves the code
legal can't be noticed by any rule: those are counted apart and are in neither share. Shares are of the noticed ones.

A last table is of a list with every kind of mistake, two slips at once in a tenth of the rows and nothing meant at all (random
depths) in a twentieth among them: how many wrong rows get a suggestion (one at least as likely as a table asks), how many of
these are what was meant, and what probability they were given.

The last columns are the mean time of one question in milliseconds (processor time), and the mean probability that was given to
the first suggestion: it should be near the share of codes that are first, as far as the slips are drawn as the table says.
"""

from __future__ import annotations

import random
import sys
import time
from collections import defaultdict
from collections.abc import Callable

import bitting
from bitting.batch.suggest import OFFERED
from bitting.diagram import code_space
from bitting.model import Code, Cut, CutList, System, code_of
from bitting.repair import Repairer, noise

SYSTEMS = ("plover", "wren", "dunlin", "siskin", "heron", "grebe")
Rows = list[list[str]]


def misread(by: Callable[[System, str], list[str]]) -> Callable[[System, Rows, random.Random], Rows | None]:
    """One cut written as one of the signs that `by` gives for its label."""

    def slip(made: System, rows: Rows, draw: random.Random) -> Rows | None:
        choices = [(r, i, t) for r, row in enumerate(rows) for i, label in enumerate(row) for t in by(made, label)]
        if not choices:
            return None
        r, i, text = draw.choice(choices)
        rows[r][i] = text
        return rows

    return slip


def beside(made: System, label: str) -> list[str]:
    labels = made.tracks[0].labels
    if label not in labels:
        return []
    place = labels.index(label)
    return [labels[p] for p in (place - 1, place + 1) if 0 <= p < len(labels)]


def paired(pairs: tuple[str, ...]) -> Callable[[System, str], list[str]]:
    return lambda _made, label: [a if b == label else b for a, b in pairs if label in (a, b)]


def swapped(_made: System, rows: Rows, draw: random.Random) -> Rows | None:
    choices = [(r, i) for r, row in enumerate(rows) for i in range(len(row) - 1) if row[i] != row[i + 1]]
    if not choices:
        return None
    r, i = draw.choice(choices)
    rows[r][i], rows[r][i + 1] = rows[r][i + 1], rows[r][i]
    return rows


def dropped(_made: System, rows: Rows, draw: random.Random) -> Rows | None:
    row = draw.choice(rows)
    del row[draw.randrange(len(row))]
    return rows


def doubled(_made: System, rows: Rows, draw: random.Random) -> Rows | None:
    row = draw.choice(rows)
    i = draw.randrange(len(row))
    row.insert(i, row[i])
    return rows


def exchanged(_made: System, rows: Rows, _draw: random.Random) -> Rows | None:
    return rows[::-1] if len(rows) == 2 else None


def from_tip(_made: System, rows: Rows, _draw: random.Random) -> Rows | None:
    return [row[::-1] for row in rows]


def renumbered(made: System, rows: Rows, draw: random.Random) -> Rows | None:
    by = draw.choice([1, -1])
    out = [[noise.renumber(made.tracks[0], label, by) for label in row] for row in rows]
    return None if any("" in row for row in out) else out


KINDS: dict[str, Callable[[System, Rows, random.Random], Rows | None]] = {
    "off by one": misread(beside),
    "look-alike": misread(paired(noise.LOOKS)),
    "sound-alike": misread(paired(noise.SOUNDS)),
    "swapped": swapped,
    "dropped": dropped,
    "doubled": doubled,
    "exchanged": exchanged,
    "from the tip": from_tip,
    "renumbered": renumbered,
}


def written(made: System, rows: Rows) -> Code:
    lists = []
    for lane, row in zip(made.lanes, rows, strict=True):
        table = lane.track.labels
        cuts = tuple(Cut((table.index(t),) if t in table else (), t, (0, 0)) for t in row)
        lists.append(CutList(lane.side, lane.track.name, cuts, (0, 0)))
    return Code(made, "", tuple(lists))


def study(name: str, codes: int, seed: int = 20) -> dict[str, list[float]]:
    """Per kind: slips made, unnoticed, first, in the first five, probability given to the first, seconds."""
    made = bitting.load_system(name)
    repairer = Repairer(made)
    draw = random.Random(seed)
    counts: dict[str, list[float]] = defaultdict(lambda: [0, 0, 0, 0, 0.0, 0.0])
    for depths in code_space(made).sample(codes, seed):
        kinds = list(KINDS)
        draw.shuffle(kinds)
        labels = [[made.lanes[r].track.labels[d] for d in row] for r, row in enumerate(depths)]
        for kind in kinds:
            rows = KINDS[kind](made, [list(row) for row in labels], draw)
            if rows is not None and rows != labels:
                break
        else:
            continue
        code = written(made, rows)
        row_of = counts[kind]
        row_of[0] += 1
        if bitting.check(code, suggest=False).legal:
            row_of[1] += 1
            continue
        start = time.process_time()
        answer = repairer.nearest(code)
        row_of[5] += time.process_time() - start
        found = [one.code for one in answer.codes]
        meant = str(code_of(made, depths))
        row_of[2] += found[:1] == [meant]
        row_of[3] += meant in found
        row_of[4] += answer.codes[0].probability if answer.codes else 0.0
    return counts


def offered(name: str, codes: int, seed: int = 21) -> dict[str, list[float]]:
    """Per probability given: suggestions, how many of them were meant, their probabilities added up; and the wrong rows."""
    made = bitting.load_system(name)
    repairer, draw = Repairer(made), random.Random(seed)
    counts: dict[str, list[float]] = defaultdict(lambda: [0, 0, 0.0])
    for depths in code_space(made).sample(codes, seed):
        rows = [[made.lanes[r].track.labels[d] for d in row] for r, row in enumerate(depths)]
        how = draw.random()
        for _ in range(2 if how < 0.1 else 1):
            rows = next(filter(None, (slip(made, rows, draw) for slip in draw.sample([*KINDS.values()], len(KINDS)))))
        if how > 0.95:
            rows = [[draw.choice(lane.track.labels) for _ in range(lane.track.cuts)] for lane in made.lanes]
        code = written(made, rows)
        if bitting.check(code, suggest=False).legal:
            continue
        counts["wrong rows"][0] += 1
        found = repairer.nearest(code, best=1).codes
        if found and found[0].probability >= OFFERED:
            likely = found[0].probability
            band = counts["95 % and more" if likely >= 0.95 else "80 to 95 %" if likely >= 0.8 else "60 to 80 %"]
            band[0] += 1
            band[1] += how <= 0.95 and found[0].code == str(code_of(made, depths))
            band[2] += likely
    return counts


def table(title: str, counts: dict[str, list[float]]) -> None:
    print(f"\n{title}\n{'slip':14}{'codes':>7}{'unnoticed':>11}{'first':>8}{'first 5':>9}{'given':>8}{'ms':>7}")
    whole = [sum(column) for column in zip(*counts.values(), strict=True)]
    for kind in (*(k for k in KINDS if k in counts), "all"):
        made, legal, first, five, given, seconds = whole if kind == "all" else counts[kind]
        noticed = max(1.0, made - legal)
        shares = f"{first / noticed:>8.1%}{five / noticed:>9.1%}{given / noticed:>8.1%}{1000 * seconds / noticed:>7.1f}"
        print(f"{kind:14}{made:>7.0f}{legal / made:>11.1%}{shares}")


def main() -> None:
    """Print a table per system and one for all."""
    codes = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    whole: dict[str, list[float]] = defaultdict(lambda: [0, 0, 0, 0, 0.0, 0.0])
    names = sys.argv[2:] or SYSTEMS
    for name in names:
        counts = study(name, codes)
        table(f"{name}: {codes} codes with one slip each", counts)
        for kind, row in counts.items():
            whole[kind] = [a + b for a, b in zip(whole[kind], row, strict=True)]
    if len(names) > 1:
        table("all systems", whole)
    bands: dict[str, list[float]] = defaultdict(lambda: [0, 0, 0.0])
    for name in names:
        for band, figures in offered(name, codes).items():
            bands[band] = [a + b for a, b in zip(bands[band], figures, strict=True)]
    rows, *_ = bands.pop("wrong rows")
    bands["all"] = [sum(column) for column in zip(*bands.values(), strict=True)]
    print(f"\nsuggestions in a table with every kind of mistake, {rows:.0f} wrong rows")
    for band in sorted(bands):
        number, right, given = bands[band]
        print(f"{band:14}{number:>7.0f} suggested,{right / number:>7.1%} meant,{given / number:>7.1%} given")


if __name__ == "__main__":
    main()
