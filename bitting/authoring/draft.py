"""System files written for people: from answers, and changed without losing a comment.

Every line of a new file carries a comment; a figure that nobody stated is marked ASSUMED, so that what was on the paper and
what is merely usual can't be mistaken for each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any, cast

import tomlkit
from attrs import define, field, frozen
from tomlkit.items import Array, Item, Table

from bitting.authoring.chart import falling
from bitting.authoring.questions import LEAVE_OUT, QUESTIONS, Answers, depth_tables, in_unit, space_lists
from bitting.errors import BittingError
from bitting.geometry.spare import deepest_alone
from bitting.model import Cutting, System
from bitting.model.system import DEFAULTS
from bitting.systemfile import read_system

_COLUMN = 33
"""Where comments begin."""
ASSUMED = "ASSUMED"


@frozen
class Draft:
    """A written file that loads: its text, the system, what was turned round or left out, what is merely assumed."""

    text: str
    system: System = field(repr=False)
    notes: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()


def draft(answers: Answers, path: str) -> Draft:
    """The file that the answers make, read back. Raises `BittingError` where an answer is missing or they clash."""
    missing = answers.missing()
    if missing:
        raise BittingError(
            f"{len(missing)} thing{'s are' if len(missing) > 1 else ' is'} not known yet: "
            + ", ".join(question.key for question in missing),
            hint="add "
            + " ".join(f"--{question.key} …" for question in missing)
            + "; or answer the questions on a terminal",
        )
    idle = [
        key for key in answers.given if key in QUESTIONS and not QUESTIONS[key].applies(answers) and answers.has(key)
    ]
    unused = [f"{key} {answers[key]} isn't used: {UNUSED.get(key, 'nothing here needs it')}" for key in idle]
    writer = _Writer(answers, [*answers.notes, *unused])
    text = writer.text()
    system = read_system(text, path)
    return Draft(text, system, tuple(writer.notes), tuple(writer.assumed))


FOR_A_VEE = "it is cut with an end mill (or say shape, vee)"
UNUSED = {
    "cutter": "it is cut with a vee, which has an angle and a root (or say shape, round)",
    "angle": FOR_A_VEE,
    "root": FOR_A_VEE,
}
"""Why an answer to a question that isn't asked goes nowhere."""


