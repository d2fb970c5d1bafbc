"""The history of a machine's setting: a CSV file that grows by a row per setup key, and what the charts say of it.

Columns: `date`, `system`, `unit`, `depth_offset`, `depth_sd`, `space_offset`, `space_sd`, `verdict`, `adjusted`. A row with
`adjusted` = yes says that the machine was set anew after that key, so a new chart begins behind it. The file holds no
code. It is written whole or not at all; rows of other systems stay as they are and are not charted.

Control charts: is the machine drifting, or is this only scatter?

Two charts of the same values, one per setup key in the order they were cut:

- *Shewhart* chart for individuals: centre ± 3 s, where s is the mean moving range of neighbours over d2(2) = 2/√π = 1.128
  (the expected range of two standard normal values; the usual rounded form of the limits is ± 2.66 mean ranges). It sees
  a sudden jump. Values outside it, and the newest one, are set aside when centre and s are worked out (`in_control`).
- *EWMA* (exponentially weighted moving average): z_i = λ x_i + (1 − λ) z_(i−1), z_0 = the centre, limits
  centre ± L s √(λ/(2 − λ) · (1 − (1 − λ)^(2i))) (λ = 0.2, L = 3). It sees a slow drift early.

Whether a machine *drifts* or has *jumped* is asked of all the values together, by a straight line and by one step (`trend`).

Both formulas are in the textbooks and handbooks of statistical process control (from memory: NIST/SEMATECH e-Handbook,
6.3.2.2 and 6.3.2.4; the tests work its two examples).

>>> chart = shewhart([0.01, -0.01, 0.02, 0.00, 0.01, 0.15])
>>> chart.signals
(5,)
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Collection, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Literal

from attrs import frozen

from bitting.arrays import Floats
from bitting.errors import BittingError
from bitting.files import may_write, read_whole, write_whole
from bitting.machine.align.alignment import EXPANDED, RELEVANT, Alignment
from bitting.model import MM_PER_INCH
from bitting.text import DIGITS

D2 = 2 / math.sqrt(math.pi)
"""Expected range of two standard normal values."""

BASELINE = 20
"""So many first values at most set centre and limits; those after them are only judged."""

MOST_OFF = 1000.0
"""No length of a key is more, in either unit."""
MOST_HISTORY = 1 << 24
"""Bytes of a history that are read: a hundred thousand setup keys and more."""

ALIKE = 1e-6
"""Moving ranges below this, in either unit, are rounding."""

ENOUGH = 8
"""With fewer values than this the limits are provisional."""


@frozen
class Chart:
    """A chart: the plotted points, the centre, each point's limits, and the places (from 0) of points outside them."""

    points: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]

    @property
    def signals(self) -> tuple[int, ...]:
        """Places, counted from 0, of the points outside their limits."""
        rows = zip(self.points, self.lower, self.upper, strict=True)
        return tuple(i for i, (x, low, high) in enumerate(rows) if not low <= x <= high)


def moving_sigma(values: Sequence[float]) -> float:
    """Standard deviation from the mean moving range of two; 0 for fewer than two values."""
    ranges = [abs(b - a) for a, b in zip(values, values[1:], strict=False)]
    return sum(ranges) / len(ranges) / D2 if ranges else 0.0


def _baseline(values: Sequence[float], centre: float | None, sigma: float | None) -> tuple[float, float]:
    first = values[: max(BASELINE, 1)]
    middle = sum(first) / len(first) if centre is None else centre
    return middle, moving_sigma(first) if sigma is None else sigma


