"""Charts fitted to keys: beside numpy's least squares, on keys made by a model, and what is said where the level is unknown."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve
from click.testing import CliRunner
from openpyxl import Workbook

from bitting.authoring.fit import Anchor, Key, fit_chart
from bitting.authoring.tables import keys_in
from bitting.cli import main
from bitting.decoding.model import MeasurementModel, model_of
from bitting.errors import BittingError
from bitting.model import Measuring, ReadCut, Readings, System, code_of
from bitting.notation import parse_code, parse_readings
from bitting.systemfile import load_system
from tests.benchmarks.decode_common import Maker, make_system, readings_of

EXAMPLES = Path(__file__).parents[2] / "examples"
QUIET = MeasurementModel(reading_sd=0.02, offset_sd=0.05, wear=0.0, outliers=0.0)
STATED = Measuring(reading_sd=0.02, offset_sd=0.05, wear=0.0, outliers=0.0, tilt_sd=0.0, left_right_sd=0.0, cut_sd=0.0)


def made(tracks: int = 1) -> System:
    return evolve(make_system(7, 4, 0.45, tracks=tracks), measuring=STATED)


def keys_of(
    system: System, number: int, model: MeasurementModel = QUIET, seed: int = 3, *, coded: bool = True
) -> list[Key]:
    maker = Maker(system, model, seed)
    drawn = [maker.key() for _ in range(number)]
    return [
        Key(row, readings_of(system, key), code_of(system, key.depths) if coded else None)
        for row, key in enumerate(drawn, start=1)
    ]


def test_steps_are_numpys_least_squares() -> None:
    """A plain regression on dimensions and key offsets, offsets drawn to their mean by prior rows of the stated spread."""
    system = made()
    keys = keys_of(system, 12)
    found = fit_chart(system, keys, Anchor(known=(0, 1, 8.15)))
    rows, values = [], []
    for k, key in enumerate(keys):
        depths = key.code.depths[0]
        for cut in key.readings.cuts:
            row = np.zeros(4 + len(keys))
            row[depths[cut.cut]] = row[4 + k] = 1 / 0.02
            rows.append(row)
            values.append(cut.readings[0].value / 0.02)
    for k in range(len(keys)):
        prior = np.zeros(4 + len(keys))
        prior[4 + k] = 1 / 0.05
        rows.append(prior)
        values.append(0.0)
    solution = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)[0][:4]
    level = 8.15 - solution[1]
    for label, place in zip("1234", range(4), strict=True):
        # the noise of each key is estimated, so the weights differ a little
        assert found.depths["left", label].mean == pytest.approx(solution[place] + level, abs=0.003)
    assert found.depths["left", "2"].sd == pytest.approx(0.0, abs=1e-9)


def test_uncertainties_shrink_with_the_root_of_the_keys() -> None:
    system = made()
    few, many = (fit_chart(system, keys_of(system, n), Anchor(known=(0, 0, 8.6))) for n in (6, 24))
    ratio = few.depths["left", "3"].sd / many.depths["left", "3"].sd
    assert 1.5 < ratio < 3.0


def test_dimensions_lie_within_twice_their_uncertainty() -> None:
    """Worn keys of plover's own model, jaw left out: about 95 in 100 (`tests.benchmarks.fit_charts` measures more)."""
    plover = load_system("plover")
    plover = evolve(plover, measuring=evolve(plover.measuring, jaw=None))
    off = []
    for seed in range(12):
        found = fit_chart(plover, keys_of(plover, 8, model_of(plover), seed), Anchor(known=(0, 2, 7.70)))
        off += [
            abs(estimate.mean - found.chart(key)) / estimate.sd
            for key, estimate in found.depths.items()
            if key[1] != "3"
        ]
    assert len(off) == 48
    assert sum(ratio < 2 for ratio in off) >= 42  # 45.6 expected; fewer than 42 in 4 of 100 such tests


@pytest.mark.parametrize("scatter", [0.003, 0.01, 0.02, 0.05])
def test_the_scatter_that_is_told_is_that_of_the_readings(scatter: float) -> None:
    """However much the file states: a scatter of 0.003 was told as 0.02."""
    system = made()
    drawn = keys_of(system, 30, evolve(QUIET, reading_sd=scatter, cut_wrong=0.0, offset_tail=0.0))
    told = fit_chart(system, drawn).scatter  # readings to hundredths
    assert told == pytest.approx(float(np.hypot(scatter, 0.01 / 12**0.5)), rel=0.25)


