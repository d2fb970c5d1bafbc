"""Two keys beside each other: against brute force, measured keys, and the command line of both commands."""

import itertools
import json
import random
import re
import stat
import xml.etree.ElementTree as ET

import attrs
import pytest
from click.testing import CliRunner

from bitting.cli import main
from bitting.completion import compare
from bitting.completion.compare import WHOLE
from bitting.errors import BittingError
from bitting.model import Measuring
from bitting.notation import parse_code, parse_readings
from tests.complete_oracle import brute, flat_of, random_case, system_of, text_of

PLAIN = """\
format = 1
[system]
name = "invented"
about = "invented for a test"
source = "invented"
unit = "mm"
stop = "tip"
[[tracks]]
name = "left"
milling = "external"
measured = "far-edge"
spaces = { first = 12.0, pitch = -2.5, count = 4 }
depths = { 1 = 8.0, 2 = 7.5, 3 = 7.0, 4 = 6.5 }
[[tracks]]
name = "right"
like = "left"
[rules]
must = ["adjacent cuts differ by at most 2"]
[locks]
door = "1-2"
steering = "2-4"
"""


@pytest.fixture
def system_path(tmp_path):
    path = tmp_path / "invented.toml"
    path.write_text(PLAIN)
    return str(path)


def run(*arguments, stdin=None):
    return CliRunner().invoke(main, arguments, input=stdin)


def test_against_brute_force():
    """Deepening, what locks see and shared keys, by going through every key that either code can be."""
    for seed in range(60):
        system, _, cells = random_case(seed)
        system = attrs.evolve(system, locks={**system.locks, "steering": (0,)})
        draw = random.Random(seed)
        widths = [draw.choice([1, 1, 1, 2]) for row in cells for _ in row]
        other = []
        for row in cells:
            labels = range(len(system.tracks[0].labels))
            other.append([tuple(sorted(draw.sample(labels, widths.pop()))) for _ in row])
        first, second = (parse_code(text_of(system, each), system) for each in (cells, other))
        got = compare(first, second, system)
        ones, twos = (list(itertools.chain.from_iterable(each)) for each in (cells, other))
        pairs = list(itertools.product(itertools.product(*ones), itertools.product(*twos)))
        can = {all(x <= y for x, y in zip(a, b, strict=True)) for a, b in pairs}
        assert got.deepens in {True: {True, None}, False: {False}}[True in can], seed
        if got.deepens:
            assert can == {True}
        places = [cut for row in cells for cut in range(len(row))]
        for lock, differs in got.locks:
            reads = [i for i, cut in enumerate(places) if cut in system.locks[lock]]
            seen = {any(a[i] != b[i] for i in reads) for a, b in pairs}
            assert differs is (None if len(seen) > 1 else seen.pop()), (seed, lock)
        everything = [[tuple(range(len(system.tracks[0].labels)))] * len(row) for row in cells]
        legal = brute(system, everything) if len(places) <= 5 else None
        assert [(s.first, s.second) for s in got.shared] == list(itertools.product(system.locks, repeat=2))
        for shared in got.shared if legal is not None else ():
            serving = [
                key
                for key in legal
                if all(key[i] in ones[i] for i, cut in enumerate(places) if cut in system.locks[shared.first])
                and all(key[i] in twos[i] for i, cut in enumerate(places) if cut in system.locks[shared.second])
            ]
            assert shared.serves == bool(serving), (seed, shared)
            if serving:
                key = flat_of(shared.key, system)
                assert key in serving
                assert sum(key) == min(map(sum, serving))
        assert got.legal == bool(brute(system, other))


def test_cut_by_cut():
    system = system_of(("left", "right"), 2, 4, ())
    got = compare(parse_code("left: 1 3 / right: [1 2] 2", system), parse_code("left: 2 2 / right: 3 2", system))
    assert [(cut.track, cut.cut, cut.first, cut.second, cut.change) for cut in got.cuts] == [
        ("left", 1, "1", "2", "deepen"),
        ("left", 2, "3", "2", "too-deep"),
        ("right", 1, "[1 2]", "3", "deepen"),
        ("right", 2, "2", "2", "same"),
    ]
    assert got.deepens is False
    assert got.recuts == ()
    assert got.locks == ((WHOLE, True),)
    assert [(shared.first, shared.serves) for shared in got.shared] == [(WHOLE, False)]


