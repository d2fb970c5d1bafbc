"""Attacks that once succeeded, told of by users or found by a run; every run begins with them."""

from __future__ import annotations

from tests.fuzz.attacks import CODES, CUT, KEY, SETUP, Attack, large_text, shipped_text

MY = "{folder}/my.toml"


def _measuring(name: str, value: str) -> tuple[tuple[str, str], ...]:
    """Plover's file with one measuring figure (the last of that name) put in place of another."""
    head, _, tail = shipped_text("plover").rpartition(f"\n{name} = ")
    return (("my.toml", f"{head}\n{name} = {value} #{tail}"),)


NONSENSE = (
    ("siskin", " ".join(f"{1.7 * number % 12:.2f}" for number in range(1, 19))),
    ("heron", " ".join(f"{1.37 * number % 5 + 0.5:.2f}" for number in range(1, 17))),
    (
        "heron",
        "across: 2.1 9.3 1.2 7.7 2.9 .4 5.5 6 / left: 3.3 2.2 2.6 2.9 3.4 2.1 2.3 2.5 / right: 2.2 3.3 2.4 2.7 2.2 3.1 2.9 2.6",
    ),
)
"""Readings that are of no key."""

CORPUS: tuple[Attack, ...] = (
    *(Attack(("decode", text, "-s", name)) for name, text in NONSENSE),
    *(
        Attack((command, *texts, "-s", MY), files=_measuring(name, value))
        for name in ("offset_sd", "tilt_sd", "left_right_sd", "wear", "reading_sd", "cut_sd")
        for value in ("1e-308", "1e-4", "50.0", "1e308")
        for command, texts in (("decode", [KEY]), ("inspect", [CODES[0], KEY]), ("align", [SETUP]))
    ),
    *(
        Attack(("systems", command, MY), files=(("my.toml", large_text(cuts, depths, [rule])),))
        for cuts, depths, rule in (
            (40, 60, "at least 30 different depths"),
            (40, 60, "cuts 6 apart differ by at most 30"),
            (20, 10, "no depth is used more than 8 times"),
            (6, 60, "cuts 7 apart differ by at most 3"),
            (1000, 60, "adjacent cuts differ by at most 5"),
        )
        for command in ("count", "lint")
    ),
    *(
        Attack(("systems", "lint", MY), files=(("my.toml", large_text(cuts, depths, rules) + cut),))
        for cuts, depths, rules, cut in (
            (200, 10, ["MACS is 102", "cuts change direction at least 95 times", "on left, first cut is one of 1"], ""),
            (1000, 200, ["on left, first cut is one of 1"], ""),
            (200, 10, ["MACS is 3"], CUT),
            (200, 60, ["at least 9 stands between left and right"], CUT),
            (200, 200, [], CUT),
        )
    ),
    Attack(
        ("decode", KEY, "-s", MY),
        files=(("my.toml", large_text(200, 60, ["at least 9 stands between left and right"]) + CUT),),
    ),
    Attack(
        ("decode", KEY, "-s", MY),
        files=(("my.toml", large_text(200, 60, ["at least 92 stands between left and right"]) + CUT),),
    ),
    Attack(("draw", CODES[0], "-s", MY, "-o", MY, "--force"), files=(("my.toml", shipped_text("plover")),)),
    Attack(("decode", KEY, "-s", MY, "--svg", MY, "--force"), files=(("my.toml", shipped_text("plover")),)),
    Attack(("align", SETUP, "-s", "plover", "--history", "{folder}/h.csv", "--date", "=cmd|x")),
    Attack(("align", SETUP, "-s", "plover", "--history", "{folder}/h.csv", "--date", "\x1b[2J")),
    Attack(("check", "2133\x1b[2J244 11\u202e24421", "-s", "plover")),
    Attack(("check", CODES[0], "-s", "\x1b]0;title\x07")),
    Attack(("check", CODES[0], "--\x9b2J", "-s", "plover")),
    Attack(("systems", "codes", "plover", "--limit", "9" * 20)),
    Attack(("systems", "sample", "plover", "-n", "1" + "0" * 20)),
    Attack(("check", CODES[0], "-s", "/dev/zero")),
    Attack(("plan", CODES[0], "-s", "plover", "--machine", "/dev/zero")),
    Attack(("check", "-", "-s", "plover"), special="stdin endless"),
    Attack(("check", "-", "-s", "plover"), special="stdin closed"),
    Attack(("check", "--help"), special="stdout full"),
    Attack(("check", "(", "-s", "plover"), special="stderr full"),
)
