"""Suggestions of a workbook with every kind of mistake: how many rows get one, how many of these are what was meant.

    python -m tests.benchmarks.batch_suggestions [rows] [seed]

Legal codes are drawn, each spoilt by one mistake of a person, all kinds equally often; rows that stay legal are left out, as
no table can tell. The kinds are ours (invented), not taken from the table of slips.
"""

from __future__ import annotations

import random
import sys
import tempfile
from collections import Counter
from pathlib import Path

import openpyxl

from bitting.batch.job import Job
from bitting.batch.run import run_batch
from bitting.checking import check
from bitting.diagram import code_space
from bitting.errors import BittingError
from bitting.model import System, code_of
from bitting.notation import parse_code
from bitting.systemfile import load_system, shipped_systems

KINDS = (
    "one off", "heard", "seen", "typed", "any digit", "exchanged digits", "dropped", "doubled", "from the tip",
    "tracks exchanged", "one track missing", "two slips",
)  # fmt: skip
MISREAD = {
    "heard": {"1": "7", "5": "9", "7": "1", "9": "5", "A": "8", "B": "DE", "C": "DE", "D": "BE", "E": "BD"},
    "seen": {
        "0": "6",
        "1": "7",
        "2": "7Z",
        "3": "8",
        "4": "9",
        "5": "6S",
        "6": "50",
        "8": "3B",
        "9": "4",
        "B": "8",
        "D": "0",
    },
    "typed": {
        "0": "1",
        "1": "24",
        "2": "135",
        "3": "26",
        "4": "157",
        "5": "2468",
        "6": "359",
        "7": "48",
        "8": "579",
        "9": "68",
    },
}
"""What is taken for a sign by ear and by eye, and what lies beside it on the number pad (common practice)."""
Rows = list[list[str]]


def spoil(rows: Rows, kind: str, labels: tuple[str, ...], draw: random.Random) -> Rows:
    """The lists of a code with one mistake of a kind."""
    rows = [list(row) for row in rows]
    row = draw.choice(rows)
    at = draw.randrange(len(row) - 1)
    if kind == "one off" and row[at] in labels:
        place = labels.index(row[at]) + draw.choice((-1, 1))
        row[at] = labels[place] if 0 <= place < len(labels) else row[at]
    elif kind in MISREAD:
        row[at] = draw.choice(MISREAD[kind].get(row[at], row[at]))
    elif kind == "any digit":
        row[at] = draw.choice("0123456789")
    elif kind == "exchanged digits":
        row[at], row[at + 1] = row[at + 1], row[at]
    elif kind == "dropped":
        del row[at]
    elif kind == "doubled":
        row.insert(at, row[at])
    elif kind == "from the tip":
        rows = [row[::-1] for row in rows]
    elif kind == "tracks exchanged":
        rows = rows[::-1]
    elif kind == "one track missing" and len(rows) > 1:
        rows[draw.randrange(len(rows))] = []
    elif kind == "two slips":
        for one in draw.sample(("one off", "heard", "seen", "typed", "any digit", "exchanged digits"), 2):
            rows = spoil(rows, one, labels, draw)
    return rows


def spoilt(system: System, number: int, seed: int) -> list[tuple[str, str, str]]:
    """(kind, what was written, the code meant) of so many rows that are not legal."""
    draw = random.Random(seed)
    out: list[tuple[str, str, str]] = []
    codes = code_space(system).sample(20 * number, seed)
    for place, depths in enumerate(codes):
        kind = KINDS[place % len(KINDS)]
        rows = [[lane.track.labels[d] for d in row] for lane, row in zip(system.lanes, depths, strict=True)]
        rows = spoil(rows, kind, system.lanes[0].track.labels, draw)
        lists = [(lane.label, " ".join(row)) for lane, row in zip(system.lanes, rows, strict=True) if row]
        text = " / ".join(f"{label}: {row}" for label, row in lists)
        try:
            legal = check(parse_code(text, system), suggest=False).legal
        except BittingError:
            legal = False
        if not legal:
            out.append((kind, text, str(code_of(system, depths))))
        if len(out) == number:
            break
    return out


def offered(system: System, drawn: list[tuple[str, str, str]]) -> dict[str, Counter[str]]:
    """By kind: rows, those with a suggestion, and those whose suggestion is what was meant."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "in.xlsx", Path(folder) / "out.xlsx"
        book = openpyxl.Workbook()
        page = book.worksheets[0]
        page.append(["code"])
        for _, text, _ in drawn:
            page.append([text])
        book.save(source)
        run_batch(Job(str(source), str(target)), system)
        cells = list(openpyxl.load_workbook(target).worksheets[0].iter_rows(values_only=True))
    place = cells[0].index("suggestion")
    counts: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for (kind, _, meant), row in zip(drawn, cells[1:], strict=True):
        counts[kind].update(rows=1, offered=int(bool(row[place])), right=int(row[place] == meant))
    return counts


def main() -> None:
    """Print a table for each shipped system."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for name in shipped_systems():
        system = load_system(name)
        counts = offered(system, spoilt(system, number, seed))
        total = sum(counts.values(), Counter())
        share = total["right"] / max(total["offered"], 1)
        print(f"{name}: {total['rows']} rows, {total['offered']} offered, {total['right']} right ({share:.0%})")
        print("  " + ", ".join(f"{kind} {c['right']}/{c['offered']}/{c['rows']}" for kind, c in counts.items()))


if __name__ == "__main__":
    main()
