"""System files: every broken one gets all its faults, each with its place, what was found and what is allowed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bitting.errors import BittingError, SystemFileError
from bitting.grammars import folder
from bitting.model import Across, SetupCut
from bitting.systemfile import load_system, read_system, shipped_systems
from bitting.systemfile.schema import _WORD, RESERVED

SOUND = """
format = 1

[system]
name = "finch"
about = "for the tests"
source = "invented"
unit = "mm"
stop = "tip"
sides = ["top", "bottom"]
convenience = true

[blade]
width = 10.0
thickness = 2.6
mill_depth = 1

[[tracks]]
name = "left"
milling = "external"
measured = "far-edge"
spaces = { first = 21.4, pitch = -2.3, count = 7 }
depths = { 1 = 8.60, 2 = 8.15, 3 = 7.70 }

[[tracks]]
name = "right"
like = "left"
direction = "tip-to-bow"

[rules]
must = []

[locks]
door = "1-5"
boot = "1, 3, 5-7"
desk = [7, 2]
box = 4

[cutting]
shape = "round"
cutter = 2.4
setup = { cut = 4, depth = "3" }

[measuring]
reading_sd = 0.03
wear = 0
across = { tracks = ["left", "right"], less = 10.00 }
"""


def faults(text: str) -> list[str]:
    """The faults of a file, without the file's name, which every one of them begins with."""
    with pytest.raises(SystemFileError) as caught:
        read_system(text, "some/finch.toml")
    lines = list(caught.value.faults)
    assert all(line.startswith("finch.toml: ") for line in lines)
    assert all("\n" not in line and line in caught.value.message for line in lines)
    assert "some/finch.toml can't be used" in caught.value.message
    return [line.removeprefix("finch.toml: ") for line in lines]


def changed(*changes: tuple[str, str]) -> str:
    """The sound file with some of its text exchanged; a change that finds nothing is a fault of the test."""
    text = SOUND
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def test_sound_file_gives_what_it_says_and_leaves_the_rest_unsaid() -> None:
    system = read_system(SOUND, "finch.toml")
    left, right = system.tracks
    assert (system.name, system.unit, system.stop, system.path) == ("finch", "mm", "tip", "finch.toml")
    assert left.spaces == (21.4, 19.1, 16.8, 14.5, 12.2, 9.9, 7.6)
    assert (left.labels, left.depths) == (("1", "2", "3"), (8.6, 8.15, 7.7))
    assert (left.direction, right.direction) == ("bow-to-tip", "tip-to-bow")
    assert (right.name, right.spaces, right.depths, right.milling) == ("right", left.spaces, left.depths, "external")
    assert system.locks == {"door": (0, 1, 2, 3, 4), "boot": (0, 2, 4, 5, 6), "desk": (1, 6), "box": (3,)}
    assert system.cutting.setup == SetupCut(3, 2)
    assert system.measuring.across == Across(("left", "right"), 1, -10.0)
    assert (system.measuring.wear, system.measuring.tolerance, system.blade.prepared) == (0.0, None, None)
    assert system.cutting.steepest is None


def test_smallest_file() -> None:
    text = """
    format = 1
    system = { name = "a", source = "invented", unit = "in", stop = "shoulder" }
    tracks = [{ name = "edge", milling = "edge", measured = "far-edge", spaces = [0.2], depths = { 0 = 0.3, 1 = 0.2 } }]
    """
    system = read_system(text, "a.toml")
    assert (system.sides, system.convenience, system.rules, system.about) == ((), False, (), "")


def test_across_from_and_counterclockwise() -> None:
    text = changed(("less = 10.00", "from = 9.5"), ("[measuring]", 'rotation = "counterclockwise"\n[measuring]'))
    system = read_system(text, "finch.toml")
    assert system.measuring.across == Across(("left", "right"), -1, 9.5)
    assert system.cutting.rotation == "anticlockwise"


def test_direction_of_the_file_is_the_one_of_tracks_that_say_none() -> None:
    text = changed(
        ('shape = "round"', 'direction = "tip-to-bow"'), ('direction = "tip-to-bow"', 'direction = "bow-to-tip"')
    )
    assert [track.direction for track in read_system(text, "f").tracks] == ["tip-to-bow", "bow-to-tip"]


