"""What an attack is, and how one is made from a seed: options, texts and files such as nobody should give."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from pathlib import Path

from attrs import evolve, frozen

from bitting.grammars import folder
from bitting.systemfile import shipped_systems
from tests.strategies import PIECES

CODES = ["2133244 1124421", "left: 2133244 / right: 1124421", "BDCCA FEDCB", "2 1 3 3", "1 2 3 4 5 6"]
KEY = "left: 8.15 8.60 7.70 7.70 8.15 7.25 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
SETUP = "left: 8.60 8.60 8.60 6.80 8.62 8.63 8.60 / right: 8.60 8.60 8.60 6.80 8.62 8.63 8.60"
FIGURES = [
    "0",
    "-1",
    "1e-308",
    "1e-4",
    "0.001",
    "0.5",
    "1.8",
    "30",
    "1e6",
    "1e308",
    "nan",
    "inf",
    "9" * 20,
    "9" * 5000,
    "true",
    '"x"',
    "[]",
    "{}",
]
OBEYED = ["\x1b[2J", "\x1b]0;t\x07", "\x9b2J", "\u202e", "\u2066", "\x7f", "\r", "\x00", "\ud800"]
RULES = [
    "adjacent cuts differ by at most {n}", "cuts {n} apart differ by at most {m}", "at least {n} different depths",
    "no depth is used more than {n} times", "the sum of cuts is between {n} and {m}", "cuts change direction at least {n} times",
    "at least {n} stands between left and right", "the code is not the same read from the tip", "MACS is {n}",
    "when cut {n} is 1, cut {m} is one of 2 3", "left and right differ by at least {n} at every cut", "on left, first cut is one of 1",
    "no more than {n} equal cuts in a row", "these codes are not used: 2 1 3, 1 1 1", "cut {n} is deeper than cut {m}",
]  # fmt: skip


@frozen
class Attack:
    """One call of the command line: its arguments, what stands on standard input, files by name, what is special.

    Arguments and files may name other files as `{folder}/NAME`. `special` is "" for a call in this process, or what is
    wrong with the streams of a process of its own.
    """

    arguments: tuple[str, ...]
    stdin: str = ""
    files: tuple[tuple[str, str], ...] = ()
    special: str = ""


def attack_of(seed: int, number: int) -> Attack:
    """The attack of that number; the same seed and number make the same attack."""
    from tests.fuzz.corpus import CORPUS

    if number < len(CORPUS):
        return CORPUS[number]
    draw = random.Random(f"{seed}/{number}")
    if number % 50 == 49:  # a process of its own takes a second or two
        return _streams(draw)
    attack = draw.choice(KINDS)(draw)
    return evolve(attack, arguments=tuple(_handed_on(word) for word in attack.arguments))


def _handed_on(word: str) -> str:
    """An argument as a system hands it on: it ends at a NUL, and a byte that is no text stands as a low surrogate."""
    return word.replace("\x00", "").replace("\ud800", "\udc80")


def scrap(draw: random.Random) -> str:
    """Pieces of notation, whole and broken, and what a terminal obeys."""
    if draw.random() < 0.3:
        return _slip(draw, draw.choice([*CODES, KEY]))
    return draw.choice(["", " "]).join(draw.choice([*PIECES, *OBEYED[:2]]) for _ in range(draw.randint(0, 14)))


def _slip(draw: random.Random, text: str) -> str:
    """A text with a few characters lost, doubled, exchanged or put in."""
    for _ in range(draw.randint(0, 4)):
        at = draw.randrange(len(text) + 1)
        other = draw.choice([*PIECES, *OBEYED, text[at : at + 1] * 2, ""])
        text = text[:at] + other + text[at + draw.randint(0, 2) :]
    return text


def _system(draw: random.Random) -> str:
    return draw.choice(
        [*shipped_systems(), "plover", "plover", "nothing", draw.choice(OBEYED), "/dev/null", "{folder}", ""]
    )


def _texts(draw: random.Random) -> Attack:
    """A code or readings that mean nothing, to a sound system."""
    command = draw.choice(["check", "complete", "plan", "decode", "compare", "inspect", "align", "number"])
    words = [command] if command != "number" else ["systems", "number", "plover"]
    given = [scrap(draw) for _ in range(2 if command in ("compare", "inspect") else 1)]
    piped = draw.random() < 0.2
    system = [] if command == "number" else ["-s", _system(draw)]
    flags = ["--json"] if draw.random() < 0.3 else []
    return Attack((*words, *(["-"] if piped else ["--", *given][-len(given) :]), *system, *flags), "\n".join(given))


def _options(draw: random.Random) -> Attack:
    """Sound texts, and options that aren't."""
    choices: dict[str, tuple[list[str], list[str]]] = {
        "check": ([CODES[0]], ["--lock", "--json"]),
        "decode": ([KEY], ["--best", "--unit", "--wear", "--caliper", "--jaw", "--width", "--lock", "--zero", "--place", "--made", "--sure"]),
        "complete": (["2?33244 1124421"], ["--limit", "--lock", "--where", "--readings", "--unit", "--svg"]),
        "plan": ([CODES[0]], ["--machine", "--direction", "--ease"]),
        "inspect": ([CODES[0], KEY], ["--tolerance", "--guard", "--caliper", "--hand", "--zero", "--jaw", "--place-tolerance"]),
        "align": ([SETUP], ["--place", "--tolerance", "--history", "--date", "--correct", "--jaw", "--code"]),
        "draw": ([CODES[0], "-o", "{folder}/out.svg"], ["--zoom", "--measures", "--ease", "--blocks", "--force"]),
        "systems codes": (["plover"], ["--limit", "--from", "--json"]),
        "systems sample": (["plover"], ["--seed", "-n"]),
    }  # fmt: skip
    command = draw.choice(list(choices))
    given, options = choices[command]
    words = [*command.split(), *given]
    if not command.startswith("systems"):
        words += ["-s", "plover"]
    for _ in range(draw.randint(1, 2)):
        words += [
            draw.choice(options),
            draw.choice([*FIGURES[:12], *OBEYED[:6], "{folder}/a.toml", "0.02", "2", scrap(draw)]),
        ]
    return Attack(tuple(words), files=(("a.toml", "format = 1\n"),))


