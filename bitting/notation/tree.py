"""Text to tree, by the grammars in `grammars/*.lark`; no system is known here.

Codes and readings come from a keyboard, a spreadsheet, a message or a scan; the same dash or blank has many characters
there. `TABLE` replaces each by exactly one character, so a position in the normalised text is the same position in the
text as it was given. Nothing else is changed: a digit or letter that isn't plain (`½`, `²`, `١`) is a fault to be
shown, not a guess to be made.

>>> normalise("left\\uff1a\\u00a02\\u20131\\u2212３")
'left: 2-1-3'

The tree is lark's: `tree.data` names the rule, `tree.meta.start_pos` and `tree.meta.end_pos` its characters in the text
as given, tokens carry the same. Each grammar is read when it is first needed, so that checking a code doesn't build the
parser of readings. Parsing is LALR: linear time, no recursion.

>>> tree = parse_tree("left: 21[34] / right: 1..3")
>>> [(str(cut.data), cut.meta.start_pos, cut.meta.end_pos) for cut in tree.find_pred(lambda t: t.data == "one_of")]
[('one_of', 8, 12)]
"""

from __future__ import annotations

import re
from typing import Literal, cast

from lark import Token, Tree, UnexpectedInput

from bitting.errors import NotationError
from bitting.grammars import parser
from bitting.model.expect import expect
from bitting.model.system import System

Kind = Literal["code", "readings"]
ParseTree = Tree[Token]

LONGEST = 100_000
"""Characters of the longest text that is parsed (about a second); the longest keys need a few hundred."""

DASHES = "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\u2043\ufe58\ufe63\uff0d"
"""Hyphen, non-breaking hyphen, figure dash, en, em, bar, minus, bullet, small em dash, small and full-width hyphen."""

BLANKS = (
    "\t\u00a0\u1680"
    "\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a"  # en and em quads to the hair space
    "\u200b\u200c\u200d\u2060\ufeff"  # of no width: space, non-joiner, joiner, word joiner, byte order mark
    "\u202f\u205f\u3000"  # narrow no-break, medium mathematical, ideographic
)
"""Everything that looks like a blank, or like nothing."""

LINE_ENDS = "\r\x0b\x0c\x85\u2028\u2029"
"""Line ends other than `\\n`; a line end is a blank that also ends a comment."""

FULL_WIDTH = "".join(map(chr, range(0xFF01, 0xFF5F)))
"""The full-width forms of `!` to `~`."""

TABLE: dict[int, str] = (
    {0xFF01 + i: chr(0x21 + i) for i in range(len(FULL_WIDTH))}
    | dict.fromkeys(map(ord, DASHES), "-")
    | dict.fromkeys(map(ord, BLANKS), " ")
    | dict.fromkeys(map(ord, LINE_ENDS), "\n")
)
"""Code point -> the character it is read as."""


def normalise(text: str) -> str:
    """The text with every character of the table replaced; it has the same length."""
    return text.translate(TABLE)


def blank_comments(plain: str) -> str:
    """The normalised text with comments turned into blanks of the same length."""
    if "#" not in plain:
        return plain
    return re.sub(r"#[^\n]*", lambda comment: " " * len(comment[0]), plain)


def branch(node: ParseTree, place: int) -> ParseTree:
    """A child that the grammar says is a node."""
    return cast(ParseTree, node.children[place])


def branches(node: ParseTree) -> list[ParseTree]:
    """The children of a node that holds nodes only."""
    return cast("list[ParseTree]", node.children)


def leaf(node: ParseTree, place: int) -> Token:
    """A child that the grammar says is a token."""
    return cast(Token, node.children[place])


def parse_tree(text: str, kind: Kind = "code", system: System | None = None) -> ParseTree:
    """The parse tree of a code (or of readings).

    Raises NotationError with the place, what is wrong there and what to write instead, in the words of `system`.
    """
    expect(str, text)
    if len(text) > LONGEST:
        raise NotationError(
            f"a text of {len(text)} characters is no {'code' if kind == 'code' else 'list of readings'} of one key",
            hint="give one key at a time; `batch` goes through a file of codes",
            text=text,
            span=(LONGEST, len(text)),
        )
    plain = normalise(text)
    try:
        return parser(kind).parse(plain)
    except UnexpectedInput as fault:
        from bitting.notation.faults import explain  # only a fault needs the table of faults

        raise explain(fault, text, plain, kind, system) from None
