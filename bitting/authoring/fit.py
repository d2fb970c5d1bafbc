"""A chart from measured keys: depths by least squares (or as a mixture where no code is known), spaces from places read.

What a reading is made of: the dimension of its depth, an error that all readings of its key share (zero, plating, even
wear), a tilt along the blade and a left-right difference per key, and noise of its own (caliper, the cut, uneven wear)
whose size is estimated key by key from the residuals. The shared errors have the spread that the chart's `[measuring]`
states; the dimensions have none. All of it is one linear problem with prior rows, solved by weighted least squares; readings
far from everything are left out and named.

What no number of worn keys can tell is the level of the whole chart: wear and a caliper's zero move all readings alike. So
it takes an *anchor*: one dimension that is known, one key that is new, or a key of known code measured with the same
caliper. Without one only the steps between depths are given.

Where codes aren't known, depths are taken to be evenly stepped and every depth as likely as any other: a mixture of as
many normal distributions as the chart has depths, whose step and level are found by maximum likelihood. It says which
depth each cut is; with that, step and level are two unknowns of the same linear problem.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import hypot, sqrt
from typing import Any

import numpy as np
from attrs import evolve, field, frozen

from bitting.arrays import Array
from bitting.decoding.grid import lane_signs, places_along
from bitting.decoding.model import MeasurementModel, model_of, wear_scales
from bitting.decoding.positions import PLACE_SD, SHIFT_SD
from bitting.errors import BittingError
from bitting.geometry.jaw import contact_said, stand_offs
from bitting.model import Code, Depths, Place, Readings, System, Track
from bitting.model.value import Value
from bitting.text import DIGITS

FAR = 4.5
"""A reading so many standard deviations off is left out, one at a time, the furthest first."""
PRIOR_READINGS = 6
"""The stated size of the noise counts as so many readings beside the residuals of one key."""
WEAR_UNKNOWN = 0.5
"""The share of the stated mean wear that its own standard uncertainty is, where a level has to rely on it."""
ROUNDS = 4
OFF = 3.0
"""A chart's dimension so many standard uncertainties off is named."""


@frozen
class Key:
    """One measured key; `row` names it for people, `code` is None where it isn't known."""

    row: int
    readings: Readings
    code: Code | None = None


@frozen
class Anchor:
    """What fixes the level: `known` is the dimension of a depth (table, place, dimension); `new` the row of an unworn key;
    `zero` the caliper's (mean, sd) by a key of known code. At most one is set."""

    known: tuple[int, int, float] | None = None
    new: int | None = None
    zero: tuple[float, float] | None = None


@frozen
class Estimate(Value):
    """A figure with its standard uncertainty, in the system's unit."""

    mean: float
    sd: float


@frozen
class Fitted:
    """What the keys say of the chart.

    `depths` and `steps` are by table (the tracks that share one, by the first one's name) and label; a step is named by the
    label it leads to. `anchor` says in words what the level stands on, "" where nothing does (then `depths` is empty).
    `scatter` is how far readings lie about their depths within a key, `noise` what was reckoned with (the stated figures have
    a part in it). `spaces` are by track and cut (from 0). `left_out` are readings that fit nothing: (row, track, cut from 0,
    how far off).
    """

    system: System = field(repr=False)
    keys: int
    readings: int
    anchor: str
    depths: Mapping[tuple[str, str], Estimate]
    steps: Mapping[tuple[str, str], Estimate]
    spaces: Mapping[tuple[str, int], Estimate]
    scatter: float
    noise: float
    left_out: tuple[tuple[int, str, int, float], ...] = ()
    notes: tuple[str, ...] = ()

    def off_chart(self) -> list[tuple[tuple[str, str], float, Estimate]]:
        """The dimensions (steps, without an anchor) of the chart that the keys contradict: (table and label, chart, found)."""
        shown = 0.5 / 10 ** DIGITS[self.system.unit]
        return [
            (key, chart, found)
            for key, found in (self.depths or self.steps).items()
            if abs(found.mean - (chart := self.chart(key, step=not self.depths))) > max(OFF * found.sd, shown)
        ]

    def chart(self, key: tuple[str, str], *, step: bool = False) -> float:
        """The dimension (or the step that leads to it) that the chart has."""
        track = self.system.track(key[0])
        place = track.labels.index(key[1])
        return track.depths[place] - (track.depths[place - 1] if step else 0.0)

    def as_dict(self) -> dict[str, Any]:
        """The JSON of `systems fit`; with several different tables a label stands behind its track's name."""
        one = len({track for track, _ in (*self.depths, *self.steps)}) <= 1
        spaces: dict[str, dict[str, Any]] = {}
        for (track, cut), found in self.spaces.items():
            spaces.setdefault(track, {})[str(cut + 1)] = found.as_dict()

        def named(table: Mapping[tuple[str, str], Estimate]) -> dict[str, Any]:
            return {label if one else f"{track} {label}": found.as_dict() for (track, label), found in table.items()}

        return {
            "system": self.system.name,
            "unit": self.system.unit,
            "keys": self.keys,
            "readings": self.readings,
            "anchor": self.anchor or None,
            "depths": named(self.depths),
            "steps": named(self.steps),
            "spaces": spaces,
            "scatter": self.scatter,
            "noise": self.noise,
            "left_out": [
                {"row": row, "track": track, "cut": cut + 1, "off": off} for row, track, cut, off in self.left_out
            ],
            "notes": list(self.notes),
        }


