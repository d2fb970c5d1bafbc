"""Random systems with open codes, every legal key by brute force, and fewest chains by networkx."""

import itertools
import random

import attrs
import networkx as nx

from bitting.completion.candidates import allowed_depths
from bitting.model import Blade, System, Track
from bitting.notation import parse_code
from bitting.rules import violations
from tests.make import read_rules

RULES = (
    "adjacent cuts differ by at most 1",
    "adjacent cuts differ by at most 2",
    "no more than 2 equal cuts in a row",
    "at least 2 different depths",
    "first cut is one of 1 2",
    "last cut is one of 2 3",
    "cut 2 is not 2",
    "a cut is at most 1 deeper than the cut before it",
    "the sum of cuts is even",
    "the sum of cuts is odd",
    "1 is never followed by 1",
    "cuts never get shallower",
)
COUPLED = ("left and right are not the same", "left and right add up to at most 5 at every cut")


def system_of(tracks, cuts, depths, rules, sides=(), convenience=True, locks=None):
    labels = tuple(str(d + 1) for d in range(depths))
    made = tuple(
        Track(
            name,
            "external",
            "far-edge",
            tuple(30.0 - 2.5 * i for i in range(cuts)),
            labels,
            tuple(8.0 - 0.5 * d for d in range(depths)),
        )
        for name in tracks
    )
    system = System("invented", "", "", "mm", "tip", sides, convenience, Blade(), made, locks=locks or {})
    return attrs.evolve(system, rules=read_rules(system, rules, ()))


def random_case(seed):
    """A system with random rules and a code with random open cuts, small enough for brute force."""
    draw = random.Random(seed)
    tracks = draw.choice([("edge",), ("left", "right")])
    sides = draw.choice([(), ("top", "bottom")])
    convenience = len(tracks) > 1 or draw.random() < 0.5
    cuts = draw.randint(2, 5 if len(tracks) == 1 else 3)
    depths = draw.randint(3, 4)
    rules = draw.sample(RULES, draw.randint(0, 3))
    if len(tracks) > 1 and draw.random() < 0.5:
        rules.append(draw.choice(COUPLED))
    reads = tuple(sorted(draw.sample(range(cuts), draw.randint(1, cuts))))
    system = system_of(tracks, cuts, depths, rules, sides, convenience, {"door": reads})
    cells = []
    room = 400
    for lane in system.lanes:
        row = []
        for _ in range(lane.track.cuts):
            kind = draw.random()
            size = 1 if kind < 0.35 else depths if kind < 0.7 else draw.randint(2, depths)
            size = min(size, max(1, room))
            room //= size
            row.append(tuple(sorted(draw.sample(range(depths), size))))
        cells.append(row)
    return system, parse_code(text_of(system, cells), system), cells


def text_of(system, cells):
    """A code text in which each cell is a bracket of all the depths it may have."""
    rows = [" ".join(f"[{' '.join(str(d + 1) for d in cell)}]" for cell in row) for row in cells]
    named = [f"{lane.track.name}: {row}" for lane, row in zip(system.lanes, rows, strict=True)]
    if not system.sided:
        return " / ".join(named)
    per_side = len(system.tracks)
    return "; ".join(
        f"{side}({' / '.join(named[i * per_side : (i + 1) * per_side])})" for i, side in enumerate(system.sides)
    )


def brute(system, cells):
    """Every legal key, by trying everything against the rules one by one."""
    found = []
    for flat in itertools.product(*itertools.chain.from_iterable(cells)):
        rest = iter(flat)
        lanes = [list(itertools.islice(rest, len(row))) for row in cells]
        if not any(True for rule in system.rules for _ in violations(rule, system, [lanes[i] for i in rule.lanes])):
            found.append(flat)
    return found


def fewest_by_matching(keys):
    graph = nx.Graph()
    graph.add_nodes_from(("from", key) for key in keys)
    for a, b in itertools.permutations(keys, 2):
        if all(x <= y for x, y in zip(a, b, strict=True)):
            graph.add_edge(("from", a), ("to", b))
    found = nx.bipartite.hopcroft_karp_matching(graph, [("from", key) for key in keys])
    return len(keys) - sum(1 for side, _ in found if side == "from")


def flat_of(text, system):
    return tuple(itertools.chain.from_iterable(allowed_depths(parse_code(text, system)).values()))


def never_shallower(a, b):
    return all(x <= y for x, y in zip(a, b, strict=True))
