"""Where the codes stand in a table: the header row, the column (or columns) of codes, the column of systems.

A column is taken when it is named, when its name is one that people give to a column of codes, or when its cells mostly
are codes of the system. Where that isn't certain, nothing is guessed: the error lists the columns.

Where a table's readings stand: in one column, or in a column per cut (`left 1`, `left 2`, …).

Columns per cut are found by their names, whatever the case and the dashes, blanks and underscores in them: track and cut
number, with the side in front where a key is measured on several (`top left 1`); on a system of one track the number alone
or `cut 1` will do. `across 1`, … are readings across two tracks. A track none of whose columns is there was not measured;
one that has only some of them is an error.

An empty cell in a row that has others is a cut that could not be measured. Spreadsheets drop the zeros at the end of a
number, so in columns per cut all numbers of a row are taken to have as many decimals as the row's finest.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from attrs import field, frozen

from bitting.batch.judge import Judge
from bitting.errors import BittingError, nearest
from bitting.model import System

NAMES = frozenset(
    {"code", "codes", "bitting", "bittings", "keycode", "keycodes", "cuts", "cutcode", "bittingcode", "keybitting"}
)
"""Names of a column of codes, in small letters and without blanks, dashes and underscores."""
HEADER_WITHIN = 30
"""The header is looked for in so many rows."""
OURS = ("verdict", "canonical", "findings", "suggestion")


@frozen
class Wanted:
    """What the user said about the table: a column of codes, or one per lane (lane -> column); a column of systems."""

    column: str | None = None
    columns: Mapping[str, str] = field(factory=dict)
    system_column: str | None = None


@frozen
class Layout:
    """Where things are. `header` is the place of the header among the rows, None where there is none; `codes` are the
    columns that make a code, in the order of `lanes` (the lanes they hold; one column and no lane usually)."""

    header: int | None
    names: tuple[str, ...]
    codes: tuple[int, ...]
    lanes: tuple[str, ...] = ()
    system: int | None = None

    @property
    def first(self) -> int:
        """The first row of the table's body."""
        return 0 if self.header is None else self.header + 1

    @property
    def column(self) -> str:
        """What the column of codes is called, for people."""
        called = [self.names[c] if self.header is not None else f"column {c + 1}" for c in self.codes]
        return ", ".join(called)

    def ours(self) -> tuple[str, ...]:
        """The names of the added columns, with a number behind any that the table has already."""
        return free_names(OURS, self.names if self.header is not None else ())