@frozen
class _Seen:
    """One cut that was read: which key, track and cut; its table and depth (-1: not known); value, variance of its mean
    from the caliper alone, place along the blade (-½ to ½), left-right sign."""

    key: int
    track: str
    cut: int
    table: int
    depth: int
    value: float
    variance: float
    along: float
    sign: int


def fit_chart(system: System, keys: Sequence[Key], anchor: Anchor | None = None) -> Fitted:
    """The chart that measured keys show. All of their codes are known, or none (keys without one are left out otherwise).

    Raises `BittingError` where too little was read.
    """
    coded = [key for key in keys if key.code is not None]
    notes = []
    used = coded or list(keys)
    if coded and len(coded) < len(keys):
        notes.append(f"{len(keys) - len(coded)} keys have no code and were left out, as the others have one")
    problem = _Problem(system, used, anchor or Anchor(), model_of(system), _tables(system))
    seen = [cut for number, key in enumerate(used) for cut in problem.cuts(number, key)]
    if len(used) < 2 or len(seen) < 6:
        raise BittingError(
            f"{len(used)} key{'s' * (len(used) != 1)} with {len(seen)} cuts read say too little of a chart",
            hint="measure several keys, every cut of each",
        )
    found = problem.with_codes(seen) if coded else problem.without_codes(seen)
    spaces, space_notes = _spaces(system, used)
    return evolve(found, spaces=spaces, notes=(*notes, *found.notes, *space_notes))


def _tables(system: System) -> list[str]:
    """The tracks whose depth tables differ, by name; a track that repeats another's table isn't among them."""
    first: dict[tuple[object, ...], str] = {}
    for track in system.tracks:
        first.setdefault((track.labels, track.depths, track.measured), track.name)
    return list(first.values())


def table_of(system: System, name: str) -> int:
    """Which of the different depth tables a track has."""
    track = system.track(name)
    tables = enumerate(map(system.track, _tables(system)))
    return next(i for i, other in tables if (other.labels, other.depths) == (track.labels, track.depths))


@frozen
class _Solved:
    """The linear problem solved: `basis` (dimensions, unknowns of the chart) gives the dimensions of `columns`.

    `seen` are the cuts that it was solved for, `left_out` those that were too far off.
    """

    columns: Sequence[tuple[int, int]]
    basis: Array
    solution: Array
    covariance: Array
    variances: Array
    seen: list[_Seen]
    left_out: list[_Seen]

    def shared(self, cut: _Seen) -> float:
        """The errors that a cut shares with the others of its key."""
        size = self.basis.shape[1]
        offset, tilt, pair = self.solution[size:].reshape(3, -1)[:, cut.key]
        return float(offset + tilt * cut.along + pair * cut.sign)

    def functional(self, row: Array) -> Array:
        """A combination of dimensions as one of the solution."""
        wide = np.zeros((*row.shape[:-1], len(self.solution)))
        wide[..., : self.basis.shape[1]] = row @ self.basis
        return wide