def in_control(values: Sequence[float], stated: float | None) -> tuple[float, float, set[int]]:
    """Centre and sigma for judging at least one value, and the places of those that are set aside.

    Every value is judged by those before it that were inside their limits, so that neither a jump nor the newest value
    widens what it is judged by. Until there are enough of them, sigma isn't taken to be below the `stated` uncertainty,
    nor where they all read the same: that says only how coarse the reading is.
    """
    kept, aside = [values[0]], set[int]()

    def limits() -> tuple[float, float]:
        centre, own = _baseline(kept, None, None)
        return centre, own if len(kept) >= ENOUGH and own > ALIKE else max(own, stated or 0.0)

    for i, value in enumerate(values[1:], start=1):
        centre, sigma = limits()
        if sigma and abs(value - centre) > 3 * sigma:
            aside.add(i)
        elif i < len(values) - 1:
            kept.append(value)
    if 2 * len(aside) > len(values):  # then the first ones are no measure of the others
        kept, aside = list(values[:-1]), set()
    return *limits(), aside


def shewhart(values: Sequence[float], centre: float | None = None, sigma: float | None = None) -> Chart:
    """Individuals chart of at least one value; centre and sigma come from the first 20 values where they aren't given."""
    middle, s = _baseline(values, centre, sigma)
    count = len(values)
    return Chart(tuple(values), middle, (middle - 3 * s,) * count, (middle + 3 * s,) * count)


def ewma(
    values: Sequence[float],
    centre: float | None = None,
    sigma: float | None = None,
    weight: float = 0.2,
    width: float = 3.0,
    aside: Collection[int] = (),
) -> Chart:
    """EWMA chart of at least one value; `weight` is λ and `width` L in the formula above; values `aside` don't move it."""
    middle, s = _baseline(values, centre, sigma)
    points, limits, last = [], [], middle
    for i, value in enumerate(values, start=1):
        last = last if i - 1 in aside else weight * value + (1 - weight) * last
        points.append(last)
        limits.append(width * s * math.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i))))
    return Chart(
        tuple(points), middle, tuple(middle - half for half in limits), tuple(middle + half for half in limits)
    )


COLUMNS = (
    "date", "system", "unit", "depth_offset", "depth_sd", "space_offset", "space_sd", "verdict", "adjusted",
)  # fmt: skip


@frozen
class History:
    """The rows of this system since the machine was last set, and their charts.

    `dates`, the charts' points and `verdicts` go together, a key each (`set`: the machine was set after it);
    `depth_to_set` and `space_to_set` say which control was then to be set; `signals` are
    sentences, `provisional` says that there are too few keys for firm limits.
    """

    dates: tuple[str, ...]
    unit: str
    depth: Chart
    depth_ewma: Chart
    space: Chart | None
    space_ewma: Chart | None
    space_dates: tuple[str, ...]
    signals: tuple[str, ...]
    provisional: bool
    keys: int
    verdicts: tuple[str, ...] = ()
    depth_to_set: tuple[bool, ...] = ()
    space_to_set: tuple[bool, ...] = ()
    depth_trend: Trend | None = None
    space_trend: Trend | None = None


SURE = 0.01
"""A line or a step must beat no change at all at this level."""


@frozen
class Trend:
    """What the values of a chart do: `drift`, a straight line, or `jump`, one step between two levels.

    `rate` is a drift's change per day (per key where the dates are no dates), with its standard error; `size` a jump's
    height and `at` the first key after it (counted from 0). `p_value` is that of the F test against no change at all, `bic`
    by how much the other explanation's Bayesian information criterion is worse. `leaves` is the date (or key, from now)
    when the line leaves the tolerance, None where it doesn't or none is known.
    """

    kind: Literal["drift", "jump"]
    rate: float | None
    rate_sd: float | None
    per_day: bool
    size: float | None
    at: int | None
    p_value: float
    bic: float
    leaves: str | None = None


