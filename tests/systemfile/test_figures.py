"""Measuring figures that can't be meant: every command answers or names them, whatever stands there, at little cost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bitting import decode, parse_readings
from bitting.decoding import MeasurementModel
from bitting.decoding.grid import affordable
from bitting.errors import BittingError, SystemFileError
from bitting.grammars import folder
from bitting.systemfile import read_system, schema
from bitting.systemfile.measuring import LENGTHS
from tests.conftest import but_long
from tests.limits import python

TEXT = Path(folder("systems"), "plover.toml").read_text()
SPAN = 8.60 - 6.80
KEY = "left: 8.15 8.60 7.70 7.70 8.15 7.25 7.25 / right: 8.60 8.60 8.15 7.25 7.25 8.15 8.60"
FIGURES = ("offset_sd", "tilt_sd", "left_right_sd", "wear", "cut_sd", "reclamp_sd", "reading_sd", "tolerance")


def changed(name: str, value: str, table: str = "measuring") -> str:
    """Plover's file with one figure of a table put in place of another."""
    head, rest = TEXT.split(f"[{table}]\n", 1)
    new, count = re.subn(rf"(?m)^{name} = [^#\n]*", f"{name} = {value} ", rest, count=1)
    assert count == 1, name
    return f"{head}[{table}]\n{new}"


def test_every_length_has_a_least_and_a_greatest() -> None:
    lengths = [key.name for key in schema.MEASURING if key.read in (schema._length, schema._spread)]
    assert sorted(lengths) == sorted(LENGTHS), "say in bitting/systemfile/measuring.py whether it may be 0"


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("value", but_long(["1e-308", "5e-324", "1e-6", "0.0004"], "1e-308", "5e-324", "1e-6"))
def test_a_tiny_figure_is_treated_as_absent_and_said(name: str, value: str) -> None:
    system = read_system(changed(name, value), "my.toml")
    taken = "as not stated" if name in ("reading_sd", "tolerance") else "as 0"
    assert getattr(system.measuring, name) == (None if taken == "as not stated" else 0.0)
    (note,) = system.notes
    assert note.startswith(f"under [measuring], {name} = {float(value):g} is less than")
    assert note.endswith(f"treated {taken}")


def test_a_figure_of_half_a_micrometre_is_taken_as_it_stands() -> None:
    system = read_system(changed("offset_sd", "0.0005"), "my.toml")
    assert (system.measuring.offset_sd, system.notes) == (0.0005, ())
    inch = Path(folder("systems"), "dunlin.toml").read_text()
    below = re.sub(r"(?m)^offset_sd = \S+", "offset_sd = 0.000019", inch)  # 0.48 micrometres
    assert read_system(below, "d.toml").measuring.offset_sd == 0.0
    above = re.sub(r"(?m)^offset_sd = \S+", "offset_sd = 0.00002", inch)  # 0.51 micrometres
    assert read_system(above, "d.toml").measuring.offset_sd == 0.00002


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("value", [SPAN, 30.0, 50.0, 999.0])
def test_a_figure_beyond_the_depth_table_names_itself_and_the_unit_that_was_meant(name: str, value: float) -> None:
    with pytest.raises(SystemFileError) as caught:
        read_system(changed(name, repr(value)), "my.toml")
    (fault,) = caught.value.faults
    assert fault.startswith(
        f"my.toml: measuring.{name}: found {value}; allowed: less than the depth table spans, 1.8 mm"
    )
    if value in (30.0, 50.0):
        assert fault.endswith(f"; {value:g} µm are {value / 1000:g} mm")


def test_thousandths_of_an_inch_are_guessed_in_a_file_of_inches() -> None:
    text = re.sub(r"(?m)^wear = \S+", "wear = 1.5", Path(folder("systems"), "dunlin.toml").read_text())
    with pytest.raises(SystemFileError, match=r"1\.5 thou are 0\.0015 in"):
        read_system(text, "dunlin.toml")


