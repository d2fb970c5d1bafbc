"""The parsers of `grammars/*.lark`: built from the grammar, or loaded from tables that a wheel carries.

Building one takes lark 10 to 20 ms, which is a good part of what `bitting check` may cost; so a wheel carries each
grammar's finished tables as a Python module, made from that very grammar when the wheel is built (`hatch_build.py`). A
checkout has none and builds them, and so does an install whose lark has another version than the tables.

>>> parser("code").parse("2133").data
Token('RULE', 'text')

Where the grammars and the shipped system files are found.

In a wheel both folders lie inside the package (`bitting/data/grammars`, `bitting/data/systems`); in a checkout and in
an editable install they stand beside it, where people look for them and edit them.

>>> "plover.toml" in os.listdir(folder("systems"))
True
"""

from __future__ import annotations

import os
from functools import cache
from importlib import import_module
from typing import Any, Literal

from lark import Lark
from lark import __version__ as lark_version

_HERE = os.path.dirname(os.path.realpath(__file__))


def folder(name: Literal["grammars", "systems"]) -> str:
    """The folder of that name: the package's own copy where there is one, otherwise the one beside the package."""
    inside = os.path.join(_HERE, "data", name)
    return inside if os.path.isdir(inside) else os.path.join(os.path.dirname(_HERE), name)


Name = Literal["code", "readings", "rules"]
NAMES: tuple[Name, ...] = ("code", "readings", "rules")


@cache
def parser(name: Name) -> Lark:
    """The parser of one grammar, made once per process."""
    try:
        made = import_module(f"bitting.data.tables.{name}")
    except ModuleNotFoundError:
        return build(name)
    return Lark.load(made.TABLES) if lark_version == made.LARK else build(name)


def build(name: Name) -> Lark:
    """A parser from its grammar file: LALR, positions kept."""
    return Lark.open(
        os.path.join(folder("grammars"), f"{name}.lark"),
        parser="lalr",
        lexer="contextual",
        start="text",
        propagate_positions=True,
        maybe_placeholders=True,
    )


def tables(name: Name) -> str:
    """The source of the module that carries a grammar's tables: plain literals, no pickle."""
    from lark.grammar import Rule
    from lark.lexer import TerminalDef

    data, memo = build(name).memo_serialize([TerminalDef, Rule])
    found = _plain({"data": data, "memo": memo})
    head = f'"""Made from grammars/{name}.lark when the wheel was built; never edited."""'
    return f"{head}\n\nLARK = {lark_version!r}\nTABLES = {found!r}\n"


def _plain(value: Any) -> Any:
    """The same without lark's own kinds of string."""
    if isinstance(value, dict):
        return {_plain(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(_plain(item) for item in value)
    return str(value) if isinstance(value, str) else value