@frozen
class _Problem:
    """Keys to be fitted together; `tables` are the tracks whose depth tables differ."""

    system: System
    keys: Sequence[Key]
    anchor: Anchor
    model: MeasurementModel
    tables: list[str]

    def cuts(self, number: int, key: Key) -> Iterator[_Seen]:
        """The cuts of one key that were read, each once, corrected for the caliper's jaw where the code is known."""
        system, signs, along = self.system, lane_signs(self.system), places_along(self.system)
        depths: Depths | None = None if key.code is None else key.code.depths
        if key.code is not None and depths is None:
            raise BittingError(
                f"row {key.row}: the code is not a whole one", hint="give every cut its depth, or leave the code out"
            )
        jaw = system.measuring.jaw
        for cut in key.readings.cuts:
            if not cut.readings or cut.track == "across":
                continue
            lane, many = system.lane_of(cut.side, cut.track), len(cut.readings)
            track = system.lanes[lane].track
            value = sum(r.value for r in cut.readings) / many
            variance = sum(self.model.uncertainty(r) ** 2 for r in cut.readings) / many**2
            depth = -1 if depths is None else depths[lane][cut.cut]
            if depths is not None and jaw and (stands := stand_offs(system, track, jaw)) is not None:
                value += track.deeper * stands.of(depths[lane], cut.cut)
            table, where = table_of(system, cut.track), along[Place(lane, cut.cut)]
            yield _Seen(number, cut.track, cut.cut, table, depth, value, variance, where, signs[lane])

    def solve(self, seen: Sequence[_Seen], columns: Sequence[tuple[int, int]], basis: Array) -> _Solved:
        """Weighted least squares with the noise of each key estimated, without the readings that are far off."""
        model, many, size = self.model, len(self.keys), basis.shape[1]
        kept, left_out = list(seen), list[_Seen]()
        base = np.full(many, model.cut_sd**2 + _wear_variance(model))
        spread = base.copy()
        shared = (_shared_sd(model), max(model.tilt_sd, 1e-9), max(model.left_right_sd, 1e-9))
        prior = np.repeat(1 / np.array(shared) ** 2, many)
        while True:
            rows, values, variances = _rows(kept, columns, basis, many, spread)
            normal = (rows / variances[:, None]).T @ rows
            normal[size:, size:] += np.diag(prior)
            covariance = np.linalg.inv(normal)
            solution = covariance @ ((rows / variances[:, None]).T @ values)
            residuals = values - rows @ solution
            scaled = np.abs(residuals) / np.sqrt(variances)
            worst = int(scaled.argmax())
            alike = sum((cut.table, cut.depth) == (kept[worst].table, kept[worst].depth) for cut in kept)
            if scaled[worst] > FAR and alike > 1:
                left_out.append(kept.pop(worst))
                continue
            renewed = _spread_of(kept, residuals, base, many)
            if np.allclose(renewed, spread, rtol=0.02):
                covariance = covariance * _small_sample(len(kept), size)
                return _Solved(columns, basis, solution, covariance, variances, kept, left_out)
            spread = renewed

    def with_codes(self, seen: list[_Seen]) -> Fitted:
        """Codes known: every dimension is an unknown of its own."""
        columns = sorted({(cut.table, cut.depth) for cut in seen})
        unread = [
            f"{label} of {name}" if len(self.tables) > 1 else label
            for t, name in enumerate(self.tables)
            for d, label in enumerate(self.system.track(name).labels)
            if (t, d) not in columns
        ]
        notes = [f"no key has depth {', '.join(unread)}, so nothing is said of it"] if unread else []
        if self.system.measuring.jaw:
            notes.append(
                f"read with {contact_said(self.system)}: what it stands off a narrower cut is allowed for (else --jaw)"
            )
        return self.told(self.solve(seen, columns, np.eye(len(columns))), tuple(notes))

    def told(self, solved: _Solved, notes: tuple[str, ...]) -> Fitted:
        """What follows from a solution: steps, and dimensions where there is an anchor."""
        columns, covariance, each = solved.columns, solved.covariance, np.eye(len(solved.columns))
        labels = [(self.tables[t], self.system.track(self.tables[t]).labels[d]) for t, d in columns]
        level, extra, said = self.level(solved)
        depths = {}
        if said:
            functionals = solved.functional(each) + level
            means = functionals @ solved.solution + extra[0]
            variances = np.einsum("ij,jk,ik->i", functionals, covariance, functionals)
            sds = np.sqrt(np.maximum(0.0, variances) + extra[1] ** 2)
            depths = {label: Estimate(float(m), float(s)) for label, m, s in zip(labels, means, sds, strict=True)}
        steps = {}
        for i, (table, depth) in enumerate(columns):
            if i and columns[i - 1] == (table, depth - 1):
                row = solved.functional(each[i] - each[i - 1])
                steps[labels[i]] = Estimate(float(row @ solved.solution), float(sqrt(row @ covariance @ row)))
        dimensions = dict(zip(columns, solved.basis @ solved.solution[: solved.basis.shape[1]], strict=True))
        off = []
        for cut in solved.left_out:
            fitted = float(dimensions[cut.table, cut.depth]) + solved.shared(cut)
            off.append((self.keys[cut.key].row, cut.track, cut.cut, cut.value - fitted))
        apart: dict[int, list[float]] = {}
        for cut in solved.seen:
            apart.setdefault(cut.key, []).append(
                cut.value - float(dimensions[cut.table, cut.depth]) - solved.shared(cut)
            )
        squares = sum(float(np.var(own)) * len(own) for own in apart.values())
        scatter = sqrt(squares / max(len(solved.seen) - len(apart), 1))
        noise = float(np.sqrt(np.mean(solved.variances)))
        many, read = len(self.keys), len(solved.seen)
        return Fitted(self.system, many, read, said, depths, steps, {}, scatter, noise, tuple(off), notes)

    def level(self, solved: _Solved) -> tuple[Array, tuple[float, float], str]:
        """What the anchor adds to every dimension: a linear functional of the solution, an amount with its sd, and why."""
        system, model, row, unit = self.system, self.model, np.zeros(len(solved.solution)), self.system.unit
        if self.anchor.known is not None:
            table, depth, dimension = self.anchor.known
            if (table, depth) not in solved.columns:
                raise BittingError(
                    "no key has the depth whose dimension is known", hint="name a depth that was measured"
                )
            own = np.eye(len(solved.columns))[solved.columns.index((table, depth))]
            label = system.track(self.tables[table]).labels[depth]
            label += f" of {self.tables[table]}" * (len(self.tables) > 1)
            said = f"depth {label} is known to be {dimension:g} {unit}"
            return -solved.functional(own), (dimension, 0.0), said
        if self.anchor.new is not None:
            number = next((i for i, key in enumerate(self.keys) if key.row == self.anchor.new), None)
            if number is None:
                raise BittingError(
                    f"there is no key in row {self.anchor.new}", hint="rows are counted as in the file, its header too"
                )
            row[solved.basis.shape[1] + number] = 1
            sure = f"its zero and plating ± {model.offset_sd:g} {unit}"
            return row, (0.0, model.offset_sd), f"the key in row {self.anchor.new} is new; {sure}"
        if self.anchor.zero is not None:
            zero, sd = self.anchor.zero
            # The shared errors of the keys average to the caliper's zero and the mean wear; their own spread is in the solution.
            worn = sum(p * scale for scale, p in wear_scales(model))
            doubt = WEAR_UNKNOWN * worn
            by = f"the caliper's zero by a known key, {zero:+.2g} ± {sd:.2g} {unit}"
            said = f"{by}; mean wear taken as {worn:.2g} ± {doubt:.2g}"
            return row, (-zero - system.tracks[0].deeper * worn, hypot(sd, doubt)), said
        return row, (0.0, 0.0), ""

    def without_codes(self, seen: list[_Seen]) -> Fitted:
        """Codes not known: evenly stepped depths. A mixture finds step, level and each cut's depth; least squares the rest."""
        if len(self.tables) > 1:
            raise BittingError("the tracks have different depth tables", hint="give the codes of the keys")
        track, many = self.system.track(self.tables[0]), len(self.keys)
        level, step, offsets = _lattice(track, seen, many, self.model)
        shared = [float(offsets[cut.key]) for cut in seen]
        lattice = level, step, len(track.labels)
        solved = self.nearest(seen, shared, lattice)
        apart = []
        for without in range(many):  # which depth a cut is may hang on a single key: the jackknife shows how much
            rest = [i for i, cut in enumerate(seen) if cut.key != without]
            some = self.nearest([seen[i] for i in rest], [shared[i] for i in rest], lattice)
            apart.append(some.solution[:2] - solved.solution[:2])
        spread = np.array(apart)
        solved.covariance[:2, :2] += spread.T @ spread * (many - 1) / many
        note = (
            "codes not known: depths taken to be evenly stepped and each as likely as any other, every cut as the "
            "nearest depth"
        )
        return self.told(solved, (note,))

    def nearest(self, seen: Sequence[_Seen], shared: Sequence[float], lattice: tuple[float, float, int]) -> _Solved:
        """Evenly stepped depths by least squares, every cut taken as the depth nearest to it, until none changes."""
        level, step, count = lattice
        columns = [(0, depth) for depth in range(count)]
        basis = np.stack([np.ones(count), np.arange(count)], axis=1)
        kept, left_out = list(seen), list[_Seen]()
        for _ in range(ROUNDS):
            places = [(cut.value - off - level) / step for cut, off in zip(kept, shared, strict=True)]
            nearest = [int(np.clip(round(place), 0, count - 1)) for place in places]
            settled = nearest == [cut.depth for cut in kept]
            kept = [evolve(cut, depth=depth) for cut, depth in zip(kept, nearest, strict=True)]
            solved = self.solve(kept, columns, basis)
            kept, left_out = solved.seen, left_out + solved.left_out
            level, step = (float(x) for x in solved.solution[:2])
            shared = [solved.shared(cut) for cut in kept]
            if settled:
                break
        return evolve(solved, left_out=left_out)