def test_a_jaw_is_no_wider_than_a_jaw() -> None:
    with pytest.raises(
        SystemFileError, match=r"measuring\.jaw: found 60\.0; allowed: less than any jaw is wide, 50 mm"
    ):
        read_system(changed("jaw", "60.0"), "my.toml")
    assert read_system(changed("jaw", "49.0"), "my.toml").measuring.jaw == 49.0


@pytest.mark.parametrize("value", ["1e308", "1001.0", "1e15"])
@pytest.mark.parametrize(("table", "name"), [("blade", "width"), ("blade", "mill_depth"), ("cutting", "cutter")])
def test_a_length_is_no_longer_than_a_key(table: str, name: str, value: str) -> None:
    with pytest.raises(
        SystemFileError, match=rf"{table}\.{name}: found .*; allowed: a length greater than 0 and at most 1000"
    ):
        read_system(changed(name, value, table), "my.toml")


COMMANDS = {
    "decode": ["decode", KEY],
    "inspect": ["inspect", "2133244 1124421", KEY],
    "align": ["align", "left: 8.60 8.60 8.60 6.80 8.62 8.63 8.60 / right: 8.60 8.60 8.60 6.80 8.62 8.63 8.60"],
}
PUT = [(name, value) for name in FIGURES for value in ("1e-308", "0.001", "1.79", "1e6")]


@pytest.mark.parametrize("command", but_long(["decode", "inspect", "align"], "decode", "align"))
def test_every_command_answers_or_names_the_figure_at_little_cost(tmp_path: Path, command: str) -> None:
    """Aim: 10 s and 1 GB; here five times the time, and two and a half times the memory, in one process for all figures."""
    script = tmp_path / "all.py"
    paths = []
    for name, value in PUT:
        path = tmp_path / f"{name}_{value}.toml"
        path.write_text(changed(name, value))
        paths.append(str(path))
    script.write_text(
        "import warnings, time; warnings.simplefilter('error')\n"
        "from click.testing import CliRunner\nfrom bitting.cli import main\n"
        f"for path in {paths!r}:\n"
        "    before = time.process_time()\n"
        f"    done = CliRunner().invoke(main, [*{COMMANDS[command]!r}, '-s', path])\n"
        "    assert isinstance(done.exception, SystemExit | None), (path, done.exc_info)\n"
        "    assert done.exit_code in (0, 1, 2), path\n"
        "    assert done.exit_code < 2 or 'bitting:' in done.output, (path, done.output)\n"
        "    assert time.process_time() - before < 50, path\n"
        "    print(path.rpartition('/')[2], done.exit_code, round(time.process_time() - before, 1), flush=True)\n"
    )
    done = python(script, seconds=900)
    assert done.returncode == 0, done.stderr.decode()[-3000:]
    told = [line.split() for line in done.stdout.decode().splitlines() if not line.startswith("tolerance")]
    refused = {name.removesuffix(".toml").rpartition("_")[2] for name, status, _ in told if status == "2"}
    assert "1e6" in refused
    assert not {"1e-308", "0.001"} & refused


def test_readings_much_finer_than_what_they_share_are_named_not_tried() -> None:
    fine = changed("cut_sd", "0.0").replace("reading_sd = 0.03 ", "reading_sd = 0.0006 ")
    system = read_system(fine.replace("\noffset_sd = 0.05 ", "\noffset_sd = 1.7 "), "my.toml")
    assert (system.measuring.reading_sd, system.measuring.offset_sd) == (0.0006, 1.7)
    with pytest.raises(BittingError, match="too unlike to be weighed together"):
        decode(parse_readings(KEY.replace(".15", ".1500").replace(".60", ".6000"), system), system)


def test_an_error_that_readings_cannot_show_is_left_out_and_the_next_larger_is_not() -> None:
    model = MeasurementModel(reading_sd=0.03, offset_sd=0.05, wear=0.0, outliers=0.0, left_right_sd=0.0003)
    assert affordable(model, 1 / 0.0046**2).left_right_sd == 0.0
    assert affordable(model, 1 / 0.0044**2) is model