LENGTH = "a length greater than 0"
ROWS = "dimensions that all grow or all shrink, shallowest first, none twice"
LABEL = "allowed: letters and digits, and not the word from"
LOCK = 'cuts from the bow, each once, such as "1-5", "1,3,5" or [1, 3, 5]'

BROKEN: list[tuple[str, list[tuple[str, str]], list[str]]] = [
    ("old format", [("format = 1", "format = 0")], ["format: found 0; allowed: the version of the format, a whole"]),
    ("no format", [("format = 1", "")], ["format: not found; add format = 1"]),
    ("format with a point", [("format = 1", "format = 1.0")], ["format: found 1.0; allowed: the version"]),
    ("format true", [("format = 1", "format = true")], ["format: found the truth value true; allowed: the version"]),
    (
        "unknown table and keys",
        [("[blade]", "[blades]"), ('about = "', 'abuot = "')],
        [
            "blades: found this key; allowed: format, system, blade, tracks, rules, locks, cutting, measuring "
            "(did you mean blade?)",
            "system.abuot: found this key; allowed: name, about, source, unit, stop, sides, convenience (did you mean about?)",
        ],
    ),
    (
        "unknown key that is like none",
        [("width", "qqqq")],
        ["blade.qqqq: found this key; allowed: width, thickness, mill_depth, prepared"],
    ),
    (
        "missing keys",
        [('name = "finch"', ""), ('source = "invented"', ""), ('unit = "mm"', ""), ('stop = "tip"', "")],
        [
            'system.name: not found; add name = "…", the name that commands use',
            'system.source: not found; add source = "…", where the data came from',
            'system.unit: not found; add unit = "mm" or unit = "in"',
            'system.stop: not found; add stop = "tip" or stop = "shoulder"',
        ],
    ),
    (
        "bad words",
        [
            ('unit = "mm"', 'unit = "cm"'),
            ('stop = "tip"', "stop = 3"),
            ('"external"', '"outside"'),
            ('"far-edge"', '"edge"'),
        ],
        [
            'system.unit: found "cm"; allowed: "mm" | "in"',
            'system.stop: found 3; allowed: "tip" | "shoulder"',
            'tracks[0].milling: found "outside"; allowed: "external" | "internal" | "edge"',
            'tracks[0].measured: found "edge"; allowed: "far-edge" | "own-edge" | "centre"',
        ],
    ),
    (
        "numbers that are none",
        [
            ("width = 10.0", "width = nan"),
            ("thickness = 2.6", "thickness = true"),
            ("mill_depth = 1", 'mill_depth = "1"'),
            ("cutter = 2.4", "cutter = 0"),
            ("reading_sd = 0.03", "reading_sd = -0.03"),
            ("wear = 0", "wear = inf"),
        ],
        [
            f"blade.width: found nan; allowed: {LENGTH}",
            f"blade.thickness: found the truth value true; allowed: {LENGTH}",
            f'blade.mill_depth: found "1"; allowed: {LENGTH}',
            f"measuring.reading_sd: found -0.03; allowed: {LENGTH}",
            "measuring.wear: found inf; allowed: a length at least 0",
            f"cutting.cutter: found 0; allowed: {LENGTH}",
        ],
    ),
    (
        "more digits than a length has",
        [("width = 10.0", "width = 1" + "0" * 400)],
        ["blade.width: found a very large whole"],
    ),
    (
        "shares and angles",
        [("wear = 0", "outliers = 1"), ("cutter = 2.4", "steepest = 91")],
        [
            "measuring.outliers: found 1; allowed: a share at least 0 and less than 1",
            "cutting.steepest: found 91; allowed: an angle in degrees greater than 0 and at most 90",
        ],
    ),
    (
        "depths that turn",
        [("3 = 7.70", "3 = 8.30")],
        [f"tracks[0].depths: found 3 = 8.3 after 2 = 8.15; allowed: {ROWS}"],
    ),
    (
        "depths that repeat",
        [("3 = 7.70", "3 = 8.15")],
        [f"tracks[0].depths: found 3 = 8.15 after 2 = 8.15; allowed: {ROWS}"],
    ),
    (
        "one depth",
        [(", 2 = 8.15, 3 = 7.70", "")],
        ["tracks[0].depths: found a table of 1; allowed: a table of at least two"],
    ),
    (
        "depths in a list",
        [("{ 1 = 8.60, 2 = 8.15, 3 = 7.70 }", "[8.6, 8.15]")],
        ["tracks[0].depths: found a list of 2; allowed"],
    ),
    (
        "a label with a point",
        [("3 = 7.70", "3.5 = 7.70")],
        ["tracks[0].depths.3: found a table; allowed: a dimension"],
    ),
    (
        "labels that can't be written",
        [("1 = 8.60, 2 = 8.15, 3 = 7.70", '"1 a" = 5, "" = 4, "?" = 3, FROM = 2, "½" = 1, "a-b" = 0.9, "２" = 0.8')],
        [
            f'tracks[0].depths."1 a": found the label "1 a"; {LABEL}',
            f'tracks[0].depths."": found the label ""; {LABEL}',
            f'tracks[0].depths."?": found the label "?"; {LABEL}',
            f'tracks[0].depths.FROM: found the label "FROM"; {LABEL}',
            f'tracks[0].depths."½": found the label "½"; {LABEL}',
            f'tracks[0].depths.a-b: found the label "a-b"; {LABEL}',
            f'tracks[0].depths."２": found the label "２"; {LABEL}',
        ],
    ),
    ("no metal at all", [("3 = 7.70", "3 = 0")], ["tracks[0].depths.3: found 0; allowed: a dimension greater than 0"]),
    ("the same label twice", [("3 = 7.70", "2 = 7.70")], ["not TOML: "]),
    (
        "spaces that turn",
        [("{ first = 21.4, pitch = -2.3, count = 7 }", "[9, 7, 8]")],
        ["tracks[0].spaces[2]: found 8 after 7; allowed: distances that all grow or all shrink, bow to tip"],
    ),
    (
        "a list of spaces with faults of its own",
        [("{ first = 21.4, pitch = -2.3, count = 7 }", '[9, "7", -1, true]')],
        [
            'tracks[0].spaces[1]: found "7"; allowed: a distance from the stop at least 0',
            "tracks[0].spaces[2]: found -1; allowed: a distance from the stop at least 0",
            "tracks[0].spaces[3]: found the truth value true; allowed: a distance from the stop at least 0",
        ],
    ),
    (
        "no spaces",
        [("{ first = 21.4, pitch = -2.3, count = 7 }", "[]")],
        ["tracks[0].spaces: found an empty list; allowed: {"],
    ),
    (
        "spaces beyond the tip",
        [("count = 7", "count = 11")],
        ["tracks[0].spaces: found cut 11 at -1.6; allowed: distances"],
    ),
    ("pitch 0", [("pitch = -2.3", "pitch = 0")], ["tracks[0].spaces.pitch: found 0; allowed: a distance other than 0"]),
    (
        "half a derived row",
        [("pitch = -2.3, count = 7", "cuont = 7.5")],
        [
            "tracks[0].spaces.cuont: found this key; allowed: first, pitch, count (did you mean count?)",
            "tracks[0].spaces.pitch: not found; add pitch = …",
            "tracks[0].spaces.count: not found; add count = …",
        ],
    ),
    (
        "a billion cuts",
        [("count = 7", "count = 1000000000")],
        ["tracks[0].spaces.count: found 1000000000; allowed: a number of cuts from 1 to 1000"],
    ),
    (
        "a track that says nothing",
        [('milling = "external"', ""), ('measured = "far-edge"', ""), ("spaces =", "# "), ("depths =", "# ")],
        [
            'tracks[0].milling: not found; add milling = "external", "internal" or "edge"',
            'tracks[0].measured: not found; add measured = "far-edge", "own-edge" or "centre"',
            "tracks[0].spaces: not found; add spaces = { first = …",
            "tracks[0].depths: not found; add depths = {",
        ],
    ),
    (
        "like nobody",
        [('like = "left"', 'like = "lefft"')],
        ['tracks[1].like: found "lefft"; allowed: a track that stands before this one: left (did you mean '],
    ),
    (
        "like itself",
        [('like = "left"', 'like = "right"')],
        ['tracks[1].like: found "right"; allowed: a track that stands before'],
    ),
    (
        "like and yet not",
        [('like = "left"', 'like = "left"\nmilling = "internal"\nspaces = [1, 2]')],
        [
            "tracks[1].milling: found beside like; allowed: either like, or milling",
            "tracks[1].spaces: found beside like",
        ],
    ),
    (
        "the same track twice",
        [('name = "right"', 'name = "LEFT"')],
        ['tracks[1].name: found "LEFT" again; allowed: names that'],
    ),
    (
        "sides alike",
        [('["top", "bottom"]', '["top", "Top"]')],
        ['system.sides[1]: found "Top"; allowed: names that differ by more'],
    ),
    (
        "one name for side and track",
        [('["top", "bottom"]', '["top", "Left"]')],
        ['system.sides: found "left", which is a track too'],
    ),
    (
        "convenience on one side",
        [('["top", "bottom"]', '["top"]')],
        ["system.convenience: found true with 1 side; allowed: true with"],
    ),
    (
        "convenience without sides",
        [('sides = ["top", "bottom"]', "")],
        ["system.convenience: found true with no sides; allowed"],
    ),
    (
        "a track that is no word",
        [('name = "right"', 'name = "right hand"')],
        ['tracks[1].name: found "right hand"; allowed: one word'],
    ),
    (
        "a track that starts with a digit",
        [('name = "right"', 'name = "2nd"')],
        ['tracks[1].name: found "2nd"; allowed: one word'],
    ),
    (
        "a system that is a path",
        [('name = "finch"', 'name = "../finch"')],
        ['system.name: found "../finch"; allowed: one word'],
    ),
    (
        "an empty source",
        [('source = "invented"', 'source = " "')],
        ['system.source: found " "; allowed: some text on one line'],
    ),
    (
        "locks",
        [
            ('door = "1-5"', 'door = "1-8"\n"front door" = "1"\na = "5-1"\nb = "1,1"\nc = ""\nd = true'),
            ("box = 4", 'e = [0]\nf = "1-2-3"\ng = []'),
        ],
        [
            'locks.door: found "1-8"; allowed: cuts from 1 to 7',
            'locks."front door": found this name; allowed: one word',
            f'locks.a: found "5-1"; allowed: {LOCK}',
            f'locks.b: found "1,1"; allowed: {LOCK}',
            f'locks.c: found ""; allowed: {LOCK}',
            f"locks.d: found the truth value true; allowed: {LOCK}",
            "locks.e: found a list of 1; allowed: cuts from 1 to 7",
            f'locks.f: found "1-2-3"; allowed: {LOCK}',
            f"locks.g: found an empty list; allowed: {LOCK}",
        ],
    ),
    (
        "one lock twice",
        [('door = "1-5"', 'door = "1-5"\nDoor = "1"')],
        ["locks.Door: found this lock twice; allowed: names that differ"],
    ),
    (
        "setup",
        [('cut = 4, depth = "3"', 'cut = 8, depth = "9"')],
        [
            "cutting.setup.cut: found 8; allowed: a cut that every track has, from 1 to 7",
            'cutting.setup.depth: found "9"; allowed: a depth of every track, at the same place: 1, 2, 3',
        ],
    ),
    ("setup without depth", [('cut = 4, depth = "3"', "cut = 4")], ["cutting.setup.depth: not found; add depth = …"]),
    (
        "vee keys on a round cutter",
        [("cutter = 2.4", "angle = 90\nroot = 1")],
        ["cutting.angle: found with a round cutter; allowed: only", "cutting.root: found with a round"],
    ),
    (
        "a shape that is none, beside vee keys",
        [('shape = "round"', 'shape = "v"'), ("cutter = 2.4", "angle = 90")],
        ['cutting.shape: found "v"; allowed: "round" | "vee"'],
    ),
    (
        "across both ways",
        [("less = 10.00", "less = 10.00, from = 10.0")],
        ["measuring.across: found both less and from; allowed: less = W"],
    ),
    ("across no way", [(", less = 10.00", "")], ["measuring.across: found neither less nor from; allowed: less = W"]),
    (
        "across the unknown",
        [('["left", "right"], less', '["left", "wrong"], less')],
        ['measuring.across.tracks[1]: found "wrong"; allowed: left, right'],
    ),
    (
        "across one",
        [('["left", "right"], less', '["left"], less')],
        ["measuring.across.tracks: found a list of 1; allowed: the names of two"],
    ),
    (
        "rules that are no sentences",
        [("must = []", "must = [3]\nshould = 'x'\nmay = []")],
        [
            "rules.must[0]: found 3; allowed: a sentence, such as",
            'rules.should: found "x"; allowed: a list',
            "rules.may: found this key; allowed: must, should",
        ],
    ),
    (
        "tracks not in a list",
        [("[[tracks]]", "[tracks]"), ("[[tracks]]", "[measuring.x]")],
        ["tracks: found a table; allowed: at least one table, headed [[tracks]]", "measuring.x: found this key"],
    ),
    (
        "tables that are values",
        [("[blade]", "locks = 3\n[blade]"), ("[locks]", "[measuring.locks]")],
        ["system.locks: found this key", "measuring.locks: found this key"],
    ),
    ("a date", [("width = 10.0", "width = 2020-01-01")], ["blade.width: found a date or time; allowed: a length"]),
    (
        "faults far apart are told together",
        [
            ('unit = "mm"', 'unit = "m"'),
            ("2 = 8.15", "2 = 9"),
            ('like = "left"', 'like = "x"'),
            ("box = 4", "box = 9"),
            ("wear = 0", "waer = 0"),
        ],
        [
            'system.unit: found "m"',
            "tracks[0].depths: found 3 = 7.7 after 2 = 9",
            'tracks[1].like: found "x"',
            "measuring.waer: found this key",
        ],
    ),
]


