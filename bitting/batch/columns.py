"""Where the codes or readings stand in a table: the header row, the column (or columns), the column of systems.

A column is taken when it is named, when its name is one that people give to a column of codes, when there is one for each track
(`Left`, `Right`) or for each cut (`left 1`, …), or when its cells mostly are codes of the system. Where that isn't certain,
nothing is guessed: the error lists the columns. A column given in digits is its place, counted from 1; `=2` is the column whose
header is 2.

Columns per cut are found by their names, whatever the case and the dashes, blanks and underscores in them: track
and cut number, with the side in front where a key is measured on several (`top left 1`); on a system of one track the number
alone or `cut 1` will do. `across 1`, … are readings across two tracks. A track none of whose columns is there was not
measured; one that has only some of them is an error. An empty cell in a row that has others is a cut that could not be
measured. Spreadsheets drop the zeros at the end of a number, so in columns per cut all numbers of a row are taken to have as
many decimals as the row's finest.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import groupby

from attrs import field, frozen

from bitting.errors import BittingError, nearest
from bitting.model import System
from bitting.notation.aloud import HANDS

NAMES = frozenset(
    {"code", "codes", "bitting", "bittings", "keycode", "keycodes", "cuts", "cutcode", "bittingcode", "keybitting"}
)
"""Names of a column of codes, in small letters and without blanks, dashes and underscores."""
HEADER_WITHIN = 30
"""The header is looked for in so many rows."""
Table = Sequence[Sequence[str]]
Good = Callable[[Sequence[str]], Sequence[bool]]
"""Which texts are whole codes (or readings) of the system."""
MOST_DIGITS = 10
"""Digits of a number that rows may be counted by."""
FEW_DIGITS = 3
"""Where no system is known, a cell of so many digits may be a code."""
_APART = re.compile(r"(?<=\b\w)[\W_]+(?=\w\b)")
"""What stands between signs written one by one."""
_NUMBER = re.compile(r"[0-9]*(?:[.,][0-9]*)?")


@frozen
class Wanted:
    """What the user said about the table: a column, or one per lane (lane -> column), or one per cut; a column of systems."""

    column: str | None = None
    columns: Mapping[str, str] = field(factory=dict)
    system_column: str | None = None
    per_cut: bool = False


@frozen
class Layout:
    """Where things are. `header` is the place of the header among the rows, None where there is none; `places` are the columns
    that make a text; `lists` says which list each column is part of (side, track), nothing where one column holds it all."""

    header: int | None
    names: tuple[str, ...]
    places: tuple[int, ...]
    lists: tuple[tuple[str | None, str], ...] = ()
    system: int | None = None
    measured: bool = False

    @property
    def first(self) -> int:
        """The first row of the table's body."""
        return 0 if self.header is None else self.header + 1

    @property
    def called(self) -> list[str]:
        """What each of the columns is called, for people."""
        return [
            self.names[c] if c < len(self.names) and self.names[c].strip() else f"column {c + 1}" for c in self.places
        ]

    @property
    def column(self) -> str:
        """What the columns are called together."""
        called = self.called
        return f"{called[0]} … {called[-1]}" if self.per_cut else ", ".join(called)

    @property
    def per_cut(self) -> bool:
        """Whether each cut has a column of its own."""
        return len(set(self.lists)) < len(self.lists)

    def free(self, wanted: Iterable[str]) -> tuple[str, ...]:
        """Names for added columns, with a number behind any that the table's own names have already."""
        taken = {plain(name) for name in self.names}
        out = []
        for name in wanted:
            number, free = 1, name
            while plain(free) in taken:
                number += 1
                free = f"{name}_{number}"
            out.append(free)
        return tuple(out)

    def texts(self, columns: Sequence[Sequence[str]]) -> Sequence[str]:
        """The text of every row, from the cells of its one column or put together from several; "" where all are empty."""
        if not self.lists:
            return columns[0]
        return [self._text(cells) if any(map(str.strip, cells)) else "" for cells in zip(*columns, strict=True)]

    def _text(self, cells: Sequence[str]) -> str:
        if self.measured:
            tidy = _as_measured(cells)
        elif self.per_cut:
            tidy = [_as_cut(cell, own) for cell, own in zip(cells, self.lists, strict=True)]
        else:
            tidy = [_without_remark(cell) for cell in cells]
        parts: dict[str | None, list[str]] = {}
        for (side, track), some in groupby(zip(self.lists, tidy, strict=True), key=lambda one: one[0]):
            parts.setdefault(side, []).append(f"{track}: {' '.join(cell for _, cell in some)}")
        if None in parts and len(parts) > 1:  # readings between two edges, beside those of one
            return " / ".join(" ".join(filter(None, (side, row))) for side, p in parts.items() for row in p)
        return "; ".join(" / ".join(p) if side is None else f"{side}({' / '.join(p)})" for side, p in parts.items())


