"""Drift, jumps and lost motion: held to scipy's regression, and to machines that do what they are said to do."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from click.testing import CliRunner
from scipy import stats

from bitting.cli.align import command
from bitting.machine.align.alignment import align
from bitting.machine.align.corrections import correct
from bitting.machine.align.history import COLUMNS, chart, in_control, shewhart, trend
from bitting.machine.inspect.uncertainty import Gauge
from bitting.machine.plan.plan import plan
from bitting.model import ReadCut, Reading, Readings, code_of
from bitting.systemfile import load_system
from bitting.systemfile.machine import load_machine

START = date(2031, 1, 6)


def dates(count: int, every: int = 7) -> list[str]:
    return [(START + timedelta(days=every * i)).isoformat() for i in range(count)]


@pytest.mark.parametrize("seed", range(20))
def test_a_drift_has_the_rate_and_standard_error_of_scipys_regression(seed: int) -> None:
    chance = np.random.default_rng(seed)
    days = dates(12, int(chance.integers(3, 20)))
    x = np.array([(date.fromisoformat(d) - START).days for d in days], float)
    y = 0.002 * x + chance.normal(0, 0.006, 12)
    found, outside = trend(days, list(y), 0.5), stats.linregress(x, y)
    assert found is not None
    assert (found.kind, found.per_day) == ("drift", True)
    assert found.rate == pytest.approx(outside.slope, rel=1e-9)
    assert found.rate_sd == pytest.approx(outside.stderr, rel=1e-9)
    assert found.p_value == pytest.approx(outside.pvalue, rel=1e-6)
    # the day it leaves: the line, followed day by day
    day = next(d for d in range(100000) if outside.intercept + outside.slope * (x[-1] + d) > 0.5) - 1
    assert found.leaves == (date.fromisoformat(days[-1]) + timedelta(days=day)).isoformat()


def test_a_jump_is_a_jump_and_scatter_is_neither() -> None:
    chance = np.random.default_rng(3)
    kinds = {"jump": 0, "drift": 0, "none": 0}
    false = 0
    for _ in range(200):
        noise = chance.normal(0, 0.005, 14)
        found = trend(dates(14), list(noise + np.where(np.arange(14) >= 7, 0.04, 0.0)))
        kinds[found.kind if found else "none"] += 1
        false += trend(dates(14), list(noise)) is not None
    assert kinds["jump"] >= 190
    assert false <= 12  # about 1 % for a line and some more for a step, whose place was chosen


def test_a_steady_drift_is_never_called_a_jump() -> None:
    chance = np.random.default_rng(4)
    found = [trend(dates(10), list(0.008 * np.arange(10) + chance.normal(0, 0.005, 10))) for _ in range(200)]
    assert sum(t is not None and t.kind == "drift" for t in found) >= 180
    assert sum(t is not None and t.kind == "jump" for t in found) <= 10


def key(name: str, row: list[int], scale: float = 0.0, lost: float = 0.0) -> tuple[Readings, object]:
    """A plover key cut on a machine whose depth control loses `lost` once and has an error of scale; read four times."""
    made = load_system(name)
    code = code_of(made, [row] * len(made.lanes))
    cuts = [
        ReadCut(None, lane.track.name, i, (Reading(value, None, 0.01, (0, 0)),) * 4)
        for lane in made.lanes
        for i, d in enumerate(row)
        for down in [lane.track.depths[d] - lane.track.depths[0]]
        for value in [lane.track.depths[d] + scale * down - lane.track.deeper * lost * (d > 0)]
    ]
    return Readings(made, "", "mm", tuple(cuts)), code


@pytest.mark.parametrize(("scale", "lost"), [(0.0, 0.12), (0.12, 0.0), (0.12, 0.12), (0.0, 0.0)])
def test_two_depths_tell_lost_motion_from_scale(scale: float, lost: float) -> None:
    readings, code = key("plover", [0, 0, 2, 0, 4, 0, 0], scale, lost)
    result = align(readings, readings.system, code=code, gauge=Gauge(jaw=0.0))
    assert result.lost_motion.mean == pytest.approx(lost, abs=1e-9)  # too shallow: the dimension is larger
    assert result.scale.mean == pytest.approx(scale, abs=1e-9)
    assert ("lost motion" in " ".join(result.causes)) == (lost > 0)
    assert result.verdict == ("adjust" if scale or lost else "leave")


def test_one_deep_cut_asks_for_a_second_one() -> None:
    readings, _ = key("plover", [0, 0, 0, 4, 0, 0, 0], lost=0.12)
    result = align(readings, readings.system, gauge=Gauge(jaw=0.0))
    assert result.lost_motion.mean is None
    assert any("cut a second one at a middle depth" in note for note in result.notes)


def test_corrections_begin_a_machine_file_that_is_missing_and_plan_reads_it(tmp_path: Path) -> None:
    made = load_system("plover")
    cuts = [
        ReadCut(
            None, lane.track.name, i, (Reading(lane.track.depths[4 if i == 3 else 0] + 0.08, None, 0.01, (0, 0)),) * 4
        )
        for lane in made.lanes
        for i in range(7)
    ]
    result = align(Readings(made, "", "mm", tuple(cuts)), made, gauge=Gauge(jaw=0.0, caliper=0.005))
    path = tmp_path / "bench.toml"
    correct(path, result, made)
    machine = load_machine(path)
    assert machine.corrections.depth == pytest.approx(-0.08, abs=1e-6)
    assert machine.space is None
    step = plan(code_of(made, [[1] * 7] * 2), made, machine=machine).tracks[0].steps[1]
    assert step.setting == {"depth": pytest.approx(8.15 - 0.08, abs=1e-6)}
    assert evolve(machine, corrections=machine.corrections) == machine


def test_a_jump_is_judged_without_itself_and_marked_on_its_own_chart(tmp_path: Path) -> None:
    path = tmp_path / "machine.csv"
    row = "8.30 8.30 8.31 6.65 8.30 8.29 8.30 8.30"

    def told(month: int, place: str) -> tuple[list[str], list[str]]:
        options = ["-s", "wren", "--history", str(path), "--date", f"2031-{month:02d}-01", "--place", place]
        text = CliRunner().invoke(command, [row, *options]).stdout
        depth, _, space = text[text.index("depth: centre") :].partition("space: centre")
        return depth.splitlines(), space.splitlines()

    for month, place in enumerate(("12.81", "12.80", "12.83", "12.79"), start=1):
        told(month, place)
    depth, space = told(5, "12.95")
    assert next(line for line in space if "2031-05" in line).endswith("OUT  adjust")
    assert not any("adjust" in line for line in depth)
    after = told(6, "12.81")[1]
    limits = [float(text) for text in re.findall(r"-?[0-9]+[.][0-9]+", space[0])]
    assert [float(text) for text in re.findall(r"-?[0-9]+[.][0-9]+", after[0])] == pytest.approx(limits, abs=0.02)
    assert max(limits) < 0.12  # 0.015 of scatter, 0.03 stated
    assert [line[-3:] for line in after if "OUT" in line or "DRIFT" in line] == ["ust"]


def test_the_steady_months_before_give_the_limits_of_the_individuals_chart() -> None:
    """Enough values: what is set aside leaves the chart of the others, and a newest one inside changes nothing."""
    steady = [0.01, -0.01, 0.02, 0.0, 0.01, -0.02, 0.01, 0.0, 0.02]
    centre, sigma, aside = in_control([*steady, 0.3, 0.0], 0.012)
    plain = shewhart(steady)
    assert (centre, 3 * sigma) == (pytest.approx(plain.centre), pytest.approx(plain.upper[0] - plain.centre))
    assert aside == {9}
    assert in_control([0.3, *steady], 0.012)[2] == set()  # most are out: the first was


def test_values_on_a_line_are_known_no_better_than_a_caliper_reads() -> None:
    """Five keys that fall on a line by chance: without a scatter of their own the drift would be certain."""
    exact = trend(dates(5), [0.0, 0.002, 0.004, 0.006, 0.008])
    assert exact is not None
    assert exact.rate_sd == pytest.approx(0.0, abs=1e-6)
    assert trend(dates(5), [0.0, 0.002, 0.004, 0.006, 0.008], least=0.01 / 12**0.5) is None
    steep = trend(dates(5), [0.0, 0.02, 0.04, 0.06, 0.08], least=0.01 / 12**0.5)
    assert steep is not None
    assert steep.rate_sd is not None
    assert steep.rate_sd > 1e-4


def test_a_drift_in_inches_is_judged_in_inches_whatever_another_system_of_the_file_is_in() -> None:
    """A thousandth of an inch a month: as millimetres it would be lost in what a caliper rounds."""
    mm = {**dict.fromkeys(COLUMNS, ""), "date": "2031-01-01", "system": "wren", "unit": "mm", "depth_offset": "0.01"}
    inch = [
        {**mm, "date": f"2031-{month:02}-01", "system": "dunlin", "unit": "in", "depth_offset": f"{0.001 * month:.3f}"}
        for month in range(1, 8)
    ]
    for rows in (inch, [mm, *inch]):
        found = chart(rows, "dunlin", "history.csv").depth_trend
        assert found is not None
        assert found.kind == "drift"
