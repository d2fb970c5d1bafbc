"""Findings: a fault is data; how it is shown is decided elsewhere."""

from __future__ import annotations

from attrs import field, frozen

from bitting.errors import Span
from bitting.model.system import Level
from bitting.model.value import NOT_JSON, Value


@frozen(cache_hash=True)
class Place:
    """A cut of the key: lane and cut, both counted from 0."""

    lane: int
    cut: int


@frozen
class Finding(Value):
    """One fault of a code: which rule, at which cuts (numbered from 1), where in the text, and a message for people.

    `places` are the same cuts with their lanes, counted from 0; `track` and `side` are None where it concerns several.
    """

    rule: str
    level: Level
    sentence: str
    side: str | None
    track: str | None
    cuts: tuple[int, ...]
    span: Span | None
    message: str
    places: tuple[Place, ...] = field(default=(), repr=False, metadata=NOT_JSON)
