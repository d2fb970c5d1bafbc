"""Reading a depth-and-space chart: a spreadsheet, a CSV file, or two columns typed from a photograph.

Recognised are, in one file and in any order:

- blocks with a header (`depth, dimension` and `space, distance`; `mm` or `inches` do for the second word), beside each
  other or one below the other; a dimension for each track under the tracks' names (`depth, left, right`);
- the same without headers: two columns, the depths first, then, after a blank line or where the numbering begins again,
  the spaces; or four columns side by side;
- rows: `depths, 1, 2, 3` above `dimension, 8.60, 8.15, 7.70`, or `spaces: 21.4 19.1 16.8`;
- lines that say one thing: `unit, mm`, `stop, tip`, `width, 10.0`, `pitch, 2.3`.

Numbers may have a comma for the point, a unit behind them, or be thousandths of an inch. How everything was read is said
in `Chart.notes`, so that it can be compared with the paper.

>>> chart = read_chart([["1", ".318"], ["2", ".304"], ["3", ".290"], [], ["1", ".190"], ["2", ".346"], ["3", ".502"]])
>>> chart.unit, dict(chart.depths[""]), chart.spaces[""]
('in', {'1': '0.318', '2': '0.304', '3': '0.290'}, ('0.190', '0.346', '0.502'))
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Literal, NamedTuple

from attrs import define, field, frozen

from bitting.errors import BittingError

Rows = Sequence[Sequence[str]]

_NUMBER = re.compile(r"([+-]?)(\d*)[.,]?(\d*)\s*(mm|in|inch|inches|thou|mil|mils|\"|″|'')?", re.IGNORECASE)
_QUOTED = re.compile(r'^(?:.*([\t;,]))?"[^"\n]*"(?:([\t;,])|$)', re.MULTILINE)
_REMARK = re.compile(r"\s*#\s*[^\s,;\t]")
_MACS = re.compile(r"(?:macs|(?:max\w*\.?\s+)?(?:adjacent|neighbou?r\w*))\b\D*(\d)\W*", re.IGNORECASE)
_UNITS = {
    "mm": "mm", "millimetres": "mm", "millimeters": "mm", "in": "in", "inch": "in", "inches": "in", '"': "in", "″": "in",
    "''": "in", "thou": "thou", "mil": "thou", "mils": "thou", "thousandths": "thou",
}  # fmt: skip
_DEPTH = {"depth", "depths", "depthno", "depthnumber", "bitting", "code", "label", "no", "number", "#", "bit"}
_DIMENSION = {
    "dimension", "dimensions", "dim", "size", "measure", "measurement", "metalleft", "rootdepth", "remaining", "value",
    "cutdepth", "height",
}  # fmt: skip
_FROM = {"from", "to", "the", "stop", "shoulder", "tip", "bow", "edge", "across", "blade", "root"}
"""Words that say from where something is measured."""
_NUMBERED = {"no", "number", "#", "label", "code"}
_SPACE = {"space", "spaces", "spaceno", "cut", "cuts", "position", "positions", "pos"}
_DISTANCE = {
    "distance", "distances", "fromtip", "fromshoulder", "fromstop", "fromthetip", "fromtheshoulder", "fromthestop",
    "centre", "center", "tocentre", "location", "spacing",
}  # fmt: skip
SETTINGS = (
    "name", "about", "source", "unit", "stop", "kind", "milling", "measured", "tracks", "sides", "width", "thickness",
    "mill-depth", "prepared", "shape", "cutter", "angle", "root", "seat", "steepest", "macs", "first", "pitch", "count",
    "tolerance", "rule",
)  # fmt: skip
"""What a line of the chart may say beside its tables, as `key, value`."""
_LENGTHS = {"width", "thickness", "cutter", "mill-depth", "prepared", "root", "seat", "first", "pitch", "tolerance"}
_ALIASES = {
    "milled": "mill-depth", "milldepth": "mill-depth", "bladewidth": "width", "bladethickness": "thickness", "units": "unit",
    "kind": "milling", "adjacent": "macs", "system": "name",
}  # fmt: skip


What = Literal["depth", "dimension", "space", "distance"]
_VALUE: Mapping[str, What] = {
    "depth": "dimension",
    "dimension": "dimension",
    "space": "distance",
    "distance": "distance",
}


@frozen
class Chart:
    """What a chart says. Depths and spaces are by track, "" for every track; numbers are kept as they were written.

    `said` holds single settings, `notes` how the chart was read. Nothing is put in order here.
    """

    unit: Literal["mm", "in"] | None
    depths: Mapping[str, Mapping[str, str]]
    spaces: Mapping[str, tuple[str, ...]]
    said: Mapping[str, str]
    notes: tuple[str, ...]


class _Value(NamedTuple):
    text: str
    unit: str | None


class _Head(NamedTuple):
    """What a column of a block holds: a label of a depth or space, or a value (of a track; in a unit)."""

    what: What
    track: str = ""
    unit: str | None = None


@define
class _Reader:
    """Gathers what the rows say; `row` counts from 1 for faults. `wanted` is the unit that the user named."""

    wanted: str | None = None
    depths: dict[str, dict[str, _Value]] = field(factory=dict)
    spaces: dict[str, list[_Value]] = field(factory=dict)
    said: dict[str, str] = field(factory=dict)
    notes: list[str] = field(factory=list)
    heads: list[_Head | None] = field(factory=list)
    labels: list[str] = field(factory=list)
    counted: dict[str, list[int]] = field(factory=dict)

    def depth(self, track: str, label: str, value: _Value, row: int) -> None:
        """One depth; the same label again with another dimension is a fault."""
        known = self.depths.setdefault(track, {})
        if label in known and Decimal(known[label].text) != Decimal(value.text):
            raise BittingError(
                f"row {row} of the chart gives depth {label} as {value.text}, and it was {known[label].text} before",
                hint="write each depth once; spaces begin after a blank line, or under a header such as `space, distance`",
            )
        known[label] = value

    def say(self, key: str, text: str, row: int) -> None:
        """One setting; the same again with other words is a fault, but for rules, of which every one holds."""
        known = self.said.get(key, text)
        if key != "rule" and known != text:
            raise BittingError(
                f"row {row} of the chart: {key} is {text}, and it was {known} before", hint="say it once"
            )
        self.said[key] = text if known == text else f"{known} | {text}"

    def space(self, track: str, value: _Value, number: str | None = None, row: int = 0) -> None:
        """The next space; where the chart numbers them, one that is missing or stands twice is a fault."""
        if number and number.isdecimal():
            count = self.counted.setdefault(track, [])
            count.append(int(number))
            way = count[1] - count[0] if len(count) > 1 else 1
            if (way == 1 and count[0] > 1) or abs(way) != 1 or count[-1] != count[0] + way * (len(count) - 1):
                before = f"the one before it {count[-2]}" if len(count) > 1 else "none stands before it"
                raise BittingError(
                    f"row {row} of the chart is space {number}, and {before}",
                    hint="spaces are numbered one after the other: is one missing, or there twice?",
                )
        self.spaces.setdefault(track, []).append(value)


def read_chart(rows: Rows, unit: str | None = None) -> Chart:
    """What the rows of a chart say; `unit` is what the user said of it.

    Raises `BittingError` for a cell that is no number where one belongs, and for a chart in which nothing is found.
    """
    reader = _Reader(unit)
    block: list[tuple[int, list[str]]] = []
    for number, row in enumerate([*rows, []], start=1):
        cells = [cell.strip() for cell in row]
        if cells and _REMARK.match(cells[0]):
            continue
        while cells and not cells[-1]:
            cells.pop()
        if cells and (setting := _setting(cells)):
            reader.say(*setting, number)
        elif len(cells) == 1 and _role(cells[0]) == "unit":
            reader.said["unit"] = cells[0]
        elif cells and (heads := _headers(cells)):
            _read_block(reader, block)
            reader.heads, block = _one_unit(heads, reader.wanted), []
            for cell, head in zip(cells, reader.heads, strict=False):
                if cell and not head and not _role(cell):
                    reader.notes.append(f"column {cell!r} in row {number} passed over")
            if stop := re.search(r"from\s+(?:the\s+)?(tip|shoulder)\b", " ".join(cells), re.IGNORECASE):
                reader.said.setdefault("stop", stop[1].casefold())
        elif cells and _read_list(reader, cells, number):
            continue
        elif cells and not block and not reader.depths and _is_title(cells):
            reader.notes.append(f"row {number} passed over as a title")
        elif cells:
            block.append((number, cells))
        else:
            _read_block(reader, block)
            block = []
            reader.heads = []
    if not reader.depths and not reader.spaces:
        raise BittingError(
            "no depths and no spaces were found in the chart",
            hint="write two columns: each depth and its dimension, then a blank line, then each space and its distance",
        )
    return _finished(reader, unit)


def split_rows(text: str) -> list[list[str]]:
    """Typed text as rows of cells: separated by tabs, semicolons, commas, equals signs, colons, or blanks.

    >>> split_rows("1 8,60\\n2 8,15"), split_rows("1,8.60"), split_rows("stop: tip"), split_rows("1,8,60\\n2,8,15")
    ([['1', '8,60'], ['2', '8,15']], [['1', '8.60']], [['stop', 'tip']], [['1', '8,60'], ['2', '8,15']])
    >>> split_rows("space,left,right\\n1,850,810")  # as many columns as the header has
    [['space', 'left', 'right'], ['1', '850', '810']]
    """
    lines = [line.rstrip() for line in text.lstrip("\ufeff").splitlines()]
    body = "\n".join(line for line in lines if not _REMARK.match(line))
    if quoted := _QUOTED.search(body):
        return [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=quoted[1] or quoted[2] or ",")]
    for mark in "\t;|":
        if mark in body:
            return [
                [line] if _REMARK.match(line) else [cell.strip() for cell in line.split(mark)] if line.strip() else []
                for line in lines
            ]
    points = bool(re.search(r"\d*\.\d", body))
    rows, columns = [], 0
    for line in lines:
        cells = [cell.strip() for cell in line.split(",")]
        if len(cells) < 2 or not any(map(_value, cells)):  # a header, or what ends its rows
            columns = len(cells)
        rows.append(cells if len(cells) == columns > 2 and any(cells) else _cells(line, points=points))
    return rows


def _cells(line: str, *, points: bool) -> list[str]:
    """The cells of one typed line; `points`: numbers have points, so a comma separates."""
    if not line.strip() or _REMARK.match(line):
        return [line.strip()] if line.strip() else []
    if setting := _setting([part.strip() for part in re.split(r"[:=,]", line, maxsplit=1)]):
        return list(setting)
    named = re.match(r"\s*([^\W\d][\w ]*?)\s*[:=]\s*(.*)", line)
    if named:
        return [named[1], *re.split(r"\s*,\s+|\s+" if not points else r"[\s,]+", named[2].strip())]
    inside = len(re.findall(r"\d,\d", line)) == line.count(",") and "." not in line
    if inside and re.search(r"\S\s+\S", line):  # blanks separate, so a comma is a point
        return line.split()
    if "," in line and (points or not re.search(r"\d", line)):
        return [cell.strip() for cell in line.split(",")]
    if "," in line and (found := re.fullmatch(r"\s*(\w+)\s*,\s*(\d+),(\d+)\s*", line)):
        return [found[1], f"{found[2]},{found[3]}"]
    if "," in line and re.fullmatch(r"\s*\w+,\d+\s*", line) and not points:
        return line.strip().split(",")
    return re.split(r"\s*[:=]\s*|\s+", line.strip())


def _plain(cell: str) -> str:
    return re.sub(r"[\s_\-.()\[\]:]+", "", cell).casefold()


def _setting(cells: Sequence[str]) -> tuple[str, str] | None:
    """A line that says one thing: its key and what it says."""
    if found := _MACS.fullmatch(" ".join(cells)):
        return "macs", found[1]
    if len(cells) < 2 or not cells[1]:
        return None
    word = _plain(cells[0])
    known = {_plain(key): key for key in SETTINGS}
    key = _ALIASES.get(word) or known.get(word)
    return (key, " ".join(cell for cell in cells[1:] if cell)) if key else None


def _is_title(cells: Sequence[str]) -> bool:
    """Whether a row above the first table is words only: three and more, or long ones, so that no depth with a slip is lost."""
    text = " ".join(cells)
    words = text.split()
    return (len(words) >= 3 or min(map(len, words)) > 3) and not re.search(r"\d", text)


def _headers(cells: Sequence[str]) -> list[_Head | None] | None:
    """What each column holds, where the row is a header; None where it is none."""
    if any(_value(cell) for cell in cells if cell) or not any(_role(cell) for cell in cells):
        return None
    heads: list[_Head | None] = []
    for cell in cells:
        role, unit = _role(cell), _unit_in(cell)
        last = next((place for place in reversed(range(len(heads))) if heads[place]), None)
        before = None if last is None else heads[last]
        value = _VALUE[before.what] if before else "dimension"
        if role in ("depth", "space") and before and before.what == "depth" and _plain(cells[last or 0]) in _NUMBERED:
            heads[last or 0] = _Head(role)  # `#, depth (in)`: the number of a depth, and its dimension
            heads.append(_Head(_VALUE[role], "", unit))
        elif role == "space" and before and before.what == "space":  # `cut, space`: its number, and where it lies
            heads.append(_Head("distance", "", unit))
        elif role == "unit":
            heads.append(_Head(value, "", unit))
        elif role in ("depth", "space") and len(cells) == 1:
            heads += [_Head(role), _Head(_VALUE[role], "", unit)]
        elif role:
            heads.append(_Head(role, "", unit))
        elif before and _plain(cell) in _FROM:  # `Space  from shoulder`: no track is called so
            heads.append(_Head(value, "", unit) if before.what in _VALUE else None)
        elif cell and before:  # a name of its own: the value of one track
            several = sum(1 for other in cells if other and not _role(other)) > 1
            heads.append(_Head(value, cell if several else "", unit))
        else:
            heads.append(None)
    return heads


def _one_unit(heads: Sequence[_Head | None], wanted: str | None) -> list[_Head | None]:
    """The columns of a block without those that say the same in another unit: the wanted one, or the first, stays."""
    kept: dict[tuple[str, str], int] = {}
    for place, head in enumerate(heads):
        if head and head.what in ("dimension", "distance"):
            key = head.what, head.track
            if key not in kept or (wanted and head.unit == wanted):
                kept[key] = place
    labels = [place for place, head in enumerate(heads) if head and head.what in ("depth", "space")]
    return [head if place in (*kept.values(), *labels) else None for place, head in enumerate(heads)]


def _role(cell: str) -> What | Literal["unit"] | None:
    bare = _plain(re.sub(r"[(\[].*?[)\]]|,.*", "", cell)) or _plain(cell)
    for role, words in (("dimension", _DIMENSION), ("distance", _DISTANCE), ("depth", _DEPTH), ("space", _SPACE)):
        if bare in words:
            return role  # type: ignore[return-value]
    return "unit" if bare in _UNITS else None


def _unit_in(cell: str) -> str | None:
    found = re.findall(r"[a-z]+|[\"″]", cell.casefold())
    return next((_UNITS[word] for word in found if word in _UNITS), None)


def _value(cell: str) -> _Value | None:
    """A cell as a number, written with a point and a digit before it; None where it is none."""
    found = _NUMBER.fullmatch(cell.strip())
    if not found or not (found[2] or found[3]) or len(cell) > 30:
        return None
    number = f"{found[1]}{found[2] or '0'}" + (f".{found[3]}" if found[3] else "")
    return _Value(number, _UNITS.get((found[4] or "").casefold()))


def _needed(cell: str, row: int, what: str) -> _Value:
    value = _value(cell)
    if value is None:
        raise BittingError(
            f"row {row} of the chart: {cell!r} is no {what}",
            hint="write 8.60, .318 or 8,60; a rule is written `rule, …`, and # begins a line that is only words",
        )
    return value


def _read_list(reader: _Reader, cells: Sequence[str], row: int) -> bool:
    """A row that lists everything of one kind: `depths, 1, 2, 3`, `dimension, 8.60, 8.15`, `spaces, 21.4, 19.1`."""
    role = _role(cells[0])
    rest = [cell for cell in cells[1:] if cell]
    if role is None or role == "unit" or len(rest) < 2:
        return False
    values = [_value(cell) for cell in rest]
    counted = all(value and re.fullmatch(r"\d{1,2}", value.text) for value in values)
    if role == "depth" and (counted or not all(values)):
        reader.labels = list(rest)
        return True
    if role == "space" and counted and [int(v.text) for v in values if v] == list(range(1, len(rest) + 1)):
        return True
    if role in ("depth", "dimension"):
        labels = reader.labels or [str(n) for n in range(1, len(rest) + 1)]
        if len(labels) != len(rest):
            raise BittingError(
                f"row {row} of the chart has {len(rest)} dimensions, and {len(labels)} depths are named",
                hint="give each depth its dimension",
            )
        for label, cell in zip(labels, rest, strict=True):
            reader.depth("", label, _needed(cell, row, "dimension"), row)
        reader.notes.append(f"depths from the list in row {row}" + ("" if reader.labels else ", numbered from 1"))
    else:
        for cell in rest:
            reader.space("", _needed(cell, row, "distance"))
        reader.notes.append(f"spaces from the list in row {row}")
    return True


def _read_block(reader: _Reader, block: Sequence[tuple[int, list[str]]]) -> None:
    """Neighbouring rows under one header, or under none."""
    if not block:
        return
    heads = reader.heads
    if heads:
        rows = f"rows {block[0][0]} to {block[-1][0]}"
        for number, cells in block:
            _read_row(reader, heads, number, cells)
        what = [f"{word}s" for word in ("depth", "space") if any(h and _kind(h) == word for h in heads)]
        reader.notes.append(f"{' and '.join(what)} from {rows}, by their header")
        return
    for part in _parts(block):
        widths = {len(cells) for _, cells in part}
        first, last = part[0][0], part[-1][0]
        if max(widths) > 2:
            made: list[_Head | None] = [_Head("depth"), _Head("dimension"), _Head("space"), _Head("distance")]
            for number, cells in part:
                if len(cells) > 4:
                    raise BittingError(
                        f"row {number} of the chart has {len(cells)} columns, and no header says what they hold",
                        hint="write a header: depth, dimension, space, distance",
                    )
                _read_row(reader, made, number, cells)
            reader.notes.append(f"depths and spaces side by side in rows {first} to {last}")
            continue
        depths = not reader.depths
        made = [_Head("depth"), _Head("dimension")] if depths else [_Head("space"), _Head("distance")]
        if max(widths) == 1:
            made, numbered = made[1:], ", numbered from 1"
        else:
            numbered = ""
        for number, cells in part:
            _read_row(reader, made, number, cells)
        reader.notes.append(f"{'depths' if depths else 'spaces'} from rows {first} to {last}{numbered}")


def _kind(head: _Head) -> str:
    return "depth" if head.what in ("depth", "dimension") else "space"


def _parts(block: Sequence[tuple[int, list[str]]]) -> list[list[tuple[int, list[str]]]]:
    """A block of two columns cut where its numbering begins again."""
    parts: list[list[tuple[int, list[str]]]] = [[]]
    seen: set[str] = set()
    for number, cells in block:
        if len(cells) == 2 and cells[0] in seen:
            parts.append([])
            seen = set()
        seen.add(cells[0])
        parts[-1].append((number, cells))
    return parts


def _read_row(reader: _Reader, heads: Sequence[_Head | None], number: int, cells: Sequence[str]) -> None:
    """One row of a block: each value goes where its column says, a depth's under the label before it."""
    label: str | None = None
    space: str | None = None
    filled = [(head, cell) for head, cell in zip(heads, cells, strict=False) if head and cell]
    for place, (head, cell) in enumerate(filled):
        if head.what in ("depth", "space"):
            if all(other.what != _VALUE[head.what] for other, _ in filled[place:]):
                raise BittingError(
                    f"row {number} of the chart: no {_VALUE[head.what]} stands beside {cell!r}",
                    hint="the header names the columns: depth, dimension, space, distance; a rule is written `rule, …`",
                )
            label = cell
            space = cell if head.what == "space" else space
        elif head.what == "dimension":
            value = _with_unit(_needed(cell, number, "dimension"), head)
            if label is None:
                label = str(len(reader.depths.get(head.track, {})) + 1)
            reader.depth(head.track, label, value, number)
        else:
            reader.space(head.track, _with_unit(_needed(cell, number, "distance"), head), space, number)


