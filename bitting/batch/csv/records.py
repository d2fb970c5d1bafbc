"""Delimited text as records that remember how they were written.

Each record keeps its own characters and its line end, so it can be written out again as it was, with cells added. Quoting
is what Python's csv module understands (a quote is doubled inside quotes, a quoted cell may run over several lines). In a
block without any quote the separators are looked up all at once, and only the cells that somebody asks for are made: without
quotes this is the same, and several times faster.

Memory stays flat: a file is read in blocks of some megabytes. A record longer than `LONGEST` or with more than `WIDEST`
cells is refused, and so is a quote that is never closed.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, compress
from typing import overload

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from bitting.errors import BittingError


@frozen(eq=False)
class ColumnView(Sequence[str]):
    """Cells of one column that are made only when they are asked for: `text[start:stop]` each, all of it ASCII."""

    text: str = field(repr=False)
    starts: NDArray[np.intp]
    stops: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.starts)

    @overload
    def __getitem__(self, number: int) -> str: ...

    @overload
    def __getitem__(self, number: slice) -> list[str]: ...

    def __getitem__(self, number: int | slice) -> str | list[str]:
        if isinstance(number, slice):
            return [self[one] for one in range(*number.indices(len(self)))]
        return self.text[self.starts[number] : self.stops[number]]


LONGEST = 4_000_000
"""Characters in one record."""
WIDEST = 65_536
"""Cells in one record."""


@frozen
class Records:
    """Some neighbouring records of a file, as carried text.

    `raws` are the records as written, without their line ends; `ends` are the line ends (one each); `first` is the number
    of the line (from 1) on which the first begins, `lines` on which line each begins, None where every record is one
    line. `rows` are the cells, unquoted, where quotes made it necessary to look. Without quotes, where all records are
    equally wide, `stops` (records, cells) is where each cell ends in `text`.
    """

    delimiter: str
    first: int
    raws: list[str]
    ends: list[str]
    lines: list[int] | None = None
    rows: list[list[str]] | None = field(default=None)
    stops: NDArray[np.intp] | None = field(default=None)
    text: str = field(default="", repr=False)

    def __len__(self) -> int:
        return len(self.raws)

    def widths(self) -> list[int]:
        """Number of cells of each record (a blank line has one)."""
        if self.rows is not None:
            return [width or 1 for width in map(len, self.rows)]
        if self.stops is not None:
            return [self.stops.shape[1]] * len(self)
        delimiter = self.delimiter
        return [raw.count(delimiter) + 1 for raw in self.raws]

    def column(self, place: int) -> list[str]:
        """One cell of every record, "" where the record is too short for it."""
        rows = self.rows if self.rows is not None else (raw.split(self.delimiter, place + 1) for raw in self.raws)
        return [row[place] if place < len(row) else "" for row in rows]

    def view(self, place: int) -> ColumnView | None:
        """The same column without making its cells; None where that can't be."""
        if not len(self) or self.stops is None or not 0 <= place < self.stops.shape[1] or not self.text.isascii():
            return None
        ended = self.stops[:, -1] - (len(self.ends[0]) - 1)  # a line end of two characters begins before its last one
        starts = self.stops[:, place - 1] + 1 if place else ended - np.fromiter(map(len, self.raws), np.intp, len(self))
        return ColumnView(self.text, starts, ended if place == self.stops.shape[1] - 1 else self.stops[:, place])

    def cells(self, number: int) -> list[str]:
        """All cells of one record."""
        return self.rows[number] if self.rows is not None else self.raws[number].split(self.delimiter)

    def line(self, number: int) -> int:
        """The line of the file on which a record begins."""
        return self.first + number if self.lines is None else self.lines[number]

    def part(self, start: int, stop: int | None = None) -> Records:
        """Some of the records."""
        cut = slice(start, stop)
        return Records(
            self.delimiter,
            self.line(start) if start < len(self) else self.first,
            self.raws[cut],
            self.ends[cut],
            None if self.lines is None else self.lines[cut],
            None if self.rows is None else self.rows[cut],
            None if self.stops is None else self.stops[cut],
            self.text,
        )


def read_records(blocks: Iterable[str], delimiter: str) -> Iterator[Records]:
    """Split carried text into records. Raises BittingError for what is no text table (see the module's docstring)."""
    rest, line = "", 1
    pieces: list[str] = []  # of a record that has not ended yet: joined once, however many blocks it takes
    held = 0
    for block in blocks:
        if "\0" in block:
            at = line + "".join([*pieces, block[: block.index("\0")]]).count("\n")
            raise BittingError(
                f"line {at} holds a NUL byte, so this is no text table", hint="save it again as CSV or XLSX"
            )
        pieces.append(block)
        held += len(block)
        if held <= LONGEST and "\n" not in block and "\r" not in block[:-1]:
            continue
        text = "".join(pieces)
        end = _last_end(text)
        records, rest = _split(text[:end], text[end:], delimiter, line, final=False)
        if len(rest) > LONGEST:
            raise _too_long(rest, line + sum(_breaks(raw) + 1 for raw in records.raws))
        if len(records):
            yield records
            line = records.line(len(records) - 1) + _breaks(records.raws[-1]) + 1
        pieces, held = [rest], len(rest)
    records, _ = _split("".join(pieces), "", delimiter, line, final=True)
    if len(records):
        yield records