@pytest.mark.parametrize(("changes", "expected"), [row[1:] for row in BROKEN], ids=[row[0] for row in BROKEN])
def test_broken_file_gets_every_fault_with_its_place(changes: list[tuple[str, str]], expected: list[str]) -> None:
    found = faults(changed(*changes))
    missing = [line for line in expected if not any(fault.startswith(line) for fault in found)]
    extra = [fault for fault in found if not any(fault.startswith(line) for line in expected)]
    assert (missing, extra) == ([], [])


@pytest.mark.parametrize("name", RESERVED)
def test_words_of_the_notation_are_no_names(name: str) -> None:
    text = changed(('name = "right"', f'name = "{name.title()}"'), ('"bottom"', f'"{name}"'))
    text = text.replace(', "right"]', ', "left"]')
    found = faults(text)
    assert (
        f'tracks[1].name: found "{name.title()}"; allowed: a word that the notation does not use itself'
        in "\n".join(found)
    )
    assert f'system.sides[1]: found "{name}"; allowed: a word that the notation does not use itself' in "\n".join(found)


def test_words_are_those_of_the_notation() -> None:
    grammar = Path(folder("grammars"), "common.lark").read_text(encoding="utf-8")
    word = re.search(r"^WORD: /(.*)/$", grammar, re.MULTILINE)
    assert word is not None
    assert word[1] == _WORD.pattern


