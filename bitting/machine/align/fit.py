"""Zero, scale and tilt of one track by weighted least squares, saying what the measured cuts can't tell apart.

The space setting from measured places of deep cuts.

A cut's place is midway between its two walls, measured from the stop. One place gives the offset; places at two or more
different spaces give zero and scale: `measured − nominal = zero + scale · (nominal − middle)`, where the middle is halfway
between the first and the last cut of the first track, which is where the zero is known best.

The deviations of a setup key as rows to fit, and where its deep cuts were measured.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen

from bitting.arrays import Floats
from bitting.errors import BittingError
from bitting.geometry.jaw import stand_off
from bitting.machine.inspect.uncertainty import Gauge, hand_scatter, measure, reading_sd_of, split, upper_tail
from bitting.model import Code, Depths, ReadCut, Readings, System
from bitting.notation.lengths import PlaceReading

UNEXPLAINED = 0.01
"""Probability of scatter like this below which measuring alone doesn't explain it."""


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
    `worst` is the largest standardised residual and its cut. `lost` is what every cut deeper than the shallowest is off by
    alike (lost motion of the depth control); only cuts of two such depths tell it from scale.
    """

    zero: Term
    scale: Term
    tilt: Term
    chi_square: float
    dof: int
    missing: tuple[str, ...]
    assumed: tuple[str, ...]
    worst: tuple[float, str] = (0.0, "")
    lost: Term = Term(None, None)

    def widened(self, factor: float) -> Fit:
        """The same with every uncertainty times `factor`."""
        terms = (self.zero, self.scale, self.tilt, self.lost)
        zero, scale, tilt, lost = (Term(t.mean, None if t.sd is None else t.sd * factor) for t in terms)
        return evolve(self, zero=zero, scale=scale, tilt=tilt, lost=lost)


NAMES = ("zero", "scale", "tilt", "lost")


def fit_terms(rows: Sequence[Row]) -> Fit:
    """Fit `deviation = zero + scale · depth + tilt · along + lost · (depth ≠ 0)` to at least one row.

    Lost motion is fitted only where it can be told from scale. A term is told apart when its unit vector lies in the row
    space of the design. Where zero is not, tilt and then scale are left out until it is: the zero then takes them as none.
    """
    weight = 1 / np.array([max(row.sd, 1e-9) for row in rows])
    target = np.array([row.deviation for row in rows]) * weight
    whole = np.array([[1.0, row.depth, row.along, float(abs(row.depth) > 1e-9)] for row in rows]) * weight[:, None]
    used = [0, 1, 2, 3] if all(_told(whole)[i] for i in (0, 1, 3)) else [0, 1, 2]
    fitted = len(used)
    while not _told(whole[:, used])[0]:
        used.pop()
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
    missing = tuple(name for name in NAMES[:3] if name not in terms)
    rank = int(np.linalg.matrix_rank(design / size, tol=1e-10))
    none = Term(None, None)
    return Fit(
        terms.get("zero", none),
        terms.get("scale", none),
        terms.get("tilt", none),
        float(rest @ rest),
        len(rows) - rank,
        missing,
        ("zero",) if len(used) < fitted else (),
        max((abs(float(r)), row.name) for r, row in zip(rest, rows, strict=True)),
        terms.get("lost", none),
    )


def _told(design: Floats) -> list[bool]:
    """Whether each column's coefficient is determined: its unit vector is unchanged by the projection on the row space."""
    size = np.linalg.norm(design, axis=0)
    present = size > 0
    size[~present] = 1.0
    scaled = design / size
    projection = np.linalg.pinv(scaled, rcond=1e-10) @ scaled
    return [bool(present[i] and abs(projection[i, i] - 1) < 1e-7) for i in range(design.shape[1])]


@frozen
class SpaceFit:
    """Zero (a length) and scale (a ratio, None where one place can't tell it) of the space setting."""

    zero: Term
    scale: Term | None


def fit_space(places: Sequence[PlaceReading], system: System, gauge: Gauge) -> SpaceFit | None:
    """Zero and scale of the space setting; None where no place was measured. Every place names its track and cut."""
    if not places:
        return None
    instrument, hand = split(reading_sd_of(system), gauge, system)
    shared = float(np.hypot(instrument, gauge.zero))
    spaces = system.tracks[0].spaces
    middle, rows = (spaces[0] + spaces[-1]) / 2, []
    for place in places:
        nominal = system.track(place.track or system.tracks[0].name).spaces[place.cut or 0]
        own = hand if place.sd is None else place.sd
        rows.append(
            Row(
                deviation=sum(place.values) / len(place.values) - nominal,
                sd=own / len(place.values) ** 0.5,
                depth=nominal - middle,
                along=0.0,
            )
        )
    if len({round(row.depth, 9) for row in rows}) == 1:  # one place: its error is the offset, wherever the middle is
        rows = [Row(row.deviation, row.sd, 0.0, 0.0) for row in rows]
    fit = fit_terms(rows)
    if fit.dof and upper_tail(fit.chi_square, fit.dof) < UNEXPLAINED:
        again = "measure each once more, from the stop and midway between its walls, or leave the places out"
        raise BittingError("the places contradict each other by more than measuring explains", hint=again)
    sd = None if fit.zero.sd is None else float(np.hypot(fit.zero.sd, shared))
    return SpaceFit(Term(fit.zero.mean, sd), None if fit.scale.mean is None else fit.scale)


