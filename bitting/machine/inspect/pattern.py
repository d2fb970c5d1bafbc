"""What the deviations of a key have in common, in words: the error behind the errors.

The deviations of all cuts (towards deeper counted positive) are explained by as few of these as will do:

- *zero*: every cut off by the same;
- *left-right*: the first track deeper by what the second is shallower;
- *tilt*: growing along the blade; *twist*: growing along the blade on one track and falling on the other;
- *scale*: off in proportion to the depth below the shallowest;
- *side*: one face deeper, the other shallower.

The term that lowers the weighted sum of squares most is taken first, then the next, as long as it lowers it by more
than 9 (three standard deviations) times the scatter that is left over, and what it does at its worst place is at least
a fifth of the tolerance. Between explanations that fit alike nothing can choose: it is a hint where to look.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from attrs import frozen

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Array = npt.NDArray[np.float64]

THRESHOLD = 9.0
RELEVANT = 0.2


@frozen
class Point:
    """One measured cut: how much too deep it is, its own standard uncertainty, and where it stands.

    `along` runs from -1/2 at the first cut to +1/2 at the last; `down` from 0 at the shallowest depth to 1 at the
    deepest; `hand` is +1 on the first track, -1 on the second, 0 where there are not two; `face` the same for sides.
    """

    too_deep: float
    own: float
    along: float
    down: float
    hand: int = 0
    face: int = 0


@frozen
class Pattern:
    """One common error: its `kind`, its size at its worst place in the system's unit, its uncertainty, and the words.

    `amount` counts towards deeper: for `tilt` and `twist` from the first cut to the last (first track), for
    `left-right` and `side` half the difference (first minus second), for `scale` at the deepest depth.
    """

    kind: str
    amount: float
    sd: float
    message: str
    likely: str


def candidates(points: Sequence[Point]) -> dict[str, Array]:
    """The terms that these cuts could show, as columns; those that the cuts can't tell from nothing are left out."""
    import numpy as np

    along = np.array([p.along for p in points])
    down = np.array([p.down for p in points])
    hand = np.array([float(p.hand) for p in points])
    face = np.array([float(p.face) for p in points])
    found = {"zero": np.ones(len(points)), "tilt": along, "scale": down}
    if {1.0, -1.0} <= set(hand):
        found |= {"left-right": hand, "twist": along * hand}
    if {1.0, -1.0} <= set(face):
        found["side"] = face
    return {name: column for name, column in found.items() if np.ptp(np.abs(column)) > 1e-9 or column.any()}


def find(points: Sequence[Point], tolerance: float, names: tuple[str, str] = ("left", "right")) -> tuple[Pattern, ...]:
    """The patterns in the deviations of a key; `names` are its first and second track. Fewer than four cuts: none."""
    if len(points) < 4:
        return ()
    floor = tolerance * 1e-3
    if sum((p.too_deep / max(p.own, floor)) ** 2 for p in points) <= THRESHOLD:
        return ()  # no term can lower it by more than there is, and numpy needn't be waited for
    import numpy as np

    weight = 1 / np.array([max(p.own, floor) for p in points])
    target = np.array([p.too_deep for p in points]) * weight
    columns = {name: column * weight for name, column in candidates(points).items()}
    chosen: list[str] = []
    fit = np.zeros(0)
    covariance = np.zeros((0, 0))
    left = float(target @ target)
    while len(chosen) < min(3, len(points) - 2):
        tried = {n: _solve([columns[c] for c in (*chosen, n)], target) for n in columns if n not in chosen}
        trials = {n: trial for n, trial in tried.items() if trial is not None}
        if not trials:
            break
        best, trial = min(trials.items(), key=lambda item: item[1][2])
        scatter = max(1.0, trial[2] / max(1, len(points) - len(chosen) - 1))
        if left - trial[2] <= THRESHOLD * scatter:
            break
        chosen.append(best)
        fit, covariance, left = trial[0], trial[1] * scatter, trial[2]
    patterns = (
        _pattern(kind, float(value), float(covariance[i, i]) ** 0.5, names)
        for i, (kind, value) in enumerate(zip(chosen, fit, strict=True))
    )
    return tuple(p for p in patterns if _worst(p) >= RELEVANT * tolerance)


def _worst(pattern: Pattern) -> float:
    """What one cut is off by it: of a tilt, which is told from end to end, each end has half."""
    return abs(pattern.amount) / (2 if pattern.kind in ("tilt", "twist") else 1)


def _solve(columns: Sequence[Array], target: Array) -> tuple[Array, Array, float] | None:
    """Least squares: estimates, covariance, remaining sum of squares; None where the columns can't be told apart."""
    import numpy as np

    design = np.stack(columns, axis=1)
    normal = design.T @ design
    if np.linalg.cond(normal) > 1e10:
        return None
    inverse: Array = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    estimate = inverse @ design.T @ target
    rest = target - design @ estimate
    return estimate, inverse, float(rest @ rest)


def _pattern(kind: str, value: float, sd: float, names: tuple[str, str]) -> Pattern:
    first, second = names
    way = "deep" if value > 0 else "shallow"
    other = "shallow" if value > 0 else "deep"
    ends = "tip" if value > 0 else "bow"
    message, likely = {
        "zero": (
            f"the cuts are too {way} on average",
            "the depth zero, a reground or wrong cutter, or the zero of the caliper",
        ),
        "left-right": (f"{first} too {way}, {second} too {other}", "the blank lies off centre in the clamp"),
        "tilt": (f"cuts get deeper towards the {ends}", "the blank lies askew in the clamp, or lifts at one end"),
        "twist": (
            f"{first} gets {'deeper' if value > 0 else 'shallower'} towards the tip and {second} the other way",
            "the blank is turned a little in the clamp",
        ),
        "scale": (
            f"deep cuts are too {way} and shallow ones are right",
            "the depth scale: turns per step, or a wrong depth table",
        ),
        "side": (f"one side too {way}, the other too {other}", "one face wasn't seated on the clamp"),
    }[kind]
    return Pattern(kind, value, sd, message, likely)
