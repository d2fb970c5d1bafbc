"""Cuts that can't be read: which codes remain, and the fewest blanks to try them all; two keys compared.

>>> from bitting.model import Blade, System, Track
>>> from bitting.notation import parse_code
>>> track = Track("edge", "edge", "far-edge", (9.0, 6.5, 4.0), ("1", "2", "3"), (8.6, 8.1, 7.6))
>>> system = System("wren", "", "", "mm", "tip", (), False, Blade(), (track,))
>>> answer = complete(parse_code("2 ? 1..2", system))
>>> answer.count, answer.blanks, answer.tries
(6, 2, (('2 1 1', '2 1 2', '2 2 2', '2 3 2'), ('2 2 1', '2 3 1')))
>>> compare(parse_code("2 1 1", system), parse_code("2 3 1", system)).deepens
True
"""

from bitting.completion.answer import EXACT_UP_TO, complete
from bitting.completion.compare import Comparison, CutCompared, Shared, compare
from bitting.completion.result import Completion, CutLeft, Fact

__all__ = [
    "EXACT_UP_TO",
    "Comparison",
    "Completion",
    "CutCompared",
    "CutLeft",
    "Fact",
    "Shared",
    "compare",
    "complete",
]