def test_without_an_anchor_only_steps_are_given() -> None:
    system = made()
    found = fit_chart(system, keys_of(system, 8))
    assert found.depths == {}
    assert [key[1] for key in found.steps] == ["2", "3", "4"]
    assert found.as_dict()["anchor"] is None
    for estimate in found.steps.values():
        assert estimate.mean == pytest.approx(-0.45, abs=4 * estimate.sd)


def shifted(keys: list[Key], by: float) -> list[Key]:
    """The same keys, every reading moved."""
    return [
        evolve(
            key,
            readings=evolve(
                key.readings,
                cuts=tuple(
                    evolve(cut, readings=tuple(evolve(r, value=r.value + by) for r in cut.readings))
                    for cut in key.readings.cuts
                ),
            ),
        )
        for key in keys
    ]


def test_wear_and_zero_move_the_level_and_no_step() -> None:
    system = made()
    keys = keys_of(system, 8)
    before, after = fit_chart(system, keys), fit_chart(system, shifted(keys, -0.08))
    for key, estimate in before.steps.items():
        assert after.steps[key].mean == pytest.approx(estimate.mean, abs=1e-9)


def test_a_new_key_fixes_the_level() -> None:
    system = made()
    keys = keys_of(system, 8)
    worn = [keys[0], *shifted(keys[1:], -0.10)]
    found = fit_chart(system, worn, Anchor(new=1))
    for key, estimate in found.depths.items():
        assert estimate.mean == pytest.approx(found.chart(key), abs=3 * estimate.sd)
        assert estimate.sd >= 0.05, "its own zero and plating are not known better"
    assert "row 1 is new" in found.anchor


def test_a_calibrated_zero_fixes_the_level() -> None:
    system = made()
    keys = shifted(keys_of(system, 10), 0.07)
    found = fit_chart(system, keys, Anchor(zero=(0.07, 0.01)))
    for key, estimate in found.depths.items():
        assert estimate.mean == pytest.approx(found.chart(key), abs=3 * estimate.sd)


def test_a_wrong_reading_is_left_out_and_named() -> None:
    system = made()
    keys = keys_of(system, 8)
    cuts = list(keys[2].readings.cuts)
    cuts[4] = evolve(cuts[4], readings=(evolve(cuts[4].readings[0], value=cuts[4].readings[0].value + 0.8),))
    keys[2] = evolve(keys[2], readings=evolve(keys[2].readings, cuts=tuple(cuts)))
    found = fit_chart(system, keys, Anchor(known=(0, 0, 8.6)))
    assert [(row, track, cut) for row, track, cut, _ in found.left_out] == [(3, "left", 4)]
    assert found.left_out[0][3] == pytest.approx(0.8, abs=0.1)


def test_a_chart_that_is_wrong_is_found_out() -> None:
    system = made()
    keys = keys_of(system, 12)
    track = evolve(system.tracks[0], depths=(8.6, 8.15, 7.60, 7.25))
    wrong = evolve(system, tracks=(track,))
    read = [
        evolve(key, readings=evolve(key.readings, system=wrong), code=code_of(wrong, key.code.depths)) for key in keys
    ]
    found = fit_chart(wrong, read, Anchor(known=(0, 0, 8.6)))
    assert [key[1] for key, _, _ in found.off_chart()] == ["3"]


def test_depths_that_no_key_has_are_named() -> None:
    system = made()
    text = "8.61 8.14 8.62 8.13 8.60 8.16 8.61"
    code = parse_code("1 2 1 2 1 2 1", system)
    keys = [Key(row, parse_readings(text, system), code) for row in (1, 2, 3)]
    found = fit_chart(system, keys, Anchor(known=(0, 0, 8.6)))
    assert set(found.depths) == {("left", "1"), ("left", "2")}
    assert found.notes[0].startswith("no key has depth 3, 4")


def test_codes_that_nobody_knows() -> None:
    system = made()
    found = fit_chart(system, keys_of(system, 10, coded=False), Anchor(known=(0, 0, 8.6)))
    for key, estimate in found.depths.items():
        assert estimate.mean == pytest.approx(found.chart(key), abs=3 * estimate.sd + 1e-9)
        assert estimate.sd < 0.03
    assert "codes not known" in found.notes[0]
    steps = fit_chart(system, keys_of(system, 10, coded=False))
    assert steps.depths == {}
    assert steps.steps["left", "3"].mean == pytest.approx(-0.45, abs=3 * steps.steps["left", "3"].sd)


def test_unknown_codes_find_a_step_that_the_chart_has_wrong() -> None:
    system = made()
    track = evolve(system.tracks[0], depths=(8.6, 8.10, 7.60, 7.10))  # steps of 0.50; the keys have 0.45
    wrong = evolve(system, tracks=(track,))
    keys = [evolve(key, readings=evolve(key.readings, system=wrong)) for key in keys_of(system, 10, coded=False)]
    found = fit_chart(wrong, keys)
    assert found.steps["left", "2"].mean == pytest.approx(-0.45, abs=0.01)


