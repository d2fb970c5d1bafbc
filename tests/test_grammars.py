"""The tables that a wheel carries parse exactly as the grammars they were made from."""

from __future__ import annotations

import pytest
from lark import Lark, UnexpectedInput

from bitting.grammars import NAMES, build, tables

TEXTS = {
    "code": ["2133", "left: 2 1 [34] ? / right from tip: 1..3-2,1", "top(12); bottom = top", "2--1", "left: ½", ""],
    "readings": ["7.42 7,05 ?", "left: 6.61±0.03 7.40|7.41 / right: 1.2 mm", "7.42,7.05", "nan", "across: 5.1"],
    "rules": ["on left, first cut is one of 1 2 3", "depth 'a' is used once", "%", "on left,", "codes: 1 / 2"],
}


def outcome(parser: Lark, text: str) -> object:
    """The tree with its positions, or where and how parsing stopped."""
    try:
        tree = parser.parse(text)
    except UnexpectedInput as fault:
        return type(fault).__name__, fault.pos_in_stream
    spans = [(node.data, node.meta.empty or (node.meta.start_pos, node.meta.end_pos)) for node in tree.iter_subtrees()]
    return tree, spans


@pytest.mark.parametrize("name", NAMES)
def test_tables_parse_as_the_grammar_does(name):
    module: dict[str, object] = {}
    exec(tables(name), module)
    loaded, built = Lark.load(module["TABLES"]), build(name)
    outcomes = [outcome(built, text) for text in TEXTS[name]]
    assert [outcome(loaded, text) for text in TEXTS[name]] == outcomes
    assert len({isinstance(found[0], str) for found in outcomes}) == 2  # both trees and faults were compared
