"""Check, decode and plan from Python, and go through a column of a table. Every code here is invented.

Prints:

legal: left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1
not legal: cut 5 is 1 and cut 6 is 4: they differ by 3, and at most 2 is allowed
decoded: sure, left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1
first moves: start load, depth 4, space 7
3 of 4 rows are legal
"""

from __future__ import annotations

import bitting

system = bitting.load_system("plover")

# One code: is it possible, and if not, why?
code = bitting.parse_code("left: 2133244 / right: 1124421", system)
print("legal:" if bitting.check(code, system).legal else "not legal:", code)
wrong = bitting.check(bitting.parse_code("left: 2133144 / right: 1124421", system), system)
print("not legal:", wrong.findings[0].message)

# A worn key, each cut measured twice.
first = "8.11 8.54 7.66 7.68 8.09 7.21 7.22 / 8.55 8.56 8.10 7.22 7.23 8.11 8.57"
again = "8.12 8.56 7.67 7.66 8.10 7.22 7.21 / 8.56 8.55 8.11 7.23 7.21 8.10 8.58"
pairs = (" / ".join(" ".join(f"{a}|{b}" for a, b in zip(one.split(), two.split(), strict=True))
         for one, two in zip(first.split(" / "), again.split(" / "), strict=True)))  # fmt: skip
decoded = bitting.decode(bitting.parse_readings(pairs, system), system)
print(f"decoded: {decoded.verdict}, {decoded.code}")

# The moves for a machine set by hand.
plan = bitting.plan(code, system)
steps = plan.tracks[0].steps[:3]
print("first moves:", ", ".join(f"{step.action} {step.to}" for step in steps))

# A column of a table, read with pandas where it is there.
column = ["2133244 1124421", "2133144 1124421", "3344555 2233445", None, "L: 2133244 / R: 1124421"]
try:
    import pandas
except ImportError:
    pass
else:
    column = list(pandas.Series(column, name="key code"))
checked = bitting.check_many(system, column)
counts = checked.counts
print(f"{counts['legal']} of {len(column) - counts['empty']} rows are legal")
