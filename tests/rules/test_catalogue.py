"""Every kind of the catalogue, by itself: its evaluation, its automaton and the naive oracle say the same of every code.

A kind that is added is held to this without being named here: a wrong comparison in one of the two ways fails at once.
"""

from __future__ import annotations

import math
import re
from contextlib import suppress
from itertools import islice, product

import pytest
from hypothesis import Phase, given, settings

from bitting.checking import check
from bitting.diagram import code_space
from bitting.model import code_of
from bitting.notation import parse_code
from bitting.rules import catalogue, read_rule
from bitting.rules.base import SentenceError
from tests.make import any_system, system, track
from tests.oracle import broken, every_code


def example_system(identifier, must, most=6):
    """The system that a kind's example speaks of: the depths that it names, at most so many cuts to list its codes."""
    sentence, good, bad = catalogue()[identifier].example
    named = re.findall(r"\d", good + bad + (sentence if identifier.startswith("forbidden") else ""))
    names = ("left", "right")[: 2 if ":" in good else 1]
    cuts = len(good.split("/")[0].replace("left:", "").split())
    depths = max(3, *map(int, named))
    while len(names) * min(cuts, most) * math.log(depths) > math.log(1500) and most > 3:
        most -= 1
    labels = "123456789"[:depths]
    return system(*(track(name, min(cuts, most), labels) for name in names), must=must)


def variants(identifier):
    """The example's sentence, and the same with every number and limit changed, as far as the kind can say it."""
    sentence = catalogue()[identifier].example[0]
    words = re.split(r"(\b\d+\b|\bat (?:most|least)\b|\b(?:even|odd)\b|\b(?:deeper|shallower)\b)", sentence)
    other = {"at most": "at least", "at least": "at most", "even": "odd", "odd": "even"}
    other |= {"deeper": "shallower", "shallower": "deeper"}
    choices = [
        [w] if i % 2 == 0 else [w, other[w]] if w in other else [w, *(str(n) for n in range(1, 4) if str(n) != w)]
        for i, w in enumerate(words)
    ]
    changed = ("".join(parts) for parts in product(*choices))
    for text in islice(changed, 200):
        try:
            read_rule(example_system(identifier, ()), text, "must")
        except SentenceError:
            continue
        yield text


def few(texts, number=12):
    """The first, and others from all over the list."""
    listed = list(texts)
    return listed[:: max(1, len(listed) // number)]


@pytest.mark.parametrize("identifier", catalogue())
def test_evaluation_automaton_and_oracle_agree_on_every_code_of_the_example(identifier):
    told = 0
    for sentence in few(variants(identifier), 3 if identifier == "metal-left" else 12):
        made = example_system(identifier, (sentence,))
        if any(rule.identifier != identifier for rule in made.rules):
            continue
        told += 1
        space = code_space(made)
        for code in few(every_code(made), 800):  # tests/rules/test_metal.py goes through all of metal-left's
            legal = not broken(sentence, made, code)
            assert check(code_of(made, code), suggest=False).legal == legal, f"{identifier}: {sentence!r}, evaluation"
            assert space.contains(code) == legal, f"{identifier}: {sentence!r}, automaton"
    assert told, f"{identifier}: its example can't be said of the example's system"


@pytest.mark.parametrize("identifier", catalogue())
def test_messages_name_cuts_that_are_marked_and_the_depths_that_stand_there(identifier):
    for sentence in few(variants(identifier), 3 if identifier == "metal-left" else 6):
        made = example_system(identifier, (sentence,))
        for code in islice(every_code(made), 0, None, 29 if identifier == "metal-left" else 7):
            for finding in check(code_of(made, code), suggest=False).findings:
                named = re.findall(r"\bcuts? (\d+)(?: \(\w+\))?(?:(?: and| to) (\d+))?", finding.message)
                assert {int(n) for pair in named for n in pair if n} <= {*finding.cuts}, (code, finding)
                assert {place.cut + 1 for place in finding.places} == {*finding.cuts}
                if len(made.lanes) == 1:
                    shown = re.findall(r"\bcut (\d+)(?: is|) \(?(\d+)\b", finding.message)
                    labels = made.lanes[0].track.labels
                    assert all(labels[code[0][int(n) - 1]] == label for n, label in shown), (code, finding)


@pytest.mark.parametrize("identifier", catalogue())
def test_an_open_cut_breaks_no_rule_that_some_depth_keeps(identifier):
    sentence, *codes = catalogue()[identifier].example
    parts = example_system(identifier, ())
    cuts = len(codes[0].split("/")[0].replace("left:", "").split())
    labels = parts.lanes[0].track.labels
    made = system(*(track(lane.track.name, cuts, "".join(labels)) for lane in parts.lanes), must=(sentence,))
    for text in codes:
        cuts = re.findall(r"(?<=[ :])\d|^\d", text)
        for place in range(len(cuts)):
            seen = iter(range(len(cuts)))
            opened = re.sub(r"(?<=[ :])\d|^\d", lambda digit: "?" if next(seen) == place else digit[0], text)  # noqa: B023
            whole = [opened.replace("?", label) for label in labels]
            try:
                keeps = any(check(parse_code(code, made), suggest=False).legal for code in whole)
            except Exception as fault:
                raise AssertionError(f"{identifier}: {whole}") from fault
            findings = [f for f in check(parse_code(opened, made), suggest=False).findings if f.rule == identifier]
            if keeps:
                assert not findings, f"{identifier}: {opened} is said to break {sentence!r}, and can keep it"


class Enough(Exception):
    """Ends the drawing of examples."""


@pytest.mark.thorough  # hundreds of systems, until the rarest kind is drawn
def test_the_generator_of_systems_draws_every_kind_and_the_oracle_knows_them():
    seen = set()

    @settings(max_examples=300, deadline=None, derandomize=True, database=None, phases=[Phase.generate])
    @given(any_system)
    def collect(made):
        code = next(iter(every_code(made)))
        for rule in made.rules:
            broken(rule.sentence, made, code)  # raises where the oracle doesn't know the sentence
            seen.add(rule.identifier)
        if seen.issuperset(catalogue()):
            raise Enough

    with suppress(Enough):
        collect()
    assert sorted(set(catalogue()) - seen) == [], "no sentence of tests/make.py draws these kinds"
