"""The answer of `bitting complete`, as frozen values; `as_dict` is the command's JSON."""

from __future__ import annotations

from typing import Any

import attrs
from attrs import frozen


@frozen
class Fact:
    """What knowing one open cut would leave on average: codes, and blanks (None where there are too many to say)."""

    side: str | None
    track: str
    cut: int
    codes: float
    blanks: float | None

    def as_dict(self) -> dict[str, Any]:
        """As JSON."""
        return attrs.asdict(self)


@frozen
class CutLeft:
    """One cut that was asked about and the depths that a candidate has there, as labels, shallowest first."""

    side: str | None
    track: str
    cut: int
    depths: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {"side": self.side, "track": self.track, "cut": self.cut, "depths": list(self.depths)}


@frozen
class Completion:
    """The candidates of a code with open cuts.

    `count` is exact. `codes` are the first of them, at most as many as were asked for: in the order of the code, or the
    likeliest first where `probabilities` stand beside them (`not_ranked` is the most that any of those can be off);
    `complete` says whether these are all. `tries` are the
    blanks, each with the codes that it tries one after the other by deepening; they hold every candidate once. `blanks`
    is their number when no fewer would do, as `rivals` prove; otherwise None, between the two bounds. `cuts` are the
    depths that are left at each cut.
    """

    count: int
    codes: tuple[str, ...]
    blanks: int | None
    tries: tuple[tuple[str, ...], ...]
    complete: bool
    blanks_at_least: int
    blanks_at_most: int
    rivals: tuple[str, ...] = ()
    facts: tuple[Fact, ...] = ()
    cuts: tuple[CutLeft, ...] = ()
    probabilities: tuple[float, ...] | None = None
    not_ranked: float | None = None
    lock: str | None = None
    keys: tuple[tuple[str | None, ...], ...] | None = None

    def as_dict(self) -> dict[str, Any]:
        """The JSON of the command."""
        return {
            "count": self.count,
            "codes": list(self.codes),
            "blanks": self.blanks,
            "tries": [list(codes) for codes in self.tries],
            "complete": self.complete,
            "blanks_at_least": self.blanks_at_least,
            "blanks_at_most": self.blanks_at_most,
            "rivals": list(self.rivals),
            "cuts": [cut.as_dict() for cut in self.cuts],
            "facts": [fact.as_dict() for fact in self.facts],
            "probabilities": None if self.probabilities is None else list(self.probabilities),
            "not_ranked": self.not_ranked,
            "lock": self.lock,
            "keys": None if self.keys is None else [list(keys) for keys in self.keys],
        }