def test_text_that_is_not_toml_says_the_line() -> None:
    assert faults("format = 1\n[sytsem\n")[0].startswith("not TOML: ")
    assert "line 2" in faults("format = 1\n[sytsem\n")[0]
    assert faults("a = " + "[" * 100_000) == ["not readable: lists or tables are nested too deeply"]
    assert faults("a = " + "1" * 10_000)[0].startswith("not readable: ")


def test_sentences_that_are_not_understood_are_told_together() -> None:
    text = changed(("must = []", 'must = ["MACS is 1", "adjacent cats differ", "and so on"]\nshould = ["why"]'))
    found = faults(text)
    assert [line.split(":")[0] for line in found] == ["rules.must[1]", "rules.must[2]", "rules.should[0]"]
    assert 'found "adjacent cats differ": ' in found[0]


def test_sentences_become_rules_of_their_level() -> None:
    system = read_system(changed(("must = []", 'must = ["MACS is 1"]\nshould = ["at least 2 different depths"]')), "f")
    assert [(rule.identifier, rule.level, rule.lanes) for rule in system.rules] == [
        ("adjacent-difference", "must", (0,)),
        ("adjacent-difference", "must", (1,)),
        ("distinct-depths", "should", (0,)),
        ("distinct-depths", "should", (1,)),
    ]
    assert system.must == ("MACS is 1",)


