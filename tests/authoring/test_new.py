"""A system from a chart, from options or from questions: the file, what is asked, what is refused."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from bitting.authoring.draft import draft, with_chart, with_rules
from bitting.authoring.interview import interview
from bitting.authoring.questions import QUESTIONS, Answers
from bitting.cli import main
from bitting.errors import BittingError
from bitting.linting import lint
from bitting.systemfile import known_systems, load_system, read_system

EXAMPLES = Path(__file__).parents[2] / "examples"
SAID = {"unit": "mm", "depths": "1 8.60, 2 8.15, 3 7.70", "spaces": "21.4 19.1 16.8"}


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's folder, away from the real one."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data" / "bitting" / "systems"


def run(*words: str, stdin: str | None = None) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, ["systems", *words], input=stdin)
    return found.exit_code, found.stdout, found.stderr


def answered(**said: str) -> Answers:
    answers = Answers().with_answer("name", "finch")
    for key in QUESTIONS:
        if key in (given := {**SAID, **said}):
            answers = answers.with_answer(key, given[key])
    return answers


def test_a_cutter_s_diameter_said_of_a_vee_is_told_to_go_nowhere(tmp_path: Path) -> None:
    chart = tmp_path / "chart.txt"
    chart.write_text((EXAMPLES / "teal-chart.txt").read_text(encoding="utf-8") + "\ncutter, 2.4\n", encoding="utf-8")
    _, stdout, _ = run("new", "teal", "--chart", str(chart), "-o", str(tmp_path / "own.toml"))
    assert "cutter 2.4 isn't used: it is cut with a vee, which has an angle and a root" in stdout
    assert (
        "cutter" not in (tmp_path / "own.toml").read_text(encoding="utf-8").partition("[cutting]")[2].partition("[")[0]
    )


# ---- charts -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chart", "shape"),
    [
        ("knot-chart.csv", ("mm", "tip", "external", "far-edge", ("left", "right"), 6, ("1", "2", "3", "4", "5"))),
        ("smew-chart.csv", ("in", "tip", "internal", "own-edge", ("left", "right"), 6, ("1", "2", "3", "4"))),
        ("teal-chart.txt", ("mm", "shoulder", "edge", "far-edge", ("edge",), 5, ("A", "B", "C", "D", "E"))),
    ],
)
def test_a_chart_is_a_linted_system_with_one_command(tmp_path: Path, chart: str, shape: tuple[object, ...]) -> None:
    name, out = chart.split("-")[0], tmp_path / "own.toml"
    status, stdout, stderr = run("new", name, "--chart", str(EXAMPLES / chart), "-o", str(out))
    assert (status, stderr) == (0, "")
    system = load_system(out)
    track = system.tracks[0]
    names = tuple(t.name for t in system.tracks)
    assert (system.unit, system.stop, track.milling, track.measured, names, track.cuts, track.labels) == shape
    found = lint(system)
    assert found.clean
    assert found.complete
    assert run("lint", str(out), "--strict")[0] == 0
    for size in (*track.depths, *track.spaces):
        assert f"{system.in_mm(size):.3f}" in stdout, "the chart is shown back"
    assert "before you cut by it" in stdout
    assert all(f"rule: {rule.sentence}" in stdout for rule in system.rules)
    assert out.stat().st_mode & 0o777 == 0o600


def test_every_line_has_a_comment_and_what_nobody_said_is_marked() -> None:
    made = draft(answered(), "finch.toml")
    silent = [
        line
        for line in made.text.splitlines()
        if line.strip() and "#" not in line and not line.startswith(("[", "]")) and not line.startswith(("must", " "))
    ]
    assert silent == []
    marked = {line.split(" = ")[0] for line in made.text.splitlines() if "# ASSUMED" in line and " = " in line}
    assert marked == set(made.assumed)
    assert {"measured", "stop", "seat"} <= marked
    assert "unit" not in marked


def test_dimensions_stand_as_they_were_written() -> None:
    assert "{ 1 = 8.60, 2 = 8.15, 3 = 7.70 }" in draft(answered(), "f").text


def test_a_chart_that_runs_the_other_way_is_turned_round_and_told() -> None:
    made = draft(answered(spaces="16.8 19.1 21.4", stop="tip", depths="3 7.70, 2 8.15, 1 8.60"), "f")
    assert made.system.tracks[0].spaces == (21.4, 19.1, 16.8)
    assert made.system.tracks[0].labels == ("1", "2", "3")
    told = " ".join(made.notes)
    assert "turned round" in told
    assert "put in order, shallowest first: 1 2 3" in told
    assert lint(made.system).clean


EVEN = "0 .340, 1 .325, 2 .310, 3 .295, 4 .280, 5 .265, 6 .250"


@pytest.mark.parametrize(
    ("depths", "spaces", "words"),
    [
        (EVEN, ".150 .290 .430 .570 .710", None),
        (EVEN.replace(".295", ".296"), ".150 .291 .430 .570 .710", None),  # rounded
        ("1 8.6, 2 8.1, 3 7.3, 4 7.0", "4 7 11 12 20", None),  # no step is the usual one
        (
            EVEN.replace(".295", ".290"),
            ".150 .290 .430 .570 .710",
            "most depths lie 0.015 apart, but 2 and 3 0.02, 3 and 4 0.01",
        ),
        (EVEN, ".150 .290 .430 .550 .710", "most cuts lie 0.14 apart, but 3 and 4 0.12, 4 and 5 0.16"),
        (
            EVEN.replace(".295", ".259"),
            ".150 .290 .430 .570 .710",
            "the depths' names don't run in the order of their figures",
        ),
    ],
)
def test_a_figure_that_stands_out_of_an_even_chart_is_told(depths: str, spaces: str, words: str | None) -> None:
    unit = "mm" if "8.6" in depths else "in"
    made = draft(answered(unit=unit, milling="edge", stop="shoulder", depths=depths, spaces=spaces), "f")
    odd = [finding.message for finding in lint(made.system).findings if finding.code == "uneven"]
    assert odd == [] if words is None else words in odd[0]


@pytest.mark.parametrize("measured", ["far-edge", "own-edge", "centre"])
@pytest.mark.parametrize("milling", ["external", "internal", "edge"])
def test_depths_are_shallowest_first_however_they_are_measured(milling: str, measured: str) -> None:
    made = draft(answered(milling=milling, measured=measured), "f")
    assert not [f for f in lint(made.system).findings if f.code == "depths-reversed"]


def test_tracks_of_their_own() -> None:
    made = draft(answered(depths="left: 1 8.60, 2 8.15; right: 1 8.50, 2 8.05"), "f")
    assert [t.depths for t in made.system.tracks] == [(8.6, 8.15), (8.5, 8.05)]


# ---- what is refused ----------------------------------------------------------------------------------------------


def test_what_is_missing_is_told_at_once() -> None:
    status, stdout, stderr = run("new", "finch", "--milling", "edge")
    assert (status, stdout) == (2, "")
    assert "4 things are not known yet: unit, depths, stop, spaces" in stderr
    assert "--unit … --depths … --stop … --spaces …" in stderr


@pytest.mark.parametrize(
    ("key", "text", "message"),
    [
        ("unit", "cm", "the unit is 'cm'"),
        ("milling", "outside in", "the kind of key is 'outside in'"),
        ("depths", "1 8.60", "1 depth found"),
        ("depths", "1 8.60, 2 8.60", "two depths have the dimension 8.6"),
        ("depths", "1 8.60, ? 8.10", "'?' can't be a depth's name"),
        ("spaces", "21.4 19.1 20.0", "the spaces 21.4 19.1 20.0 turn"),
        ("spaces", "21.4 far", "the spaces are '21.4 far'"),
        ("spaces", "first x pitch y count 3", "the spaces are 'first x pitch y count 3'"),
        ("spaces", "first 21.4 pitch 2.3 count 0", "the spaces are 'first 21.4 pitch 2.3 count 0'"),
        ("spaces", "first 21.4 pitch -12 count 7", "the spaces run past the stop"),
        ("width", "wide", "the blade's width is 'wide'"),
        ("width", "-3", "the blade's width is '-3'"),
        ("angle", "200", "the angle is '200'"),
        ("macs", "two", "the number of depths is 'two'"),
        ("tracks", "a b c", "the tracks are 'a b c'"),
        ("about", "", "the description is ''"),
    ],
)
def test_an_answer_that_is_none_says_why(key: str, text: str, message: str) -> None:
    with pytest.raises(BittingError) as fault:
        answered().with_answer(key, text)
    assert fault.value.message.startswith(message)
    assert fault.value.hint


@pytest.mark.parametrize(
    "typed", ["1 3,45, 2 3,10, 3 2,75", "1 3.45 ; 2 3.10;3 2.75", "1=3.45, 2=3.10, 3=2.75", "1 3.45\n2 3.10\n3 2.75"]
)
def test_depths_as_people_type_them(typed: str) -> None:
    assert answered(depths=typed)["depths"] == "1 3.45, 2 3.10, 3 2.75"


@pytest.mark.parametrize(
    "typed", ["21,4 19,1 16,8", "21.4, 19.1, 16.8", "21.4;19.1;16.8", "first 21.4 pitch 2.3 count 3"]
)
def test_spaces_as_people_type_them(typed: str) -> None:
    assert answered(spaces=typed, stop="tip")["spaces"] == "21.4 19.1 16.8"


@given(st.sampled_from(sorted(QUESTIONS)), st.text(alphabet="0123456789.,;:= abmin<>-x|\n", max_size=30))
def test_any_answer_is_kept_or_refused(key: str, typed: str) -> None:
    try:
        once = answered().with_answer(key, typed)
    except BittingError:
        return
    assert once.with_answer(key, once.given[key]).given[key] == once.given[key], "what is kept is kept as it stands"


def test_a_pitch_needs_the_stop() -> None:
    with pytest.raises(BittingError, match="which way the spaces run isn't known"):
        Answers().with_answer("unit", "mm").with_answer("spaces", "first 21.4 pitch 2.3 count 7")


def test_lengths_in_another_unit_are_converted() -> None:
    assert answered(width="0.5 in")["width"] == "12.7000"
    assert answered(width="390 thou")["width"] == "9.9060"
    assert answered(width="9,9")["width"] == "9.9"


def test_nothing_is_overwritten_and_nothing_half_written(tmp_path: Path) -> None:
    out = tmp_path / "own.toml"
    out.write_text("mine", encoding="utf-8")
    words = ["new", "finch", "--chart", str(EXAMPLES / "knot-chart.csv"), "-o", str(out)]
    status, stdout, stderr = run(*words)
    assert (status, stdout) == (2, "")
    assert "is there already" in stderr
    assert out.read_text(encoding="utf-8") == "mine"
    other = tmp_path / "other.toml"
    status, stdout, stderr = run(*words[:-1], str(other), "--rule", "adjacent cats differ")
    assert (status, stdout) == (2, "")
    assert "adjacent cats differ" in stderr
    assert not other.exists()


def test_a_system_without_rules_is_told_to_be_one(tmp_path: Path) -> None:
    words = [part for key, text in {**SAID, "stop": "tip"}.items() for part in (f"--{key}", text)]
    status, stdout, _ = run("new", "finch", *words, "-o", str(tmp_path / "own.toml"))
    assert status == 0
    assert "no rules: every combination of depths is legal" in stdout


def test_json_names_the_file(tmp_path: Path) -> None:
    out = tmp_path / "own.toml"
    status, stdout, _ = run("new", "knot", "--chart", str(EXAMPLES / "knot-chart.csv"), "-o", str(out), "--json")
    answer = json.loads(stdout)
    assert (status, answer["file"], answer["clean"]) == (0, str(out), True)


# ---- questions ----------------------------------------------------------------------------------------------------


def talk(answers: Answers, *typed: str) -> tuple[Answers, list[str], list[str]]:
    """Hold a conversation; whatever is asked after the typed answers gets the default."""
    lines: Iterator[str] = iter(typed)
    asked: list[str] = []
    told: list[str] = []

    def ask(text: str, default: str | None) -> str:
        asked.append(text)
        return next(lines, "" if default else "-")

    return interview(answers, ask, told.append, lambda _: None), asked, told


def test_everything_is_asked_once_and_what_is_said_is_not() -> None:
    answers, asked, _ = talk(answered(stop="tip"))
    assert len(asked) == len(set(asked))
    assert not [text for text in asked if "mm or in inches" in text or "tip or from" in text]
    assert any("How wide is the blade" in text for text in asked)
    assert draft(answers, "f").system.stop == "tip"


def test_going_back_help_and_a_wrong_answer() -> None:
    answers, asked, told = talk(answered(), "external", "?", "middle?", "<", "edge", "far-edge", "tip")
    assert answers["milling"] == "edge"
    assert asked.count(QUESTIONS["measured"].text) == 4
    assert any("own-edge: from the track's own edge" in line for line in told)
    assert any("'middle?'" in line for line in told)
    assert QUESTIONS["tracks"].text not in asked, "an edge key has one track"


def test_going_back_shows_what_was_answered_there() -> None:
    assert talk(answered(), "edge", "own-edge", "<", "<")[0]["milling"] == "edge"  # Enter keeps it
    assert talk(answered(), "edge", "own-edge", "<", "<")[0]["measured"] == "own-edge"


def test_back_at_the_first_question_says_so() -> None:
    assert "this is the first question" in talk(answered(), "<")[2]


def test_a_rule_is_tried_as_soon_as_it_is_said() -> None:
    said = dict.fromkeys(("milling", "measured", "tracks", "sides"), "")
    answers = answered(stop="tip")
    for key in said:
        answers = answers.with_answer(key, answers.default(key) or "")
    found, _, told = talk(
        answers, "-", "-", "-", "-", "2", "adjacent cats differ", "no more than 2 equal cuts in a row"
    )
    assert any("adjacent cats differ" in line for line in told)
    assert draft(found, "f").system.must == ("adjacent cuts differ by at most 2", "no more than 2 equal cuts in a row")


def test_saved_answers_are_taken_up_again(tmp_path: Path) -> None:
    saved, out = tmp_path / "answers.toml", tmp_path / "own.toml"
    saved.write_text('unit = "mm"\nstop = "tip"\nwidth = "9.5"\n', encoding="utf-8")
    status, _, stderr = run(
        "new", "finch", "--answers", str(saved), "--depths", SAID["depths"], "--spaces", SAID["spaces"], "-o", str(out)
    )
    assert (status, stderr) == (0, "")
    assert load_system(out).blade.width == 9.5
    saved.write_text("colour = 3\n", encoding="utf-8")
    assert run("new", "finch", "--answers", str(saved), "-o", str(tmp_path / "b.toml"))[0] == 2


# ---- the user's own folder ----------------------------------------------------------------------------------------


def test_systems_of_ones_own_are_found_by_name(own_folder: Path, tmp_path: Path) -> None:
    words = ["new", "knot", "--chart", str(EXAMPLES / "knot-chart.csv")]
    assert run(*words)[0] == 0
    assert (own_folder / "knot.toml").is_file()
    assert load_system("Knot").name == "knot"
    listed = json.loads(run("list", "--json")[1])
    assert {row["system"]: row["from"] for row in listed["systems"]}["knot"] == str(own_folder / "knot.toml")
    assert {row["from"] for row in listed["systems"] if row["system"] == "wren"} == {"shipped"}
    assert str(own_folder / "knot.toml") in run("list")[1]
    status, _, stderr = run(*words)
    assert status == 2
    assert "is there already" in stderr or "a system called 'knot'" in stderr
    table = tmp_path / "mixed.csv"
    table.write_text("lock,code\nknot,2 1 1 2 2 1 / 1 1 2 2 1 1\nwren,1 1 1 1 1 1 1 1\n", encoding="utf-8")
    done = CliRunner().invoke(
        main, ["batch", str(table), "--system-column", "lock", "-o", str(tmp_path / "o.csv"), "--json"]
    )
    assert json.loads(done.stdout)["unreadable"] == 0


def test_a_shipped_name_is_not_taken_again() -> None:
    status, _, stderr = run("new", "wren", "--chart", str(EXAMPLES / "knot-chart.csv"))
    assert status == 2
    assert "a system called 'wren' ships with the toolkit" in stderr


def test_two_of_one_name_are_an_error_wherever_it_is_used(own_folder: Path) -> None:
    own_folder.mkdir(parents=True)
    text = Path(load_system("wren").path).read_text(encoding="utf-8")
    (own_folder / "mine.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BittingError, match=r"2 systems are called 'wren': shipped and .*mine\.toml"):
        load_system("wren")
    assert load_system(own_folder / "mine.toml").name == "wren"
    status, _, stderr = run("list")
    assert status == 2
    assert "2 systems are called 'wren'" in stderr
    assert load_system("plover").name == "plover"


def test_a_broken_file_of_ones_own_is_listed_and_harms_no_other(own_folder: Path) -> None:
    own_folder.mkdir(parents=True)
    (own_folder / "broken.toml").write_text("format = 1\n[system", encoding="utf-8")
    assert "broken" in {known.name for known in known_systems()}
    status, stdout, _ = run("list")
    assert status == 0
    assert "can't be used" in next(line for line in stdout.splitlines() if line.startswith("broken"))
    assert load_system("plover").name == "plover"


def test_a_whole_folder_is_linted(own_folder: Path) -> None:
    for name in ("knot", "smew"):
        assert run("new", name, "--chart", str(EXAMPLES / f"{name}-chart.csv"))[0] == 0
    status, stdout, _ = run("lint", str(own_folder), "--strict", "--json")
    assert status == 0
    assert [found["system"] for found in json.loads(stdout)["systems"]] == ["knot", "smew"]
    (own_folder / "again.toml").write_text((own_folder / "knot.toml").read_text(encoding="utf-8"), encoding="utf-8")
    status, _, stderr = run("lint", str(own_folder))
    assert status == 2
    assert "2 systems are called 'knot'" in stderr
    (own_folder / "again.toml").write_text("format = 2", encoding="utf-8")
    status, stdout, stderr = run("lint", str(own_folder))
    assert status == 2
    assert "knot: clean" in stdout
    assert "again.toml can't be used" in stderr


# ---- changing a file ----------------------------------------------------------------------------------------------


def test_a_file_is_changed_without_losing_a_word() -> None:
    text = Path(load_system("dunlin").path).read_text(encoding="utf-8")
    changed = with_rules(text, [("first cut is not 7", "why")])
    system = read_system(changed, "f")
    assert system.must == (*load_system("dunlin").must, "first cut is not 7")
    kept = [line for line in changed.splitlines() if "first cut is not 7" not in line]
    assert kept == text.splitlines()
    track = system.tracks[0]
    depth, space = round(track.depths[0] + 0.001, 4), round(track.spaces[1] + 0.001, 4)
    moved = with_chart(changed, {("edge", track.labels[0]): str(depth)}, {("edge", 1): str(space)})
    again = read_system(moved, "f").tracks[0]
    assert (again.depths[0], again.spaces[1]) == (depth, space)
    assert again.depths[1:] == track.depths[1:]
    assert [again.spaces[0], *again.spaces[2:]] == [track.spaces[0], *track.spaces[2:]]
    differing = [a for a, b in zip(moved.splitlines(), changed.splitlines(), strict=True) if a != b]
    assert [line.split(" = ")[0] for line in differing] == ["spaces", "depths"]
    assert all("#" in line for line in differing)


def test_rules_are_added_to_a_file_without_any() -> None:
    text = draft(answered(), "f").text
    assert "rules" not in tomllib.loads(text)
    assert read_system(with_rules(text, [("at least 2 different depths", "x")]), "f").must == (
        "at least 2 different depths",
    )


def test_lint_says_which_figures_to_add_and_strict_fails_without_them(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    text = draft(answered(), "f").text
    path.write_text(text[: text.index("[cutting]")], encoding="utf-8")
    status, stdout, _ = run("lint", str(path), "--json")
    findings = [f for f in json.loads(stdout)["findings"] if f["code"] == "not-checked"]
    assert status == 0
    said, added = findings[-1]["message"].split(" add ")
    assert said == "to have everything checked,"
    assert set(added.split("; ")[0].split(", ")) == {"under [blade] width = …", "thickness = …", "mill_depth = …"}
    figures = ("cutter", "seat", "steepest", "tolerance")
    assert all(f"{key} = …" in added for key in figures)
    assert run("lint", str(path), "--strict")[0] == 1


def test_rules_of_the_chart_and_of_the_options_hold_beside_each_other(
    tmp_path: Path,
) -> None:
    chart, out = tmp_path / "chart.csv", tmp_path / "own.toml"
    rows = "macs,2\nrule,cut 1 is not 3\nrule,no more than 2 equal cuts in a row"
    chart.write_text(
        f"unit,mm\nstop,tip\n{rows}\ndepth,dimension\n1,8.40\n2,7.95\n3,7.50\n\nspace,distance\n1,19.8\n2,17.4\n3,15.0\n"
    )
    said = run(
        "new",
        "finch",
        "--chart",
        str(chart),
        "--rule",
        "last cut is not 3",
        "--macs",
        "1",
        "--width",
        "9.6",
        "-o",
        str(out),
    )[1]
    sentences = {rule.sentence for rule in load_system(out).rules}
    assert {"cut 1 is not 3", "no more than 2 equal cuts in a row", "last cut is not 3"} <= sentences
    assert "adjacent cuts differ by at most 1" in sentences
    assert "rule: adjacent cuts differ by at most 1" in said
