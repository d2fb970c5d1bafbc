"""Codes and readings as people write them (grammars in `grammars/*.lark`), read into values.

`parse_tree` knows no system: it yields a tree with the character span of every node. `parse_code` and `parse_readings`
resolve the tree against a system. Positions are those of the text as given: `TABLE` lists the characters that are read
as others, one for one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bitting.notation.code import parse_code
from bitting.notation.tree import TABLE, normalise, parse_tree

if TYPE_CHECKING:
    from bitting.model import Readings, System

__all__ = ["TABLE", "normalise", "parse_code", "parse_readings", "parse_tree", "plain"]


def plain(text: str, system: System) -> str:
    """A canonical code of a system the way people write it (`Code.plain`)."""
    return parse_code(text, system).plain if system.sided else text


def parse_readings(text: str, system: System, unit: str | None = None, lock: str | None = None) -> Readings:
    """The readings that `text` is for `system`; see `bitting.notation.readings.parse_readings`.

    `unit` (mm, in, thou) is meant where the text names none; with `lock`, lists may hold that lock's cuts alone.
    """
    from bitting.notation.readings import parse_readings as parse  # a check of a code doesn't need it

    return parse(text, system, unit, lock)
