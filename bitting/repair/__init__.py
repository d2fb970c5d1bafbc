"""What was probably meant: the legal codes nearest to a wrong one, with the slip in words and a probability.

A code is written down, read out, typed; now and then somebody slips, by eye, by ear or by hand. `bitting.repair.noise` is the
table of slips with their probabilities, which are **our own assumption**. Before the writing is seen every legal code is as
likely as any other, so the probability of a suggestion is

    P(written | code) / (sum of P(written | c) over every legal code c + P(anything else)),

where P(written | code) adds up every slip of the table that makes exactly the writing out of the code, and a small share is
kept for anything else, so that no code is ever certain. It is a probability *given* that a legal code of this system was
meant; it says nothing of a key of another system, nor of a customer's wrong paper.

Where no single slip explains the writing, two likely ones are tried (`bitting.repair.search` says which), and the answer
says so. A track that is missing altogether is said as that.

One code is a column of one: a table's codes get the same answers, many at a time (`Repairer.column`).

>>> import bitting
>>> system = bitting.load_system("plover")
>>> for found in nearest(bitting.parse_code("left: 2133744 / right: 1124421", system), best=2).codes:
...     print(found.code, found.change, f"{found.probability:.0%}", sep=" | ")
left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1 | left cut 5 is 2, not 7 | 76%
left: 2 1 3 3 3 4 4 / right: 1 1 2 4 4 2 1 | left cut 5 is 3, not 7 | 7%
"""

from bitting.repair.repairer import Answer, Nearest, Repairer, nearest

__all__ = ["Answer", "Nearest", "Repairer", "nearest"]