def test_places_give_the_spaces() -> None:
    system = made()
    truth, random = system.tracks[0].spaces, np.random.default_rng(1)
    keys = [
        evolve(
            key,
            readings=Readings(
                system, "", "mm",
                tuple(evolve(cut, place=float(truth[cut.cut] + random.normal() * 0.25)) for cut in key.readings.cuts),
            ),
        )
        for key in keys_of(system, 16)
    ]  # fmt: skip
    found = fit_chart(system, keys, Anchor(known=(0, 0, 8.6)))
    assert len(found.spaces) == 7
    for (_, cut), estimate in found.spaces.items():
        assert estimate.mean == pytest.approx(truth[cut], abs=4 * estimate.sd)
    apart = found.spaces["left", 0].mean - found.spaces["left", 6].mean
    assert apart == pytest.approx(truth[0] - truth[6], abs=0.4)


def test_too_little_is_refused() -> None:
    system = made()
    with pytest.raises(BittingError, match="1 key with 7 cuts read say too little"):
        fit_chart(system, keys_of(system, 1))
    with pytest.raises(BittingError, match="no key in row 9"):
        fit_chart(system, keys_of(system, 4), Anchor(new=9))
    empty = Key(1, Readings(system, "", "mm", (ReadCut(None, "left", 0, ()),)), None)
    with pytest.raises(BittingError, match="too little"):
        fit_chart(system, [empty, empty])


# ---- the command --------------------------------------------------------------------------------------------------


@pytest.fixture
def knot(tmp_path: Path) -> Path:
    path = tmp_path / "knot.toml"
    made = CliRunner().invoke(
        main, ["systems", "new", "knot", "--chart", str(EXAMPLES / "knot-chart.csv"), "-o", str(path)]
    )
    assert made.exit_code == 0
    return path


def run(*words: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, ["systems", "fit", *words])
    return found.exit_code, found.stdout, found.stderr


def test_the_command_writes_the_fitted_chart(tmp_path: Path, knot: Path) -> None:
    keys, out = str(EXAMPLES / "knot-keys.csv"), tmp_path / "fitted.toml"
    status, stdout, _ = run(keys, "-s", str(knot), "--known", "1=8.40", "-o", str(out), "--json")
    answer = json.loads(stdout)
    assert (status, set(answer["depths"]), answer["file"]) == (0, set("12345"), str(out))
    assert all(set(estimate) == {"mean", "sd"} for estimate in answer["depths"].values())
    fitted = load_system(out)
    assert fitted.tracks[0].depths == tuple(round(answer["depths"][label]["mean"], 3) for label in "12345")
    assert fitted.tracks[1].depths == fitted.tracks[0].depths
    assert out.read_text(encoding="utf-8").count("#") == knot.read_text(encoding="utf-8").count("#")


def test_what_the_command_refuses(tmp_path: Path, knot: Path) -> None:
    keys = str(EXAMPLES / "knot-keys.csv")
    for words, told in (
        (["-o", str(tmp_path / "x.toml")], "without an anchor only steps are known"),
        (["--known", "9=8.4"], "names no depth"),
        (["--known", "1=eight"], "is no dimension"),
        (["--known", "1=331"], "is 331 mm, and the chart has 8.4 there"),
        (["--known", "1=0.331", "-o", str(tmp_path / "y.toml")], "is it in another unit?"),
        (["--known", "1=8.4", "--new", "1"], "both fix the level"),
        (["--against-code", "1"], "say more of --against"),
        (["--new", "40"], "no key in row 40"),
    ):
        status, stdout, stderr = run(keys, "-s", str(knot), *words)
        assert (status, stdout) == (2, ""), words
        assert told in stderr
    broken = tmp_path / "keys.csv"
    broken.write_text("code,readings\n,7.4 7.5\n", encoding="utf-8")
    assert "row 2: " in run(str(broken), "-s", str(knot))[2]
    broken.write_text("key;code;cut 1;cut 2\na;12;8,33;7,88\n", encoding="utf-8")
    assert "under `readings`" in run(str(broken), "-s", str(knot))[2]


def test_both_texts_of_the_known_key_come_from_a_pipe(knot: Path) -> None:
    words = ["systems", "fit", str(EXAMPLES / "knot-keys.csv"), "-s", str(knot), "--json", "--against-system", "wren"]
    key, code = "7.75 8.30 7.75 7.20 7.75 7.20 8.30 7.75", "2 1 2 3 2 3 1 2"
    typed = CliRunner().invoke(main, [*words, "--against", key, "--against-code", code])
    piped = CliRunner().invoke(main, [*words, "--against", "-", "--against-code", "-"], input=f"{key}\n{code}\n")
    assert typed.exit_code == 0, typed.stderr
    assert (piped.exit_code, piped.stdout) == (0, typed.stdout)


