"""Zero, scale and tilt of one track by weighted least squares, saying what the measured cuts can't tell apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from attrs import evolve, frozen

Array = npt.NDArray[np.float64]


@frozen
class Term:
    """An estimate and its standard uncertainty; None, None where the measured cuts can't tell it."""

    mean: float | None
    sd: float | None


@frozen
class Row:
    """One measured cut: deviation from nominal, its own standard uncertainty, nominal − shallowest depth, place along
    the blade (−½ to +½), which key it is on, and how people are told of the cut."""

    deviation: float
    sd: float
    depth: float
    along: float
    key: int = 0
    name: str = ""


@frozen
class Fit:
    """The terms of one track, the weighted sum of squares left over and its degrees of freedom.

    `missing` are the terms that can't be told; `assumed` names the terms whose estimate takes the missing ones as none.
    `worst` is the largest standardised residual and its cut.
    """

    zero: Term
    scale: Term
    tilt: Term
    chi_square: float
    dof: int
    missing: tuple[str, ...]
    assumed: tuple[str, ...]
    worst: tuple[float, str] = (0.0, "")

    def widened(self, factor: float) -> Fit:
        """The same with every uncertainty times `factor`."""
        terms = (Term(t.mean, None if t.sd is None else t.sd * factor) for t in (self.zero, self.scale, self.tilt))
        zero, scale, tilt = terms
        return evolve(self, zero=zero, scale=scale, tilt=tilt)


NAMES = ("zero", "scale", "tilt")


def fit_terms(rows: Sequence[Row]) -> Fit:
    """Fit `deviation = zero + scale · depth + tilt · along` to at least one row.

    A term is told apart when its unit vector lies in the row space of the design. Where zero is not, tilt and then
    scale are left out until it is: the zero then takes them as none.
    """
    weight = 1 / np.array([max(row.sd, 1e-9) for row in rows])
    target = np.array([row.deviation for row in rows]) * weight
    whole = np.array([[1.0, row.depth, row.along] for row in rows]) * weight[:, None]
    used = [0, 1, 2]
    assumed: tuple[str, ...] = ()
    while not _told(whole[:, used])[0]:
        used.pop()
        assumed = ("zero",)
    design = whole[:, used]
    told = _told(design)
    # scaled columns, so that a depth in inches and a place without unit weigh alike
    size = np.linalg.norm(design, axis=0)
    size[size == 0] = 1.0
    inverse = np.linalg.pinv(design / size, rcond=1e-10)
    estimate = (inverse @ target) / size
    covariance = (inverse @ inverse.T) / np.outer(size, size)
    rest = target - design @ estimate
    terms = {
        NAMES[j]: Term(float(estimate[i]), float(np.sqrt(covariance[i, i]))) for i, j in enumerate(used) if told[i]
    }
    missing = tuple(name for name in NAMES if name not in terms)
    rank = int(np.linalg.matrix_rank(design / size, tol=1e-10))
    none = Term(None, None)
    return Fit(
        terms.get("zero", none),
        terms.get("scale", none),
        terms.get("tilt", none),
        float(rest @ rest),
        len(rows) - rank,
        missing,
        assumed,
        max((abs(float(r)), row.name) for r, row in zip(rest, rows, strict=True)),
    )


def _told(design: Array) -> list[bool]:
    """Whether each column's coefficient is determined: its unit vector is unchanged by the projection on the row space."""
    size = np.linalg.norm(design, axis=0)
    present = size > 0
    size[~present] = 1.0
    scaled = design / size
    projection = np.linalg.pinv(scaled, rcond=1e-10) @ scaled
    return [bool(present[i] and abs(projection[i, i] - 1) < 1e-7) for i in range(design.shape[1])]