# ---- finding and reading files ------------------------------------------------------------------------------------


def test_shipped_names_in_any_capitals() -> None:
    assert "plover" in shipped_systems()
    assert load_system("PLOVER").name == load_system("plover").name == "plover"


def test_unknown_name_gets_the_nearest_and_the_list() -> None:
    with pytest.raises(BittingError, match="no system is called 'plovr'") as caught:
        load_system("plovr")
    assert caught.value.hint.startswith("did you mean plover? systems: ")
    assert all(name in caught.value.hint for name in shipped_systems())
    with pytest.raises(BittingError, match="no system is called ''"):
        load_system("")


def test_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "finch.toml"
    file.write_bytes(b"\xef\xbb\xbf" + SOUND.replace("\n", "\r\n").encode())  # as some editors save it
    monkeypatch.chdir(tmp_path)
    assert load_system(file).path == str(file)
    assert load_system("finch.toml").name == load_system("./finch.toml").name == "finch"
    (tmp_path / "plover").write_text(SOUND)
    (tmp_path / "mine").write_text(SOUND)
    assert load_system("plover").name == "plover"
    assert load_system("./plover").name == load_system("mine").name == "finch"


def test_files_that_cant_be_read(tmp_path: Path) -> None:
    missing, binary, huge = tmp_path / "missing.toml", tmp_path / "binary.toml", tmp_path / "huge.toml"
    binary.write_bytes(b"format = 1\n# \xff\n")
    huge.write_bytes(b"#" * (1 << 20) + b"\n")
    for path, expected in (
        (missing, "No such file or directory"),
        (tmp_path, "Is a directory"),
        (binary, "it is not UTF-8 text"),
        (huge, "it is longer than 1,048,576 bytes, and no more are read"),
    ):
        with pytest.raises(SystemFileError) as caught:
            load_system(path)
        assert caught.value.faults == (caught.value.message,)
        assert caught.value.message == f"can't read the system file {str(path)!r}: {expected}"
    with pytest.raises(SystemFileError, match="null"):
        load_system("a\0.toml")


