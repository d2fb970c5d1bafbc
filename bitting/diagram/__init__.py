"""All the legal codes of a system at once, as layered decision diagrams.

A layer decides one cut. A node stands for everything that matters of the cuts before it, so its children table says
which depths can come next and where they lead; every way from the root to the end is a legal code, and every legal code
is one way. Lanes (tracks) that a rule couples share a diagram, in the order left 1, right 1, left 2, …; others have
their own, and the code space is their product.

```
space = code_space(system)
space.count                      # exact, however large
space.contains(code.depths)      # the same answer as checking every rule
```

Source: R. E. Bryant, "Graph-Based Algorithms for Boolean Function Manipulation", 1986 (from memory), for the reduction;
counting, ranking and sampling by completion counts is the recursive method of Nijenhuis and Wilf (from memory).
"""

from bitting.diagram.build import BUDGET, Allowed, Purse
from bitting.diagram.counter import Counter
from bitting.diagram.space import CodeSpace, Diagram, Layer, code_space, completions, lane_space

__all__ = [
    "BUDGET",
    "Allowed",
    "CodeSpace",
    "Counter",
    "Diagram",
    "Layer",
    "Purse",
    "code_space",
    "completions",
    "lane_space",
]
