"""Many codes at once give what one code at a time gives: verdict, canonical form, findings with their spans."""

from __future__ import annotations

import math
import textwrap
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitting.batch import check_many
from bitting.batch.explain import say
from bitting.batch.judge import Judge, Verdict, one_line, write_depths
from bitting.batch.shapes import Shape, ShapeReader
from bitting.checking import check
from bitting.diagram import code_space
from bitting.errors import BittingError, NotationError
from bitting.model import System, code_of
from bitting.notation import parse_code
from bitting.notation.hints import words_instead
from bitting.systemfile import load_system
from tests.conftest import drawn

SHIPPED = ("plover", "heron", "siskin", "wren", "grebe", "dunlin")

# Invented, to be hard: names with digits, labels that spell the notation's keywords, labels of several characters.
HEAD = """\
format = 1
system = {{ name = "{name}", about = "a test", source = "invented for the tests", unit = "mm", stop = "tip" }}
"""
UNLIKE = """
        [[tracks]]
        name = "left"
        milling = "external"
        measured = "far-edge"
        spaces = [9.0, 6.0, 3.0]
        depths = LEFT
        [[tracks]]
        name = "right"
        milling = "external"
        measured = "far-edge"
        spaces = [9.0, 6.0, 3.0, 0.5]
        depths = RIGHT
        [rules]
        must = ["on left, adjacent cuts differ by at most 1"]
        """
"""Two tracks with tables of their own."""
HARD = {
    "digits-in-names": """
        [[tracks]]
        name = "t1"
        milling = "external"
        measured = "far-edge"
        spaces = [9.0, 6.0, 3.0]
        depths = { 1 = 8.0, 2 = 7.5, 3 = 7.0 }
        [[tracks]]
        name = "t2"
        like = "t1"
        [rules]
        must = ["adjacent cuts differ by at most 1"]
        should = ["at least 2 different depths"]
        """,
    "keyword-labels": """
        [[tracks]]
        name = "left"
        milling = "edge"
        measured = "far-edge"
        spaces = [12.0, 9.0, 6.0, 3.0]
        depths = { f = 8.0, r = 7.5, o = 7.0, m = 6.5, t = 6.0, i = 5.5, p = 5.0 }
        [rules]
        must = ["adjacent cuts differ by at most 3"]
        """,
    "two-tables": UNLIKE.replace("LEFT", "{ 1 = 8.0, 2 = 7.5, 3 = 7.0, 4 = 6.5 }").replace(
        "RIGHT", "{ 3 = 8.0, 4 = 7.5, 5 = 7.0 }"
    ),
    "long-tables": UNLIKE.replace("LEFT", "{ 8 = 8.0, 9 = 7.5, 10 = 7.0 }").replace(
        "RIGHT", "{ 9 = 8.0, 10 = 7.5, 11 = 7.0 }"
    ),
    "long-labels": """
        [[tracks]]
        name = "cuts"
        milling = "edge"
        measured = "far-edge"
        spaces = [12.0, 9.0, 6.0, 3.0]
        depths = { 8 = 8.0, 9 = 7.5, 10 = 7.0, 11 = 6.5, 12 = 6.0 }
        [rules]
        must = [
            "adjacent cuts differ by at most 2",
            "a cut is at most 1 deeper than the cut before it",
            "9 is never followed by 8 11",
        ]
        should = ["when cut 1 is 8, cut 3 is one of 8 9", "the sum of cuts is even"]
        """,
}


@cache
def system_named(name: str) -> System:
    if name in SHIPPED:
        return load_system(name)
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.toml"
        path.write_text(HEAD.format(name=name) + textwrap.dedent(HARD[name]), encoding="utf-8")
        return load_system(str(path))


def alone(text: str, system: System) -> tuple[Verdict, str | None, tuple[object, ...]]:
    """What one code at a time says."""
    if not text.strip():
        return Verdict.EMPTY, None, ()
    try:
        code = parse_code(text, system)
    except NotationError:
        return Verdict.UNREADABLE, None, ()
    if words_instead(code):
        return Verdict.UNREADABLE, None, ()
    report = check(code, system, suggest=False)
    return Verdict.LEGAL if report.legal else Verdict.ILLEGAL, code.canonical, report.findings