def test_the_recuts_make_the_second_of_the_first():
    system = system_of(("edge",), 4, 4, ())
    got = compare(parse_code("1 2 3 1", system), parse_code("1 4 3 2", system))
    assert got.deepens
    assert [(cut.cut, cut.second) for cut in got.recuts] == [(2, "4"), (4, "2")]


def measured(values, code, **figures):
    system = system_of(("edge",), 3, 4, ())  # depths 8.0, 7.5, 7.0, 6.5
    system = attrs.evolve(system, measuring=Measuring(tolerance=0.05, reading_sd=0.03, **figures))
    return compare(parse_readings(values, system), parse_code(code, system), system)


@pytest.mark.parametrize(
    ("values", "code", "changes", "deepens"),
    [
        ("8.00 7.52 7.01", "1 2 3", ["same", "same", "same"], True),
        ("8.00 7.98 7.01", "1 2 3", ["same", "deepen", "same"], True),
        ("8.00 7.02 7.01", "1 2 3", ["same", "too-deep", "same"], False),
        ("8.00 7.42 7.01", "1 2 3", ["same", "open", "same"], None),
        ("8.00 7.42|7.41|7.42|7.41 7.01", "1 2 3", ["same", "too-deep", "same"], False),
        ("8.00 7.58 7.01", "1 2 3", ["same", "open", "same"], None),
        ("8.00 ? 7.01", "1 2 3", ["same", "open", "same"], None),
        ("8.00 7.99 7.01", "1 [2 3] 3", ["same", "deepen", "same"], True),
        ("8.00 7.50 7.01", "1 [2 3] 3", ["same", "open", "same"], None),
        ("8.00 6.50 7.01", "1 [2 3] 3", ["same", "too-deep", "same"], False),
    ],
)
def test_a_measured_key(values, code, changes, deepens):
    got = measured(values, code)
    assert [cut.change for cut in got.cuts] == changes
    assert got.deepens is deepens
    assert got.measured
    assert got.locks == got.shared == ()


def test_the_limit_for_too_deep_is_95_percent():
    """Deeper than 0.05 by 1.645 times 0.03 (the 95 % point of the normal distribution, from memory): at 7.4006."""
    assert measured("8 7.400 7", "1 2 3").cuts[1].change == "too-deep"
    assert measured("8 7.402 7", "1 2 3").cuts[1].change == "open"


def test_what_the_readings_of_a_cut_share_is_not_averaged_away():
    repeats = "8.00 7.42|7.41|7.42|7.41 7.01"
    assert measured(repeats, "1 2 3", cut_sd=0.05).cuts[1].change == "open"


def test_readings_across_are_refused():
    system = system_of(("left", "right"), 2, 4, ())
    readings = parse_readings("left: 8.0 8.0 / right: 7.5 7.5", system)
    across = attrs.evolve(readings, cuts=(attrs.evolve(readings.cuts[0], track="across"),))
    with pytest.raises(BittingError, match="across"):
        compare(across, parse_code("1 1 2 2", system))


def test_keys_of_different_systems_are_refused():
    first, second = (parse_code("1 2", system_of(("edge",), 2, depths, ())) for depths in (3, 4))
    with pytest.raises(BittingError, match="different systems"):
        compare(first, second)


# the command line


def test_complete_as_json(system_path):
    got = run("complete", "left: 1 ? 2 2 / right: 3 3 [2 3] 1", "-s", system_path, "--json", "--limit", "2")
    assert got.exit_code == 0
    answer = json.loads(got.stdout)
    assert answer["count"] == 6  # left cut 2 can be 1, 2 or 3 beside the 1
    assert answer["codes"] == ["left: 1 1 2 2 / right: 3 3 2 1", "left: 1 1 2 2 / right: 3 3 3 1"]
    assert answer["complete"] is False
    assert answer["blanks"] == len(answer["tries"]) == len(answer["rivals"])
    tried = list(itertools.chain.from_iterable(answer["tries"]))
    assert len(tried) == len(set(tried)) == 6