def _figures(draw: random.Random) -> Attack:
    """A shipped system's file with some of its figures, or its rules, made wild."""
    text = shipped_text(draw.choice(shipped_systems()))
    for _ in range(draw.randint(1, 3)):
        numbers = list(re.finditer(r"(?<== )[-0-9.]+", text))
        at = draw.choice(numbers)
        text = text[: at.start()] + draw.choice(FIGURES) + text[at.end() :]
    if draw.random() < 0.5:
        rule = draw.choice(RULES).format(n=draw.choice([0, 1, 2, 3, 5, 9, 40, 10**9]), m=draw.choice([0, 1, 2, 6, 99]))
        text = text.replace("must = [", f'must = ["{rule}", ', 1)
    return _with_file(draw, text)


def _large(draw: random.Random) -> Attack:
    """Many cuts, many depths, and rules that remember much."""
    cuts, depths = draw.choice([4, 12, 40, 200, 1000]), draw.choice([2, 5, 10, 60, 200])
    rules = [
        draw.choice(RULES).format(n=draw.randint(0, cuts), m=draw.randint(0, depths)) for _ in range(draw.randint(0, 3))
    ]
    code = " ".join(str(draw.randint(1, 2)) for _ in range(2 * cuts))
    return _with_file(draw, large_text(cuts, depths, rules) + draw.choice(["", CUT]), code)


CUT = """
[cutting]
cutter = 0.6
seat = 0.1
steepest = 60
[measuring]
tolerance = 0.01
"""


def large_text(cuts: int, depths: int, rules: list[str]) -> str:
    """A system file of two equal tracks."""
    table = ", ".join(f"{i + 1} = {9 - 4 * i / depths:.4f}" for i in range(depths))
    spaces = f"{{ first = {cuts / 2 + 1}, pitch = -0.5, count = {cuts} }}"
    return f"""
format = 1
system = {{ name = "large", source = "invented", unit = "mm", stop = "tip" }}
tracks = [
  {{ name = "left", milling = "edge", measured = "far-edge", spaces = {spaces}, depths = {{ {table} }} }},
  {{ name = "right", like = "left" }},
]
[rules]
must = {rules!r}
[blade]
width = 10.0
"""


