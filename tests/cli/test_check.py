"""`bitting check` and `bitting systems` as a person and a script meet them: text, JSON, exit status, prompts, pipes."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from bitting import count, load_system, shipped_systems
from bitting.cli import COMMANDS, main

LEGAL = "left: 2133244 / right: 1124421"
ILLEGAL = "left: 2133144 / right: 1124421"


def run(*arguments: str, stdin: str | None = None) -> Result:
    """The command line in this process, standard error apart."""
    return CliRunner().invoke(main, list(arguments), input=stdin)


def test_a_legal_code():
    result = run("check", LEGAL, "-s", "plover")
    assert result.exit_code == 0
    assert result.stdout.startswith("legal in plover: left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1\n")
    assert "█" in result.stdout


def test_an_illegal_code_has_carets_under_its_cuts():
    result = run("check", ILLEGAL, "-s", "plover")
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert lines[0] == "NOT legal in plover: 1 fault"
    at = lines.index(f"    {ILLEGAL}")
    assert lines[at + 1] == " " * (4 + ILLEGAL.index("14")) + "^^"
    assert lines[at + 2].strip() == "adjacent-difference: adjacent cuts differ by at most 2"


def test_json_is_the_report_and_nothing_else():
    result = run("check", ILLEGAL, LEGAL, "-s", "plover", "--json")
    assert result.exit_code == 1
    answer = json.loads(result.stdout)
    assert [r["legal"] for r in answer["results"]] == [False, True]
    assert answer["results"][0]["findings"][0]["span"] == [10, 12]


def test_unreadable_codes_of_a_list_are_all_told_and_the_others_answered():
    result = run("check", LEGAL, "left: 2--1", "middle: 213", "-s", "plover")
    assert result.exit_code == 2
    assert result.stdout.startswith("legal in plover")
    assert "two separators" in result.stderr
    assert "middle" in result.stderr


def test_where_no_code_can_be_read_nothing_is_printed():
    result = run("check", "left: 2--1", "middle: 213", "-s", "plover")
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.count("bitting: ") == 2


def test_words_that_are_no_code_are_answered_in_a_line():
    result = run("check", "left as the other, right see job note", "-s", "plover")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "is no code: one of plover has 14 cuts, each one of 1 2 3 4 5" in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_own_systems_are_asked_too_and_one_that_is_spoilt_stops_nobody(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    own = tmp_path / "bitting" / "systems"
    own.mkdir(parents=True)
    plover = Path(load_system("plover").path).read_text()
    (own / "finch.toml").write_text(plover.replace('"plover"', '"finch"'))
    (own / "knot.toml").write_text("[system")
    for options in ([], ["--all-systems"], ["-s", "plover", "--all-systems"]):
        result = run("check", LEGAL, *options)
        assert result.exit_code == 0
        assert f"legal in 2 of {len(shipped_systems()) + 1} systems" in result.stdout
        assert "finch" in result.stdout
        assert "knot.toml is left out" in result.stderr
    result = run("decode", "?", "--all-systems")
    assert "knot.toml is left out" in result.stderr
    assert run("check", LEGAL, "-s", "knot").exit_code == 2


@pytest.mark.parametrize(
    ("text", "system", "meant"),
    [
        ("code is 022872 thanks", "dunlin", "0 2 2 8 7 2"),
        ("Hi the code is: 0-2-2-8-7-2.", "dunlin", "0 2 2 8 7 2"),
        ("upper 122534 then lower 533214 please!", "grebe", "top: 1 2 2 5 3 4 / bottom: 5 3 3 2 1 4"),
        ("it is 022872, ok", "dunlin", "0 2 2 8 7 2"),
    ],
)
def test_words_around_a_code_are_taken_off_in_the_command_to_paste(text, system, meant):
    result = run("check", text, "-s", system)
    assert result.exit_code in (1, 2)
    assert len(result.output.splitlines()) <= 6
    assert f"bitting check '{meant}' -s {system}" in " ".join(result.output.split())


def test_a_list_that_can_not_be_read_at_all_is_still_a_list_in_json():
    for options in (["-s", "plover"], ["--all-systems"]):
        result = run("check", "left: 2--1", "a | b", *options, "--json")
        assert result.exit_code == 2
        assert [set(one) for one in json.loads(result.stdout)["results"]] == [{"input", "error"}] * 2


def test_what_no_system_can_read_is_mended_by_those_where_that_is_certain():
    result = run("check", "2133244 | 1124421", "--all-systems")
    assert result.exit_code == 2
    assert f"if this was meant, for plover: {SPACED}" in result.stderr


def test_faults_that_lie_apart_say_which_cuts_to_ask_for_again():
    result = run("check", "left 2143144 right 1124421", "-s", "plover")
    assert "faults apart may be slips apart: ask again for left cuts 2 and 3, left cuts 5 and 6" in result.stdout
    assert "ask again" not in run("check", ILLEGAL, "-s", "plover").stdout
    whole = run("check", "CCACEBCDE CDBBDDDCC", "-s", "siskin").stdout  # too few changes concern every cut of the right
    assert "slips apart: ask again for left cuts 5 and 6, all of right\n" in whole


def test_a_list_has_remarks_blank_lines_and_lines_that_cannot_be_read():
    lines = f"# from the dealer\n\n{LEGAL}\nleft: 2--1\n   \n{ILLEGAL}\n  # the end\n"
    result = run("check", "-s", "plover", "--json", stdin=lines)
    assert result.exit_code == 2
    results = json.loads(result.stdout)["results"]
    assert [r.get("legal") for r in results] == [True, None, False]
    assert set(results[1]) == {"input", "error"}
    assert results[1]["input"] == "left: 2--1"
    assert "two separators" in results[1]["error"]
    assert "two separators" in result.stderr


def test_a_list_names_the_lines_that_cannot_be_read_and_ends_with_its_sums():
    lines = f"# from the dealer\n\n{LEGAL}\nleft: 2--1\n{ILLEGAL}\nleft 2133244\nright 1124421\nmiddle: 213\n"
    for options in ([], ["--json"]):
        result = run("check", "-s", "plover", *options, stdin=lines)
        assert result.exit_code == 2
        assert "bitting: line 4: two separators" in result.stderr
        assert "bitting: line 8: " in result.stderr
        assert result.stderr.splitlines()[-1] == "5 codes: 2 legal, 1 not legal, 2 can't be read"
    several = run("check", "-s", "plover", "-s", "wren", stdin=f"{LEGAL}\n{ILLEGAL}\n2..\n")
    assert several.stderr.splitlines()[-1] == "3 codes: 1 legal, 1 not legal, 1 can't be read"
    assert "line 3: no system can read" in several.stderr
    assert "codes:" not in run("check", "-s", "plover", stdin=f"{LEGAL}\n").stderr
    assert "codes:" not in run("check", LEGAL, ILLEGAL, "-s", "plover").stderr


def test_lines_that_each_name_another_track_are_one_code():
    result = run("check", "-s", "plover", "--json", stdin="left 2133244\nright 1124421\nl2133244 r1124421\n")
    assert result.exit_code == 0
    assert [r["canonical"] for r in json.loads(result.stdout)["results"]] == [
        "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"
    ] * 2


def test_without_a_system_it_says_in_which_ones_the_code_is_legal():
    result = run("check", "top 233123 bottom 454254", "--json")
    assert result.exit_code == 0
    results = {r["system"]: r for r in json.loads(result.stdout)["results"]}
    assert [name for name, r in results.items() if r["legal"]] == ["grebe"]
    system = load_system("grebe")
    assert results["grebe"]["chance"] == pytest.approx(count(system) / 5**12)
    assert all(0 < r["chance"] < 1 for r in results.values())
    shown = run("check", "top 233123 bottom 454254", "-s", "grebe", "-s", "plover")
    assert shown.exit_code == 0
    assert "legal in 1 of 2 systems" in shown.stdout
    assert run("check", ILLEGAL, "--all-systems").exit_code == 1
    assert run("check", "2--1").exit_code == 2
    assert run("check", LEGAL, "--lock", "door").exit_code == 2


def test_a_legal_code_says_how_many_slips_would_have_been_legal():
    share = json.loads(run("check", LEGAL, "-s", "plover", "--json").stdout)["results"][0]["legal_slips"]
    found = re.search(r"swaps of two neighbours (\S+) % would", run("check", LEGAL, "-s", "plover").stdout)
    assert found
    assert 0 <= 100 * share - float(found[1]) < 0.1
    assert json.loads(run("check", ILLEGAL, "-s", "plover", "--json").stdout)["results"][0]["legal_slips"] is None


def test_terminal_text_is_plain_and_json_canonical():
    shown = run("check", "233123454254", "-s", "grebe").stdout
    assert shown.startswith("legal in grebe: top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 4\n")
    assert "top(" not in shown
    answer = json.loads(run("check", "233123454254", "-s", "grebe", "--json").stdout)["results"][0]
    assert answer["canonical"] == "top(2 3 3 1 2 3); bottom(4 5 4 2 5 4)"
    wrong = run("check", "233123454255", "-s", "grebe").stdout
    assert "%  top: 2 3 3 1 2 3 / bottom: 4 5 4 2 5 3" in wrong


@pytest.mark.parametrize("extra", [[], ["-"]])
def test_codes_come_from_a_pipe_one_a_line(extra):
    result = run("check", *extra, "-s", "plover", "--json", stdin=f"{LEGAL}\n{ILLEGAL}\n")
    assert result.exit_code == 1
    assert [r["legal"] for r in json.loads(result.stdout)["results"]] == [True, False]


def test_nothing_on_a_pipe_is_answered():
    result = run("check", "-s", "plover", stdin="")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr


def test_one_code_in_pieces_is_noticed():
    result = run("check", "2133244", "1124421", "-s", "plover")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "these are 2 codes, and none is whole; one code is put in quotes" in result.stderr
    assert command_of(result.stderr) == ["bitting", "check", SPACED, "-s", "plover"]


def command_of(text):
    """The command that an answer says to paste, as a shell takes it apart."""
    (line,) = [line for line in text.splitlines() if line.startswith("  bitting ")]
    return shlex.split(line)


SPACED = "left: 2 1 3 3 2 4 4 / right: 1 1 2 4 4 2 1"


@pytest.mark.parametrize(
    "options", [["-s", "plover"], ["--system=plover", "--json"], ["-s", "plover", "--lock", "door"]]
)
def test_a_mend_that_is_certain_is_a_command_to_paste(options):
    result = run("check", *options, "2.1.3.3.2.4.4 / rigt: 1124421")
    assert (result.exit_code, result.stdout) == (2, "")
    pasted = command_of(result.stderr)
    assert pasted == ["bitting", "check", *options, SPACED]
    assert run(*pasted[1:]).exit_code == 0


def test_other_commands_say_the_mend_too():
    for command in (["plan"], ["complete"], ["draw", "--blocks"], ["compare", LEGAL]):
        wrong = run(*command, "2133244 | 1124421", "-s", "plover")
        assert command_of(wrong.stderr) == ["bitting", *command, SPACED, "-s", "plover"]
    unknown = run("plan", "O12345", "-s", "dunlin")
    assert command_of(unknown.stderr) == ["bitting", "plan", "0 1 2 3 4 5", "-s", "dunlin"]


def test_a_code_that_came_by_a_pipe_is_put_into_no_command():
    for arguments in (["check"], ["check", "-"], ["plan"]):
        result = run(*arguments, "-s", "plover", stdin="2133244 | 1124421\n")
        assert result.exit_code == 2
        assert f"if this was meant, write it so: {SPACED}" in result.stderr
        assert "  bitting" not in result.stderr


def test_the_mend_of_a_line_that_cannot_be_read_is_in_the_json():
    result = run("check", "-s", "plover", "--json", stdin=f"{LEGAL}\n2133244 | 1124421\n")
    assert json.loads(result.stdout)["results"][1]["error"].endswith(f"write it so: {SPACED}")


def test_a_code_of_strange_depths_is_told_what_it_looks_like():
    result = run("check", "2_1_3_3_2_4_4 / 1124421", "-s", "plover")
    assert result.exit_code == 1
    assert command_of(result.stdout) == ["bitting", "check", SPACED, "-s", "plover"]


def test_a_code_number_is_one_fault_in_one_line():
    for text in ("K-4711", "K4711"):
        lines = run("check", text, "-s", "plover").stdout.splitlines()
        assert lines[0] == "NOT legal in plover: 1 fault"
        assert lines[1].startswith(f"{text!r} looks like a code number")
        assert len(lines) == 2


def test_bad_systems_and_options():
    assert run("check", LEGAL, "-s", "plovver").exit_code == 2
    assert "plover" in run("check", LEGAL, "-s", "plovver").stderr
    assert run("check", LEGAL, "-s", "plover", "--lock", "dor").exit_code == 2
    assert run("chek", LEGAL, "-s", "plover").exit_code == 2
    assert "Did you mean 'check'?" in run("chek", LEGAL, "-s", "plover").stderr


def test_a_fault_in_cuts_that_the_lock_does_not_read_is_no_fault_of_what_it_reads():
    found = run("check", "left: 2133214 / right: 1124421", "-s", "plover", "--lock", "door")
    first, second = found.stdout.splitlines()[:2]
    assert (found.exit_code, first) == (1, "NOT legal in plover: 1 fault")
    assert second == "(in cuts that the door lock doesn't read: write ? for those to leave them out)"
    both = run("check", "left: 2513214 / right: 1124421", "-s", "plover", "--lock", "door").stdout
    assert both.startswith("NOT legal in plover, as the door lock reads it: ")


def test_a_lock_reads_some_cuts():
    assert run("check", "left: 21332?? / right: 11244??", "-s", "plover", "--lock", "door").exit_code == 0
    assert run("check", "left: 21332?? / right: 11244??", "-s", "plover", "--lock", "steering").exit_code == 1


def test_a_terminal_is_asked(monkeypatch):
    import bitting.cli.common as common

    monkeypatch.setattr(common.sys.stdin.__class__, "isatty", lambda _self: True, raising=False)
    monkeypatch.setattr("click.prompt", lambda *_args, **_options: LEGAL)
    assert common.ask(None, "Code") == LEGAL


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_examples(name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert name == "systems" or f"bitting {name} " in result.stdout


def test_systems_list_and_count():
    assert {line.split()[0] for line in run("systems", "list").stdout.splitlines()} >= {"plover", "wren", "dunlin"}
    counted = json.loads(run("systems", "count", "plover", "--json").stdout)
    assert counted["count"] == counted["per_track"]["left"] * counted["per_track"]["right"]
    coupled = run("systems", "count", "heron").stdout
    assert "not their product" in coupled


def test_systems_show_has_both_units_and_every_rule():
    shown = run("systems", "show", "dunlin").stdout
    assert "mm" in shown
    assert "thou" in shown
    assert "[adjacent-difference]" in shown
    assert "invented" in shown
    assert "setup key, for `align`: every cut at 0, cut 3 at 6" in shown


def test_systems_number_goes_both_ways():
    there = json.loads(run("systems", "number", "plover", "--at", "1000001", "--json").stdout)
    back = json.loads(run("systems", "number", "plover", there["code"], "--json").stdout)
    assert back == there
    assert run("systems", "number", "plover", ILLEGAL).exit_code == 2
    assert run("systems", "number", "plover", "--at", "999999999999").exit_code == 2


def test_systems_sample_is_seeded_and_codes_are_listed_in_order():
    first = run("systems", "sample", "wren", "-n", "5", "--seed", "7").stdout
    assert first == run("systems", "sample", "wren", "-n", "5", "--seed", "7").stdout
    assert len(first.splitlines()) == 5
    listed = run("systems", "codes", "wren", "--limit", "3462").stdout.splitlines()
    assert len(listed) == len(set(listed)) == 3462
    assert listed == sorted(listed)
    assert run("systems", "codes", "wren", "--from", "3000", "--limit", "2").stdout.splitlines() == listed[2999:3001]
    assert "461 more of 3,462 codes" in run("systems", "codes", "wren", "--from", "3000", "--limit", "2").stderr
    assert run("systems", "codes", "wren", "--from", "3461", "--limit", "2").stderr == ""


@pytest.mark.parametrize("text", ["80O719", "8.0.0.7.1.9"])
def test_a_mend_that_is_no_legal_code_is_offered_as_that(text):
    found = run("check", text, "-s", "dunlin")
    assert "if this was meant (it is NOT legal in dunlin):" in found.stdout + found.stderr
    said = run("check", "I2O534", "-s", "dunlin").stdout
    assert said.startswith("NOT a code of dunlin as it is written\n\nif this was meant:\n")
    assert "if this was meant (? for a cut left open):" in run("check", "1 2 - 5 3 4", "-s", "dunlin").stdout


@pytest.mark.parametrize("name", ["dunlin", "wren", "plover"])
@pytest.mark.parametrize("text", ["total 4711", "code 669517", "job 5512", "see job 4471", "n/a"])
def test_words_before_a_number_are_no_code_that_breaks_rules(text, name):
    found = run("check", text, "-s", name)
    assert (found.exit_code, found.stdout) == (2, "")


def test_systems_rules_explains_a_kind():
    assert "guess" in run("systems", "rules", "equal-run").stdout
    assert "did you mean 'equal-run'" in run("systems", "rules", "equal-rum").stderr


def test_import_and_a_legal_check_pull_in_no_heavy_library():
    code = (
        "import sys; import bitting; from bitting.cli import main\n"
        f"sys.argv = ['bitting', 'check', {LEGAL!r}, '-s', 'plover']\n"
        "try: main()\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'shapely', 'openpyxl', 'jinja2', 'tabulate', 'python_calamine', 'json',\n"
        "    'bitting.model.readings', 'bitting.notation.mend', 'bitting.geometry.jaw'} & set(sys.modules)\n"
        "sys.exit(repr(sorted(heavy)) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