# ---- anything at all ----------------------------------------------------------------------------------------------

toml_values = st.recursive(
    st.one_of(
        st.booleans().map(lambda b: str(b).lower()),
        st.integers().map(str),
        st.sampled_from(["nan", "inf", "-inf", "1e400", "0.5", "-1.5", "2020-01-01", "08:00:00"]),
        st.text(alphabet="ab 1-,", max_size=8).map(lambda s: f'"{s}"'),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.dictionaries(
            st.sampled_from(
                ["first", "pitch", "count", "cut", "depth", "tracks", "less", "from", "1", "2", "must", "name"]
            ),
            inner,
            max_size=3,
        ).map(lambda d: "{" + ", ".join(f"{k} = {v}" for k, v in d.items()) + "}"),
    ),
    max_leaves=6,
)
lines_with_a_value = [i for i, line in enumerate(SOUND.splitlines()) if "=" in line]


@given(st.dictionaries(st.sampled_from(lines_with_a_value), toml_values, min_size=1, max_size=4))
def test_any_value_anywhere_is_read_or_is_a_fault(values: dict[int, str]) -> None:
    lines = SOUND.splitlines()
    for i, value in values.items():
        lines[i] = lines[i].split("=")[0] + "= " + value
    told: tuple[str, ...] = ()
    try:
        read_system("\n".join(lines), "finch.toml")
    except SystemFileError as error:  # any other exception fails the test
        told = error.faults or ("no fault told",)
    assert all(re.match(r"finch\.toml: (not TOML|line \d+|[a-z]+[\w.\[\]\"-]*): ", fault) for fault in told)


@given(st.text(max_size=200))
def test_any_text_is_a_fault(text: str) -> None:
    with pytest.raises(SystemFileError):
        read_system(text, "finch.toml")