Lane = tuple[str | None, str]
Scatter = tuple[float, int] | None


def setup_depths(system: System, code: Code | None) -> Depths:
    if code is None:
        setup = system.need("cutting.setup")
        return tuple(
            tuple(setup.depth if i == setup.cut else 0 for i in range(lane.track.cuts)) for lane in system.lanes
        )
    if code.depths is None:
        raise BittingError("the setup key's code must be complete", hint="`bitting check` says what is wrong")
    return code.depths


def rows_of(keys: Sequence[Readings], system: System, depths: Depths, gauge: Gauge) -> dict[Lane, list[Row]]:
    """The deviations of every track on every side that was measured, jaw allowed for.

    Readings across two tracks stand for the mean of the two (track "across"), and count where no single track was read.
    """
    out: dict[Lane, list[Row]] = {}
    for number, key in enumerate(keys):
        scatter, _ = hand_scatter(key.cuts, gauge, system)
        for cut in key.cuts:
            if cut.readings:
                row = _row(cut, system, depths, gauge, scatter, number)
                out.setdefault((cut.side, cut.track), []).append(row)
    single = {lane: rows for lane, rows in out.items() if lane[1] != "across"}
    order = [track.name for track in system.tracks] + ["across"]
    return dict(sorted((single or out).items(), key=lambda item: (item[0][0] or "", order.index(item[0][1]))))


def _row(cut: ReadCut, system: System, depths: Depths, gauge: Gauge, scatter: Scatter, number: int) -> Row:
    """One cut that was read; two opposite ones that were read together count as their mean."""
    across = system.need("measuring.across") if cut.track == "across" else None
    faces = ((cut.side, cut.track),) if across is None else across.of(cut.side)
    tracks, many = [system.track(name) for _, name in faces], len(faces)
    rows = [depths[system.lane_of(*face)] for face in faces]
    jaws = [stand_off(system, track, row, cut.cut, gauge.jaw) for track, row in zip(tracks, rows, strict=True)]
    mean, budget = measure(cut, gauge, system, float(np.linalg.norm([jaw.sd for jaw in jaws])), scatter)
    total = mean if across is None else across.scale * (mean - across.amount)
    stood_off = sum(track.deeper * jaw.mean for track, jaw in zip(tracks, jaws, strict=True))
    nominal = sum(track.depths[row[cut.cut]] for track, row in zip(tracks, rows, strict=True))
    return Row(
        deviation=(total + stood_off - nominal) / many,
        sd=float(np.hypot(budget.own / many, (system.measuring.cut_sd or 0.0) / many**0.5)),
        depth=(nominal - sum(track.depths[0] for track in tracks)) / many,
        along=tracks[0].along(cut.cut),
        key=number,
        name=" ".join(filter(None, (cut.side, cut.track, str(cut.cut + 1)))),
    )


def all_places(
    keys: Sequence[Readings], places: Sequence[PlaceReading], system: System, depths: Depths
) -> list[PlaceReading]:
    """The places given with the readings and beside them; a place with no cut named is the first deep cut's."""
    written = [
        PlaceReading((cut.place,), cut.track, cut.cut) for key in keys for cut in key.cuts if cut.place is not None
    ]
    out = []
    for place in (*written, *places):
        name = place.track or system.tracks[0].name
        row = next(
            row
            for lane, row in zip(system.lanes, depths, strict=True)
            if lane.track.name == name and place.side in (None, lane.side or place.side)
        )
        cut = place.cut if place.cut is not None else next((i for i, d in enumerate(row) if d), None)
        if cut is None or not 0 <= cut < len(row):
            raise BittingError(
                f"no place can be judged at cut {'?' if cut is None else cut + 1} of {name}",
                hint=f"{name} has cuts 1 to {len(row)}; say which one was measured, as in `{name} 4: 14.52`",
            )
        spaces, value = system.track(name).spaces, sum(place.values) / len(place.values)
        nearest = min(range(len(spaces)), key=lambda i: abs(spaces[i] - value))
        if nearest != cut:
            raise BittingError(
                f"a place of {value:g} {system.unit} at {name} {cut + 1} is nearer cut {nearest + 1}, at {spaces[nearest]:g}",
                hint=f"cut {cut + 1} sits {spaces[cut]:g} from the {system.stop} stop; measure from there, midway between "
                "its walls, or say which cut it was (`left 4: 14.52`)",
            )
        out.append(evolve(place, track=name, cut=cut))
    return out