def _shared_sd(model: MeasurementModel) -> float:
    """Spread of the level of a key: zero and plating, and the mean wear that differs from key to key."""
    scales = wear_scales(model)
    mean = sum(p * s for s, p in scales)
    return hypot(model.offset_sd, sqrt(max(0.0, sum(p * (s - mean) ** 2 for s, p in scales))))


def _rows(
    seen: Sequence[_Seen], columns: Sequence[tuple[int, int]], basis: Array, many: int, spread: Array
) -> tuple[Array, Array, Array]:
    """The design matrix (unknowns of the chart, then offset, tilt and left-right of each key), values and variances."""
    size, place = basis.shape[1], {column: i for i, column in enumerate(columns)}
    rows = np.zeros((len(seen), size + 3 * many))
    for i, cut in enumerate(seen):
        rows[i, :size] = basis[place[cut.table, cut.depth]]
        rows[i, size + cut.key] = 1
        rows[i, size + many + cut.key] = cut.along
        rows[i, size + 2 * many + cut.key] = cut.sign
    values = np.array([cut.value for cut in seen])
    variances = np.array([cut.variance + spread[cut.key] for cut in seen])
    return rows, values, variances


def _spread_of(seen: Sequence[_Seen], residuals: Array, base: Array, many: int) -> Array:
    """The variance of each key's cuts beyond the caliper's, from its residuals and the stated one beside them."""
    renewed = base.copy()
    key = np.array([cut.key for cut in seen])
    own = np.array([cut.variance for cut in seen])
    for k in range(many):
        mine = key == k
        count = int(mine.sum())
        if count:
            lost = 1 + 2 / max(count - 2, 1)  # the shared errors of the key were fitted to the same readings
            total = PRIOR_READINGS * base[k] + float((residuals[mine] ** 2 * lost - own[mine]).sum())
            renewed[k] = max(total / (PRIOR_READINGS + count), 0.05 * base[k])
    return renewed