ALPHABET = "0123456789fromtipABCDEFabx :/;()[]?.,-=#\t\n½₂"


@st.composite
def systems_and_texts(draw: st.DrawFn) -> tuple[System, list[str]]:
    """A system and texts, most of them slips of a few codes written in a few ways, so that shapes are shared."""
    system = system_named(draw(st.sampled_from([*SHIPPED, *HARD])))
    space = code_space(system)
    bases = []
    for _ in range(draw(st.integers(1, 3))):
        code = code_of(system, space.unrank(draw(st.integers(0, space.count - 1))))
        text = str(code)
        for way in draw(st.lists(st.integers(0, 12), max_size=3)):
            text = rewritten(text, way, system)
        bases.append(text)
    texts = []
    for _ in range(draw(st.integers(1, 14))):
        text = list(draw(st.sampled_from(bases)))
        for _ in range(draw(st.integers(0, 3))):
            at = draw(st.integers(0, max(len(text) - 1, 0)))
            what = draw(st.sampled_from("====rid"))
            if what == "=" and text and text[at].isalnum():
                same = "0123456789３" if text[at].isdigit() else "fromtipABCDEF"
                text[at] = draw(st.sampled_from(same))
            elif what == "r" and text:
                text[at] = draw(st.sampled_from(ALPHABET))
            elif what == "i":
                text.insert(at, draw(st.sampled_from(ALPHABET)))
            elif what == "d" and text:
                del text[at]
        texts.append("".join(text))
    return system, texts


def rewritten(text: str, way: int, system: System) -> str:
    """The same code said otherwise, or said wrongly."""
    if way == 0:
        return text.replace("left:", "L from tip:").replace("t1:", "t1 from bow:")
    if way == 1:
        return " ".join(part.partition(":")[2] or part for part in text.split("/"))
    if way == 2 and not system.sided and len(system.sides) > 1:
        return f"both({text})"
    if way == 3 and not system.sided and len(system.sides) > 1:
        return f"{system.sides[0]}({text}); {system.sides[1]}={system.sides[0]}"
    if way == 4:
        return text.replace(" ", "-").replace("-/-", " / ").replace(":-", ":")
    if way == 5:
        return text + "  # car 12"
    if way == 6:
        return text.replace("left", "lift")
    if way == 7:
        return text.replace(" ", "")
    if way == 8:  # as people say it
        return text.replace(" / ", " ").replace("; ", " ").translate(str.maketrans(":()", "   "))
    if way == 9:
        return text.replace(":", "").replace("left ", "l").replace("right ", "R").replace("top", "t")
    if way == 10:
        return text.replace(" / ", between(text))
    if way == 11:
        return text.replace("left:", "", 1).replace("right:", "right side" if "(" in text else "r", 1)
    return text.replace(": ", ": double ", 1)


def between(text: str) -> str:
    """What may stand between two tracks, by the text's own figures."""
    return (" & ", "; ", ", ", " and ", "\t", " from tip ")[sum(map(ord, text)) % 6]


@drawn(100)
@given(systems_and_texts())
def test_many_equal_one_at_a_time(drawn: tuple[System, list[str]]) -> None:
    system, texts = drawn
    many = check_many(system, texts)
    judge = Judge(system)
    judged = judge.judge(texts)
    answers = judge.answers(texts, judged, list(range(len(texts))))
    for number, text in enumerate(texts):
        verdict, canonical, findings = alone(text, system)
        assert many.verdict[number] == verdict, text
        assert many.canonical[number] == canonical, text
        assert many.findings(number) == findings, text
        assert answers[number].verdict == verdict, text
        assert answers[number].canonical == canonical, text
        if verdict == Verdict.UNREADABLE:
            try:
                said = words_instead(parse_code(text, system))
            except NotationError as fault:
                said = one_line(fault)
            assert answers[number].message == said, text
        else:
            assert answers[number].message == "; ".join(map(say, findings)), text
            assert set(answers[number].rules) == {finding.rule for finding in findings}, text
        assert judged.noted[number] or not findings, text