def _with_unit(value: _Value, head: _Head) -> _Value:
    return value if value.unit or not head.unit else _Value(value.text, head.unit)


def _finished(reader: _Reader, unit: str | None) -> Chart:
    """Everything in one unit, with a note on how that was found."""
    if lacking := set(reader.labels).difference(*reader.depths.values()):
        told = f"a row of the chart names depths {' '.join(reader.labels)}, and {min(lacking)} has no dimension"
        raise BittingError(told, hint="write `dimension, 8.60, …` below it; a rule is written `rule, …`")
    values = [value for table in reader.depths.values() for value in table.values()]
    values += [value for row in reader.spaces.values() for value in row]
    stated = {value.unit for value in values if value.unit}
    for word in (reader.said.pop("unit", None), unit):
        if word is not None:
            if _plain(word) not in _UNITS:
                raise BittingError(f"{word!r} is no unit", hint="units are mm, in and thou")
            stated.add(_UNITS[_plain(word)])
    if len(stated) > 1 and stated != {"in", "thou"}:
        words = sorted("inches" if unit == "in" else unit for unit in stated)
        raise BittingError(f"the chart has lengths in {' and '.join(words)}", hint="say all in one unit")
    notes = list(reader.notes)
    sizes = [abs(float(v.text)) for table in reader.depths.values() for v in table.values()] or [
        abs(float(v.text)) for v in values
    ]
    found = next(iter(stated - {"thou"}), "thou" if stated else None)
    if found is None and sizes:
        found = _by_size(max(sizes))
        if found:
            notes.append(f"unit taken to be {'thousandths of an inch' if found == 'thou' else found} from the sizes")
    whole = found == "thou" or (found == "in" and sizes and min(sizes) >= 20)
    if whole and found == "in":
        notes.append("whole numbers are taken to be thousandths of an inch")

    def said(value: _Value) -> str:
        thousandths = value.unit == "thou" or (whole and value.unit != "in")
        return _thousandth(value.text) if thousandths else value.text

    return Chart(
        None if found is None else "mm" if found == "mm" else "in",
        {track: {label: said(v) for label, v in table.items()} for track, table in reader.depths.items()},
        {track: tuple(said(v) for v in row) for track, row in reader.spaces.items()},
        {key: _said_length(key, text, whole=bool(whole)) for key, text in reader.said.items()},
        tuple(notes),
    )


def _by_size(largest: float) -> str | None:
    """The unit of depths of such a size: a blade is 3 to 15 mm wide, which is 0.1 to 0.6 in (common practice)."""
    if largest < 0.75:
        return "in"
    if 1.5 <= largest <= 20:
        return "mm"
    return "thou" if 50 <= largest <= 750 else None


def _said_length(key: str, text: str, *, whole: bool) -> str:
    """What a line says of one thing; a length in thousandths as a decimal text."""
    value = _value(text) if key in _LENGTHS else None
    if value is None or not (value.unit == "thou" or (whole and value.unit is None and "." not in value.text)):
        return text
    return _thousandth(value.text)


def _thousandth(text: str) -> str:
    """Thousandths as a decimal text: 318 is 0.318."""
    return format(Decimal(text).scaleb(-3), "f")


def falling(values: Sequence[str]) -> bool | None:
    """Whether a row of numbers falls; None where it goes neither way."""
    numbers = [Decimal(value) for value in values]
    if all(b < a for a, b in pairwise(numbers)):
        return True
    return False if all(b > a for a, b in pairwise(numbers)) else None