def _small_sample(readings: int, fitted: int) -> float:
    """What an estimated noise adds to a variance: that of Student's t over the normal's, by the readings to spare."""
    spare = max(readings - fitted + PRIOR_READINGS, 3)
    return spare / (spare - 2)


def _wear_variance(model: MeasurementModel) -> float:
    """The variance of the wear of one cut about its key's mean: that of an exponential of the stated scale."""
    return 1.25 * model.wear**2  # between that of the likeliest scale and the average over all, which few keys have


def _lattice(track: Track, seen: Sequence[_Seen], many: int, model: MeasurementModel) -> tuple[float, float, Array]:
    """Level of the shallowest depth, step (with its sign) and the offset of each key, by maximum likelihood of a mixture."""
    from scipy.optimize import minimize

    count, way = len(track.labels), track.deeper
    values, number = np.array([cut.value for cut in seen]), np.array([cut.key for cut in seen])
    sd = np.sqrt(np.array([cut.variance for cut in seen]) + model.cut_sd**2 + _wear_variance(model))
    points, weights = np.polynomial.hermite_e.hermegauss(15)
    offsets, chances = points * _shared_sd(model), np.log(weights / weights.sum())

    def per_key(parameters: Array) -> Array:
        """(keys, offsets): the log-likelihood of each key's cuts at each offset, with its prior."""
        centres = parameters[0] + way * np.exp(parameters[1]) * np.arange(count)
        apart = (values[:, None, None] - centres[None, :, None] - offsets[None, None, :]) / sd[:, None, None]
        each = np.logaddexp(np.logaddexp.reduce(-0.5 * apart**2, axis=1) - np.log(count), -8.0)  # or simply wrong
        total = np.zeros((many, len(offsets)))
        np.add.at(total, number, each)
        likelihood: Array = total + chances
        return likelihood

    def surprise(parameters: Array) -> float:
        return -float(np.logaddexp.reduce(per_key(parameters), axis=1).sum())

    start = abs(track.depths[-1] - track.depths[0]) / (count - 1)
    trials = [
        np.array([track.depths[0] + shift * start, np.log(start * factor)])
        for factor in np.geomspace(0.7, 1.4, 29)
        for shift in (-0.4, -0.2, 0.0, 0.2, 0.4)
    ]
    found = minimize(surprise, min(trials, key=surprise), method="Nelder-Mead", options={"xatol": 1e-5, "fatol": 1e-6})
    each = per_key(found.x)
    share = np.exp(each - np.logaddexp.reduce(each, axis=1)[:, None])
    return float(found.x[0]), float(way * np.exp(found.x[1])), share @ offsets