def trend(
    dates: Sequence[str], values: Sequence[float], tolerance: float | None = None, least: float = 0.0
) -> Trend | None:
    """Whether the values drift or have jumped; None where a straight level explains them (F test, 1 %) or they are few.

    A line has a level and a slope, a step two levels and its place. Both are held to the level alone by an F test (the
    step's place counted as a figure that was fitted), and to each other by BIC. Values that lie on either by chance scatter
    by `least` all the same.
    """
    n = len(values)
    if n < LEAST_KEYS:
        return None
    import numpy as np

    y, (x, per_day) = np.array(values), _times(dates)
    level = float(((y - y.mean()) ** 2).sum())
    slope, start = np.polyfit(x, y, 1)
    line = float(((y - start - slope * x) ** 2).sum())
    steps = [float(((y[:k] - y[:k].mean()) ** 2).sum() + ((y[k:] - y[k:].mean()) ** 2).sum()) for k in range(1, n)]
    at = min(range(1, n), key=lambda k: steps[k - 1])
    step = steps[at - 1]
    floor = max(level * 1e-9, (n - 2) * least**2, 1e-27)
    line, step = max(line, floor), max(step, floor)
    drifts, jumps = n * math.log(line / n) + 2 * math.log(n), n * math.log(step / n) + 3 * math.log(n)
    drift = drifts <= jumps
    p_value = _f_tail(level, line, 1, n - 2) if drift else _f_tail(level, step, 2, n - 3)
    if p_value >= SURE:
        return None
    if not drift:
        size = float(y[at:].mean() - y[:at].mean())
        return Trend("jump", None, None, per_day, size, at, p_value, drifts - jumps)
    rate_sd = math.sqrt(line / (n - 2) / float(((x - x.mean()) ** 2).sum()))
    leaves = _leaves(dates, float(start + slope * x[-1]), float(slope), tolerance, per_day)
    return Trend("drift", float(slope), rate_sd, per_day, None, None, p_value, jumps - drifts, leaves)


ROUNDED_MM = 0.01 / math.sqrt(12)
"""Standard deviation of a reading that a caliper rounds to hundredths: no course of keys is known better."""
DECISIVE = 6.0
"""By so much the Bayesian information criterion of a line must be worse before a step is told as one (common practice)."""
LEAST_KEYS = 5
"""Keys with which a line and a step can be told apart at all."""


def _times(dates: Sequence[str]) -> tuple[Floats, bool]:
    """Days from the first date, or the number of each key where dates can't be read or don't go forwards."""
    import numpy as np

    try:
        days = [float((date.fromisoformat(text) - date.fromisoformat(dates[0])).days) for text in dates]
    except ValueError:
        days = []
    if days and all(b >= a for a, b in zip(days, days[1:], strict=False)) and len(set(days)) > 2:
        return np.array(days), True
    return np.arange(len(dates), dtype=float), False


def _f_tail(before: float, after: float, more: int, dof: int) -> float:
    """Probability of an F statistic as large as that of `more` further figures (NIST/SEMATECH e-Handbook, 4.4.4.5)."""
    from scipy.special import fdtrc

    return float(fdtrc(more, dof, max(before - after, 0.0) / more / (after / dof)))


def _leaves(dates: Sequence[str], now: float, slope: float, tolerance: float | None, per_day: bool) -> str | None:
    """When the line leaves the tolerance, on the side that it runs towards."""
    if tolerance is None or slope == 0:
        return None
    ahead = (math.copysign(tolerance, slope) - now) / slope
    if ahead <= 0:
        return "already"
    if not per_day:
        return f"in {math.ceil(ahead)} keys"
    if ahead > MOST_DAYS:
        return None
    return (date.fromisoformat(dates[-1]) + timedelta(days=math.floor(ahead))).isoformat()


MOST_DAYS = 3650
"""A drift that needs longer than ten years isn't foretold."""


def appended(
    path: str | Path,
    result: Alignment,
    day: str,
    adjusted: bool,
    tolerance: float | None = None,
    inputs: Sequence[str | Path] = (),
) -> tuple[History, Callable[[], None]]:
    """The charts of a history with one row more (a new file where there is none), and what writes it.

    All that can be wrong with the file is found before it is written.

    `inputs` are files that the run reads beside the history, none of which it can be. Raises BittingError for a date
    that is none (a cell of a table may be run as a formula, and a terminal obeys control characters).
    """
    if not _is_date(day, datetime):
        raise BittingError(f"{day!r} is no date", hint="write it as 2025-03-01")
    may_write(path, force=True, inputs=inputs)
    rows = read(path) if Path(path).exists() else []
    rows.append(_row(result, day, adjusted))
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    history = chart(rows, result.system, str(path), tolerance)
    return history, lambda: write_whole(path, out.getvalue(), force=True, inputs=inputs)