@pytest.mark.parametrize("known", ["1=8.4 mm", "1=8,4", "1=0.33071in", "1 = 330.71 thou"])
def test_a_known_dimension_may_have_a_unit(known: str, knot: Path) -> None:
    status, stdout, _ = run(str(EXAMPLES / "knot-keys.csv"), "-s", str(knot), "--known", known)
    assert (status, "level: depth 1 is known to be 8.4" in stdout) == (0, True)


def test_the_jaw_that_is_taken_for_granted_is_told(tmp_path: Path) -> None:
    """Keys read with a knife edge, fitted as read by the jaw of the file: its allowance is taken for an error of the chart."""
    plover = load_system("plover")
    sharp = evolve(plover, measuring=evolve(plover.measuring, jaw=0.0))
    keys = keys_of(sharp, 24, evolve(QUIET, reading_sd=0.002, cut_wrong=0.0, offset_tail=0.0), seed=5)
    readings = [
        " / ".join(
            " ".join(f"{c.readings[0].value:.2f}" for c in k.readings.cuts if c.track == t.name) for t in plover.tracks
        )
        for k in keys
    ]
    table = tmp_path / "keys.csv"
    table.write_text("code,readings\n" + "".join(f"{k.code},{text}\n" for k, text in zip(keys, readings, strict=True)))
    found = {}
    for jaw in ((), ("--jaw", "0")):
        status, stdout, _ = run(str(table), "-s", "plover", "--known", "1=8.60", *jaw)
        assert (status == 0 or not jaw, "read with a jaw of 0.5 mm" in stdout) == (True, not jaw)
        answer = json.loads(run(str(table), "-s", "plover", "--known", "1=8.60", *jaw, "--json")[1])
        found[jaw] = answer["depths"]["5"]["mean"]
    assert abs(found["--jaw", "0"] - 6.80) < 0.01 < 0.015 < 6.80 - found[()]


def test_steps_only_says_so(knot: Path) -> None:
    status, stdout, _ = run(str(EXAMPLES / "knot-keys.csv"), "-s", str(knot))
    assert status == 0
    assert "only steps are given" in stdout
    assert "1 to 2" in stdout


def test_titles_may_stand_above_the_header_of_readings(tmp_path: Path, knot: Path) -> None:
    plain = (EXAMPLES / "knot-keys.csv").read_text(encoding="utf-8")
    titled = tmp_path / "titled.csv"
    titled.write_text("INVENTED keys of June,\n\n" + "".join(ln for ln in plain.splitlines(True) if ln[0] != "#"))
    wanted = run(str(EXAMPLES / "knot-keys.csv"), "-s", str(knot), "--known", "1=8.4")
    assert run(str(titled), "-s", str(knot), "--known", "1=8.4") == wanted


def test_a_known_depth_of_tracks_that_differ_names_its_track(tmp_path: Path, knot: Path) -> None:
    """It was taken for the first track's, and every depth of both written two tenths off."""
    own = tmp_path / "two.toml"
    text = knot.read_text(encoding="utf-8")
    first = text[text.index("[[tracks]]") :].split("[[tracks]]")[1].split("\n[")[0]
    second = re.sub(
        r"depths = {[^}]*}",
        "depths = { 1 = 8.2, 2 = 7.7, 3 = 7.2, 4 = 6.7, 5 = 6.2 }",
        first.replace('"left"', '"right"'),
    )
    own.write_text(re.sub(r'name = "right"[^\n]*\nlike = "left"', lambda _: second.strip(), text), encoding="utf-8")
    keys = str(EXAMPLES / "knot-keys.csv")
    status, stdout, stderr = run(keys, "-s", str(own), "--known", "1=8.4")
    assert (status, stdout) == (2, "")
    assert "names no track, and their depths differ" in stderr
    assert "depth 1 of right is known to be 8.2" in run(keys, "-s", str(own), "--known", "right 1=8.2")[1]


def test_a_workbook_of_one_column_is_a_list_of_readings(tmp_path: Path) -> None:
    """It ended in a traceback."""
    book = Workbook()
    for text in ("# INVENTED", "7.4 7.9 8.3", "7.5 7.9 8.4"):
        book.active.append([text])
    book.save(tmp_path / "list.xlsx")
    assert keys_in(str(tmp_path / "list.xlsx")) == [(2, "", "7.4 7.9 8.3"), (3, "", "7.5 7.9 8.4")]
