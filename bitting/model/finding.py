"""Findings: a fault is data; how it is shown is decided elsewhere."""

from __future__ import annotations

from typing import Any

from attrs import field, frozen

from bitting.errors import Span
from bitting.model.system import Level


@frozen(cache_hash=True)
class Place:
    """A cut of the key: lane and cut, both counted from 0."""

    lane: int
    cut: int


@frozen
class Finding:
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
    places: tuple[Place, ...] = field(default=(), repr=False)

    def as_dict(self) -> dict[str, Any]:
        """The JSON of one finding."""
        return {
            "rule": self.rule,
            "level": self.level,
            "sentence": self.sentence,
            "side": self.side,
            "track": self.track,
            "cuts": list(self.cuts),
            "span": None if self.span is None else list(self.span),
            "message": self.message,
        }
