"""Text to tree, by the grammars in `grammars/*.lark`; no system is known here.

The tree is lark's: `tree.data` names the rule, `tree.meta.start_pos` and `tree.meta.end_pos` its characters in the text
as given (normalising keeps every position), tokens carry the same. Each grammar is read when it is first needed, so
that checking a code doesn't build the parser of readings. Parsing is LALR: linear time, no recursion.

>>> tree = parse_tree("left: 21[34] / right: 1..3")
>>> [(str(cut.data), cut.meta.start_pos, cut.meta.end_pos) for cut in tree.find_pred(lambda t: t.data == "one_of")]
[('one_of', 8, 12)]
"""

from __future__ import annotations

from typing import Literal, cast

from lark import Token, Tree, UnexpectedInput

from bitting.errors import NotationError
from bitting.grammars import parser
from bitting.notation.normalise import normalise

Kind = Literal["code", "readings"]
ParseTree = Tree[Token]

LONGEST = 100_000
"""Characters of the longest text that is parsed (about a second); the longest keys need a few hundred."""


def branch(node: ParseTree, place: int) -> ParseTree:
    """A child that the grammar says is a node."""
    return cast(ParseTree, node.children[place])


def branches(node: ParseTree) -> list[ParseTree]:
    """The children of a node that holds nodes only."""
    return cast("list[ParseTree]", node.children)


def leaf(node: ParseTree, place: int) -> Token:
    """A child that the grammar says is a token."""
    return cast(Token, node.children[place])


def parse_tree(text: str, kind: Kind = "code") -> ParseTree:
    """The parse tree of a code (or of readings).

    Raises NotationError with the place, what is wrong there and what to write instead.
    """
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
        from bitting.notation.slips import explain  # only a slip needs the table of slips

        raise explain(fault, text, plain, kind) from None