@drawn(60)
@given(systems_and_texts())
def test_a_shape_gives_the_code_that_the_grammar_gives(drawn: tuple[System, list[str]]) -> None:
    system, texts = drawn
    reader = ShapeReader(system)
    read = reader.read(texts)
    for text, shape, which in zip(texts, read.shapes, read.which, strict=True):
        if shape in (Shape.EXACT, Shape.INCOMPLETE):
            assert reader.templates[which].code_of(text) == parse_code(text, system), text
        elif shape == Shape.UNREADABLE:
            with pytest.raises(NotationError):
                parse_code(text, system)


def test_followers_are_really_read_by_shape() -> None:
    """The property above would hold if every text went to the grammar: here nearly none may."""
    system = load_system("plover")
    codes = [str(code_of(system, depths)) for depths in code_space(system).sample(3000, 5)]
    reader = ShapeReader(system)
    read = reader.read(codes + [code.replace("left", "lift") for code in codes] + [code[:-2] for code in codes])
    assert len(reader.templates) == 3
    counts = {shape: int((read.shapes == shape).sum()) for shape in Shape}
    assert counts == {
        Shape.EXACT: 3000,
        Shape.INCOMPLETE: 3000,
        Shape.UNREADABLE: 3000,
        Shape.EMPTY: 0,
        Shape.SINGLE: 0,
    }


def test_codes_as_people_say_them_are_read_by_shape_too() -> None:
    system = load_system("plover")
    codes = [str(code_of(system, depths)).replace(":", "") for depths in code_space(system).sample(1000, 5)]
    said = [*codes, *[code.replace(" / ", " ") for code in codes], *[code.replace("3", "9") for code in codes]]
    read = ShapeReader(system).read(said)
    assert (read.shapes == Shape.EXACT).all()
    short = [code.replace(" / right ", " -- ")[:-2] for code in codes] + [code[:-2] for code in codes]
    assert {*ShapeReader(system).read(short).shapes.tolist()} == {Shape.UNREADABLE, Shape.INCOMPLETE}


@pytest.mark.parametrize(
    ("name", "first", "second"),
    [
        ("plover", "2139244 & r 1124421", "2133244 & r 1124421"),  # 9 is no depth, so r need not be a name
        ("plover", "2133244; r 1124421", "2139244; r 1124421"),
        ("long-tables", "l7 8 8 / r09 8 6 6", "l9 8 8 / r11 9 9 9"),  # l7 is a cut, l9 a name and a cut
        ("long-tables", "double 7 8 / 9 9 9 9", "double 9 8 / 9 9 9 9"),
        ("long-labels", "cuts side=8889", "cuts side=9999"),
        ("grebe", "le 523 leftm 11", "le 233 leftm 11"),  # each is said to be no code, in its own words
        ("plover", "left: 2133244 / right: ２1332449124421", "left: 2133244 / right: ３1332449124421"),
    ],
)
def test_a_text_is_answered_as_if_no_other_of_its_shape_had_been_read(name: str, first: str, second: str) -> None:
    system, texts = system_named(name), [first, second]
    judge = Judge(system)
    judged = judge.judge(texts)
    alone = [Judge(system).answer(text) for text in texts]
    assert judge.answers(texts, judged, [0, 1]) == alone
    assert judged.verdict.tolist() == [answer.verdict for answer in alone]


def test_an_embedded_line_break_shifts_nothing() -> None:
    system = load_system("plover")
    texts = ["2133345 1123421", "2133345\n1123421", "x\ny", "", "\n", "2133345 1123421", "2\r1", "9933345 1123421"]
    many = check_many(system, texts)
    assert [Verdict(v) for v in many.verdict] == [alone(text, system)[0] for text in texts]
    assert many.canonical == [alone(text, system)[1] for text in texts]