def free_names(wanted: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    """Names for added columns, with a number behind any that the table's own names have already."""
    taken = {plain(name) for name in names}
    out = []
    for name in wanted:
        number, free = 1, name
        while plain(free) in taken:
            number += 1
            free = f"{name}_{number}"
        out.append(free)
    return tuple(out)


def plain(name: str) -> str:
    """A column's name for comparing: small letters, no blanks, dashes or underscores."""
    return re.sub(r"[\s_\-\u00a0\ufeff.:]+", "", name).casefold()


def find_layout(rows: Sequence[Sequence[str]], wanted: Wanted, judge: Judge | None) -> Layout:
    """The layout of a table whose first rows these are (some hundred). `judge` is of the system, where there is one.

    Raises BittingError where a named column is missing, or it isn't certain which column holds the codes.
    """
    if not any(cell.strip() for row in rows for cell in row):
        raise BittingError("the table is empty", hint="it needs a header row and a column of codes")
    if wanted.columns:
        return _several(rows, wanted, judge)
    if wanted.column is not None:
        header, place = _named(rows, wanted.column, judge)
        codes: tuple[int, ...] = (place,)
    else:
        header, codes = _found(rows, judge)
    names = tuple(rows[header]) if header is not None else ()
    return Layout(header, names, codes, (), _system_place(rows, header, wanted))


def _system_place(rows: Sequence[Sequence[str]], header: int | None, wanted: Wanted) -> int | None:
    if wanted.system_column is None:
        return None
    if header is None:
        return _numbered(rows, wanted.system_column)
    return _place(rows[header], wanted.system_column)


def _place(row: Sequence[str], name: str) -> int:
    """The column of that name in a header row; the exact name before one that differs in case and blanks."""
    exact = [c for c, cell in enumerate(row) if cell.strip() == name.strip()]
    alike = exact or [c for c, cell in enumerate(row) if plain(cell) == plain(name)]
    if len(alike) == 1:
        return alike[0]
    if not alike:
        known = nearest(name, [cell for cell in row if cell.strip()])
        raise BittingError(
            f"there is no column {name!r}",
            hint=(f"did you mean {known!r}? " if known else "") + listed(row),
        )
    places = " and ".join(str(c + 1) for c in alike)
    raise BittingError(
        f"{name!r} is the name of columns {places}", hint=f"name it by its number: --column {alike[0] + 1}"
    )


def _numbered(rows: Sequence[Sequence[str]], name: str) -> int:
    width = max(len(row) for row in rows)
    if name.strip().isdigit() and 1 <= int(name) <= width:
        return int(name) - 1
    raise BittingError(f"there is no column {name!r}", hint=listed(rows[0]))


def _named(rows: Sequence[Sequence[str]], name: str, judge: Judge | None) -> tuple[int | None, int]:
    """Header row and place of a column given by its name, or by its number where no name is so."""
    for number, row in enumerate(rows[:HEADER_WITHIN]):
        if any(plain(cell) == plain(name) for cell in row) and plain(name):
            return number, _place(row, name)
    first = next(n for n, row in enumerate(rows) if any(cell.strip() for cell in row))
    if not name.strip().isdigit():
        _place(rows[first], name)  # says what is missing, and what there is
    place = _numbered(rows, name)
    if judge is None:
        return first, place
    codes = [number for number, good in enumerate(_good(rows, place, judge)) if good]
    if not codes:
        return first, place
    return (codes[0] - 1 if codes[0] else None), place


def _several(rows: Sequence[Sequence[str]], wanted: Wanted, judge: Judge | None) -> Layout:
    """One column per lane: the header is the first row that has them all."""
    if judge is None:
        raise BittingError("--columns needs one system for all rows", hint="give it with -s SYSTEM")
    lanes = [lane.label for lane in judge.system.lanes]
    order: dict[str, str] = {}
    for lane, column in wanted.columns.items():
        found = [known for known in lanes if known.casefold() == lane.strip().casefold()]
        if not found:
            raise BittingError(f"{judge.system.name} has no track {lane!r}", hint=f"its tracks are {', '.join(lanes)}")
        order[found[0]] = column
    missing = [lane for lane in lanes if lane not in order]
    if missing:
        raise BittingError(
            f"--columns names no column for {', '.join(missing)}",
            hint="write " + ",".join(f"{lane}=COLUMN" for lane in lanes),
        )
    header = next(
        (
            number
            for number, row in enumerate(rows[:HEADER_WITHIN])
            if {plain(column) for column in order.values()} <= {plain(cell) for cell in row}
        ),
        next(n for n, row in enumerate(rows) if any(cell.strip() for cell in row)),
    )
    codes = tuple(_place(rows[header], order[lane]) for lane in lanes)
    return Layout(header, tuple(rows[header]), codes, tuple(lanes), _system_place(rows, header, wanted))


def _found(rows: Sequence[Sequence[str]], judge: Judge | None) -> tuple[int | None, tuple[int, ...]]:
    """Header row and column of codes by their names, or by what the cells hold."""
    for number, row in enumerate(rows[:HEADER_WITHIN]):
        named = [c for c, cell in enumerate(row) if plain(cell) in NAMES]
        if not named:
            continue
        shares = {c: _share(rows[number + 1 :], c, judge) for c in range(len(row))}
        best = [c for c in named if shares[c] > 0.5]
        if len(best) == 1:
            return number, (best[0],)
        if len(named) == 1 and not any(share > 0.5 for share in shares.values()):
            return number, (named[0],)
        raise _uncertain(row, "it isn't certain which column holds the codes")
    width = max(len(row) for row in rows)
    good = {c: _good(rows, c, judge) for c in range(width)} if judge else {}
    likely = [c for c in good if True in good[c] and _share(rows[good[c].index(True) :], c, judge) > 0.5]
    if len(likely) != 1:
        first = next(row for row in rows if any(cell.strip() for cell in row))
        raise _uncertain(
            first, "no column is named as one of codes, and " + ("several hold" if likely else "none holds") + " codes"
        )
    start = good[likely[0]].index(True)
    return (start - 1 if start else None), (likely[0],)


def _uncertain(row: Sequence[str], message: str) -> BittingError:
    return BittingError(message, hint=f"name it with --column; {listed(row)}")


def listed(row: Sequence[str]) -> str:
    """The columns of a header row, for people."""
    return "the columns are " + ", ".join(f"{c + 1} {cell.strip() or '(no name)'!s}" for c, cell in enumerate(row[:40]))


def _good(rows: Sequence[Sequence[str]], place: int, judge: Judge) -> list[bool]:
    """Whether each row's cell is a code of the system: as many cuts as its tracks have, of depths that they have."""
    judged = judge.judge([row[place] if place < len(row) else "" for row in rows])
    good: list[bool] = judged.known.tolist()
    return good


def _share(rows: Sequence[Sequence[str]], place: int, judge: Judge | None) -> float:
    """The share of codes among a column's cells that hold anything."""
    if judge is None:
        return 0.0
    filled = sum(1 for row in rows if place < len(row) and row[place].strip())
    return sum(_good(rows, place, judge)) / filled if filled else 0.0


def _without_remark(cell: str) -> str:
    """A cell without the remark behind its cuts, which would swallow the cells put behind it."""
    cuts, mark, _ = cell.partition("#")
    return cuts.strip() if mark and cuts.strip() else cell.strip()


def code_texts(layout: Layout, system: System | None, columns: Sequence[Sequence[str]]) -> Sequence[str]:
    """The code of every row, from its one column or put together from several."""
    if not layout.lanes:
        return columns[0]
    names = [(lane.side, lane.track.name) for lane in system.lanes] if system else []
    texts = []
    for cells in zip(*columns, strict=True):
        if not any(cell.strip() for cell in cells):
            texts.append("")
            continue
        parts: dict[str | None, list[str]] = {}
        for (side, track), cell in zip(names, cells, strict=True):
            parts.setdefault(side, []).append(f"{track}: {_without_remark(cell)}")
        texts.append(
            "; ".join(
                " / ".join(part) if side is None else f"{side}({' / '.join(part)})" for side, part in parts.items()
            )
        )
    return texts


READINGS_OURS = ("verdict", "canonical", "probability", "findings", "suggestion")
_NUMBER = re.compile(r"[0-9]*(?:[.,][0-9]*)?")


@frozen
class ReadingsLayout:
    """`header` is the place of the header row; `columns` those of the readings; `lists` what each run of them is.

    `lists` holds (side, track, cuts) in the order of `columns`, and nothing where one column holds the whole text.
    """

    header: int
    names: tuple[str, ...]
    columns: tuple[int, ...]
    lists: tuple[tuple[str | None, str, int], ...] = ()
    system: int | None = None

    @property
    def first(self) -> int:
        """The first row of the table's body."""
        return self.header + 1

    @property
    def column(self) -> str:
        """What the columns are called, for people."""
        named = [self.names[c] for c in self.columns]
        return named[0] if len(named) == 1 else f"{named[0]} … {named[-1]}"

    def ours(self) -> tuple[str, ...]:
        """The names of the added columns, with a number behind any that the table has already."""
        return free_names(READINGS_OURS, self.names)

    def texts(self, columns: Sequence[Sequence[str]]) -> list[str]:
        """The readings of every row as one text, from the cells of `columns`; "" where all of them are empty."""
        if not self.lists:
            return list(columns[0])
        return [self._text(cells) for cells in zip(*columns, strict=True)]

    def _text(self, cells: Sequence[str]) -> str:
        stripped = _same_decimals([cell.strip() for cell in cells])
        if not any(stripped):
            return ""
        parts: dict[str | None, list[str]] = {}
        start = 0
        for side, track, cuts in self.lists:
            row = " ".join(cell or "?" for cell in stripped[start : start + cuts])
            parts.setdefault(side, []).append(f"{track}: {row}")
            start += cuts
        return "; ".join(" / ".join(p) if side is None else f"{side}({' / '.join(p)})" for side, p in parts.items())


def _same_decimals(cells: Sequence[str]) -> list[str]:
    """Plain numbers with as many decimals as the finest among them."""
    numbers = [cell for cell in cells if cell and _NUMBER.fullmatch(cell)]
    behind = [len(re.split("[.,]", cell)[1]) if re.search("[.,]", cell) else 0 for cell in numbers]
    most = max(behind, default=0)
    out = []
    for cell in cells:
        if most and cell and _NUMBER.fullmatch(cell):
            whole, _, rest = cell.replace(",", ".").partition(".")
            cell = f"{whole}.{rest.ljust(most, '0')}"
        out.append(cell)
    return out


def find_readings(
    rows: Sequence[Sequence[str]], column: str | None, system_column: str | None, system: System | None
) -> ReadingsLayout:
    """The layout of a table whose first rows these are. `column` is the column of readings; None: a column per cut.

    A column that is itself one of a single cut (`left 1`) stands for all of them. Raises BittingError where columns are
    missing, or columns per cut are asked for without one system for all rows.
    """
    if not any(cell.strip() for row in rows for cell in row):
        raise BittingError("the table is empty", hint="it needs a header row and a column of readings")
    if column is not None and (system is None or plain(column) not in _names(system)):
        header = _header(rows, [column])
        columns, lists = (_readings_place(rows[header], column),), ()
        return ReadingsLayout(header, tuple(rows[header]), columns, lists, _system(rows[header], system_column))
    if system is None:
        raise BittingError("columns per cut need one system for all rows", hint="give it with -s SYSTEM")
    return _per_cut(rows, system_column, system)


def _names(system: System) -> dict[str, tuple[str | None, str, int]]:
    """Plain name of a column -> (side, track, cut from 0)."""
    names: dict[str, tuple[str | None, str, int]] = {}
    tracks = [(track.name, track.cuts) for track in system.tracks]
    if system.measuring.across is not None:
        tracks.append(("across", min(system.track(name).cuts for name in system.measuring.across.tracks)))
    for side in (*((None,) if not system.sided else ()), *system.sides):
        for track, cuts in tracks:
            for cut in range(cuts):
                names[plain(f"{side or ''} {track} {cut + 1}")] = (side, track, cut)
                if len(system.tracks) == 1:
                    front = f"{side} " if side else ""
                    names.setdefault(plain(f"{front}{cut + 1}"), (side, track, cut))
                    names.setdefault(plain(f"{front}cut {cut + 1}"), (side, track, cut))
    return names


def _per_cut(rows: Sequence[Sequence[str]], system_column: str | None, system: System) -> ReadingsLayout:
    """The columns per cut of the first row that has any."""
    names = _names(system)
    within = rows[:HEADER_WITHIN]
    shares = [len({names[plain(cell)] for cell in row if plain(cell) in names}) for row in within]
    header = max(range(len(within)), key=lambda number: (shares[number], -number))
    row = rows[header]
    if not shares[header]:
        filled = next(one for one in rows if any(cell.strip() for cell in one))
        raise BittingError(
            f"no column is named as one of a cut of {system.name}",
            hint=f"name them {_example(system)}, or one column of readings with --readings; {listed(filled)}",
        )
    found: dict[tuple[str | None, str, int], int] = {}
    for place, cell in enumerate(row):
        where = names.get(plain(cell))
        if where is None:
            continue
        if where in found:
            raise BittingError(
                f"columns {found[where] + 1} and {place + 1} are both of cut {where[2] + 1} of {where[1]}",
                hint="name one of them otherwise, or join repeated readings in one cell (7.40|7.42)",
            )
        found[where] = place
    lists, columns = [], []
    for side, track in dict.fromkeys((side, track) for side, track, _ in names.values()):
        cuts = [cut for one, other, cut in names.values() if (one, other) == (side, track)]
        total = max(cuts) + 1
        here = [cut for cut in range(total) if (side, track, cut) in found]
        if not here:
            continue
        if len(here) < total:
            absent = ", ".join(
                f"{' '.join(filter(None, (side, track)))} {c + 1}" for c in range(total) if c not in here
            )
            raise BittingError(
                f"there is no column for {absent}",
                hint=f"leave the cells of cuts that weren't measured empty; {listed(row)}",
            )
        lists.append((side, track, total))
        columns += [found[side, track, cut] for cut in here]
    return ReadingsLayout(header, tuple(row), tuple(columns), tuple(lists), _system(row, system_column))


def _example(system: System) -> str:
    side = f"{system.sides[0]} " if system.sided else ""
    return f"{side}{system.tracks[0].name} 1, {side}{system.tracks[0].name} 2, …"


def _header(rows: Sequence[Sequence[str]], names: Sequence[str]) -> int:
    """The first row that has a cell of that name; otherwise the first that holds anything."""
    for number, row in enumerate(rows[:HEADER_WITHIN]):
        if any(plain(cell) == plain(name) and plain(name) for cell in row for name in names):
            return number
    return next(number for number, row in enumerate(rows) if any(cell.strip() for cell in row))


def _system(row: Sequence[str], name: str | None) -> int | None:
    return None if name is None else _readings_place(row, name)


def _readings_place(row: Sequence[str], name: str) -> int:
    """The column of a name, or of a number from 1 where no name is so."""
    exact = [c for c, cell in enumerate(row) if cell.strip() == name.strip()]
    alike = exact or [c for c, cell in enumerate(row) if plain(cell) == plain(name)]
    if len(alike) == 1:
        return alike[0]
    if not alike and name.strip().isdigit() and 1 <= int(name) <= len(row):
        return int(name) - 1
    if alike:
        places = " and ".join(str(c + 1) for c in alike)
        raise BittingError(f"{name!r} is the name of columns {places}", hint="give one of them another name")
    known = nearest(name, [cell for cell in row if cell.strip()])
    raise BittingError(
        f"there is no column {name!r}", hint=(f"did you mean {known!r}? " if known else "") + listed(row)
    )
