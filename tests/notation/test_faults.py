"""Malformed texts: every fault of the table gets its own answer with the caret where its examples say."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given

from bitting.errors import NotationError
from bitting.grammars import folder
from bitting.model.system import WORD
from bitting.notation import normalise, parse_tree
from bitting.notation.faults import FAULTS
from bitting.notation.tree import LONGEST, blank_comments
from tests.conftest import but_long, drawn
from tests.strategies import fault_of, scraps

EXAMPLES = [
    (kind, entry, text)
    for entry in FAULTS
    for kind in ("code", "readings")
    if entry.kind in (kind, "both")
    for text in entry.examples
]


@pytest.mark.parametrize(("kind", "entry", "marked"), EXAMPLES)
def test_every_example_is_explained_as_the_table_says(kind, entry, marked):
    text = marked.replace("«", "").replace("»", "")
    span = (marked.index("«"), marked.index("»") - 1)
    with pytest.raises(NotationError) as caught:
        parse_tree(text, kind)
    fault = caught.value
    found = text[slice(*span)].strip()
    assert (fault.message, fault.hint, fault.span) == (entry.message.replace("{found}", found), entry.hint, span)
    assert fault.text == text


def test_every_fault_has_a_hint_and_examples():
    for entry in FAULTS:
        assert entry.examples, entry.identifier
        assert entry.hint, entry.identifier
        assert all("«" in example for example in entry.examples)


def test_the_words_of_the_table_are_those_of_the_grammar():
    lines = Path(folder("grammars"), "common.lark").read_text(encoding="utf-8").splitlines()
    assert f"WORD: /{WORD}/" in lines


@pytest.mark.parametrize(
    ("text", "span", "message"),
    [
        ("1 ½ 2", (2, 3), "'½' (vulgar fraction one half) can't stand in a code"),
        ("1² 2", (1, 2), "'²' (superscript two) can't stand in a code"),
        ("left: 1١", (7, 8), "'١' (arabic-indic digit one) can't stand in a code"),
        ("ª", (0, 1), "'ª' (feminine ordinal indicator) can't stand in a code"),
        ("2×3", (1, 2), "'×' (multiplication sign) can't stand in a code"),
        ("2\ud8003", (1, 2), "U+D800 can't stand in a code"),
        ("2\u200e3", (1, 2), "U+200E (left-to-right mark) can't stand in a code"),
        ("1|2", (1, 2), "'|' can't stand in a code"),
        ("top(2 1 3", (3, 4), "'(' is not closed"),
        ("2 [1 3", (2, 3), "'[' is not closed"),
        ("[1 3 / 2", (0, 1), "'[' is not closed"),
        ("[1 2)", (0, 1), "'[' is not closed"),
        ("[1-3 4", (0, 1), "'[' is not closed"),
        ("2 1)", (3, 4), "')' closes nothing"),
        ("2 1] 3", (3, 4), "']' closes nothing"),
    ],
)
def test_strange_characters_and_brackets_in_codes(text, span, message):
    with pytest.raises(NotationError) as caught:
        parse_tree(text)
    assert (caught.value.span, caught.value.message) == (span, message)
    assert caught.value.hint


@pytest.mark.parametrize(
    ("text", "span"),
    [("7½ 7", (1, 2)), ("7.42 ٧.٠٥", (5, 6)), ("7,4²", (3, 4)), ("7.42×2", (4, 5)), ("7.42 $", (5, 6))],
)
def test_strange_characters_in_readings(text, span):
    with pytest.raises(NotationError) as caught:
        parse_tree(text, "readings")
    assert caught.value.span == span
    assert "can't stand in readings" in caught.value.message


def check_fault(fault: NotationError, text: str) -> None:
    assert fault.message
    assert fault.text == text
    start, end = fault.span
    assert 0 <= start <= end <= len(text)
    assert start < end or not blank_comments(normalise(text)).strip(), (text, fault.message, fault.span)
    assert fault.explain()


@pytest.mark.parametrize("kind", ["code", "readings"])
@drawn(200)
@given(text=scraps())
def test_any_text_is_a_tree_or_a_fault_inside_the_text(kind, text):
    fault = fault_of(parse_tree, text, kind)
    if fault is not None:
        check_fault(fault, text)
        return
    tree = parse_tree(text, kind)
    for node in tree.iter_subtrees():
        assert 0 <= node.meta.start_pos < node.meta.end_pos <= len(text)


def test_a_text_beyond_the_limit_is_refused_and_one_at_the_limit_is_read():
    parse_tree(" " * (LONGEST - 1) + "2")
    with pytest.raises(NotationError, match="no code of one key") as caught:
        parse_tree(" " * LONGEST + "2")
    assert caught.value.span == (LONGEST, LONGEST + 1)


LONG = LONGEST
HUGE = {
    "nested": "(" * 5000,
    "square": "[" * 5000,
    "sides": "top(" * 5000,
    "points": "." * LONG,
    "commas": "," * LONG,
    "word": "2" * LONG,
    "blanks": " " * LONG,
    "remark": "#" + "x" * LONG,
    "questions": "?" * (LONG // 4),
    "word, then a fault": "a" * (LONG - 1) + "½",
    "cuts": "2 1 " * (LONG // 8),
    "remarks": "2 #x\n" * (LONG // 20),
    "dots and digits": "7.4" * (LONG // 3),
    "a megabyte": "2 1 " * 250_000,
    "minus": "-" * LONG,
    "from": "from " * (LONG // 20),
    "e": "7e" * (LONG // 2),
}


@pytest.mark.parametrize("kind", but_long(["code", "readings"], "readings"))
@pytest.mark.parametrize("name", HUGE)
def test_long_and_deep_texts(kind, name):
    text = HUGE[name]
    fault = fault_of(parse_tree, text, kind)
    if fault is not None:
        check_fault(fault, text)
        assert len(fault.message) < 200