def _is_date(text: str, kind: type[date]) -> bool:
    try:
        kind.fromisoformat(text)
    except ValueError:
        return False
    return True


def _row(result: Alignment, day: str, adjusted: bool) -> dict[str, str]:
    space = result.space_offset
    return {
        "date": day,
        "system": result.system,
        "unit": result.unit,
        "depth_offset": _text(result.depth_offset.mean),
        "depth_sd": _text(result.depth_offset.sd),
        "space_offset": _text(None if space is None else space.mean),
        "space_sd": _text(None if space is None else space.sd),
        "verdict": result.verdict,
        "adjusted": "yes" if adjusted else "no",
    }


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def read(path: str | Path) -> list[dict[str, str]]:
    """The rows of a history file; raises BittingError where it is no such file, so that nothing else is overwritten."""
    text = read_whole(path, "the history", MOST_HISTORY)
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        rows = list(reader)
    except csv.Error as fault:
        raise BittingError(f"can't read the history {str(path)!r}: {fault}", hint="nothing was changed") from None
    if tuple(reader.fieldnames or ()) != COLUMNS:
        raise BittingError(
            f"{str(path)!r} is no history of setup keys: its first line should be {','.join(COLUMNS)}",
            hint="save it as CSV with commas again, or name another file; a new one is begun where there is none",
        )
    for number, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            raise BittingError(f"row {number} of {str(path)!r} has not {len(COLUMNS)} cells", hint="mend or remove it")
        row["adjusted"] = row["adjusted"].strip().lower()
        if row["adjusted"] not in ("yes", "no", ""):
            raise BittingError(
                f"row {number} of {str(path)!r}: adjusted is {row['adjusted']!r}", hint="write yes or no there"
            )
    return rows


def _number(row: dict[str, str], column: str, number: int, path: str) -> float | None:
    if not row[column].strip():
        return None
    try:
        value = float(row[column])
    except ValueError:
        value = math.nan
    if not abs(value) <= MOST_OFF:  # and where it is no number at all
        raise BittingError(
            f"row {number} of {path!r}: {column} is {row[column]!r}, which is no number", hint="mend or remove the row"
        )
    return value


def chart(rows: list[dict[str, str]], system: str, path: str, tolerance: float | None = None) -> History:
    """Charts of the rows of one system since the machine was last set; the last row must be one of them."""
    mine = [(i, row) for i, row in enumerate(rows, start=2) if row["system"] == system]
    if all(_is_date(row["date"], date) for _, row in mine):  # a key entered late stands where its date does
        mine.sort(key=lambda numbered: numbered[1]["date"])
    unit = mine[-1][1]["unit"]
    other = next((i for i, row in mine if row["unit"] != unit), None)
    if other is not None:
        raise BittingError(f"row {other} of {path!r} is not in {unit}", hint="begin a new history for this system")
    last_set = max((n for n, (_, row) in enumerate(mine[:-1]) if row["adjusted"] == "yes"), default=-1)
    segment = mine[last_set + 1 :]
    depth, space = (_course(what, rows, segment, path, tolerance) for what in ("depth", "space"))
    if depth.chart is None or depth.slow is None:
        raise BittingError(f"no row of {path!r} says what depth is off by", hint="name another file")
    return History(
        dates=depth.dates,
        unit=unit,
        depth=depth.chart,
        depth_ewma=depth.slow,
        space=space.chart,
        space_ewma=space.slow,
        space_dates=space.dates,
        signals=(*_signals("depth", depth, unit), *_signals("space", space, unit)),
        depth_trend=depth.trend,
        space_trend=space.trend,
        provisional=len(depth.dates) < ENOUGH,
        keys=len(depth.dates),
        verdicts=depth.verdicts,
        depth_to_set=depth.to_set,
        space_to_set=space.to_set,
    )


