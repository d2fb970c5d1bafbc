"""What was probably meant: the legal codes nearest to a wrong one, with the slip in words and a probability.

A code is written down, read out, typed; now and then somebody slips. `bitting.repair.slips` is the table of slips with
their probabilities, which are **our own assumption**. Before the writing is seen every legal code is as likely as any
other, so the probability of a suggestion is

    P(written | code) / sum of P(written | c) over every legal code c,

where P(written | code) adds up every explanation: every set of at most two slips of the table that makes exactly the
writing out of the code. It is a probability *given* that a legal code of this system was meant and that at most two such
slips happened; it says nothing of a key of another system, nor of a customer's wrong paper.

Exact: the sums and the ranking come from walking the diagram of all legal codes beside an automaton of the slips (the
noisy-channel view of spelling correction; the search is best-first with a bound that is never too small), not from trying out
codes. Many codes at once get the same first answer in a hundredth of the time (`Repairer.block`).

>>> import bitting
>>> system = bitting.load_system("plover")
>>> for found in nearest(bitting.parse_code("left: 5133124 / right: 1124421", system), best=1).codes:
...     print(found.code, found.change, sep="\\n")
left: 3 1 3 3 1 2 4 / right: 1 1 2 4 4 2 1
left cut 1 read 5 for 3
"""

from bitting.repair.compiled import Answer, Nearest, Repairer, nearest, repairer

__all__ = ["Answer", "Nearest", "Repairer", "nearest", "repairer"]