def test_complete_for_people(system_path):
    got = run("complete", "left: 1 ? 2 2 / right: 3 3 3 1", "-s", system_path, "--limit", "3")
    assert got.exit_code == 0
    assert got.stdout.startswith("Before cutting trial keys: measure the open cuts once more")
    assert "\n3 legal codes of invented fit left: 1 ? 2 2 / right: 3 3 3 1:\n  left: 1 1 2 2" in got.stdout
    assert max(map(len, got.stdout.splitlines())) <= 100
    assert "1 blank to try them all." in got.stdout
    assert "   1. cut left: 1 1 2 2 / right: 3 3 3 1\n   2. deepen left cut 2 to 2\n" in got.stdout
    assert "local law decides" in got.stdout


@pytest.mark.parametrize(
    ("code", "system"),
    [("2133??4 1124?21", "plover"), ("5?27??", "dunlin"), ("left: ????1??? / right: 24313132", "heron")],
)
def test_an_answer_about_many_codes_takes_one_screen(code, system):
    lines = run("complete", code, "-s", system).stdout.splitlines()
    assert len(lines) <= 40
    assert any("more blanks (--limit shows more, --json all)" in line for line in lines)
    assert len(run("complete", code, "-s", system, "--limit", "20").stdout.splitlines()) > 40
    assert len(json.loads(run("complete", code, "-s", system, "--json").stdout)["codes"]) == 20


def test_complete_with_nothing_left(system_path):
    got = run("complete", "left: 1 4 ? 2 / right: 3 3 3 1", "-s", system_path)
    assert got.exit_code == 1
    assert got.stdout.startswith("No legal code of invented fits")


def test_complete_from_a_pipe_for_a_lock(system_path):
    got = run("complete", "-s", system_path, "--lock", "door", "--json", stdin="left: 1 ? ? ? / right: 3 3 ? ?\n")
    answer = json.loads(got.stdout)
    assert answer["count"] == 3
    assert answer["codes"][0] == "left: 1 1 ? ? / right: 3 3 ? ?"
    assert [len(keys) for keys in answer["keys"]] == [len(codes) for codes in answer["tries"]]


def test_complete_with_readings(system_path):
    got = run(
        *("complete", "left: 1 ? ? 2 / right: 3 3 3 1", "-s", system_path, "--limit", "4"),
        *("--readings", "left: 8.0 7.48 7.02 7.5 / right: 7 7 7 8"),
    )
    assert got.exit_code == 0
    assert re.search(r"\n +9\d\.\d %  left: 1 2 3 2 / right: 3 3 3 1\n", got.stdout)


def test_readings_that_contradict_a_known_cut_are_refused():
    """A cut written 1 that reads as 6 is a slip, or another key: no code is likely by both."""
    line = ("complete", "-s", "dunlin", "--readings", ".299 .250 .248 .282 .316 .265")
    refused = run(*line, "316?25")
    assert (refused.exit_code, refused.stdout) == (2, "")
    assert "edge cut 2 is written 1 and reads 0.25" in refused.stderr
    for open_there in ("3??425", "3[1 6]6?25", "366?25"):
        assert run(*line, open_there).exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["left: 1 ? 2 / right: 3 3 3 1"], "cuts"),
        (["left: 1 ? 2 9 / right: 3 3 3 1"], "'9' is no depth of left"),
        (["left: 1 ? 2 2 / right: 3 3 3 1", "--lock", "dor"], "no lock 'dor'"),
        (["left: 1 ? 2 2 / right: 3 3 3 1", "--where", "cut 2 is nice"], "isn't understood"),
        (["left: 1 ? 2 2 / right: 3 3 3 1", "--readings", "left: 8 8 8 8,1,2"], "bitting:"),
    ],
)
def test_complete_refuses(system_path, arguments, message):
    got = run("complete", *arguments, "-s", system_path, "--json")
    assert got.exit_code == 2
    assert got.stdout == ""
    assert message in got.stderr


