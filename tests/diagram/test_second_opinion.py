"""Counts and code sets beside general-purpose libraries: python-constraint2 counts, automata-lib proves equivalence."""

from __future__ import annotations

from itertools import product

import constraint
import pytest
from automata.fa.dfa import DFA
from hypothesis import given

from bitting.diagram import Diagram, code_space
from bitting.model import System
from tests.conftest import drawn
from tests.make import one_track, system, track, two_tracks
from tests.oracle import broken


def solutions(made: System) -> int:
    """The number of codes by a constraint solver that gets every rule as a plain function."""
    problem = constraint.Problem()
    variables = [(i, cut) for i, lane in enumerate(made.lanes) for cut in range(lane.track.cuts)]
    for i, cut in variables:
        problem.addVariable((i, cut), range(len(made.lanes[i].track.labels)))
    ends = [lane.track.cuts for lane in made.lanes]

    def code(values):
        rest = iter(values)
        return tuple(tuple(next(rest) for _ in range(end)) for end in ends)

    for sentence in made.must:
        problem.addConstraint(lambda *values, said=sentence: not broken(said, made, code(values)), variables)
    return len(problem.getSolutions())


@drawn(40)
@given(one_track() | two_tracks())
def test_a_constraint_solver_counts_the_same(made):
    assert code_space(made).count == solutions(made)


def dfa(diagram: Diagram, labels: str) -> DFA:
    """A single-track diagram as a complete automaton over its labels."""
    end, sink = (len(diagram.layers), 0), "sink"
    states = {(i, node) for i, layer in enumerate(diagram.layers) for node in range(len(layer.children))} | {end, sink}
    moves = {state: dict.fromkeys(labels, sink) for state in states}
    for i, layer in enumerate(diagram.layers):
        for (node, depth), child in zip(
            product(range(len(layer.children)), range(len(labels))), layer.children.ravel().tolist(), strict=True
        ):
            moves[i, node][labels[depth]] = (i + 1, child) if child >= 0 else sink
    return DFA(states=states, input_symbols=set(labels), transitions=moves, initial_state=(0, 0), final_states={end})


def rule_dfa(start, step, labels: str, final=lambda state: state is not None) -> DFA:
    """An automaton from a step function, explored from its start; None is the sink."""
    states, todo, moves = {start, "none"}, [start], {"none": dict.fromkeys(labels, "none")}
    while todo:
        state = todo.pop()
        moves[state] = {}
        for depth, label in enumerate(labels):
            after = step(state, depth)
            after = "none" if after is None else after
            moves[state][label] = after
            if after not in states:
                states.add(after)
                todo.append(after)
    good = {state for state in states if state != "none" and final(state)}
    return DFA(states=states, input_symbols=set(labels), transitions=moves, initial_state=start, final_states=good)


@pytest.mark.parametrize(("cuts", "labels", "macs", "run"), [(4, "123", 1, 2), (6, "1234", 2, 2), (7, "12345", 2, 1)])
def test_the_diagram_is_the_intersection_of_the_rules(cuts, labels, macs, run):
    must = (f"MACS is {macs}", f"no more than {run} equal cuts in a row", "first cut is one of 1 2")
    diagram = code_space(system(track(cuts=cuts, labels=labels), must=must)).diagrams[0]
    neighbours = rule_dfa((), lambda s, d: (d,) if not s or abs(s[0] - d) <= macs else None, labels)
    rows = rule_dfa(
        (-1, 0), lambda s, d: None if d == s[0] and s[1] == run else (d, s[1] + 1 if d == s[0] else 1), labels
    )
    first = rule_dfa(0, lambda s, d: 1 if s or d < 2 else None, labels)
    long = rule_dfa(0, lambda s, _d: s + 1 if s < cuts else None, labels, final=lambda s: s == cuts)
    expected = neighbours & rows & first & long
    ours = dfa(diagram, labels)
    assert ours == expected
    assert (
        len(ours.minify(retain_names=False).states) == diagram.nodes + 1
    )  # reduced: no smaller diagram, plus the sink
    assert expected.cardinality() == diagram.count
