"""A ball or a pin instead of a jaw: one geometry for inspect, align and decode, and options that say so."""

from __future__ import annotations

import attrs
import pytest
from click.testing import CliRunner

import bitting
from bitting.cli import main
from bitting.geometry.jaw import stand_off
from bitting.machine.align.alignment import align

CODE = "left: 2133244 / right: 1124421"


def with_ball(radius: float) -> bitting.System:
    plover = bitting.load_system("plover")
    return attrs.evolve(plover, measuring=attrs.evolve(plover.measuring, jaw=None, contact=radius))


def read(system: bitting.System, code: str) -> str:
    """What the ball in the middle of every cut reads on a perfect key."""
    depths = bitting.parse_code(code, system).depths
    assert depths is not None
    rows = []
    for track, row in zip(system.tracks, depths, strict=True):
        held = [stand_off(system, track, row, cut).most for cut in range(len(row))]
        rows.append(
            f"{track.name}: "
            + " ".join(f"{track.depths[d] - track.deeper * e:.3f}" for d, e in zip(row, held, strict=True))
        )
    return " / ".join(rows)


@pytest.mark.thorough
def test_a_large_ball_s_readings_pass_and_decode_only_where_it_is_named() -> None:
    ball = with_ball(2.0)
    plain = bitting.load_system("plover")
    text = " ".join(f"{word}±0.01" if "." in word else word for word in read(ball, CODE).split())
    found = bitting.inspect(bitting.parse_code(CODE, ball), bitting.parse_readings(text, ball), ball)
    other = bitting.inspect(bitting.parse_code(CODE, plain), bitting.parse_readings(text, plain), plain)
    assert {cut.verdict for cut in found.cuts} <= {"pass", "uncertain"}
    assert "pass" in {cut.verdict for cut in found.cuts}
    assert "recut" in {cut.verdict for cut in other.cuts}
    decoded = bitting.decode(bitting.parse_readings(text, ball), ball)
    assert decoded.code == "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"
    assert any("a round contact of radius 2 mm stays up to" in note for note in decoded.notes)


def test_a_small_ball_reads_as_a_knife_edge_does() -> None:
    ball, knife = with_ball(1.4), with_ball(0.0)
    text = read(knife, CODE)
    mine, other = (bitting.decode(bitting.parse_readings(text, one), one) for one in (ball, knife))
    assert mine.log_evidence == pytest.approx(other.log_evidence, abs=1e-12)


def test_align_allows_for_the_ball() -> None:
    ball = with_ball(2.0)
    setup = "left: 1115111 / right: 1115111"
    assert align([bitting.parse_readings(read(ball, setup), ball)], ball).verdict == "leave"


def test_options() -> None:
    text = read(with_ball(2.0), CODE)
    for arguments in (["inspect", CODE, text, "-s", "plover"], ["decode", text, "-s", "plover", "--full"]):
        done = CliRunner().invoke(main, [*arguments, "--contact", "2"])
        assert "a round contact of radius 2 mm" in done.stdout
        refused = CliRunner().invoke(main, [*arguments, "--contact", "2", "--jaw", "1"])
        assert (refused.exit_code, refused.stdout) == (2, "")
        assert "contradict" in refused.stderr
        assert CliRunner().invoke(main, [*arguments, "--contact", "0"]).exit_code == 2


@pytest.mark.parametrize(
    ("option", "value", "said"), [("--jaw", "5", "a jaw of 5 mm"), ("--contact", "2.4", "a round contact")]
)
def test_contacts_wider_than_two_pitches_are_said(option: str, value: str, said: str) -> None:
    keys = "left: 8.6 8.6 8.6 6.8 8.6 8.6 8.6 / right: 8.6 8.6 8.6 6.8 8.6 8.6 8.6"
    code = read(bitting.load_system("plover"), CODE)
    for arguments in (["inspect", CODE, code], ["align", keys], ["decode", code, "--full"]):
        done = CliRunner().invoke(main, [*arguments, "-s", "plover", option, value])
        told = [line for line in done.stdout.splitlines() if "wider than two pitches" in line]
        assert told, (arguments[0], done.output)
        assert said in told[0]