def test_the_picture_of_what_is_open(system_path, tmp_path):
    target = tmp_path / "open.svg"
    arguments = ("complete", "left: 1 ? 2 2 / right: 3 3 [2 3] 1", "-s", system_path, "--svg", str(target))
    assert run(*arguments).exit_code == 0
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    shapes = ET.fromstring(target.read_text()).iter("{http://www.w3.org/2000/svg}rect")
    kinds = [shape.get("class") for shape in shapes]
    assert kinds.count("common") == 8
    assert kinds.count("open") == 2
    before = target.read_text()
    refused = run(*arguments)
    assert refused.exit_code == 2
    assert target.read_text() == before
    assert run(*arguments, "--force").exit_code == 0
    nothing = run("complete", "left: 1 4 ? 2 / right: 3 3 3 1", "-s", system_path, "--svg", str(tmp_path / "no.svg"))
    assert nothing.exit_code == 1  # that no code fits is the answer, drawn or not
    assert not (tmp_path / "no.svg").exists()


def test_a_sentence_that_bars_every_code_is_named_and_not_what_is_written():
    code, sentence = "left: 213??44 / right: 1124421", "cut 4 is deeper than cut 5"
    without = int(
        run("complete", code, "-s", "plover", "--limit", "0", "--json")
        .stdout.partition('"count": ')[2]
        .partition(",")[0]
    )
    barred = run("complete", code, "-s", "plover", "--where", sentence)
    assert barred.exit_code == 1
    assert f"{without} legal codes of plover fit" in barred.stdout
    assert f"none keeps what --where says: {sentence}." in " ".join(barred.stdout.split())
    assert "begin with `on left, …` or `on right, …`" in " ".join(barred.stdout.split())
    assert "No legal code" not in barred.stdout
    assert run("complete", code, "-s", "plover", "--where", f"on left, {sentence}").exit_code == 0
    assert (
        "No legal code" in run("complete", "left: 151??44 / right: 1124421", "-s", "plover", "--where", sentence).stdout
    )


def test_compare_on_the_command_line(system_path):
    keys = ("left: 1 2 3 3 / right: 2 2 2 2", "left: 1 3 3 3 / right: 2 2 2 3")
    got = run("compare", *keys, "-s", system_path)
    assert got.exit_code == 0
    assert "left cut 2   2 -> 3  deepen" in got.stdout
    assert (
        "The first can be deepened into the second: left cut 2 to 3, right cut 4 to 3. The moves: bitting plan -s "
        f"{system_path} --have - asks for the second, then the first." in got.stdout
    )
    assert "The lock 'door' sees a difference." in got.stdout
    assert run("compare", *reversed(keys), "-s", system_path).exit_code == 1
    piped = run("compare", "-s", system_path, "--json", stdin="\n".join(keys) + "\n")
    assert piped.exit_code == 0
    answer = json.loads(piped.stdout)
    assert answer["deepens"] is True
    assert [cut["cut"] for cut in answer["recuts"]] == [2, 4]
    assert {lock["lock"]: lock["differs"] for lock in answer["locks"]} == {"door": True, "steering": True}


def test_compare_says_that_the_second_is_not_legal(system_path):
    got = run("compare", "left: 1 1 1 1 / right: 2 2 2 2", "left: 1 4 3 3 / right: 2 2 2 2", "-s", system_path)
    assert got.exit_code == 1
    assert "In invented the second code is not legal" in got.stdout


def test_compare_takes_readings_for_the_first(system_path):
    values, code = "left: 8.00 7.51 7.02 6.99 / right: 7.5 7.5 7.5 7.9", "left: 1 2 3 3 / right: 2 2 2 2"
    for flags in ((), ("--measured",)):
        got = run("compare", values, code, "-s", system_path, *flags)
        assert got.exit_code == 0, got.output
        assert "right cut 4  7.900 -> 2  deepen  by 0.400 mm" in got.stdout


@pytest.mark.parametrize(
    ("arguments", "stdin", "message"),
    [
        (["left: 1 1 1 x / right: 2 2 2 2", "left: 1 1 1 1 / right: 2 2 2 2"], None, "'x'"),
        (["left: 1 1 1 / right: 2 2 2 2", "left: 1 1 1 1 / right: 2 2 2 2"], None, "left has 4 cuts"),
        ([], "left: 1 1 1 1 / right: 2 2 2 2\n", "1 line on standard input"),
    ],
)
def test_compare_refuses(system_path, arguments, stdin, message):
    got = run("compare", *arguments, "-s", system_path, stdin=stdin)
    assert got.exit_code == 2
    assert got.stdout == ""
    assert message in got.stderr