def _spaces(system: System, keys: Sequence[Key]) -> tuple[dict[tuple[str, int], Estimate], tuple[str, ...]]:
    """Where cuts lie, from the places that were read: each key may sit against the stop with an error of its own."""
    read = [
        (k, cut.track, cut.cut, cut.place)
        for k, key in enumerate(keys)
        for cut in key.readings.cuts
        if cut.place is not None
    ]
    if not read:
        return {}, ()
    columns = sorted({(track, cut) for _, track, cut, _ in read}, key=str)
    size = len(columns)
    rows = np.zeros((len(read), size + len(keys)))
    for i, (k, track, cut, _) in enumerate(read):
        rows[i, columns.index((track, cut))] = rows[i, size + k] = 1
    values = np.array([place for *_, place in read])
    noise, shift = system.from_mm(PLACE_SD), system.from_mm(SHIFT_SD)
    normal = rows.T @ rows / noise**2
    normal[size:, size:] += np.eye(len(keys)) / shift**2
    covariance = np.linalg.inv(normal)
    solution = covariance @ (rows.T @ values) / noise**2
    found = {c: Estimate(float(solution[i]), float(sqrt(covariance[i, i]))) for i, c in enumerate(columns)}
    note = f"spaces: places read by eye to ± {noise:.2g} {system.unit}, each key's stop to ± {shift:.2g} (standard uncertainties)"
    return found, (note,)