def shipped_text(name: str) -> str:
    """The file of a shipped system."""
    return Path(folder("systems"), f"{name}.toml").read_text(encoding="utf-8")


def _table(draw: random.Random) -> Attack:
    """A table of codes with slips in its cells and its punctuation."""
    rows = [
        "id,key code,note",
        *(f"{i},{scrap(draw) if draw.random() < 0.3 else draw.choice(CODES)},x" for i in range(8)),
    ]
    text = _slip(draw, "\n".join(rows)).encode(errors="replace").decode()
    options = draw.choice(
        [[], ["--column", draw.choice(["2", "key code", "=2", scrap(draw)])], ["--force"], ["--json"]]
    )
    return Attack(
        ("batch", "{folder}/t.csv", "-s", "plover", "-o", "{folder}/o.csv", *options), files=(("t.csv", text),)
    )


def _broken(draw: random.Random) -> Attack:
    """A system file with slips of the pen."""
    text = shipped_text(draw.choice(shipped_systems()))
    return _with_file(draw, _slip(draw, text))


def _with_file(draw: random.Random, text: str, code: str = CODES[0]) -> Attack:
    path = "{folder}/my.toml"
    command = draw.choice(
        [
            ["systems", "show", path], ["systems", "count", path], ["systems", "lint", path], ["systems", "sample", path],
            ["check", code, "-s", path], ["plan", code, "-s", path], ["decode", KEY, "-s", path],
            ["complete", "? " + code[2:], "-s", path, "--limit", "3"], ["draw", code, "-s", path, "-o", path, "--force"],
            ["inspect", code, KEY, "-s", path], ["align", SETUP, "-s", path],
        ]
    )  # fmt: skip
    return Attack(tuple(command), files=(("my.toml", text.encode(errors="replace").decode()),))


def _machine(draw: random.Random) -> Attack:
    """A machine file with wild figures, for the plan and for what align writes into it."""
    lines = ["format = 1", "[space]", 'per_turn = 1.0\nzero = 0.0\nclockwise = "to-bow"\nbacklash = 0.05', "[depth]", 'per_turn = 0.5\nzero = 10.0\nclockwise = "deepens"', "[corrections]", "space = 0.02"]  # fmt: skip
    text = "\n".join(lines)
    for _ in range(draw.randint(0, 2)):
        at = draw.choice(list(re.finditer(r"(?<== )[-0-9.]+", text)))
        text = text[: at.start()] + draw.choice(FIGURES) + text[at.end() :]
    path = "{folder}/bench.toml"
    words = draw.choice([["plan", CODES[0], "-s", "plover", "--machine", path], ["align", SETUP.replace("8.6", "8.4"), "-s", "plover", "--correct", path]])  # fmt: skip
    return Attack(tuple(words), files=(("bench.toml", _slip(draw, text) if draw.random() < 0.3 else text),))


def _history(draw: random.Random) -> Attack:
    """A history of setup keys that is none."""
    head = "date,system,unit,depth_offset,depth_sd,space_offset,space_sd,verdict,adjusted\n"
    row = f"2025-01-01,plover,mm,{draw.choice(FIGURES)},0.01,{draw.choice(FIGURES)},0.01,leave,{draw.choice(['yes', 'no', scrap(draw)])}\n"
    text = _slip(draw, head + row * draw.randint(0, 3))
    return Attack(
        ("align", SETUP, "-s", "plover", "--history", "{folder}/h.csv"),
        files=(("h.csv", text.encode(errors="replace").decode()),),
    )


def _streams(draw: random.Random) -> Attack:
    """A process of its own whose streams are closed, full, endless or nobody's."""
    words = draw.choice(
        [
            ["check", "-"],
            ["decode", "-"],
            ["plan", "-"],
            ["check", CODES[0]],
            ["--help"],
            ["systems", "list"],
            ["check", "("],
        ]
    )
    system = [] if words[0] in ("--help", "systems") else ["-s", "plover"]
    return Attack(
        (*words, *system), CODES[0], special=draw.choice(["stdin closed", "stdin endless", "stdout full", "stderr full", "stdout closed"])
    )  # fmt: skip


KINDS: list[Callable[[random.Random], Attack]] = [
    _texts, _texts, _texts, _options, _options, _figures, _figures, _large, _broken, _machine, _history, _table
]  # fmt: skip
