"""The answer of `bitting complete`, as frozen values; `as_dict` is the command's JSON."""

from __future__ import annotations

from attrs import frozen

from bitting.model.value import Answer, Value


@frozen
class Fact(Value):
    """What knowing one open cut would leave on average: codes, and blanks (None where there are too many to say)."""

    side: str | None
    track: str
    cut: int
    codes: float
    blanks: float | None


@frozen
class CutLeft(Value):
    """One cut that was asked about and the depths that a candidate has there, as labels, shallowest first."""

    side: str | None
    track: str
    cut: int
    depths: tuple[str, ...]


@frozen
class Completion(Answer):
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