def _without_remark(cell: str) -> str:
    """A cell without the remark behind its cuts, which would swallow the cells put behind it."""
    cuts, mark, _ = cell.partition("#")
    return cuts.strip() if mark and cuts.strip() else cell.strip()


def _as_cut(cell: str, own: tuple[str | None, str]) -> str:
    """A cell of one cut: a number without the decimals that a table puts behind it, without its list's name; `?` for none."""
    words = _without_remark(cell).replace(":", " ").split()
    while len(words) > 1 and words[0].casefold() in (name.casefold() for name in own if name):
        del words[0]
    return re.sub(r"(?<=\d)[.,]0+$", "", " ".join(words)) or "?"


def _as_measured(cells: Sequence[str]) -> list[str]:
    """Plain numbers with as many decimals as the finest among them; `?` for a cut that was not measured."""
    cells = [cell.strip() or "?" for cell in cells]
    most = max((len(cell) - cell.replace(",", ".").find(".") - 1 for cell in cells if _decimal(cell)), default=0)
    out = []
    for cell in cells:
        if most and _NUMBER.fullmatch(cell):
            whole, _, rest = cell.replace(",", ".").partition(".")
            cell = f"{whole}.{rest.ljust(most, '0')}"
        out.append(cell)
    return out


def _decimal(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None and ("." in cell or "," in cell)


def plain(name: str) -> str:
    """A column's name for comparing: small letters, no blanks, dashes or underscores."""
    return re.sub(r"[\s_\-\u00a0\ufeff.:]+", "", name).casefold()


def find_columns(rows: Table, wanted: Wanted, system: System | None, good: Good | None, *, measured: bool) -> Layout:
    """The layout of a table whose first rows these are (some hundred).

    `good` tells which texts are codes (or readings) of the system, where there is one for all rows. Raises BittingError where a
    named column is missing, or it isn't certain which column holds the codes.
    """
    if not any(cell.strip() for row in rows for cell in row):
        what = "readings" if measured else "codes"
        raise BittingError("the table is empty", hint=f"it needs a header row and a column of {what}")
    finder = _Finder(rows, wanted, system, good, measured)
    named = wanted.column or ""  # in digits it is a place, and a name of one cut stands for all of them
    if wanted.per_cut or (measured and system and not named.strip().isdigit() and plain(named) in _cut_names(system)):
        return finder.per_cut()
    if wanted.columns:
        return finder.per_lane()
    return finder.named(wanted.column) if wanted.column is not None else finder.found()


@frozen
class _Finder:
    rows: Table
    wanted: Wanted
    system: System | None
    good: Good | None
    measured: bool

    def layout(self, header: int | None, places: Sequence[int], lists: Sequence[tuple[str | None, str]] = ()) -> Layout:
        names = tuple(self.rows[header]) if header is not None else ()
        system, name = None, self.wanted.system_column
        if header and True in (before := self.goods(places, lists)[:header]):
            option = "--readings" if self.measured else "--column"
            raise BittingError(
                f"row {before.index(True) + 1} holds a code and stands above the header in row {len(before) + 1}",
                hint=f"take the first rows out, or name the column by its place ({option} {places[0] + 1}): then all are asked",
            )
        if header is not None and len(places) == 1 and places[0] < len(names):
            self.in_order(names[places[0]])
        if name is not None:
            system = self.numbered(name) if name.strip().isdigit() else self.place(names or self.rows[0], name)
        return Layout(header, names, tuple(places), tuple(lists), system, self.measured)

    def in_order(self, name: str) -> None:
        """Raises BittingError for a column that says its lists stand in another order than codes without names are read in."""
        for known in ([track.name for track in self.system.tracks], self.system.sides) if self.system else ():
            said = [HANDS.get(word, word) for word in re.findall(r"[^\W_]+", name.casefold())]
            at = [
                next((n for n, word in enumerate(said) if word in (one.casefold(), one[0].casefold())), -1)
                for one in known
            ]
            if -1 not in at and at != sorted(at):
                raise BittingError(
                    f"the column {name.strip()!r} names its lists in another order than they are read: {', '.join(known)}",
                    hint=f"if they do stand so, call it {'/'.join(known)}; else write each list's name before its cuts",
                )

    def place(self, row: Sequence[str], name: str) -> int:
        """The column of that name in a header row; the exact name before one that differs in case and blanks."""
        name = name.removeprefix("=")
        exact = [c for c, cell in enumerate(row) if cell.strip() == name.strip()]
        alike = exact or [c for c, cell in enumerate(row) if plain(cell) == plain(name)]
        if len(alike) == 1:
            return alike[0]
        if not alike:
            known = nearest(name, [cell for cell in row if cell.strip()])
            meant = f"did you mean {known!r}? " if known else ""
            raise BittingError(f"there is no column {name!r}", hint=meant + listed(row))
        places = " and ".join(str(c + 1) for c in alike)
        option = "--readings" if self.measured else "--column"
        raise BittingError(
            f"{name!r} is the name of columns {places}", hint=f"name it by its number: {option} {alike[0] + 1}"
        )

    def numbered(self, name: str) -> int:
        """The place that digits name."""
        if name.isascii() and 1 <= int(name.strip()) <= max(map(len, self.rows)):
            return int(name) - 1
        raise BittingError(
            f"there is no column {name.strip()}; a column given in digits is its place",
            hint=f"a header that is a number is written ={name.strip()}; {listed(self.rows[self.filled()])}",
        )

    def filled(self) -> int:
        """The first row that holds anything."""
        return next(n for n, row in enumerate(self.rows) if any(cell.strip() for cell in row))

    def header_of(self, names: Sequence[str]) -> int:
        """The first row that has all these names; otherwise the first that holds anything."""
        some = {plain(name.removeprefix("=")) for name in names}
        for number, row in enumerate(self.rows[:HEADER_WITHIN]):
            if some <= {plain(cell) for cell in row} and some != {""}:
                return number
        return self.filled()

    def named(self, name: str) -> Layout:
        """A column given by its place (digits) or its name."""
        if not name.strip().isdigit():
            header = self.header_of([name])
            return self.layout(header, [self.place(self.rows[header], name)])
        place = self.numbered(name)
        return self.layout(self.above([place]), [place])

    def above(self, places: Sequence[int], lists: Sequence[tuple[str | None, str]] = ()) -> int | None:
        """The header of a column: of the rows above its first code the one most like a header, the first of several.

        None where none is: a row whose cell looks like a code, however wrong, is no header, nor is one that the next row's
        number follows, nor what stands below such a row as wide as itself. (A date printed above the header is narrower.)
        """
        whole = self.goods(places, lists)
        best: tuple[tuple[bool, bool, int, int], int] | None = None
        widest = 0
        for number, row in enumerate(self.rows[: whole.index(True) if True in whole else HEADER_WITHIN]):
            width = sum(1 for cell in row if cell.strip())
            cells = [row[place] for place in places if place < len(row)]
            below = self.rows[number + 1] if number + 1 < len(self.rows) else ()
            if _numbered(row, below) or any(map(self.like_code, cells)):
                widest = max(widest, width)
            elif width > widest:
                rank = (any(map(str.strip, cells)), not any(map(str.isdigit, "".join(row))), width, -number)
                best = max(best or (rank, number), (rank, number))
        return best[1] if best else None

    def like_code(self, cell: str) -> bool:
        """Whether a cell holds half a code or more, or what may have been meant for it: no name of a column does."""
        tracks = [lane.track for lane in self.system.lanes] if self.system else []
        signs = {sign.casefold() for track in tracks for label in track.labels for sign in label} | set("0123456789?")
        half = sum(track.cuts for track in tracks) / 2 or FEW_DIGITS
        words = re.findall(r"\w+|\?", _APART.sub("", cell.casefold()))
        counted = sum(len(word) for word in words if 3 * sum(sign in signs for sign in word) >= 2 * len(word))
        return counted >= half

    def goods(self, places: Sequence[int], lists: Sequence[tuple[str | None, str]] = (), start: int = 0) -> list[bool]:
        """Whether the cells of each row are a whole code."""
        if self.good is None:
            return [False] * len(self.rows[start:])
        layout = Layout(None, (), tuple(places), tuple(lists), None, self.measured)
        return list(self.good(layout.texts([column_of(self.rows[start:], place) for place in places])))

    def share(self, places: Sequence[int], start: int, lists: Sequence[tuple[str | None, str]] = ()) -> float:
        """The share of codes among the rows that hold anything in these columns."""
        columns = [column_of(self.rows[start:], place) for place in places]
        filled = sum(1 for cells in zip(*columns, strict=True) if any(map(str.strip, cells)))
        return sum(self.goods(places, lists, start)) / filled if filled else 0.0

    def per_lane(self) -> Layout:
        """One column per lane, named by the user."""
        if self.system is None:
            raise BittingError("--columns needs one system for all rows", hint="give it with -s SYSTEM")
        lanes = {lane.label: (lane.side, lane.track.name) for lane in self.system.lanes}
        order: dict[str, str] = {}
        for lane, column in self.wanted.columns.items():
            found = [known for known in lanes if known.casefold() == lane.strip().casefold()]
            if not found:
                raise BittingError(
                    f"{self.system.name} has no track {lane!r}", hint=f"its tracks are {', '.join(lanes)}"
                )
            order[found[0]] = column
        if missing := [lane for lane in lanes if lane not in order]:
            raise BittingError(
                f"--columns names no column for {', '.join(missing)}",
                hint="write " + ",".join(f"{lane}=COLUMN" for lane in lanes),
            )
        lists, names = list(lanes.values()), [column for column in order.values() if not column.strip().isdigit()]
        row = self.header_of(names) if names else 0
        places = [
            self.place(self.rows[row], order[lane]) if order[lane] in names else self.numbered(order[lane])
            for lane in lanes
        ]
        return self.layout(row if names else self.above(places, lists), places, lists)

    def found(self) -> Layout:
        """Header row and column of codes by their names, or by what the cells hold."""
        for number, row in enumerate(self.rows[:HEADER_WITHIN]):
            named = [c for c, cell in enumerate(row) if plain(cell) in NAMES]
            if named:
                shares = {c: self.share([c], number + 1) for c in range(len(row))}
                best = [c for c in named if shares[c] > 0.5]
                if len(best) == 1:
                    return self.layout(number, best)
                if len(named) == 1 and not any(share > 0.5 for share in shares.values()):
                    return self.by_lane() or self.layout(number, named)
                raise _uncertain(row, "it isn't certain which column holds the codes")
        if several := self.by_lane() or self.by_cut():
            return several
        headers = {place: self.above([place]) for place in range(max(map(len, self.rows)) if self.good else 0)}
        likely = [p for p, header in headers.items() if self.share([p], 0 if header is None else header + 1) > 0.5]
        if len(likely) != 1:
            if self.system and 2 * self.cuts_named() > sum(lane.track.cuts for lane in self.system.lanes):
                self.per_cut()  # says which is missing
            how = "several hold" if likely else "none holds"
            raise _uncertain(self.rows[self.filled()], f"no column is named as one of codes, and {how} codes")
        return self.layout(headers[likely[0]], likely)

    def by_lane(self) -> Layout | None:
        """A column for each track, called as the track is, most rows of which are codes."""
        if self.system is None or len(self.system.lanes) < 2:
            return None
        lanes = [(lane.side, lane.track.name) for lane in self.system.lanes]
        ways = (
            [plain(f"{side or ''}{track}") for side, track in lanes],
            [plain(lane.label) for lane in self.system.lanes],
        )
        for number, row in enumerate(self.rows[:HEADER_WITHIN]):
            names = [plain(cell) for cell in row]
            wanted = next((way for way in ways if all(names.count(name) == 1 for name in way)), None)
            if wanted is not None:
                places = [names.index(name) for name in wanted]
                columns = [column_of(self.rows[number + 1 :], place) for place in places]
                filled = [any(map(str.strip, cells)) for cells in zip(*columns, strict=True)]
                whole = sum(self.goods(places, lanes, number + 1))
                others = [self.goods([place], start=number + 1) for place in set(range(len(row))) - set(places)]
                if any(good and not here for other in others for good, here in zip(other, filled, strict=True)):
                    raise _uncertain(row, "some rows have a code in a column of its own, others one a track")
                if 2 * whole > sum(filled):
                    return self.layout(number, places, lanes)
                if whole:
                    called = [row[place].strip() for place in places]
                    both = ",".join(
                        f"{lane.label}={name}" for lane, name in zip(self.system.lanes, called, strict=True)
                    )
                    raise BittingError(
                        f"only {whole} of {sum(filled)} rows have a code in {' and '.join(called)}",
                        hint=f"name the columns with --columns '{both}', or one with --column; {listed(row)}",
                    )
        return None

    def by_cut(self) -> Layout | None:
        """A column for each cut of every track, most rows of which are codes."""
        if self.system is None or self.cuts_named() < max(2, sum(lane.track.cuts for lane in self.system.lanes)):
            return None
        layout = self.per_cut()
        return layout if self.share(layout.places, layout.first, layout.lists) > 0.5 else None

    def cuts_named(self) -> int:
        """Of how many cuts of a code a row names columns at most."""
        names = {} if self.system is None else _cut_names(self.system, across=False)
        within = self.rows[:HEADER_WITHIN]
        return max(len({names[plain(cell)] for cell in row if plain(cell) in names}) for row in within)

    def per_cut(self) -> Layout:
        """The columns per cut of the row that has most of them."""
        if self.system is None:
            raise BittingError("columns per cut need one system for all rows", hint="give it with -s SYSTEM")
        names = _cut_names(self.system, across=self.measured)
        within = self.rows[:HEADER_WITHIN]
        shares = [len({names[plain(cell)] for cell in row if plain(cell) in names}) for row in within]
        header = max(range(len(within)), key=lambda number: (shares[number], -number))
        row = self.rows[header]
        if not shares[header]:
            example = self.system.lanes[0].label
            raise BittingError(
                f"no column is named as one of a cut of {self.system.name}",
                hint=f"name them {example} 1, {example} 2, …, or one column of readings with --readings; "
                f"{listed(self.rows[self.filled()])}",
            )
        found: dict[tuple[str | None, str, int], int] = {}
        for place, cell in enumerate(row):
            where = names.get(plain(cell))
            if where in found:
                raise BittingError(
                    f"columns {found[where] + 1} and {place + 1} are both of cut {where[2] + 1} of {where[1]}",
                    hint="name one of them otherwise, or join repeated readings in one cell (7.40|7.42)",
                )
            if where is not None:
                found[where] = place
        measured = {(side, track) for side, track, _ in found}
        cuts = [cut for cut in dict.fromkeys(names.values()) if cut[:2] in measured]
        if absent := [
            " ".join(filter(None, (side, track, str(cut + 1))))
            for side, track, cut in cuts
            if (side, track, cut) not in found
        ]:
            without = "weren't measured" if self.measured else "aren't known"
            raise BittingError(
                f"there is no column for {', '.join(absent)}",
                hint=f"leave the cells of cuts that {without} empty; {listed(row)}",
            )
        return self.layout(header, [found[cut] for cut in cuts], [cut[:2] for cut in cuts])


def _numbered(row: Sequence[str], below: Sequence[str]) -> bool:
    """Whether a row has a number that the next row counts on from."""
    pairs = ((a.strip(), b.strip()) for a, b in zip(row, below, strict=False))
    return any(a.isdecimal() and b.isdecimal() and len(a) < MOST_DIGITS and int(b) == int(a) + 1 for a, b in pairs)


def column_of(rows: Table, place: int) -> list[str]:
    """One cell of every row, "" where the row is too short for it."""
    return [row[place] if place < len(row) else "" for row in rows]


def _cut_names(system: System, *, across: bool = True) -> dict[str, tuple[str | None, str, int]]:
    """Plain name of a column -> (side, track, cut from 0): `left 1`, `top left 1`, `left cut 1`; `L1` where it means one cut."""
    sides = (*((None,) if not system.sided else ()), *system.sides)
    lists = [(side, track.name, track.cuts) for side in sides for track in system.tracks]
    if across and (both := system.measuring.across) is not None:
        cuts = min(system.track(name).cuts for name in both.tracks)
        lists += [(side, "across", cuts) for side in ((None,) if system.sided and both.sides else sides)]
    alone = len(system.tracks) == 1
    names: dict[str, tuple[str | None, str, int]] = {}
    short: dict[str, list[tuple[str | None, str, int]]] = {}
    for side, track, cuts in lists:
        for cut in range(cuts):
            for word in ("", "cut"):
                for stem in (f"{side or ''}{track}", *([side or ""] if alone and track != "across" else ())):
                    names.setdefault(plain(f"{stem}{word}{cut + 1}"), (side, track, cut))
                initials = (side or "")[:1] + track[: 0 if alone and side else 1]
                short.setdefault(plain(f"{initials}{word}{cut + 1}"), []).append((side, track, cut))
    return {name: meant[0] for name, meant in short.items() if len(meant) == 1} | names


def _uncertain(row: Sequence[str], message: str) -> BittingError:
    return BittingError(
        message, hint=f"name it with --column (measured keys: --readings, --readings-columns); {listed(row)}"
    )


def listed(row: Sequence[str]) -> str:
    """The columns of a header row, for people."""
    return "the columns are " + ", ".join(f"{c + 1} {cell.strip() or '(no name)'!s}" for c, cell in enumerate(row[:40]))
