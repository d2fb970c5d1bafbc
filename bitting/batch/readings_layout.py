"""Where a table's readings stand: in one column, or in a column per cut (`left 1`, `left 2`, …).

Columns per cut are found by their names, whatever the case and the dashes, blanks and underscores in them: track and cut
number, with the side in front where a key is measured on several (`top left 1`); on a system of one track the number alone
or `cut 1` will do. `across 1`, … are readings across two tracks. A track none of whose columns is there was not measured;
one that has only some of them is an error.

An empty cell in a row that has others is a cut that could not be measured. Spreadsheets drop the zeros at the end of a
number, so in columns per cut all numbers of a row are taken to have as many decimals as the row's finest.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from attrs import frozen

from bitting.batch.layout import HEADER_WITHIN, free_names, listed, plain
from bitting.errors import BittingError, nearest
from bitting.model import System

OURS = ("verdict", "canonical", "probability", "findings", "suggestion")
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
        return free_names(OURS, self.names)

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
        columns, lists = (_place(rows[header], column),), ()
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
    return None if name is None else _place(row, name)


def _place(row: Sequence[str], name: str) -> int:
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
