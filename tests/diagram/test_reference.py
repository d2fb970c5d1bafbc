"""Exact counts beside published sequences, through system files.

Sources: OEIS sequences, by their numbers in tests/reference/oeis_adjacent_difference.csv (A002714 is C. A. Coulson's
"number of different keys with n cuts, depths between 1 and 7 and depth difference at most 1 between adjacent cut depths",
The Mathematical Gazette 53, 1969); the other tables are computed, as tests/reference/SOURCES.md says.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import pytest

import bitting
from bitting.diagram import code_space
from bitting.systemfile import read_system

REFERENCE = Path(__file__).parents[1] / "reference"
LETTERS = "abcdefghijkl"


def rows(name: str) -> list[dict[str, str]]:
    """The rows of a reference table."""
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def counted(cuts: int, depths: int, rules: list[str]) -> int:
    """Count through a system file, as a user would write it."""
    return bitting.count(made(cuts, depths, rules))


def made(cuts: int, depths: int, rules: list[str]) -> bitting.System:
    """A system file with that many cuts and depths, labelled a, b, c, …"""
    table = ", ".join(f"{label} = {9 - 0.3 * i:.1f}" for i, label in enumerate(LETTERS[:depths]))
    quoted = ", ".join(f'"{rule}"' for rule in rules)
    text = f"""
        format = 1
        [system]
        name = "counted"
        about = "made for a test"
        source = "invented"
        unit = "mm"
        stop = "tip"
        [[tracks]]
        name = "edge"
        milling = "edge"
        measured = "far-edge"
        spaces = {{ first = 90.0, pitch = -2.5, count = {cuts} }}
        depths = {{ {table} }}
        [rules]
        must = [{quoted}]
    """
    return read_system(text, "counted.toml")


def near(k: int, d: int, depth: int) -> str:
    """The depths within d of one of k depths, as labels."""
    return " ".join(f"'{label}'" for label in LETTERS[max(0, depth - d) : min(k, depth + d + 1)])


def rules_of(kind: str, k: int, d: str) -> list[str]:
    """The rule sentences of a kind of sequence."""
    if kind == "no3equal":
        return ["no more than 2 equal cuts in a row"]
    rules = [f"adjacent cuts differ by at most {d}"]
    if kind in ("start_fixed", "both_fixed"):
        rules.append("first cut is one of 'a'")
    if kind == "both_fixed":
        rules.append("last cut is one of 'a'")
    if kind == "circular":
        rules += [f"when first cut is '{LETTERS[x]}', last cut is one of {near(k, int(d), x)}" for x in range(k)]
    return rules


SEQUENCES: dict[tuple[str, str, int, str], list[tuple[int, int]]] = defaultdict(list)
for row in rows("oeis_adjacent_difference.csv"):
    SEQUENCES[row["a_number"], row["kind"], int(row["k"]), row["d"]].append((int(row["n"]), int(row["value"])))


@pytest.mark.parametrize(("number", "kind", "k", "d"), SEQUENCES)
def test_published_sequence(number, kind, k, d):
    terms = {n: value for n, value in SEQUENCES[number, kind, k, d] if n >= 1 and not (kind == "circular" and n < 2)}
    assert len(terms) >= 17
    assert {n: counted(n, k, rules_of(kind, k, d)) for n in terms} == terms


@pytest.mark.parametrize("row", rows("computed_counts.csv"), ids=lambda row: "-".join(row.values()))
def test_combined_rules(row):
    """Computed values: no publication; obtained by listing and by dynamic programming."""
    sentences = {
        "macs": "adjacent cuts differ by at most {}",
        "max_equal_run": "no more than {} equal cuts in a row",
        "max_same_depth": "no depth is used more than {} times",
        "min_distinct_depths": "at least {} different depths",
    }
    rules = [sentences[key].format(row[key]) for key in sentences if row[key]]
    for key, cut in (("first_cut_max", "first"), ("last_cut_max", "last")):
        if row[key]:
            allowed = " ".join(f"'{label}'" for label in LETTERS[: int(row[key]) + 1])
            rules.append(f"{cut} cut is one of {allowed}")
    assert counted(int(row["cuts_n"]), int(row["depths_k"]), rules) == int(row["count"])


@pytest.mark.parametrize("row", rows("computed_macs_counts.csv"), ids=lambda row: "-".join(row.values()))
def test_larger_limits(row):
    """Computed values: no publication. The largest has 42 digits."""
    rules = [f"MACS is {row['macs_d']}"]
    assert counted(int(row["cuts_n"]), int(row["depths_k"]), rules) == int(row["count"])


@pytest.mark.parametrize("row", rows("computed_ranks.csv"), ids=lambda row: row["rank_from_0"])
def test_ranks(row):
    """Computed values: no publication."""
    space = code_space(made(int(row["cuts_n"]), int(row["depths_k"]), [f"MACS is {row['macs_d']}"]))
    word = (tuple(int(digit) for digit in row["word"]),)
    assert space.rank(word) == int(row["rank_from_0"])
    assert space.unrank(int(row["rank_from_0"])) == word