@define
class _Writer:
    """Puts one file together; `notes` grow while it does."""

    answers: Answers
    notes: list[str]
    assumed: list[str] = field(factory=list)

    def text(self) -> str:
        a = self.answers
        document = tomlkit.document()
        unit = "millimetres" if a["unit"] == "mm" else "inches"
        document.add(tomlkit.comment(f"{a['name']}: {self._about()}. Lengths are in {unit}."))
        document.add(
            tomlkit.comment(f"{ASSUMED} marks figures that nobody stated: measure or ask before you rely on them.")
        )
        document.add(tomlkit.nl())
        self._put(document, "format", "1", "the version of this file's format")
        document.add("system", self._system())
        if any(a.has(key) for key in ("width", "thickness", "mill-depth", "prepared")):
            document.add("blade", self._blade())
        document.add("tracks", self._tracks())
        if a.has("macs") or a.has("rule"):
            document.add("rules", self._rules())
        document.add("cutting", self._cutting())
        document.add("measuring", self._measuring())
        return tomlkit.dumps(document)

    def _about(self) -> str:
        a = self.answers
        if a.has("about"):
            return a["about"]
        kind = {"external": "external", "internal": "internal groove", "edge": "edge-cut"}[a["milling"]]
        tracks = len(self._names())
        count = f"{tracks} tracks a side" if tracks > 1 else "one track a side"
        sides = {"one": "on one side", "alike": "convenience type", "different": "two sides that differ"}[a["sides"]]
        return f"{kind}, {count}, {sides}, {a['stop']} stop"

    def _put(self, table: Any, key: str, raw: str, comment: str, *, said: str = "") -> None:
        """One line; `said` is the question that it answers, whose default is marked as assumed."""
        if said and not self.answers.said(said):
            comment = f"{ASSUMED}: {comment}"
            self.assumed.append(key)
        item: Item = tomlkit.value(raw)
        item.comment(comment)
        item.trivia.comment_ws = " " * max(1, _COLUMN - len(f"{key} = {raw}"))
        table.add(key, item)

    def _system(self) -> Table:
        a, table = self.answers, tomlkit.table()
        self._put(table, "name", _text(a["name"]), "the name that commands use")
        self._put(table, "about", _text(self._about()), "what a list of systems says of it")
        self._put(table, "source", _text(a["source"]), "where the figures come from")
        self._put(table, "unit", _text(a["unit"]), "of every length in this file: mm | in")
        way = "shrink" if a["stop"] == "tip" else "grow"
        self._put(
            table, "stop", _text(a["stop"]), f"where space distances start; from bow to tip they {way}", said="stop"
        )
        if a["sides"] != "one":
            what = "edges" if a["milling"] == "edge" else "faces"
            self._put(table, "sides", '["top", "bottom"]', f"the two {what}", said="sides")
            alike = a["sides"] == "alike"
            comment = "both sides carry the same cuts" if alike else "each side has cuts of its own"
            self._put(table, "convenience", str(alike).lower(), comment, said="sides")
        return table

    def _blade(self) -> Table:
        a, table = self.answers, tomlkit.table()
        for key, comment in (
            ("width", "the blank's blade, edge to edge"),
            ("thickness", "face to face"),
            ("mill-depth", "how deep a track is milled into its face"),
            ("prepared", "how far in from each edge the blank comes milled"),
        ):
            if a.has(key):
                self._put(table, key.replace("-", "_"), a[key], comment)
        return table

    def _names(self) -> list[str]:
        """The tracks: those that the chart names, otherwise those that were answered; an edge key has one."""
        named = [track for track in (*self._depths(), *self._spaces()) if track]
        if named:
            return list(dict.fromkeys(named))
        return ["edge"] if self.answers["milling"] == "edge" else self.answers["tracks"].split()

    def _depths(self) -> dict[str, dict[str, str]]:
        return depth_tables(self.answers["depths"])

    def _spaces(self) -> dict[str, tuple[str, ...]]:
        return space_lists(self.answers["spaces"])

    def _tracks(self) -> Any:
        tables = tomlkit.aot()
        depths, spaces = self._depths(), self._spaces()
        first: tuple[object, object] | None = None
        for name in self._names():
            own = depths.get(name, depths.get("")), spaces.get(name, spaces.get(""))
            if own[0] is None or own[1] is None:
                what = "depths" if own[0] is None else "spaces"
                raise BittingError(
                    f"the chart has no {what} for the track {name}", hint="name the same tracks for both"
                )
            table = tomlkit.table()
            one = len(self._names()) == 1
            self._put(
                table, "name", _text(name), "the only one of a side" if one else "as seen from bow to tip, this side up"
            )
            if first is not None and own == first:
                self._put(table, "like", _text(self._names()[0]), "the same chart, seen from the other edge")
            else:
                self._described(table, own[0], own[1], first is None)
                first = own if first is None else first
            tables.append(table)
        return tables

    def _described(self, table: Table, depths: Mapping[str, str], spaces: Sequence[str], noted: bool) -> None:
        a = self.answers
        milling, measured = a["milling"], a["measured"]
        self._put(table, "milling", _text(milling), "external | internal | edge", said="milling")
        where = {
            "far-edge": "a depth is the metal left, to the opposite full edge",
            "own-edge": "a depth runs from the track's own edge to the wall",
            "centre": "a depth runs from the middle of the blade to the wall",
        }
        self._put(table, "measured", _text(measured), where[measured], said="measured")
        if len(spaces) > 1 and falling(spaces) != (a["stop"] == "tip"):
            spaces = tuple(reversed(spaces))
            if noted:
                self.notes.append(
                    f"the chart's spaces run from the {'tip' if a['stop'] == 'tip' else 'far end'} on: turned round, as cuts "
                    "are numbered from the bow (cut 1 is the chart's last)"
                )
        self._put(
            table,
            "spaces",
            f"[{', '.join(_decimal(s) for s in spaces)}]",
            f"centre of each cut from the {a['stop']}, cut 1 at the bow",
        )
        order = self._in_order(depths)
        if order != list(depths) and noted:
            self.notes.append("the depths were put in order, shallowest first: " + " ".join(order))
        row = ", ".join(f"{_key(label)} = {_decimal(depths[label])}" for label in order)
        self._put(table, "depths", f"{{ {row} }}", "shallowest first")

    def _rules(self) -> Table:
        a, table = self.answers, tomlkit.table()
        must = tomlkit.array().multiline(True)
        if a.has("macs"):
            must.append(f"adjacent cuts differ by at most {a['macs']}")
        for sentence in a["rule"].split(" | ") if a.has("rule") else ():
            must.append(sentence)
        table.add("must", must)
        return table

    def _cutting(self) -> Table:
        a, table = self.answers, tomlkit.table()
        self._put(table, "shape", _text(a["shape"]), "round (an end mill) | vee", said="shape")
        for key, comment in (
            ("cutter", "diameter of the end mill"),
            ("angle", "included, in degrees"),
            ("root", "the flat at the vee's point"),
        ):
            if a.has(key) and (key == "cutter") == (a["shape"] == "round"):
                self._put(table, key, a[key], comment)
        if a["seat"] != LEAVE_OUT:
            self._put(table, "seat", a["seat"], "width at the centre of a cut on which a tumbler rests", said="seat")
        self._put(
            table,
            "steepest",
            a["steepest"],
            "degrees to the blade's length that a tumbler still climbs",
            said="steepest",
        )
        cuts = min(len(row) for row in self._spaces().values())
        if cuts > 2 and len(self._depths()) == 1:
            setup = f"{{ cut = {(cuts + 1) // 2}, depth = {_text(self._deepest((cuts - 1) // 2))} }}"
            self._put(
                table, "setup", setup, "the setup key: all shallowest but this one, the deepest that spares the others"
            )
        return table

    def _deepest(self, cut: int) -> str:
        """The label of the deepest cut that spares those beside it where all others are the shallowest."""
        a, (table,) = self.answers, self._depths().values()
        cutter, angle, root, seat = (
            float(a[key]) if a.has(key) else None for key in ("cutter", "angle", "root", "seat")
        )
        cutting = Cutting("vee" if a["shape"] == "vee" else "round", cutter, angle, root, seat)
        labels = self._in_order(table)
        rows = [[float(space) for space in row] for row in self._spaces().values()]
        depths = [float(table[label]) for label in labels]
        return labels[min(deepest_alone(cutting, depths, row, cut, seat or root or 0.0) for row in rows)]

    def _in_order(self, depths: Mapping[str, str]) -> list[str]:
        """The labels, the shallowest first."""
        rising = (self.answers["measured"] == "own-edge") == (self.answers["milling"] != "internal")
        return sorted(depths, key=lambda label: Decimal(depths[label]), reverse=not rising)

    def _measuring(self) -> Table:
        a, table = self.answers, tomlkit.table()
        if a.has("tolerance"):
            self._put(
                table, "tolerance", _decimal(a["tolerance"]), "a finished cut may be off by this much", said="tolerance"
            )
        for key, comment in (
            ("reading_sd", "of one reading with an ordinary caliper"),
            ("offset_sd", "shared by all readings of one key: zero, plating, even wear"),
            ("wear", "mean metal lost at one cut"),
        ):
            self._put(table, key, in_unit(a, DEFAULTS[key]), comment, said="wear" if key == "wear" else key)
        return table