def test_one_odd_cell_leaves_the_others_to_their_shape() -> None:
    system = load_system("plover")
    texts = ["2133345 1123421"] * 50 + ["2133345\u00a01123421", "\uff12133345 1123421", "2½33345 1123421", "a\0b"]
    reader = ShapeReader(system)
    shapes = reader.read(texts).shapes
    assert (shapes[:52] == Shape.EXACT).all()
    assert (shapes[52:] == Shape.SINGLE).all()
    assert check_many(system, texts).counts == {"legal": 52, "illegal": 0, "unreadable": 2, "empty": 0}


def test_more_shapes_than_are_kept_are_still_read(monkeypatch: pytest.MonkeyPatch) -> None:
    system = load_system("plover")
    monkeypatch.setattr("bitting.batch.shapes.MOST_SHAPES", 50)
    texts = ["2133345" + " " * (n % 9) + "1" + " " * (n // 9) + "123421" for n in range(9 * 9)]
    reader = ShapeReader(system)
    assert (reader.read(texts).shapes == Shape.SINGLE).sum() > 0
    assert check_many(system, texts).counts["legal"] == len(texts)


@pytest.mark.thorough
def test_a_list_longer_than_a_chunk_keeps_its_order() -> None:
    system = load_system("wren")
    codes = [str(code_of(system, depths)) for depths in code_space(system).sample(70_000, 3)]
    codes[40_000] = ""
    codes[69_999] = "x"
    many = check_many(system, codes)
    assert many.verdict[40_000] == Verdict.EMPTY
    assert many.verdict[69_999] != Verdict.LEGAL
    assert many.counts["legal"] == 69_998
    assert many.canonical[12_345] == codes[12_345]
    assert many.canonical[69_998] == codes[69_998]


def test_legality_is_that_of_the_diagram_for_all_codes_of_a_small_system() -> None:
    system = system_named("digits-in-names")
    every = [
        f"{a}{b}{c} {d}{e}{f}" for a in "123" for b in "123" for c in "123" for d in "123" for e in "123" for f in "123"
    ]
    many = check_many(system, every)
    assert int(many.legal.sum()) == code_space(system).count
    assert [bool(legal) for legal in many.legal] == [alone(text, system)[0] == Verdict.LEGAL for text in every]


def test_nothing_and_things_that_are_no_text() -> None:
    system = load_system("plover")
    assert len(check_many(system, [])) == 0
    assert check_many(system, []).canonical == []
    assert check_many(system, [None, " "]).counts["empty"] == 2
    column = pandas.Series(["2133345 1123421", None, math.nan, pandas.NA, pandas.NaT, ""], dtype=object)
    assert check_many(system, column).counts == {"legal": 1, "illegal": 0, "unreadable": 0, "empty": 5}
    for kind in ("string", "category"):
        assert check_many(system, pandas.Series(["2133345 1123421", None], dtype=kind)).counts["empty"] == 1
    with pytest.raises(BittingError, match="a whole table stands where a list of texts is wanted"):
        check_many(load_system("plover"), np.array([["2133244 1124421"]]))  # of a data frame the names would be checked
    with pytest.raises(BittingError, match="one text stands where a list of texts is wanted"):
        check_many(system, "2133345 1123421")
    with pytest.raises(BittingError, match="item 1 is array"):
        check_many(system, ["", np.array([1, 2])])
    with pytest.raises(BittingError, match="item 1 is 2133, which is no text"):
        check_many(system, ["2133345 1123421", 2133])


def test_written_depths_equal_the_canonical_form() -> None:
    for name in [*SHIPPED, *HARD]:
        system = system_named(name)
        codes = list(code_space(system).sample(40, 1))
        flat = np.array([[d for row in code for d in row] for code in codes], np.uint8).T
        assert write_depths(system, flat) == [str(code_of(system, code)) for code in codes]