def _last_end(text: str) -> int:
    """Where the last complete line ends; a carriage return at the very end may be half of a line end."""
    newline = text.rfind("\n")
    if newline >= 0:
        return newline + 1
    return text.rfind("\r", 0, len(text) - 1) + 1


def _breaks(raw: str) -> int:
    return raw.count("\n") + (raw.count("\r") - raw.count("\r\n") if "\r" in raw else 0)


def _lines(text: str) -> tuple[list[str], list[str]]:
    """The lines of a text and their ends; the last has the end "" where the text doesn't stop at a line end."""
    if "\r" not in text:
        lines, end = text.split("\n"), "\n"
    elif text.count("\r\n") == text.count("\r") == text.count("\n"):
        lines, end = text.split("\r\n"), "\r\n"
    elif "\n" not in text:
        lines, end = text.split("\r"), "\r"
    else:
        whole = list(io.StringIO(text, newline=""))
        lines = [one.rstrip("\r\n") for one in whole]
        return lines, [one[len(bare) :] for one, bare in zip(whole, lines, strict=True)]
    if lines[-1]:
        return lines, [end] * (len(lines) - 1) + [""]
    lines.pop()
    return lines, [end] * len(lines)


def _split(text: str, rest: str, delimiter: str, first: int, *, final: bool) -> tuple[Records, str]:
    """The records of `text`, and what must wait for more: an open quoted cell and everything after it."""
    lines, ends = _lines(text)
    if '"' not in text:
        records = Records(delimiter, first, lines, ends)
        _check_width(records, lines)
        return evolve(records, stops=_stops(text, delimiter, lines), text=text), rest
    rows, starts, open_from = _parse(lines, ends, delimiter, first)
    if open_from is not None:
        if final:
            raise BittingError(
                f"the quote opened in the record that begins on line {first + open_from} is never closed",
                hint="close it, or double a quote that is meant as a character",
            )
        waiting = "".join(a + b for a, b in zip(lines[open_from:], ends[open_from:], strict=True))
        rest = waiting + rest
    if len(starts) == len(lines):
        return Records(delimiter, first, lines, ends, None, rows), rest
    stops = [*starts[1:], len(lines) if open_from is None else open_from] if starts else []
    raws, last = [], []
    for start, stop in zip(starts, stops, strict=True):
        inner = (a + b for a, b in zip(lines[start : stop - 1], ends[start : stop - 1], strict=True))
        raws.append("".join([*inner, lines[stop - 1]]) if stop - start > 1 else lines[start])
        last.append(ends[stop - 1])
    numbers = None if len(starts) == len(lines) else [first + start for start in starts]
    return Records(delimiter, first, raws, last, numbers, rows), rest


def _stops(text: str, delimiter: str, lines: Sequence[str]) -> NDArray[np.intp] | None:
    """Where each cell ends, a row per line; None where the lines are not equally wide, or end in more than one way."""
    if not lines:
        return None
    width = lines[0].count(delimiter) + 1
    end = "\n" if text.endswith("\n") else "\r"
    data = np.frombuffer(text.encode("latin-1"), np.uint8)
    at = np.flatnonzero((data == ord(delimiter)) | (data == ord(end)))
    if len(at) != width * len(lines):
        return None
    stops = at.reshape(len(lines), width)
    ended = data[stops] == ord(end)
    return stops if ended[:, -1].all() and not ended[:, :-1].any() else None


def _parse(
    lines: Sequence[str], ends: Sequence[str], delimiter: str, first: int
) -> tuple[list[list[str]], list[int], int | None]:
    """The csv module's rows, the line each starts on (from 0), and the line on which an unclosed record starts."""
    watch = "\0"  # no file that comes this far holds one: a last line that an open quote would swallow
    csv.field_size_limit(LONGEST)
    # without a line end the watch line would be glued to what stands before it
    if ends and not ends[-1]:
        ends = [*ends[:-1], "\n"]
    reader = csv.reader(chain(map(str.__add__, lines, ends), [watch]), delimiter=delimiter)
    rows = []
    starts: list[int] = []
    begin = 0
    try:
        for row in reader:
            if len(row) > WIDEST:
                raise _too_wide(first + begin)
            rows.append(row)
            starts.append(begin)
            begin = reader.line_num
    except csv.Error as fault:
        raise BittingError(
            f"the record that begins on line {first + begin} can't be read: {fault}",
            hint="look for a quote that is never closed",
        ) from None
    closed = rows[-1] == [watch]
    rows.pop()
    return rows, starts[:-1], None if closed else starts[-1]


def _check_width(records: Records, lines: Sequence[str]) -> None:
    if max(map(len, lines), default=0) < WIDEST:
        return
    for number in compress(range(len(lines)), (len(one) >= WIDEST for one in lines)):
        if len(lines[number]) > LONGEST:
            raise _too_long(lines[number], records.line(number))
        if lines[number].count(records.delimiter) >= WIDEST:
            raise _too_wide(records.line(number))


def _too_wide(line: int) -> BittingError:
    return BittingError(
        f"line {line} has more than {WIDEST:,} cells", hint="this is no table of codes; check the delimiter"
    )


def _too_long(text: str, line: int) -> BittingError:
    why = "is there a quote that is never closed?" if '"' in text else "is this a text table?"
    return BittingError(f"the record that begins on line {line} is longer than {LONGEST:,} characters", hint=why)