def _text(text: str) -> str:
    """A text as TOML writes it."""
    return tomlkit.string(text).as_string()


def _key(label: str) -> str:
    """A depth's label as a key."""
    return label if label.isascii() and label.isalnum() else _text(label)


def _decimal(text: str) -> str:
    """A number as TOML takes it: with a point, and digits on both sides of it."""
    whole, _, places = text.partition(".")
    return f"{whole or 0}.{places or 0}"


def with_rules(text: str, rules: Sequence[tuple[str, str]]) -> str:
    """The text of a system file with more `must` sentences, each with its comment; everything else stays as it is."""
    document = tomlkit.parse(text)
    table = document.get("rules")
    if table is None:
        table = tomlkit.table()
        document.add(tomlkit.nl())
        document.add("rules", table)
    must = table.get("must")
    if not isinstance(must, Array):
        must = tomlkit.array()
        table.add("must", must)
    for sentence, comment in rules:
        must.add_line(sentence, indent="    ", comment=comment)
    return tomlkit.dumps(document)


def with_chart(text: str, depths: Mapping[tuple[str, str], str], spaces: Mapping[tuple[str, int], str]) -> str:
    """The text of a system file with other dimensions: (track, label) and (track, cut from 0) -> the number as written.

    A track that is `like` another shares its table, which is changed where it stands.
    """
    document = tomlkit.parse(text)
    for table in cast(Iterable[Any], document["tracks"]):
        name = str(table["name"])
        if "depths" in table:
            for label in list(table["depths"]):
                if (name, str(label)) in depths:
                    table["depths"][label] = tomlkit.value(depths[name, str(label)])
        found = {cut: value for (track, cut), value in spaces.items() if track == name}
        if found and "spaces" in table:
            _put_spaces(table, found)
    return tomlkit.dumps(document)


def _put_spaces(table: Any, found: Mapping[int, str]) -> None:
    """Change single spaces; a derived row (first, pitch, count) becomes a list."""
    row = table["spaces"]
    if isinstance(row, Mapping):
        first, pitch = Decimal(str(row["first"])), Decimal(str(row["pitch"]))
        made = tomlkit.array()
        for cut in range(int(row["count"])):
            made.append(tomlkit.value(_decimal(format(first + pitch * cut, "f"))))
        table["spaces"] = row = made
    for cut, value in found.items():
        row[cut] = tomlkit.value(value)