@frozen
class _Course:
    """What depth or space was off by: of each key its date, verdict and whether it was to be set, and the charts, if any."""

    dates: tuple[str, ...]
    verdicts: tuple[str, ...]
    to_set: tuple[bool, ...]
    chart: Chart | None
    slow: Chart | None
    trend: Trend | None


def _course(
    what: str, rows: list[dict[str, str]], segment: list[tuple[int, dict[str, str]]], path: str, tolerance: float | None
) -> _Course:
    found = [(number, row, _number(row, f"{what}_offset", number, path)) for number, row in segment]
    told = [(number, row, value) for number, row, value in found if value is not None]
    dates, values = tuple(row["date"] for _, row, _ in told), [value for *_, value in told]
    stated = [_number(row, f"{what}_sd", number, path) for number, row in enumerate(rows, start=2)]
    course = trend(dates, values, tolerance, ROUNDED_MM / (1.0 if segment[-1][1]["unit"] == "mm" else MM_PER_INCH))
    chart = slow = None
    if values:
        before = (
            values[: course.at] if course and course.at else values
        )  # what came after a jump is judged by what was before
        centre, sigma, aside = in_control(before, max((sd for sd in stated if sd is not None), default=None))
        aside |= set(range(len(before), len(values)))
        chart, slow = shewhart(values, centre, sigma), ewma(values, centre, sigma, aside=aside)
    return _Course(
        dates,
        tuple("set" if row["adjusted"] == "yes" else row["verdict"] for _, row, _ in told),
        tuple(_to_set(row, what, tolerance, number, path) for number, row, _ in told),
        chart,
        slow,
        course,
    )


def _to_set(row: dict[str, str], what: str, tolerance: float | None, number: int, path: str) -> bool:
    """Whether this control was to be set, by the rule of the verdict; depth also for its scale, where space is right."""

    def off(control: str) -> bool:
        offset, sd = (abs(_number(row, f"{control}_{column}", number, path) or 0.0) for column in ("offset", "sd"))
        return offset > EXPANDED * sd and offset >= RELEVANT * (tolerance or 0.0)

    asked = row["verdict"] == "adjust" and row["adjusted"] != "yes"
    return asked and (off(what) or (what == "depth" and not off("space")))


def _signals(what: str, course: _Course, unit: str) -> tuple[str, ...]:
    """What a line or a step through all points says; where neither does, what the charts say about their last point."""
    sudden, slow, found = course.chart, course.slow, course.trend
    if sudden is None or slow is None or len(sudden.points) < 2:
        return ()
    digits = DIGITS[unit]
    if found is not None and found.rate is not None and found.rate_sd is not None:
        each, times = ("a month", 30.0) if found.per_day else ("a key", 1.0)
        when = {None: "", "already": "; it has left the tolerance already"}.get(
            found.leaves, f"; it leaves the tolerance about {found.leaves}"
        )
        return (
            f"the {what} setting drifts by {found.rate * times:+.{digits}f} ± {2 * found.rate_sd * times:.{digits}f} {unit} "
            f"{each} (a straight line against no change: F test, p = {found.p_value:.1g}){when}",
        )
    if found is not None and found.size is not None and found.bic < DECISIVE:
        return (
            f"the {what} setting has changed, by {found.size:+.{digits}f} {unit} if in one step before key "
            f"{(found.at or 0) + 1}: a jump or a drift, too early to tell (BIC {found.bic:.1f} apart; F test, p = "
            f"{found.p_value:.1g})",
        )
    if found is not None and found.size is not None:
        return (
            f"the {what} setting has jumped by {found.size:+.{digits}f} {unit} before key {(found.at or 0) + 1} (one step "
            f"explains it better than a line: BIC by {found.bic:.1f}; F test, p = {found.p_value:.1g})",
        )
    last = len(sudden.points) - 1
    if last in sudden.signals:
        return (f"this key's {what} setting lies outside the limits of those before it: cut and measure another",)
    if last in slow.signals:
        return (
            f"the moving average of the {what} setting has left its limits, and neither a line nor a step is sure yet",
        )
    return ()
